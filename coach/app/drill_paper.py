"""The page of a drill's step: what it asks for stands in ink, the rest of its bars in pencil."""

from __future__ import annotations

import re
from dataclasses import replace

from coach.app.piece import Piece

PALE = "#8C8C8C"  # of black ink on white: read as music all the same, but not taken for what is to be played
NOTE = re.compile(r'<note id="([^"]*)"')  # as our own reader writes every note that has a name


def with_pale_notes(piece: Piece) -> Piece:
    """Return a step's piece, its MusicXML marked so that notes the step does not ask for are pale.

    They are those of the other voice, of the bar before an upbeat, and after the note it lands on.
    """
    ids = piece.score.ids
    asked = {ids[row] for row in piece.score.notes["written"].tolist() if row < len(ids)}
    known = set(ids)

    def coloured(found: re.Match[str]) -> str:
        name = found.group(1)
        return found.group() if name in asked or name not in known else f'{found.group()} color="{PALE}"'

    return replace(piece, xml=NOTE.sub(coloured, piece.xml)) if asked else piece
