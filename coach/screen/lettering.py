"""Words and signs as small surfaces, cached: printed words, pencilled words, music signs.

A font's missing signs (accidentals in the pencil hand) come from the music font or the printed one.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import pygame
import pygame.font
import pygame.freetype

from coach.screen.font_files import HAND, MUSIC, PRINT
from coach.screen.kept import kept
from coach.screen.theme import Colour

# SMuFL code points.
DAMP = "\ue638"
CLEF_8VB = "\ue052"
CIRCLED = "⓪①②③④⑤⑥⑦⑧⑨⑩"
ACCIDENTALS = {"♭": "\ue260", "♮": "\ue261", "♯": "\ue262"}
CACHED = 800  # words; a figure that counts up must not fill the memory
CACHED_BYTES = 16_000_000  # … nor sentences
MEASURED = 4096  # beginnings of lines, of which only the width is kept
FONTS = 24  # sizes of a font; one is some 200 kB


class Written(NamedTuple):
    """A piece of writing: its surface, and where its baseline runs below the surface's top."""

    surface: pygame.Surface
    baseline: int

    @property
    def width(self) -> int:
        """Pixels from left to right."""
        return self.surface.get_width()

    def size(self) -> int:
        """Return the bytes of its surface."""
        return self.surface.get_pitch() * self.surface.get_height()


@lru_cache(maxsize=FONTS)
def _font(path: Path, size: int) -> pygame.font.Font:
    pygame.font.init()
    return pygame.font.Font(str(path), size)


@lru_cache(maxsize=FONTS)
def _music(size: int) -> pygame.freetype.Font:
    pygame.freetype.init()
    return pygame.freetype.Font(str(MUSIC), size)


@lru_cache(maxsize=4)
def _capital(path: Path) -> float:
    """Height of a capital as a share of the font's size."""
    drawn = _font(path, 200).render("H", True, (0, 0, 0))
    return drawn.get_bounding_rect().height / 200


@lru_cache(maxsize=512)
def _has(path: Path, sign: str) -> bool:
    pygame.freetype.init()
    return bool(pygame.freetype.Font(str(path), 24).get_metrics(sign)[0])


def _runs(path: Path, text: str) -> Iterator[tuple[str, str]]:
    """Yield (where from, text) of stretches with one source: ``font``, ``music``, ``string`` or ``print``."""
    source, run = "font", ""
    for sign in text:
        if sign in CIRCLED:
            found = "string"
        elif sign.isspace() or _has(path, sign):
            found = "font"
        else:
            found = "music" if sign in ACCIDENTALS else "print"
        if found != source and run:
            yield source, run
            run = ""
        source, run = found, run + sign
    if run:
        yield source, run


@kept(Written.size, most=CACHED, most_bytes=CACHED_BYTES)
def words(text: str, height: int, colour: Colour, *, hand: bool = False) -> Written:
    """Return a line whose capitals are ``height`` pixels tall, pencilled if ``hand``, else printed."""
    path = HAND if hand else PRINT
    size = max(round(height / _capital(path)), 4)
    font = _font(path, size)
    ascent = font.get_ascent()
    parts: list[tuple[pygame.Surface, int]] = []
    for source, run in _runs(path, text):
        if source == "music":
            # A text accidental stands a little higher than the capital, or a flat would be read as a b.
            for sign in run:
                drawn = glyph(ACCIDENTALS[sign], height * 0.47, colour)
                lift = 1.42 if sign == "♭" else 1.3
                parts.append((drawn, round(ascent - height * lift)))
        elif source == "string":
            for sign in run:
                drawn = string_number(CIRCLED.index(sign), round(height * 1.5), colour)
                parts.append((drawn, round(ascent - height * 1.25)))
        else:
            used = font if source == "font" else _font(PRINT, max(round(height / _capital(PRINT)), 4))
            parts.append((used.render(run, True, colour), ascent - used.get_ascent()))
    if not parts:
        return Written(pygame.Surface((1, 1), pygame.SRCALPHA), 0)
    if len(parts) == 1 and parts[0][1] == 0:
        return Written(parts[0][0], ascent)
    top = min(at for _, at in parts)
    bottom = max(at + part.get_height() for part, at in parts)
    whole = pygame.Surface((sum(part.get_width() for part, _ in parts), bottom - top), pygame.SRCALPHA)
    x = 0
    for part, at in parts:
        whole.blit(part, (x, at - top))
        x += part.get_width()
    return Written(whole, ascent - top)


_not_kept = words.__wrapped__


@lru_cache(maxsize=MEASURED)
def _width(text: str, height: int, colour: Colour, *, hand: bool) -> int:
    """Return how wide words are; their picture is not kept, for most beginnings of a sentence are no line."""
    return _not_kept(text, height, colour, hand=hand).width


def wrapped(text: str, width: float, height: int, colour: Colour, *, hand: bool = False) -> Iterator[str]:
    """Yield a text's lines, none wider than ``width`` unless it is one word."""
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if line and _width(longer, height, colour, hand=hand) > width:
            yield line
            line = word
        else:
            line = longer
    if line:
        yield line


@kept(Written.size, most=CACHED, most_bytes=CACHED_BYTES)
def haloed(text: str, height: int, colour: Colour, paper: Colour) -> Written:
    """Return pencilled words with a rim of bare paper, for writing over staff lines."""
    over, under = words(text, height, colour, hand=True), words(text, height, paper, hand=True)
    rim = max(round(height * 0.1), 1)
    width, tall = over.surface.get_size()
    whole = pygame.Surface((width + 2 * rim, tall + 2 * rim), pygame.SRCALPHA)
    for dx in (0, rim, 2 * rim):
        for dy in (0, rim, 2 * rim):
            whole.blit(under.surface, (dx, dy))
    whole.blit(over.surface, (rim, rim))
    return Written(whole, over.baseline + rim)


@lru_cache(maxsize=CACHED)
def glyph(sign: str, space: float, colour: Colour) -> pygame.Surface:
    """Return a music sign, cropped, for a staff whose lines are ``space`` pixels apart."""
    surface, _ = _music(max(round(space * 4), 4)).render(sign, colour)
    return surface


@lru_cache(maxsize=CACHED)
def sign(code: str, height: int, colour: Colour) -> pygame.Surface:
    """Return a music sign that is ``height`` pixels tall."""
    tall = _music(400).get_rect(code).height / 100  # in staff spaces
    return glyph(code, height / max(tall, 0.1), colour)


@lru_cache(maxsize=CACHED)
def string_number(string: int, height: int, colour: Colour) -> pygame.Surface:
    """Return the circled number of a string, ``height`` pixels across; a bare circle for 0 (not known).

    The trade's sign, drawn here and not taken from the music font because there its digit is too small
    for its circle to be read from a music stand.
    """
    scale = 3
    wide = height * scale
    big = pygame.Surface((wide, wide), pygame.SRCALPHA)
    big.fill((*colour, 0))
    middle = (wide / 2, wide / 2)
    pygame.draw.circle(big, colour, middle, wide / 2 - 1, max(round(wide * 0.045), 2))
    small = pygame.transform.smoothscale(big, (height, height))
    if string > 0:
        share = 0.76 if string < 10 else 0.55
        digit = words(str(string), round(height * share), colour).surface
        box = digit.get_bounding_rect()
        small.blit(digit, ((height - box.width) // 2 - box.x, (height - box.height) // 2 - box.y))
    return small
