"""Which left-hand finger stops which note, where the score is silent.

The strings and frets are known (``coach.core.strings``); a second optimum path gives the fingers, in the
manner of Radicioni, Anselma & Lombardo 2004 (a graph over string, fret and finger). *Action* at a group
with stopped notes: the hand's position and a finger for each note. *State* after it: the position, and the
fingers of the notes that must sound on and of the last stopped group. Nothing else enters a cost, so the
minimum is exact; of the notes before, those are forgotten that no cost at the next group asks for.

What the fingers can do and what it costs stands in ``coach.core.grips``; here are added (weights our own):
- the hand moves: as in ``coach.core.string_costs``;
- UNUSUAL: a place gets another finger than it mostly has in this piece, known from a first search without
  it: what is learnt once is played so everywhere (common practice, no source).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import NamedTuple

from coach.core.grips import SLIDE, Grip, Memory, Press, grips_of, hops, options, slides
from coach.core.hand import Place
from coach.core.pitch import HIGHEST_FRET
from coach.core.placings import first_times, groups_of
from coach.core.score import Array, Score, make_score
from coach.core.string_costs import HEIGHT, shift_cost

UNUSUAL = 0.2  # less than any hop: habit never makes a finger jump


Holds = tuple[tuple[int, float], ...]  # position, cost of holding from there


class _Move(NamedTuple):
    """One fingering of a grip, after what the hand did before."""

    fingers: tuple[int, ...]
    hops: float
    along: tuple[int, ...]  # frets that fingers slide along their strings
    lost: tuple[int, ...]  # fingers that go to another fret from notes that are held
    holds: Holds


class _Step(NamedTuple):
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
    moves = Moves()
    grips, shared = _grips(score, filled, fresh)
    _, chosen = best_fingers(grips, moves=moves)
    usual = usual_fingers(grips, chosen)
    _, chosen = best_fingers(grips, usual, moves)
    _fill(filled, grips, chosen, shared)
    if len(fresh) < len(known):
        # Where a repeat leads on to something new, that is fingered again after what is really played before.
        again = {first[row] for row in known if first[row] != row}
        for row in known:
            if first[row] in again:
                filled["finger"][row] = filled["finger"][first[row]]
            else:
                filled["finger"][row] = score.notes["finger"][row]
        grips, shared = _grips(score, filled, known)
        _, chosen = best_fingers(grips, usual, moves)
        _fill(filled, grips, chosen, shared)
    made = make_score(filled, score.bars)
    return replace(score, notes=made.notes)


def _grips(score: Score, filled: Array, rows: list[int]) -> tuple[list[Grip], dict[int, int]]:
    """Return the grips of ``rows``, and the rows that share another's stroke."""
    groups, shared, _ = groups_of(score, rows, filled)
    return grips_of(groups), shared


def _fill(filled: Array, grips: list[Grip], chosen: list[tuple[int, ...]], shared: dict[int, int]) -> None:
    """Fill in the fingers that are missing."""
    for grip, fingers in zip(grips, chosen, strict=True):
        for (stroke, _, _), finger in zip(grip.notes, fingers, strict=True):
            if not filled[stroke.row]["finger"]:
                filled[stroke.row]["finger"] = finger
    for row, played in shared.items():
        if not filled[row]["finger"] and filled[row]["fret"] > 0:
            filled[row]["finger"] = filled[played]["finger"]


def usual_fingers(grips: list[Grip], chosen: list[tuple[int, ...]]) -> dict[Place, int]:
    """Return for each place the finger that stops it most often."""
    counts: dict[Place, Counter[int]] = defaultdict(Counter)
    for grip, fingers in zip(grips, chosen, strict=True):
        for (_, place, _), finger in zip(grip.notes, fingers, strict=True):
            counts[place][finger] += 1
    return {place: found.most_common(1)[0][0] for place, found in counts.items()}


class Moves:
    """What a hand can do at a grip, remembered by the look of the grip and of the notes before it."""

    def __init__(self) -> None:
        self._found: dict[tuple[object, ...], list[_Move]] = {}
        self._options_found: dict[tuple[object, ...], list[tuple[tuple[int, ...], Holds]]] = {}
        self._shifts: dict[tuple[float, bool, bool, bool], list[float]] = {}

    def of(self, grip: Grip, memory: Memory) -> tuple[Memory, list[_Move]]:
        """Return the notes of ``memory`` that must sound on, and everything that the hand can do."""
        at, struck = grip.onset, grip.struck
        held = []
        look: list[object] = [grip.look]
        for press in memory:
            string, fret, finger, end = press
            holds = end > at and not struck >> string & 1
            look.append((string, fret, finger, end - at if holds else -1 if end < at else 0))
            if holds:
                held.append(press)
        key, holding = tuple(look), tuple(held)
        if key not in self._found:
            self._found[key] = [
                _Move(
                    fingers,
                    hops(memory, grip, fingers),
                    slides(memory, grip, fingers),
                    _lost(holding, grip, fingers),
                    positions,
                )
                for fingers, positions in self._options(grip, holding)
            ]
        return holding, self._found[key]

    def _options(self, grip: Grip, held: Memory) -> list[tuple[tuple[int, ...], Holds]]:
        """Return the fingerings, and the positions from which each is to be had, with the cost."""
        in_turn = sorted(held, key=lambda p: p.end)  # in which they are let go
        key = (grip.look, *(press[:3] for press in in_turn))
        if key not in self._options_found:
            by_fingers: dict[tuple[int, ...], list[tuple[int, float]]] = defaultdict(list)
            for position, cost, fingers in options(grip, tuple(in_turn)):
                by_fingers[fingers].append((position, cost))
            self._options_found[key] = [(fingers, tuple(holds)) for fingers, holds in by_fingers.items()]
        return self._options_found[key]

    def shift(self, grip: Grip, holding: bool) -> list[float]:
        """Return what it costs to move the hand to a grip, by frets."""
        wait_s, rested, under_open = grip.wait_s, grip.rested, grip.under_open
        key = (wait_s, rested, under_open, holding)
        if key not in self._shifts:
            self._shifts[key] = [
                shift_cost(frets, wait_s, rested=rested, under_open=under_open, holding=holding)
                for frets in range(HIGHEST_FRET + 1)
            ]
        return self._shifts[key]


def best_fingers(
    grips: list[Grip],
    usual: Mapping[Place, int] = MappingProxyType({}),
    moves: Moves | None = None,
) -> tuple[float, list[tuple[int, ...]]]:
    """Return the least cost of fingering the grips in order, and for each the fingers of its notes.

    ``usual``: the finger that a place mostly has in this piece; another costs UNUSUAL.  ``moves``: what an
    earlier search has found.  Position 0 is a hand that has not been set down yet.
    """
    moves = moves or Moves()
    states: dict[Memory, dict[int, _Step]] = {(): {0: _Step(0.0, (), None)}}
    for index, grip in enumerate(grips):
        following = grips[index + 1] if index + 1 < len(grips) else None
        own: dict[tuple[int, ...], tuple[Memory, float]] = {}
        after: dict[Memory, dict[int, _Step]] = {}
        for memory, by_position in states.items():
            held, found = moves.of(grip, memory)
            living = tuple(p for p in held if _matters(p, following))
            shift = moves.shift(grip, bool(held))
            starts = [(before, step.cost, step) for before, step in by_position.items()]
            arrivals: dict[tuple[int, ...], dict[int, tuple[float, _Step]]] = {}
            for fingers, hop, along, lost, holds in found:
                if fingers not in own:
                    own[fingers] = _own(grip, fingers, following), _unusual(grip, fingers, usual)
                made, unusual = own[fingers]
                kept = tuple(p for p in living if p.finger not in lost) if lost else living
                known = after.setdefault(made + kept, {})
                arrived = arrivals.setdefault(along, {})
                for position, cost in holds:
                    if position not in arrived:
                        arrived[position] = _arrive(starts, position, along, shift)
                    total, back = arrived[position]
                    total = total + cost + HEIGHT * (position - 1) + hop + unusual
                    if position not in known or total < known[position].cost:
                        known[position] = _Step(total, fingers, back)
        states = after
    step: _Step | None = min((s for found in states.values() for s in found.values()), key=lambda s: s.cost)
    assert step is not None
    total, path = step.cost, []
    while step is not None and step.back is not None:
        path.append(step.fingers)
        step = step.back
    return total, path[::-1]


def _lost(held: Memory, grip: Grip, fingers: tuple[int, ...]) -> tuple[int, ...]:
    """Return the fingers of held notes that go to another fret."""
    made = {(finger, fret) for (_, (_, fret), _), finger in zip(grip.notes, fingers, strict=True)}
    return tuple(p.finger for p in held if any(p.finger == f and p.fret != fret for f, fret in made))


def _unusual(grip: Grip, fingers: tuple[int, ...], usual: Mapping[Place, int]) -> float:
    pairs = zip(grip.notes, fingers, strict=True)
    return sum(UNUSUAL for (_, place, _), finger in pairs if usual.get(place, finger) != finger)


def _own(grip: Grip, fingers: tuple[int, ...], following: Grip | None) -> Memory:
    """Return the notes of a grip with their fingers, as far as they matter later."""
    made = (
        Press(string, fret, finger, end)
        for (_, (string, fret), end), finger in zip(grip.notes, fingers, strict=True)
    )
    return tuple(press for press in made if _matters(press, following))


def _matters(press: Press, following: Grip | None) -> bool:
    """Return whether any cost at the grips that follow asks for a note."""
    if following is None:
        return False
    return press.end >= following.onset or any(
        place == (press.string, press.fret) for _, place, _ in following.notes
    )


def _arrive(
    starts: list[tuple[int, float, _Step]], position: int, along: tuple[int, ...], shift: list[float]
) -> tuple[float, _Step]:
    """Return the least cost of having the hand in a position, and where it came from (0: anywhere).

    ``along``: the frets that fingers slide along their strings.  ``shift``: cost by frets.
    """
    least, source = -1.0, None
    for before, cost, step in starts:
        if before:
            moved = position - before
            cost += shift[abs(moved)]
            for frets in along:
                if moved * frets <= 0:
                    cost += SLIDE
        if source is None or cost < least:
            least, source = cost, step
    assert source is not None
    return least, source
