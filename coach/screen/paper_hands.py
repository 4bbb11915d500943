"""What is said of the two hands on the printed page, sparse, as a teacher writes it.

- String numbers: a note's own string is said where a reader would look elsewhere, that is not on the string
  that gives its pitch at the lowest fret, nor on the one last said for that pitch in the same bar; and at
  the first fretted note after the left hand has moved, where it now stands above first position.  In a
  chord only notes off their usual place have one, and no more than two: the lowest and the highest of them.
- Left-hand fingers: those that the score itself gives always; of those suggested, where a place on the
  fingerboard is first met, where it is taken with another finger than last time, and at the first note after
  the left hand has moved.  A repeated note's finger is not said again.  A chord that needs more than the
  finger of its lowest or its highest note has all of them in one column, 0 for an open string.
- Right hand: p at the first bass, and where the thumb plays a note of another voice.  i, m, a at the first
  note of a phrase, and where they are not what goes before leads to expect: two fingers in turn go on in
  turn, and what stands at the same place in the bar is plucked as it was the last time.  Chords have none.

These rules are our own; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coach.core.score import Score

MOVED = 2  # frets by which the left hand must move before it is a change of position
FIRST_POSITIONS = 2  # up to here a note is looked for at its lowest fret
MOST_STRINGS = 2  # string numbers at one chord
CHORD = 3  # notes struck together that are a chord whatever their voices
PIMA = " pima"
THUMB = 1


@dataclass(frozen=True, slots=True)
class HandFacts:
    """What is said of the hands; notes by their element id."""

    strings: dict[str, int]
    fingers: dict[str, int]
    plucks: dict[str, str]
    columns: tuple[tuple[str, ...], ...]  # chords whose fingers are one column, each from its lowest note


def name_of(score: Score, row: int) -> str:
    """Return the element id of a note."""
    written = int(score.notes["written"][row])
    return score.ids[written] if written < len(score.ids) else f"note-{written}"


def hand_facts(score: Score, rows: list[int], given: dict[str, int], starts: Sequence[int]) -> HandFacts:
    """Return what is said of some notes (rows in order).

    ``given`` are the fingers that the score itself has, by note; ``starts`` the performed bars with which
    phrases begin.
    """
    doubles = _doubles(score, rows)
    moved = {name_of(score, kept): given.get(name_of(score, row), 0) for row, kept in doubles.items()}
    given = {name: finger for name, finger in moved.items() if finger} | given
    rows = [row for row in rows if row not in doubles]
    moves = _moves(score, rows)
    chords = _chords(score, rows)
    fingers, strings = _fingers(score, rows, moves, given), _strings(score, rows, moves, chords)
    columns = []
    for chord in chords:
        names = [name_of(score, row) for row in chord]
        marked = [i for i, name in enumerate(names) if name in fingers or name in strings]
        clear = {0: bool(score.notes["bass"][chord[0]]), len(chord) - 1: not score.notes["bass"][chord[-1]]}
        if all(clear.get(i, False) for i in marked) and sum(name in fingers for name in names) < 2:
            continue  # a mark of a low bass stands below, that of the highest note above
        for name, row in zip(names, chord, strict=True):
            finger, fret = int(score.notes["finger"][row]), int(score.notes["fret"][row])
            if name not in fingers and (finger > 0 or fret == 0):
                fingers[name] = finger if fret else 0
        columns.append(tuple(names))
    chorded = frozenset(row for chord in chords for row in chord)
    return HandFacts(strings, fingers, _plucks(score, rows, chorded, starts), tuple(columns))


def _doubles(score: Score, rows: list[int]) -> dict[int, int]:
    """Return the rows that double another on the same string, with its: one stroke, marked at the bass."""

    def stroke(row: int) -> tuple[int, int, int]:
        note = score.notes[row]
        return int(note["onset"]), int(note["pitch"]), int(note["string"])

    kept: dict[tuple[int, int, int], int] = {}
    for row in sorted(rows, key=lambda row: not score.notes["bass"][row]):
        if not score.notes["grace"][row]:
            kept.setdefault(stroke(row), row)
    return {row: kept[stroke(row)] for row in rows if kept.get(stroke(row), row) != row}


def _chords(score: Score, rows: list[int]) -> list[tuple[int, ...]]:
    """Return the rows of each chord, its lowest note first: three notes together, or two of one voice.

    A bass and one note above it are no chord, whatever voice they are written in.
    """
    struck: dict[int, list[int]] = {}
    for row in rows:
        if not score.notes["grace"][row]:
            struck.setdefault(int(score.notes["onset"][row]), []).append(row)
    found = []
    for together in struck.values():
        notes = score.notes[together]
        pair = len(together) == 2 and notes["voice"][0] == notes["voice"][1]
        if len(together) >= CHORD or (pair and notes["bass"][0] == notes["bass"][1]):
            found.append(tuple(sorted(together, key=lambda row: int(score.notes["pitch"][row]))))
    return found


def _moves(score: Score, rows: list[int]) -> dict[int, int]:
    """Return the rows at which the left hand has moved, and where it then is (fret of the first finger)."""
    found: dict[int, int] = {}
    at = 1
    for row in rows:
        fret, finger = int(score.notes["fret"][row]), int(score.notes["finger"][row])
        if fret <= 0 or finger <= 0:
            continue
        position = max(fret - finger + 1, 1)
        if abs(position - at) >= MOVED:
            found[row] = at = position
    return found


def _strings(
    score: Score, rows: list[int], moves: dict[int, int], chords: list[tuple[int, ...]]
) -> dict[str, int]:
    found: dict[str, int] = {}
    said: dict[int, int] = {}
    bar = -1
    chorded = {row for chord in chords for row in chord}
    for row in rows:
        note = score.notes[row]
        string, pitch = int(note["string"]), int(note["pitch"])
        if not string or note["fret"] < 0:
            continue
        if int(note["bar"]) != bar:
            bar, said = int(note["bar"]), {}
        places = score.tuning.positions(pitch)
        lowest = min(places, key=lambda place: place[1])[0] if places else string
        if row in chorded:
            new = string != lowest and string != said.get(pitch) and note["fret"] > 0
        else:
            new = string != said.get(pitch, lowest) or moves.get(row, 0) > FIRST_POSITIONS
        if new:
            found[name_of(score, row)] = said[pitch] = string
    for chord in chords:
        here = [name for name in (name_of(score, row) for row in chord) if name in found]
        if len(here) > MOST_STRINGS:
            for name in here[1:-1]:
                del found[name]
    return found


def _fingers(score: Score, rows: list[int], moves: dict[int, int], given: dict[str, int]) -> dict[str, int]:
    found: dict[str, int] = {}
    last: dict[tuple[int, int], int] = {}
    for row in rows:
        note, name = score.notes[row], name_of(score, row)
        place, finger = (int(note["string"]), int(note["fret"])), int(note["finger"])
        if name in given:
            found[name] = given[name]
        elif finger > 0 and place[1] > 0 and (last.get(place) != finger or row in moves):
            found[name] = finger
        if finger > 0:
            last[place] = finger
    return found


def _plucks(score: Score, rows: list[int], chorded: frozenset[int], starts: Sequence[int]) -> dict[str, str]:
    found: dict[str, str] = {}
    thumb_said = False
    before = (0, 0)  # the two fingers last used
    lately: dict[tuple[int, int], int] = {}  # place in the bar, voice -> finger that last plucked there
    to_come = sorted(starts)
    for row in rows:
        note = score.notes[row]
        finger, bar = int(note["pluck"]), score.bars[int(note["bar"])]
        if not finger:
            continue
        place = (int(note["onset"]) - bar.onset, int(note["voice"]))
        as_lately = lately.get(place) == finger
        lately[place] = finger
        if finger == THUMB:
            said = not thumb_said if note["bass"] else not as_lately and row not in chorded
            thumb_said = thumb_said or bool(note["bass"])
        else:
            in_turn = before[0] != before[1] and finger == before[0]
            said = not as_lately and not in_turn and row not in chorded
            before = (before[1], finger)
            if to_come and int(note["bar"]) >= to_come[0] and row not in chorded:
                said = True
                to_come = [start for start in to_come if start > int(note["bar"])]
        if said:
            found[name_of(score, row)] = PIMA[finger]
    return found
