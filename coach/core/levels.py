"""How much is asked for: the strictness of a first lesson, of practice, and of a concert.

The figures are our own: common practice, no source, except the two that rest on a thumb's speed (five or
six strokes a second at most, from memory; no published figure was found): going back to the old string and
forth to the next stroke is two such moves.
"""

from __future__ import annotations

from dataclasses import dataclass

from coach.core.clash import Clash
from coach.core.ways import Way

THUMB_WAYS = frozenset(
    (
        Way.RETURNING_THUMB,
        Way.SIDE_OF_THUMB,
        Way.REST_STROKE,
        Way.PLANTED_THUMB,
        Way.LEFT_HAND_RELEASE,
    )
)


@dataclass(frozen=True, slots=True)
class Level:
    """Which stops are asked for, and how exactly."""

    token: str  # as files and commands name it
    tolerance_ms: float  # overhang that passes as clean
    return_ms: float  # time a returning thumb needs, there and away again
    ways: frozenset[Way]  # ways that are asked for
    broken: bool = False  # the notes of a broken chord are asked for, not left to ring together
    end: bool = True  # the last bass is asked for
    least: Clash = Clash.LOW  # a bass that would sound into the next is asked for from this grade on


FIRST_LESSON = Level(
    "first-lesson",
    tolerance_ms=200.0,
    return_ms=600.0,
    ways=frozenset((Way.RETURNING_THUMB, Way.PLANTED_THUMB, Way.LEFT_HAND_RELEASE)),
    end=False,
    least=Clash.MIDDLE,
)
INTERMEDIATE = Level("intermediate", tolerance_ms=120.0, return_ms=340.0, ways=THUMB_WAYS)
CONCERT = Level("concert", tolerance_ms=60.0, return_ms=280.0, ways=frozenset(Way), broken=True)
LEVELS = {level.token: level for level in (FIRST_LESSON, INTERMEDIATE, CONCERT)}
