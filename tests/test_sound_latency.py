"""Clicks found in synthetic recordings whose delay is known."""

from __future__ import annotations

import numpy as np
import pytest

from coach.core.mixer import render
from coach.core.sound_latency import CLICKS, Fault, Recording, click_train, measure

RATE = 48_000
TOLD_NS = 5_000_000_000
TICKS_S = [tick.start_s for tick in click_train().ticks]


def recorded(
    late_ms=0.0,
    *,
    level=0.1,
    noise=0.0,
    echo=(),
    without=(),
    drift=0.0,
    hum=0.0,
    seed=1,
    rate=RATE,
    busy_ms=0.0,
    single=None,
):
    """The train as an input records it that began 0.4 s before the first click's told start."""
    dice = np.random.default_rng(seed)
    real = rate * (1 + drift)  # the sample clock as it truly runs
    seconds = click_train().length_s + 1.5
    samples = np.zeros(round(seconds * real))
    one = render(click_train(1), rate, click_gain=1.0)
    one = one[np.flatnonzero(one)[0] :].astype(float)
    place = np.arange(len(one))
    began_ns = TOLD_NS - 100_000_000
    for k, start_s in enumerate(TICKS_S):
        if k in without:
            continue
        off_ms = single[k] if single is not None else 0.0
        for after_ms, strength in ((0.0, 1.0), *echo):
            at = (0.1 + start_s + (late_ms + off_ms + after_ms) / 1e3) * real
            first = int(np.ceil(at))
            sound = np.interp(np.arange(first, first + len(one)) - at, place, one)
            samples[first : first + len(one)] += level * strength * sound
    samples += noise * dice.standard_normal(len(samples))
    samples += hum * np.sin(2 * np.pi * 50 * np.arange(len(samples)) / rate)
    frames = np.arange(0, len(samples), 512)
    times = began_ns + frames / real * 1e9 + busy_ms * 1e6 * dice.exponential(1.0, len(frames))
    told = TOLD_NS + np.round(np.array(TICKS_S) * 1e9).astype(np.int64)
    heard = Recording(samples.astype(np.float32), rate, frames, times.astype(np.int64))
    return heard, told


@pytest.mark.parametrize("late_ms", [-30.0, 0.0, 0.37, 41.3, 230.0, 420.0])
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_a_clean_recording_gives_the_delay_within_a_frame(late_ms, rate):
    found = measure(*recorded(late_ms, rate=rate))
    assert (found.found, found.played, found.fault) == (CLICKS, CLICKS, None)
    assert found.late_ms == pytest.approx(late_ms, abs=1e3 / rate)
    assert found.spread_ms < 0.02


@pytest.mark.parametrize("seed", range(5))
def test_noise_as_loud_as_the_clicks_does_not_matter(seed):
    # A sweep's own rms is 0.43 of its peak: here the noise is as loud as the click while it lasts.
    found = measure(*recorded(41.3, level=0.05, noise=0.02, seed=seed))
    assert found.fault is None
    assert found.found >= 14
    assert found.late_ms == pytest.approx(41.3, abs=0.1)


def test_hum_and_turned_polarity_do_not_matter():
    found = measure(*recorded(41.3, level=-0.05, hum=0.3))
    assert found.found == CLICKS
    assert found.late_ms == pytest.approx(41.3, abs=0.05)


def test_an_echo_is_not_the_click_even_where_it_is_the_stronger():
    for strength in (0.8, 1.5):
        found = measure(*recorded(41.3, noise=0.005, echo=((9.0, strength), (23.0, 0.5))))
        assert found.found == CLICKS
        assert found.late_ms == pytest.approx(41.3, abs=0.1)


def test_missing_clicks_are_counted():
    found = measure(*recorded(41.3, noise=0.005, without=(0, 7)))
    assert (found.found, found.fault) == (CLICKS - 2, None)
    assert found.late_ms == pytest.approx(41.3, abs=0.1)


@pytest.mark.parametrize("drift", [-3e-4, 3e-4])
def test_a_drifting_sample_clock_and_busy_moments_are_allowed_for(drift):
    """Uncorrected, 3 parts in 10,000 over the 12 s of the train would be 3.7 ms at its end."""
    found = measure(*recorded(41.3, noise=0.005, drift=drift, busy_ms=1.0))
    assert found.found == CLICKS
    assert found.late_ms == pytest.approx(41.3, abs=0.3)
    assert found.spread_ms < 0.3


def test_the_spread_is_that_of_the_clicks():
    dice = np.random.default_rng(4)
    off = dice.normal(0, 1.5, CLICKS)
    found = measure(*recorded(41.3, single=off))
    assert found.found == CLICKS
    assert found.late_ms == pytest.approx(41.3 + np.median(off), abs=0.05)
    assert found.spread_ms == pytest.approx(1.4826 * np.median(np.abs(off - np.median(off))), abs=0.05)
    assert found.uncertainty_ms > found.spread_ms


def test_what_is_no_measurement_says_why():
    assert measure(*recorded(level=0.0)).fault is Fault.SILENT
    for seed in range(20):
        noise = measure(*recorded(level=0.0, noise=0.1, seed=seed))
        assert noise.fault in (Fault.UNHEARD, Fault.FEW)
    few = measure(*recorded(41.3, noise=0.005, without=range(1, 10)))
    assert (few.found, few.fault) == (7, Fault.FEW)
    wide = measure(*recorded(41.3, noise=0.001, single=np.linspace(-5.5, 5.5, CLICKS)))
    assert wide.fault in (Fault.SPREAD, Fault.FEW)


def test_a_recording_without_any_block_is_silent():
    empty = Recording(np.zeros(0, np.float32), RATE, np.zeros(0, np.int64), np.zeros(0, np.int64))
    assert measure(empty, np.array([1, 2])).fault is Fault.SILENT


def test_no_click_can_be_taken_for_its_neighbour():
    steps = np.diff(TICKS_S)
    assert steps.min() > 0.65  # the span that is searched: EARLIEST_S to LATEST_S
    assert len(TICKS_S) == CLICKS
