"""What stands on a printed page: shapes and letters, in millimetres, y downwards, in shades of grey.

The same list is written as PDF and drawn as a picture, and tells the layout where there is ink.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

from coach.screen.paper_type import BOLD, EM, NOTES, SLANT, Outline, bounds_of, face, face_for

BLACK = 0.0
CURVE_STEPS = 12  # slices of a curve or a slanting edge for telling where its ink is


class Rect(NamedTuple):
    """A stretch of paper."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        """From left to right."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """From top to bottom."""
        return self.bottom - self.top

    @property
    def middle(self) -> float:
        """Its horizontal middle."""
        return (self.left + self.right) / 2

    def moved(self, x: float, y: float) -> Rect:
        """Return it elsewhere."""
        return Rect(self.left + x, self.top + y, self.right + x, self.bottom + y)

    def scaled(self, by: float) -> Rect:
        """Return it larger, about the origin."""
        return Rect(*(side * by for side in self))

    def grown(self, by: float, across: float | None = None) -> Rect:
        """Return it with a border, left and right of another width ``across``."""
        side = by if across is None else across
        return Rect(self.left - side, self.top - by, self.right + side, self.bottom + by)

    def meets(self, other: Rect) -> bool:
        """Return whether the two share any paper."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )


def around(rects: Iterable[Rect]) -> Rect:
    """Return the smallest rectangle around some (at least one)."""
    lefts, tops, rights, bottoms = zip(*rects, strict=True)
    return Rect(min(lefts), min(tops), max(rights), max(bottoms))


@dataclass(frozen=True, slots=True)
class Shape:
    """An outline in mm, filled, stroked or both; ``dash`` is (drawn, left out)."""

    outline: Outline
    fill: float | None = BLACK  # grey, 0 black to 1 white
    stroke: float | None = None
    width: float = 0.0  # mm, of the stroke
    dash: tuple[float, float] | None = None

    def moved(self, x: float, y: float) -> Shape:
        """Return it elsewhere."""
        shifted = tuple(
            (kind, tuple(v + (y if i % 2 else x) for i, v in enumerate(at))) for kind, at in self.outline
        )
        return replace(self, outline=shifted)

    def scaled(self, by: float) -> Shape:
        """Return it larger, about the origin."""
        outline = tuple((kind, tuple(v * by for v in at)) for kind, at in self.outline)
        dash = None if self.dash is None else (self.dash[0] * by, self.dash[1] * by)
        return replace(self, outline=outline, width=self.width * by, dash=dash)

    def rects(self) -> Iterator[Rect]:
        """Yield rectangles that cover its ink: one for an upright or level stroke, slices for the rest."""
        half = self.width / 2 if self.stroke is not None else 0.0
        points = [p for line in _flattened(self.outline) for p in line]
        if not points:
            return
        box = around(Rect(x, y, x, y) for x, y in points)
        if box.width < 1.0 or box.height < 1.0:
            yield box.grown(half)
            return
        edges = [pair for line in _flattened(self.outline) for pair in pairwise(line)]
        steps = max(int(box.width / 0.5), 1)
        for i in range(steps):
            left, right = (box.left + box.width * (i + k) / steps for k in (0, 1))
            ys = [y for (x0, y0), (x1, y1) in edges for y in _within(x0, y0, x1, y1, left, right)]
            if ys:
                yield Rect(left, min(ys), right, max(ys)).grown(half)


def _within(x0: float, y0: float, x1: float, y1: float, left: float, right: float) -> tuple[float, ...]:
    """Return the heights at which an edge enters and leaves a slice."""
    if max(x0, x1) < left or min(x0, x1) > right:
        return ()
    if abs(x1 - x0) < 1e-9:
        return y0, y1
    cut = (min(max(x, min(x0, x1)), max(x0, x1)) for x in (left, right))
    return tuple(y0 + (x - x0) / (x1 - x0) * (y1 - y0) for x in cut)


def _flattened(outline: Outline) -> list[list[tuple[float, float]]]:
    lines: list[list[tuple[float, float]]] = []
    for kind, at in outline:
        if kind == "M":
            lines.append([(at[0], at[1])])
        elif kind == "L":
            lines[-1].append((at[0], at[1]))
        elif kind == "C":
            (x0, y0), (x1, y1, x2, y2, x3, y3) = lines[-1][-1], at
            for i in range(1, CURVE_STEPS + 1):
                t = i / CURVE_STEPS
                a, b, c, d = (1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3
                lines[-1].append((a * x0 + b * x1 + c * x2 + d * x3, a * y0 + b * y1 + c * y2 + d * y3))
        elif kind == "Z" and lines:
            lines[-1].append(lines[-1][0])
    return lines


@dataclass(frozen=True, slots=True)
class Letters:
    """A run of glyphs on one baseline: (face, character, x from the start in mm)."""

    chars: tuple[tuple[str, str, float], ...]
    x: float
    y: float  # of the baseline
    size: float  # mm to the em
    grey: float = BLACK
    bold: bool = False
    italic: bool = False

    @property
    def text(self) -> str:
        """Its characters."""
        return "".join(char for _, char, _ in self.chars)

    def moved(self, x: float, y: float) -> Letters:
        """Return it elsewhere."""
        return replace(self, x=self.x + x, y=self.y + y)

    def scaled(self, by: float) -> Letters:
        """Return it larger, about the origin."""
        chars = tuple((name, char, x * by) for name, char, x in self.chars)
        return replace(self, chars=chars, x=self.x * by, y=self.y * by, size=self.size * by)

    def rects(self) -> Iterator[Rect]:
        """Yield the rectangle of its ink, if it has any."""
        box = bounds_of(self.chars, self.size)
        if box is None:
            return
        more = BOLD / 2 / EM * self.size if self.bold else 0.0
        left, right = box.left, box.right
        if self.italic:
            left, right = left + min(SLANT * box.bottom, 0.0), right + max(SLANT * box.top, 0.0)
        yield Rect(self.x + left, self.y - box.top, self.x + right, self.y - box.bottom).grown(more)


Ink = Shape | Letters


def moved(ink: Iterable[Ink], x: float, y: float) -> tuple[Ink, ...]:
    """Return some ink elsewhere."""
    return tuple(one.moved(x, y) for one in ink)


def letters(
    text: str, size: float, *, grey: float = BLACK, bold: bool = False, italic: bool = False
) -> tuple[Letters, float]:
    """Return a text that starts at the origin, and its width in mm."""
    chars, at = [], 0.0
    for char in text:
        name = face_for(char)
        chars.append((name, char, at))
        at += face(name).glyph(char).advance / EM * size
    return Letters(tuple(chars), 0.0, 0.0, size, grey, bold, italic), at


def sign(char: str, size: float, *, grey: float = BLACK) -> Letters:
    """Return a sign of the music font with its origin at the page's."""
    return Letters(((NOTES, char, 0.0),), 0.0, 0.0, size, grey)


def line(x0: float, y0: float, x1: float, y1: float, width: float, grey: float = BLACK) -> Shape:
    """Return a straight stroke."""
    return Shape((("M", (x0, y0)), ("L", (x1, y1))), None, grey, width)
