"""The history's database file: opened for each piece of work, so that nothing is held while somebody plays.

SQLite with a write-ahead log: two programs may use it at once, each waits for the other.  A damaged file is
moved aside, never deleted, and a new one begun; one of a later version of the program is left as it is.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import TypeVar
from urllib.parse import quote

from coach.core.errors import CoachError, one_line
from coach.files import history_words as said

Found = TypeVar("Found")

SCHEMA = 2  # 1 did not hold what a pass was judged by, and called passes clean that strayed far
APPLICATION = 0x436F6163  # in the file's head: the history is ours
BUSY_S = 1.5  # how long SQLite itself waits for another program (not where both begin the file at once) …
WAIT_S = 5.0  # … and how long it is asked again
PAUSE_S = 0.05
TRIES = 4  # how often a file that is damaged is begun anew
TABLES = """
CREATE TABLE passes (
  id INTEGER PRIMARY KEY, began TEXT NOT NULL, day TEXT NOT NULL, title TEXT NOT NULL, digest TEXT NOT NULL,
  take TEXT NOT NULL, number INTEGER NOT NULL, part TEXT NOT NULL, first_bar INTEGER NOT NULL,
  last_bar INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL, speed REAL,
  clean INTEGER NOT NULL, complete INTEGER NOT NULL, faults INTEGER NOT NULL, drift_ms REAL,
  right_notes INTEGER NOT NULL, notes INTEGER NOT NULL, bpm REAL, tolerance_ms REAL, drift_limit_ms REAL
);
CREATE UNIQUE INDEX passes_take ON passes (take, number) WHERE take <> '';
CREATE INDEX passes_digest ON passes (digest, began);
CREATE TABLE stops (
  pass INTEGER NOT NULL REFERENCES passes (id) ON DELETE CASCADE, note INTEGER NOT NULL,
  bar INTEGER NOT NULL, beat REAL NOT NULL, string INTEGER NOT NULL, kind TEXT NOT NULL, overhang_ms REAL,
  way TEXT NOT NULL
);
CREATE INDEX stops_pass ON stops (pass);
CREATE TABLE takes (name TEXT PRIMARY KEY, bytes INTEGER NOT NULL);
"""
NEW = ("tolerance_ms", "drift_limit_ms")  # columns of ``passes`` since version 2
COLUMNS = {  # what a file of any version must have
    "passes": "id, began, day, title, digest, take, number, part, first_bar, last_bar, first, last, speed, "
    "clean, complete, faults, drift_ms, right_notes, notes, bpm",
    "stops": "pass, note, bar, beat, string, kind, overhang_ms, way",
    "takes": "name, bytes",
}
BROKEN = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT}
UNREADABLE_TEXT = "Could not decode to UTF-8"  # said by Python's sqlite3 without a code
TAKEN = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL}
REFUSED = {
    sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH, sqlite3.SQLITE_TOOBIG, sqlite3.SQLITE_NOLFS,
}  # fmt: skip
ALONE = "mode=ro&immutable=1"  # the file without its log
LOCKED_UP = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM}


class HistoryError(CoachError):
    """The history cannot be read or written; the takes are not touched by it."""


class DamagedError(Exception):
    """The file is no history of ours, or not whole; ``Store`` moves it aside, and nobody else sees this."""


class Store:
    """One database file.  ``notices``: lines for the person at the keyboard."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notices: list[str] = []
        self._examined: tuple[int, int] | None = None  # the file that was found whole

    def read(self, work: Callable[[sqlite3.Connection], Found]) -> Found:
        """Return what ``work`` reads; of a file that is not there yet it reads an empty history.

        Raises HistoryError, one line.
        """
        return self._run(work, write=False)

    def write(self, work: Callable[[sqlite3.Connection], Found]) -> Found:
        """Do ``work`` in one transaction: all of it is kept, or nothing.  Raises HistoryError, one line."""
        return self._run(work, write=True)

    def _run(self, work: Callable[[sqlite3.Connection], Found], *, write: bool) -> Found:
        until = time.monotonic() + WAIT_S
        damaged = 0
        while True:
            seen = _identity(self.path)
            try:
                with self._opened(seen, write=write) as db:
                    return work(db)
            except (DamagedError, UnicodeDecodeError) as fault:  # the latter: SQLite's word on broken text
                damaged += 1
                self._move_aside(str(fault), seen, damaged)
            except sqlite3.DatabaseError as fault:
                code = _code(fault)
                passing = code == sqlite3.SQLITE_CANTOPEN and not write and self._at_hand()
                if code in BROKEN or UNREADABLE_TEXT in str(fault):
                    damaged += 1
                    self._move_aside(str(fault), seen, damaged)
                elif code in TAKEN or (passing and time.monotonic() <= until):
                    if time.monotonic() > until:
                        raise HistoryError(str(self.path), said.BUSY, said.REMEDY_BUSY) from None
                    time.sleep(PAUSE_S)
                elif code in REFUSED:
                    raise self._refused(str(fault), write=write) from None
                else:
                    raise

    @contextmanager
    def _opened(self, seen: tuple[int, int] | None, *, write: bool) -> Iterator[sqlite3.Connection]:
        """Yield a connection to a file of this version, within a transaction where it is to be written."""
        if write:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as fault:
                raise self._refused(fault.strerror or str(fault), write=True) from None
        elif seen is None:
            with closing(_empty()) as db:
                yield db
            return
        with closing(self._connection(write=write)) as db:
            if not write:
                if self._prepared(db, seen):
                    _show_as_new(db)
                    yield db
                else:
                    with closing(_empty()) as nothing:
                        yield nothing
                return
            _set_up(db)
            db.execute("BEGIN IMMEDIATE")
            try:
                if not self._prepared(db, seen):
                    _make_tables(db)
                _bring_up_to_date(db)
                yield db
            except BaseException:
                with suppress(sqlite3.DatabaseError):  # what went wrong is told by the first fault
                    db.execute("ROLLBACK")
                raise
            db.execute("COMMIT")

    def _connection(self, *, write: bool) -> sqlite3.Connection:
        """Return a connection; to a file that cannot be written also one that only reads."""
        usual = "rwc" if write else "rw"
        # The last way reads the file alone, without its log: the folder cannot be written either.
        for how in (f"mode={usual}",) if write else (f"mode={usual}", "mode=ro", ALONE):
            address = f"file:{quote(str(self.path.absolute()))}?{how}"
            db = sqlite3.connect(address, uri=True, timeout=BUSY_S, isolation_level=None)
            try:
                db.execute("PRAGMA foreign_keys = ON")
                db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
            except sqlite3.DatabaseError as fault:
                db.close()
                if _code(fault) == sqlite3.SQLITE_ERROR:  # "unsupported file format", "malformed schema"
                    raise DamagedError(str(fault)) from None
                if _code(fault) not in LOCKED_UP or how == ALONE or write:
                    raise
                # Where the folder can be written, another program has only just begun or removed the log:
                # the file alone would lack what stands there.
                if how == "mode=ro" and self._at_hand():
                    raise
            else:
                return db
        raise AssertionError("unreachable")

    def _at_hand(self) -> bool:
        """Whether the file's folder can be written."""
        return os.access(self.path.parent, os.W_OK)

    def _prepared(self, db: sqlite3.Connection, seen: tuple[int, int] | None) -> bool:
        """Whether the tables are there; False for an empty file.

        Raises HistoryError for a file of a later version, DamagedError for one that is none of ours, or not
        whole.
        """
        (version,) = db.execute("PRAGMA user_version").fetchone()
        (application,) = db.execute("PRAGMA application_id").fetchone()
        (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        if not tables and not version:
            return False
        if application != APPLICATION:
            raise DamagedError(said.STRANGE)
        if version > SCHEMA:
            raise HistoryError(str(self.path), said.NEWER, said.REMEDY_NEWER)
        for table, columns in COLUMNS.items():
            if table == "passes" and version == SCHEMA:
                columns = ", ".join((columns, *NEW))
            try:
                db.execute(f"SELECT {columns} FROM {table} LIMIT 0")
            except sqlite3.OperationalError as fault:
                if _code(fault) == sqlite3.SQLITE_ERROR:  # no such table, no such column
                    raise DamagedError(str(fault)) from None
                raise
        if self._examined != seen or seen is None:
            (found,) = db.execute("PRAGMA quick_check(1)").fetchone()
            if found != "ok":
                raise DamagedError(str(found))
            self._examined = seen
        return True

    def _move_aside(self, why: str, seen: tuple[int, int] | None, attempt: int) -> None:
        """Move a damaged file aside, unless another program has done it by now."""
        if attempt >= TRIES:
            raise HistoryError(str(self.path), said.DAMAGED.format(why=one_line(why, 120)), said.REMEDY_ASIDE)
        if seen is None or _identity(self.path) != seen:
            return
        names = (
            self.path.with_name(f"{self.path.stem}.broken{f'-{n}' if n > 1 else ''}{self.path.suffix}")
            for n in count(1)
        )
        aside = next(name for name in names if not os.path.lexists(name))
        try:
            for tail in ("-wal", "-shm"):  # its log belongs to it, and must not be taken for the new file's
                with suppress(FileNotFoundError):
                    Path(f"{self.path}{tail}").rename(f"{aside}{tail}")
            self.path.rename(aside)
        except OSError as fault:
            why = f"{why}; {fault.strerror}"
            raise HistoryError(
                str(self.path), said.DAMAGED.format(why=one_line(why, 120)), said.REMEDY_ASIDE
            ) from None
        notice = said.ASIDE.format(why=one_line(why, 120), name=aside.name)
        self.notices.append(one_line(f"{self.path.name}: {notice}"))

    def _refused(self, why: str, *, write: bool) -> HistoryError:
        what, remedy = (
            (said.WHAT_TO_WRITE, said.REMEDY_WRITE) if write else (said.WHAT_TO_READ, said.REMEDY_READ)
        )
        return HistoryError(str(self.path), what.format(why=one_line(why, 120)), remedy)


def _set_up(db: sqlite3.Connection) -> None:
    """Let writers and readers go on beside one another."""
    (mode,) = db.execute("PRAGMA journal_mode").fetchone()
    (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if mode != "wal" and not tables:  # a file that is there is left as it is: it may be another program's
        db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = NORMAL")  # a power cut may lose the last pass, which the take still has


def _make_tables(db: sqlite3.Connection) -> None:
    for statement in TABLES.split(";"):  # executescript would end the transaction
        if statement.strip():
            db.execute(statement)
    db.execute(f"PRAGMA user_version = {SCHEMA}")
    db.execute(f"PRAGMA application_id = {APPLICATION}")


def _version(db: sqlite3.Connection) -> int:
    (version,) = db.execute("PRAGMA user_version").fetchone()
    return int(version)


def _bring_up_to_date(db: sqlite3.Connection) -> None:
    """Make a file of version 1 one of this version, within the transaction that writes to it.

    What it knows of the takes is forgotten, so that they are read and judged anew; the passes stay.
    """
    if _version(db) < SCHEMA:
        for column in NEW:
            db.execute(f"ALTER TABLE passes ADD COLUMN {column} REAL")
        db.execute("DELETE FROM takes")
        db.execute(f"PRAGMA user_version = {SCHEMA}")


def _show_as_new(db: sqlite3.Connection) -> None:
    """Let a file of version 1 be read like one of this version, without a change to it.

    It may be in a folder that cannot be written; views that last as long as the connection stand before its
    tables.
    """
    if _version(db) < SCHEMA:
        missing = ", ".join(f"NULL AS {column}" for column in NEW)
        db.execute(f"CREATE TEMP VIEW passes AS SELECT *, {missing} FROM main.passes")
        db.execute("CREATE TEMP VIEW takes AS SELECT name, bytes FROM main.takes WHERE 0")


def _empty() -> sqlite3.Connection:
    """Return a history without a file and without a pass."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    _make_tables(db)
    return db


def _code(fault: sqlite3.Error) -> int:
    """Return SQLite's primary result code; -1 where the fault did not come from SQLite."""
    code: int = getattr(fault, "sqlite_errorcode", -1)
    return code & 0xFF if code >= 0 else -1


def _identity(path: Path) -> tuple[int, int] | None:
    """Return which file stands at a path now; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
