"""How the player's time runs, bar by bar: against a click, or against the player's own steady tempo.

Against the click a bar's drift is the median signed asynchrony of its onsets (positive: behind).  Without
one, onset time over nominal score time is fitted by Theil and Sen's line over the whole pass (robust to
wrong notes and single hesitations) and a bar's drift is its median deviation from that line.  The nominal
time follows the marked tempo changes; what a fermata or a hesitation adds is taken out before the fit.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coach.core.passes import Anchor, Pass
from coach.core.score import Score

# A step this much longer than the pace asks, and by at least so much, is a hesitation and no drift (our
# own limits: gradual slowing stays under the first, a long note that comes a little late under the second).
PAUSE_SHARE, PAUSE_US = 1.6, 300_000
MOST_POINTS = 400  # beyond this the fit takes every second, third … point: pairs grow with the square

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Click:
    """A click track: tick 0 falls on ``start_us``, and the tempo is ``speed`` times the written one."""

    start_us: int
    speed: float = 1.0

    def us(self, score: Score, tick: float) -> float:
        """Return the click's time of a tick in µs."""
        return self.start_us + score.nominal_us(tick) / self.speed


@dataclass(frozen=True, slots=True)
class Onset:
    """A matched onset group: where the score has it, and when it was heard."""

    tick: int
    us: int
    bar: int
    fermata: bool = False


@dataclass(frozen=True, slots=True)
class BarTiming:
    """One bar's figures; None where a bar has fewer than two onsets."""

    bar: int  # performed bar
    n: int
    drift_ms: float | None
    slope_ms: float | None  # change of the drift over the bar
    spread_ms: float | None  # median absolute deviation within the bar
    tempo_percent: float | None  # the bar's own tempo in percent of the pass's (or of the click's)


@dataclass(frozen=True, slots=True)
class Fit:
    """Onsets against the time they were asked for at; arrays (n,), in µs."""

    nominal: Floats
    heard: Floats  # what fermatas and hesitations add is taken out
    off: Floats  # how late each was
    pace: float  # heard over nominal
    cut: tuple[int, ...] = ()  # after these onsets a fermata or a hesitation was taken out


def pass_onsets(score: Score, during: Pass) -> list[Onset]:
    """Return the onset groups that a pass reached, for timing."""
    return onsets_of(score, (*during.anchors, *during.soft_anchors))


def onsets_of(score: Score, anchors: Iterable[Anchor]) -> list[Onset]:
    """Return the onset groups at some anchors, for timing."""
    onsets: list[Onset] = []
    for anchor in anchors:
        if anchor.match.astray:  # where the player was, is not known
            continue
        note = score.notes[anchor.match.label.note]
        onsets.append(Onset(anchor.tick, anchor.us, int(note["bar"]), bool(note["fermata"])))
    return onsets


def theil_sen(x: Floats, y: Floats) -> tuple[float, float]:
    """Return slope and intercept of the line through the median of all pairs' slopes.

    ``x`` and ``y`` have shape (n,), n >= 1; equal x are passed over.  One point gives slope 1.
    """
    if len(x) > MOST_POINTS:
        step = -(-len(x) // MOST_POINTS)
        return theil_sen(x[::step], y[::step])
    i, j = np.triu_indices(len(x), 1)
    dx = x[j] - x[i]
    usable = dx != 0
    slope = float(np.median((y[j] - y[i])[usable] / dx[usable])) if usable.any() else 1.0
    return slope, float(np.median(y - slope * x))


def bar_timings(
    score: Score, onsets: Sequence[Onset], click: Click | None = None, *, only: int | None = None
) -> list[BarTiming]:
    """Return the timing of every bar that one pass touched, in order; of the bar ``only``, where named.

    ``onsets`` are in order of time, one for each onset group.
    """
    if not onsets:
        return []
    found = fit(score, onsets, click)
    bars = np.array([o.bar for o in onsets])
    wanted = sorted(set(bars.tolist())) if only is None else [only]
    return [timing_of(score, bar, found, bars) for bar in wanted]


def deviations(score: Score, onsets: Sequence[Onset], click: Click | None = None) -> list[float]:
    """Return how late each onset of one pass was, in µs (negative: early), as ``bar_timings`` reckons."""
    off: list[float] = fit(score, onsets, click).off.tolist() if onsets else []
    return off


def fit(
    score: Score, onsets: Sequence[Onset], click: Click | None = None, *, nominal: Floats | None = None
) -> Fit:
    """Return one pass's onsets against the click, or against their own line; at least one onset.

    ``nominal``: the times asked for, in µs, where they are not the score's (a model's), shape (n,).
    """
    if nominal is None:
        nominal = np.array([score.nominal_us(o.tick) for o in onsets])
    heard = np.array([o.us for o in onsets], float)
    heard, cut = _without_pauses(nominal, heard, onsets, hesitations=click is None)
    if click is not None:
        pace = 1.0 / click.speed
        off = heard - (click.start_us + nominal * pace)
        # The click goes on while the player begins again: a pass is set against the beat it was begun on.
        first = score.bars[onsets[0].bar]
        beat = (score.nominal_us(first.onset + first.beat_ticks) - score.nominal_us(first.onset)) * pace
        return Fit(nominal, heard, off - round(float(np.median(off[:3])) / beat) * beat, pace, cut)
    pace, start = theil_sen(nominal, heard)
    return Fit(nominal, heard, heard - (start + nominal * pace), pace, cut)


def timing_of(score: Score, bar: int, found: Fit, bars: NDArray[np.int64]) -> BarTiming:
    """Return one bar's figures; ``bars`` (n,) is the performed bar of each onset."""
    nominal, heard, off, pace = found.nominal, found.heard, found.off, found.pace
    inside = np.flatnonzero(bars == bar)
    n = len(inside)
    if n < 2:
        return BarTiming(bar, n, None, None, None, None)
    mine = off[inside]
    drift = float(np.median(mine))
    rate, _ = theil_sen(nominal[inside], mine)
    length = score.nominal_us(score.bars[bar].end) - score.nominal_us(score.bars[bar].onset)
    span = np.append(inside, inside[-1] + 1) if inside[-1] + 1 < len(heard) else inside
    own, _ = theil_sen(nominal[span], heard[span])
    return BarTiming(
        bar=bar,
        n=n,
        drift_ms=drift / 1000,
        slope_ms=rate * length / 1000,
        spread_ms=float(np.median(np.abs(mine - drift))) / 1000,
        tempo_percent=100 * pace / own if own > 0 else None,
    )


def _without_pauses(
    nominal: Floats, heard: Floats, onsets: Sequence[Onset], hesitations: bool
) -> tuple[Floats, tuple[int, ...]]:
    """Return the heard times with each interval after a fermata cut to its length at the player's pace.

    And the onsets after which something was cut.

    With ``hesitations`` a stop in the middle of the music is cut too: it is a fault of its own, and would
    otherwise make every bar before it look early and every bar after it late.
    """
    steps, asked = np.diff(heard), np.diff(nominal)
    held = np.array([o.fermata for o in onsets[:-1]], bool)
    plain = ~held & (asked > 0)
    if not plain.any():
        return heard, ()
    pace = float(np.median(steps[plain] / asked[plain]))
    if hesitations:
        held |= (steps > PAUSE_SHARE * asked * pace) & (steps - asked * pace > PAUSE_US)
    if not held.any():
        return heard, ()
    steps = np.where(held, asked * pace, steps)
    trimmed: Floats = heard[0] + np.concatenate(([0.0], np.cumsum(steps)))
    return trimmed, tuple(np.flatnonzero(held).tolist())
