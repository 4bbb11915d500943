"""The playhead of a replay: nothing here waits, time is passed in."""

import pytest

from coach.app.piece import find_score, open_piece
from coach.app.rewind import Rewind
from coach.app.sitting import limits_of
from coach.core.report import report
from coach.files.take import read_take
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


def test_speed(rewind):
    start = rewind.now_us
    rewind.change_speed(-1)
    rewind.change_speed(-1)
    assert rewind.speed == 0.5
    rewind.advance(1_000_000)
    assert rewind.now_us == start + 500_000
    for _ in range(20):
        rewind.change_speed(1)
    assert rewind.speed == 4.0


def test_bars_there_and_back(rewind):
    places = [rewind.now_us]
    for _ in range(5):
        places.append(rewind.bar_from(places[-1], 1))
    assert places == sorted(set(places))
    assert rewind.bar_from(places[-1], -1) == places[-2]
    assert rewind.bar_from(places[-1] + 299_000, -1) == places[-2]
    assert rewind.bar_from(places[-1] + 301_000, -1) == places[-1]
    assert rewind.bar_from(0, -1) == 0
    assert rewind.bar_from(rewind.end_us, 1) == rewind.end_us


def test_every_fault_is_found_where_its_mark_stands(rewind):
    visited, at = [], 0
    while (at := rewind.fault_from(at, 1)) is not None:
        visited.append(at)
        rewind.seek(at)
        assert any(v.time_us == at for v in rewind.session.verdicts.values())
    assert visited == sorted(set(rewind.faults))
    assert len(visited) >= 6
    back, at = [], rewind.end_us
    while (at := rewind.fault_from(at, -1)) is not None:
        back.append(at)
    assert back == visited[::-1]


def test_going_back_shows_what_going_forward_showed(rewind):
    rewind.seek(20_000_000)
    first = rewind.viewer.view(rewind.now_us)
    rewind.seek(40_000_000)
    rewind.seek(20_000_000)
    assert rewind.viewer.view(rewind.now_us) == first
