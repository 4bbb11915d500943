"""A finished session as rows of the history."""

from __future__ import annotations

from datetime import datetime, timedelta
from statistics import median

from coach.core import tempo_words
from coach.core.clean import speed_of
from coach.core.ladder import Part
from coach.core.passes import Pass
from coach.core.report import PassRow as PassReport
from coach.core.report import Report
from coach.core.session import Session
from coach.core.timing import pass_onsets
from coach.core.verdicts import Stroke
from coach.files.history_rows import TOGETHER, PassRow, StopRow
from coach.files.take import TakeMeta

SCALE = Part.SCALE.value
KEPT = 0.05  # a tempo is kept when it is within this share of what was asked for.  Our own figure


def rows_of(
    session: Session,
    result: Report,
    meta: TakeMeta,
    take: str,
    *,
    title: str = "",
    part: str = "",
    offset: int = 0,
) -> list[tuple[PassRow, tuple[StopRow, ...]]]:
    """Return the rows of every pass of a session in which a note was right.

    ``part``: what was practised, where ``meta`` does not say it.  ``offset`` is added to the passes' numbers:
    how many passes of the same take other sessions have had.
    Raises ValueError where ``meta`` does not say when the take was begun.
    """
    score, started = session.score, datetime.fromisoformat(meta.started)
    part = part or meta.part or TOGETHER
    aimed = meta.chunk or session.chunk
    found = []
    for during, one in zip(session.matching.passes, result.passes, strict=True):
        right, asked = _notes(result, one.number)
        if not right or not (during.anchors or during.soft_anchors):
            continue
        first, last = _bars(session, during, one) if aimed is None else aimed
        last = min(last, len(score.bars) - 1)
        begun = (during.anchors or during.soft_anchors)[0]
        speed = _speed(session, during, meta)
        drifts = [
            abs(row.timing.drift_ms)
            for row in result.bars
            if row.pass_number == one.number and row.timing.drift_ms is not None
        ]
        row = PassRow(
            when=(started + timedelta(microseconds=begun.us)).isoformat(timespec="seconds"),
            title=title or meta.title or score.title,
            digest=meta.digest or score.digest,
            take=take,
            number=one.number + offset,
            part=one.part if one.part and part == TOGETHER else part,
            first_bar=score.bars[first].number,
            last_bar=score.bars[last].number,
            first=0 if part == SCALE else first,
            last=-1 if part == SCALE else last,
            speed=speed,
            # A chunk that was broken off is not clean, however well it went until then.
            clean=one.clean and (one.complete or aimed is None),
            complete=one.complete,
            faults=one.count,
            drift_ms=median(drifts) if drifts else None,
            right=right,
            notes=asked,
            tolerance_ms=session.limits.tolerance_ms,
            drift_limit_ms=one.drift_limit_ms,
            bpm=None if speed is None else speed * score.qpm(begun.tick) / tempo_words.beat_quarters(score),
        )
        found.append((row, _stops(session, result, one.number)))
    return found


def _bars(session: Session, during: Pass, one: PassReport) -> tuple[int, int]:
    """Return the performed bars that a pass of no chunk was about: the whole piece, or those it touched."""
    if one.complete:
        return 0, len(session.score.bars) - 1
    groups = session.groups
    return groups.bar_of(during.start), groups.bar_of(max(during.front, during.start))


def _notes(result: Report, number: int) -> tuple[int, int]:
    """Return how many notes of a pass were right, and how many were asked for."""
    kinds = [row.verdict.kind for row in result.notes if row.verdict.pass_number == number]
    right = kinds.count(Stroke.RIGHT)
    return right, right + kinds.count(Stroke.WRONG) + kinds.count(Stroke.MISSING)


def _stops(session: Session, result: Report, number: int) -> tuple[StopRow, ...]:
    written = session.score.notes["written"]
    return tuple(
        StopRow(
            note=int(written[row.stop.note]),
            bar=row.bar,
            beat=row.beat,
            string=row.stop.string,
            kind=row.verdict.kind.value,
            overhang_ms=row.verdict.overhang_ms,
            way=row.way.value if row.way else "",
        )
        for row in result.damps
        if row.stop.wanted and row.verdict.pass_number == number
    )


def _speed(session: Session, during: Pass, meta: TakeMeta) -> float | None:
    """Return the tempo of a pass, times the written one; None where it has too few onsets to tell.

    Where a tempo was asked for and kept, it is that one.
    """
    own = speed_of(session, pass_onsets(session.score, during))
    if own is not None and meta.speed is not None and abs(own / meta.speed - 1) <= KEPT:
        return meta.speed
    return own
