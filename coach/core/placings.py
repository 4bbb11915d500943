"""A score seen as the left hand meets it: groups of strokes, and the places each stroke may have.

A *stroke* is one plucking of one string: a note written in two voices at one onset is one stroke, unless the
score names two strings.  A *group* holds the strokes of one onset; each grace note is a group of its own
before it.  A written note that is played again (a repeat) is met once, the first time.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from coach.core.hand import HIGHEST_REACH, LOWEST_REACH, Place, fingerings, in_order
from coach.core.impossible import Impossible, Why
from coach.core.pitch import HIGHEST_FRET, Tuning
from coach.core.score import Array, Score

GRACE_S = 0.1  # seconds taken for a grace note: our own figure
LONGEST_WAIT_S = 10.0
BODY = 12  # where the neck meets the body: no farther up, unless some note of the piece lies there


@dataclass(frozen=True, slots=True)
class Stroke:
    """One plucking of one string, and where it may be stopped."""

    row: int
    pitch: int
    end: int  # tick at which the note is over; its onset for a grace note
    bass: bool
    tune: bool  # the top note above the bass, or the top note of all where no voice is the bass
    finger: int  # as the score gives it, or 0
    places: tuple[Place, ...]
    named: bool  # the score names string or fret


@dataclass(frozen=True, slots=True)
class Group:
    """Strokes of one moment."""

    onset: int
    strokes: tuple[Stroke, ...]
    wait_s: float  # since the group before
    rested: bool  # everything before is over by then
    slurred: bool  # follows a grace note at the same onset, or is one


def first_times(score: Score) -> list[int]:
    """Return for each row the row of the same written note's first performance (often the row itself)."""
    notes, bars = score.notes, score.bars
    seen: dict[tuple[int, ...], int] = {}
    first = []
    rows = zip(*(notes[f].tolist() for f in ("bar", "onset", "written", "pitch", "voice")), strict=True)
    used: set[tuple[int, ...]] = set()
    for row, (bar, onset, written, pitch, voice) in enumerate(rows):
        home = (bars[bar].written, onset - bars[bar].onset) if bars else (0, onset)
        key = (*home, written, pitch, voice)
        while (bar, *key) in used:  # two rows of one performed bar are never the same written note
            key = (*key, 1)
        used.add((bar, *key))
        first.append(seen.setdefault(key, row))
    return first


def groups_of(
    score: Score, rows: Iterable[int], given: Array
) -> tuple[list[Group], dict[int, int], list[Impossible]]:
    """Return the groups that ``rows`` form, rows that share another's stroke, and the impossible notes.

    ``given`` is the notes array whose strings, frets and fingers are to be kept (0 and -1: free).
    """
    notes = score.notes
    onset, grace = notes["onset"].tolist(), notes["grace"].tolist()
    ends = (notes["onset"] + notes["duration"]).tolist()
    no_bass = not bool(notes["bass"].any())
    buckets: list[list[int]] = []
    for row in rows:
        same = (
            buckets and onset[buckets[-1][0]] == onset[row] and not grace[row] and not grace[buckets[-1][0]]
        )
        if same:
            buckets[-1].append(row)
        else:
            buckets.append([row])
    groups: list[Group] = []
    shared: dict[int, int] = {}
    impossible: list[Impossible] = []
    before, until = -1, -1
    options = _Options(score.tuning, set(notes["pitch"].tolist()))
    for bucket in buckets:
        at = onset[bucket[0]]
        kept, doubled = _strokes(given, bucket)
        shared |= doubled
        length = {row: max([ends[row], *(ends[r] for r, to in doubled.items() if to == row)]) for row in kept}
        strokes, left_out = _possible(_made(given, kept, length, options, no_bass), options)
        impossible += left_out
        if not strokes:
            continue
        wait_s = GRACE_S
        if before < 0:
            wait_s = LONGEST_WAIT_S
        elif at > before:
            wait_s = min((score.nominal_us(at) - score.nominal_us(before)) / 1e6, LONGEST_WAIT_S)
        slurred = before == at or bool(grace[bucket[0]] and groups and groups[-1].onset == at)
        groups.append(Group(at, tuple(strokes), wait_s, until < at, slurred))
        before, until = at, max(until, *(s.end for s in strokes))
    return groups, shared, impossible


def _strokes(notes: Array, rows: list[int]) -> tuple[list[int], dict[int, int]]:
    """Return the rows that need a place of their own, and for the others the row whose stroke they share."""
    by_pitch: dict[int, int] = {}
    shared: dict[int, int] = {}
    for row in sorted(rows, key=lambda row: (not notes["string"][row], not notes["bass"][row])):
        pitch, string = int(notes["pitch"][row]), int(notes["string"][row])
        known = by_pitch.get(pitch)
        if known is not None and (not string or string == int(notes["string"][known])):
            shared[row] = known
        else:
            by_pitch.setdefault(pitch, row)
    return [row for row in rows if row not in shared], shared


class _Options:
    """Places by pitch, remembered."""

    def __init__(self, tuning: Tuning, pitches: Iterable[int]) -> None:
        self.tuning = tuning
        least = (min((f for _, f in tuning.positions(p)), default=0) for p in pitches)
        self.highest = max(BODY, max(least, default=0) + HIGHEST_REACH)
        self._found: dict[tuple[int, int, int, bool], tuple[Place, ...]] = {}
        self._reached: dict[tuple[tuple[Place, ...], ...], bool] = {}

    def of(self, pitch: int, string: int, fret: int, stopped: bool) -> tuple[Place, ...]:
        key = (pitch, string, fret, stopped)
        if key not in self._found:
            self._found[key] = tuple(self._places(*key))
        return self._found[key]

    def _places(self, pitch: int, string: int, fret: int, stopped: bool) -> list[Place]:
        tuning = self.tuning
        if string:
            if not 0 < string <= tuning.strings:
                return []
            at = fret if fret >= 0 else tuning.fret(string, pitch)
            return [(string, at)] if at is not None and at <= HIGHEST_FRET - tuning.capo else []
        places = [p for p in tuning.positions(pitch) if p[1] == fret or (fret < 0 and p[1] <= self.highest)]
        return [p for p in places if p[1] > 0 or not stopped] or places

    def reached(self, choices: list[tuple[Place, ...]]) -> bool:
        """Return whether one hand can hold one place of each choice, one note a string."""
        if len(choices) < 2:
            return True
        key = tuple(choices)
        if key not in self._reached:
            self._reached[key] = any(holds(choices, position) for position in positions_for(choices))
        return self._reached[key]


def positions_for(choices: Iterable[tuple[Place, ...]]) -> list[int]:
    """Return every position from which some finger reaches one of the places."""
    frets = {fret for places in choices for _, fret in places if fret > 0}
    near = {f - away for f in frets for away in range(LOWEST_REACH, HIGHEST_REACH + 1)}
    return sorted({max(position, 1) for position in near | {1}})


def holds(choices: list[tuple[Place, ...]], position: int) -> list[tuple[Place, ...]]:
    """Return every placing of the choices, one note a string, that a hand in ``position`` can hold."""
    found: list[tuple[Place, ...]] = []

    def grow(done: tuple[Place, ...], used: int) -> None:
        if len(done) == len(choices):
            opens = frozenset(s for s, f in done if f == 0)
            if fingerings(in_order(done), opens, position):
                found.append(done)
            return
        for string, fret in choices[len(done)]:
            near = fret == 0 or LOWEST_REACH <= fret - position <= HIGHEST_REACH
            if near and not used >> string & 1:
                grow((*done, (string, fret)), used | 1 << string)

    grow((), 0)
    return found


def _made(
    given: Array, rows: list[int], length: dict[int, int], options: _Options, no_bass: bool
) -> list[Stroke]:
    above = [row for row in rows if no_bass or not given["bass"][row]]
    top = max(above, key=lambda row: int(given["pitch"][row]), default=-1)
    made = []
    for row in rows:
        note = given[row]
        string, fret, pitch, finger = (int(note[f]) for f in ("string", "fret", "pitch", "finger"))
        places = options.of(pitch, string, fret, 0 < finger <= 4)
        named = bool(string or fret >= 0)
        made.append(Stroke(row, pitch, length[row], bool(note["bass"]), row == top, finger, places, named))
    return made


def _possible(strokes: list[Stroke], options: _Options) -> tuple[list[Stroke], list[Impossible]]:
    """Return the strokes that can be played together, and the others with the reason.

    The bass is kept first, then the tune, then what lies between: but what the score names before all.
    """
    left_out: list[Impossible] = []
    kept: list[Stroke] = []
    holder: dict[int, int] = {}  # string -> index in ``kept``
    reachable = options.reached([s.places for s in strokes if s.named and s.places])

    def seat(index: int, tried: set[int]) -> bool:
        for string, _ in kept[index].places:
            if string in tried:
                continue
            tried.add(string)
            if string not in holder or seat(holder[string], tried):
                holder[string] = index
                return True
        return False

    for stroke in sorted(strokes, key=lambda s: (not s.named, not s.bass, not s.tune, -s.pitch)):
        if not stroke.places:
            left_out.append(_no_place(stroke, options.tuning))
            continue
        kept.append(stroke)
        if not seat(len(kept) - 1, set()):
            kept.pop()
            string = stroke.places[0][0]
            left_out.append(Impossible(stroke.row, Why.NO_STRING, kept[holder[string]].row, string))
        elif reachable and not stroke.named and not options.reached([s.places for s in kept]):
            kept.pop()
            holder = {}
            for index in range(len(kept)):
                seat(index, set())
            left_out.append(Impossible(stroke.row, Why.NO_REACH))
    rows = {s.row for s in kept}
    return [s for s in strokes if s.row in rows], left_out


def _no_place(stroke: Stroke, tuning: Tuning) -> Impossible:
    if stroke.named:
        return Impossible(stroke.row, Why.GIVEN)
    low = stroke.pitch < min(tuning.open_pitches) + tuning.capo
    return Impossible(stroke.row, Why.TOO_LOW if low else Why.TOO_HIGH)


def with_given(found: Impossible, given: Array) -> Impossible:
    """Return an impossible note with the string and fret that the score names for it."""
    if found.why is not Why.GIVEN:
        return found
    note = given[found.row]
    return replace(found, string=int(note["string"]), fret=int(note["fret"]))
