"""What to practise today, and the marked page: what the first page has done for it while it stays awake."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from itertools import count
from pathlib import Path

import platformdirs

from coach.app.piece import find_score, open_piece
from coach.app.sitting import limits_of, replay
from coach.app.terms import terms_beside, terms_of
from coach.core.errors import CoachError
from coach.core.report import report
from coach.core.summary import summarise
from coach.files.history import History, HistoryError, history_path
from coach.files.history_text import suggestion_sentence
from coach.files.history_today import What
from coach.files.settings import APP
from coach.files.shelf import KeptTake, Shelved
from coach.files.take import read_take
from coach.screen import first_words as said


def next_step(takes: Sequence[KeptTake], scores: Sequence[Shelved], near: Iterable[Path]) -> tuple[str, str]:
    """Return what to practise in one sentence, and the title of the piece it was heard in.

    What was clean on an earlier day is checked again first; then it is what the newest take's summary
    advises; until there is one whose score is at hand, the first score.
    """
    checked = _check_again(datetime.now().astimezone())
    if checked is not None:
        return checked
    if takes:
        try:
            advice = _advice(takes[0], near)
        except CoachError:  # looking back at it says what is wrong; this is only a suggestion
            advice = ""
        if advice:
            return advice, takes[0].title
    return (said.BEGIN.format(title=scores[0].title) if scores else said.BEGIN_ANY), ""


def _check_again(now: datetime) -> tuple[str, str] | None:
    """Return what was clean on an earlier day and is to be checked today, and its title."""
    try:
        found = History(history_path()).today(now)
    except HistoryError:  # ``coach history`` says what is wrong
        return None
    first = next(iter(found), None)
    if first is None or first.what is not What.CHECK:
        return None
    return suggestion_sentence(first, now.date()), first.title


def _advice(kept: KeptTake, near: Iterable[Path]) -> str:
    take = read_take(kept.path)
    found = find_score(take.meta.digest, near)
    if found is None:
        return ""
    piece = open_piece(found)
    limits = limits_of(take.meta.tolerances)
    session, ignored = replay(take, piece, profile=None, limits=limits, terms=terms_of(take.meta))
    return summarise(report(session, ignored), piece.title).sentences[-1]


def print_marked(path: Path, folder: Path | None = None) -> Path:
    """Print the marked page of a score; return the PDF file, a new one every time.

    ``folder``: default the user's documents, or else the program's own data folder.  Raises CoachError where
    the score cannot be read, or the page cannot be made or written.
    """
    from coach.screen.paper import print_page  # it loads the fonts' outlines

    piece = open_piece(path)
    terms, _ = terms_beside(piece)
    if folder is None:
        folder = Path(platformdirs.user_documents_dir())
        if not folder.is_dir():
            folder = Path(platformdirs.user_data_dir(APP, appauthor=False)) / "pages"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise CoachError(str(folder), f"it cannot be made ({fault.strerror})", "free the folder") from None
    target = _unused(folder, f"{path.stem[:80]}-marked")
    print_page(terms.prepare(piece), piece.xml, piece.title, target, kind="pdf")
    return target


def _unused(folder: Path, stem: str) -> Path:
    """Return the path of a PDF file that is not there yet."""
    names = (folder / f"{stem}{'' if number == 1 else f'-{number}'}.pdf" for number in count(1))
    return next(path for path in names if not path.exists())
