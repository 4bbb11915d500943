"""A left hand at a group of notes: what its fingers can do there while they hold on, and what that costs.

Costs, in the unit of ``coach.core.hand`` (weights our own; rules common practice, no source):
- what the fingers say of all that is held at once (``hand.fingerings``);
- HOP: a finger goes from one string to another between two notes that join; ROLL to the next string at its
  fret; nothing along one string where the hand moves the same way (a guide finger), SLIDE otherwise;
- TWIST: two notes that join on two strings have their fingers the wrong way round (the higher fret, or on
  one fret the string on the treble side, should have the higher finger); TANGLE on one string, within two
  frets;
- SWAP: a place that was stopped just now gets another finger;
- LET_GO: a note that must sound on loses its finger, only where the new notes leave none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from coach.core.hand import HIGHEST_REACH, LOWEST_REACH, Place, fingerings, in_order
from coach.core.placings import Group, Stroke

HOP = 2.0
ROLL = 1.5
SLIDE = 3.0
SWAP = 1.5
TWIST = 0.3
TANGLE, TANGLED = 2.0, 2  # within so many frets: farther apart the hand moves anyway
LET_GO = 6.0
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
    look: tuple[object, ...]  # what the fingers can do depends on this and on what is held


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
        look = (opens, *((place, stroke.finger) for stroke, place, _ in notes))
        grips.append(Grip(group.onset, notes, opens, struck | here, wait_s, rested, under_open, look))
        wait_s, under_open, struck = 0.0, False, 0
    return grips


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
