"""Which right-hand finger plucks which note, where the score is silent: p i m a.

The strings are known; an optimum path over the groups of strokes gives the letters. *Action* at a group: a
finger for each stroke, and the string over which i lies (m and a lie over the next ones, so that i m a over
strings 3 2 1 is a hand at rest). *State* after it: that string, the last strokes above the thumb's with
their fingers, and how long ago they were. Nothing else enters a cost, so the minimum is exact; a state is put
aside only where another is cheaper by more than any next join could cost it. All rules
are common practice of the guitar's teaching, no source; weights and the figure for *fast* are our own.

- Within a group fingers follow the strings, p lowest; no finger twice, but p may take neighbouring strings.
- The bass is the thumb's: OFF_THUMB otherwise.  Above, p costs THUMB_UP (less on the wound strings).
- OFF_HOME a string that a finger lies off its own; MOVE a string by which the hand moves across.
- a belongs to chords and broken chords: LONE_A in a line, WIDE_A on the upper of two notes.
- The same finger twice running: AGAIN, FAST_AGAIN within ``FAST_S``; between chords
  CHORD_AGAIN on its string, CHORD_MOVED or FAST_CHORD from one string to another.
- A finger goes to a string beyond a higher finger's last: CROSS. In a line that only an extra a or a finger
  twice running would keep from crossing, i and m alternate and cross.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray

from coach.core.placings import Group, Stroke, first_times, groups_of
from coach.core.score import Array, Score, make_score
from coach.core.string_costs import treble_strings

THUMB, INDEX, MIDDLE, RING = 1, 2, 3, 4  # NOTE.pluck: p i m a
FAST_S = 0.3
OFF_THUMB = 8.0
THUMB_UP, THUMB_LOW = 2.0, 0.7
TUNE_THUMB = 1.0  # more for the tune
ROLL = 1.5  # each further string that p takes in one stroke
ROLL_APART = 5.0  # … that is no neighbour
OFF_HOME, MOVE = 0.25, 0.2
LONE_A, WIDE_A, BROKEN_A = 2.5, 0.3, 0.1
LATER = 0.02  # m where i would do as well: lines begin with i
AGAIN, FAST_AGAIN = 5.0, 12.0
CHORD_AGAIN, CHORD_MOVED, FAST_CHORD = 0.2, 0.8, 3.0
CROSS = 1.5  # dearer than the hand a string off its home (OFF_HOME, MOVE), cheaper than a lone a
BROKEN = 3  # semitones: less is a step of a line
AGAINST = 20.0  # what the score gives breaks the order of the fingers

Upper = tuple[tuple[int, int], ...]  # (string, finger) of the strokes above the thumb's
Whole = NDArray[np.intp]
_Last = tuple[Upper, float]  # what was last played above the thumb, and how long ago it was


@dataclass(frozen=True, slots=True)
class Pluck:
    """A group as the right hand meets it."""

    strokes: tuple[Stroke, ...]
    strings: tuple[int, ...]
    given: tuple[int, ...]  # letters that the score gives, 0 for none
    wait_s: float  # since the group before
    broken: bool  # its upper note is part of a broken chord


def finger_right(score: Score) -> Score:
    """Return the score with a right-hand finger (``pluck``) for every note whose string is known.

    Letters that the score gives stay; a written note that is played again gets the letter of its first time.
    Grace notes get none: whether they are plucked or slurred is not known.
    """
    filled = score.notes.copy()
    first = first_times(score)
    known = [row for row in range(len(filled)) if filled["string"][row] and not filled["grace"][row]]
    fresh = [row for row in known if first[row] == row]
    _fill(score, filled, fresh)
    if len(fresh) < len(known):
        # Where a repeat leads on to something new, that is fingered again after what is really played before.
        again = {first[row] for row in known if first[row] != row}
        for row in known:
            if first[row] in again:
                filled["pluck"][row] = filled["pluck"][first[row]]
            else:
                filled["pluck"][row] = score.notes["pluck"][row]
        _fill(score, filled, known)
    made = make_score(filled, score.bars)
    return replace(score, notes=made.notes)


def _fill(score: Score, filled: Array, rows: list[int]) -> None:
    """Fill in the missing letters of ``rows``."""
    groups, shared, _ = groups_of(score, rows, filled)
    plucks = plucks_of(groups, filled["pluck"].tolist())
    treble = treble_strings(score.tuning)
    _, chosen = best_letters(plucks, score.tuning.strings, treble)
    for pluck, letters in zip(plucks, chosen, strict=True):
        for stroke, letter in zip(pluck.strokes, letters, strict=True):
            filled[stroke.row]["pluck"] = letter
    for row, played in shared.items():
        if not filled[row]["pluck"]:
            filled[row]["pluck"] = filled[played]["pluck"]


def plucks_of(groups: list[Group], letters: list[int]) -> list[Pluck]:
    """Return the groups as the right hand meets them."""
    tops: list[tuple[int, int] | None] = []  # string and pitch of the upper note
    for group in groups:
        above = [(s.places[0][0], s.pitch) for s in group.strokes if not s.bass]
        tops.append(max(above, key=lambda place: place[1]) if above else None)
    with_top = [index for index, top in enumerate(tops) if top]
    broken: set[int] = set()
    for three in zip(with_top, with_top[1:], with_top[2:], strict=False):
        if _is_broken([top for top in (tops[index] for index in three) if top]):
            broken.update(three)
    return [
        Pluck(
            group.strokes,
            tuple(s.places[0][0] for s in group.strokes),
            tuple(letters[s.row] for s in group.strokes),
            group.wait_s,
            index in broken,
        )
        for index, group in enumerate(groups)
    ]


def _is_broken(three: list[tuple[int, int]]) -> bool:
    """Return whether three notes running are a broken chord: on three strings, no step among them."""
    (one, low), (two, middle), (last, high) = three
    apart = abs(low - middle) >= BROKEN and abs(middle - high) >= BROKEN
    return apart and len({one, two, last}) == 3


@dataclass(slots=True)
class _Choices:
    """What the right hand can do at a group, by row."""

    letters: list[tuple[int, ...]]
    uppers: list[Upper]  # what lies above the thumb's
    costs: NDArray[np.float64]  # by row and home
    plucking: list[int]  # the rows with something above the thumb
    thumbs: int  # the row without, -1 where there is none
    joined: dict[tuple[Upper, bool], list[float]]

    @classmethod
    def of(cls, pluck: Pluck, treble: int, homes: range) -> _Choices:
        """Return what can be done at a group."""
        found = actions(pluck, treble)
        uppers = [
            tuple(pair for pair in zip(pluck.strings, letters, strict=True) if pair[1] != THUMB)
            for _, letters in found
        ]
        costs = [
            [cost + sum(OFF_HOME * abs(s - home + f - INDEX) for s, f in upper) for home in homes]
            for (cost, _), upper in zip(found, uppers, strict=True)
        ]
        plucking = [row for row, upper in enumerate(uppers) if upper]
        thumbs = uppers.index(()) if () in uppers else -1
        return cls([letters for _, letters in found], uppers, np.array(costs), plucking, thumbs, {})

    def join(self, last: Upper, fast: bool) -> list[float]:
        """Return what each row costs after ``last``."""
        if (last, fast) not in self.joined:
            self.joined[last, fast] = [joins(last, upper, fast) for upper in self.uppers]
        return self.joined[last, fast]


def best_letters(plucks: list[Pluck], strings: int, treble: int) -> tuple[float, list[tuple[int, ...]]]:
    """Return the least cost of plucking the groups in order, and the letters of each."""
    homes = range(min(2, strings), max(strings, 2))  # i lies within the outer strings
    at = np.arange(len(homes))
    moves = MOVE * np.abs(at[:, None] - at)  # from, to
    # The most that a stroke's joining the next ones costs; no finger is twice in a chord unless it is given.
    alike = max((len(p.given) for p in plucks if any(p.given)), default=1)
    dearest = FAST_AGAIN * alike + CROSS * strings
    known: dict[tuple[object, ...], _Choices] = {}
    states: list[_Last] = [((), 0.0)]
    cost = np.zeros((1, len(homes)))  # by state and home
    trail: list[tuple[list[tuple[int, ...]], Whole]] = []  # by state: letters; by state and home: from where
    for pluck in plucks:
        key = (pluck.strings, pluck.given, pluck.broken, tuple((s.bass, s.tune) for s in pluck.strokes))
        if key not in known:
            known[key] = _Choices.of(pluck, treble, homes)
        choices = known[key]
        # Longer than FAST_S ago is all the same.
        lasting = [(last, min(round(before_s + pluck.wait_s, 4), FAST_S)) for last, before_s in states]
        reached = cost[:, :, None] + moves
        came = np.arange(len(states))[:, None] * len(homes) + reached.argmin(axis=1)
        going = np.array([choices.join(last, since_s < FAST_S) for last, since_s in lasting])
        total = (reached.min(axis=1)[:, None, :] + going[:, :, None]) + choices.costs
        rows = choices.plucking
        states = [(choices.uppers[row], 0.0) for row in rows]
        cost, back = total.min(axis=0)[rows], came[total.argmin(axis=0), at][rows]
        letters = [choices.letters[row] for row in rows]
        if choices.thumbs >= 0:  # the thumb alone: what was last above it stays so
            lasting, best = _merged(lasting, total[:, choices.thumbs])
            cost = np.concatenate([cost, total[best, choices.thumbs, at]])
            back = np.concatenate([back, came[best, at]])
            states += lasting
            letters += [choices.letters[choices.thumbs]] * len(lasting)
            # A state is put aside where another is cheaper even if its next join were the dearest there is:
            # it can copy what the dearer one does, and after that the two are the same.
            bound = np.array([dearest * len(last) for last, _ in states])
            some = (cost <= (cost + bound[:, None]).min(axis=0)).any(axis=1).nonzero()[0].tolist()
            if len(some) < len(states):
                cost, back = cost[some], back[some]
                states, letters = [states[row] for row in some], [letters[row] for row in some]
        trail.append((letters, back))
    state, home = divmod(int(cost.argmin()), len(homes))
    least, path = float(cost.min()), []
    for letters, back in reversed(trail):
        path.append(letters[state])
        state, home = divmod(int(back[state, home]), len(homes))
    return least, path[::-1]


def _merged(states: list[_Last], cost: NDArray[np.float64]) -> tuple[list[_Last], Whole]:
    """Return the different ones among the states, and by state and home the cheapest row of ``cost``."""
    rows: dict[_Last, int] = {}
    best = np.repeat(np.arange(len(states))[:, None], cost.shape[1], axis=1)
    for row, state in enumerate(states):
        first = rows.setdefault(state, row)
        if first != row:
            held = best[first]
            best[first] = np.where(cost[row] < cost[held, np.arange(cost.shape[1])], row, held)
    return list(rows), best[list(rows.values())]


def actions(pluck: Pluck, treble: int) -> list[tuple[float, tuple[int, ...]]]:
    """Return (cost by itself, letters) of what the right hand can do."""
    count = len(pluck.strokes)
    order = sorted(range(count), key=lambda index: -pluck.strings[index])  # from the bass side
    found = []
    choices = [[given] if THUMB <= given <= RING else [THUMB, INDEX, MIDDLE, RING] for given in pluck.given]
    if count > len((THUMB, INDEX, MIDDLE, RING)):  # p takes what the fingers leave
        low = set(order[: count - 3])
        choices = [
            c if len(c) == 1 else [THUMB] if i in low else [INDEX, MIDDLE, RING]
            for i, c in enumerate(choices)
        ]
    for letters in product(*choices):
        ordered = [letters[index] for index in order]
        if all(a < b or a == b == THUMB for a, b in pairwise(ordered)):
            found.append((_alone(pluck, letters, order, treble), letters))
    if found:
        return found
    guess = tuple(
        g if THUMB <= g <= RING else THUMB if s.bass else INDEX
        for g, s in zip(pluck.given, pluck.strokes, strict=True)
    )
    return [(AGAINST, guess)]


def _alone(pluck: Pluck, letters: tuple[int, ...], order: list[int], treble: int) -> float:
    cost = 0.0
    basses = [index for index in order if pluck.strokes[index].bass]
    if basses and letters[basses[0]] != THUMB:
        cost += OFF_THUMB
    thumbed = [pluck.strings[index] for index in order if letters[index] == THUMB]
    for below, above in pairwise(thumbed):
        cost += ROLL if below - above == 1 else ROLL_APART
    upper = [index for index in order if letters[index] != THUMB]
    for index, letter in enumerate(letters):
        stroke, string = pluck.strokes[index], pluck.strings[index]
        if letter == THUMB and not stroke.bass:
            cost += (THUMB_LOW if string > treble else THUMB_UP) + (TUNE_THUMB if stroke.tune else 0.0)
        elif letter == MIDDLE:
            cost += LATER
        elif letter == RING and len(upper) == 1:
            cost += BROKEN_A if pluck.broken else LONE_A
        elif letter == RING and len(upper) == 2:
            cost += WIDE_A
    return cost


def joins(last: Upper, upper: Upper, fast: bool) -> float:
    """Return what it costs to play ``upper`` after ``last``."""
    chords = len(last) > 1 and len(upper) > 1
    cost = 0.0
    for string, finger in upper:
        for before, other in last:
            if finger == other:
                if not chords:
                    cost += FAST_AGAIN if fast else AGAIN
                elif before == string:
                    cost += CHORD_AGAIN
                else:
                    cost += FAST_CHORD if fast else CHORD_MOVED
            elif (finger < other) != (string > before) and string != before:
                cost += CROSS
    return cost
