"""What one sitting is about: a piece, or one step of its ladder, with the stops that are asked for."""

from __future__ import annotations

from dataclasses import dataclass, replace

from coach.app.piece import Piece
from coach.app.terms import Terms
from coach.core.ladder import Part, Rung
from coach.core.part_score import part_score
from coach.core.stops import Stop
from coach.files.take import TakeMeta


@dataclass(frozen=True, slots=True)
class Step:
    """Everything a session is begun with; the piece's score holds only what is to be played."""

    piece: Piece
    stops: tuple[Stop, ...]
    chunk: tuple[int, int] | None = None  # performed bars that the page shows; None for all of them
    rung: Rung | None = None  # of the ladder; None for a piece as it stands


def whole(piece: Piece, terms: Terms, chunk: tuple[int, int] | None = None) -> Step:
    """Return a piece as it stands, or some bars of it."""
    return Step(piece, terms.stops(piece, chunk), chunk)


def of_rung(piece: Piece, terms: Terms, rung: Rung, stops: tuple[Stop, ...] | None = None) -> Step:
    """Return a step of the ladder, but for the scale: with the note it lands on, and the stop due there.

    The stops are the piece's own, so that harmony and ways are those of the whole; ``stops``: where they
    have been planned already.
    """
    made = part_score(piece.score, rung)
    planned = terms.stops(piece) if stops is None else stops
    return Step(replace(piece, score=made.score), made.stops(planned), made.bars, rung)


def of_take(piece: Piece, terms: Terms, meta: TakeMeta) -> Step:
    """Return what a take was about."""
    parts = {part.value: part for part in Part if part is not Part.SCALE}
    if meta.part in parts and meta.chunk is not None and meta.chunk[1] < len(piece.score.bars):
        first, last = meta.chunk
        return of_rung(
            piece,
            terms,
            Rung(parts[meta.part], first, last, last - first + 1, lands=meta.lands, upbeat=meta.upbeat),
        )
    return whole(piece, terms, meta.chunk)
