"""What the first page is made of, placed in pixels and not yet drawn."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from coach.screen.first_model import Spot

Tone = Literal["ink", "pencil"]


@dataclass(frozen=True, slots=True)
class Line:
    """A line of writing; (x, y) is its left end and the middle of its capitals, ``height`` theirs."""

    text: str
    x: float
    y: float
    height: float
    tone: Tone = "ink"
    hand: bool = False
    width: float = 0.0


@dataclass(frozen=True, slots=True)
class Number:
    """A string's circled number around (x, y): ringed while it sounds, underlined once it has answered."""

    string: int
    x: float
    y: float
    size: float
    ringed: bool
    answered: bool


@dataclass(frozen=True, slots=True)
class Stroke:
    """A pencil line: a rule (light), or the underline of what has the focus (thick)."""

    one: tuple[float, float]
    other: tuple[float, float]
    width: float
    kind: Literal["rule", "focus"]


@dataclass(frozen=True, slots=True)
class Place:
    """A rectangle (left, top, width, height) that answers to a click."""

    box: tuple[float, float, float, float]
    spot: Spot

    def holds(self, x: float, y: float) -> bool:
        """Whether a point lies in it."""
        left, top, width, height = self.box
        return left <= x < left + width and top <= y < top + height


@dataclass(slots=True)
class FirstLayout:
    """One page laid out."""

    lines: list[Line] = field(default_factory=list)
    numbers: list[Number] = field(default_factory=list)
    strokes: list[Stroke] = field(default_factory=list)
    places: list[Place] = field(default_factory=list)

    def spot_at(self, x: float, y: float) -> Spot | None:
        """Return what a click at a point means; the place laid down last is uppermost."""
        return next((place.spot for place in reversed(self.places) if place.holds(x, y)), None)
