"""One thing at a time, for the back row: the next stop alone, or one sentence, as large as it can be."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import pygame

from coach.core.shapes import View
from coach.core.view_words import NO_STOP, UNSURE
from coach.screen import lettering
from coach.screen.lettering import Written
from coach.screen.page_words import CARD_STOP
from coach.screen.theme import Colour, Palette, Sizes

MARGIN = 0.05  # of the surface's shorter side, above and below
SIDE = 0.036  # of its width, at most
LINE = 0.132  # of the surface's height: capitals of the place and the way
LARGEST = 0.2  # … of a sentence of few words
SMALLEST = 0.02  # … of one that has no end
LEADING = 1.5  # from line to line, in heights of a capital
SIGN = 0.46  # of the surface's height: the string's circled number
WORD = 0.19  # … capitals of the word "stop" before it
DAMP = 0.125  # … the damp sign before both: large and alone it is taken for something else
REFERENCE = 40  # pixels: the height at which words are measured


@dataclass(frozen=True, slots=True)
class Card:
    """What stands alone on the screen."""

    kind: Literal["stop", "said", "waiting"]
    string: int = 0  # of a stop
    where: str = ""  # "at the D"
    way: str = ""  # "returning thumb"; empty when none is asked for
    sentence: str = ""  # what is said, or waited for


def card_of(view: View) -> Card:
    """Return the one thing a view has to say: what is wrong, what was said, else the next stop."""
    foot = view.foot
    if foot.alarm and foot.port:
        return Card("said", sentence=foot.port)
    if foot.message:
        return Card("said", sentence=foot.message)
    if view.unsure:
        return Card("waiting", sentence=UNSURE)
    if foot.stop_string > 0:
        return Card("stop", foot.stop_string, foot.stop_where, foot.stop_way)
    return Card("waiting", sentence=NO_STOP)


def draw_card(surface: pygame.Surface, card: Card, sizes: Sizes, palette: Palette) -> None:
    """Draw a card on the whole of a surface.

    Its size comes from the surface alone; ``sizes`` gives the margin.  On a screen 0.3 m high the smallest
    words of a stop, and any sentence of some ninety letters, fill 20 minutes of arc at six metres.
    """
    surface.fill(palette.paper)
    if card.kind == "stop":
        _stop(surface, card, sizes, palette)
    else:
        _said(surface, card.sentence, sizes, palette.ink if card.kind == "said" else palette.pencil)


def _room(surface: pygame.Surface, sizes: Sizes) -> pygame.Rect:
    """Return the surface without its margins."""
    width, height = surface.get_size()
    side = min(sizes.margin, round(SIDE * width))
    top = round(MARGIN * min(width, height))
    return pygame.Rect(side, top, width - 2 * side, height - 2 * top)


def _stop(surface: pygame.Surface, card: Card, sizes: Sizes, palette: Palette) -> None:
    room = _room(surface, sizes)
    width, height = surface.get_size()
    lines = [line for line in (card.where, card.way) if line]
    tall = min([LINE * height, *(_fitting(line, room.width, hand=False) for line in lines)])
    number = min(SIGN * height, room.width * 0.4)
    # The number always stands at the same place, whether or not a way stands below.
    spare = room.height - number - LINE * height * LEADING * 2
    y = room.top + spare * 0.4
    circle = lettering.string_number(card.string, round(number), palette.ink)
    damp = lettering.sign(lettering.DAMP, round(DAMP * height), palette.ink)
    gap = number * 0.17
    word_room = room.width - damp.get_width() - circle.get_width() - 2 * gap
    high = min(WORD * height, _fitting(CARD_STOP, word_room, hand=False))
    word = _written(CARD_STOP, high, word_room, palette.ink, hand=False)
    x = (width - damp.get_width() - word.width - circle.get_width() - 2 * gap) / 2
    centre = y + circle.get_height() / 2
    surface.blit(damp, (round(x), round(centre - damp.get_height() / 2)))
    x += damp.get_width() + gap
    _centred(surface, word, x + word.width / 2, centre, high)
    surface.blit(circle, (round(x + word.width + gap), round(y)))
    middle = y + number + spare * 0.35 + tall * 0.7
    for i, line in enumerate(lines):
        written = _written(line, tall, room.width, palette.ink, hand=False)
        _centred(surface, written, width / 2, middle + i * LEADING * tall, tall)


def _said(surface: pygame.Surface, text: str, sizes: Sizes, colour: Colour) -> None:
    """Write a sentence in the middle, in as few and as large lines as fit."""
    room = _room(surface, sizes)
    width, height = surface.get_size()
    tall, lines = LARGEST * height, list[str]()
    while True:
        lines = _broken(text, tall, room.width, hand=True)
        fits = tall * (1 + LEADING * (len(lines) - 1)) <= room.height
        if (fits and all(_width(line, tall, hand=True) <= room.width for line in lines)) or (
            tall <= SMALLEST * height
        ):
            break
        tall *= 0.97
    first = height / 2 - tall * LEADING * (len(lines) - 1) / 2
    for i, line in enumerate(lines):
        written = _written(line, tall, room.width, colour, hand=True)
        _centred(surface, written, width / 2, first + i * LEADING * tall, tall)


def _centred(surface: pygame.Surface, written: Written, x: float, y: float, tall: float) -> None:
    """Blit a line with the middle of its capitals at (x, y)."""
    surface.blit(written.surface, (round(x - written.width / 2), round(y + tall / 2) - written.baseline))


def _width(text: str, tall: float, *, hand: bool) -> float:
    """Return about how wide a line is, measured small: large words are costly, and not to be kept."""
    return lettering.words(text, REFERENCE, (0, 0, 0), hand=hand).width * tall / REFERENCE


def _fitting(text: str, width: float, *, hand: bool) -> float:
    """Return how tall a line's capitals can be that is no wider than ``width``."""
    return width / max(_width(text, 1.0, hand=hand), 1e-6)


def _broken(text: str, tall: float, width: float, *, hand: bool) -> list[str]:
    """Return a text's lines, broken evenly: no more of them than must be, and none much shorter."""
    narrow = width * REFERENCE / tall

    def at(room: float) -> list[str]:
        return list(lettering.wrapped(text, room, REFERENCE, (0, 0, 0), hand=hand))

    fewest = len(at(narrow))
    room = narrow
    while fewest > 1 and len(at(room * 0.95)) == fewest and room > narrow * 0.4:
        room *= 0.95
    return at(room)


# Not kept: a sentence at this size is a megabyte, and seldom said twice.
_afresh: Callable[..., Written] = lettering.words.__wrapped__


def _written(text: str, tall: float, width: float, colour: Colour, *, hand: bool) -> Written:
    """Return a line at its size; what rounding made too wide becomes a pixel smaller."""
    height = math.floor(tall)
    written = _afresh(text, height, colour, hand=hand)
    while written.width > width and height > 8:
        height -= 1
        written = _afresh(text, height, colour, hand=hand)
    return written
