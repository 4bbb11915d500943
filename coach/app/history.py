"""``coach history``: what was practised, how it went, and what to practise today.

After every sitting its passes go into the history; what is missing there (a sitting that was cut off, a
history that was lost) is read from the takes when ``coach history`` runs.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from coach.app.outputs import checked_outputs
from coach.app.pass_rows import SCALE, rows_of
from coach.app.piece import Piece, find_score, open_piece
from coach.app.sitting import Sitting, limits_of, replay
from coach.app.terms import terms_of
from coach.core.errors import CoachError, one_line
from coach.core.report import Report, report
from coach.core.session import Session
from coach.files import history_words as said
from coach.files.history import History, HistoryError, history_path
from coach.files.history_rows import PassRow, StopRow
from coach.files.history_text import Told, history_json, history_text
from coach.files.settings import takes_folder
from coach.files.shelf import read_shelf
from coach.files.take import Take, TakeMeta, read_take

MOST_NAMED = 3  # takes or titles in a notice


def remember_sitting(sitting: Sitting, *, part: str = "") -> tuple[str, ...]:
    """Put the passes of a sitting that has ended into the history; return what there is to say of it.

    ``part``: what was practised, where the take does not say it.
    Never raises for a history that cannot be used: playing goes on, and the take is read the next time.  A
    sitting that was not recorded (the demo) is not remembered.
    """
    recorder = sitting.recorder
    if recorder is None:
        return ()
    result = report(sitting.session, sitting.ignored)
    title = sitting.piece.title
    return remember(sitting.session, recorder.meta, recorder.path, title=title, result=result, part=part)


def remember(
    session: Session,
    meta: TakeMeta,
    path: Path,
    *,
    title: str = "",
    result: Report | None = None,
    part: str = "",
    offset: int = 0,
    history: History | None = None,
) -> tuple[str, ...]:
    """Put the passes of a finished session into the history; return lines on what could not be done.

    ``meta`` and ``path`` are its take's; ``result`` is the session's report where it is made already.  Where
    one take holds several sessions, ``offset`` counts the passes of those before.
    """
    history = history or History(history_path())
    rows = rows_of(session, result or report(session), meta, path.name, title=title, part=part, offset=offset)
    try:
        history.add_take(path.name, _size(path), rows, whole=not offset)
    except HistoryError as fault:
        return (*history.notices, str(fault))
    return tuple(history.notices)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:  # the take could not be written either
        return 0


# --- from the takes ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What reading the takes came to."""

    takes: int  # that were not in the history yet
    passes: int  # that are new
    notices: tuple[str, ...]  # on takes that could not be read


def rebuild(history: History, folder: Path, *, tell: bool = False) -> Rebuilt:
    """Put every take of a folder into the history that is not there yet; none is added twice.

    ``tell`` says on stderr that it may take a while.  Raises HistoryError where the history cannot be
    written.
    """
    known = history.known_takes()
    new = [path for path in _takes(folder) if known.get(one_line(path.name)) != _size(path)]
    scores = _Scores(folder)
    takes = added = 0
    left: list[str] = []
    broken: list[str] = []
    for path in new:
        try:
            take = read_take(path)
            ours = bool(take.meta.digest and take.meta.started)
            piece = scores.piece(take.meta.digest) if ours else None
        except CoachError:
            broken.append(path.name)
            continue
        if ours and piece is None:
            left.append(take.meta.title or path.name)
            continue
        if tell and piece is not None and not takes:
            print(f"coach: {said.READING}", file=sys.stderr, flush=True)
        # No take of ours: nobody knows what was played, and when.  It need not be looked at again.
        rows = _rows_of_take(take, piece, path.name) if piece is not None else []
        added += history.add_take(path.name, _size(path), rows, whole=True)
        takes += piece is not None
    notices = []
    for lines, text, names in ((left, said.LEFT_BEHIND, "titles"), (broken, said.UNREADABLE, "names")):
        if lines:
            told = ", ".join(list(dict.fromkeys(lines))[:MOST_NAMED])
            notices.append(one_line(text.format(takes=said.takes_are(len(lines)), **{names: told})))
    return Rebuilt(takes, added, tuple(notices))


def _takes(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.suffix.lower() == ".mid" and path.is_file())
    except OSError:  # no take yet
        return []


def _rows_of_take(take: Take, piece: Piece, name: str) -> list[tuple[PassRow, tuple[StopRow, ...]]]:
    if take.meta.part == SCALE:  # it is no part of the piece; what was played live stays as it is
        return []
    terms = terms_of(take.meta)
    tolerance_ms = None if take.meta.tolerances else terms.level.tolerance_ms
    limits = limits_of(take.meta.tolerances, tolerance_ms)
    session, ignored = replay(take, piece, profile=None, limits=limits, terms=terms)
    return rows_of(session, report(session, ignored), take.meta, name, title=piece.title)


class _Scores:
    """The scores at hand, each opened once."""

    def __init__(self, folder: Path) -> None:
        shelved = [score.path.parent for score in read_shelf().at_hand]
        self._near = list(dict.fromkeys((folder, folder.parent, Path.cwd(), Path.cwd() / "scores", *shelved)))
        self._paths: dict[str, Path | None] = {}
        self._pieces: dict[str, Piece] = {}

    def path(self, digest: str) -> Path | None:
        """Return the file of a score; None where it is not at hand."""
        if digest not in self._paths:
            self._paths[digest] = find_score(digest, self._near)
        return self._paths[digest]

    def piece(self, digest: str) -> Piece | None:
        """Return a score made ready; None where it is not at hand.  Raises CoachError as ``open_piece``."""
        path = self.path(digest)
        if path is None:
            return None
        if digest not in self._pieces:
            self._pieces[digest] = open_piece(path)
        return self._pieces[digest]


# --- the command ------------------------------------------------------------------------------------


def run_history(
    score: Path | None,
    *,
    how: str = "text",
    picture: Path | None = None,
    days: int | None = None,
    replace: bool = False,
    now: datetime | None = None,
) -> int:
    """Tell what was practised: of all pieces, or of a ``score`` (its file, or the title of one that is gone).

    ``how`` is ``text`` or ``json``; ``picture`` is a PNG to write as well; ``days`` leaves out what is older.
    ``now``: the moment from which days are counted (default: this one).
    """
    now = now or datetime.now().astimezone()
    (target,) = checked_outputs([picture], sources=[score] if score else [], replace=replace)
    history = History(history_path())
    folder = takes_folder()
    notices: Iterable[str] = ()
    try:
        notices = rebuild(history, folder, tell=True).notices
    except HistoryError as fault:  # what is in it already can still be told
        notices = (str(fault),)
    told = _told(history, score, now, days, _Scores(folder))
    for notice in (*history.notices, *notices):
        print(f"coach: {notice}", file=sys.stderr)
    if target is not None:
        # Imported here: the table needs no screen.
        from coach.app.history_picture import history_page, nothing_page
        from coach.screen.display import save_picture
        from coach.screen.history_sheet import draw_history

        if told.pieces:
            page = history_page(told.pieces[0], told.today, told.now)
        else:
            page = nothing_page(told.title or said.TITLE)
        save_picture(draw_history(page), target)
    print(history_json(told) if how == "json" else history_text(told))
    return 0


def _told(history: History, score: Path | None, now: datetime, days: int | None, scores: _Scores) -> Told:
    rows = history.passes()
    wanted, title = (None, "") if score is None else _wanted(score, rows)
    since = None if days is None else now.date() - timedelta(days=days - 1)
    pieces = tuple(one for one in history.pieces(since=since) if wanted in (None, one.digest or one.title))
    return Told(
        pieces=pieces,
        today=history.today(now, wanted),
        now=now.date(),
        days=days,
        title=title,
        edited=bool(title) and any(row.title == title and row.piece != wanted for row in rows),
        files={one.digest: path for one in pieces if one.digest and (path := scores.path(one.digest))},
    )


def _wanted(score: Path, rows: Iterable[PassRow]) -> tuple[str, str]:
    """Return what the piece that is asked for is known by, and its title.

    Raises CoachError where there is neither a score of that name nor a piece of that title.
    """
    if score.exists():
        piece = open_piece(score)
        return piece.score.digest, piece.title
    asked = str(score).casefold()
    for row in reversed(list(rows)):
        if row.title.casefold() in (asked, score.stem.casefold()):
            return row.piece, row.title
    raise CoachError(one_line(str(score), 160), said.NO_SCORE, said.REMEDY_SCORE)
