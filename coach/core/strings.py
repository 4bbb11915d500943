"""Which string and fret play which note, where the score is silent.

An optimum path over the whole piece, both voices together, by dynamic programming (Sayegh 1989, Computer
Music Journal 13(3), 76-84: candidate positions with costs on the transitions). The costs and their sources
are in ``coach.core.string_costs``.

*Action* at a group: a place for each stroke, one note a string, and a position of the hand from which those
places can be held. *State* after it: the position, the string of the last tune note, and every note that
still has to sound with its string and fret. A note that should sound on is let go only where its string is
plucked or where the hand, having moved or run out of fingers, cannot keep it. Nothing else enters a cost,
so the minimum is exact; a set of held notes is put aside only where a smaller set can copy whatever it may
do for no more (``_undominated``), or beyond MOST_SETS (the most seen in sixty pieces was under fifty).

A written note that is played again is met once, the first time, and the search goes on from there to the
next new note: what a repeat leads on to is joined to the bar written before it.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coach.core.hand import Place
from coach.core.impossible import Impossible
from coach.core.pitch import Tuning
from coach.core.placings import Group, first_times, groups_of, positions_for, with_given
from coach.core.score import Array, Score, make_score
from coach.core.string_costs import (
    CUT,
    CUT_BASS,
    Action,
    Actions,
    Held,
    Sets,
    change_cost,
    keep,
    shift_cost,
)

__all__ = ["Impossible", "assign_strings", "best_path"]

MOST_SETS = 400  # different sets of held notes kept after a group
ENOUGH_SETS = 6  # sets that are not worth comparing
FAR = 1e9

_Key = tuple[Sets, int, int]  # held, tune string, position - 1
_Found = tuple[float, Action, int, int]  # cost, action, set before, state before
Floats = NDArray[np.float64]


def assign_strings(score: Score) -> tuple[Score, tuple[Impossible, ...]]:
    """Return the score with a string and fret for every note, and the notes that have no place.

    A written note that is played again gets the place of its first time.  A note that is impossible keeps
    string 0 and fret -1.  Raises nothing.
    """
    notes = score.notes
    if not len(notes):
        return score, ()
    filled = notes.copy()
    first = first_times(score)
    impossible: dict[int, Impossible] = {}
    fresh = [row == source for row, source in enumerate(first)]
    whole: defaultdict[int, bool] = defaultdict(lambda: True)
    for row, onset in enumerate(notes["onset"].tolist()):
        whole[onset] &= fresh[row]
    is_whole = [whole[onset] for onset in notes["onset"].tolist()]
    _place(score, filled, [row for row, new in enumerate(fresh) if new and is_whole[row]], impossible)
    _repeat(filled, first, impossible)
    # A note that is struck in a later round only stands beside notes that have their places already.
    mixed = {onset for onset, is_new in whole.items() if not is_new}
    if any(new and not is_whole[row] for row, new in enumerate(fresh)):
        rows = [
            r for r, onset in enumerate(notes["onset"].tolist()) if onset in mixed and r not in impossible
        ]
        _place(score, filled, rows, impossible)
        _repeat(filled, first, impossible)
    made = make_score(filled, score.bars)
    return replace(score, notes=made.notes), tuple(impossible[row] for row in sorted(impossible))


def _repeat(filled: Array, first: list[int], impossible: dict[int, Impossible]) -> None:
    """Give every later performance the place of the first."""
    for row, source in enumerate(first):
        if row == source:
            continue
        filled[row]["string"], filled[row]["fret"] = filled[source]["string"], filled[source]["fret"]
        if source in impossible and row not in impossible:
            found = impossible[source]
            onset = filled["onset"][row]
            beside = np.flatnonzero(filled["onset"] == onset).tolist()
            other = next((r for r in beside if first[r] == found.other), -1)
            impossible[row] = replace(found, row=row, other=other)


def _place(score: Score, filled: Array, rows: list[int], impossible: dict[int, Impossible]) -> None:
    """Fill in the places of ``rows``."""
    groups, shared, left_out = groups_of(score, rows, filled)
    _, actions = best_path(groups, score.tuning)
    for group, action in zip(groups, actions, strict=True):
        for stroke, (string, fret) in zip(group.strokes, action.places, strict=True):
            filled[stroke.row]["string"], filled[stroke.row]["fret"] = string, fret
    for found in left_out:
        impossible[found.row] = with_given(found, filled)
        filled[found.row]["string"], filled[found.row]["fret"] = 0, -1
    for row, played in shared.items():
        filled[row]["string"], filled[row]["fret"] = filled[played]["string"], filled[played]["fret"]
        if played in impossible:
            impossible[row] = replace(impossible[played], row=row)


def best_path(groups: list[Group], tuning: Tuning) -> tuple[float, list[Action]]:
    """Return the least cost of playing the groups in order, and an action for each that has it."""
    if not groups:
        return 0.0, []
    highest = max(max(positions_for(s.places for s in group.strokes)) for group in groups)
    return _Search(groups, tuning, highest).run()


@dataclass(frozen=True, slots=True)
class _Step:
    """What a state came from."""

    cost: float
    action: Action | None
    back: _Step | None


@dataclass(slots=True)
class _States:
    """States after a group: ``cost[set, tune string, position - 1]``."""

    sets: list[Sets]
    cost: Floats
    steps: dict[tuple[int, int, int], _Step]


class _Search:
    def __init__(self, groups: list[Group], tuning: Tuning, highest: int) -> None:
        self.groups, self.highest, self.strings = groups, highest, tuning.strings
        self.actions = Actions(tuning, highest)
        ring = range(tuning.strings + 1)
        self.rows = np.arange(tuning.strings + 1)[None, :, None]
        self.change = {
            slurred: np.array([[change_cost(a, b, slurred) for b in ring] for a in ring])
            for slurred in (False, True)
        }
        self._shifts: dict[tuple[float, bool, bool, bool], Floats] = {}

    def run(self) -> tuple[float, list[Action]]:
        cost = np.full((1, self.strings + 1, self.highest), FAR)
        cost[0, 0, :] = 0.0  # the hand begins wherever it likes
        steps = {(0, 0, position): _Step(0.0, None, None) for position in range(self.highest)}
        states = _States([()], cost, steps)
        for index, group in enumerate(self.groups):
            last = index + 1 == len(self.groups)
            until = group.onset if last else self.groups[index + 1].onset
            states = self._step(states, group, until)
            if len(states.sets) > ENOUGH_SETS and not last:
                states = self._undominated(states, self.groups[index + 1])
        step: _Step | None = min(states.steps.values(), key=lambda s: s.cost)
        assert step is not None
        total, path = step.cost, []
        while step is not None and step.action is not None:
            path.append(step.action)
            step = step.back
        return total, path[::-1]

    def _shift(self, group: Group, under_open: bool, holding: bool) -> Floats:
        key = (round(group.wait_s, 4), group.rested, under_open, holding)
        if key not in self._shifts:
            by_frets = np.array(
                [
                    shift_cost(
                        frets, group.wait_s, rested=group.rested, under_open=under_open, holding=holding
                    )
                    for frets in range(self.highest)
                ]
            )
            at = np.arange(self.highest)
            self._shifts[key] = by_frets[np.abs(at[:, None] - at[None, :])]
        return self._shifts[key]

    def _step(self, states: _States, group: Group, until: int) -> _States:
        """Return the states after a group, from those before it; notes over by ``until`` are forgotten."""
        living = [tuple(h for h in held if h.end > group.onset) for held in states.sets]
        actions = self.actions.of(group)
        arrivals = {
            under_open: self._arrivals(states.cost, group, under_open, living)
            for under_open in {not action.stopped for action in actions}
        }
        lasting = {
            places: tuple(
                Held(string, fret, stroke.end, stroke.bass)
                for stroke, (string, fret) in zip(group.strokes, places, strict=True)
                if stroke.end > until
            )
            for places in {action.places for action in actions}
        }
        best: dict[_Key, _Found] = {}
        for k, held in enumerate(living):
            tunes = np.flatnonzero((states.cost[k] < FAR).any(axis=1)).tolist()
            staying = tuple((tune, tune + self.strings + 1) for tune in tunes)
            going = tuple(((tune, tune),) for tune in range(self.strings + 1))
            stopping = any(h.fret for h in held)
            ringing = sum({1 << h.string for h in held})
            after_by: dict[tuple[Sets, tuple[Place, ...]], Sets] = {}
            for action in actions:
                if action.extended and not stopping:
                    continue
                extra, kept = 0.0, held
                if stopping or action.used & ringing:
                    extra, kept = keep(held, action, group.onset)
                made = (kept, action.places)
                if made not in after_by:
                    after_by[made] = tuple(sorted((*(h for h in kept if h.end > until), *lasting[made[1]])))
                after = after_by[made]
                lowest, source = arrivals[not action.stopped]
                at = action.position - 1
                # With no tune note the string of the last one is remembered: rows after the first ones.
                for tune, row in going[action.tune] if action.tune else staying:
                    total = lowest[k][row][at] + action.cost + extra
                    known = best.get((after, tune, at))
                    if known is None or total < known[0]:
                        best[after, tune, at] = (total, action, k, source[k][row][at])
        return self._gather(best, states)

    def _arrivals(
        self, cost: Floats, group: Group, under_open: bool, living: list[Sets]
    ) -> tuple[list[list[list[float]]], list[list[list[int]]]]:
        """Return the least cost of reaching each position, by set and by the tune's string, and from where.

        Rows 0 to strings: the tune goes to that string.  Rows after those: it stays on string 0, 1, …
        From where: tune string times ``highest`` plus position - 1.
        """
        holding = [any(h.fret for h in held) for held in living]
        shifts = {held: self._shift(group, under_open, held) for held in set(holding)}
        shift = np.array([shifts[held] for held in holding]) if len(shifts) > 1 else shifts[holding[0]][None]
        changed = cost[:, :, None, :] + self.change[group.slurred][None, :, :, None]
        from_tune = changed.argmin(axis=1)
        moved = np.concatenate([changed.min(axis=1), cost], axis=1)  # set, row, position
        reached = moved[:, :, :, None] + shift[:, None, :, :]
        from_position = reached.argmin(axis=2)
        stay = np.broadcast_to(self.rows, cost.shape)
        came = np.concatenate([from_tune, stay], axis=1)
        at = np.arange(len(living))[:, None, None], np.arange(came.shape[1])[None, :, None]
        tunes = came[at[0], at[1], from_position]
        return reached.min(axis=2).tolist(), (tunes * self.highest + from_position).tolist()

    def _gather(self, best: dict[_Key, _Found], before: _States) -> _States:
        numbers: dict[Sets, int] = {}
        for held, _, _ in best:
            numbers.setdefault(held, len(numbers))
        if len(numbers) > MOST_SETS:
            least = dict.fromkeys(numbers, FAR)
            for (held, _, _), found in best.items():
                least[held] = min(least[held], found[0])
            kept = sorted(numbers, key=lambda held: least[held])[:MOST_SETS]
            numbers = {held: number for number, held in enumerate(kept)}
        cost = np.full((len(numbers), self.strings + 1, self.highest), FAR)
        steps = {}
        for (held, tune, at), (total, action, k, source) in best.items():
            if held in numbers:
                where = (numbers[held], tune, at)
                cost[where] = total
                steps[where] = _Step(total, action, before.steps[k, *divmod(source, self.highest)])
        return _States(list(numbers), cost, steps)

    def _undominated(self, states: _States, following: Group) -> _States:
        """Return the states without those that another can copy for no more, whatever comes.

        A set that holds less, or only open strings more (a cut each at most), can do what the other does: its
        hand moves at the next group from its own position, and moving in two goes is never cheaper.
        """
        count = len(states.sets)
        shift = np.stack([self._shift(following, False, any(h.fret for h in held)) for held in states.sets])
        change = float(self.change[following.slurred].max())
        copied = (states.cost.min(axis=1)[:, :, None] + shift).min(axis=1) + change  # set, position
        least = states.cost.min(axis=(1, 2))
        as_sets = [frozenset(held) for held in states.sets]
        for mine in range(count):
            for other in np.argsort(least).tolist():
                if least[other] >= FAR or other == mine:
                    continue
                more = as_sets[other] - as_sets[mine]
                if any(h.fret for h in more):
                    continue
                bound = copied[other] + sum(CUT_BASS if h.bass else CUT for h in more)
                worse = states.cost[mine] > bound[None, :]
                states.cost[mine][worse] = FAR
        steps = {where: step for where, step in states.steps.items() if states.cost[where] < FAR}
        kept = sorted({where[0] for where in steps})
        number = {k: i for i, k in enumerate(kept)}
        return _States(
            [states.sets[k] for k in kept],
            states.cost[kept],
            {(number[k], tune, at): step for (k, tune, at), step in steps.items()},
        )
