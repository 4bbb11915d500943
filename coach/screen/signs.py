"""The damp signs under the bass, each with the way of the stop in a few letters beside it.

A bare sign would be read as "the same as before", so no sign goes without its label: where it is tight the
label is written smaller, then in two short lines, then as its letter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import pygame

from coach.core.shapes import StopSign
from coach.screen import lettering
from coach.screen.engraved import Places
from coach.screen.stamps import Stamp
from coach.screen.theme import ESSENTIAL, ORDINARY, QUIET, Colour, Sizes

LETTERS = {"p back": "b", "p side": "s", "p rest": "r", "p plant": "pl", "l.h.": "lh", "finger": "f"}
ONE_LINE = (ESSENTIAL, 18.0, ORDINARY, 14.0, QUIET)  # minutes of arc, by preference
TWO_LINES = (11.5, 10.0)
LETTER = (ESSENTIAL, ORDINARY, QUIET, 10.0)
PITCH = 1.46  # of two short lines, in heights of a capital
RAISED = 0.2  # of a capital: what hangs below the line keeps clear of the rows
USUAL = 0.7  # share of the labels that have to fit for their size to be the page's
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
    stops: Sequence[StopSign], places: Places, systems: Sequence[int], sizes: Sizes
) -> dict[int, tuple[Sign, ...]]:
    """Return the signs of each system from left to right, their labels clear of one another."""
    found: dict[int, list[tuple[float, str]]] = {}
    for stop in stops:
        place = places.x_of(stop.tick) if stop.wanted else None
        if place is None or place[0] not in systems:
            continue
        line = found.setdefault(place[0], [])
        if all(abs(place[1] - x) > sizes.px(SAME_PLACE) for x, _ in line):
            line.append((place[1], stop.way))
    rooms: dict[int, list[tuple[float, float, str]]] = {}
    half, right = half_width(sizes), sizes.margin + sizes.label_room - sizes.px(EDGE)
    for system, line in found.items():
        line.sort()
        ends = [x - half - sizes.px(AIR) for x, _ in line[1:]]
        ends.append(places.engraved.systems[system].width + right)
        rooms[system] = [(x, end - x, way) for (x, way), end in zip(line, ends, strict=True)]
    start = half + sizes.px(BESIDE)
    usual = _usual([(room - start, way) for line in rooms.values() for _, room, way in line if way], sizes)
    return {system: tuple(_labelled(line, start, usual, sizes)) for system, line in rooms.items()}


def _labelled(
    line: Sequence[tuple[float, float, str]], start: float, usual: float, sizes: Sizes
) -> Iterator[Sign]:
    """Yield a system's signs; ``line`` has the x, the room to the right and the way of each."""
    taken = 0.0  # x of the end of the label before
    before: list[pygame.Rect] = []
    for i, (x, room, way) in enumerate(line):
        # The last sign, at the last barline, has little beside it, but paper over it.
        over = (taken - x, room) if i + 1 == len(line) else None
        lines = _label(way, start, room, over, usual, sizes) if way else ()
        while any(one.rect.move(round(x), 0).colliderect(other) for one in lines for other in before):
            lines = tuple(one._replace(y=one.y - one.tall - round(sizes.px(1))) for one in lines)
        before = [one.rect.move(round(x), 0) for one in lines]
        taken = max([taken, *(round(x) + one.rect.right + sizes.px(AIR) for one in lines)])
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


def _usual(labels: Sequence[tuple[float, str]], sizes: Sizes) -> float:
    """Return the largest size, in minutes of arc, at which most labels have room."""
    for minutes in ONE_LINE:
        height = round(sizes.px(minutes))
        fit = sum(lettering.words(way, height, INK).width <= room for room, way in labels)
        if fit >= USUAL * len(labels):
            return minutes
    return ONE_LINE[-1]


def _label(
    way: str, start: float, end: float, over: tuple[float, float] | None, usual: float, sizes: Sizes
) -> tuple[Line, ...]:
    """Return a label between two x from the sign's middle, or over the sign between the two of ``over``."""
    first, _, rest = way.partition(" ")
    letter = LETTERS.get(way, "lh" if way.startswith("l.h.") else way[:1])

    def fitting(texts: tuple[str, ...], minutes: Sequence[float]) -> tuple[Line, ...]:
        for size in minutes:
            lines = tuple(_lines(texts, sizes.px(size), start))
            if size <= usual and max(line.rect.right for line in lines) <= end:
                return lines
        return ()

    beside = fitting((way,), ONE_LINE)
    if beside:
        return beside
    if over is not None:
        for minutes in ONE_LINE:
            (line,) = _over(way, sizes.px(minutes), over[1], sizes)
            if minutes <= usual and line.x >= over[0]:
                return (line,)
            if minutes <= usual and over[0] + line.width <= over[1]:
                return (line._replace(x=math.ceil(over[0])),)
    shorter = fitting((first, rest), TWO_LINES) if rest else ()
    # Where two signs touch, the letter stands over its own.
    return shorter or fitting((letter,), LETTER) or _over(letter, sizes.px(QUIET), end + start, sizes)


def _over(text: str, height: float, end: float, sizes: Sizes) -> tuple[Line]:
    """Return a line over its sign, not beyond ``end``."""
    (line,) = _lines((text,), height, 0.0)
    x = math.floor(min(-line.width / 2, end - line.width))
    return (line._replace(x=x, y=-round(sizes.sign / 2 + sizes.px(AIR)) - line.tall),)


def _lines(texts: Sequence[str], height: float, x: float) -> Iterator[Line]:
    pitch = height * PITCH
    for i, text in enumerate(texts):
        written = lettering.words(text, round(height), INK)
        ink = written.surface.get_bounding_rect()
        baseline = (0.5 - RAISED) * height + (i - (len(texts) - 1) / 2) * pitch
        y = round(baseline) - written.baseline + ink.y
        yield Line(text, round(height), math.ceil(x), y, ink.width, ink.height)


INK: Colour = (0, 0, 0)  # for measuring
