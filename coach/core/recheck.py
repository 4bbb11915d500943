"""What was clean on an earlier day is checked before anything new.

A first pass a night later tells what stayed; correct recall once more on later days is what keeps it
(Rawson & Dunlosky 2011, JEP: General 140:283–302, for words, from memory; for music Simmons 2012, JRME
59:357–368, found accuracy to gain over a day).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from coach.core.drill_rules import Visit
from coach.core.ladder import Rung

AT_MOST = 3  # checks before the day's work begins.  Our own figure


@dataclass(frozen=True, slots=True)
class PastPass:
    """One pass of an earlier sitting, as the history keeps it."""

    when: str  # ISO 8601, begins with the day
    part: str  # token of ``ladder.Part``
    first: int  # performed bars
    last: int
    speed: float  # share of the written tempo
    clean: bool
    complete: bool = True


def recheck(
    rungs: Sequence[Rung], today: str, rows: Iterable[PastPass], *, needed: int = 3, at_most: int = AT_MOST
) -> tuple[Visit, ...]:
    """Return the steps to check first, each at the speed it was clean at; the latest day's first.

    A step is checked that has not been played today (ISO date) and was clean ``needed`` times in a row on the
    last day it was; the speed is that of the slowest pass of its fastest such run.  One that lies within
    another to be checked is left out: the longer shows both.
    """
    by_place: dict[tuple[str, int, int], list[PastPass]] = defaultdict(list)
    for row in rows:
        by_place[row.part, row.first, row.last].append(row)
    found: list[tuple[str, int, Visit]] = []
    for place, rung in enumerate(rungs):
        passes = sorted(by_place.get(rung.place, ()), key=lambda row: row.when)
        if not passes or passes[-1].when[:10] >= today[:10]:
            continue
        day = passes[-1].when[:10]
        speed = _clean_speed([row for row in passes if row.when[:10] == day], needed)
        if speed is not None:
            found.append((day, place, Visit(rung, speed, check=True)))
    kept = [one for one in found if not any(one[2].rung.within(other[2].rung) for other in found)]
    kept.sort(key=lambda one: one[1])
    kept.sort(key=lambda one: one[0], reverse=True)
    return tuple(visit for _, _, visit in kept[:at_most])


def _clean_speed(passes: Sequence[PastPass], needed: int) -> float | None:
    """Return the highest speed that so many clean passes in a row all reached; None without such a run."""
    best: float | None = None
    for end in range(needed, len(passes) + 1):
        run = passes[end - needed : end]
        if all(row.clean and row.complete for row in run):
            best = max(best or 0.0, min(row.speed for row in run))
    return best
