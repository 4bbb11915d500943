"""How loud what is heard is, by ITU-R BS.1770-4: K-weighting, gated loudness, true peak."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scipy.signal import lfilter, resample_poly

from coach.app.drill_sound import Passage
from coach.app.piece import open_piece
from coach.app.step import whole
from coach.app.terms import Terms
from coach.core import mixer
from coach.core.demonstration import MODEL_VELOCITY, as_loud_as, assemble
from coach.core.mixer import click, render
from coach.core.pitch import frequency
from coach.core.pluck import OPEN
from coach.core.sounding import Tick, Tone, Track
from tests.harness import ROOT

RATE = 48_000
# ITU-R BS.1770-4, tables 1 and 2, at 48 kHz.
HEAD = ([1.53512485958697, -2.69169618940638, 1.19839281085285], [1.0, -1.69065929318241, 0.73248077421585])
LOWS = ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621])
ETUDES = range(1, 6)


def k_weighted(samples):
    return lfilter(*LOWS, lfilter(*HEAD, samples))


def rms_db(samples):
    return 10 * np.log10(np.mean(np.square(samples, dtype=np.float64)) + 1e-20)


def loudness(samples):
    """Gated loudness of one channel in LKFS: blocks of 400 ms, three quarters overlapping."""
    power = k_weighted(samples) ** 2
    starts = range(0, len(power) - 19_199, 4_800)
    blocks = np.array([np.mean(power[s : s + 19_200]) for s in starts])
    kept = blocks[-0.691 + 10 * np.log10(blocks + 1e-20) > -70]
    kept = kept[kept > kept.mean() / 10]
    return -0.691 + 10 * np.log10(kept.mean())


def true_peak(samples):
    return np.abs(resample_poly(samples, 4, 1)).max()


@lru_cache
def etude(number):
    (path,) = (ROOT / "scores").glob(f"{number:02}-*.musicxml")
    return open_piece(path)


def model(number, speed, **how):
    """An étude's track; without ``click`` no count-in either."""
    track = Passage(whole(etude(number), Terms()), speed).model(**how)
    return track if how.get("click", True) else replace(track, ticks=())


def test_the_meter_reads_what_the_recommendation_says():
    # BS.1770-4: a sine of 997 Hz at full scale in one channel reads -3.01 LKFS.
    at = np.arange(4 * RATE) / RATE
    assert loudness(np.sin(2 * np.pi * 997 * at)) == pytest.approx(-3.01, abs=0.01)


def test_accents_stand_apart():
    bar, beat, part = (k_weighted(click(accent, RATE)) for accent in (2, 1, 0))
    assert rms_db(bar) - rms_db(beat) > 3
    assert rms_db(beat) - rms_db(part) > 3


def test_strings_are_about_equally_loud():
    loud = []
    for string, pitch in enumerate(OPEN, 1):
        samples = render(Track((Tone(0.0, pitch, string, 86),), (), 0.5), RATE)
        loud.append(rms_db(k_weighted(samples)))
    assert max(loud) - min(loud) < 2


@pytest.mark.parametrize("number", ETUDES)
def test_what_is_compared_is_equally_loud(number):
    passage = Passage(whole(etude(number), Terms()), 1.0)
    stopped = loudness(render(passage.model(), RATE))
    assert loudness(render(passage.difference(), RATE)) == pytest.approx(stopped, abs=1)
    dice = np.random.default_rng(number)
    dry = model(number, 1.0, click=False)
    for soft in (30, 80, 105):  # a player, or a converter, of this loudness
        played = tuple(replace(t, velocity=int(np.clip(dice.normal(soft, 6), 1, 127))) for t in dry.tones)
        again = render(assemble(as_loud_as(MODEL_VELOCITY, played)), RATE)
        assert loudness(again) == pytest.approx(loudness(render(dry, RATE)), abs=1.5)


def test_loud_and_soft_keep_their_distance():
    tones = (Tone(0.0, 45, 5, 30), Tone(1.0, 50, 4, 60), Tone(2.0, 50, 4, 0))
    lifted = as_loud_as(80.0, tones)
    assert lifted[1].velocity == pytest.approx(2 * lifted[0].velocity, abs=1)
    assert lifted[2].velocity == 0
    assert [replace(tone, velocity=0) for tone in lifted] == [replace(tone, velocity=0) for tone in tones]
    assert as_loud_as(80.0, ()) == ()
    assert as_loud_as(80.0, (Tone(0.0, 45, 5, 80),))[0].velocity == 80


@pytest.mark.parametrize("speed", [0.5, 1.0])
@pytest.mark.parametrize("number", ETUDES)
def test_the_click_is_heard_through_the_model_and_does_not_cover_it(number, speed):
    """In its first 20 ms a click is from 3 dB under the music to 10 dB over it, where the music is loud."""
    passage = Passage(whole(etude(number), Terms()), speed)
    track = passage.model()
    clicks = k_weighted(render(replace(track, tones=()), RATE))
    music = k_weighted(render(replace(track, ticks=()), RATE))
    usual = loudness(render(replace(track, ticks=()), RATE))
    compared = 0
    for tick in track.ticks:
        near = slice(round(tick.start_s * RATE), round(tick.start_s * RATE) + RATE // 50)
        if rms_db(music[near]) > usual:
            compared += 1
            assert -3 < rms_db(clicks[near]) - rms_db(music[near]) < 10
    assert compared >= 4


def test_no_track_passes_full_scale_and_the_limit_sleeps_through_the_model():
    for number in ETUDES:
        samples = render(model(number, 1.0), RATE)
        assert true_peak(samples) < mixer.KNEE
    rolled = tuple(
        Tone(bar + 0.025 * (6 - string), pitch, string, 127)
        for bar in range(4)
        for string, pitch in enumerate(OPEN, 1)
    )
    struck = tuple(replace(tone, start_s=float(int(tone.start_s))) for tone in rolled)
    for tones, most in ((rolled, 0.002), (struck, 0.01)):
        samples = render(Track(tones, tuple(Tick(k / 2, 2) for k in range(8)), 4.2), RATE)
        assert true_peak(samples) < 1
        assert np.mean(np.abs(samples) > mixer.KNEE) < most  # the part of all samples that is bent


def heard_near(samples, hz):
    """The power within one equivalent rectangular bandwidth (Glasberg & Moore 1990) about a frequency."""
    wide = 24.7 * (4.37 * hz / 1000 + 1)
    power = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 4 * len(samples))) ** 2
    at = np.fft.rfftfreq(4 * len(samples), 1 / RATE)
    return power[np.abs(at - hz) < wide / 2].sum() + 1e-12


def test_the_difference_is_heard_at_the_stops():
    """150 ms after a stop the string's own band is 10 dB softer than ringing on, for nine stops in ten.

    Where it is not, the next bass or the melody sounds in the same band and would cover it.
    """
    told = []
    for number in ETUDES:
        passage = Passage(whole(etude(number), Terms()), 1.0)
        rings, stops = (render(model(number, 1.0, click=False, ring_on=on), RATE) for on in (True, False))
        for stop in passage.step.stops:
            begin = round((passage.lead_s + passage.beat_s(stop.due) + 0.05) * RATE)
            near = slice(begin, begin + RATE // 5)
            hz = frequency(float(passage.score.notes["pitch"][stop.note]))
            if stop.wanted:
                told.append(heard_near(rings[near], hz) / heard_near(stops[near], hz) > 10)
    assert len(told) > 50
    assert np.mean(told) > 0.9
