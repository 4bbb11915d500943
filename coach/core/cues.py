"""What is written at a score beside its notes: words at a place, and named sections."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Cue:
    """Words for the player, below the staff."""

    tick: int
    text: str


@dataclass(frozen=True, slots=True)
class Section:
    """Bars that belong together.  ``bar`` and ``last`` are indices into ``Score.bars``, both inclusive."""

    bar: int
    last: int
    name: str
    twice: bool = False  # between repeat signs
