"""The history: every pass that was practised, and how each stop of it ended.

It stands in the user's data folder beside the takes, and can be read anew from them at any time: what a take
shows is never in it twice.  It is a convenience; no fault of it may keep anybody from playing.
"""

from __future__ import annotations

import os
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from types import NoneType
from typing import Any

from coach.core.errors import one_line
from coach.core.recheck import PastPass
from coach.files.history_rows import (
    TOGETHER,
    ChunkHistory,
    PassRow,
    PieceHistory,
    StopHistory,
    StopRow,
    chunk_histories,
    days_of,
    stop_histories,
)
from coach.files.history_store import DamagedError, HistoryError, Store
from coach.files.history_today import RECENT_DAYS, Suggestion, suggestions
from coach.files.settings import takes_folder

__all__ = ["History", "HistoryError", "PassRow", "StopRow", "history_path"]

NAME = "history.sqlite"
PASS = (
    "began, title, digest, take, number, part, first_bar, last_bar, first, last, speed, clean, complete, "
    "faults, drift_ms, right_notes, notes, bpm, tolerance_ms, drift_limit_ms"
)
STOP = "note, bar, beat, string, kind, overhang_ms, way"
PASS_KINDS: dict[str, type] = {
    **dict.fromkeys(("when", "title", "digest", "take"), str), "number": int, "part": str,
    **dict.fromkeys(("first_bar", "last_bar", "first", "last"), int), "speed": float, "clean": bool,
    "complete": bool, "faults": int, "drift_ms": float, "right": int, "notes": int, "bpm": float,
    "tolerance_ms": float, "drift_limit_ms": float,
}  # fmt: skip
STOP_TYPES = {(int, int, float, int, str, kind, str) for kind in (float, NoneType)}
IN_TIME = "ORDER BY began, take, number, id"  # passes of one second: as they follow in their take

Rows = tuple[PassRow, Sequence[StopRow]]


def history_path() -> Path:
    """Return where the history is kept: beside the user's takes.

    Where ``COACH_TAKES`` names another folder it stands in that folder, and so goes with its takes.
    """
    folder = takes_folder()
    return (folder if os.environ.get("COACH_TAKES") else folder.parent) / NAME


class History:
    """All passes, in one file that several programs may use at once.

    Every method raises HistoryError (one line) where the file cannot be used; ``notices`` are lines for the
    person at the keyboard.  The file is made by the first ``add``.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._store = Store(path)

    @property
    def notices(self) -> list[str]:
        """What has happened to the file: that it was damaged and moved aside."""
        return self._store.notices

    def add(self, row: PassRow, stops: Sequence[StopRow] = ()) -> bool:
        """Add one pass with its stops, all or nothing; return whether it is new.

        A pass of a take that is there already is brought up to date, or left as it is where it was added as
        another part (who drilled the bass alone knows more about it than the take does).
        """
        return self._store.write(lambda db: _add(db, row, stops))

    def add_take(self, name: str, size: int, rows: Iterable[Rows], *, whole: bool = False) -> int:
        """Add passes of a take of ``size`` bytes, all or nothing; return how many are new.

        From then on it is among the ``known_takes``.  ``whole``: it has no other passes (one that was read
        while it was still being played may have looked as if it had).
        """
        rows, name = list(rows), one_line(name)

        def work(db: sqlite3.Connection) -> int:
            new = sum(_add(db, row, stops) for row, stops in rows)
            if whole:
                last = max((row.number for row, _ in rows), default=0)
                gone = "DELETE FROM passes WHERE take = ? AND part = ? AND number > ?"
                db.execute(gone, (name, TOGETHER, last))
            db.execute(
                "INSERT INTO takes (name, bytes) VALUES (?, ?) "
                "ON CONFLICT (name) DO UPDATE SET bytes = excluded.bytes",
                (name, size),
            )
            return new

        return self._store.write(work)

    def known_takes(self) -> dict[str, int]:
        """Return the takes that were added as a whole, by file name, with their sizes in bytes then."""
        return self._store.read(lambda db: dict(db.execute("SELECT name, bytes FROM takes").fetchall()))

    def passes(self, digest: str | None = None, since: date | None = None) -> tuple[PassRow, ...]:
        """Return the passes in order of time: of one score, from one day on."""
        where, values = _where(digest, since)
        query = f"SELECT {PASS} FROM passes {where} {IN_TIME}"
        return self._store.read(lambda db: tuple(map(_pass, db.execute(query, values))))

    def stops(self, digest: str, since: date | None = None) -> tuple[StopHistory, ...]:
        """Return every stop of a score that was asked for, in order of the score."""
        rows = self._stop_rows(*_where(digest, since))
        return stop_histories(item for of_piece in rows.values() for item in of_piece)

    def chunks(self, digest: str, since: date | None = None) -> tuple[ChunkHistory, ...]:
        """Return the chunks of a score that were practised, the longest first."""
        return chunk_histories(self.passes(digest, since))

    def past(self, digest: str) -> tuple[PastPass, ...]:
        """Return a score's passes as the drill asks for them, in order of time."""
        return tuple(
            PastPass(row.when, row.part, row.first, row.last, row.speed, row.clean, row.complete)
            for row in self.passes(digest)
            if row.speed is not None
        )

    def pieces(self, digest: str | None = None, since: date | None = None) -> tuple[PieceHistory, ...]:
        """Return the pieces, the one practised last in front; a deleted score still has its title."""
        rows = self.passes(digest, since)
        stops = self._stop_rows(*_where(digest, since))
        groups: dict[str, list[PassRow]] = defaultdict(list)
        for row in rows:
            groups[row.piece].append(row)
        found = [
            PieceHistory(
                title=group[-1].title,
                digest=group[-1].digest,
                passes=len(group),
                clean=sum(row.clean for row in group),
                days=days_of(group),
                chunks=chunk_histories(group),
                stops=stop_histories(stops.get(piece, ())),
            )
            for piece, group in sorted(groups.items(), key=lambda item: item[1][-1].when, reverse=True)
        ]
        return tuple(found)

    def today(self, now: datetime, piece: str | None = None) -> tuple[Suggestion, ...]:
        """Return what to practise on the day of ``now`` (local time), in order.

        ``piece`` (``PassRow.piece``): of this one only.
        """
        rows = [row for row in self.passes() if piece in (None, row.piece)]
        stops = self._stop_rows(*_where(None, now.date() - timedelta(days=RECENT_DAYS)))
        return suggestions(rows, {row.piece: stops.get(row.piece, []) for row in rows}, now.date())

    def _stop_rows(self, where: str, values: list[str]) -> dict[str, list[tuple[str, StopRow]]]:
        """Return the stops (day, row) by piece, in order of time."""
        query = (
            f"SELECT CASE digest WHEN '' THEN title ELSE digest END, began, {STOP} "
            f"FROM passes JOIN stops ON stops.pass = passes.id {where} {IN_TIME}, stops.rowid"
        )

        def work(db: sqlite3.Connection) -> dict[str, list[tuple[str, StopRow]]]:
            found: dict[str, list[tuple[str, StopRow]]] = defaultdict(list)
            for piece, began, *rest in db.execute(query, values):
                found[piece].append((began[:10], _stop(rest)))
            return found

        return self._store.read(work)


def _where(digest: str | None, since: date | None) -> tuple[str, list[str]]:
    """Return the condition of a query, and its values."""
    wanted = []
    if digest is not None:
        wanted.append(("digest = ?", digest))
    if since is not None:
        wanted.append(("day >= ?", since.isoformat()))
    where = f"WHERE {' AND '.join(text for text, _ in wanted)}" if wanted else ""
    return where, [value for _, value in wanted]


def _pass(found: Sequence[object]) -> PassRow:
    """Return the row of a pass.  Raises DamagedError where a file that seems whole holds none."""
    row: dict[str, Any] = dict(zip(PASS_KINDS, found, strict=True))
    for name, kind in PASS_KINDS.items():
        value = row[name]
        if kind is bool and value in (0, 1):
            row[name] = bool(value)
        elif type(value) is not kind and not (kind is float and value is None):
            raise DamagedError(f"{name} is {value!r}")
    try:
        return PassRow(**row)
    except ValueError as fault:  # no date
        raise DamagedError(str(fault)) from None


def _stop(found: Sequence[object]) -> StopRow:
    """Return the row of a stop.  Raises DamagedError where the file does not hold one."""
    if tuple(map(type, found)) not in STOP_TYPES:  # there are many of them: no more than one look at each
        raise DamagedError(f"a stop is {found!r}")
    return StopRow(*found)  # type: ignore[arg-type]  # looked at above


def _add(db: sqlite3.Connection, row: PassRow, stops: Sequence[StopRow]) -> bool:
    """Add or bring up to date one pass; return whether it is new."""
    values: list[Any] = [getattr(row, name) for name in PassRow.__slots__]
    for at, name in enumerate(PassRow.__slots__):
        if name in ("title", "take", "digest", "part"):
            values[at] = one_line(values[at])  # whatever a file's name may hold
    there = None
    if take := one_line(row.take):
        query = "SELECT id, part FROM passes WHERE take = ? AND number = ?"
        there = db.execute(query, (take, row.number)).fetchone()
    if there is not None and there[1] != row.part and row.part == TOGETHER:
        return False
    if there is not None:
        db.execute("DELETE FROM passes WHERE id = ?", (there[0],))
    marks = ", ".join("?" * (len(values) + 1))
    done = db.execute(f"INSERT INTO passes (day, {PASS}) VALUES ({marks})", (row.day, *values))
    rows = [(done.lastrowid, s.note, s.bar, s.beat, s.string, s.kind, s.overhang_ms, s.way) for s in stops]
    db.executemany(f"INSERT INTO stops (pass, {STOP}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)
    return there is None
