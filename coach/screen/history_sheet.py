"""The history of a piece as one page: a row for every stop, a mark for every day on which it was asked.

The marks are those of the ring strip's ends, in small, as on the page of all passes.  In colour: it ended so
every time that day; in pencil, with a figure: it did not end alike every time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import pygame

from coach.screen import lettering
from coach.screen.often import block, end_sign, end_width
from coach.screen.stamps import Stamp, paint, placed
from coach.screen.theme import DAY, Colour, Palette

# Pixels of a page that is looked at on a desk, or sent.
WIDTH = 1600
MARGIN = 64
ROW = 46  # height of a stop's row; its sign is as large as on the page
SIGN = 30
TITLE, PLAIN, SMALL = 34, 19, 16  # heights of capitals
LABELS, FIGURES = 250, 310  # room left and right of the days
OVERHANG = 150  # from the count of clean ones to the overhang
COLUMN = 112  # of a day, where there is room
LEAST_COLUMN = 98  # a sign and its figure
SIGN_AT = 0.26  # of a column, the sign's middle: its figure stands at the right
LEADING = 2.1  # from line to line, times the capitals
FAINT = 0.45  # how much of the faint ink is in a row's line


@dataclass(frozen=True, slots=True)
class DayMark:
    """How a stop ended on one day."""

    kind: str  # a ``Damping``'s value
    figure: str = ""  # where it did not end alike every time: "1/3"


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One stop."""

    string: int
    label: str  # "bar 3, beat 1"
    marks: Mapping[int, DayMark]  # by column
    clean: str  # at its end: "5 of 9" …
    overhang: str  # … and "+60 ms"


@dataclass(frozen=True, slots=True)
class SheetPage:
    """Everything that stands on the page, in words."""

    title: str
    under: str  # under the title
    days: tuple[tuple[str, str], ...]  # of each column: its month, its day
    rows: tuple[SheetRow, ...]
    headings: tuple[tuple[str, str], tuple[str, str]]  # over the rows' ends, in two lines each
    key: tuple[tuple[str, str], ...]  # a kind, and what its mark means
    key_note: str
    empty: str  # said where there is no row
    remarks: tuple[str, ...] = ()  # below, pencilled


def most_columns() -> int:
    """Return how many days have room beside one another."""
    return (WIDTH - 2 * MARGIN - LABELS - FIGURES) // LEAST_COLUMN


def draw_history(page: SheetPage, palette: Palette = DAY) -> pygame.Surface:
    """Return the page drawn; it is as high as it must be."""
    stamps = list(_Sheet(page, palette).stamps())
    bottom = max(stamp.rect.bottom for stamp in stamps)
    surface = pygame.Surface((WIDTH, bottom + MARGIN))
    surface.fill(palette.paper)
    paint(surface, stamps)
    return surface


class _Sheet:
    """One page laid out from the top."""

    def __init__(self, page: SheetPage, palette: Palette) -> None:
        self.page, self.palette = page, palette
        self.left = MARGIN + LABELS
        room = WIDTH - MARGIN - FIGURES - self.left
        self.column = min(COLUMN, room / max(len(page.days), 1))
        self.right = self.left + self.column * len(page.days)

    def x_of(self, column: int) -> float:
        """Return where the signs of a day stand."""
        return self.left + (column + SIGN_AT) * self.column

    def stamps(self) -> Iterator[Stamp]:
        """Yield everything in drawing order."""
        palette, page = self.palette, self.page
        y = float(MARGIN + TITLE / 2)
        for line in lettering.wrapped(page.title, WIDTH - 2 * MARGIN, TITLE, palette.ink, hand=True):
            yield self._written(line, MARGIN, y, TITLE, palette.ink, hand=True)
            y += TITLE * 1.5
        yield self._written(page.under, MARGIN, y, PLAIN, palette.pencil)
        y += PLAIN * 2.6
        if page.rows:
            yield from self._days(y)
            y += SMALL * LEADING + ROW * 0.9
            for row in page.rows:
                yield from self._row(row, y)
                y += ROW
            yield from self._key(y + ROW * 0.2)
            y += ROW * 1.2
        else:
            yield self._written(page.empty, MARGIN, y, PLAIN, palette.ink, hand=True)
            y += ROW
        for remark in page.remarks:
            for line in lettering.wrapped(remark, WIDTH - 2 * MARGIN, PLAIN, palette.ink, hand=True):
                yield self._written(line, MARGIN, y, PLAIN, palette.ink, hand=True)
                y += PLAIN * LEADING

    def _days(self, y: float) -> Iterator[Stamp]:
        """Yield the days over their columns; a month's name where it begins."""
        before = ""
        for column, (month, day) in enumerate(self.page.days):
            if month != before:
                name = lettering.words(month, SMALL, self.palette.pencil)
                yield self._placed(name, self.x_of(column) - self._half(day), y, SMALL)
            before = month
            number = lettering.words(day, SMALL, self.palette.ink)
            yield self._placed(number, self.x_of(column) - self._half(day), y + SMALL * LEADING, SMALL)
        for lines, x in zip(self.page.headings, self._ends(), strict=True):
            for line, text in enumerate(lines):
                yield self._written(text, x, y + line * SMALL * LEADING, SMALL, self.palette.pencil)

    def _half(self, day: str) -> float:
        return lettering.words(day, SMALL, self.palette.ink).width / 2

    def _row(self, row: SheetRow, y: float) -> Iterator[Stamp]:
        palette = self.palette
        yield placed(
            block(round(self.right - self.left), 1, _mixed(palette.paper, palette.faint, FAINT)), self.left, y
        )
        number = lettering.string_number(row.string, round(PLAIN * 1.7), palette.ink)
        yield Stamp(number, MARGIN, round(y - number.get_height() / 2))
        yield self._written(row.label, MARGIN + PLAIN * 2.4, y, PLAIN, palette.ink)
        grey = replace(palette, written=palette.pencil, rang=palette.pencil)
        for column, mark in row.marks.items():
            x = self.x_of(column)
            patch = end_sign(mark.kind, SIGN, grey if mark.figure else palette)
            wide = end_width(mark.kind, SIGN)
            clear = block(round(wide + SIGN * 0.5), 3, palette.paper)  # marks are read, not the line
            yield placed(clear, x - wide / 2 - SIGN * 0.25, y - 1)
            yield placed(patch, x, y)
            if mark.figure:
                figure = lettering.words(mark.figure, SMALL, palette.pencil, hand=True)
                beside = x + wide / 2 + SIGN * 0.32
                yield placed(block(figure.width + 4, 3, palette.paper), beside - 2, y - 1)
                yield self._placed(figure, beside, y, SMALL)
        for text, x in zip((row.clean, row.overhang), self._ends(), strict=True):
            yield self._written(text, x, y, PLAIN, palette.ink, hand=True)

    def _ends(self) -> tuple[float, float]:
        """Return where the two figures at a row's end begin."""
        first = self.right + SMALL * 1.5
        return first, first + OVERHANG

    def _key(self, y: float) -> Iterator[Stamp]:
        x = float(MARGIN)
        for kind, meaning in self.page.key:
            wide = end_width(kind, SIGN)
            yield placed(end_sign(kind, SIGN, self.palette), x + wide / 2, y)
            x += wide + SIGN * 0.4
            written = lettering.words(meaning, SMALL, self.palette.pencil)
            yield self._placed(written, x, y, SMALL)
            x += written.width + SIGN * 1.2
        yield self._written(self.page.key_note, x, y, SMALL, self.palette.pencil)

    def _written(
        self, text: str, x: float, y: float, height: int, colour: Colour, *, hand: bool = False
    ) -> Stamp:
        return self._placed(lettering.words(text, height, colour, hand=hand), x, y, height)

    def _placed(self, written: lettering.Written, x: float, y: float, height: int) -> Stamp:
        """Return a writing with the middle of its capitals at ``y``."""
        return Stamp(written.surface, round(x), round(y + height / 2) - written.baseline)


def _mixed(one: Colour, other: Colour, share: float) -> Colour:
    red, green, blue = (round(a + (b - a) * share) for a, b in zip(one, other, strict=True))
    return red, green, blue
