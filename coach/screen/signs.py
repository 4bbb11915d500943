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
from coach.screen.theme import ESSENTIAL, ORDINARY, QUIET, Colour, Palette, Sizes

LETTERS = {"p back": "b", "p side": "s", "p rest": "r", "p plant": "pl", "l.h.": "lh", "finger": "f"}
ONE_LINE = (ESSENTIAL, 18.0, ORDINARY, 14.0, QUIET)  # minutes of arc, by preference
TWO_LINES = (10.0, 9.0, 8.0)
LETTER = (ORDINARY, QUIET, 10.0)
PITCH = 1.22  # of two short lines, in heights of a capital
SAME_PLACE = 9.0  # minutes of arc within which two stops share a sign
AIR = 2.5  # minutes of arc between a sign and a label


class Line(NamedTuple):
    """One line of a label: its words, the capitals' height, and the corner of its ink from the sign's middle."""

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
    return {
        system: tuple(_labelled(sorted(line), places.engraved.systems[system].width, sizes))
        for system, line in found.items()
    }


def sign_stamps(signs: Sequence[Sign], left: int, y: int, sizes: Sizes, palette: Palette) -> list[Stamp]:
    """Return the stamps of a system's signs, their middles at height ``y``."""
    found: list[Stamp] = []
    for sign in signs:
        drawn = lettering.sign(lettering.DAMP, math.ceil(sizes.sign), palette.ink)
        found.append(Stamp(drawn, left + sign.x - drawn.get_width() // 2, y - drawn.get_height() // 2))
        for line in sign.lines:
            written = lettering.words(line.words, line.height, palette.ink).surface
            ink = written.get_bounding_rect()
            found.append(Stamp(written, left + sign.x + line.x, y + line.y, tuple(ink)))
    return found


def half_width(sizes: Sizes) -> float:
    """Return half the width of a sign."""
    return lettering.sign(lettering.DAMP, math.ceil(sizes.sign), (0, 0, 0)).get_width() / 2


def _labelled(line: list[tuple[float, str]], width: int, sizes: Sizes) -> Iterator[Sign]:
    half, air = half_width(sizes), sizes.px(AIR)
    last = width + sizes.margin + sizes.label_room - air
    for i, (x, way) in enumerate(line):
        end = line[i + 1][0] - half - air if i + 1 < len(line) else last
        yield Sign(round(x), _label(way, half + air, end - x, sizes) if way else ())


def _label(way: str, start: float, end: float, sizes: Sizes) -> tuple[Line, ...]:
    """Return a label between two x from the sign's middle."""
    first, _, rest = way.partition(" ")
    letter = LETTERS.get(way, "lh" if way.startswith("l.h.") else way[:1])
    tries: list[tuple[tuple[str, ...], float]] = [((way,), minutes) for minutes in ONE_LINE]
    if rest:
        tries += [((first, rest), minutes) for minutes in TWO_LINES]
    tries += [((letter,), minutes) for minutes in LETTER]
    for texts, minutes in tries:
        lines = tuple(_lines(texts, sizes.px(minutes), start))
        if max(line.rect.right for line in lines) <= end:
            return lines
    # Two signs that touch: the letter stands over its own.
    (over,) = _lines((letter,), sizes.px(QUIET), 0.0)
    return (over._replace(x=-over.width // 2, y=-round(sizes.sign / 2 + sizes.px(AIR)) - over.tall),)


def _lines(texts: Sequence[str], height: float, x: float) -> Iterator[Line]:
    pitch = height * PITCH
    for i, text in enumerate(texts):
        written = lettering.words(text, round(height), INK)
        ink = written.surface.get_bounding_rect()
        baseline = height / 2 + (i - (len(texts) - 1) / 2) * pitch
        y = round(baseline) - written.baseline + ink.y
        yield Line(text, round(height), math.ceil(x), y, ink.width, ink.height)


INK: Colour = (0, 0, 0)  # for measuring
