"""The picture of ``coach history``: what stands on the page, in words."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from coach.core import words
from coach.files import history_words as said
from coach.files.history_rows import PieceHistory, StopDay, StopHistory
from coach.files.history_text import overhang_words, suggestion_sentence
from coach.files.history_today import Suggestion
from coach.screen.history_sheet import DayMark, SheetPage, SheetRow, most_columns

LONGEST = 5  # characters of a figure beside its sign
MOST_ROWS = 32  # what one page holds


def history_page(piece: PieceHistory, today: Sequence[Suggestion], now: date) -> SheetPage:
    """Return the page of one piece: its stops in order of the score, its latest days.

    Where there are more stops than have room, those stay that failed most.
    """
    all_days = sorted({day.day for stop in piece.stops for day in stop.days})
    days = all_days[-most_columns() :]
    asked = [stop for stop in piece.stops if stop.days[-1].day in days]
    worst = sorted(asked, key=lambda stop: (stop.clean - stop.asked, stop.bar, stop.beat))[:MOST_ROWS]
    kept = [stop for stop in asked if stop in worst]
    remarks = [suggestion_sentence(one, now) for one in today if one.title == piece.title]
    if out := len(all_days) - len(days):
        remarks.append(said.SHEET_DAYS_OUT.format(days=said.days_words(out)))
    if out := len(piece.stops) - len(kept):
        remarks.append(said.SHEET_STOPS_OUT.format(stops=words.number_of("stop", out)))
    passes, clean = said.passes_words(piece.passes), said.PASSES_CLEAN.format(count=piece.clean)
    return SheetPage(
        title=said.SHEET_TITLE.format(title=piece.title),
        under=f"{passes}, {clean}, {said.days_words(len(piece.days))}",
        days=tuple((said.MONTHS[int(day[5:7]) - 1], str(int(day[8:]))) for day in days),
        rows=tuple(_row(stop, {day: column for column, day in enumerate(days)}) for stop in kept),
        headings=said.SHEET_HEADINGS,
        key=said.SHEET_KEY,
        key_note=said.SHEET_MIXED,
        empty=said.SHEET_EMPTY,
        remarks=tuple(remarks),
    )


def nothing_page(text: str) -> SheetPage:
    """Return the page of a history without a pass."""
    return SheetPage(
        title=text,
        under="",
        days=(),
        rows=(),
        headings=said.SHEET_HEADINGS,
        key=(),
        key_note="",
        empty=said.SHEET_EMPTY,
    )


def _row(stop: StopHistory, columns: dict[str, int]) -> SheetRow:
    return SheetRow(
        string=stop.string,
        label=words.place_words(stop.bar, words.beat_name(stop.beat)),
        marks={columns[day.day]: _mark(day) for day in stop.days if day.day in columns},
        clean=said.CLEAN_OF.format(clean=stop.clean, asked=stop.asked),
        overhang=overhang_words(stop),
    )


def _mark(day: StopDay) -> DayMark:
    if len(set(day.kinds)) == 1:
        return DayMark(day.mostly)
    figure = f"{day.clean}/{day.asked}"
    return DayMark(day.mostly, figure if len(figure) <= LONGEST else f"{100 * day.clean / day.asked:.0f} %")
