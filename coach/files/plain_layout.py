"""Where notes stand when a score is drawn plainly: two voices cut into what single notes and rests can be.

Each beat (a quarter counted from the barline) is drawn on the coarsest of ``_GRIDS`` that holds its
onsets and ends, or the one they are nearest to.  Lengths that no single note has are tied.  A place is
(bar, units from the bar's start).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from coach.core.excerpts import pulse_of
from coach.core.score import TICKS_PER_QUARTER, Bar, Score

Place = tuple[int, int]

UNIT = TICKS_PER_QUARTER // 24  # a drawn tick: 24 to a quarter, so that 32nds are 3 and triplet 16ths 4
MOST_UPPER = 3  # voices above the bass: four on one staff are as many as an engraver takes
_GRIDS = (12, 6, 8, 3, 4)  # steps tried for each beat, in units: 8ths, 16ths, triplets, 32nds, triplet 16ths
_EXACT = (*_GRIDS, 2, 1)  # the same where every length has to be kept, with or without a note value for it
_TYPES = {96: "whole", 48: "half", 24: "quarter", 12: "eighth", 6: "16th", 3: "32nd"}
# What one note can be, in units: plain, with a dot, and the double whole note.
VALUES: dict[int, tuple[str, int]] = {
    **{units: (name, 0) for units, name in _TYPES.items()},
    **{units * 3 // 2: (name, 1) for units, name in _TYPES.items() if units > 3},
    192: ("breve", 0),
}
TRIPLETS = {16: ("quarter", 0), 8: ("eighth", 0), 4: ("16th", 0), 12: ("eighth", 1)}


@dataclass(slots=True)
class Piece:
    """A stretch of a voice in one bar that is one note, chord or rest."""

    start: int  # units from the bar's start
    length: int  # units
    rows: tuple[int, ...]  # of Score.notes; none for a rest
    triplet: bool
    tied_from: bool = False
    tied_to: bool = False
    tuplet: str = ""  # start, stop
    beams: tuple[str, ...] = ()  # outermost first: begin, continue, end, forward hook, backward hook


def to_units(ticks: int) -> int:
    """Return a length in units, at least one."""
    return max(round(ticks / UNIT), 1)


def lay_lines(score: Score, apart: bool = False) -> list[list[list[Piece]]]:
    """Return for each drawn voice, for each bar, what stands in it: the melody, the bass, inner voices.

    ``apart`` keeps up to ``MOST_UPPER`` written voices of the melody apart, and draws what overlaps within
    a voice as further voices, so that every length is kept; else they are drawn as one.
    """
    bass = score.notes["bass"]
    masks = [~bass, bass] if bass.any() and not bass.all() else [np.ones(len(bass), bool)]
    voices = np.unique(score.notes["voice"][~bass])
    if apart and 1 < len(voices) <= MOST_UPPER:
        upper = [~bass & (score.notes["voice"] == voice) for voice in voices]
        upper.sort(key=lambda mask: -float(np.median(score.notes["pitch"][mask])))
        masks = [upper[0], *([bass] if bass.any() else []), *upper[1:]]
    rows = [np.flatnonzero(mask & (score.notes["duration"] > 0)) for mask in masks]
    if apart:
        parted = [_parted(score, found) for found in rows]
        rows = [lines[0] for lines in parted] + [line for lines in parted for line in lines[1:]]
    return [_line(score, found, apart) for found in rows]


def _parted(score: Score, rows: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Return rows as lines in which one note or chord follows another."""
    lines: list[list[int]] = [[]]
    last = [(-1, 0)]  # onset and end of each line's last chord
    onsets = score.notes["onset"].tolist()
    ends = (score.notes["onset"] + score.notes["duration"]).tolist()
    for row in sorted(rows.tolist(), key=lambda row: (onsets[row], row)):
        own = onsets[row], ends[row]
        line = next((n for n, found in enumerate(last) if found == own or found[1] <= own[0]), len(lines))
        if line == len(lines):
            lines.append([])
            last.append(own)
        lines[line].append(row)
        last[line] = own
    return [np.array(line, np.int64) for line in lines]


def lay_graces(score: Score, lines: list[list[list[Piece]]]) -> dict[tuple[int, int], list[int]]:
    """Return the rows of grace notes by (drawn voice, counted from 1; first row of what they lead to).

    One that leads to no note of its own voice is left out.
    """
    notes = score.notes
    heads: dict[tuple[int, int], tuple[int, int]] = {}
    for voice, line in enumerate(lines, 1):
        for piece in (piece for pieces in line for piece in pieces if piece.rows and not piece.tied_from):
            for row in piece.rows:
                place = int(notes["onset"][row]), int(notes["voice"][row])
                heads.setdefault(place, (voice, piece.rows[0]))
    out: dict[tuple[int, int], list[int]] = defaultdict(list)
    for row in np.flatnonzero(notes["grace"]).tolist():
        if head := heads.get((int(notes["onset"][row]), int(notes["voice"][row]))):
            out[head].append(row)
    return out


class _Grid:
    """For each beat (a quarter of a bar) the step on which a voice's places are drawn."""

    def __init__(self, score: Score, rows: NDArray[np.int64], exact: bool) -> None:
        self.score = score
        self.grids = _EXACT if exact else _GRIDS
        places: dict[tuple[int, int], set[int]] = defaultdict(set)
        onsets = score.notes["onset"][rows]
        ends = onsets + score.notes["duration"][rows]
        for tick in {*onsets.tolist(), *ends.tolist()}:
            bar, beat, within = self._beat(tick)
            places[bar, beat].add(within)
        self.steps = {beat: self._step(within) for beat, within in places.items()}

    def _beat(self, tick: int) -> tuple[int, int, int]:
        bar = self.score.bar_index(tick)
        beat, within = divmod(tick - self.score.bars[bar].onset, TICKS_PER_QUARTER)
        return bar, beat, within

    def _step(self, places: set[int]) -> int:
        """Return the coarsest step that all places are on, or else the one they are nearest to."""

        def away(step: int) -> int:
            ticks = step * UNIT
            return sum(abs(place - round(place / ticks) * ticks) for place in places)

        return min(self.grids, key=lambda step: (away(step), self.grids.index(step)))

    def place(self, tick: int) -> Place:
        """Return the bar that a tick is drawn in, and the units from its start."""
        bar, beat, within = self._beat(tick)
        step = self.steps.get((bar, beat), 6)
        length = to_units(self.score.bars[bar].length)
        units = min(beat * 24 + round(within / (step * UNIT)) * step, length)
        if units == length and bar + 1 < len(self.score.bars):
            return bar + 1, 0
        return bar, units

    def triplet(self, bar: int, beat: int) -> bool:
        """Tell whether a beat is drawn in triplets."""
        return self.steps.get((bar, beat), 6) in (8, 4, 2)


def _line(score: Score, rows: NDArray[np.int64], exact: bool) -> list[list[Piece]]:
    """Return a voice's pieces by bar: chords, and rests between them."""
    grid = _Grid(score, rows, exact)
    chords: dict[Place, list[int]] = defaultdict(list)
    for row in rows.tolist():
        chords[grid.place(int(score.notes["onset"][row]))].append(row)
    starts = sorted(chords)
    out: list[list[Piece]] = [[] for _ in score.bars]
    at = (0, 0)
    for start, following in zip(starts, [*starts[1:], (len(score.bars), 0)], strict=True):
        _fill(score, grid, out, at, start, ())
        notes = score.notes[chords[start]]
        end = grid.place(int((notes["onset"] + notes["duration"]).max()))
        end = min(end if end > start else (start[0], start[1] + 3), following)
        _fill(score, grid, out, start, end, tuple(chords[start]))
        at = end
    _fill(score, grid, out, at, (len(score.bars), 0), ())
    for bar, pieces in zip(score.bars, out, strict=True):
        _beams(bar, pieces)
        _tuplets(pieces)
    return out


def _fill(
    score: Score, grid: _Grid, out: list[list[Piece]], start: Place, end: Place, rows: tuple[int, ...]
) -> None:
    """Append the pieces that a note, chord or rest from one place to another is drawn in, tied if several."""
    made: list[Piece] = []
    for bar in range(start[0], min(end[0] + 1, len(score.bars))):
        full = to_units(score.bars[bar].length)
        stop = end[1] if bar == end[0] else full
        at = start[1] if bar == start[0] else 0
        if not rows and (at, stop) == (0, full):  # one rest for the whole bar, whatever its length
            out[bar].append(Piece(0, full, (), False))
            continue
        while at < stop:
            end_here = stop if rows else min(stop, _rest_end(score.bars[bar], at, stop))
            length, triplet = _longest(grid, bar, at, end_here)
            made.append(Piece(at, length, rows, triplet))
            out[bar].append(made[-1])
            at += length
    if rows:
        for piece, following in pairwise(made):
            piece.tied_to = following.tied_from = True


def _rest_end(bar: Bar, at: int, stop: int) -> int:
    """Return where a rest from a place has to end so that the beats can be seen (common practice, no source).

    A rest fills what is left of its beat, or a beat, or the half of a bar of four.
    """
    pulse = pulse_of(bar) // UNIT
    place = at + bar.lead // UNIT
    if place % pulse:
        return at + pulse - place % pulse
    four = bar.full_length // UNIT == 4 * pulse
    return at + (2 * pulse if four and place % (2 * pulse) == 0 and stop - at >= 2 * pulse else pulse)


def _longest(grid: _Grid, bar: int, at: int, stop: int) -> tuple[int, bool]:
    """Return the longest length from a place that one note can be drawn with, and whether it is a triplet."""
    beat, within = divmod(at, 24)
    if grid.triplet(bar, beat) and (within or stop < (beat + 1) * 24):
        room = min(stop, (beat + 1) * 24) - at
        return max((v for v in TRIPLETS if v <= room), default=room), True
    if stop > (beat + 1) * 24 and grid.triplet(bar, stop // 24):
        stop = stop // 24 * 24  # up to the beat in triplets
    room = stop - at
    if room in VALUES:
        return room, False
    if within and at + room > (beat + 1) * 24:
        room = (beat + 1) * 24 - at
    return max((v for v in VALUES if v <= room), default=room), False


def _beams(bar: Bar, pieces: list[Piece]) -> None:
    """Join what is shorter than a quarter within each beat."""
    beat = bar.beat_ticks // UNIT
    beat = beat * 3 if bar.beat_unit >= 8 and bar.beats % 3 == 0 else max(beat, 24)
    lead = bar.lead // UNIT
    runs: list[list[Piece]] = [[]]
    for piece in pieces:
        short = piece.rows and piece.length < 24 and piece.length != 16  # 16 is a triplet quarter
        if not short or (runs[-1] and (piece.start + lead) // beat != (runs[-1][0].start + lead) // beat):
            runs.append([])
        if short:
            runs[-1].append(piece)
    for run in runs:
        if len(run) > 1:
            flags = [_flags(piece) for piece in run]
            for index, piece in enumerate(run):
                piece.beams = tuple(_beam(flags, index, level) for level in range(1, flags[index] + 1))


def _flags(piece: Piece) -> int:
    name, _ = (TRIPLETS if piece.triplet else VALUES).get(piece.length, ("eighth", 0))
    return {"16th": 2, "32nd": 3}.get(name, 1)


def _beam(flags: list[int], index: int, level: int) -> str:
    """Return what the beam of a level does at a place in a run with these numbers of flags."""
    before = index > 0 and flags[index - 1] >= level
    after = index + 1 < len(flags) and flags[index + 1] >= level
    if before or after:
        return "continue" if before and after else "end" if before else "begin"
    return "backward hook" if index else "forward hook"


def _tuplets(pieces: list[Piece]) -> None:
    """Mark where each beat of triplets starts and stops."""
    beats: dict[int, list[Piece]] = defaultdict(list)
    for piece in pieces:
        if piece.triplet:
            beats[piece.start // 24].append(piece)
    for found in beats.values():
        if len(found) > 1:
            found[0].tuplet, found[-1].tuplet = "start", "stop"
