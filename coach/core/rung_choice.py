"""Which other step of a ladder serves when one is too hard, or has been repeated enough."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence

from coach.core.ladder import Rung


def worst_bar(recent: Sequence[tuple[bool, int]]) -> tuple[int, float]:
    """Return the bar with most of the last faults, and its share of them; −1 where no bar is known.

    ``recent``: of each pass whether it was clean, and the bar of its fault or −1.
    """
    bars = [bar for clean, bar in recent if not clean]
    found = Counter(bar for bar in bars if bar >= 0).most_common(1)
    return (found[0][0], found[0][1] / len(bars)) if found else (-1, 0.0)


def shorter(rungs: Sequence[Rung], here: Rung, bar: int) -> Rung | None:
    """Return the smallest step within another; one that holds a performed bar, where there is one."""
    inside = [rung for rung in rungs if rung.within(here)]
    holding = [rung for rung in inside if rung.first <= bar <= rung.last]
    return min(holding or inside, key=lambda rung: rung.last - rung.first, default=None)


def change(
    rungs: Sequence[Rung], at: int, here: Rung, climbed: Collection[tuple[str, int, int]]
) -> Rung | None:
    """Return another step for a change: the next of the same part and size, if there is one still to do."""
    order = [*rungs[at + 1 :], *rungs[:at]]
    others = [rung for rung in order if rung.place != here.place]
    alike = [rung for rung in others if rung.part is here.part and rung.size == here.size]
    fresh = [rung for rung in alike if rung.place not in climbed]
    return next(iter((*fresh, *alike, *others)), None)


def is_known(rungs: Sequence[Rung], rung: Rung, climbed: Collection[tuple[str, int, int]]) -> bool:
    """Return whether every bar of a step has been done in smaller ones."""
    done = [one for one in rungs if one.place in climbed and one.within(rung)]
    bars = {bar for one in done for bar in range(one.first, one.last + 1)}
    return bool(bars) and bars >= set(range(rung.first, rung.last + 1))
