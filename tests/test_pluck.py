"""The plucked string, measured from its samples by ways that know nothing of how it is made."""

import numpy as np
import pytest
from scipy.signal import bilinear, butter, freqz, lfilter, sosfilt

from coach.core import pluck as made
from coach.core.pluck import open_t60_s, pluck, ring

RATES = (44_100, 48_000)
OPEN = (64, 59, 55, 50, 45, 40)
PLACES = sorted({low + fret for low in OPEN for fret in range(13)})  # every pitch of frets 0 to 12
A4 = 440.0  # ISO 16:1975


def hertz(pitch):
    return A4 * 2 ** ((pitch - 69) / 12)


def demodulated(tone, hz, rate, width_s, starts):
    """The complex level of one partial, in windows that begin at ``starts``."""
    frames = round(width_s * rate)
    window = np.hanning(frames)
    at = np.arange(frames)
    return np.array([
        np.sum(tone[s : s + frames] * window * np.exp(-2j * np.pi * hz / rate * (at + s))) / window.sum()
        for s in starts
    ])  # fmt: skip


def cents_off(tone, hz, rate):
    """How far the fundamental is from ``hz``, by the slope of its phase."""
    starts = np.arange(round(0.1 * rate), round(1.4 * rate), round(0.05 * rate))
    phase = np.unwrap(np.angle(demodulated(tone, hz, rate, 0.5, starts)))
    slope = np.polyfit(starts / rate, phase, 1)[0] / (2 * np.pi)
    return 1200 * np.log2((hz + slope) / hz)


def fitted_t60_s(tone, hz, rate, until_s):
    """The fundamental's decay by a line through its level in dB."""
    starts = np.arange(round(0.05 * rate), round((until_s - 0.15) * rate), round(0.02 * rate))
    level = 20 * np.log10(np.abs(demodulated(tone, hz, rate, 0.15, starts)))
    return -60 / np.polyfit(starts / rate, level, 1)[0]


def rms(samples):
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))


def db(share):
    return 20 * np.log10(share)


def sine(hz, seconds, rate, t60_s=2.0):
    at = np.arange(round(seconds * rate)) / rate
    return np.sin(2 * np.pi * hz * at) * 10 ** (-3 * at / t60_s)


def test_the_measure_of_pitch_finds_a_detuned_sine():
    for cents in (-30.0, -1.5, 0.0, 0.4):
        off = cents_off(sine(110.0 * 2 ** (cents / 1200), 2.0, 44_100), 110.0, 44_100)
        assert off == pytest.approx(cents, abs=0.01)


def test_the_measure_of_decay_finds_that_of_a_sine():
    assert fitted_t60_s(sine(146.8, 3.0, 48_000, 1.7), 146.8, 48_000, 3.0) == pytest.approx(1.7, rel=1e-3)


@pytest.mark.parametrize("rate", RATES)
def test_every_place_to_the_twelfth_fret_is_in_tune(rate):
    off = [cents_off(pluck(p, 2.0, rate, t60_s=open_t60_s(p)), hertz(p), rate) for p in PLACES]
    assert max(map(abs, off)) < 0.01  # within a cent is asked


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("pitch", OPEN)
def test_open_strings_are_in_tune_by_the_peak_of_a_long_spectrum(pitch, rate):
    tone = pluck(pitch, 6.0, rate, t60_s=6.0)
    size = 2**20
    spectrum = np.log(np.abs(np.fft.rfft(tone * np.hanning(len(tone)), size)))
    near = round(hertz(pitch) * size / rate)
    peak = near - 40 + int(np.argmax(spectrum[near - 40 : near + 41]))
    left, top, right = spectrum[peak - 1 : peak + 2]
    hz = (peak + 0.5 * (left - right) / (left - 2 * top + right)) * rate / size
    assert abs(1200 * np.log2(hz / hertz(pitch))) < 0.2


def test_quarter_tones_are_in_tune():
    assert abs(cents_off(pluck(45.5, 2.0, 44_100, t60_s=4.0), hertz(45.5), 44_100)) < 0.01


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("t60_s", [0.4, 1.0, 3.0, 11.41])
@pytest.mark.parametrize("pitch", [40, 45, 55, 64, 76])
def test_the_fundamental_decays_as_asked(pitch, t60_s, rate):
    until_s = min(2.5, t60_s)
    tone = pluck(pitch, until_s, rate, t60_s=t60_s)
    assert fitted_t60_s(tone, hertz(pitch), rate, until_s) == pytest.approx(t60_s, rel=0.01)  # asked: 5 %


def test_upper_partials_die_sooner():
    tone = pluck(40, 3.0, 44_100, t60_s=4.0)
    fitted = [fitted_t60_s(tone, n * hertz(40), 44_100, 1.5) for n in (1, 5, 10, 20)]
    assert fitted == sorted(fitted, reverse=True)
    assert fitted[-1] < 0.75 * fitted[0]


def test_a_string_on_an_instrument_dies_sooner_than_its_own_losses_say():
    # Woodhouse 2004, Acta Acustica u. w. Acustica 90, table I with eq. 8: tension and T60 of the string
    # itself, E2, A2, D3, G3, B3, E4.  The body adds a loss factor 2 Z Re(Y) / pi (from a string that ends on
    # an admittance Y, worked out here); a guitar's Re(Y) is about 1 to 10 mm/s a newton there (from memory).
    own = ((71.6, 11.41), (73.9, 14.56), (71.2, 11.08), (58.3, 7.37), (53.4, 7.58), (70.3, 5.93))
    for string, (tension_n, own_s) in zip(range(6, 0, -1), own, strict=True):
        hz = hertz(OPEN[string - 1])
        impedance = tension_n / (2 * 0.65 * hz)  # T / c
        own_loss = 6 * np.log(10) / (2 * np.pi * hz * own_s)  # 60 dB are ln(1000); sigma = omega eta / 2
        most, least = (
            6 * np.log(10) / (2 * np.pi * hz * (own_loss + 2 * impedance * y / np.pi)) for y in (1e-3, 1e-2)
        )
        assert least < open_t60_s(string) < most
        assert open_t60_s(string) == open_t60_s(OPEN[string - 1])
    assert open_t60_s(52) > open_t60_s(59) > open_t60_s(64) > open_t60_s(76) > open_t60_s(83) > 0.5


# --- the loop itself, sample by sample -------------------------------------------------------------


def looped(pitch, frames, rate, t60_s, stop=None):
    """The same string by the difference equation, one sample after the other."""
    whole, taps = made._loop(hertz(pitch), rate, t60_s)
    given = made._excitation(rate / hertz(pitch), rate, 5, 0.15, 0)
    lag = whole + len(taps)
    out, taps = [0.0] * (lag + frames), taps.tolist()
    for n in range(frames):
        gain = 1.0
        if stop is not None and n >= stop:
            glided = min((n - stop + 1) / round(made.GLIDE_S * rate), 1.0)
            full = 10 ** (-3 / (hertz(pitch) * made.DAMPED_T60_S))
            gain = full ** (0.5 - 0.5 * np.cos(np.pi * glided))
        value = float(given[n]) if n < len(given) else 0.0
        for k, tap in enumerate(taps):
            value += gain * tap * out[lag + n - whole - k]
        out[lag + n] = value
    return np.array(out[lag:])


@pytest.mark.parametrize("pitch", [40, 57, 83])
def test_the_ring_is_that_of_the_loop(pitch):
    ringing = ring(pitch, 12_000, 44_100, t60_s=3.0)
    assert np.abs(ringing - looped(pitch, 12_000, 44_100, 3.0)).max() < 1e-6


def test_the_ring_is_that_of_the_loop_by_scipy_after_ten_seconds():
    whole, taps = made._loop(hertz(45), 48_000, 14.0)
    given = made._excitation(48_000 / hertz(45), 48_000, 5, 0.15, 0)
    drive = np.zeros(480_000)
    drive[: len(given)] = given
    by_scipy = lfilter([1.0], [1.0, *[0.0] * (whole - 1), *-taps], drive)
    assert np.abs(ring(45, 480_000, 48_000, t60_s=14.0) - by_scipy).max() < 1e-6


@pytest.mark.parametrize(("pitch", "within_db"), [(40, -70), (57, -60), (76, -50)])
def test_a_stop_is_that_of_a_loop_whose_gain_glides_down(pitch, within_db):
    rate, stop = 44_100, 8_000
    by_loop = looped(pitch, 14_000, rate, 3.0, stop)
    stopped = pluck(pitch, 14_000 / rate, rate, t60_s=3.0, stop_s=stop / rate) / made.level(80)
    before = rms(by_loop[stop - 2_000 : stop])
    # Up to the finger's own sound, which is measured below, they are one.
    touch = np.zeros(14_000)
    swell = made.touch(rate)
    touch[stop : stop + len(swell)] = swell * made.touch_level(stopped, stop, pitch, rate)
    assert db(rms((stopped - touch - by_loop)[stop : stop + 4_000]) / before) < within_db


# --- the finger that stops it ----------------------------------------------------------------------


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("stop_s", [0.31, 1.0])
def test_100_ms_after_a_stop_the_string_is_50_db_under_one_that_rings(stop_s, rate):
    at, width = round((stop_s + 0.1) * rate), round(0.025 * rate)  # two periods of E2
    for pitch in PLACES:
        free = pluck(pitch, stop_s + 0.2, rate, t60_s=open_t60_s(pitch))
        stopped = pluck(pitch, stop_s + 0.2, rate, t60_s=open_t60_s(pitch), stop_s=stop_s)
        assert np.array_equal(free[: round(stop_s * rate)], stopped[: round(stop_s * rate)])
        assert db(rms(stopped[at : at + width]) / rms(free[at : at + width])) < -55  # asked: -50


def test_the_finger_is_heard_far_under_the_tone_and_then_nothing():
    rate, stop = 48_000, 24_000
    for pitch in (40, 55, 76):
        free = pluck(pitch, 1.0, rate, t60_s=3.0)
        stopped = pluck(pitch, 1.0, rate, t60_s=3.0, stop_s=0.5)
        left = free[stop:] * 0
        kept = made.damping(pitch, rate)
        left[: len(kept)] = free[stop : stop + len(kept)] * kept
        touch = stopped[stop:] - left
        before = rms(free[stop - 4_000 : stop])
        assert -60 < db(np.abs(touch).max() / before) < -30
        assert not touch[round(0.03 * rate) :].any()
        assert not stopped[stop + round(0.2 * rate) :].any()


def sharpness(samples):
    """The fourth difference, sample by sample: a step stands far out of a tone of smooth partials."""
    return np.abs(np.diff(np.asarray(samples, np.float64), 4))


@pytest.mark.parametrize("pitch", [40, 47, 55, 64, 76])
def test_a_stop_makes_no_click_where_a_step_of_a_tenth_does(pitch):
    rate = 48_000
    for stop in (9_600, 10_007, 24_123):
        free = pluck(pitch, 1.0, rate, t60_s=4.0)
        stopped = pluck(pitch, 1.0, rate, t60_s=4.0, stop_s=stop / rate)
        stepped = free.copy()
        stepped[stop:] *= 0.9
        near = slice(stop - 1_200, stop + 1_200)
        smooth = sharpness(free[near])
        assert (sharpness(stopped[near]) - smooth).max() < 0.2 * smooth.max()
        assert (sharpness(stepped[near]) - smooth).max() > 4 * smooth.max()  # the measure hears a click


# --- level, shape, refusals ------------------------------------------------------------------------


def test_a_tone_begins_without_a_step_and_stays_within_its_level():
    for velocity in (1, 40, 80, 127):
        tone = pluck(50, 1.0, 44_100, t60_s=3.0, velocity=velocity)
        peak = np.abs(tone).max()
        assert 0.9 * made.level(velocity) < peak <= 1.15 * made.level(velocity)
        assert abs(tone[0]) < 1e-3 * peak
    assert made.level(127) == 1.0
    assert made.level(30) < made.level(31)


def test_a_harder_stroke_is_brighter():
    shares = []
    for velocity in (20, 70, 120):
        power = np.abs(np.fft.rfft(pluck(45, 1.0, 44_100, t60_s=4.0, velocity=velocity))) ** 2
        shares.append(power[2000:].sum() / power.sum())  # one bin a Hz
    assert shares == sorted(shares)
    assert shares[2] > 3 * shares[0]


@pytest.mark.parametrize("rate", RATES)
def test_the_body_is_a_shelf(rate):
    """Against the analogue filter, by scipy's bilinear transform with both corners warped."""
    zero, pole = (2 * rate * np.tan(np.pi * hz / rate) for hz in (160.0, 800.0))
    at = 2 * np.pi * np.array([40.0, 82.4, 160.0, 400.0, 800.0, 3_000.0, 12_000.0]) / rate
    _, wanted = freqz(*bilinear([1 / zero, 1], [1 / pole, 1], rate), at)
    _, got = freqz(made._body(rate), 1, at)
    assert np.abs(got / wanted - 1).max() < 1e-5
    assert np.abs(got[1]) == pytest.approx(np.hypot(1, 82.4 / 160) / np.hypot(1, 82.4 / 800), rel=1e-3)


@pytest.mark.parametrize("pitch", [38, 40, 45, 50])
def test_a_bass_is_heard_from_a_small_loudspeaker(pitch):
    """One that gives nothing under 200 Hz: the partials above must be as strong as the fundamental."""
    rate = 48_000
    tone = pluck(pitch, 1.0, rate, t60_s=open_t60_s(pitch))
    level = [abs(demodulated(tone, n * hertz(pitch), rate, 0.3, [0])[0]) for n in range(1, 6)]
    assert max(level[2:]) > 0.9 * level[0]
    small = sosfilt(butter(4, 200, "high", fs=rate, output="sos"), tone)
    assert db(rms(small) / rms(tone)) > -6


def test_nothing_stands_still_and_nothing_folds_back():
    for pitch in (40, 64, 76, 88):
        tone = pluck(pitch, 4.0, 44_100, t60_s=open_t60_s(pitch), velocity=127)
        power = np.abs(np.fft.rfft(tone * np.hanning(len(tone)))) ** 2
        assert power[4 * 12_000 :].sum() < 1e-8 * power.sum()  # a quarter of a Hz to a bin
        assert power[: 4 * 15].sum() < 1e-4 * power.sum()


def test_the_comb_of_the_plucking_point():
    # Plucked at a fifth of its length, a string lacks every fifth partial.
    tone = pluck(45, 2.0, 44_100, t60_s=4.0, position=0.2)
    level = [abs(demodulated(tone, n * hertz(45), 44_100, 0.5, [4410])[0]) for n in (4, 5, 6)]
    assert level[1] < 0.1 * min(level[0], level[2])


def test_the_length_is_as_asked():
    assert pluck(45, 0.5, 44_100, t60_s=2.0).shape == (22_050,)
    assert pluck(45, 0.5, 44_100, t60_s=2.0).dtype == np.float32
    assert pluck(45, 0.0, 44_100, t60_s=2.0).shape == (0,)
    stopped_at_once = pluck(45, 0.5, 44_100, t60_s=2.0, stop_s=0.0)
    assert not stopped_at_once[round(0.2 * 44_100) :].any()
    late = pluck(45, 0.5, 44_100, t60_s=2.0, stop_s=3.0)
    assert np.array_equal(late, pluck(45, 0.5, 44_100, t60_s=2.0))


def test_the_same_seed_gives_the_same_tone():
    tones = [pluck(45, 0.1, 44_100, t60_s=2.0, seed=seed) for seed in (0, 0, 1)]
    assert np.array_equal(tones[0], tones[1])
    assert not np.array_equal(tones[0], tones[2])


@pytest.mark.parametrize(
    ("pitch", "how"),
    [
        (127, {"t60_s": 1.0}),
        (5, {"t60_s": 1.0}),
        (45, {"t60_s": 0.0}),
        (45, {"t60_s": 1.0, "position": 1.0}),
    ],
)
def test_what_no_string_does_is_refused(pitch, how):
    with pytest.raises(ValueError, match=r"no string decays|cannot be plucked"):
        pluck(pitch, 1.0, 44_100, **how)


def test_lengths_for_the_transform_have_no_large_factor():
    for least in (1, 7, 100, 24_001, 262_145, 1_000_003):
        size = made.fast_size(least)
        assert least <= size < 1.2 * least + 64
        assert size % 2 == 0
        for factor in (2, 3, 5):
            while size % factor == 0:
                size //= factor
        assert size == 1
