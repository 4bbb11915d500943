"""A take played back arrives as if it were being heard."""

from __future__ import annotations

import os
import signal
import time

import pytest

from coach.devices.messages import Finished, PortState
from coach.devices.take_player import TakePlayer
from tests.harness import Inbox


def test_a_take_is_heard_at_its_own_times() -> None:
    on, off, long, last = b"\x90\x40\x40", b"\x80\x40\x00", b"\xf0\x01\xf7", b"\x90\x41\x01"
    rows = [(0, on), (30_000, off), (30_000, long), (90_000, last)]
    inbox, before = Inbox(), time.perf_counter_ns()
    with TakePlayer(rows, inbox, speed=2, name="étude 1") as player:
        inbox.wait(lambda box: isinstance(box.messages[-1], Finished) if box.messages else False)
        after = time.perf_counter_ns()
    assert inbox.states == [PortState("open", "Playing back étude 1.", "étude 1")]
    assert [m.data for m in inbox.heard] == [data for _, data in rows]
    begin = inbox.heard[0].stamp_ns
    assert [m.stamp_ns - begin for m in inbox.heard] == [0, 15_000_000, 15_000_000, 45_000_000]
    assert inbox.messages[-1] == Finished(begin + 45_000_000)
    assert before < begin < begin + 45_000_000 <= after
    assert player.child_pid is not None


def test_a_long_take_fills_no_pipe() -> None:
    rows = [(0, b"\xf0" + bytes(997) + b"\xf7")] * 3000  # 3 MB, all due at once
    inbox = Inbox()
    with TakePlayer(rows, inbox):
        inbox.wait(lambda box: len(box.heard) == 3000 and isinstance(box.messages[-1], Finished))


def test_playing_back_can_be_ended_in_the_middle() -> None:
    inbox = Inbox()
    with TakePlayer([(0, b"\x90\x40\x40"), (3_600_000_000, b"\x80\x40\x00")], inbox) as player:
        inbox.wait(lambda box: len(box.heard) == 1)
    assert len(inbox.messages) == 2
    assert not player._thread.is_alive()


def test_a_player_whose_child_dies_says_so() -> None:
    inbox = Inbox()
    with TakePlayer([(3_600_000_000, b"\x80\x40\x00")], inbox) as player:
        inbox.wait(lambda box: box.kinds() == ["open"])
        assert player.child_pid is not None
        os.kill(player.child_pid, signal.SIGKILL)
        inbox.wait(lambda box: box.kinds() == ["open", "failed"])
    assert inbox.states[1].text == "Playing back a recorded take stopped by itself (SIGKILL)."


def test_an_empty_take_ends_at_once() -> None:
    inbox = Inbox()
    with TakePlayer([], inbox):
        inbox.wait(lambda box: bool(box.messages) and isinstance(box.messages[-1], Finished))
    assert inbox.heard == []


@pytest.mark.parametrize("speed", [0, -1, float("nan")])
def test_a_speed_that_is_none_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="not above 0"):
        TakePlayer([], Inbox(), speed=speed)


def test_rows_out_of_order_are_refused() -> None:
    with pytest.raises(ValueError, match="not in order of time"):
        TakePlayer([(2, b"\xf8"), (1, b"\xf8")], Inbox())
