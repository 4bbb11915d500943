"""The damp signs under the bass, with the way of the stop in a few letters beside them.

A label is written at the size of an essential sign or not at all: nothing is made smaller because it is
tight.  Where not every label has room, a way is written only where it changes, as a fingering is: a bare
sign means "the same as before", and each system begins by saying it.  What still has no room beside its
sign stands in a second row above it, and at last as its letter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import pygame

from coach.core.shapes import StopSign
from coach.core.words import WAY_LETTER, WAY_SHORT
from coach.screen import lettering
from coach.screen.engraved import Places
from coach.screen.stamps import Stamp
from coach.screen.theme import Colour, Sizes

LETTERS = {WAY_SHORT[way]: letter for way, letter in WAY_LETTER.items()}  # where there is no more room
RAISED = 0.2  # of a capital: what hangs below the line keeps clear of the rows
ALL, LAST, NONE = "all", "last", "none"  # of a line's labels
SAME_PLACE = 9.0  # minutes of arc within which two stops share a sign
AIR = 4.0  # minutes of arc between a label and the next sign
EDGE = 8.0  # … and the edge of the page
BESIDE = 4.0  # … between a sign and its own label


class Line(NamedTuple):
    """One line of a label: its words, the capitals' height, and its ink's place from the sign's middle."""

    words: str
    height: int
    x: int
    y: int
    width: int
    tall: int

    @property
    def rect(self) -> pygame.Rect:
        """Its ink, from the sign's middle."""
        return pygame.Rect(self.x, self.y, self.width, self.tall)


class Sign(NamedTuple):
    """A damp sign: the x of its middle in its system, and its label."""

    x: int
    lines: tuple[Line, ...]


def plan_signs(
    stops: Sequence[StopSign],
    places: Places,
    systems: Sequence[int],
    sizes: Sizes,
    *,
    above: str = ALL,
) -> dict[int, tuple[Sign, ...]]:
    """Return the signs of each system from left to right, their labels clear of one another.

    ``above`` says which labels without room beside their sign go above it in full; the others become their
    letter before they do.
    """
    found: dict[int, list[tuple[float, str]]] = {}
    for stop in stops:
        place = places.x_of(stop.tick) if stop.wanted else None
        if place is None or place[0] not in systems:
            continue
        line = found.setdefault(place[0], [])
        if all(abs(place[1] - x) > sizes.px(SAME_PLACE) for x, _ in line):
            line.append((place[1], stop.way))
    half = half_width(sizes)
    right = sizes.margin + sizes.label_room - sizes.px(EDGE)
    start = half + sizes.px(BESIDE)
    rooms: dict[int, list[_Room]] = {}
    for system, line in found.items():
        line.sort()
        ends = [x - half - sizes.px(AIR) for x, _ in line[1:]]
        ends.append(places.engraved.systems[system].width + right)
        rooms[system] = [_Room(x, end, way) for (x, way), end in zip(line, ends, strict=True)]
    if not all(_all_beside(line, start, sizes) for line in rooms.values()):
        rooms = {system: list(_changes(line)) for system, line in rooms.items()}
    return {system: tuple(_labelled(line, start, sizes, above)) for system, line in rooms.items()}


def shortened(signs: dict[int, tuple[Sign, ...]]) -> int:
    """Return how many labels have room for their letter only."""
    letters = {*LETTERS.values()}
    return sum(line.words in letters for line_of in signs.values() for sign in line_of for line in sign.lines)


def beside(signs: dict[int, tuple[Sign, ...]]) -> int:
    """Return how many labels stand in full beside their sign."""
    letters = {*LETTERS.values()}
    lines = [line for line_of in signs.values() for sign in line_of for line in sign.lines]
    return sum(line.x > 0 and line.words not in letters for line in lines)


class _Room(NamedTuple):
    """A sign's x in its system, the x up to which its label may reach, and what is to be written."""

    x: float
    end: float
    way: str


def _all_beside(line: Sequence[_Room], start: float, sizes: Sizes) -> bool:
    """Return whether every label has room beside its sign; the last may stand over it."""
    tight = [room.x + start + _width(room.way, sizes) > room.end for room in line if room.way]
    return not any(tight[:-1])


def _changes(line: Sequence[_Room]) -> Iterator[_Room]:
    """Yield the line with each way only where it is not that of the sign before."""
    before = ""
    for room in line:
        yield room._replace(way="") if room.way == before else room
        before = room.way


def _labelled(line: Sequence[_Room], start: float, sizes: Sizes, above: str) -> Iterator[Sign]:
    """Yield a system's signs, each label in the first place and form that has room."""
    right = line[-1].end if line else 0.0
    least = -float(sizes.margin) + sizes.px(EDGE)
    above_taken = least  # x of the end of the row above the signs
    before: list[pygame.Rect] = []
    for i, room in enumerate(line):
        x, way, last = room.x, room.way, i + 1 == len(line)
        lines: tuple[Line, ...] = ()
        if way:
            letter = LETTERS.get(way, way[:1])
            lines = _beside(way, start, room.end - x, sizes)
            if not lines and (above == NONE or (above == LAST and not last)):
                lines = _beside(letter, start, room.end - x, sizes)
            if not lines:
                lines = _over(way, above_taken - x, right - x, sizes)
            if not lines:
                lines = _beside(letter, start, room.end - x, sizes)
            if not lines:
                lines = _over(letter, above_taken - x, right - x, sizes, forced=True)
        while any(one.rect.move(round(x), 0).colliderect(other) for one in lines for other in before):
            lines = tuple(one._replace(y=one.y - one.tall - round(sizes.px(1))) for one in lines)
        before += [one.rect.move(round(x), 0) for one in lines]
        tops = [round(x) + one.rect.right + sizes.px(AIR) for one in lines if one.x < start - 1]
        above_taken = max([above_taken, *tops])
        yield Sign(round(x), lines)


def sign_stamps(signs: Sequence[Sign], left: int, y: int, sizes: Sizes, ink: Colour) -> list[Stamp]:
    """Return the stamps of a system's signs, their middles at height ``y``."""
    found: list[Stamp] = []
    for sign in signs:
        drawn = lettering.sign(lettering.DAMP, math.ceil(sizes.sign), ink)
        found.append(Stamp(drawn, left + sign.x - drawn.get_width() // 2, y - drawn.get_height() // 2))
        for line in sign.lines:
            written = lettering.words(line.words, line.height, ink).surface
            box = written.get_bounding_rect()
            area = (box.x, box.y, box.width, box.height)
            found.append(Stamp(written, left + sign.x + line.x, y + line.y, area))
    return found


def half_width(sizes: Sizes) -> float:
    """Return half the width of a sign."""
    return lettering.sign(lettering.DAMP, math.ceil(sizes.sign), (0, 0, 0)).get_width() / 2


def _width(text: str, sizes: Sizes) -> int:
    """Return the width of a label's ink."""
    (line,) = _line(text, 0.0, 0.0, sizes)
    return line.width


def _beside(text: str, start: float, end: float, sizes: Sizes) -> tuple[Line, ...]:
    """Return a label between two x from the sign's middle; nothing where it has no room."""
    lines = _line(text, start, 0.0, sizes)
    return lines if lines[0].rect.right <= end else ()


def _over(text: str, start: float, end: float, sizes: Sizes, *, forced: bool = False) -> tuple[Line, ...]:
    """Return a label over its sign, between two x from the sign's middle, and not away from its sign."""
    (line,) = _line(text, 0.0, 0.0, sizes)
    x = math.floor(max(min(-line.width / 2, end - line.width), math.ceil(start)))
    away = x > half_width(sizes) or x + line.width > end
    if away and not forced:
        return ()
    if away:
        x = math.floor(min(-line.width / 2, end - line.width))
    return (line._replace(x=x, y=-round(sizes.sign / 2 + sizes.px(AIR)) - line.tall),)


def _line(text: str, x: float, y: float, sizes: Sizes) -> tuple[Line]:
    """Return a label's line, its ink beginning at ``x``, its capitals about the height ``y``."""
    height = math.ceil(sizes.sign)
    written = lettering.words(text, height, INK)
    ink = written.surface.get_bounding_rect()
    baseline = round(y + (0.5 - RAISED) * height)
    line = Line(text, height, math.ceil(x), baseline - written.baseline + ink.y, ink.width, ink.height)
    return (line,)


INK: Colour = (0, 0, 0)  # for measuring
