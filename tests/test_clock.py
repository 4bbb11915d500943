from __future__ import annotations

from coach.devices.clock import SessionClock


def test_stamps_become_whole_microseconds_since_the_start() -> None:
    clock = SessionClock(start_ns=1_000_000_000)
    assert clock.us(1_000_000_000) == 0
    assert clock.us(1_000_001_999) == 1
    assert clock.us(3_500_000_000) == 2_500_000
    assert clock.clamped == 0


def test_a_message_from_before_the_last_fed_time_is_moved_to_it_and_counted() -> None:
    clock = SessionClock(start_ns=0)
    assert clock.us(5_000_000) == 5_000
    assert clock.us(4_999_000) == 5_000
    assert clock.us(5_000_999) == 5_000  # the same microsecond: not late
    assert clock.clamped == 1
    assert clock.us(6_000_000) == 6_000


def test_a_message_from_before_the_session_is_at_its_start() -> None:
    clock = SessionClock(start_ns=1_000_000)
    assert clock.us(0) == 0
    assert clock.clamped == 1


def test_ticks_lag_behind_and_messages_are_held_to_them() -> None:
    clock = SessionClock(start_ns=0)
    assert clock.tick_us(100_000_000) == 80_000
    assert clock.us(85_000_000) == 85_000  # 15 ms in the pipe: not overtaken
    assert clock.tick_us(101_000_000) == 85_000  # a tick never goes back behind a message
    assert clock.tick_us(200_000_000, lag_us=0) == 200_000
    assert clock.us(190_000_000) == 200_000
    assert clock.clamped == 1
