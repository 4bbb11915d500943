"""Which string plays which note, where the score is silent.

A best path over onset groups (Viterbi with a beam; the idea is Sayegh's, Computer Music Journal 13(3),
1989: an optimum path over candidate positions with costs on the transitions).  Strings and frets that the
score gives always win.  Costs, in arbitrary units (our own weights; what is costed follows Heijink &
Meulenbroek 2002, Journal of Motor Behavior 34: hand travel, position, finger spread):

- a shift of the hand: 1 a fret;
- a stretch over four frets: 6 a fret beyond (common practice, no source: four frets, four fingers);
- playing up the neck: 0.3 a fret of the hand's position;
- a string still holding a note that should sound on: 8;
- a fretted bass where an open string would do: 1.5;
- a melody note on one of the three lowest strings: 0.4 a string.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from coach.core.pitch import Tuning
from coach.core.score import Score, make_score

BEAM = 12  # paths kept after each group
CHOICES = 8  # assignments considered for one group
SPAN = 4  # frets under a resting hand


@dataclass(frozen=True, slots=True)
class _Path:
    cost: float
    hand: int  # fret under the first finger
    held: tuple[tuple[int, int], ...]  # (string, tick its note ends)
    back: _Path | None
    places: tuple[tuple[int, int], ...]  # (string, fret) of this group's notes


def assign_strings(score: Score) -> tuple[Score, tuple[int, ...]]:
    """Return the score with a string and fret for every note, and the rows that have no place.

    A note is impossible when no string of the tuning holds it, or when its chord needs one string twice.
    """
    notes = score.notes
    if not len(notes) or bool(((notes["string"] > 0) & (notes["fret"] >= 0)).all()):
        return score, ()
    filled = notes.copy()
    bounds = np.flatnonzero(np.diff(notes["onset"], prepend=notes["onset"][0] - 1))
    ends = [*bounds[1:].tolist(), len(notes)]
    paths: list[_Path] = [_Path(0.0, 1, (), None, ())]
    impossible: list[int] = []
    rows_by_group: list[list[int]] = []
    same_stroke: dict[int, int] = {}
    for first, last in zip(bounds.tolist(), ends, strict=True):
        rows, shared = _strokes(score, range(first, last))
        same_stroke |= shared
        choices, left_out = _choices(score, rows)
        impossible += left_out
        rows = [row for row in rows if row not in left_out]
        rows_by_group.append(rows)
        paths = _step(score, paths, rows, choices)
    path: _Path | None = min(paths, key=lambda p: p.cost)
    for rows in reversed(rows_by_group):
        assert path is not None
        for row, (string, fret) in zip(rows, path.places, strict=True):
            filled[row]["string"], filled[row]["fret"] = string, fret
        path = path.back
    for row, played in same_stroke.items():
        filled[row]["string"], filled[row]["fret"] = filled[played]["string"], filled[played]["fret"]
    made = make_score(filled, score.bars)
    return replace(score, notes=made.notes), tuple(impossible)


def _strokes(score: Score, rows: range) -> tuple[list[int], dict[int, int]]:
    """Return the rows that need a place of their own, and for the others the row whose stroke they share.

    A note written in two voices is one stroke on one string, unless the score itself names two strings.
    """
    given = sorted(rows, key=lambda row: not score.notes["string"][row])
    by_pitch: dict[int, int] = {}
    shared: dict[int, int] = {}
    for row in given:
        pitch = int(score.notes["pitch"][row])
        if pitch in by_pitch and not score.notes["string"][row]:
            shared[row] = by_pitch[pitch]
        else:
            by_pitch.setdefault(pitch, row)
    return [row for row in rows if row not in shared], shared


def _step(
    score: Score, paths: list[_Path], rows: list[int], choices: list[tuple[tuple[int, int], ...]]
) -> list[_Path]:
    if not rows:
        return [replace(path, back=path, places=()) for path in paths]
    onset = int(score.notes["onset"][rows[0]])
    ends = [int(score.notes["onset"][r] + score.notes["duration"][r]) for r in rows]
    grown: list[_Path] = []
    for path in paths:
        for places in choices:
            cost, hand = _cost(score, path, rows, places, onset)
            held = dict(item for item in path.held if item[1] > onset)
            held.update((string, end) for (string, _), end in zip(places, ends, strict=True))
            grown.append(_Path(path.cost + cost, hand, tuple(held.items()), path, places))
    grown.sort(key=lambda p: p.cost)
    return grown[:BEAM]


def _cost(
    score: Score, path: _Path, rows: list[int], places: tuple[tuple[int, int], ...], onset: int
) -> tuple[float, int]:
    fretted = [fret for _, fret in places if fret > 0]
    hand = path.hand
    if fretted:
        low, high = min(fretted), max(fretted)
        if low < hand or high > hand + SPAN - 1:
            hand = max(1, low if low < hand else high - SPAN + 1)
            hand = min(hand, low)
    cost = abs(hand - path.hand) + 0.3 * (hand - 1)
    if fretted:
        cost += 6.0 * max(0, max(fretted) - min(fretted) - SPAN + 1)
    busy = {string for string, end in path.held if end > onset}
    for row, (string, fret) in zip(rows, places, strict=True):
        bass = bool(score.notes["bass"][row])
        cost += 8.0 * (string in busy)
        if bass and fret > 0 and int(score.notes["pitch"][row]) in _open(score.tuning):
            cost += 1.5
        if not bass and string > 3:
            cost += 0.4 * (string - 3)
    return cost, hand


def _open(tuning: Tuning) -> set[int]:
    return {tuning.open_pitch(string) for string in range(1, tuning.strings + 1)}


def _choices(score: Score, rows: list[int]) -> tuple[list[tuple[tuple[int, int], ...]], list[int]]:
    """Return the few best placings of a group's notes, one note a string, and the rows left without one."""
    options: list[list[tuple[int, int]]] = []
    left_out: list[int] = []
    for row in rows:
        found = _positions(score, row)
        if found:
            options.append(found)
        else:
            left_out.append(row)
    partial: list[tuple[tuple[int, int], ...]] = [()]
    kept = [row for row in rows if row not in left_out]
    for row, option in zip(kept, options, strict=True):
        longer = [
            (*done, place) for done in partial for place in option if place[0] not in {s for s, _ in done}
        ]
        if not longer:  # two notes on one string: the later row has no place
            left_out.append(row)
            continue
        longer.sort(key=_spread)
        partial = longer[: 4 * CHOICES]
    return partial[:CHOICES], left_out


def _spread(places: tuple[tuple[int, int], ...]) -> tuple[int, int]:
    fretted = [fret for _, fret in places if fret > 0]
    return (max(0, max(fretted) - min(fretted) - SPAN + 1) if fretted else 0, sum(fretted))


def _positions(score: Score, row: int) -> list[tuple[int, int]]:
    note = score.notes[row]
    string, fret, pitch = int(note["string"]), int(note["fret"]), int(note["pitch"])
    if 0 < string <= score.tuning.strings:
        given = fret if fret >= 0 else score.tuning.fret(string, pitch)
        if given is not None:
            return [(string, given)]
    return score.tuning.positions(pitch)
