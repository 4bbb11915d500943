"""Which left-hand finger stops which note, where the score is silent.

The strings and frets are known (``coach.core.strings``); a second optimum path gives the fingers, in the
manner of Radicioni, Anselma & Lombardo 2004 (a graph over string, fret and finger). *Action* at a group
with stopped notes: the hand's position and a finger for each note. *State* after it: the position, and the
fingers of the notes that must sound on and of the last stopped group. Nothing else enters a cost, so the
minimum is exact.

Costs, in the unit of ``coach.core.hand`` (weights our own; rules common practice, no source):
- what the fingers say of all that is held at once (``hand.fingerings``);
- the hand moves: as in ``coach.core.string_costs``;
- HOP: a finger goes from one string to another between two notes that join; ROLL to the next string at its
  fret; nothing along one string where the hand moves the same way (a guide finger), SLIDE otherwise;
- TWIST: two notes that join on two strings have their fingers the wrong way round (the higher fret, or on
  one fret the string on the treble side, should have the higher finger); TANGLE on one string, within two
  frets;
- SWAP: a place that was stopped just now gets another finger;
- UNUSUAL: a place gets another finger than it mostly has in this piece: known from a first search without
  it;
- LET_GO: a note that must sound on loses its finger, only where the new notes leave none.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import NamedTuple

from coach.core.hand import HIGHEST_REACH, LOWEST_REACH, Place, fingerings, in_order
from coach.core.placings import Group, Stroke, first_times, groups_of
from coach.core.score import Array, Score, make_score
from coach.core.string_costs import HEIGHT, shift_cost

HOP = 2.0
ROLL = 1.5
SLIDE = 3.0
SWAP = 1.5
TWIST = 0.3
TANGLE, TANGLED = 2.0, 2  # within so many frets: farther apart the hand moves anyway
LET_GO = 6.0
UNUSUAL = 0.2
AGAINST = 8.0  # the fingers that the score gives are not to be had otherwise
UNHELD = 30.0  # no hand holds this; the fingers are a guess


class Press(NamedTuple):
    """A stopped note and its finger."""

    string: int
    fret: int
    finger: int
    end: int  # tick at which the finger may leave


Memory = tuple[Press, ...]


@dataclass(frozen=True, slots=True)
class Grip:
    """A group as the left hand meets it: its stopped notes."""

    onset: int
    notes: tuple[tuple[Stroke, Place, int], ...]  # stroke, place, tick at which the finger may leave
    opens: frozenset[int]
    struck: int  # bit mask of the strings struck here
    wait_s: float  # since the last stopped group
    rested: bool
    under_open: bool


@dataclass(frozen=True, slots=True)
class _Step:
    cost: float
    fingers: tuple[int, ...]
    back: _Step | None


def finger_left(score: Score) -> Score:
    """Return the score with a left-hand finger, 1 to 4, for every stopped note whose place is known.

    Fingers that the score gives stay; a written note that is played again gets the finger of its first time.
    """
    filled = score.notes.copy()
    first = first_times(score)
    known = [row for row in range(len(filled)) if filled["string"][row]]
    fresh = [row for row in known if first[row] == row]
    usual = _fill(score, filled, fresh, {})
    filled["finger"] = score.notes["finger"]
    _fill(score, filled, fresh, usual)
    if len(fresh) < len(known):
        # Where a repeat leads on to something new, that is fingered again after what is really played before.
        again = {first[row] for row in known if first[row] != row}
        for row in known:
            if first[row] in again:
                filled["finger"][row] = filled["finger"][first[row]]
            else:
                filled["finger"][row] = score.notes["finger"][row]
        _fill(score, filled, known, usual)
    made = make_score(filled, score.bars)
    return replace(score, notes=made.notes)


def _fill(score: Score, filled: Array, rows: list[int], usual: Mapping[Place, int]) -> dict[Place, int]:
    """Fill in the missing fingers of ``rows``; return the finger that each place mostly has."""
    groups, shared, _ = groups_of(score, rows, filled)
    grips = grips_of(groups)
    _, chosen = best_fingers(grips, usual)
    for grip, fingers in zip(grips, chosen, strict=True):
        for (stroke, _, _), finger in zip(grip.notes, fingers, strict=True):
            if not filled[stroke.row]["finger"]:
                filled[stroke.row]["finger"] = finger
    for row, played in shared.items():
        if not filled[row]["finger"] and filled[row]["fret"] > 0:
            filled[row]["finger"] = filled[played]["finger"]
    return usual_fingers(grips, chosen)


def grips_of(groups: list[Group]) -> list[Grip]:
    """Return the groups that stop something; a finger may leave where its string is struck again."""
    struck_at: dict[int, int] = {}  # string -> the next stroke's tick
    lasting: list[list[int]] = []
    for group in reversed(groups):
        lasting.append([min(s.end, struck_at.get(s.places[0][0], s.end)) for s in group.strokes])
        struck_at.update((s.places[0][0], group.onset) for s in group.strokes)
    lasting.reverse()
    grips: list[Grip] = []
    wait_s, under_open, struck = 0.0, False, 0
    for group, ends in zip(groups, lasting, strict=True):
        wait_s += group.wait_s
        here = sum({1 << s.places[0][0] for s in group.strokes})
        notes = tuple(
            (s, s.places[0], end) for s, end in zip(group.strokes, ends, strict=True) if s.places[0][1] > 0
        )
        if not notes:
            under_open, struck = True, struck | here
            continue
        opens = frozenset(s.places[0][0] for s in group.strokes if s.places[0][1] == 0)
        rested = all(end < group.onset for grip in grips[-8:] for _, _, end in grip.notes)
        grips.append(Grip(group.onset, notes, opens, struck | here, wait_s, rested, under_open))
        wait_s, under_open, struck = 0.0, False, 0
    return grips


def usual_fingers(grips: list[Grip], chosen: list[tuple[int, ...]]) -> dict[Place, int]:
    """Return for each place the finger that stops it most often."""
    counts: dict[Place, Counter[int]] = defaultdict(Counter)
    for grip, fingers in zip(grips, chosen, strict=True):
        for (_, place, _), finger in zip(grip.notes, fingers, strict=True):
            counts[place][finger] += 1
    return {place: found.most_common(1)[0][0] for place, found in counts.items()}


def best_fingers(
    grips: list[Grip], usual: Mapping[Place, int] = MappingProxyType({})
) -> tuple[float, list[tuple[int, ...]]]:
    """Return the least cost of fingering the grips in order, and for each the fingers of its notes.

    ``usual``: the finger that a place mostly has in this piece; another costs UNUSUAL.  Position 0 is a hand
    that has not been set down yet.
    """
    states: dict[Memory, dict[int, _Step]] = {(): {0: _Step(0.0, (), None)}}
    for grip in grips:
        after: dict[Memory, dict[int, _Step]] = {}
        for memory, by_position in states.items():
            held = tuple(p for p in memory if p.end > grip.onset and not grip.struck >> p.string & 1)
            arrivals: dict[tuple[int, tuple[int, ...]], tuple[float, _Step]] = {}
            for position, cost, fingers in options(grip, held):
                way = position, slides(memory, grip, fingers)
                if way not in arrivals:
                    arrivals[way] = _arrive(by_position, *way, grip, bool(held))
                arrived, back = arrivals[way]
                total = arrived + cost + HEIGHT * (position - 1) + hops(memory, grip, fingers)
                total += sum(
                    UNUSUAL
                    for (_, place, _), finger in zip(grip.notes, fingers, strict=True)
                    if usual.get(place, finger) != finger
                )
                kept, own = _after(held, grip, fingers)
                found = after.setdefault(own + kept, {})
                if position not in found or total < found[position].cost:
                    found[position] = _Step(total, fingers, back)
        states = after
    step: _Step | None = min((s for found in states.values() for s in found.values()), key=lambda s: s.cost)
    assert step is not None
    total, path = step.cost, []
    while step is not None and step.back is not None:
        path.append(step.fingers)
        step = step.back
    return total, path[::-1]


def _arrive(
    by_position: dict[int, _Step], position: int, along: tuple[int, ...], grip: Grip, holding: bool
) -> tuple[float, _Step]:
    """Return the least cost of having the hand in a position, and where it came from (0: anywhere).

    ``along``: the frets that fingers slide along their strings.
    """
    found = []
    for before, step in by_position.items():
        frets = abs(position - before) if before else 0
        cost = step.cost + shift_cost(
            frets, grip.wait_s, rested=grip.rested, under_open=grip.under_open, holding=holding
        )
        against = sum(before > 0 and (position - before) * frets <= 0 for frets in along)
        found.append((cost + SLIDE * against, step))
    return min(found, key=lambda pair: pair[0])


def _after(held: Memory, grip: Grip, fingers: tuple[int, ...]) -> tuple[Memory, Memory]:
    own = tuple(
        Press(string, fret, finger, end)
        for (_, (string, fret), end), finger in zip(grip.notes, fingers, strict=True)
    )
    return tuple(p for p in held if not any(p.finger == o.finger and p.fret != o.fret for o in own)), own


def options(grip: Grip, held: Memory) -> list[tuple[int, float, tuple[int, ...]]]:
    """Return (position, cost, fingers of the grip's notes) for what the hand can do while it holds on."""
    keep = list(held)
    let_go = 0.0
    while True:
        found = _options(grip, keep, strict=True)
        if found or not keep:
            break
        keep.remove(min(keep, key=lambda p: p.end))
        let_go += LET_GO
    if not found:
        let_go += AGAINST
        found = _options(grip, keep, strict=False)
    if not found:
        frets = [fret for _, (_, fret), _ in grip.notes]
        guess = tuple(s.finger or min(max(f - min(frets) + 1, 1), 4) for s, (_, f), _ in grip.notes)
        return [(max(min(frets), 1), UNHELD, guess)]
    return [(position, cost + let_go, fingers) for position, cost, fingers in found]


def _options(grip: Grip, keep: list[Press], *, strict: bool) -> list[tuple[int, float, tuple[int, ...]]]:
    places = [place for _, place, _ in grip.notes]
    together = in_order((*places, *((p.string, p.fret) for p in keep)))
    must = {(p.string, p.fret): p.finger for p in keep}
    if strict:
        must |= {place: stroke.finger for stroke, place, _ in grip.notes if 0 < stroke.finger <= 4}
    frets = [fret for _, fret in together]
    found = []
    for position in range(max(1, max(frets) - HIGHEST_REACH), max(1, min(frets) - LOWEST_REACH) + 1):
        for cost, fingers in fingerings(together, grip.opens, position):
            by_place = dict(zip(together, fingers, strict=True))
            if all(by_place[place] == finger for place, finger in must.items()):
                found.append((position, cost, tuple(by_place[place] for place in places)))
    return found


def hops(memory: Memory, grip: Grip, fingers: tuple[int, ...]) -> float:
    """Return what the fingers' ways from the notes before cost."""
    cost = 0.0
    for (_, (string, fret), _), finger in zip(grip.notes, fingers, strict=True):
        for press in memory:
            same_place = (press.string, press.fret) == (string, fret)
            if same_place:
                cost += SWAP if press.finger != finger else 0.0
            elif press.finger == finger and press.end >= grip.onset:
                if press.string != string:
                    beside = press.fret == fret and abs(press.string - string) == 1
                    cost += ROLL if beside else HOP
            elif press.end >= grip.onset:
                higher = (fret, -string) > (press.fret, -press.string)
                if higher != (finger > press.finger):
                    near = press.string == string and abs(fret - press.fret) <= TANGLED
                    cost += TANGLE if near else TWIST if press.string != string else 0.0
    return cost


def slides(memory: Memory, grip: Grip, fingers: tuple[int, ...]) -> tuple[int, ...]:
    """Return how many frets fingers go along their own string to notes that join."""
    return tuple(
        fret - press.fret
        for (_, (string, fret), _), finger in zip(grip.notes, fingers, strict=True)
        for press in memory
        if press.finger == finger
        and press.string == string
        and press.fret != fret
        and press.end >= grip.onset
    )
