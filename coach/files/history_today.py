"""What to practise today, out of what was practised before.

First comes what was clean on an earlier day, played once more: how it goes on the next day tells whether it
was learnt (24 hours between sessions improved accuracy: Simmons 2012, JRME 59:357–368).  Then what fails
most, then pieces that have lain for days.  How many, and after how many days, are our own figures.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import Enum

from coach.files.history_rows import (
    ASKED,
    CLEAN,
    ChunkHistory,
    PassRow,
    StopHistory,
    StopRow,
    chunk_histories,
    days_between,
    stop_histories,
)

RECENT_DAYS = 30  # what is older is no longer checked or mended, but taken up again
LAIN_DAYS = 7  # a piece that has lain so long is taken up again
MOST_CHECKED, MOST_MENDED, MOST_RETURNED = 3, 3, 2
LEAST_NOTES = 3  # a chunk of fewer tells nothing
RECENT_TIMES = 10  # a stop is judged by its last so many times in those days …
FAILING = 0.4  # … and failing when it failed in this share of them or more
MENDED = 3  # clean so many times in a row: it is mended


class What(Enum):
    """What is to be done."""

    CHECK = "check"
    MEND = "mend"
    RETURN = "return"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One thing to practise."""

    what: What
    title: str
    digest: str
    day: str  # on which it was last practised
    chunk: ChunkHistory | None = None  # to check
    stop: StopHistory | None = None  # to mend
    failed: int = 0  # how often the stop failed …
    asked: int = 0  # … of the last times it was asked


def suggestions(
    rows: Sequence[PassRow], stops: Mapping[str, Sequence[tuple[str, StopRow]]], today: date
) -> tuple[Suggestion, ...]:
    """Return what to practise, in order.

    ``rows`` are all passes and ``stops`` (day, row) by piece (``PassRow.piece``), both in order of time.
    """
    since = (today - timedelta(days=RECENT_DAYS)).isoformat()
    # A score that was edited is another piece by its digest: only the one played last is gone on with.
    current = {row.title: row.piece for row in rows}
    rows = [row for row in rows if row.piece == current[row.title]]
    checked = _to_check([row for row in rows if row.day >= since], today.isoformat())
    mended = _to_mend(rows, stops, since)
    known = {one.title for one in checked}
    returned = [one for one in _to_return(rows, today) if one.title not in known]
    return (*checked[:MOST_CHECKED], *mended[:MOST_MENDED], *returned[:MOST_RETURNED])


def _to_check(rows: Sequence[PassRow], today: str) -> list[Suggestion]:
    """Return the chunks that were clean when they were last played, on an earlier day; the latest first."""
    groups: dict[tuple[str, str, int, int], list[PassRow]] = defaultdict(list)
    for row in rows:
        groups[row.chunk].append(row)
    lasts = [group[-1] for group in groups.values()]
    clean = [row for row in lasts if row.clean and row.day < today and row.notes >= LEAST_NOTES]
    # What was checked today as part of something longer need not be checked again.
    wider = [row for row in rows if row.day == today] + clean
    clean = [row for row in clean if not any(_within(row, other) for other in wider)]
    clean.sort(key=lambda row: (row.day, row.last - row.first, row.when), reverse=True)
    return [
        Suggestion(What.CHECK, row.title, row.digest, row.day, chunk=chunk_histories(groups[row.chunk])[0])
        for row in clean
    ]


def _within(row: PassRow, other: PassRow) -> bool:
    """Whether a chunk is part of a longer one that was played no earlier."""
    return (
        other.chunk != row.chunk
        and (other.piece, other.part) == (row.piece, row.part)
        and other.first <= row.first <= row.last <= other.last
        and other.day >= row.day
    )


def _to_mend(
    rows: Sequence[PassRow], stops: Mapping[str, Sequence[tuple[str, StopRow]]], since: str
) -> list[Suggestion]:
    """Return the stops that fail, the one that fails most first."""
    last = {row.piece: row for row in rows}
    found: list[tuple[float, Suggestion]] = []
    for piece, of_piece in stops.items():
        if piece not in last or last[piece].day < since:
            continue
        for stop in stop_histories((day, row) for day, row in of_piece if row.kind in ASKED and day >= since):
            kinds = stop.kinds[-RECENT_TIMES:]
            failed = len(kinds) - kinds.count(CLEAN)
            mended = len(kinds) >= MENDED and set(kinds[-MENDED:]) == {CLEAN}
            if mended or failed < FAILING * len(kinds):
                continue
            of = last[piece]
            day = stop.days[-1].day
            one = Suggestion(What.MEND, of.title, of.digest, day, stop=stop, failed=failed, asked=len(kinds))
            found.append((failed / len(kinds), one))
    found.sort(key=lambda item: (item[1].failed, item[0], item[1].day), reverse=True)
    return [one for _, one in found]


def _to_return(rows: Sequence[PassRow], today: date) -> list[Suggestion]:
    """Return the pieces that have lain for days, the latest first."""
    last = {row.title: row for row in rows}
    lain = [row for row in last.values() if days_between(row.day, today) >= LAIN_DAYS]
    lain.sort(key=lambda row: row.when, reverse=True)
    return [Suggestion(What.RETURN, row.title, row.digest, row.day) for row in lain]
