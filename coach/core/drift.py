"""Rushing and dragging, said only when they can be heard and are no chance: one pass, bar by bar and whole.

A bar *leans* (ahead, behind) by where its onsets stand, and is *rushing* or *dragging* by its own tempo
against the pass's (or the click's, or the model's).  Either is named only where it is more than can be heard
(Friberg & Sundberg 1995, JASA 98:2524-2531: one displaced tone is heard from 2.5 % of the time between
onsets, 6 ms where they are under 240 ms apart; tested up to 1 s, taken to hold beyond) and more than chance
gives in three of a hundred passes, over all bars together (Bonferroni).  The intervals shown are of 90 %,
each for itself.

The change of tempo over the pass is the slope of the bars' own tempi (each from its own onsets alone, so that
their errors are independent whether the player's time wanders or his fingers do) with Sen's rank interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot
from statistics import median

import numpy as np
from numpy.typing import NDArray

from coach.core.intervals import (
    FREEDOM_SHARE,
    LEAST_SCALE_US,
    MAD_SCALE,
    SHOWN,
    Estimate,
    Floats,
    centre_of,
    estimate,
    median_error,
    percent_of,
    rank_interval,
    scale_of,
    slope_error,
)
from coach.core.score import Score
from coach.core.timing import BarTiming, Click, Fit, Onset, fit, theil_sen, timing_of

Integers = NDArray[np.int64]

HEARD_SHARE, HEARD_MS, SHORT_MS = 0.025, 6.0, 240.0  # Friberg & Sundberg 1995, as above
# A slow change is heard from about 0.3 % an interval (Dahl & Granqvist), 0.17 % in long sequences (Madison &
# Merker 2004), and players make 0.2 % unaware (Dahl & Madison, RPPW 10): less than this a beat is not named.
HEARD_CHANGE = 0.17  # percent a beat
CHANCE = 0.03  # of a steady pass of which anything at all is said
CHANGE_CHANCE = 0.01  # of that, what the change over the whole pass may take
LEAST_BARS = 5  # with their own tempo, for a change over the pass
LEAST_ONSETS = 3  # with fewer one wrong note is half of a bar: both must lean, and its tempo is not named
# One onset so many times as far off as they usually are, and by so much, is a wrong note's and no drift.
SPIKE, SPIKE_US = 6.0, 50_000.0
UNRULY = 2.5  # a bar so many times as uneven as the pass is judged by its own spread


@dataclass(frozen=True, slots=True)
class BarDrift:
    """One bar.  Figures are None where there are too few onsets; names are empty where nothing is said."""

    bar: int  # performed bar
    drift_ms: Estimate | None
    slope_ms: Estimate | None
    tempo_percent: Estimate | None
    lean: str  # "ahead", "behind"
    pace: str  # "rushing", "dragging"
    together_ms: Estimate | None = None  # bass minus melody: positive, the bass comes later


@dataclass(frozen=True, slots=True)
class PassDrift:
    """One pass."""

    bars: tuple[BarDrift, ...]
    change_percent: Estimate | None  # of tempo, a bar: positive, it grows faster
    pace: str  # "rushing", "dragging" over the pass
    together_ms: Estimate | None = None
    calibrated: bool = False  # whether the note-on delays by string are known

    @property
    def named(self) -> bool:
        """Whether anything is said of the time of the pass."""
        return bool(self.pace) or any(one.lean or one.pace for one in self.bars)


def pass_drift(
    score: Score,
    onsets: Sequence[Onset],
    click: Click | None = None,
    *,
    model: Sequence[Onset] | None = None,
) -> PassDrift:
    """Return how one pass's time ran: against the click, its own tempo, or a pass of another take.

    ``onsets`` (and those of the ``model``) are in order of time, one for each onset group.  Against a model
    the places both have are compared, after its pauses and the ratio of the two tempi are taken out: the
    errors of both players add there, and a bar's middle is Hodges and Lehmann's, which wastes less than the
    median that a bar has by itself.
    """
    if model is not None:
        onsets, found = fit_to_model(score, onsets, model)
    elif onsets:
        found = fit(score, onsets, click)
    if not onsets:
        return PassDrift((), None, "")
    spikes = _spikes(found)
    if spikes.any():
        onsets = [onset for onset, spike in zip(onsets, spikes.tolist(), strict=True) if not spike]
        found = fit_to_model(score, onsets, model)[1] if model is not None else fit(score, onsets, click)
    bars = np.array([o.bar for o in onsets])
    scale = scale_of(found.nominal, found.off)
    scale = max(scale, LEAST_SCALE_US) if scale == scale else float("nan")
    freedom = FREEDOM_SHARE * (len(onsets) - 2)
    touched = sorted(set(bars.tolist()))
    level = (CHANCE - CHANGE_CHANCE) / (2 * len(touched))
    fixed = click is not None and model is None
    line = _Line(found, scale, freedom, level, fixed=fixed, paired=model is not None)
    rows = tuple(_bar(score, bar, line, bars) for bar in touched)
    change, pace = _change(score, found, bars, touched)
    return PassDrift(rows, change, pace)


def _spikes(found: Fit) -> NDArray[np.bool_]:
    """Return which onsets stand far off on one side of both their neighbours: another note, no drift."""
    alone = np.zeros(len(found.off), bool)
    if len(alone) < 5:
        return alone
    before, after = -np.diff(found.off)[1:], np.diff(found.off)[:-1]  # against the next, against the last
    least = max(SPIKE * scale_of(found.nominal, found.off), SPIKE_US)
    alone[1:-1] = (before * after > 0) & (np.minimum(abs(before), abs(after)) > least)
    for cut in found.cut:  # a pause was cut to fit the onsets beside it: there a spike looks like a step
        for at, like in ((cut, found.off[max(cut - 3, 0) : cut]), (cut + 1, found.off[cut + 2 : cut + 5])):
            alone[at] |= len(like) == 3 and abs(found.off[at] - float(np.median(like))) > least
    return alone


def fit_to_model(score: Score, onsets: Sequence[Onset], model: Sequence[Onset]) -> tuple[list[Onset], Fit]:
    """Return the onsets at places that a model has too, and how they stand against it.

    The nominal times of the fit are the model's own, its pauses taken out.  No place in common: no onsets.
    """
    theirs = {o.tick: o for o in model}
    mine = list({o.tick: o for o in onsets if o.tick in theirs}.values())
    if not mine:
        empty = np.zeros(0)
        return [], Fit(empty, empty, empty, 1.0)
    like = fit(score, [theirs[o.tick] for o in mine])
    own = fit(score, mine, nominal=like.heard)
    return mine, replace(own, cut=tuple(sorted({*own.cut, *like.cut})))


@dataclass(frozen=True, slots=True)
class _Line:
    """The fit with what is known of its errors."""

    fit: Fit
    scale_us: float  # of a single onset; nan where it cannot be known
    freedom: float
    level: float
    fixed: bool  # the line is the click's and has no error of its own
    paired: bool  # each onset is set against a model's

    def leverage(self, inside: Floats) -> float:
        """Return how much of its own errors' variance a bar draws the line after it."""
        x = self.fit.nominal
        spread = float(np.sum((x - x.mean()) ** 2))
        if self.fixed or spread <= 0:
            return 0.0
        return 1 / len(x) + float(inside.mean() - x.mean()) ** 2 / spread

    def steps(self, inside: Integers) -> tuple[float, float]:
        """Return what cut pauses add to the variances of a bar's drift and of the slope over its onsets.

        In units of one onset's variance.  A pause is cut between two onsets, and their two errors shift all
        that follows it.
        """
        x = self.fit.nominal
        middle = slope = 0.0
        for cut in self.fit.cut:
            after = (np.arange(len(x)) > cut).astype(float)
            if not self.fixed:
                rate, start = np.polyfit(x / x[-1], after, 1) if x[-1] > x[0] else (0.0, 0.0)
                after = after - start - rate * x / x[-1]
            middle += 2 * float(after[inside].mean()) ** 2
            far = x[inside] - x[inside].mean()
            spread = float(np.sum(far**2))
            slope += 2 * (float(far @ after[inside]) / spread) ** 2 if spread > 0 else 0.0
        return middle, slope


def _bar(score: Score, bar: int, line: _Line, bars: Integers) -> BarDrift:
    found = line.fit
    timing: BarTiming = timing_of(score, bar, found, bars)
    drift, slope, tempo = timing.drift_ms, timing.slope_ms, timing.tempo_percent
    if drift is None or slope is None or line.scale_us != line.scale_us:
        return BarDrift(bar, None, None, None, "", "")
    inside = np.flatnonzero(bars == bar)
    n, x = len(inside), found.nominal[inside]
    scale = _scale(x, found.off[inside], line.scale_us)
    error = median_error(n)
    if line.paired:
        middle_us, error = centre_of(found.off[inside])
        drift = middle_us / 1000
    # A bar draws the line after it: where it does not lean its figure varies the less for that, and where it
    # does the figure falls short.
    drawn = line.leverage(x)
    length = score.nominal_us(score.bars[bar].end) - score.nominal_us(score.bars[bar].onset)
    middle, sloping = line.steps(inside)
    steady = max(error**2 - drawn, 0.25 * error**2) + middle
    rate = hypot(slope_error(x), sloping**0.5)
    reach = np.arange(inside[0], min(inside[-1] + 2, len(found.nominal)))
    span = found.nominal[reach]
    own_rate = hypot(slope_error(span), line.steps(reach)[1] ** 0.5)
    step_ms = float(np.median(np.diff(span))) * found.pace / 1000
    heard = heard_share(step_ms)
    drift_told = estimate(drift, scale * (error**2 + drawn + middle) ** 0.5 / 1000, n, line.freedom)
    by_chance = estimate(drift, scale * steady**0.5 / 1000, n, line.freedom)
    slope_told = estimate(slope, scale * rate * length / 1000, n, line.freedom)
    tempo_told = None
    if tempo is not None:
        # tempo = pace / own, so that its relative error is the own step's
        tempo_told = estimate(tempo, tempo * scale * own_rate * tempo / 100 / found.pace, n, line.freedom)
    lean = pace = ""
    few = n < LEAST_ONSETS
    least = float(np.min(np.sign(drift) * found.off[inside])) / 1000 if few else abs(drift)
    if min(abs(drift), least) > heard * step_ms and by_chance.excludes(0.0, line.level, line.freedom):
        lean = "behind" if drift > 0 else "ahead"
    sure = tempo_told is not None and tempo_told.excludes(100.0, line.level, line.freedom)
    if sure and not few and tempo is not None and abs(100 / tempo - 1) > heard:
        pace = "rushing" if tempo > 100 else "dragging"
    return BarDrift(bar, drift_told, slope_told, tempo_told, lean, pace)


def heard_share(step_ms: float) -> float:
    """Return from which share of the time between onsets a displaced tone is heard."""
    return HEARD_SHARE if step_ms >= SHORT_MS else HEARD_MS / max(step_ms, 1.0)


def _scale(x: Floats, off: Floats, usual: float) -> float:
    """Return the spread of a bar's onsets about its own line where it is unruly, else the pass's."""
    if len(x) < 5:
        return usual
    rate, start = theil_sen(x, off)
    own = MAD_SCALE * float(np.median(np.abs(off - start - rate * x)))
    return own if own > UNRULY * usual else usual


def _change(score: Score, found: Fit, bars: Integers, touched: Sequence[int]) -> tuple[Estimate | None, str]:
    """Return the change of tempo over the pass, percent a bar, and its name."""
    at: list[int] = []
    own: list[float] = []
    for bar in touched:
        inside = np.flatnonzero(bars == bar)
        if len(inside) < 2:
            continue
        slope, _ = theil_sen(found.nominal[inside], found.heard[inside])
        if slope > 0:
            at.append(bar)
            own.append(float(np.log(slope)))
    if len(at) < LEAST_BARS:
        return None, ""
    x, y = np.array(at, float), np.array(own)
    rate, _ = theil_sen(x, y)
    shown = rank_interval(x, y, 1 - SHOWN)
    if shown is None:
        return None, ""
    high, low = percent_of(shown[0]), percent_of(shown[1])
    change = Estimate(percent_of(rate), (high - low) / (2 * 1.645), low, high, len(at))
    sure = rank_interval(x, y, CHANGE_CHANCE)
    beats = median(score.bars[bar].beats for bar in at)
    whole = abs(rate) * float(x[-1] - x[0])
    heard = abs(change.value) / beats > HEARD_CHANGE and whole > HEARD_SHARE
    if sure is None or sure[0] <= 0 <= sure[1] or not heard:
        return change, ""
    return change, "rushing" if change.value > 0 else "dragging"
