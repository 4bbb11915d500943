"""How much is shown while playing: the rules of fading, and what a page hides."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.core.feedback import (
    Amount,
    Fading,
    Outcome,
    course,
    shown_drifts,
    shown_marks,
    shown_rings,
)
from coach.core.shapes import DriftMark, MarkKind, NoteMark, Ring, RingState

EVERYTHING, LARGE, AFTER, SECOND = Amount
ORDER = list(Amount)
CLEAN, FAULTY = True, False
Q = 10_080


# --- fading -------------------------------------------------------------------------------------------


def amounts(fading, passes):
    """The amount after each pass."""
    found = []
    for clean in passes:
        fading.take(clean)
        found.append(fading.amount)
    return found


def test_three_clean_passes_in_a_row_are_one_step_less_each_time():
    assert amounts(Fading(EVERYTHING), [CLEAN] * 11) == [
        EVERYTHING, EVERYTHING, LARGE,
        LARGE, LARGE, AFTER,
        AFTER, AFTER, SECOND,
        SECOND, SECOND,
    ]  # fmt: skip


def test_a_pass_with_faults_begins_the_count_anew():
    passes = [CLEAN, CLEAN, FAULTY, CLEAN, CLEAN, FAULTY, CLEAN, CLEAN, CLEAN]
    assert amounts(Fading(EVERYTHING), passes) == [EVERYTHING] * 8 + [LARGE]


def test_two_passes_with_faults_in_a_row_are_one_step_more():
    passes = [CLEAN, CLEAN, CLEAN, FAULTY, CLEAN, FAULTY, FAULTY, FAULTY, FAULTY]
    assert amounts(Fading(EVERYTHING), passes) == [EVERYTHING] * 2 + [LARGE] * 4 + [EVERYTHING] * 3


def test_it_is_never_more_than_was_chosen():
    assert amounts(Fading(AFTER), [FAULTY] * 6) == [AFTER] * 6
    assert amounts(Fading(AFTER), [CLEAN] * 3 + [FAULTY] * 4) == [AFTER] * 2 + [SECOND] * 2 + [AFTER] * 3


def test_fixed_keeps_the_choice_and_says_nothing():
    fading = Fading(LARGE, fixed=True)
    assert [fading.take(clean) for clean in [CLEAN] * 7 + [FAULTY] * 7] == [""] * 14
    assert fading.amount is LARGE


def test_each_change_is_said_once_in_one_plain_sentence():
    fading = Fading(EVERYTHING)
    said = [fading.take(clean) for clean in [CLEAN] * 9 + [FAULTY] * 6]
    assert [(at, text) for at, text in enumerate(said) if text] == [
        (2, "Three clean passes: only large faults now show as you play."),
        (5, "Three clean passes: the marks now come after each pass."),
        (8, "Three clean passes: the marks now come after every second pass."),
        (10, "Two passes with faults: the marks come after each pass again."),
        (12, "Two passes with faults: large faults show again as you play."),
        (14, "Two passes with faults: every mark shows again as you play."),
    ]


@given(st.sampled_from(Amount), st.lists(st.booleans(), max_size=60))
def test_the_amount_moves_by_single_steps_below_the_choice_and_says_every_one(chosen, passes):
    fading, before = Fading(chosen), chosen
    for clean in passes:
        said = fading.take(clean)
        step = ORDER.index(fading.amount) - ORDER.index(before)
        assert ORDER.index(fading.amount) >= ORDER.index(chosen)
        assert step in ((0, 1) if clean else (0, -1))
        assert bool(said) == bool(step)
        before = fading.amount


# --- which passes are shown ---------------------------------------------------------------------------

DONE = Outcome(over=True, final=True, counts=True, clean=False)
START = Outcome(over=True, final=True, counts=False, clean=False)  # a false start
GOING = Outcome(over=False, final=False, counts=True, clean=False)
PAUSED = Outcome(over=True, final=False, counts=True, clean=False)


@pytest.mark.parametrize(
    ("chosen", "passes", "shown"),
    [
        (AFTER, [GOING], 0),
        (AFTER, [DONE], 1),
        (AFTER, [DONE, GOING], 1),
        (AFTER, [DONE, PAUSED], 2),
        (AFTER, [START, GOING], 1),
        (LARGE, [DONE, GOING], 1),
        (SECOND, [DONE], 0),
        (SECOND, [DONE, GOING], 0),
        (SECOND, [DONE, DONE], 2),
        (SECOND, [DONE, DONE, DONE, GOING], 2),
        (SECOND, [DONE, DONE, DONE, DONE], 4),
        (SECOND, [DONE, START, GOING], 0),  # a false start is no second pass
        (SECOND, [DONE, START, DONE], 3),
    ],
)
def test_passes_are_shown_when_they_are_over(chosen, passes, shown):
    now = course(passes, chosen, fixed=True)
    assert now.shown == shown
    assert [now.amount_of(n) for n in range(1, len(passes) + 1)] == [
        EVERYTHING if n <= shown else chosen for n in range(1, len(passes) + 1)
    ]


def test_a_false_start_neither_fades_nor_brings_back():
    clean = Outcome(over=True, final=True, counts=True, clean=True)
    assert course([clean, clean, START, START, clean], EVERYTHING).amount is LARGE
    assert course([clean, clean, DONE, clean], EVERYTHING).amount is EVERYTHING


def test_a_pause_is_no_end_and_moves_nothing():
    clean = Outcome(over=True, final=True, counts=True, clean=True)
    paused = Outcome(over=True, final=False, counts=True, clean=True)
    assert course([clean, clean, paused], EVERYTHING).amount is EVERYTHING
    assert course([clean, clean, clean], EVERYTHING).amount is LARGE


# --- what is hidden -----------------------------------------------------------------------------------


def ring(state, end=1.5, **more):
    plain = {
        "string": 5, "start_tick": 0.0, "end_tick": end * Q, "slot_end_tick": 1.0 * Q, "state": state,
        "sounding": False, "settled": True, "bar": 0, "words": "+240 ms", "note": 3,
    }  # fmt: skip
    return Ring(**{**plain, **more})


def test_large_shows_what_rang_on_and_what_is_missing_and_nothing_smaller():
    seen = {state: list(shown_rings([ring(state)], LARGE)) for state in RingState if state.name != "STRAY"}
    neutral = [ring(RingState.SOUNDING, 1.0, words="")]
    assert seen == {
        RingState.RINGING: [ring(RingState.RINGING)],
        RingState.MISSED: [ring(RingState.MISSED)],
        RingState.FREE: [ring(RingState.FREE)],
        RingState.SOUNDING: neutral,
        RingState.OVERDUE: neutral,
        RingState.CLEAN: neutral,
        RingState.LATE: neutral,
        RingState.CUT: neutral,
        RingState.FADED: neutral,
        RingState.REPLACED: neutral,
    }
    assert list(shown_rings([ring(RingState.STRAY, slot_end_tick=None)], LARGE)) == []


@pytest.mark.parametrize("amount", [AFTER, SECOND])
def test_after_a_pass_means_that_no_ring_tells_how_it_ended(amount):
    for state in RingState:
        slot = None if state is RingState.STRAY else 1.0 * Q
        seen = list(shown_rings([ring(state, slot_end_tick=slot)], amount))
        if state in (RingState.MISSED, RingState.STRAY):
            assert seen == []
        elif state is RingState.FREE:  # written so
            assert seen == [ring(RingState.FREE)]
        else:
            assert seen == [ring(RingState.SOUNDING, 1.0, words="")]


def test_a_string_within_its_length_grows_and_past_its_stop_stands_still():
    growing = ring(RingState.SOUNDING, 0.4, sounding=True, words="")
    assert list(shown_rings([growing], AFTER)) == [growing]
    overdue = ring(RingState.OVERDUE, 1.3, sounding=True, words="")
    assert list(shown_rings([overdue], AFTER)) == [ring(RingState.SOUNDING, 1.0, words="")]


def test_marks_and_drifts():
    marks = [NoteMark(kind, 0.0, 0, 45, True) for kind in MarkKind]
    drifts = [DriftMark(0, 40.0, 0.0, "40 ms behind")]
    assert list(shown_marks(marks, EVERYTHING)) == marks
    assert [m.kind for m in shown_marks(marks, LARGE)] == [MarkKind.WRONG, MarkKind.MISSING]
    assert list(shown_marks(marks, AFTER)) == list(shown_marks(marks, SECOND)) == []
    assert list(shown_drifts(drifts, EVERYTHING)) == drifts
    assert [list(shown_drifts(drifts, amount)) for amount in (LARGE, AFTER, SECOND)] == [[], [], []]
