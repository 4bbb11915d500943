"""Rushing and dragging, with intervals.  What is put in is known; scipy is the outside reference."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from coach.core.drift import LEAST_BARS, heard_share, pass_drift
from coach.core.drift_words import UNCALIBRATED, drift_lines
from coach.core.events import End, NoteOff, NoteOn
from coach.core.intervals import (
    FREEDOM_SHARE,
    MEDIAN_VARIANCE,
    PAIRED_VARIANCE,
    centre_of,
    quantile,
    rank_interval,
    scale_of,
    slope_error,
)
from coach.core.profile import Profile
from coach.core.report import report
from coach.core.score import TEMPO
from coach.core.session import judge
from coach.core.timing import Onset, bar_timings, theil_sen
from coach.core.together import together_of
from tests.drifting import BARS, CLICK, SCORE, take
from tests.scores import Q, piece

TAKES = 100  # half of them one way, half the other: the same jitter drawn twice would tell nothing more
# Of 100 takes a nominal 90 % covers 90 +- 3 (one standard deviation): two and a third of them.
NEAR = (0.83, 0.97)
NUMBERS = tuple(range(1, BARS + 1))


def holds(told, value):
    return told is not None and told.low <= value <= told.high


def signed(size, takes=TAKES):
    return [(seed, size if seed % 2 else -size) for seed in range(takes)]


def test_a_ramp_of_two_percent_a_bar_is_recovered_within_the_interval():
    held = []
    for seed, percent in signed(2):
        found = pass_drift(SCORE, take(seed, ramp=percent / 100))
        held.append(holds(found.change_percent, percent))
        assert found.pace == ("rushing" if percent > 0 else "dragging")
        assert found.change_percent.high - found.change_percent.low < 0.5
    assert NEAR[0] <= np.mean(held) <= NEAR[1]


def test_the_change_over_the_pass_needs_no_click():
    """It is the bars' own tempi: a click changes nothing of it."""
    for seed, percent in signed(2, 6):
        onsets = take(seed, ramp=percent / 100)
        with_click, without = (pass_drift(SCORE, onsets, click) for click in (CLICK, None))
        assert with_click.change_percent == without.change_percent
        assert with_click.pace == without.pace != ""


@cache
def other(seed):
    """A steady model, a tenth faster, with as much jitter."""
    return take(10_000 + seed, tempo=1.1)


# Against a model two players' jitter adds (14 ms), and named is what is neither's chance.
@pytest.mark.parametrize(("how", "named"), [("own", 0.75), ("click", 0.8), ("model", 0.55)])
def test_a_bar_that_leans_by_thirty_ms_is_recovered_within_the_interval(how, named):
    held, told, others = [], [], []
    for seed, ms in signed(30):
        model = other(seed) if how == "model" else None
        onsets = take(seed, leaning=6, lean_s=ms / 1000)
        one = pass_drift(SCORE, onsets, CLICK if how == "click" else None, model=model)
        held.append(holds(one.bars[6].drift_ms, ms))
        told.append(one.bars[6].lean == ("behind" if ms > 0 else "ahead"))
        others.append(any(b.lean for b in one.bars if b.bar != 6))
    assert NEAR[0] <= np.mean(held) <= NEAR[1]
    assert np.mean(told) > named
    assert np.mean(others) < 0.05


def test_of_a_steady_player_hardly_ever_anything_is_said():
    """Jitter of 10 ms is under what is heard at 417 ms (2.5 %: 10.4 ms; Friberg & Sundberg 1995) and so
    is his drift (0.17 to 0.3 % an interval; Dahl & Madison, RPPW 10)."""
    for click in (None, CLICK):
        found = [pass_drift(SCORE, take(s), click) for s in range(TAKES)]
        assert np.mean([one.named for one in found]) < 0.05
        rows = [bar for one in found for bar in one.bars]
        for value, truth in (("drift_ms", 0.0), ("slope_ms", 0.0), ("tempo_percent", 100.0)):
            assert 0.85 < np.mean([holds(getattr(bar, value), truth) for bar in rows]) < 0.95


def test_a_model_s_own_drift_is_none_of_the_player_s():
    """Both rush alike, the player at nine tenths of the model's tempo, with one bar behind."""
    model = take(1, ramp=0.02, jitter_s=0.003)
    mine = take(2, ramp=0.02, jitter_s=0.003, tempo=0.9, leaning=6, lean_s=0.045)  # 50 ms at his tempo
    found = pass_drift(SCORE, mine, model=model)
    assert found.pace == ""
    assert [bar.bar for bar in found.bars if bar.lean == "behind"] == [6]
    assert holds(found.bars[6].drift_ms, 50.0)
    assert pass_drift(SCORE, mine).pace == "rushing"
    assert pass_drift(SCORE, mine, model=[]).bars == ()


def test_the_figures_are_those_of_the_bars():
    onsets = take(3)
    rows, found = bar_timings(SCORE, onsets), pass_drift(SCORE, onsets)
    assert [bar.drift_ms.value for bar in found.bars] == [row.drift_ms for row in rows]
    assert [bar.tempo_percent.value for bar in found.bars] == [row.tempo_percent for row in rows]


def test_wrong_notes_gaps_and_a_hesitation_do_not_hide_or_make_a_ramp():
    for first, percent, name in ((0, 0, ""), (30, 2, "rushing"), (60, -2, "dragging")):
        seeds = range(first, first + 30)
        found = [pass_drift(SCORE, take(s, ramp=percent / 100, trouble=True)) for s in seeds]
        assert np.mean([one.pace == name for one in found]) >= 0.95
        assert np.mean([holds(one.change_percent, percent) for one in found]) >= 0.8


def test_few_bars_say_nothing_of_the_whole():
    onsets = [one for one in take(1) if one.bar < LEAST_BARS - 1]
    assert pass_drift(SCORE, onsets).change_percent is None
    assert pass_drift(SCORE, []).bars == ()
    (bar,) = pass_drift(SCORE, [Onset(0, 0, 0)]).bars
    assert (bar.drift_ms, bar.lean, bar.pace) == (None, "", "")


def test_a_bar_of_two_onsets_leans_only_where_both_do():
    """One wrong note is half of such a bar."""
    steady = {one.tick: one for one in take(1, jitter_s=0.002)}
    in_bar = sorted(tick for tick, one in steady.items() if one.bar == 6)
    for late_ms, lean in (((60, 60), "behind"), ((120, 0), ""), ((120, -20), "")):
        kept = {tick: one for tick, one in steady.items() if tick not in in_bar[2:]}
        for tick, ms in zip(in_bar, late_ms, strict=False):
            kept[tick] = replace(kept[tick], us=kept[tick].us + 1000 * ms)
        row = pass_drift(SCORE, list(kept.values()), CLICK).bars[6]
        assert row.lean == lean


def judged(late_ms, profile, gap_s=0.0):
    """Four bars of a bass and a melody note to each beat, every bass so much late; a fermata on beat 8."""
    score = piece("4/4", ", ".join(["A2@5 1"] * 16), ", ".join(["E4@1 1"] * 7 + ["E4^@1 1"] + ["E4@1 1"] * 8))
    events = []
    for k in range(16):
        at = 1.0 + k + (gap_s if k > 7 else 0.0)
        for pitch, string, late in ((64, 1, 0.0), (45, 5, late_ms / 1000 + 0.001 * (k % 3 - 1))):
            begin = round((at + late) * 1e6)
            events += [NoteOn(begin, pitch, 80, string), NoteOff(begin + 800_000, pitch, string)]
    events.sort(key=lambda event: event.time_us)
    session = judge([*events, End(events[-1].time_us + 2_000_000)], score, profile=profile)
    return report(session).drifts[0]


def test_how_bass_and_melody_met_is_corrected_by_the_pickup_s_delays():
    found = judged(30.0, Profile())
    assert not found.calibrated
    assert found.together_ms.n == 16
    assert found.together_ms.value == pytest.approx(30, abs=0.5)
    assert [bar.together_ms.n for bar in found.bars] == [4, 4, 4, 4]
    (said,) = [line for line in drift_lines(found, NUMBERS) if line.startswith("Bass")]
    assert said.startswith("Bass and melody: the bass comes 30 ms after the melody")
    assert UNCALIBRATED in said
    delays = Profile(on_delay_ms=(5.0, 0, 0, 0, 25.0, 0), on_error_ms=(1.0, 0, 0, 0, 3.0, 0))
    found = judged(30.0, delays)
    assert found.calibrated
    assert found.together_ms.value == pytest.approx(10, abs=0.5)
    assert found.together_ms.error >= np.hypot(1.0, 3.0)


def test_a_fermata_makes_nobody_drag():
    for gap_s in (0.0, 1.7):
        assert not judged(0.0, Profile(), gap_s).named


def test_marked_changes_of_tempo_are_followed():
    """Eight bars at 72, eight at 108 quarters a minute: who plays them so is steady, who does not, is not."""
    change = 8 * 4 * Q
    marked = replace(SCORE, tempo=np.array([(0, 72.0), (change, 108.0)], TEMPO))
    draw = np.random.default_rng(5)
    ticks = sorted({int(tick) for tick in SCORE.notes["onset"]})

    def played(score):
        jitter = draw.normal(0, 5000, len(ticks))
        times = [round(1e6 + score.nominal_us(t) + j) for t, j in zip(ticks, jitter, strict=True)]
        return [Onset(t, us, SCORE.bar_index(t)) for t, us in zip(ticks, times, strict=True)]

    assert not pass_drift(marked, played(marked)).named
    assert pass_drift(marked, played(SCORE)).pace == "dragging"


@pytest.mark.parametrize(("step_ms", "ms"), [(100, 6), (200, 6), (240, 6), (500, 12.5), (1000, 25)])
def test_what_is_heard_is_friberg_and_sundberg_s(step_ms, ms):
    """Friberg & Sundberg 1995, JASA 98(5):2524-2531: 6 ms under 240 ms, above it 2.5 % of the interval."""
    assert heard_share(step_ms) * step_ms == pytest.approx(ms)


def test_the_variance_of_small_medians():
    draw = np.random.default_rng(1)
    for n, variance in enumerate(MEDIAN_VARIANCE, 1):
        assert np.var(np.median(draw.normal(size=(60_000, n)), axis=1)) == pytest.approx(variance, rel=0.03)


def test_the_middle_of_pairs_is_surer_than_the_median_and_as_hard_to_move():
    draw = np.random.default_rng(6)
    for n, variance in enumerate((*PAIRED_VARIANCE, np.pi / 33, np.pi / 36), 4):
        i, j = np.triu_indices(n)
        values = draw.normal(size=(30_000, n))
        middles = np.median((values[:, i] + values[:, j]) / 2, axis=1)
        assert np.var(middles) == pytest.approx(variance, rel=0.04)
        middle, error = centre_of(values[0])
        assert middle == pytest.approx(middles[0])
        assert error**2 == pytest.approx(variance, rel=0.001)
        assert n > len(MEDIAN_VARIANCE) or variance < MEDIAN_VARIANCE[n - 1]
    for n in range(3, 9):  # one value as far off as you like
        assert abs(centre_of(np.array([1e6, *range(n - 1)], float))[0]) < n
    assert centre_of(np.array([7.0])) == (7.0, 1.0)


@pytest.mark.parametrize(
    "beats", [(0, 2), (0, 1, 2), (0, 1, 2, 3), (0, 1, 1.5, 2, 3), (0, 0.5, 1, 2, 2.5, 3, 4), range(16)]
)
def test_how_sure_a_slope_is(beats):
    draw, x = np.random.default_rng(7), np.array(beats, float)
    slopes = [theil_sen(x, row)[0] for row in draw.normal(size=(1500, len(x)))]
    assert np.std(slopes) == pytest.approx(slope_error(x), rel=0.06)


def test_the_scale_follows_the_jitter_and_no_slow_curve():
    draw = np.random.default_rng(2)
    x = np.arange(4000.0)
    y = draw.normal(0, 10, len(x)) + 500 * np.sin(x / 200)
    assert scale_of(x, y) == pytest.approx(10, rel=0.06)
    y[draw.choice(len(x), 80, replace=False)] += 300.0
    assert scale_of(x, y) == pytest.approx(10, rel=0.06)


def test_how_well_the_scale_is_known():
    """Its square is spread like chi squared of FREEDOM_SHARE degrees a point."""
    draw, x = np.random.default_rng(8), np.arange(80.0)
    squares = np.array([scale_of(x, row) ** 2 for row in draw.normal(size=(2500, len(x)))])
    assert np.mean(squares) == pytest.approx(1, rel=0.03)
    assert 2 / np.var(squares) == pytest.approx(FREEDOM_SHARE * (len(x) - 2), rel=0.12)


def test_bass_and_melody():
    draw = np.random.default_rng(3)
    covered = []
    for _ in range(TAKES):
        late = {bar: (25 + draw.normal(0, 10, 4)).tolist() for bar in range(8)}
        by_bar, whole = together_of(late)
        assert set(by_bar) == set(range(8))
        covered.append(holds(whole, 25.0))
        assert whole.n == 32
    assert NEAR[0] <= np.mean(covered) <= NEAR[1]
    # What the pickup's correction may be out by is shared by all, and does not average away.
    assert together_of(late, error_ms=8.0)[1].error > 8.0
    assert together_of({0: [3.0, 4.0]}) == ({}, None)


def test_what_is_said():
    rushing = drift_lines(pass_drift(SCORE, take(1, ramp=0.02)), NUMBERS)
    assert rushing[0].startswith("Rushing over the pass: 2.0 % a bar faster (90 %: ")
    steady = drift_lines(pass_drift(SCORE, take(1)), NUMBERS)
    assert steady[0].startswith("Over the pass no rushing or dragging that is sure: ")
    assert steady[1] == "No bar strays by more than can be heard and than chance would give."
    behind = drift_lines(pass_drift(SCORE, take(1, leaning=6, lean_s=0.06)), NUMBERS)
    assert "Behind: bar 7." in behind
    assert all(UNCALIBRATED not in line for line in rushing + steady)


scipy_stats = pytest.importorskip("scipy.stats")


def test_the_rank_interval_is_scipys_to_a_rank():
    """Sen 1968; scipy rounds the ranks, ours go outwards: never narrower, by one slope at the most."""
    draw = np.random.default_rng(4)
    for n in (6, 9, 16, 40):
        x, y = np.arange(n, dtype=float), draw.normal(size=n)
        i, j = np.triu_indices(n, 1)
        slopes = np.sort((y[j] - y[i]) / (x[j] - x[i]))
        theirs = scipy_stats.theilslopes(y, x, 0.90)
        low, high = rank_interval(x, y, 0.10)
        ranks = np.searchsorted(slopes, [low, theirs.low_slope, theirs.high_slope, high])
        assert 0 <= ranks[1] - ranks[0] <= 1
        assert 0 <= ranks[3] - ranks[2] <= 1
        assert low < theil_sen(x, y)[0] < high


@pytest.mark.parametrize("freedom", [5, 10, 30])
@pytest.mark.parametrize("level", [0.1, 0.01, 0.002])
def test_the_quantile_is_student_s(freedom, level):
    assert quantile(level, freedom) == pytest.approx(scipy_stats.t.ppf(1 - level / 2, freedom), rel=0.03)
