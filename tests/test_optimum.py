"""The search for strings against every way there is, tried one by one; the fingers likewise."""

from itertools import product

import pytest

from coach.core import grips as hand_grips
from coach.core import right_hand
from coach.core import string_costs as costs
from coach.core.grips import grips_of
from coach.core.hand import HIGHEST_REACH, LOWEST_REACH, hold_cost, in_order
from coach.core.left_hand import best_fingers
from coach.core.placings import groups_of
from coach.core.right_hand import INDEX, THUMB, best_letters, plucks_of
from coach.core.score import TICKS_PER_QUARTER
from coach.core.string_costs import HEIGHT, shift_cost
from coach.core.strings import best_path
from tests.dice import Dice
from tests.pieces import generated_piece
from tests.scores import piece
from tests.test_strings import raw

Q = TICKS_PER_QUARTER

# --- strings and frets ----------------------------------------------------------------------------------


def least_cost(groups, tuning):
    """The least cost of all ways there are, tried one by one, added up from the definition of the costs."""
    highest = max(max((f for s in g.strokes for _, f in s.places)) for g in groups) + 1
    opens = {tuning.open_pitch(s) for s in range(1, tuning.strings + 1)}
    treble = min(3, tuning.strings // 2)

    def alone(group, chosen, hand):
        stopped = in_order(chosen)
        cost = hold_cost(stopped, frozenset(s for s, f in chosen if not f), hand)
        if cost is None:
            return None
        if stopped:
            cost += costs.HEIGHT * (hand - 1)
        for stroke, (string, fret) in zip(group.strokes, chosen, strict=True):
            cost += costs.STOPPED * (fret > 0)
            if stroke.bass:
                cost += costs.STOPPED_BASS * (fret > 0 and stroke.pitch in opens)
                cost += costs.LIGHT_BASS * max(0, treble + 1 - string)
            else:
                cost += costs.DARK * (1.0 if stroke.tune else 0.5) * max(0, string - treble)
                cost += costs.OPEN_HIGH * (stroke.tune and fret == 0 and hand > costs.OPEN_UP_TO)
        for a, (s, _) in zip(group.strokes, chosen, strict=True):
            for b, (t, _) in zip(group.strokes, chosen, strict=True):
                cost += costs.CROSSED * (
                    a.pitch < b.pitch and s < t
                )  # string 1 is the highest in these tunings
        return cost

    def cut(note, tick):
        share = costs.LEAST_CUT + (1 - costs.LEAST_CUT) * min(1.0, (note[2] - tick) / Q)
        return (costs.CUT_BASS if note[3] else costs.CUT) * share

    def rest(index, hand, tune, held):
        if index == len(groups):
            return 0.0
        group = groups[index]
        living = [h for h in held if h[2] > group.onset]
        best = float("inf")
        for chosen in product(*(s.places for s in group.strokes)):
            if len({s for s, _ in chosen}) < len(chosen):
                continue
            stopped = [f for _, f in chosen if f]
            for at in range(1, highest + 1):
                if any(not LOWEST_REACH <= f - at <= HIGHEST_REACH for f in stopped):
                    continue
                lone = len(stopped) == 1 and not 0 <= stopped[0] - at <= 3
                if lone and not any(h[1] for h in living):
                    continue
                cost = alone(group, chosen, at)
                if cost is None:
                    continue
                if hand and at != hand:
                    haste = min(max(costs.HASTE_S / group.wait_s, costs.LEAST_HASTE), costs.MOST_HASTE)
                    shift = (costs.SHIFT + costs.FRET * abs(at - hand)) * haste
                    shift *= costs.AFTER_REST if group.rested else 1.0
                    if any(h[1] for h in living):
                        shift += costs.HOLDING + costs.HOLDING_FRET * abs(at - hand)
                    elif not stopped:
                        shift *= costs.UNDER_OPEN
                    cost += shift
                new_tune = next((p[0] for s, p in zip(group.strokes, chosen, strict=True) if s.tune), 0)
                if new_tune and tune and new_tune != tune:
                    cost += (costs.CHANGE + costs.HOP * abs(new_tune - tune)) * (
                        costs.SLURRED if group.slurred else 1.0
                    )
                kept = []
                for note in living:
                    if note[0] in {s for s, _ in chosen}:
                        cost += costs.AGAIN if (note[0], note[1]) in chosen else cut(note, group.onset)
                    elif note[1] and not LOWEST_REACH <= note[1] - at <= HIGHEST_REACH:
                        cost += cut(note, group.onset)
                    else:
                        kept.append(note)
                opened = frozenset(s for s, f in chosen if not f)
                while any(h[1] for h in kept):
                    both = in_order((*chosen, *((h[0], h[1]) for h in kept)))
                    together = hold_cost(both, opened, at)
                    if together is not None:
                        cost += together - hold_cost(in_order(chosen), opened, at)
                        break
                    worst = min((h for h in kept if h[1]), key=lambda h: cut(h, group.onset))
                    cost += cut(worst, group.onset)
                    kept.remove(worst)
                kept += [(p[0], p[1], s.end, s.bass) for s, p in zip(group.strokes, chosen, strict=True)]
                kept.sort()
                best = min(best, cost + rest(index + 1, at, new_tune or tune, kept))
        return best

    return rest(0, 0, 0, [])


def small_case(seed):
    """Three groups: slow or fast, with short basses or a long one that keeps the hand where it is."""
    dice = Dice(f"small {seed}")
    pace = dice.one_of([1, 1 / 2, 1 / 8])  # quarters, at 60 a minute
    if dice.chance(0.5):
        tunes = ["G4", "A4", "B4", "C5", "F4", "E4", "F#4"]
        rows = [(0, 8 * pace, dice.one_of(["F2", "G2", "B2", "C3", "F3", "G3"]), True)]
        rows += [(i * pace, dice.one_of([1, 2]) * pace, dice.one_of(tunes), False) for i in range(3)]
        return raw(*rows)
    basses, tunes = ["E2", "G2", "A2", "C3", "D3"], ["F3", "A3", "C4", "E4", "G4", "A4"]
    rows, at = [], 0
    for _ in range(3):
        if dice.chance(0.5):
            rows.append((at, dice.one_of([1, 2, 3]) * pace, dice.one_of(basses), True))
        if dice.chance(0.7) or not rows or rows[-1][0] != at:
            rows.append((at, dice.one_of([1, 2]) * pace, dice.one_of(tunes), False))
        at += dice.one_of([1, 1, 2]) * pace
    return raw(*rows)


@pytest.mark.parametrize("seed", range(60))
def test_the_optimum_is_the_least_of_all_ways(seed):
    score = small_case(seed)
    groups, _, _ = groups_of(score, range(len(score.notes)), score.notes)
    total, actions = best_path(groups, score.tuning)
    assert len(actions) == len(groups)
    assert total == pytest.approx(least_cost(groups, score.tuning), abs=1e-9)


def test_the_optimum_of_a_fast_line_on_one_string():
    # Frets 1, 5, 1 of the first string, as the score says: the hand moves, no finger stretches for one note.
    score = raw((0, 1 / 8, "F4", False), (1 / 8, 1 / 8, "A4", False), (1 / 4, 1 / 8, "F4", False))
    notes = score.notes.copy()
    notes["string"] = 1
    groups, _, _ = groups_of(score, range(3), notes)
    total, actions = best_path(groups, score.tuning)
    assert total == pytest.approx(least_cost(groups, score.tuning), abs=1e-9)
    assert actions[1].position >= 2


@pytest.mark.parametrize("seed", range(10))
def test_putting_dominated_states_aside_changes_nothing(seed, monkeypatch):
    # Long notes over one another in three voices: many sets of held notes.
    dice = Dice(f"held {seed}")
    names = ["A2", "C3", "E3", "G3", "B3", "C4", "D4", "E4", "F4", "G4", "A4"]
    score = raw(*((i, dice.one_of([1, 2, 4, 6]), dice.one_of(names), dice.chance(0.3)) for i in range(14)))
    groups, _, _ = groups_of(score, range(len(score.notes)), score.notes)
    monkeypatch.setattr("coach.core.strings.ENOUGH_SETS", 10**9)
    all_kept, _ = best_path(groups, score.tuning)
    monkeypatch.setattr("coach.core.strings.ENOUGH_SETS", 1)
    assert best_path(groups, score.tuning)[0] == pytest.approx(all_kept, abs=1e-9)


# --- fingers ---


def least_left(grips):
    """Every position and fingering of every grip tried in turn, the costs added up from the definition."""

    def rest(index, hand, memory):
        if index == len(grips):
            return 0.0
        grip = grips[index]
        held = tuple(p for p in memory if p.end > grip.onset and not grip.struck >> p.string & 1)
        best = float("inf")
        for position, cost, fingers in hand_grips.options(grip, held):
            cost += HEIGHT * (position - 1) + hand_grips.hops(memory, grip, fingers)
            if hand:
                for frets in hand_grips.slides(memory, grip, fingers):
                    guided = (position > hand and frets > 0) or (position < hand and frets < 0)
                    cost += 0.0 if guided else hand_grips.SLIDE
                cost += shift_cost(
                    abs(position - hand),
                    grip.wait_s,
                    rested=grip.rested,
                    under_open=grip.under_open,
                    holding=bool(held),
                )
            own = tuple(
                hand_grips.Press(*place, finger, end)
                for (_, place, end), finger in zip(grip.notes, fingers, strict=True)
            )
            best = min(best, cost + rest(index + 1, position, own + held))
        return best

    return rest(0, 0, ())


@pytest.mark.parametrize("seed", range(20))
def test_left_fingers_are_the_least_of_all_ways(seed):
    score = generated_piece(seed=seed, bars=2, eighths=0.0)
    groups, _, _ = groups_of(score, range(len(score.notes)), score.notes)
    grips = grips_of(groups)[:3]
    assert best_fingers(grips)[0] == pytest.approx(least_left(grips), abs=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_left_fingers_of_fast_lines_are_the_least_of_all_ways(seed):
    dice = Dice(f"line {seed}")
    names = ["F4@1", "F#4@1", "G4@1", "A4@1", "B4@1", "C4@2", "D4@2", "C#4@2"]
    score = piece("4/4", "", ", ".join(f"{dice.one_of(names)} {dice.one_of(['1/8', '1'])}" for _ in range(4)))
    groups, _, _ = groups_of(score, range(len(score.notes)), score.notes)
    grips = grips_of(groups)
    assert best_fingers(grips)[0] == pytest.approx(least_left(grips), abs=1e-9)


def least_right(plucks, strings):
    homes = range(2, strings)

    def rest(index, home, last, since_s):
        if index == len(plucks):
            return 0.0
        pluck, best = plucks[index], float("inf")
        since_s += pluck.wait_s
        for cost, chosen in right_hand.actions(pluck, 3):
            upper = tuple(pair for pair in zip(pluck.strings, chosen, strict=True) if pair[1] != THUMB)
            going = cost + right_hand.joins(last, upper, since_s < right_hand.FAST_S)
            for at in homes:
                # i over string ``at``, m over the next higher-sounding one, a over the one after.
                off = sum(abs(s - (at - (f - INDEX))) for s, f in upper)
                total = (
                    going + right_hand.OFF_HOME * off + (right_hand.MOVE * abs(at - home) if home else 0.0)
                )
                after = (upper, 0.0) if upper else (last, since_s)
                best = min(best, total + rest(index + 1, at, *after))
        return best

    return rest(0, 0, (), 0.0)


@pytest.mark.parametrize("seed", range(24))
def test_right_letters_are_the_least_of_all_ways(seed):
    dice = Dice(f"letters {seed}")
    tunes = ", ".join(
        f"{dice.one_of(['A3', 'C4', 'E4', 'E4+C4', 'G4'])} {dice.one_of(['1/4', '1/2', '1'])}"
        for _ in range(4)
    )
    score = piece("4/4", f"A2 {dice.one_of(['1/4', '1', '2'])}", tunes, qpm=100)
    groups, _, _ = groups_of(score, range(len(score.notes)), score.notes)
    plucks = plucks_of(groups, [0] * len(score.notes))[:4]
    total, chosen = best_letters(plucks, 6, 3)
    assert len(chosen) == len(plucks)
    assert total == pytest.approx(least_right(plucks, 6), abs=1e-9)
