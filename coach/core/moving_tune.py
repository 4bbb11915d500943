"""The piece's tune around a stop, over the two basses alone, moving on to the end of the bar.

Where the piece's own tune only holds after the stop, a simple line is made for it, by step from what is held
to the next note of the chord and in counted notes or their halves (common practice, no source), so that the
hand has something else to do while a string stops.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from coach.core.cells import FIRST_POSITION, Cells, together
from coach.core.damping import Stop
from coach.core.excerpts import Excerpt, cut, pulse_of, twice, with_rest
from coach.core.score import NOTE, Array, Score

FARTHEST = 4  # steps of a made line
WHOLE_STEP = 2  # semitones
INDEX, MIDDLE = 2, 3  # NOTE.pluck: i, m


def tune_around(score: Score, stop: Stop, cells: Cells, spaced: bool = False) -> Excerpt | None:
    """Return the piece from the bass's onset to the end of the bar of its stop.

    Of the basses it keeps the one practised, what sounds with it and the next, which comes to rest.  A
    single bar is written twice over; ``spaced``: once, with no other basses at all, and a bar of rest after
    it.  None where there is no tune, or it cannot move on: at the end of a piece.
    """
    bar = cells.source
    pulse = pulse_of(score.bars[bar])
    onset = int(score.notes["onset"][stop.note])
    start = max(onset, score.bars[max(bar - 1, 0)].onset)
    last = bar if _over_at_due(score, stop) else score.bar_index(stop.due)
    first = score.bar_index(start)
    found = cut(score, first, last, start, score.bars[last].end, (stop.due,), least=pulse // 2)
    main = ~found.notes["grace"]
    if bool(found.notes["bass"][main].all()):
        return None
    if spaced:
        found = _two_basses(found, stop)
    found = _rested(found, stop, pulse)
    found = _moved(found, cells, stop, pulse)
    if not _moves(found):
        return None
    if spaced:
        return with_rest(found)
    return twice(found) if len(found.bars) == 1 else found


def _two_basses(excerpt: Excerpt, stop: Stop) -> Excerpt:
    """Return the excerpt without any bass but the one practised and the next."""
    kept = ~excerpt.notes["bass"] | np.isin(excerpt.rows, (stop.note, stop.next_note))
    rows = tuple(row for row, keep in zip(excerpt.rows, kept.tolist(), strict=True) if keep)
    return replace(excerpt, notes=excerpt.notes[kept], rows=rows)


def _moves(excerpt: Excerpt) -> bool:
    """Tell whether the tune moves on after the stop."""
    notes = excerpt.notes
    return bool((~notes["bass"] & ~notes["grace"] & (notes["onset"] > excerpt.marks[0])).any())


def _over_at_due(score: Score, stop: Stop) -> bool:
    """Tell whether nothing of what follows belongs to the stop: at the end, or where another bass begins."""
    notes = score.notes
    bass = notes["bass"] & ~notes["grace"] & (notes["onset"] == stop.due)
    return stop.due >= score.end or (stop.next_note < 0 and bool(bass.any()))


def shorter(length: int, pulse: int) -> int:
    """Return a length with a rest after it: a pulse less, or half of what is no longer than that."""
    return length - pulse if length > pulse else length // 2


def _rested(excerpt: Excerpt, stop: Stop, pulse: int) -> Excerpt:
    """Return the excerpt without the basses after the next one, and its last bass ending before the bar."""
    mark = excerpt.marks[0]
    bass, onset = excerpt.notes["bass"], excerpt.notes["onset"]
    later = bass & ((onset > mark) | ((onset == mark) & (stop.next_note < 0)))
    ends = [*onset[later].tolist(), excerpt.end]
    rows = tuple(row for row, gone in zip(excerpt.rows, later.tolist(), strict=True) if not gone)
    notes = excerpt.notes[~later].copy()
    for index in np.flatnonzero(notes["bass"]).tolist():
        note = notes[index]
        begun, until = int(note["onset"]), min(ends)
        if begun + int(note["duration"]) >= until:
            notes["duration"][index] = shorter(until - begun, pulse)
            if rows[index] == stop.note and mark >= until:
                mark = begun + int(notes["duration"][index])
    if notes["bass"].any():
        last = notes["onset"][notes["bass"]].max()
        notes["let_ring"][notes["bass"] & (notes["onset"] == last)] = False
    return replace(excerpt, notes=notes, rows=rows, marks=(mark,))


def _moved(excerpt: Excerpt, cells: Cells, stop: Stop, pulse: int) -> Excerpt:
    """Return the excerpt with a line made up after the stop, if its tune only holds there."""
    mark, end, notes = excerpt.marks[0], excerpt.end, excerpt.notes
    if _moves(excerpt):
        return excerpt
    upper = ~notes["bass"] & ~notes["grace"]
    over = notes["onset"] + notes["duration"]
    sounding = np.flatnonzero(upper & (notes["onset"] <= mark) & (over > mark))
    begun = np.flatnonzero(upper & (notes["onset"] <= mark))
    if not len(begun):
        return excerpt
    top = notes[max(sounding if len(sounding) else begun, key=lambda row: (over[row], notes["pitch"][row]))]
    struck = bool(len(sounding)) and int(top["onset"]) == mark
    line = _line(cells, stop, top, struck, end - mark, pulse)
    if not line:
        return excerpt
    gone = (notes["onset"] == mark) & ~notes["bass"]
    before = notes[~gone].copy()
    held = ~before["bass"] & (before["onset"] + before["duration"] > mark)
    before["duration"][held] = mark - before["onset"][held]
    made = np.array([note for note, _ in line], NOTE)
    lengths = [length for _, length in line]
    if len(sounding) and not struck and int(made["pitch"][0]) == int(top["pitch"]):
        before["duration"][held & (before["pitch"] == top["pitch"])] += lengths[0]  # it sounds on a little
        mark, made, lengths = mark + lengths[0], made[1:], lengths[1:]
    made["onset"], made["duration"] = mark + np.cumsum([0, *lengths[:-1]]), lengths
    rows = [row for row, out in zip(excerpt.rows, gone.tolist(), strict=True) if not out]
    return replace(
        excerpt, notes=np.concatenate((before, made)).astype(NOTE), rows=(*rows, *[-1] * len(made))
    )


def _line(
    cells: Cells, stop: Stop, top: Array, struck: bool, room: int, pulse: int
) -> list[tuple[Array, int]]:
    """Return notes that fill ``room`` ticks, from a note on or after it, with their lengths; or none."""
    chord = cells.classes(min(stop.due, cells.score.end - 1))
    scale = cells.scale(chord)
    at = int(top["pitch"])
    near = int(top["fret"]) if int(top["fret"]) > FIRST_POSITION else 0
    ladder = {
        pitch: place
        for pitch in range(at - 12, at + 13)
        if pitch % 12 in scale | chord and (place := _place(cells, pitch, near)) is not None
    }
    if struck:
        ladder[at] = top
    compound = pulse > cells.score.bars[cells.source].beat_ticks
    part = pulse // 3 if compound else pulse // 2
    found: list[tuple[tuple[int, ...], list[int], int]] = []
    for down in (True, False):
        steps = sorted((p for p in ladder if (p < at if down else p > at)), reverse=down)[:FARTHEST]
        for count, goal in enumerate(steps, 1):
            if goal % 12 not in chord:
                continue
            path = ([at] if at in ladder else []) + steps[:count]
            for way in (path, [path[0], path[-1]]):
                for unit in (pulse, part):
                    if len(way) >= 2 and len(way) * unit <= room:
                        leap = any(abs(a - b) > WHOLE_STEP for a, b in pairwise(way))
                        found.append(((leap, abs(3 - len(way)), -unit, not down), way, unit))
    if not found:
        return []
    _, way, unit = min(found, key=lambda item: item[0])
    lengths = [unit] * (len(way) - 1) + [room - unit * (len(way) - 1)]
    plucks = [(MIDDLE, INDEX)[place % 2] for place in range(len(way))]
    made = [_like(ladder[pitch], top, pluck) for pitch, pluck in zip(way, plucks, strict=True)]
    return list(zip(made, lengths, strict=True))


def _place(cells: Cells, pitch: int, near: int) -> Array | None:
    """Return the place on a string free of basses that lies nearest to a fret."""
    found = []
    for string, fret in cells.score.tuning.positions(pitch):
        note = cells.note(string, fret)
        apart = abs(fret - near)
        basses = [bass for bass in (cells.bass, cells.next) if bass is not None]
        if apart <= FIRST_POSITION and all(together(note, bass) for bass in basses):
            found.append((apart, string, note))
    return min(found, key=lambda item: item[:2])[2] if found else None


def _like(note: Array, top: Array, pluck: int) -> Array:
    """Return a note in the voice of another, plucked by a finger."""
    made = note.copy()
    made["pluck"] = pluck
    made["voice"], made["stem"] = top["voice"], top["stem"]
    return made
