"""What an engraver hands over: systems with their ink, the boxes of their elements, and where ticks lie.

All measures are pixels from a system's upper left corner.  ``Places`` is the only way from score time to
the page; it knows bars as performed and bars as written.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pygame
from numpy.typing import NDArray

from coach.core.score import Score
from coach.screen.theme import Colour


class Box(NamedTuple):
    """Where an element stands."""

    x: float
    y: float
    width: float
    height: float

    @property
    def middle(self) -> float:
        """Its horizontal middle."""
        return self.x + self.width / 2


@dataclass(frozen=True, slots=True)
class System:
    """One line of music.  ``ink`` is one byte a pixel, row by row, zlib-packed: 255 is full ink."""

    width: int
    height: int
    staff_top: float  # y of the uppermost staff line
    staff_bottom: float
    boxes: Mapping[str, Box]  # of notes (heads) and rests, by element id
    bars: tuple[str, ...]  # element ids, left to right
    bar_boxes: Mapping[str, tuple[float, float]]  # x of a bar's left and right barline
    ink: bytes = b""
    draw: Callable[[pygame.Surface], None] | None = None  # instead of ``ink``: draws black on white

    def cover(self) -> bytes:
        """Return one byte a pixel, row by row: how much of it is ink."""
        if self.draw is None:
            return zlib.decompress(self.ink)
        drawn = pygame.Surface((self.width, self.height))
        drawn.fill((255, 255, 255))
        self.draw(drawn)
        return (255 - pygame.surfarray.array_red(drawn)).T.astype(np.uint8).tobytes()

    def dark(self) -> NDArray[np.bool_]:
        """Return where there is ink, shape (height, width)."""
        return np.frombuffer(self.cover(), np.uint8).reshape(self.height, self.width) > 60

    def surface(self, paper: Colour, ink: Colour) -> pygame.Surface:
        """Return the system as an opaque surface: ``ink`` on ``paper``."""
        return self._inked(self.cover(), paper, ink)

    def surfaces(self, paper: Colour, ink: Colour, light: Colour) -> tuple[pygame.Surface, pygame.Surface]:
        """Return the system in two inks; both share their pixels, so the second costs nothing."""
        cover = self.cover()
        return self._inked(cover, paper, ink), self._inked(cover, paper, light)

    def _inked(self, cover: bytes, paper: Colour, ink: Colour) -> pygame.Surface:
        picture = pygame.image.frombuffer(cover, (self.width, self.height), "P")
        picture.set_palette(_shades(paper, ink))
        return picture


@lru_cache(maxsize=8)
def _shades(paper: Colour, ink: Colour) -> list[Colour]:
    return [_between(paper, ink, share / 255) for share in range(256)]


def _between(one: Colour, other: Colour, share: float) -> Colour:
    red, green, blue = (round(a + (b - a) * share) for a, b in zip(one, other, strict=True))
    return red, green, blue


@dataclass(frozen=True, slots=True)
class Engraved:
    """A whole stretch of music, line by line."""

    systems: tuple[System, ...]
    space: float  # between two staff lines
    plain: bool  # our own plain staff, not the engraver's
    fill: float = 1.0  # of its line: how much a single system would fill if it were not stretched


def bar_name(score: Score, written: int) -> str:
    """Return the element id of a written bar; one of our own where the score has none."""
    return score.bar_ids[written] if written < len(score.bar_ids) else f"bar-{written}"


def note_name(score: Score, written: int) -> str:
    """Return the element id of a written note; one of our own where the score has none."""
    return score.ids[written] if written < len(score.ids) else f"note-{written}"


class Span(NamedTuple):
    """A stretch of time on one system, from left to right."""

    system: int
    left: float
    right: float
    begins: bool  # the stretch's start lies here
    ends: bool  # the stretch's end lies here


@dataclass
class Places:
    """Maps performed ticks to (system, x)."""

    score: Score
    engraved: Engraved
    _bar_system: dict[str, int] = field(init=False)
    _tables: dict[int, tuple[NDArray[np.float64], NDArray[np.float64]]] = field(init=False)

    def __post_init__(self) -> None:
        self._bar_system = {
            bar: index for index, system in enumerate(self.engraved.systems) for bar in system.bars
        }
        self._tables = {}

    def system_of(self, bar: int) -> int | None:
        """Return the system of a performed bar, or None where it was not engraved."""
        bars = self.score.bars
        if not 0 <= bar < len(bars):
            return None
        return self._bar_system.get(bar_name(self.score, bars[bar].written))

    def bar_box(self, bar: int) -> tuple[float, float]:
        """Return the x of a performed bar's left and right barline (it must be engraved)."""
        name = bar_name(self.score, self.score.bars[bar].written)
        return self.engraved.systems[self._bar_system[name]].bar_boxes[name]

    def x_of(self, tick: float, bar: int | None = None) -> tuple[int, float] | None:
        """Return where a performed tick stands; None where its bar was not engraved.

        ``bar`` names the bar to reckon from, for a tick at its very end; else the tick's own bar is taken.
        """
        index = self._bar_of(tick) if bar is None else bar
        system = self.system_of(index)
        if system is None:
            return None
        offsets, xs = self._table(index, system)
        return system, float(np.interp(tick - self.score.bars[index].onset, offsets, xs))

    def spans(self, start: float, end: float) -> list[Span]:
        """Return the stretch from ``start`` to ``end`` as one span for each system it runs through.

        An end at a bar's first tick is the place of that bar's first note, even on the next system: that
        note is where the stop is due.
        """
        score, found = self.score, list[Span]()
        first, last = score.bar_index(start), self._bar_of(max(end, start))
        last = max(first, last)
        for bar in range(first, last + 1):
            system = self.system_of(bar)
            if system is None:
                continue
            left, right = self.bar_box(bar)
            if bar == first:
                left = self._x(start, bar)
            if bar == last:
                right = max(self._x(end, bar), left if bar == first else 0.0)
            joined = found[-1] if found else None
            if joined and joined.system == system and abs(joined.right - left) < 1.0:
                found[-1] = joined._replace(right=right, ends=bar == last)
            else:
                found.append(Span(system, left, right, bar == first, bar == last))
        return found

    def _bar_of(self, tick: float) -> int:
        """Return the bar of a tick; for the end of a chunk the chunk's last bar, not the one after."""
        bar = self.score.bar_index(tick)
        if bar > 0 and tick <= self.score.bars[bar].onset and self.system_of(bar) is None:
            return bar - 1
        return bar

    def _x(self, tick: float, bar: int) -> float:
        place = self.x_of(tick, bar)
        return place[1] if place is not None else 0.0

    def _table(self, bar: int, system: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the offsets (ticks from the written bar's start) and the x of everything in a bar."""
        written = self.score.bars[bar].written
        if written not in self._tables:
            self._tables[written] = self._measured(bar, written, self.engraved.systems[system])
        return self._tables[written]

    def _measured(
        self, bar: int, written: int, system: System
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        score = self.score
        left, right = system.bar_boxes[bar_name(score, written)]
        length = score.bars[bar].length
        notes: dict[int, float] = {}
        others: dict[int, float] = {}  # tied notes, grace notes, rests
        for note in score.notes[(score.notes["bar"] == bar) & ~score.notes["grace"]]:
            box = system.boxes.get(note_name(score, int(note["written"])))
            if box is not None:
                offset = int(note["onset"]) - score.bars[bar].onset
                notes[offset] = min(notes.get(offset, box.middle), box.middle)
        for row in score.anchors[score.anchors["bar"] == written]:
            box = system.boxes.get(score.anchor_ids[int(row["id"])])
            if box is not None:
                offset = int(row["offset"])
                others[offset] = min(others.get(offset, box.middle), box.middle)
        # A whole bar's rest is engraved in mid-bar: that is no place in time.
        later = {**others, **notes}
        places = {
            offset: x
            for offset, x in later.items()
            if offset in notes or all(x < after for at, after in later.items() if at > offset)
        }
        if not notes and len(others) == 1:
            places = {}
        rows = sorted((offset, x) for offset, x in places.items() if 0 <= offset < length)
        if not rows or rows[0][0] > 0:
            start = left + min(2.0 * self.engraved.space, (right - left) / 4)
            rows.insert(0, (0, min(start, rows[0][1]) if rows else start))
        rows.append((max(length, rows[-1][0] + 1), right))
        xs = np.maximum.accumulate(np.array([x for _, x in rows], float))
        return np.array([offset for offset, _ in rows], float), np.minimum(xs, right)
