"""The foot of the page, one line: a pencilled sentence, and the quiet facts with the count in strokes."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from coach.core.shapes import Foot
from coach.screen import lettering
from coach.screen.lettering import wrapped
from coach.screen.pencil import Patch, Sheet
from coach.screen.stamps import Stamp, placed
from coach.screen.theme import Colour, Palette, Sizes

LONG_PORT = 0.28  # of the width: what is said about the port is a sentence, not a word
SENTENCE = 17.0  # minutes of arc
LEADING = 1.68  # from line to line, in heights of a capital
UNSURE = "listening for the place …"
MOST_STROKES = 15  # beyond this the count is written as a figure


class FootPainter:
    """Lays out the foot."""

    def __init__(self, sizes: Sizes, palette: Palette) -> None:
        self.sizes, self.palette = sizes.plain, palette
        self.top = sizes.height - sizes.foot

    def stamps(self, foot: Foot, *, unsure: bool = False, rubbed: int = 0) -> list[Stamp]:
        """Return the foot's stamps; ``rubbed`` strokes of an ended count are shown rubbed out."""
        sizes = self.sizes
        y = self.top + round(sizes.foot * 0.44)
        if foot.alarm and foot.port:
            facts, edge = self._facts(replace(foot, port=""), rubbed, y)
            return [*self._whole(foot.port, edge - sizes.margin - sizes.quiet * 1.5), *facts]
        sentence = foot.message or (UNSURE if unsure else foot.next_stop)
        port = lettering.words(foot.port, round(sizes.quiet), self.palette.pencil)
        if port.width > LONG_PORT * sizes.width and not foot.message:
            # A port in trouble has more to say than a word, and that comes first.
            sentence, foot = foot.port, replace(foot, port="")
        facts, edge = self._facts(foot, rubbed, y)
        if not sentence:
            return facts
        room = edge - sizes.margin - sizes.quiet * 1.5
        written = self._fitted(sentence, sizes.px(SENTENCE), room, self.palette.ink, hand=True)
        top = y + round(sizes.px(SENTENCE) / 2) - written.baseline
        return [Stamp(written.surface, sizes.margin, top), *facts]

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
        word(foot.chunk, sizes.width * 0.2, palette.ink)
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
            old = placed(_strokes(min(rubbed, MOST_STROKES), height, _between(self.palette), True), x, y)
            if not count:
                return [old]
        if count > MOST_STROKES:
            written = lettering.words(str(count), round(self.sizes.quiet), self.palette.ink, hand=True)
            return [self._on_line(written, x, y)]
        return [placed(_strokes(count, height, self.palette.ink, False), x, y)] if count else []


def _between(palette: Palette) -> Colour:
    """Return what an eraser leaves of a pencil stroke."""
    red, green, blue = ((3 * p + f) // 4 for p, f in zip(palette.paper, palette.faint, strict=True))
    return red, green, blue


@lru_cache(maxsize=64)
def _strokes(count: int, height: int, colour: Colour, rubbed: bool) -> Patch:
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
