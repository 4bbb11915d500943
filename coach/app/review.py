"""Looking back at a saved take: as text, as JSON, or replayed on the page."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

from coach.app.judged import Judged, against_model, compared_text
from coach.app.look import USUAL_LOOK, Look
from coach.app.piece import Piece, find_score, open_piece
from coach.app.sitting import limits_of, replay
from coach.app.terms import Terms, terms_beside, terms_of
from coach.core import words
from coach.core.errors import CoachError, TakeError
from coach.core.hindsight import Follow, differences, keeping, recalling
from coach.core.hindsight_words import hindsight_text
from coach.core.levels import LEVELS
from coach.core.profile import Profile
from coach.core.report import Report, report
from coach.core.session import Session
from coach.core.summary import summarise
from coach.core.verdicts import Limits
from coach.files.drift_report import model_text
from coach.files.report import review_json, review_text, summary_text
from coach.files.settings import load_settings, takes_folder
from coach.files.take import Take, read_take

FEW_NOTES = 8  # fewer tell nothing
AS_TEXT = "leave out --window and --screenshot"
FITTING_SHARE = 0.4  # a take with fewer right notes than this was played from something else


@dataclass(frozen=True, slots=True)
class Shown:
    """How a take is shown."""

    how: str = "text"  # or "json", "window"
    everything: bool = False  # in the table: the clean bass ends too
    leaf: str = "page"  # of the window, or of the picture
    number: int | None = None  # the pass chosen
    beside: Path | None = None  # another take of the same score, to compare with
    model: Path | None = None  # another take of the same score, to set the time against
    screenshot: Path | None = None
    hindsight: bool = False  # judged with the whole take known
    look: Look = USUAL_LOOK


def run_review(
    path: Path,
    shown: Shown,
    *,
    score: Path | None = None,
    tuning: str | None = None,
    capo: int | None = None,
    tolerance_ms: float | None = None,
    level: str | None = None,
    profile: Profile | None = None,
    all_strings: bool = False,
) -> int:
    """Judge a take and show it."""
    if shown.hindsight and (shown.how == "window" or shown.screenshot is not None):
        raise CoachError("--hindsight", "the window shows a take as it was judged while played", AS_TEXT)
    take = read_take(path)
    piece = _piece_of(take, path, score, tuning, capo)
    of_score = (f"{piece.path.name}: {notice}" for notice in piece.notices)
    for notice in (*take.notices, *of_score):
        print(f"coach: {notice}", file=sys.stderr)
    judging = _Judging(_terms(take, piece, level), tolerance_ms, level, profile, all_strings)
    other = None if shown.beside is None else judging.beside(shown.beside, piece)
    model = None if shown.model is None else judging.beside(shown.model, piece)
    if shown.how == "window":
        return _window(take, piece, judging, shown, other, model)
    session, result = judging.judged(take, path, piece, follow=keeping if shown.hindsight else None)
    back = None
    if shown.hindsight:
        live = session
        session, result = judging.judged(take, path, piece, follow=recalling(live.follower))
        back = differences(live, session)
    if shown.how == "json":
        for notice in result.notices:
            print(f"coach: {notice}", file=sys.stderr)
        print(review_json(result, against_model(model, session, result, shown.number), back))
        return 0
    print(f"{piece.title}\n")
    print(review_text(result, everything=shown.everything))
    print()
    print(summary_text(summarise(result, piece.title)))
    if back is not None:
        print(f"\n{hindsight_text(session.score, back)}")
    if model is not None:
        print()
        print(model_text(against_model(model, session, result, shown.number), result.bar_numbers))
    if other is not None:
        print(f"\n{compared_text(other, session, result)}")
    if shown.screenshot is not None:
        _window(take, piece, judging, shown, other, model)
    return 0


def _window(
    take: Take, piece: Piece, judging: _Judging, shown: Shown, other: Judged | None, model: Judged | None
) -> int:
    """Open the window, or write the picture alone."""
    # Imported here: the table needs no window.
    from coach.app.replay import look_back, run_replay, write_leaf
    from coach.screen.review_window import DESK

    found = look_back(
        take,
        piece,
        profile=judging.profile,
        limits=judging.limits(take),
        terms=judging.terms,
        other=other or model,
        model=other is None and model is not None,
        leaf=shown.leaf,
        number=shown.number,
    )
    look = shown.look
    reading = look.reading(load_settings(), DESK)
    if shown.how == "window":
        return run_replay(
            found, night=look.night, size=look.size, reading=reading, screenshot=shown.screenshot
        )
    assert shown.screenshot is not None
    found.stand_still()
    write_leaf(found, shown.screenshot, night=look.night, size=look.size, reading=reading)
    return 0


@dataclass(frozen=True, slots=True)
class _Judging:
    """What takes are judged by."""

    terms: Terms
    tolerance_ms: float | None
    level: str | None
    profile: Profile | None
    all_strings: bool = False  # the melody's strings are judged too, whatever the take was played under

    def limits(self, take: Take) -> Limits:
        tolerance_ms = self.tolerance_ms
        if tolerance_ms is None and (self.level or not take.meta.tolerances):
            tolerance_ms = self.terms.level.tolerance_ms
        limits = limits_of(take.meta.tolerances, tolerance_ms)
        return replace(limits, all_strings=limits.all_strings or self.all_strings)

    def judged(
        self, take: Take, path: Path, piece: Piece, follow: Follow | None = None
    ) -> tuple[Session, Report]:
        """Raises TakeError when hardly anything that was played fits the score."""
        session, ignored = replay(
            take, piece, profile=self.profile, limits=self.limits(take), terms=self.terms, follow=follow
        )
        _refuse_other_score(session, path, piece)
        return session, report(session, ignored)

    def beside(self, path: Path, piece: Piece) -> Judged:
        """Return another take, judged alike.  Raises CoachError where it cannot be used."""
        take = read_take(path)
        if take.meta.digest and take.meta.digest != piece.score.digest:
            what = f"it was played from another score ({take.meta.title or 'no title'})"
            raise TakeError(path.name, what, "compare takes of one piece")
        session, result = self.judged(take, path, piece)
        return Judged(session, result, words.take_name(take.meta.started, path.stem))


def judged_beside(path: Path, piece: Piece, *, level: str | None, profile: Profile | None) -> Judged:
    """Return a take of a piece, judged by its own terms.  Raises CoachError where it cannot be used."""
    terms = _terms(read_take(path), piece, level)
    return _Judging(terms, None, level, profile).beside(path, piece)


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
