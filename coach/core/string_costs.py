"""What it costs to play a group of strokes in one place rather than another.

What is costed follows Heijink & Meulenbroek 2002 (Journal of Motor Behavior 34, 339-351: hand travel,
position, finger spread) and Radicioni, Anselma & Lombardo 2004 (spans along the neck; what one hand can
hold). Open basses, basses on the wound strings, the tune above the bass and first position first are common
practice, no source. Every weight is our own, in the unit of ``coach.core.hand``, and is explained where it
stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from coach.core.hand import (
    FINGERS,
    HIGHEST_REACH,
    LOWEST_REACH,
    Place,
    fingerings,
    hold_cost,
    in_order,
)
from coach.core.pitch import Tuning
from coach.core.placings import Group, Stroke, holds, positions_for
from coach.core.score import TICKS_PER_QUARTER

# An action by itself.
HEIGHT = 0.2  # a fret of the hand's position, where something is stopped
STOPPED = 0.4  # a stopped note; an open one costs nothing
STOPPED_BASS = 1.0  # a stopped bass where an open string has it
LIGHT_BASS = 0.2  # a string that a bass lies off the wound ones
DARK = 0.5  # a string that the tune lies below the treble strings; half of it for inner voices
OPEN_HIGH = 0.5  # an open tune note under a hand above OPEN_UP_TO: another colour in mid-line
OPEN_UP_TO = 4
CROSSED = 2.0  # a higher note on a lower-sounding string than another of its group
UNGIVEN = 8.0  # no fingering agrees with the fingers that the score gives
UNREACHED = 30.0  # the score's own places are out of reach

# From one action to the next.
SHIFT, FRET = 0.5, 0.5  # the hand moves at all; a fret of it
HASTE_S, LEAST_HASTE, MOST_HASTE = 0.35, 0.5, 3.0  # times the shift: this time over the time there is
UNDER_OPEN = 0.4  # times the shift, where only open strings sound
AFTER_REST = 0.5  # times the shift, where everything before is over
HOLDING, HOLDING_FRET = 2.0, 1.0  # more, where a stopped note must sound on
CHANGE, HOP = 0.1, 0.1  # the tune changes string; a string of it
SLURRED = 6.0  # times that, from or to a grace note
CUT_BASS, CUT = 12.0, 7.0  # a note that should sound on is cut
LEAST_CUT = 0.3  # share of it where hardly anything of the note is left
AGAIN = 0.3  # the same note is plucked again on its string


class Held(NamedTuple):
    """A note that should sound on."""

    string: int
    fret: int
    end: int  # tick
    bass: bool

    def cut_cost(self, tick: int) -> float:
        """Return what it costs to cut the note at a tick; less where a quarter note or less is left."""
        left = min(1.0, (self.end - tick) / TICKS_PER_QUARTER)
        return (CUT_BASS if self.bass else CUT) * (LEAST_CUT + (1 - LEAST_CUT) * left)


Sets = tuple[Held, ...]  # by string


@dataclass(frozen=True, slots=True)
class Action:
    """Places for a group's strokes and the hand's position."""

    places: tuple[Place, ...]  # in the order of the strokes
    position: int
    cost: float  # by itself
    tune: int  # string of the tune note; 0 where the group has none
    used: int  # bit mask of strings
    stopped: tuple[Place, ...]  # in the order of the fingers
    opens: frozenset[int]
    extended: bool = False  # a finger stretches for one note alone: only where another is held stopped


def treble_strings(tuning: Tuning) -> int:
    """Return how many strings carry the tune: three of six, half of fewer."""
    return min(3, tuning.strings // 2)


def shift_cost(frets: int, wait_s: float, *, rested: bool, under_open: bool, holding: bool) -> float:
    """Return the cost of moving the hand by so many frets in the time there is."""
    if not frets:
        return 0.0
    haste = min(max(HASTE_S / max(wait_s, 1e-3), LEAST_HASTE), MOST_HASTE)
    cost = (SHIFT + FRET * frets) * haste * (AFTER_REST if rested else 1.0)
    if holding:
        return cost + HOLDING + HOLDING_FRET * frets
    return cost * (UNDER_OPEN if under_open else 1.0)


def change_cost(before: int, after: int, slurred: bool) -> float:
    """Return the cost of the tune's going from one string to another (0: none before)."""
    if not before or before == after:
        return 0.0
    return (CHANGE + HOP * abs(before - after)) * (SLURRED if slurred else 1.0)


class Actions:
    """The actions of a group, remembered by what the group looks like."""

    def __init__(self, tuning: Tuning, highest: int) -> None:
        self.tuning = tuning
        self.positions = range(1, highest + 1)
        self.treble = treble_strings(tuning)
        self._found: dict[tuple[object, ...], list[Action]] = {}
        self._opens = {tuning.open_pitch(string) for string in range(1, tuning.strings + 1)}

    def of(self, group: Group) -> list[Action]:
        """Return every action that a hand can do; at least one."""
        key = tuple((s.pitch, s.bass, s.tune, s.finger, s.places) for s in group.strokes)
        if key not in self._found:
            self._found[key] = self._actions(group.strokes)
        return self._found[key]

    def _actions(self, strokes: tuple[Stroke, ...]) -> list[Action]:
        choices = [stroke.places for stroke in strokes]
        found = []
        for position in positions_for(choices):
            for places in holds(choices, position):
                if any(fret for _, fret in places):
                    found.append(self._action(strokes, places, position))
        for places in holds([tuple(p for p in c if not p[1]) for c in choices], 1):
            found += [self._action(strokes, places, position) for position in self.positions]
        return found or self._unreached(strokes)

    def _unreached(self, strokes: tuple[Stroke, ...]) -> list[Action]:
        """Return what the score itself asks for though no hand can hold it."""
        places: list[Place] = []
        for stroke in sorted(strokes, key=lambda s: len(s.places)):
            used = {string for string, _ in places}
            places.append(next((p for p in stroke.places if p[0] not in used), stroke.places[0]))
        by_stroke = dict(
            zip(sorted(range(len(strokes)), key=lambda i: len(strokes[i].places)), places, strict=True)
        )
        ordered = tuple(by_stroke[index] for index in range(len(strokes)))
        position = min(max(min((f for _, f in ordered if f), default=1), 1), len(self.positions))
        return [self._action(strokes, ordered, position)]

    def _action(self, strokes: tuple[Stroke, ...], places: tuple[Place, ...], position: int) -> Action:
        stopped = in_order(places)
        opens = frozenset(string for string, fret in places if fret == 0)
        tune = next((p[0] for s, p in zip(strokes, places, strict=True) if s.tune), 0)
        cost = self._held(strokes, places, stopped, opens, position)
        cost += sum(self._stroke(s, p, position) for s, p in zip(strokes, places, strict=True))
        if stopped:
            cost += HEIGHT * (position - 1)
        cost += CROSSED * self._crossings(strokes, places)
        used = sum({1 << string for string, _ in places})
        extended = len(stopped) == 1 and not 0 <= stopped[0][1] - position < len(FINGERS)
        return Action(places, position, cost, tune, used, stopped, opens, extended)

    def _held(
        self,
        strokes: tuple[Stroke, ...],
        places: tuple[Place, ...],
        stopped: tuple[Place, ...],
        opens: frozenset[int],
        position: int,
    ) -> float:
        ways = fingerings(stopped, opens, position)
        if not ways:
            return UNREACHED
        given = {p: s.finger for s, p in zip(strokes, places, strict=True) if s.finger and p[1]}
        if not given:
            return ways[0][0]
        for cost, fingers in ways:
            if all(
                given.get(place, finger) == finger for place, finger in zip(stopped, fingers, strict=True)
            ):
                return cost
        return ways[0][0] + UNGIVEN

    def _stroke(self, stroke: Stroke, place: Place, position: int) -> float:
        string, fret = place
        cost = STOPPED if fret else 0.0
        if stroke.bass:
            if fret and stroke.pitch in self._opens:
                cost += STOPPED_BASS
            return cost + LIGHT_BASS * max(0, self.treble + 1 - string)
        cost += (DARK if stroke.tune else DARK / 2) * max(0, string - self.treble)
        if stroke.tune and not fret and position > OPEN_UP_TO:
            cost += OPEN_HIGH
        return cost

    def _crossings(self, strokes: tuple[Stroke, ...], places: tuple[Place, ...]) -> int:
        ranked = sorted((s.pitch, self.tuning.rank(p[0])) for s, p in zip(strokes, places, strict=True))
        return sum(low[1] > high[1] for i, low in enumerate(ranked) for high in ranked[i + 1 :])


def keep(held: Sets, action: Action, tick: int) -> tuple[float, Sets]:
    """Return what it costs to go on holding notes through an action, and those that are held on.

    A note is let go only where its string is plucked, where the hand has moved out of its reach, or where no
    hand holds it together with the new notes; then the one that is cut most cheaply goes first.
    """
    cost = 0.0
    kept: list[Held] = []
    for note in held:
        if action.used >> note.string & 1:
            again = (note.string, note.fret) in action.places
            cost += AGAIN if again else note.cut_cost(tick)
        elif note.fret and not LOWEST_REACH <= note.fret - action.position <= HIGHEST_REACH:
            cost += note.cut_cost(tick)
        else:
            kept.append(note)
    stopped = sorted((h for h in kept if h.fret), key=lambda h: h.cut_cost(tick))
    if not stopped:
        return cost, tuple(kept)
    alone = hold_cost(action.stopped, action.opens, action.position)
    while stopped and alone is not None:
        places = in_order((*action.stopped, *((h.string, h.fret) for h in stopped)))
        together = hold_cost(places, action.opens, action.position)
        if together is not None:
            return cost + together - alone, tuple(kept)
        cost += stopped[0].cut_cost(tick)
        kept.remove(stopped.pop(0))
    return cost, tuple(kept)
