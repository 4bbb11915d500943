"""Tracks as samples: every figure is read from the rendered stream."""

from fractions import Fraction

import numpy as np
import pytest

from coach.core import mixer as made
from coach.core.mixer import Mixer, click, render
from coach.core.pluck import open_t60_s, pluck
from coach.core.sounding import Tick, Tone, Track

RATES = (44_100, 48_000)
OPEN = (64, 59, 55, 50, 45, 40)


def clicks_in(mixer, seconds, block=8_192):
    """Frames at which a click begins, and how loud each is: sound after at least 10 ms of silence."""
    at, loud = [], []
    frames = round(seconds * mixer.rate)
    for frame in range(0, frames, block):
        samples = mixer.block(frame, min(block, frames - frame))
        heard = np.flatnonzero(samples)
        at.append(heard + frame)
        loud.append(np.abs(samples[heard]))
    heard = np.concatenate(at)
    begins = np.flatnonzero(np.diff(heard, prepend=-mixer.rate) > mixer.rate // 100)
    return heard[begins].tolist(), np.maximum.reduceat(np.concatenate(loud), begins)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("tempo", ["61.7", "137.3"])
@pytest.mark.parametrize("again", [False, True])
def test_ten_minutes_of_click_are_exact_to_the_sample(again, tempo, rate):
    beat = 60 / Fraction(tempo)  # exact
    count = -(-600 // beat)  # the last before the end
    per_round = 4 if again else count
    accents = [2 if k % 4 == 0 else 1 for k in range(per_round)]
    ticks = tuple(Tick(float(k * beat), accent) for k, accent in enumerate(accents))
    track = Track((), ticks, 600.0, float(4 * beat) if again else None)
    frames, loud = clicks_in(Mixer(track, rate), 600)
    assert len(frames) == count
    for k, frame in enumerate(frames):
        assert abs(frame - k * beat * rate) <= Fraction(1, 2) + Fraction(1, 1000)
    assert loud[::4].min() > 1.1 * max(loud[1::4].max(), loud[2::4].max(), loud[3::4].max())


def test_the_listening_hears_a_late_click():
    ticks = (Tick(0.1, 2), Tick(0.5, 0), Tick(1.0001, 1))
    frames, loud = clicks_in(Mixer(Track((), ticks, 2.0), 48_000, click_gain=0.5), 2.0)
    assert frames == [4_800, 24_000, 48_005]
    assert loud.tolist() == pytest.approx([0.5, 0.18, 0.32])


@pytest.mark.parametrize("rate", RATES)
def test_clicks_are_three_sounds_that_keep_under_the_top(rate):
    peaks, pitches = [], []
    for accent in (0, 1, 2):
        sound = click(accent, rate)
        assert sound[0] != 0
        assert abs(sound[0]) < 0.02  # no step
        assert np.abs(sound[-20:]).max() < 1e-4
        assert len(sound) <= 0.06 * rate
        power = np.abs(np.fft.rfft(sound, rate)) ** 2  # one bin a Hz
        assert power[16_000:].sum() < 1e-7 * power.sum()
        pitches.append(int(power.argmax()))
        peaks.append(np.abs(sound).max())
    assert peaks == sorted(peaks)
    assert peaks[0] < 0.6 * peaks[1] < 0.6 * peaks[2]
    assert pitches[0] * 1.25 < pitches[1] < pitches[2] / 1.25


def full(seconds, seed=3):
    """Loud music on six strings with a click."""
    dice = np.random.default_rng(seed)
    tones = []
    for string, low in enumerate(OPEN, 1):
        at = float(dice.random()) * 0.1
        while at < seconds:
            length = float(dice.choice([0.11, 0.23, 0.37]))
            stop = at + 0.7 * length if dice.random() < 0.5 else None
            tones.append(Tone(at, low + int(dice.integers(0, 6)), string, int(dice.integers(30, 128)), stop))
            at += length
    return tuple(tones), tuple(Tick(k * 0.2, k % 3) for k in range(int(seconds * 5)))


@pytest.mark.parametrize("period_s", [None, 1.0 / 3.0])
def test_any_blocking_gives_the_same_samples(period_s):
    track = Track(*full(2.0), 2.1, period_s)
    mixer = Mixer(track, 44_100, tone_gain=0.6)
    frames = 3 * 44_100
    whole = mixer.block(0, frames)
    assert np.abs(whole).max() > made.KNEE  # the limit is at work
    dice = np.random.default_rng(5)
    for largest in (40, 1_000, 30_000):
        parts, frame = [], 0
        while frame < frames:
            n = min(int(dice.integers(0, largest)), frames - frame)
            parts.append(mixer.block(frame, n))
            frame += n
        assert np.array_equal(np.concatenate(parts), whole)
    assert np.array_equal(mixer.block(70_001, 512), whole[70_001:70_513])  # any order


def test_there_is_silence_before_and_after():
    track = Track((Tone(0.0, 45, 5, 100),), (Tick(0.45),), 0.5)
    mixer = Mixer(track, 48_000)
    assert mixer.frames == 24_000
    around = mixer.block(-1_000, 30_000)
    assert not around[:1_000].any()
    assert np.array_equal(around[1_000:25_000], mixer.block(0, 24_000))
    assert np.abs(around[24_000:25_000]).max() > 0  # up to the end itself it fades …
    assert not around[25_000:].any()
    assert not mixer.block(10**12, 64).any()
    assert not mixer.block(-(10**6), 64).any()
    assert len(mixer.block(5, 0)) == 0
    # … within 30 ms, without a step at the end
    last = np.abs(around[24_900:25_000])
    assert last.max() < 0.12 * np.abs(around[22_000:23_000]).max()


def test_an_empty_track_is_silent():
    assert not Mixer(Track(), 48_000).block(0, 100).any()
    assert not Mixer(Track(period_s=0.001), 48_000).block(12_345, 100).any()
    assert render(Track(), 48_000).shape == (0,)


@pytest.mark.parametrize("period_s", [0.75, 60 / 61.7])
def test_rounds_are_the_same_track_written_out(period_s):
    """A loop of four rounds equals the four rounds written into one track; so nothing breaks at a joint."""
    tones = (
        Tone(0.0, 40, 6, 90, 0.5),
        Tone(0.25, 50, 4, 110),  # rings over the joint, until its string is plucked again
        Tone(0.5, 64, 1, 70),
        Tone(0.6, 57, 0, 70),  # on no known string
    )
    ticks = (Tick(0.0, 2), Tick(0.375, 0))
    rate, rounds = 48_000, 4
    loop = Mixer(Track(tones, ticks, period_s, period_s), rate)
    written = []
    for k in range(rounds + 1):
        at = k * period_s
        for t in tones:
            stop = None if t.stop_s is None else t.stop_s + at
            written.append(Tone(t.start_s + at, t.pitch, t.string, t.velocity, stop))
    beats = tuple(Tick(k * period_s + t.start_s, t.accent) for k in range(rounds + 1) for t in ticks)
    once = Mixer(Track(tuple(written), beats, (rounds + 1) * period_s), rate)
    frames = int(rounds * period_s * rate) - 1
    apart = np.abs(loop.block(0, frames) - once.block(0, frames))
    # Where the period is no whole number of frames a stop may fall a frame aside, and then fades away.
    assert apart.max() < (1e-6 if (period_s * rate).is_integer() else 2e-3)
    assert np.abs(loop.block(0, frames)).max() > 0.2


def test_a_string_rings_over_a_loop_joint_without_a_click():
    rate, period_s = 44_100, 1.0137
    track = Track((Tone(0.4, 45, 5, 100), Tone(0.5, 59, 2, 100)), (), period_s, period_s)
    mixer = Mixer(track, rate)
    for k in range(1, 6):
        joint = round(k * period_s * rate)
        near = mixer.block(joint - 4_000, 8_000).astype(np.float64)
        assert np.sqrt(np.mean(near**2)) > 0.01  # it sounds
        sharp = np.abs(np.diff(near, 4))
        assert sharp[3_900:4_100].max() <= sharp.max() * 1.0000001
        assert sharp[3_990:4_010].max() <= 1.3 * max(sharp[:3_000].max(), sharp[5_000:].max())
        near[4_000:] *= 0.95
        assert np.abs(np.diff(near, 4))[3_990:4_010].max() > 4 * sharp.max()  # a click would be heard


def strength(samples, pitch, rate):
    """The level of a pitch's fundamental."""
    at, hz = np.arange(len(samples)), 440 * 2 ** ((pitch - 69) / 12)
    return abs(np.sum(samples * np.hanning(len(samples)) * np.exp(-2j * np.pi * hz / rate * at))) / len(
        samples
    )


def test_a_string_sounds_one_tone_and_two_strings_two():
    rate = 48_000
    later = slice(round(0.65 * rate), round(1.05 * rate))
    left = []
    for second in (6, 5):
        track = Track((Tone(0.0, 40, 6, 100), Tone(0.5, 47, second, 100)), (), 2.0)
        left.append(strength(render(track, rate)[later], 40, rate))
    assert left[0] < left[1] / 300  # 50 dB


def test_a_stop_is_heard_in_a_track():
    rate = 48_000
    tracks = [Track((Tone(0.0, 45, 5, 100, stop),), (), 2.0) for stop in (None, 0.5)]
    rings, stops = (render(track, rate) for track in tracks)
    assert np.abs(rings[:24_000] - stops[:24_000]).max() < 1e-6  # transforms of two lengths
    assert np.abs(stops[round(0.7 * rate) :]).max() == 0
    assert np.abs(rings[round(1.0 * rate) :]).max() > 0.02


def test_a_tone_of_a_track_is_the_plucked_one_at_its_gain():
    rate = 44_100
    track = Track((Tone(0.25, 52.5, 4, 77, 1.0),), (), 3.0)
    heard = render(track, rate, tone_gain=0.5)
    alone = pluck(52.5, 2.0, rate, t60_s=open_t60_s(52.5), velocity=77, stop_s=0.75) * 0.5
    alone *= 10 ** (3.5 * (64 - 52.5) / 24 / 20)  # basses are lifted
    begin = round(0.25 * rate)
    assert np.abs(heard[begin : begin + len(alone)] - alone).max() < 1e-6  # transforms of two lengths
    assert not heard[:begin].any()


def test_six_strings_at_full_strength_never_clip():
    tones = tuple(Tone(0.0, low, string, 127) for string, low in enumerate(OPEN, 1))
    track = Track(tones, (Tick(0.0, 2),), 1.0)
    for gain in (made.TONE_GAIN, 1.0, 20.0):
        assert np.abs(render(track, 48_000, tone_gain=gain)).max() < 1.0
    quiet = Track(tuple(Tone(0.0, low, s, 50) for s, low in enumerate(OPEN, 1)), (), 1.0)
    assert 0.1 < np.abs(render(quiet, 48_000)).max() < made.KNEE  # untouched


def test_the_limit_is_smooth_and_keeps_the_order():
    rising = np.linspace(-3, 3, 60_001).astype(np.float32)
    bent = made._limit(rising.copy())
    assert (np.diff(bent) >= 0).all()
    assert np.abs(bent).max() < 1
    inside = np.abs(rising) <= made.KNEE
    assert np.array_equal(bent[inside], rising[inside])
    slope = np.diff(bent.astype(np.float64)) / np.diff(rising.astype(np.float64))
    assert np.abs(np.diff(slope)).max() < 0.02


def test_equal_tones_are_rendered_once():
    tones = tuple(Tone(k * 0.5, 45, 5, 80 + k % 2, None) for k in range(20))
    mixer = Mixer(Track(tones, (), 12.0), 48_000)
    first = mixer._parts[0].samples
    for part in mixer._parts:
        if part.damping is None and len(part.samples) > 4_000:
            assert np.shares_memory(part.samples, first)


def test_a_pitch_that_no_string_gives_is_left_out_and_counted():
    mixer = Mixer(Track((Tone(0.0, 127, 1, 100), Tone(0.0, 64, 1, 100)), (), 1.0), 44_100)
    assert mixer.left_out == 1
    alone = Mixer(Track((Tone(0.0, 64, 1, 100),), (), 1.0), 44_100)
    assert np.array_equal(mixer.block(0, 44_100), alone.block(0, 44_100))


@pytest.mark.parametrize(
    "wrong",
    [
        {"tones": (Tone(-0.1, 40, 6, 80),)},
        {"tones": (Tone(0.0, float("nan"), 6, 80),)},
        {"tones": (Tone(0.0, 40, 6, 80, float("inf")),)},
        {"ticks": (Tick(float("nan")),)},
        {"ticks": (Tick(0.0, 3),)},
        {"length_s": -1.0},
        {"period_s": 0.0},
    ],
)
def test_a_track_of_nonsense_is_refused(wrong):
    with pytest.raises(ValueError, match=r"track|click|pitch"):
        Track(**wrong)
