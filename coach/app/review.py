"""Looking back at a saved take: as text, as JSON, or replayed on the page."""

from __future__ import annotations

import sys
from pathlib import Path

from coach.app.piece import Piece, find_score, open_piece
from coach.app.sitting import limits_of, replay
from coach.app.terms import Terms, terms_beside, terms_of
from coach.core import words
from coach.core.errors import TakeError
from coach.core.levels import LEVELS
from coach.core.profile import Profile
from coach.core.report import report
from coach.core.session import Session
from coach.core.summary import summarise
from coach.files.report import review_json, review_text, summary_text
from coach.files.settings import takes_folder
from coach.files.take import Take, read_take

FEW_NOTES = 8  # fewer tell nothing
FITTING_SHARE = 0.4  # a take with fewer right notes than this was played from something else


def run_review(
    path: Path,
    *,
    score: Path | None,
    tuning: str | None,
    capo: int | None,
    tolerance_ms: float | None,
    level: str | None,
    profile: Profile | None,
    how: str,
    everything: bool,
    screenshot: Path | None,
) -> int:
    """Judge a take and show it: ``how`` is ``text``, ``json`` or ``window``."""
    take = read_take(path)
    piece = _piece_of(take, path, score, tuning, capo)
    of_score = (f"{piece.path.name}: {notice}" for notice in piece.notices)
    for notice in (*take.notices, *of_score):
        print(f"coach: {notice}", file=sys.stderr)
    terms = _terms(take, piece, level)
    if tolerance_ms is None and (level or not take.meta.tolerances):
        tolerance_ms = terms.level.tolerance_ms
    limits = limits_of(take.meta.tolerances, tolerance_ms)
    if how == "window":
        from coach.app.replay import run_replay

        return run_replay(take, piece, profile=profile, limits=limits, screenshot=screenshot, terms=terms)
    session, ignored = replay(take, piece, profile=profile, limits=limits, terms=terms)
    _refuse_other_score(session, path, piece)
    result = report(session, ignored)
    if how == "json":
        print(review_json(result))
        return 0
    title = piece.title
    print(f"{title}\n")
    print(review_text(result, everything=everything))
    print()
    print(summary_text(summarise(result, title)))
    if screenshot is not None:
        from coach.app.replay import write_page

        write_page(take, piece, profile=profile, limits=limits, path=screenshot, terms=terms)
    return 0


def _terms(take: Take, piece: Piece, level: str | None) -> Terms:
    """Return what a take is judged by: what it was played under, or else what is kept beside the score."""
    if take.meta.level and take.meta.digest == piece.score.digest:
        played = terms_of(take.meta)
        return Terms(LEVELS[level], played.free) if level else played
    terms, notices = terms_beside(piece, level)
    for notice in notices:
        print(f"coach: {piece.path.name}: {notice}", file=sys.stderr)
    return terms


def _piece_of(take: Take, path: Path, score: Path | None, tuning: str | None, capo: int | None) -> Piece:
    """Return the piece a take belongs to: the one given, or the one with the take's digest."""
    if score is not None:
        piece = open_piece(score, tuning=tuning, capo=capo)
        if take.meta.digest and piece.score.digest != take.meta.digest:
            words_ = f"the take was played from another score ({take.meta.title or 'no title'})"
            print(f"coach: {path.name}: {words_}; it is judged by {score.name}", file=sys.stderr)
        return piece
    near = [path.parent, path.parent.parent / "scores", Path.cwd(), Path.cwd() / "scores", takes_folder()]
    found = find_score(take.meta.digest, near)
    if found is None:
        title = f" ({take.meta.title})" if take.meta.title else ""
        what = (
            f"the score it was played from{title} is not found" if take.meta.digest else "it names no score"
        )
        raise TakeError(path.name, what, "give the score with --score FILE")
    return open_piece(found, tuning=tuning, capo=capo)


def _refuse_other_score(session: Session, take: Path, piece: Piece) -> None:
    """Raise TakeError when hardly anything that was played fits the score."""
    heard = len(session.matching.matches)
    right = sum(1 for match in session.matching.matches if match.label.right and not match.lost)
    if heard >= FEW_NOTES and right < FITTING_SHARE * heard:
        what = words.OTHER_SCORE.format(right=right, heard=heard, score=piece.path.name)
        raise TakeError(take.name, what, "give its own score with --score FILE")
