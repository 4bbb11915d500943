"""Sheets laid over the page: the summary after a take, and the sheet of keys and marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pygame

from coach.core.shapes import Summary, SummaryRow
from coach.core.summary import more_words
from coach.core.ways import Way
from coach.core.words import LEAVE_HINT, WAY_LETTER, WAY_SHORT
from coach.screen import lettering
from coach.screen.lettering import wrapped
from coach.screen.page_words import BAR_BEAT, HELP_HEADINGS, PLAY_KEYS, ROW_MARKS, STOP_MARKS, WAY_LABELS
from coach.screen.pencil import Sheet
from coach.screen.samples import WIDE as SAMPLE_WIDE
from coach.screen.samples import Samples
from coach.screen.stamps import Stamp, paint, placed
from coach.screen.theme import Colour, Palette, Sizes

LARGEST = 1.3  # size of a summary's text, as a share of remarks on the page
SMALLEST = 0.8  # … as a share of quiet facts, as long as there is anything that can be left out
LEAST_HELP = 6  # pixels: nobody reads less
LARGEST_HELP = 0.033  # of a page's height: what explains the marks is not larger than they are
HELP_EDGE, HELP_SIDE = 0.04, 0.03  # blank above and below, shares of the page's height and width
# In heights of a capital: between a column's first part and its words, between two columns; from a row to the
# next (with a mark in each), at least and at most, from line to line; from a sign to the way beside it.
HELP_GAP, HELP_COLUMNS, LEAST_STEP, LARGEST_STEP, HELP_LEADING, BESIDE_SIGN = 1.0, 1.6, 2.25, 4.0, 1.75, 1.7
SHARES = tuple((a / 100, b / 100) for a in range(28, 56, 4) for b in range(22, 42, 4) if a + b <= 76)
REFERENCE = 40  # pixels: the height at which words are measured
ROUNDING = 1.03  # how much wider they may be at another
HINT = 0.85  # size of the hint at the foot, as a share of quiet facts, or of a text smaller than that


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
    quiet facts, and then without the caution, and at last with only as many of the stops as fit.
    """
    height = sizes.words * LARGEST
    rows, caution = list(summary.rows), summary.caution
    while True:
        more = summary.more
        if len(rows) < len(summary.rows):
            told = max(len(rows), 1)  # the worst is told in a sentence too
            more = more_words(summary.hidden + len(summary.rows) - told, summary.also)
        shown = replace(summary, rows=tuple(rows), more=more, caution=caution)
        writer, bottom = _summary(shown, height, sizes, palette)
        small = round((sizes.quiet if height > sizes.quiet * SMALLEST * 0.94 else height) * HINT)
        if bottom <= sizes.height - sizes.margin * 0.6 - 2.4 * small:
            break
        if height > sizes.quiet * SMALLEST:
            height *= 0.94
        elif caution:
            caution = ""
        elif rows:
            rows.pop()
        elif height > LEAST_HELP:  # the three sentences are all that is left
            height *= 0.94
        else:
            break
    wide = lettering.words(hint, small, palette.pencil).width
    x, y = sizes.width - sizes.margin - wide, sizes.height - sizes.margin * 0.82
    writer.words(hint, x, y, small, palette.pencil)
    surface = pygame.Surface((sizes.width, sizes.height))
    surface.fill(palette.paper)
    paint(surface, writer.stamps)
    return surface


def _summary(summary: Summary, height: float, sizes: Sizes, palette: Palette) -> tuple[Writer, float]:
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
    if summary.rows:
        y = _table(writer, summary.rows, left, y + height * 0.9, width, height)
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


@dataclass(frozen=True, slots=True)
class HelpPlan:
    """The measures of a sheet of keys and marks, in pixels."""

    height: int  # of capitals
    step: float  # from one row to the next, where neither is broken
    xs: tuple[float, float, float]  # of the three columns: keys, marks, marks
    rooms: tuple[float, float, float]  # for the words of each
    firsts: tuple[float, float, float]  # from a column's edge to its words


def help_sheet(
    sizes: Sizes, palette: Palette, key_lines: Sequence[tuple[str, str]] = PLAY_KEYS
) -> pygame.Surface:
    """Return the whole page of a window's keys and of all marks."""
    plan = help_plan(sizes, key_lines)
    writer = Writer(sizes, palette)
    height = plan.height
    samples = Samples(sizes, palette, height)
    columns: tuple[Sequence[tuple[object, str]], ...] = (key_lines, ROW_MARKS, STOP_MARKS)
    top = sizes.height * HELP_EDGE + height
    for heading, rows, x, room, first in zip(
        HELP_HEADINGS, columns, plan.xs, plan.rooms, plan.firsts, strict=True
    ):
        writer.words(heading, x, top, height, palette.pencil, hand=True)
        y = top + plan.step
        for what, meaning in rows:
            if rows is key_lines:
                writer.words(str(what), x, y, height, palette.ink)
            elif isinstance(what, Way):
                writer.words(_way_labels(what), x + height * BESIDE_SIGN, y, height, palette.ink)
            else:
                kind = "damp" if what == "alone" else str(what)
                writer.stamps += samples.stamps(kind, x, round(y))
            lines = _broken(meaning, room / height)
            for i, line in enumerate(lines):
                writer.words(line, x + first, y + i * HELP_LEADING * height, height, palette.ink)
            y += plan.step + (len(lines) - 1) * HELP_LEADING * height
    surface = pygame.Surface((sizes.width, sizes.height))
    surface.fill(palette.paper)
    paint(surface, writer.stamps)
    return surface


def help_plan(sizes: Sizes, key_lines: Sequence[tuple[str, str]]) -> HelpPlan:
    """Return the measures of the largest sheet of keys and marks that a window has room for."""
    columns = [[meaning for _, meaning in rows] for rows in (key_lines, ROW_MARKS, STOP_MARKS)]
    labels = [_way_labels(what) for what, _ in STOP_MARKS if isinstance(what, Way)]
    firsts = (
        max(map(_measured, (key for key, _ in key_lines))) + HELP_GAP,
        SAMPLE_WIDE + HELP_GAP,
        BESIDE_SIGN + max(map(_measured, labels)) + HELP_GAP,
    )
    edge = min(sizes.margin, round(sizes.width * HELP_SIDE))
    height = max(round(min(sizes.words, sizes.height * LARGEST_HELP)), LEAST_HELP)
    while True:
        wide = (sizes.width - 2 * edge) / height - sum(firsts) - 2 * HELP_COLUMNS
        tall = sizes.height * (1 - 2 * HELP_EDGE) / height - 2
        found = (_columns(columns, wide, tall, shares) for shares in SHARES)
        rooms, step = max(found, key=lambda one: one[1])
        if step >= LEAST_STEP or height <= LEAST_HELP:
            break
        height -= 1
    second = edge + (firsts[0] + rooms[0] + HELP_COLUMNS) * height
    third = second + (firsts[1] + rooms[1] + HELP_COLUMNS) * height
    return HelpPlan(
        height,
        min(step, LARGEST_STEP) * height,
        (edge, second, third),
        (rooms[0] * height, rooms[1] * height, rooms[2] * height),
        (firsts[0] * height, firsts[1] * height, firsts[2] * height),
    )


def _columns(
    columns: Sequence[Sequence[str]], wide: float, tall: float, shares: tuple[float, float]
) -> tuple[tuple[float, float, float], float]:
    """Return the rooms of three columns, and the step from row to row that the fullest has."""
    rooms = (wide * shares[0], wide * shares[1], wide * (1 - shares[0] - shares[1]))
    steps = []
    for meanings, room in zip(columns, rooms, strict=True):
        if any(_measured(word) > room for meaning in meanings for word in meaning.split()):
            return rooms, 0.0
        more = sum(len(_broken(meaning, room)) - 1 for meaning in meanings)
        steps.append((tall - more * HELP_LEADING) / len(meanings))
    return rooms, min(steps)


def _way_labels(way: Way) -> str:
    return WAY_LABELS.format(short=WAY_SHORT[way], letter=WAY_LETTER[way])


def _measured(text: str) -> float:
    """Return about how wide a line is, in heights of its capitals."""
    return lettering.words(text, REFERENCE, (0, 0, 0)).width / REFERENCE * ROUNDING


def _broken(text: str, room: float) -> list[str]:
    """Return a text's lines, none wider than ``room`` heights of a capital unless it is one word."""
    lines: list[str] = []
    for word in text.split():
        if lines and _measured(f"{lines[-1]} {word}") <= room:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines
