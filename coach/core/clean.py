"""Whether a pass was clean, and why not: the one rule, for the drill, the page, the report and the history.

A pass is clean when no settled verdict on it is a fault (a stop late, ringing or cut, a note wrong, missing
or extra, a string that nobody asked for), the place was known all the while and, where the sitting sets a
limit (a drill does), no bar strays from the beat further than that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coach.core.passes import Pass
from coach.core.session import Session
from coach.core.timing import BarTiming, Onset, bar_timings, onsets_of, theil_sen
from coach.core.verdicts import (
    DAMPING_FAULTS,
    STROKE_FAULTS,
    Change,
    DampingVerdict,
    StrayVerdict,
    StrokeVerdict,
    Verdict,
)

SPEEDS = (0.05, 20.0)  # times the written tempo; beyond them the onsets tell nothing


@dataclass(frozen=True, slots=True)
class Cleanness:
    """What there is against a pass: nothing, where it was clean."""

    faults: tuple[Verdict, ...]  # settled, in order of time
    drifted: BarTiming | None  # the bar that strayed furthest, where one strayed too far
    drift_limit_ms: float | None  # how far a bar may stray at the tempo of this pass; None: however far
    unclear: int = 0  # played notes of which nothing was said: where the player was, was not known

    @property
    def clean(self) -> bool:
        """Whether nothing went wrong."""
        return not self.faults and self.drifted is None and not self.unclear


def cleanness(session: Session, during: Pass) -> Cleanness:
    """Return what there is against a pass by what is settled of it."""
    faults = [v for v in session.verdicts.values() if v.pass_number == during.number and is_fault(v)]
    faults = [v for v in faults if during.holds(v.played, -1 if isinstance(v, StrayVerdict) else v.note)]
    faults.sort(key=lambda verdict: verdict.time_us)
    unclear = _unclear(session, during)
    allowed_ms = session.limits.drift_fault_ms
    if allowed_ms is None:
        return Cleanness(tuple(faults), None, None, unclear)
    anchors = [a for a in (*during.anchors, *during.soft_anchors) if during.holds(a.match.played.index, -1)]
    onsets = onsets_of(session.score, anchors)
    click = session.click
    speed = speed_of(session, onsets) if click is None else click.speed
    limit_ms = allowed_ms / (speed or 1.0)
    far = [bar for bar in bar_timings(session.score, onsets, click) if _off_ms(bar) > limit_ms]
    return Cleanness(tuple(faults), max(far, key=_off_ms, default=None), limit_ms, unclear)


def _unclear(session: Session, during: Pass) -> int:
    """Return how many notes of a pass could not be placed; what follows the piece's end is none of it."""
    matches = session.matching.of_pass(during)
    known = [m for m in matches if not m.astray and m.label.note >= 0]
    if known and known[-1].label.group >= session.matching.last_group:
        return sum(m.astray and m.index < known[-1].index for m in matches)
    return sum(m.astray for m in matches)


def is_fault(change: Change) -> bool:
    """Whether a change is a fault that stays."""
    match change:
        case DampingVerdict():
            return change.settled and change.kind in DAMPING_FAULTS
        case StrokeVerdict():
            return change.settled and change.kind in STROKE_FAULTS
        case StrayVerdict():
            return change.settled
    return False


def speed_of(session: Session, onsets: list[Onset]) -> float | None:
    """Return the player's own tempo, times the written one; None where the onsets do not tell."""
    if len({onset.tick for onset in onsets}) < 2:
        return None
    nominal = np.array([session.score.nominal_us(onset.tick) for onset in onsets])
    slope, _ = theil_sen(nominal, np.array([onset.us for onset in onsets], float))
    return 1 / slope if slope > 0 and SPEEDS[0] <= 1 / slope <= SPEEDS[1] else None


def _off_ms(bar: BarTiming) -> float:
    return abs(bar.drift_ms or 0.0)
