"""The playhead of a replay: nothing here waits, time is passed in."""

import pytest

from coach.app.piece import find_score, open_piece
from coach.app.replay import steer
from coach.app.rewind import Rewind
from coach.app.sitting import limits_of
from coach.core.report import report
from coach.files.take import read_take
from coach.screen.keys import Action
from tests.harness import ROOT

TAKE = read_take(ROOT / "recordings" / "02-a-borrowed-umbrella-evening.mid")
PIECE = open_piece(find_score(TAKE.meta.digest, []))


@pytest.fixture
def rewind():
    return Rewind(TAKE, PIECE, profile=None, limits=limits_of(TAKE.meta.tolerances))


def test_it_begins_just_before_the_first_note_and_ends_at_the_end(rewind):
    assert 0 <= TAKE.messages[0][0] - rewind.now_us <= 300_000
    assert rewind.advance(10**9)
    assert rewind.ended
    assert not rewind.advance(1)
    assert report(rewind.session).damps == rewind.result.damps


def test_speed_and_pause(rewind):
    start = rewind.now_us
    steer(rewind, Action.SLOWER)
    steer(rewind, Action.SLOWER)
    assert rewind.speed == 0.5
    rewind.advance(1_000_000)
    assert rewind.now_us == start + 500_000
    steer(rewind, Action.PAUSE)
    assert not rewind.advance(1_000_000)
    for _ in range(20):
        steer(rewind, Action.FASTER)
    assert rewind.speed == 4.0


def test_stepping_by_bar_there_and_back(rewind):
    places = []
    for _ in range(5):
        steer(rewind, Action.NEXT_BAR)
        places.append(rewind.now_us)
    assert places == sorted(set(places))
    steer(rewind, Action.PREV_BAR)
    assert rewind.now_us == places[-2]
    steer(rewind, Action.RESTART)
    assert rewind.now_us == 0
    steer(rewind, Action.PREV_BAR)
    assert rewind.now_us == 0


def test_every_fault_is_visited_where_its_mark_stands_and_the_replay_waits_there(rewind):
    visited = []
    while True:
        steer(rewind, Action.NEXT_FAULT)
        if visited and rewind.now_us == visited[-1]:
            break
        visited.append(rewind.now_us)
        assert rewind.paused
        assert any(v.time_us == rewind.now_us for v in rewind.session.verdicts.values())
    assert visited == sorted(set(rewind.faults))
    assert len(visited) >= 6


def test_going_back_shows_what_going_forward_showed(rewind):
    rewind.seek(20_000_000)
    first = rewind.viewer.view(rewind.now_us)
    rewind.seek(40_000_000)
    rewind.seek(20_000_000)
    assert rewind.viewer.view(rewind.now_us) == first
