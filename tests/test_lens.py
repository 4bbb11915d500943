"""The lens between the view and the page, on literal views."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coach.core.lens import Lens
from coach.core.score import Score
from coach.core.shapes import DriftMark, Foot, MarkKind, NoteMark, Ring, RingState, StopSign, View
from coach.files.score_file import read_score
from tests.harness import ROOT
from tests.views import blank_view

Q = 10_080  # ticks in a quarter
LATE = Ring(5, 1 * Q, 3.5 * Q, 3 * Q, RingState.LATE, False, True, 0, "+240 ms", 0)
GROWING = Ring(4, 4 * Q, 5.7 * Q, 8 * Q, RingState.SOUNDING, True, False, 1, "", 2)
STOP = StopSign(3 * Q, 0, 5, 0, "p back", True)
PLAYED = {
    "tick": 5.7 * Q,
    "bar": 1,
    "rings": (LATE, GROWING),
    "marks": (NoteMark(MarkKind.WRONG, 2 * Q, 0, 60, True),),
    "drifts": (DriftMark(0, 60.0, 0.0, "60 ms behind"),),
    "stops": (STOP,),
    "foot": Foot(message="Bar 1: stopped late.", next_stop="next: stop ④", port="Listening.", stop_string=4),
}


@pytest.fixture(scope="module")
def music() -> Score:
    """Twelve bars of 4/4: see the file.  Its beats are quarters, bar 2 begins at the fourth."""
    score = read_score(ROOT / "scores" / "01-lamps-on.musicxml").score
    assert [(b.onset, b.beat_ticks) for b in score.bars[:2]] == [(0, Q), (4 * Q, Q)]
    return score


@pytest.fixture
def view(music: Score) -> View:
    return blank_view(music, **PLAYED)


def test_without_a_switch_nothing_is_changed(music: Score, view: View):
    assert Lens(music).see(view) == view


def test_frozen_it_shows_what_it_showed_last_until_it_is_let_go(music: Score, view: View):
    lens = Lens(music)
    later = replace(view, tick=7.0 * Q, rings=(LATE,))
    lens.freeze(True)
    assert not lens.frozen  # nothing has been seen that could stand still
    assert lens.see(view) == view
    lens.freeze(True)
    assert lens.frozen
    assert lens.see(later) == view
    assert lens.see(later) == view
    lens.freeze(False)
    assert not lens.frozen
    assert lens.see(later) == later


def test_frozen_it_still_tells_that_the_guitar_is_gone(music: Score, view: View):
    lens = Lens(music)
    lens.see(view)
    lens.freeze(True)
    lost = replace(view, foot=Foot(port="“Hexbox” is no longer there.", alarm=True, message="anything"))
    assert lens.see(lost).foot == replace(view.foot, port="“Hexbox” is no longer there.", alarm=True)
    assert lens.see(view) == view


def test_the_plan_keeps_the_stops_and_nothing_that_was_played(music: Score, view: View):
    lens = Lens(music)
    lens.plan = True
    seen = lens.see(view)
    assert seen == replace(view, rings=(), marks=(), drifts=(), foot=replace(view.foot, message=""))
    assert seen.stops == (STOP,)
    assert seen.foot.stop_string == 4  # what is to come is plan


def test_hidden_verdicts_leave_what_sounds_up_to_its_stop(music: Score, view: View):
    lens = Lens(music)
    lens.hidden = True
    seen = lens.see(view)
    neutral = replace(LATE, end_tick=3 * Q, state=RingState.SOUNDING, words="")
    assert seen.rings == (neutral, GROWING)
    assert (seen.marks, seen.drifts, seen.foot.message) == ((), (), "")
    assert seen.foot.next_stop == view.foot.next_stop
    lens.plan = True  # the plan shows less still
    assert lens.see(view).rings == ()
    lens.plan = lens.hidden = False
    assert lens.see(view) == view


def test_switches_work_on_a_page_that_stands_still(music: Score, view: View):
    lens = Lens(music)
    lens.see(view)
    lens.freeze(True)
    lens.plan = True
    assert lens.see(blank_view(music, foot=view.foot)).rings == ()
    lens.plan = False
    assert lens.see(blank_view(music, foot=view.foot)) == view


@pytest.mark.parametrize(
    ("tick", "beat"),
    [(0.0, 0), (0.99, 0), (1.0, 1), (1.01, 1), (3.9999, 3), (4.0, 4), (5.7, 5), (7.5, 7)],
)
def test_still_the_place_moves_by_the_beat(music: Score, view: View, tick: float, beat: int):
    lens = Lens(music, still=True)
    assert lens.see(replace(view, tick=tick * Q)).tick == beat * Q


def test_still_what_sounds_grows_by_the_beat_and_what_stopped_is_exact(music: Score, view: View):
    lens = Lens(music, still=True)
    assert lens.see(view).rings == (LATE, replace(GROWING, end_tick=5 * Q))
    begun = replace(GROWING, start_tick=5.5 * Q, end_tick=5.7 * Q)  # on the half beat: it is never negative
    assert lens.see(replace(view, rings=(begun,))).rings == (replace(begun, end_tick=5.5 * Q),)


def test_still_a_pickups_beats_are_those_of_the_bar_it_ends():
    score = read_score(ROOT / "scores" / "02-a-borrowed-umbrella.musicxml").score
    first, second = score.bars[:2]
    assert (first.length, second.onset) == (Q // 2, Q // 2)  # an eighth before 2/4
    lens = Lens(score, still=True)
    for tick, beat in ((0.4, 0.0), (0.5, 0.5), (1.4, 0.5), (1.5, 1.5), (2.6, 2.5)):
        assert lens.see(blank_view(score, tick=tick * Q)).tick == beat * Q
    # An eighth and a quarter: the next beat is the quarter's.
    bars = (replace(first, length=3 * Q // 2, lead=Q // 2), replace(second, onset=3 * Q // 2))
    lens = Lens(replace(score, bars=bars), still=True)
    assert [lens._beat(tick * Q) / Q for tick in (0.0, 0.49, 0.5, 1.0, 1.4)] == [0.0, 0.0, 0.5, 0.5, 0.5]
