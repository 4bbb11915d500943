"""The foot of the page, one line: a pencilled sentence, and the quiet facts with the count in strokes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import pygame

from coach.core.drill_words import FROM_UPBEAT, PARTS, WITH_PICKUP
from coach.core.shapes import Foot
from coach.core.view_words import STOP, UNSURE
from coach.core.words import WAY_NAME, WAY_SHORT, string_sign
from coach.screen import lettering
from coach.screen.lettering import wrapped
from coach.screen.pencil import Patch, Sheet
from coach.screen.stamps import Stamp, placed
from coach.screen.theme import Colour, Lean, Palette, Sizes

LONG_PORT = 0.28  # of the width: what is said about the port is a sentence, not a word
SENTENCE = 20.0  # minutes of arc: an essential sign
LEADING = 1.68  # from line to line, in heights of a capital
PITCH = 1.5  # … in a sentence that is written over the page
SLIP_PITCH = 1.65  # … on a slip of paper: what hangs below a line keeps clear of the count beside the next
MOST_LINES = 3  # of a sentence: none of ours is cut short
TITLE_LINES = 4  # … where it is larger and the title has gone
LEAN_LINES = 6  # … on a lean page, where a line is short
ALARM_LINES = 8  # … of what must be read to its end there
LEAN_PORT = 150.0  # minutes of arc: what is said about the port on a lean page is a sentence from here on
MOST_STROKES = 15  # beyond this the count is written as a figure
SHORT = {WAY_NAME[way]: short for way, short in WAY_SHORT.items()}  # a way in words: as it is at its sign


class FootPainter:
    """Lays out the foot."""

    def __init__(self, sizes: Sizes, palette: Palette) -> None:
        self.sizes, self.palette = sizes.plain, palette
        self.top = sizes.height - sizes.foot

    def stamps(self, foot: Foot, *, unsure: bool = False, rubbed: int = 0) -> list[Stamp]:
        """Return the foot's stamps; ``rubbed`` strokes of an ended count are shown rubbed out."""
        sizes = self.sizes
        lean = sizes.lean >= Lean.FACTS
        y = self.top + round(sizes.foot * 0.4)
        if foot.alarm and foot.port:
            chunk = [*_names(foot.chunk)][-1]  # what must be read to its end needs the room
            facts, edge = self._facts(self._kept(replace(foot, port="", chunk=chunk)), rubbed, y)
            if lean:
                room = edge - sizes.margin - sizes.quiet * 0.7
                return [*self._slip(foot.port, room, y, ALARM_LINES), *facts]
            return [*self._whole(foot.port, edge - sizes.margin - sizes.quiet * 1.5), *facts]
        sentences = [foot.message or (UNSURE if unsure else foot.next_stop)]
        port = lettering.words(foot.port, round(sizes.quiet), self.palette.pencil)
        long = max(LONG_PORT * sizes.width, sizes.px(LEAN_PORT) if lean else 0.0)
        if port.width > long and not foot.message:
            # A port in trouble has more to say than a word, and that comes first.
            sentences, foot = [foot.port], replace(foot, port="")
        elif lean and sentences[0] and sentences[0] == foot.next_stop and foot.stop_string:
            sentences += _shorter(foot)
        # A sentence is never written smaller: the facts make way for it, the count last.
        for sentence, fewer in (
            (sentence, fewer) for sentence in sentences for fewer in self._with_fewer_facts(foot)
        ):
            facts, edge = self._facts(fewer, rubbed, y)
            room = edge - sizes.margin - sizes.quiet * 0.7
            if lettering.words(sentence, self._height, self.palette.ink, hand=True).width <= room:
                break
        if not sentence:
            return facts
        if lean:
            return [*self._slip(sentence, room, y, LEAN_LINES), *facts]
        return [self._sentence(sentence, self._height, room, y), *facts]

    @property
    def _height(self) -> int:
        """Height of a sentence's capitals."""
        return math.ceil(self.sizes.px(SENTENCE))

    def _kept(self, foot: Foot) -> Foot:
        """Return the foot without what a lean page leaves out."""
        return replace(foot, port="", chunk="", tempo="") if self.sizes.lean >= Lean.FACTS else foot

    def _with_fewer_facts(self, foot: Foot) -> Iterator[Foot]:
        """Yield the foot with fewer and fewer facts, so that a sentence may find room.

        A step's name loses words before it goes, never its bars' numbers.
        """
        if self.sizes.lean < Lean.FACTS:
            names = [*_names(foot.chunk)]
            for name in names[:-1] or names:
                yield replace(foot, chunk=name)
            for name in names:
                yield replace(foot, port="", chunk=name)
            yield replace(foot, port="", chunk="")
        yield replace(foot, port="", chunk="", tempo="")

    def _sentence(self, text: str, height: int, room: float, y: int) -> Stamp:
        """Return a sentence with the middle of its last line's capitals at ``y``.

        What is too long for a line has more of them, on paper of their own; longer yet it is cut short.
        """
        sizes, ink = self.sizes, self.palette.ink
        lines = list(wrapped(text, room, height, ink, hand=True))
        if len(lines) == 1 and lettering.words(text, height, ink, hand=True).width <= room:
            written = lettering.words(text, height, ink, hand=True)
            return Stamp(written.surface, sizes.margin, y + round(height / 2) - written.baseline)
        most = MOST_LINES if sizes.lean < Lean.TITLE else TITLE_LINES
        lines = self._cut(lines, most, room, height)
        patch = _over_the_page(tuple(lines), height, ink, self.palette.paper)
        return placed(patch, sizes.margin, y + height / 2)

    def _slip(self, text: str, room: float, y: int, most: int) -> list[Stamp]:
        """Return a sentence as ``_sentence`` does; its upper lines have a slip of paper as wide as the page.

        They may be longer than the last, which shares its line with the count.
        """
        sizes, ink, height = self.sizes, self.palette.ink, self._height
        *lines, last = wrapped(text, sizes.width - 2 * sizes.margin, height, ink, hand=True)
        lines = self._cut([*lines, *wrapped(last, room, height, ink, hand=True)], most, room, height)
        written = lettering.words(lines[-1], height, ink, hand=True)
        stamps = [Stamp(written.surface, sizes.margin, y + round(height / 2) - written.baseline)]
        if lines[:-1]:
            slip = _paper_slip(tuple(lines[:-1]), sizes.width, sizes.margin, height, self.palette)
            stamps.insert(0, placed(slip, 0, y + round(height / 2)))
        return stamps

    def _cut(self, lines: list[str], most: int, room: float, height: int) -> list[str]:
        """Return ``most`` lines at most, the last no wider than ``room``; what is left out is dots."""
        ink = self.palette.ink
        if len(lines) > most:
            lines = lines[:most]
            lines[-1] += " …"
        cut = lines[-1]
        while lettering.words(lines[-1], height, ink, hand=True).width > room and len(cut) > 4:
            cut = cut.removesuffix(" …")[:-1].rstrip()
            lines[-1] = cut + " …"
        return lines

    def _whole(self, text: str, room: float) -> list[Stamp]:
        """Return a sentence that must be read to its end: in one line or two, whichever is larger."""
        sizes, ink = self.sizes, self.palette.ink
        height = sizes.px(SENTENCE)
        while True:
            lines = list(wrapped(text, room, round(height), ink, hand=True))
            fits = height * (1 + LEADING * (len(lines) - 1)) <= sizes.foot * 0.66
            written = [lettering.words(line, round(height), ink, hand=True) for line in lines]
            if (fits and all(one.width <= room for one in written)) or height < 4:
                break
            height *= 0.96
        middle = self.top + sizes.foot * (0.44 if len(lines) == 1 else 0.48)
        first = middle - height * LEADING * (len(lines) - 1) / 2
        return [
            Stamp(one.surface, sizes.margin, round(first + height * (LEADING * i + 0.5)) - one.baseline)
            for i, one in enumerate(written)
        ]

    def _facts(self, foot: Foot, rubbed: int, y: int) -> tuple[list[Stamp], float]:
        """Return the quiet facts, set from the right edge leftwards, and where they begin."""
        sizes, palette = self.sizes, self.palette
        stamps: list[Stamp] = []
        gap = round(sizes.quiet * 1.4)
        x = sizes.width - sizes.margin

        def word(text: str, room: float, colour: Colour) -> None:
            nonlocal x
            if text:
                written = self._fitted(text, sizes.quiet, room, colour, hand=False)
                x -= written.width
                stamps.append(self._on_line(written, x, y))
                x -= gap

        word(foot.port, sizes.width * 0.3, palette.pencil)
        if foot.tally is not None or rubbed:
            tally = self._tally(foot.tally or 0, rubbed, 0, y)
            x -= max((stamp.rect.right for stamp in tally), default=0)
            stamps += [stamp._replace(x=stamp.x + x) for stamp in tally]
            x -= gap
        word(foot.tempo, sizes.width * 0.2, palette.ink)
        word(foot.chunk, sizes.width, palette.ink)  # whole: what has no room is shortened before
        return stamps, float(x + gap)

    def _on_line(self, written: lettering.Written, x: int, y: int) -> Stamp:
        """Return a writing with the middle of its capitals at ``y``."""
        return Stamp(written.surface, x, y + round(self.sizes.quiet / 2) - written.baseline)

    def _fitted(
        self, text: str, height: float, room: float, colour: Colour, *, hand: bool
    ) -> lettering.Written:
        """Return a text no wider than ``room``: written smaller, at last cut short."""
        least = self.sizes.quiet * 0.8
        written = lettering.words(text, round(height), colour, hand=hand)
        while written.width > room and height > least:
            height = max(height * 0.92, least)
            written = lettering.words(text, round(height), colour, hand=hand)
        while written.width > room and len(text) > 4:
            text = text[: int(len(text) * 0.9)].rstrip(" …") + " …"
            written = lettering.words(text, round(height), colour, hand=hand)
        return written

    def _tally(self, count: int, rubbed: int, x: int, y: int) -> list[Stamp]:
        height = round(self.sizes.quiet * 1.5)
        if rubbed > count:
            old = placed(tally_strokes(min(rubbed, MOST_STROKES), height, _between(self.palette), True), x, y)
            if not count:
                return [old]
        if count > MOST_STROKES:
            written = lettering.words(str(count), round(self.sizes.quiet), self.palette.ink, hand=True)
            return [self._on_line(written, x, y)]
        return [placed(tally_strokes(count, height, self.palette.ink, False), x, y)] if count else []


def _names(chunk: str) -> Iterator[str]:
    """Yield a step's name in fewer and fewer words: without where it sets in, at last its bars alone."""
    yield chunk
    short = chunk
    for tail in (FROM_UPBEAT.format(bars=""), WITH_PICKUP.format(bars="")):
        short = short.removesuffix(tail)
    if short != chunk:
        yield short
    part, comma, bars = short.partition(", ")
    if comma and part in PARTS.values():
        yield bars


def _shorter(foot: Foot) -> Iterator[str]:
    """Yield the next stop in fewer and fewer words: its way as it stands beside its sign, at last without."""
    stop = STOP.format(string=string_sign(foot.stop_string), where=foot.stop_where)
    if foot.stop_way:
        yield f"{stop}, {foot.stop_way}"
    if foot.stop_way in SHORT:
        yield f"{stop}, {SHORT[foot.stop_way]}"
    yield stop


@lru_cache(maxsize=16)
def _over_the_page(lines: tuple[str, ...], height: int, ink: Colour, paper: Colour) -> Patch:
    """Return lines on paper of their own, from the last one's baseline upwards."""
    pieces = [lettering.words(line, height, ink, hand=True) for line in lines]
    top = -round(height * PITCH) * (len(lines) - 1) - pieces[0].baseline
    below = round(height * 0.38)  # what hangs below the line
    surface = pygame.Surface((max(piece.width for piece in pieces), below - top))
    surface.fill(paper)
    for i, piece in enumerate(pieces):
        baseline = -round(height * PITCH) * (len(lines) - 1 - i)
        surface.blit(piece.surface, (0, baseline - piece.baseline - top))
    return Patch(surface, 0, top)


@lru_cache(maxsize=8)
def _paper_slip(lines: tuple[str, ...], width: int, margin: int, height: int, palette: Palette) -> Patch:
    """Return lines on a slip of paper with a ruled upper edge, from the baseline of one more below them."""
    pieces = [lettering.words(line, height, palette.ink, hand=True) for line in lines]
    pitch = round(height * SLIP_PITCH)
    top = -pitch * len(lines) - round(height * 1.5)  # ascenders are taller than capitals
    surface = pygame.Surface((width, -top - round(height * 1.1)))
    surface.fill(palette.paper)
    surface.fill(palette.faint, (0, 0, width, max(round(height * 0.08), 1)))
    for i, piece in enumerate(pieces):
        surface.blit(piece.surface, (margin, -pitch * (len(lines) - i) - piece.baseline - top))
    return Patch(surface, 0, top)


def _between(palette: Palette) -> Colour:
    """Return what an eraser leaves of a pencil stroke."""
    red, green, blue = ((3 * p + f) // 4 for p, f in zip(palette.paper, palette.faint, strict=True))
    return red, green, blue


@lru_cache(maxsize=64)
def tally_strokes(count: int, height: int, colour: Colour, rubbed: bool) -> Patch:
    """Return a count in pencil strokes, every fifth across four; ``rubbed``: with the eraser's smear."""
    gap, weight = height * 0.42, height * 0.11
    fives, over = divmod(count, 5)
    width = gap * (fives * 5.6 + over + 1)
    sheet = Sheet((-weight, -height * 0.62, width, height * 0.62), colour, height)
    x = weight
    for i in range(count):
        lean = height * 0.06
        if i % 5 == 4:
            sheet.line((x - 4.3 * gap, height * 0.3), (x - 0.4 * gap, -height * 0.32), weight, i, 1.0)
            x += gap * 0.6
            continue
        sheet.line((x + lean, -height * 0.5), (x - lean, height * 0.5), weight, i, 1.0)
        if rubbed:  # the eraser's smear
            sheet.line(
                (x - gap * 0.5, height * 0.2), (x + gap * 0.7, -height * 0.15), weight * 2.2, i + 3, 1.5
            )
        x += gap
    return sheet.patch()
