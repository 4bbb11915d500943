"""Sheets laid over the page: the summary after a take, and the sheet of keys and marks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pygame

from coach.core.shapes import Summary, SummaryRow
from coach.core.words import LEAVE_HINT
from coach.screen import lettering
from coach.screen.lettering import wrapped
from coach.screen.page_words import BAR_BEAT, GREY_NOTE, HELP_TITLE, MARK_LINES, PLAY_KEYS
from coach.screen.pencil import Patch, Sheet
from coach.screen.stamps import Stamp, paint, placed
from coach.screen.strokes import HOLLOW, Strokes
from coach.screen.theme import Colour, Palette, Sizes

LARGEST = 1.3  # size of a summary's text, as a share of remarks on the page
LEAST_HELP = 6.0  # pixels: nobody reads less
HINT = 0.85  # size of the hint at the foot, as a share of quiet facts


class Writer:
    """Writes down a sheet from the top."""

    def __init__(self, sizes: Sizes, palette: Palette) -> None:
        self.sizes, self.palette = sizes, palette
        self.stamps: list[Stamp] = []
        self.y = 0

    def words(
        self, text: str, x: float, y: float, height: float, colour: Colour, *, hand: bool = False
    ) -> int:
        """Write one line with the middle of its capitals at ``y``; return its width."""
        written = lettering.words(text, round(height), colour, hand=hand)
        self.stamps.append(Stamp(written.surface, round(x), round(y + height / 2) - written.baseline))
        return written.width

    def paragraph(
        self,
        text: str,
        x: float,
        y: float,
        width: float,
        height: float,
        colour: Colour,
        *,
        hand: bool = False,
    ) -> float:
        """Write a text in as many lines as it takes; return the y below it."""
        for line in wrapped(text, width, round(height), colour, hand=hand):
            self.words(line, x, y, height, colour, hand=hand)
            y += height * 2.05
        return y


def summary_sheet(summary: Summary, sizes: Sizes, palette: Palette, hint: str = LEAVE_HINT) -> pygame.Surface:
    """Return the whole page of a summary.

    It is written as large as its text allows: at most a little larger than remarks on the page, at least as
    quiet facts, and then only as many of the stops as fit.
    """
    height = sizes.words * LARGEST
    rows = list(summary.rows)
    while True:
        writer, bottom = _summary(summary, rows, height, sizes, palette)
        if bottom <= sizes.height - sizes.margin * 0.6 - 2.4 * sizes.quiet * HINT:
            break
        if height > sizes.quiet * 0.8:
            height *= 0.94
        elif rows:
            rows.pop()
        else:
            break
    small = round(sizes.quiet * HINT)
    wide = lettering.words(hint, small, palette.pencil).width
    x, y = sizes.width - sizes.margin - wide, sizes.height - sizes.margin * 0.82
    writer.words(hint, x, y, small, palette.pencil)
    surface = pygame.Surface((sizes.width, sizes.height))
    surface.fill(palette.paper)
    paint(surface, writer.stamps)
    return surface


def _summary(
    summary: Summary, rows: Sequence[SummaryRow], height: float, sizes: Sizes, palette: Palette
) -> tuple[Writer, float]:
    writer = Writer(sizes, palette)
    left = sizes.margin * 2.2
    width = sizes.width - 2 * left
    y = sizes.margin * 1.1 + height
    title = lettering.words(summary.headline, round(height * 1.25), palette.ink)
    writer.words(summary.headline, (sizes.width - title.width) / 2, y, height * 1.25, palette.ink)
    y += height * 2.9
    *before, last = summary.sentences  # the last says what to do
    for sentence in before:
        y = writer.paragraph(sentence, left, y, width, height, palette.ink)
        y += height * 0.25
    if rows:
        y = _table(writer, rows, left, y + height * 0.9, width, height)
    if summary.more:
        y = writer.paragraph(summary.more, left, y, width, height * 0.74, palette.pencil)
    y += height * 0.9
    y = writer.paragraph(last, left, y, width, height * 1.05, palette.ink, hand=True)
    if summary.caution:
        y += height * 0.5
        y = writer.paragraph(summary.caution, left, y, width, height * 0.72, palette.pencil)
    return writer, y - height


def _table(
    writer: Writer, rows: Sequence[SummaryRow], left: float, y: float, width: float, height: float
) -> float:
    """Write the stops to mend: place, string, what happened, by how much; under it what to do."""
    palette = writer.palette
    rule = Sheet((0, -3, width, 3), palette.faint, height)
    rule.line((0, 0), (width, 0), max(height * 0.07, 1.5), 5, 0.8)
    writer.stamps.append(placed(rule.patch(), left, y - height * 1.15))
    small = height * 0.82
    gap = small * 1.3
    places = [BAR_BEAT.format(bar=row.bar, beat=row.beat) for row in rows]

    def widest(texts: Sequence[str], *, hand: bool = False) -> float:
        return max(lettering.words(text, round(small), palette.ink, hand=hand).width for text in texts)

    string_x = left + widest(places) + gap
    verdict_x = string_x + small * 1.75 + gap * 0.8
    amount_x = verdict_x + widest([row.verdict for row in rows]) + gap
    advice_x = amount_x + widest([row.amount for row in rows], hand=True) + gap
    for row, place in zip(rows, places, strict=True):
        writer.words(place, left, y, small, palette.ink)
        number = lettering.string_number(row.string, round(small * 1.75), palette.ink)
        writer.stamps.append(Stamp(number, round(string_x), round(y - number.get_height() / 2)))
        writer.words(row.verdict, verdict_x, y, small, palette.ink)
        colour = palette.written if row.early else palette.rang
        writer.words(row.amount, amount_x, y, small, colour, hand=True)
        after = writer.paragraph(
            row.advice, advice_x, y, left + width - advice_x, small * 0.9, palette.pencil
        )
        y = max(y + small * 2.25, after + small * 0.3)
    return y


def help_sheet(
    sizes: Sizes, palette: Palette, key_lines: Sequence[tuple[str, str]] = PLAY_KEYS
) -> pygame.Surface:
    """Return the whole page of a window's keys and of the marks."""
    writer = Writer(sizes, palette)
    surface = pygame.Surface((sizes.width, sizes.height))
    surface.fill(palette.paper)
    lines = max(len(key_lines), len(MARK_LINES) + 1)
    step = (sizes.height - sizes.margin * 2) / (lines + 2.2)
    height = min(sizes.words * 0.85, step * 0.42)
    left, sample = sizes.margin * 1.8, round(sizes.width * 0.12)
    while True:  # as large as both columns have room for
        wide = _widest((key for key, _ in key_lines), height)
        meaning_x = left + wide + height * 1.6
        middle = meaning_x + _widest((meaning for _, meaning in key_lines), height) + height * 3
        mark_x = middle + sample + height * 2.2
        right = mark_x + _widest((GREY_NOTE, *(meaning for _, meaning in MARK_LINES)), height)
        if right <= sizes.width - sizes.margin or height < LEAST_HELP:
            break
        height *= 0.96
    y = sizes.margin + step * 0.6
    writer.words(HELP_TITLE, left, y, height * 1.25, palette.ink)
    top = y + step * 1.5
    for i, (key, meaning) in enumerate(key_lines):
        writer.words(key, left, top + i * step, height, palette.ink)
        writer.words(meaning, meaning_x, top + i * step, height, palette.ink)
    strokes = Strokes(sizes, palette)
    for i, (kind, meaning) in enumerate(MARK_LINES):
        line = round(top + i * step)
        writer.stamps += _sample(kind, middle, line, sample, strokes)
        writer.words(meaning, mark_x, line, height, palette.ink)
    line = round(top + len(MARK_LINES) * step)
    writer.stamps += strokes.run("line", middle, middle + sample * 0.6, line, palette.pencil, 3)
    writer.words(GREY_NOTE, mark_x, line, height, palette.ink)
    paint(surface, writer.stamps)
    return surface


def _widest(texts: Iterable[str], height: float) -> int:
    return max(lettering.words(text, round(height), (0, 0, 0)).width for text in texts)


def _sample(kind: str, x: float, y: int, width: int, strokes: Strokes) -> list[Stamp]:
    """Return one mark of the ring strip, as an example."""
    palette = strokes.palette
    blue, red = palette.written, palette.rang
    due = x + width * 0.6
    stamps: list[Stamp] = []

    def put(patch: Patch, at: float) -> None:
        stamps.append(placed(patch, at, y))

    rule = Sheet((0, -2, due - x, 2), palette.faint)
    rule.line((0, 0), (due - x, 0), max(strokes.row * 0.05, 1.0))
    tick = Sheet((-2, -strokes.row * 0.42, 2, strokes.row * 0.42), palette.ink)
    tick.line((0, -strokes.row * 0.36), (0, strokes.row * 0.36), max(strokes.row * 0.05, 1.0))
    if kind != "stray":
        put(rule.patch(rough=False), x)
        put(tick.patch(rough=False), due)
    full = {"clean": due, "late": due, "ringing": due, "free": due, "cut": x + width * 0.28}
    if kind in full:
        if kind == "cut":
            stamps += strokes.run("blank", x, due - 3, y, palette.paper, 1)
            stamps += strokes.run("dots", full[kind] + strokes.row * 0.5, due - 4, y, blue, 1)
        end = full[kind] - (strokes.row * HOLLOW if kind == "cut" else 0.0)
        stamps += strokes.run("line", x, end, y, blue, 1)
        put(strokes.disc(blue), x)
    if kind in ("late", "ringing"):
        end = x + width if kind == "ringing" else x + width * 0.9
        stamps += strokes.run("hatch", due, end, y, red, 1) + strokes.run("wave", due, end, y, red, 1)
        put(strokes.arrow(red) if kind == "ringing" else strokes.upright(red), end)
    elif kind == "clean":
        put(strokes.upright(blue), due)
    elif kind == "cut":
        put(strokes.hollow(blue), full[kind])
    elif kind == "free":
        put(strokes.arc(blue), due)
    elif kind == "faded":
        put(strokes.taper(round(width * 0.55), blue), x)
        put(strokes.disc(blue), x)
    elif kind == "missed":
        stamps += strokes.run("blank", x + width * 0.2, x + width * 0.42, y, palette.paper, 1)
        put(strokes.gap(), x + width * 0.31)
    elif kind == "stray":
        stamps += strokes.run("wave", x + strokes.row * 0.36, x + width * 0.7, y, red, 1)
        put(strokes.lozenge(red), x)
    return stamps
