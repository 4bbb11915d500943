"""Type for the printed page: outlines and widths of the glyphs of the vendored fonts.

Both fonts have 1000 units to the em.  Outlines are kept in those units, y upwards, as the fonts have them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from fontTools.pens.basePen import BasePen
from fontTools.pens.boundsPen import BoundsPen
from fontTools.ttLib import TTFont

from coach.screen.font_files import MUSIC, PRINT

EM = 1000.0
TEXT, NOTES = "text", "notes"  # the two faces
FILES: dict[str, Path] = {TEXT: PRINT, NOTES: MUSIC}
POINT = 25.4 / 72  # mm
BOLD = 34.0  # units by which a bold glyph's outline is thickened, there being no bold face
SLANT = 0.21  # of an italic, there being no italic face: 12 degrees

Segment = tuple[str, tuple[float, ...]]  # M x y, L x y, C x1 y1 x2 y2 x y, Z
Outline = tuple[Segment, ...]


class Bounds(NamedTuple):
    """A glyph's ink, in units."""

    left: float
    bottom: float
    right: float
    top: float


@dataclass(frozen=True, slots=True)
class Glyph:
    """One glyph; ``bounds`` is None where it has no ink."""

    outline: Outline
    advance: float
    bounds: Bounds | None


class _Segments(BasePen):  # type: ignore[misc]
    """Takes an outline down as segments; everything curved is a cubic."""

    def __init__(self, glyphs: Any) -> None:
        super().__init__(glyphs)
        self.found: list[Segment] = []

    def _moveTo(self, pt: tuple[float, float]) -> None:
        self.found.append(("M", pt))

    def _lineTo(self, pt: tuple[float, float]) -> None:
        self.found.append(("L", pt))

    def _curveToOne(
        self, pt1: tuple[float, float], pt2: tuple[float, float], pt3: tuple[float, float]
    ) -> None:
        self.found.append(("C", (*pt1, *pt2, *pt3)))

    def _closePath(self) -> None:
        self.found.append(("Z", ()))

    _endPath = _closePath


class Face:
    """One font."""

    def __init__(self, path: Path) -> None:
        self._font = TTFont(path, lazy=True)
        self._glyphs = self._font.getGlyphSet()
        self._map: dict[int, str] = self._font.getBestCmap()
        self._cache: dict[str, Glyph] = {}

    def has(self, char: str) -> bool:
        """Return whether the font has a glyph for a character."""
        return ord(char) in self._map

    def glyph(self, char: str) -> Glyph:
        """Return the glyph of a character; the font's own empty box where it has none."""
        if char not in self._cache:
            name = self._map.get(ord(char), ".notdef")
            pen, box = _Segments(self._glyphs), BoundsPen(self._glyphs)
            self._glyphs[name].draw(pen)
            self._glyphs[name].draw(box)
            bounds = None if box.bounds is None else Bounds(*map(float, box.bounds))
            self._cache[char] = Glyph(tuple(pen.found), float(self._glyphs[name].width), bounds)
        return self._cache[char]


@cache
def face(name: str) -> Face:
    """Return one of the two faces."""
    return Face(FILES[name])


def face_for(char: str) -> str:
    """Return the face that has a character of running text: its own, or the music font."""
    return NOTES if not face(TEXT).has(char) and face(NOTES).has(char) else TEXT


@lru_cache(maxsize=4096)
def width_mm(text: str, size_mm: float, name: str = "") -> float:
    """Return how wide a text is; ``name`` is its face, else each character's own."""
    return sum(face(name or face_for(char)).glyph(char).advance for char in text) / EM * size_mm


def bounds_of(chars: Iterable[tuple[str, str, float]], size_mm: float) -> Bounds | None:
    """Return the ink of (face, character, x in mm) in mm from the baseline's start, y upwards."""
    boxes = []
    scale = size_mm / EM
    for name, char, x in chars:
        box = face(name).glyph(char).bounds
        if box is not None:
            boxes.append((x + box.left * scale, box.bottom * scale, x + box.right * scale, box.top * scale))
    if not boxes:
        return None
    lefts, bottoms, rights, tops = zip(*boxes, strict=True)
    return Bounds(min(lefts), min(bottoms), max(rights), max(tops))
