"""A score made ready to be played: tuned, with strings and fingers; and found again by its digest."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from coach.core.errors import ScoreError
from coach.core.impossible import sentence
from coach.core.left_hand import finger_left
from coach.core.pitch import Tuning
from coach.core.right_hand import finger_right
from coach.core.score import Score, make_score
from coach.core.strings import assign_strings
from coach.files.score_file import SUFFIXES, read_score
from coach.files.settings import material_folders, parse_tuning

MOST_IMPOSSIBLE = 3  # notes without a string that are named one by one
MOST_SEARCHED = 2_000  # files looked through for a digest in one folder


@dataclass(frozen=True, slots=True)
class Piece:
    """A score ready to be played, with what the engraver needs."""

    path: Path
    score: Score
    xml: str
    notices: tuple[str, ...]

    @property
    def title(self) -> str:
        """The title to show: the score's, or the file's name."""
        return self.score.title or self.path.stem


def open_piece(path: Path, *, tuning: str | None = None, capo: int | None = None) -> Piece:
    """Return the piece in a file.

    ``tuning`` and ``capo`` overrule the file's.  Raises ScoreError for an unusable file or one without
    notes, CoachError for an unusable tuning.
    """
    found = read_score(path)
    score = found.score
    if not len(score.notes):
        raise ScoreError(path.name, "there is no note in it", "choose a score with notes")
    tuned = parse_tuning(tuning, capo, score.tuning)
    score, impossible = assign_strings(_retuned(score, tuned))
    score = finger_right(finger_left(score))
    notices = list(found.notices)
    unplaced = list(dict.fromkeys(sentence(score, one) for one in impossible))  # a repeat says it once
    notices += [
        f"{line}; the note is followed, its string is not known" for line in unplaced[:MOST_IMPOSSIBLE]
    ]
    if len(unplaced) > MOST_IMPOSSIBLE:
        notices.append(f"and {len(unplaced) - MOST_IMPOSSIBLE} more notes without a string")
    if not score.notes["bass"].any():
        notices.append("the score has no bass voice: notes and timing are followed, no stop is asked for")
    return Piece(path, score, found.xml, tuple(notices))


def _retuned(score: Score, tuning: Tuning) -> Score:
    """Return the score for a tuning; places that do not give their pitch on it are forgotten."""
    notes = score.notes.copy()
    opens = np.array([0, *(tuning.open_pitch(s) for s in range(1, tuning.strings + 1))])
    string = notes["string"].astype(int)
    known = (string > 0) & (string <= tuning.strings)
    fret = np.where(known, notes["pitch"] - opens[np.where(known, string, 0)], -1)
    known &= (fret >= 0) & ((notes["fret"] < 0) | (notes["fret"] == fret))
    notes["string"], notes["fret"] = np.where(known, string, 0), np.where(known, fret, -1)
    made = make_score(notes, score.bars)
    return replace(score, notes=made.notes, tuning=tuning)


def find_score(digest: str, near: Iterable[Path]) -> Path | None:
    """Return the score file with a SHA-256 digest, in the folders given or among the included scores."""
    if not digest:
        return None
    seen: set[Path] = set()
    for folder in (*near, *material_folders("scores")):
        if folder in seen or not folder.is_dir():
            continue
        seen.add(folder)
        files = (p for p in sorted(folder.iterdir())[:MOST_SEARCHED] if p.suffix.lower() in SUFFIXES)
        for path in files:
            if path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == digest:
                return path
    return None
