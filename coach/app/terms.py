"""What is asked for in a sitting: the level, and what taste lets ring."""

from __future__ import annotations

from dataclasses import dataclass

from coach.app.piece import Piece
from coach.core.damping import Stop, plan_stops
from coach.core.harmony import analyse
from coach.core.levels import INTERMEDIATE, LEVELS, Level
from coach.core.preparation import Preparation, prepare
from coach.files.take import TakeMeta
from coach.files.taste import Taste, free_written, read_taste


@dataclass(frozen=True, slots=True)
class Terms:
    """The level, and the written notes (indices into ``Score.ids``) that taste lets ring."""

    level: Level = INTERMEDIATE
    free: frozenset[int] = frozenset()

    def stops(self, piece: Piece, chunk: tuple[int, int] | None = None) -> tuple[Stop, ...]:
        """Return the damping plan of a piece, or of a chunk of its performed bars."""
        return plan_stops(
            piece.score,
            last_bar=chunk[1] if chunk else None,
            free=self.free,
            harmony=analyse(piece.score),
            level=self.level,
        )

    def prepare(self, piece: Piece, tempo: float = 1.0) -> Preparation:
        """Return everything prepared; ``tempo`` is times the written one."""
        return prepare(piece.score, free=self.free, tempo=tempo, level=self.level)


def terms_beside(
    piece: Piece, level: str | None = None, taste: Taste | None = None
) -> tuple[Terms, tuple[str, ...]]:
    """Return the terms kept beside a score, with notices; a ``level`` given overrules the kept one.

    ``taste``: where it has been read already.  Raises CoachError where the taste file is broken.
    """
    taste = taste or read_taste(piece.path)
    free, notices = free_written(taste, piece.score)
    return Terms(LEVELS[level or taste.level or INTERMEDIATE.token], free), notices


def terms_of(meta: TakeMeta) -> Terms:
    """Return the terms that a take was played under."""
    return Terms(LEVELS.get(meta.level, INTERMEDIATE), frozenset(meta.free))
