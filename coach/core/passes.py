"""One pass: a stretch the player went through without turning back or leaping ahead.

A pass knows what was played in it (claims: score note -> match) and where the player's time stood
(anchors: one for each onset group, in order).  What is settled stays; what the follower may still revise
is kept apart and renewed at every note.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain, pairwise
from statistics import median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from coach.core.matching import Match

PACE_INTERVALS = 8  # the player's pace is the median of so many last steps between onsets


@dataclass(frozen=True, slots=True)
class Anchor:
    """An onset group that the player reached: its tick and its time."""

    tick: int
    match: Match

    @property
    def us(self) -> int:
        """Its time, corrected for the pickup (as soon as the string is known)."""
        return self.match.played.on_us


@dataclass(frozen=True, slots=True)
class Ending:
    """Where a pass has come to its end: what is played or looked for after it is no part of the pass.

    A string touched, or bars tried over, before the pass is begun again neither mend it nor spoil it.
    """

    played: int  # the last played note that belongs to it
    rows: int  # score rows before this belong to it


@dataclass(slots=True)
class Pass:
    """One pass; owned by ``Matching``."""

    number: int  # from 1
    start: int  # first onset group
    anchors: list[Anchor] = field(default_factory=list)
    claims: dict[int, Match] = field(default_factory=dict)
    settled_front: int = -1  # furthest group of the settled part
    checked: int = -1  # groups before this have been looked through for missing notes
    closed: bool = False
    given_up: set[int] = field(default_factory=set)  # score notes that are missing for good
    silent: set[bool] = field(default_factory=set)  # voices that were meant to be silent: True the bass
    ending: Ending | None = None  # since it came to its end and nothing followed for a while
    soft_anchors: list[Anchor] = field(default_factory=list)
    soft_claims: dict[int, Match] = field(default_factory=dict)
    soft_front: int = -1

    @property
    def front(self) -> int:
        """Furthest onset group reached."""
        return max(self.settled_front, self.soft_front)

    def forget_soft(self) -> None:
        """Drop what is not settled, to be told anew."""
        self.soft_anchors, self.soft_claims, self.soft_front = [], {}, -1

    def claim(self, row: int) -> Match | None:
        """Return the match that played a score note in this pass."""
        return self.claims.get(row) or self.soft_claims.get(row)

    def holds(self, played: int, row: int) -> bool:
        """Whether a verdict on a played note (-1: none was) and a score row (-1: none) is about this pass."""
        ending = self.ending
        return ending is None or (played <= ending.played if played >= 0 else row < ending.rows)

    def last_tick(self) -> int:
        """Return the tick of the last anchor, or -1."""
        last = self.soft_anchors or self.anchors
        return last[-1].tick if last else -1

    def backwards(self) -> Iterator[Anchor]:
        """Iterate over the anchors, the latest first."""
        return chain(reversed(self.soft_anchors), reversed(self.anchors))

    def around(self, tick: int) -> tuple[Anchor | None, Anchor | None]:
        """Return the anchors at or before a tick, and at or after it."""
        after: Anchor | None = None
        for anchor in self.backwards():
            if anchor.tick <= tick:
                return anchor, anchor if anchor.tick == tick else after
            after = anchor
        return None, after

    @staticmethod
    def between(before: Anchor, after: Anchor, tick: int) -> int:
        """Return the time of a tick between two anchors, in µs."""
        if after.tick == before.tick:
            return before.us
        share = (tick - before.tick) / (after.tick - before.tick)
        return before.us + round(share * (after.us - before.us))

    def pace(self, tick: int) -> float | None:
        """Return µs a tick up to a tick: the median of the last steps, robust to single hesitations.

        None before the second onset.
        """
        taken: list[Anchor] = []
        for anchor in self.backwards():
            if anchor.tick <= tick:
                taken.append(anchor)
                if len(taken) > PACE_INTERVALS:
                    break
        steps = [(a.us - b.us) / (a.tick - b.tick) for a, b in pairwise(taken)]
        usable = [step for step in steps if step > 0]
        return median(usable) if usable else None
