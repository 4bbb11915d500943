"""A step of the ladder as a score of its own: the notes of one part, from its upbeat to the note it lands on.

Bars, ticks and written notes are the piece's, so that the page stays the piece's page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coach.core.derived import melody_mask
from coach.core.ladder import Part, Rung
from coach.core.score import Score, make_score
from coach.core.stops import Reason, Stop


@dataclass(frozen=True)
class PartScore:
    """What is played of a piece.  ``rows`` are the notes' rows in the piece."""

    score: Score
    rows: NDArray[np.int64]
    bars: tuple[int, int]  # first and last performed bar to be shown

    def stops(self, stops: Sequence[Stop]) -> tuple[Stop, ...]:
        """Return the piece's stops that are part of it.

        The bass it lands on is played, and has nothing to stop it; nor has one that is held beyond that.
        """
        place = {int(row): at for at, row in enumerate(self.rows)}
        end = int(self.score.notes["onset"].max(initial=0))
        found: list[Stop] = []
        for stop in stops:
            at = place.get(stop.note)
            if at is None:
                continue
            begun = int(self.score.notes["onset"][at])
            last = stop.reason is Reason.END
            if stop.due > end and not last and begun < end:
                continue
            if begun >= end and not last:
                continue
            next_note = place.get(stop.next_note, -1) if stop.next_note >= 0 else -1
            found.append(replace(stop, note=at, next_note=next_note))
        return tuple(found)


def part_score(score: Score, rung: Rung) -> PartScore:
    """Return a step's notes as a score.  Raises ValueError for the scale, which is no part of the piece."""
    if rung.part is Part.SCALE:
        raise ValueError("the scale is no part of the piece")
    notes, bars = score.notes, score.bars
    begin = bars[rung.first].onset - rung.upbeat
    end = max(rung.lands, bars[rung.last].onset)
    inside = (notes["onset"] >= begin) & (notes["onset"] < bars[rung.last].end)
    inside |= (notes["onset"] == end) & ~notes["grace"]  # what it lands on
    inside |= notes["grace"] & (notes["onset"] == end) & (end < bars[rung.last].end)
    if rung.part is Part.MELODY:
        inside &= melody_mask(score)
    elif rung.part is Part.BASS:
        inside &= notes["bass"]
    rows = np.flatnonzero(inside)
    made = make_score(notes[rows].copy(), bars)
    first = score.bar_index(begin)
    last = score.bar_index(int(notes["onset"][rows].max())) if len(rows) else rung.last
    damps = tuple(mark for mark in score.damps if begin <= mark.onset <= end)
    kept = replace(score, notes=made.notes, damps=damps)
    return PartScore(kept, rows, (first, max(last, rung.last)))
