"""Drift by bar.  The line is Theil and Sen's; scipy's own (a test-only library) is the outside reference."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.core.timing import Click, Onset, bar_timings, deviations, theil_sen
from tests.scores import Q, piece

SCORE = piece("4/4", ", ".join(["A2 1"] * 16), qpm=60)  # four bars of quarters, a second each


def onsets(times_s, fermata_at=None):
    return [
        Onset(k * Q, round(t * 1e6), SCORE.bar_index(k * Q), fermata=k == fermata_at)
        for k, t in enumerate(times_s)
    ]


def test_steady_playing_at_another_tempo_has_no_drift():
    rows = bar_timings(SCORE, onsets([0.5 + 0.8 * k for k in range(16)]))
    assert [row.bar for row in rows] == [0, 1, 2, 3]
    assert [row.n for row in rows] == [4, 4, 4, 4]
    for row in rows:
        assert row.drift_ms == pytest.approx(0, abs=1e-3)
        assert row.slope_ms == pytest.approx(0, abs=1e-3)
        assert row.tempo_percent == pytest.approx(100, abs=1e-3)


def test_a_bar_behind_says_how_far():
    times = [float(k) for k in range(16)]
    for k in range(8, 12):
        times[k] += 0.05
    rows = bar_timings(SCORE, onsets(times))
    assert rows[2].drift_ms == pytest.approx(50, abs=0.5)
    assert rows[1].drift_ms == pytest.approx(0, abs=0.5)


def test_against_the_click_lateness_is_counted_from_the_click():
    times = [2.0 + k + 0.03 for k in range(16)]
    rows = bar_timings(SCORE, onsets(times), Click(2_000_000))
    assert [row.drift_ms for row in rows] == pytest.approx([30] * 4, abs=1e-3)
    # Without the click a constant lag cannot be known: the player's own line goes through it.
    assert bar_timings(SCORE, onsets(times))[0].drift_ms == pytest.approx(0, abs=1e-3)


def test_rushing_within_a_bar_shows_as_slope_and_tempo():
    # Bar 2 is played at 900 ms a beat, the others at 1,000.
    steps = [1.0] * 4 + [0.9] * 4 + [1.0] * 8
    times = np.concatenate(([0.0], np.cumsum(steps)[:-1]))
    row = bar_timings(SCORE, onsets(times), Click(0))[1]
    assert row.slope_ms == pytest.approx(-400, abs=1)  # four beats, 100 ms each
    assert row.tempo_percent == pytest.approx(111.1, abs=0.1)


def test_one_hesitation_does_not_bend_the_line():
    times = [float(k) + (0.6 if k == 7 else 0.0) for k in range(16)]
    assert max(abs(d) for d in deviations(SCORE, onsets(times))[:7]) < 1.0


def test_a_stop_in_the_middle_is_no_drift_before_or_after_it():
    times = [float(k) + (2.0 if k > 7 else 0.0) for k in range(16)]
    assert [row.drift_ms for row in bar_timings(SCORE, onsets(times))] == pytest.approx([0] * 4, abs=1.0)
    # The click waits for nobody.
    rows = bar_timings(SCORE, onsets(times), Click(0))
    assert [row.drift_ms for row in rows] == pytest.approx([0, 0, 2000, 2000], abs=1.0)


def test_a_fermata_is_allowed_for():
    times = [float(k) + (1.5 if k > 7 else 0.0) for k in range(16)]
    rows = bar_timings(SCORE, onsets(times, fermata_at=7))
    assert [row.drift_ms for row in rows] == pytest.approx([0] * 4, abs=1.0)


def test_too_few_notes_give_no_figure():
    (row,) = bar_timings(SCORE, onsets([0.0]))
    assert (row.n, row.drift_ms, row.slope_ms, row.tempo_percent) == (1, None, None, None)
    assert bar_timings(SCORE, []) == []


scipy_stats = pytest.importorskip("scipy.stats")


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(-999, 999)), min_size=2, max_size=30))
def test_the_slope_is_scipys(points):
    x, y = (np.array(v, float) for v in zip(*points, strict=True))
    if len(set(x.tolist())) < 2:
        return
    with np.errstate(invalid="ignore"):  # of scipy's confidence bounds, which are not asked for
        slope = scipy_stats.theilslopes(y, x).slope
    assert theil_sen(x, y)[0] == pytest.approx(slope, rel=1e-9, abs=1e-9)


def test_who_begins_again_is_set_against_the_beat_he_began_on():
    for beats in (0, 7, 1000):
        rows = bar_timings(SCORE, onsets([beats + k + 0.03 for k in range(16)]), Click(0))
        assert [row.drift_ms for row in rows] == pytest.approx([30] * 4, abs=1e-3)
    half_speed = bar_timings(SCORE, onsets([10 + 2 * k - 0.05 for k in range(16)]), Click(0, speed=0.5))
    assert [row.drift_ms for row in half_speed] == pytest.approx([-50] * 4, abs=1e-3)
