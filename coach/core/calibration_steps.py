"""What comes out of a calibration, step by step."""

from __future__ import annotations

from dataclasses import dataclass

from coach.core.calibration_fit import Fit
from coach.core.sounding import Track


@dataclass(frozen=True, slots=True)
class Say:
    """A sentence for the player."""

    text: str


@dataclass(frozen=True, slots=True)
class Click:
    """A click to be played as soon as can be; ``told`` then says when its second 0 is heard."""

    track: Track


@dataclass(frozen=True, slots=True)
class GaveUp:
    """The end: it cannot go on, and why."""

    what: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Learnt:
    """The end: what was learnt."""

    fit: Fit


Step = Say | Click | GaveUp | Learnt
