"""The price of three in a row: the formula, and the drill itself driven with dice until it agrees."""

from __future__ import annotations

import random
from math import sqrt
from statistics import fmean

import pytest

from coach.core.drill import Drill, Kind, PassResult, Rules, expected_passes
from coach.core.ladder import Part, Rung

CLEAN, FAULTY = PassResult(True, True), PassResult(False, False, "bar 1: it rang on.", 0)
ONE = (Rung(Part.TOGETHER, 0, 3, 4, name="together, bars 1–4"),)
RUNS = 3000
SIGMAS = 4.0  # a right drill fails one check in about 16 000; the seeds are fixed, so it does not flicker


# Formula: Feller, An Introduction to Probability Theory and Its Applications I, chapter XIII (recurrent
# events; from memory).  Figures worked out by hand from it: (1 − 1/8) / (1/2 · 1/8) = 14.
@pytest.mark.parametrize(
    ("rate", "passes"), [(0.5, 14.0), (0.6, 9.07), (0.7, 6.38), (0.8, 4.77), (0.9, 3.72)]
)
def test_the_formula_gives_the_known_figures(rate, passes):
    assert expected_passes(rate) == pytest.approx(passes, abs=0.005)


@pytest.mark.parametrize("rate", [0.3, 0.5, 0.6, 0.8, 0.95])
@pytest.mark.parametrize("needed", [1, 2, 3, 5])
def test_the_formula_solves_the_first_step_equations(rate, needed):
    # With k in a row still wanting: e(k) = 1 + p·e(k−1) + (1−p)·e(needed), e(0) = 0; solved for e(needed).
    fixed, of_whole = 0.0, 0.0  # e(k) = fixed + of_whole · e(needed)
    for _ in range(needed):
        fixed, of_whole = 1 + rate * fixed, rate * of_whole + (1 - rate)
    assert expected_passes(rate, needed) == pytest.approx(fixed / (1 - of_whole))


def test_the_formula_at_its_ends():
    assert expected_passes(1.0) == 3
    assert expected_passes(0.0) == float("inf")


def standard_deviation(p: float, r: int) -> float:
    """Return the standard deviation of the passes to a first run of r (Feller, the same chapter)."""
    q = 1 - p
    return sqrt(1 / (q * p**r) ** 2 - (2 * r + 1) / (q * p**r) - p / q**2)


@pytest.mark.parametrize("rate", [0.5, 0.6, 0.7, 0.8, 0.9])
def test_the_drill_needs_as_many_passes_as_the_formula_says(rate):
    # No step down on the way: it would only begin the same count anew, and must not change the mean.
    rules = Rules(start_speed=1.0, faults_before_slower=10**6)
    dice = random.Random(f"three in a row {rate}")
    taken = []
    for _ in range(RUNS):
        drill = Drill(ONE, rules)
        while not drill.finished:
            drill.take(CLEAN if dice.random() < rate else FAULTY, 0)
        taken.append(drill.passes)
    bound = SIGMAS * standard_deviation(rate, 3) / sqrt(RUNS)
    assert bound < 0.07 * expected_passes(rate)  # else the check would be too weak to mean anything
    assert abs(fmean(taken) - expected_passes(rate)) < bound


def test_the_bound_tells_three_from_two_in_a_row_and_a_count_that_forgets_no_fault():
    # What a broken drill would give lies far outside the bound: two in a row, or any three clean ones.
    for rate in (0.5, 0.6, 0.7, 0.8, 0.9):
        bound = SIGMAS * standard_deviation(rate, 3) / sqrt(RUNS)
        assert abs(expected_passes(rate, 2) - expected_passes(rate)) > bound
        assert abs(3 / rate - expected_passes(rate)) > bound


@pytest.mark.parametrize("needed", [1, 2, 5])
def test_other_numbers_in_a_row(needed):
    rules = Rules(needed=needed, start_speed=1.0, faults_before_slower=10**6)
    dice = random.Random(f"{needed} in a row")
    taken = []
    for _ in range(RUNS):
        drill = Drill(ONE, rules)
        while not drill.finished:
            drill.take(CLEAN if dice.random() < 0.7 else FAULTY, 0)
        taken.append(drill.passes)
    bound = SIGMAS * standard_deviation(0.7, needed) / sqrt(RUNS)
    assert abs(fmean(taken) - expected_passes(0.7, needed)) < bound


def test_a_sure_player_climbs_in_as_few_passes_as_the_rules_allow():
    # From 60 % by 5 to 100 % are nine tempi of three passes: 27.
    drill, kinds = Drill(ONE), []
    while not drill.finished:
        kinds += [one.kind for one in drill.take(CLEAN, 0)]
    assert drill.passes == 27
    assert kinds.count(Kind.STEP_UP) == 8
    assert kinds[-1] is Kind.DONE
