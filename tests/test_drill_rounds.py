"""Who plays a step round after round: what comes next is said, and comes, without a pause; no note is lost.

Times are the simulated player's, and sentences are written out; see test_drill_live.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

from coach.app.drill import maker
from coach.app.rounds import begin_pitches, begins_again, gone_through
from coach.app.sitting import limits_of
from coach.app.step import of_rung
from coach.app.terms import Terms
from coach.core.drill import Rules
from coach.core.ladder import Part
from coach.core.pedal import Pedal, Switch
from coach.files.history import History, history_path
from coach.files.take import read_take
from coach.screen.keys import Action
from tests.drill_room import EVEN, Placed, Room, etude, ladder_of_etude, own_clock

BASS, TOGETHER, FOUR = 16, 29, 34  # steps of the second étude's ladder, see test_drill_live
RULES = Rules(step_up=0.1, step_down=0.1)
AT_GOAL = Rules(start_speed=0.9, goal=0.9, known_speed=0.9)
FASTER = "Three clean in a row. Now a little faster, at 42 beats a minute."
NEXT = "Three clean in a row. Next: together, bars 1–2 with the pickup, at 54 beats a minute."
TO_GO_ON = " Pause, or press →."
PRESS, LET_GO = b"\xb0\x50\x7f", b"\xb0\x50\x00"
Message = tuple[int, bytes]
Open = Callable[..., Room]


@pytest.fixture
def sit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Open:
    clock = own_clock(tmp_path, monkeypatch)

    def open_room(at: int = TOGETHER, **how: Any) -> Room:
        how.setdefault("rules", RULES)
        return Room(clock, 2, at, **how)

    return open_room


def is_pluck(data: bytes) -> bool:
    return data[0] & 0xF0 == 0x90 and data[2] > 0


def round_of(room: Room, *placed: Placed) -> list[Message]:
    """One round from its first pluck on, at the tempo the room stands at."""
    made = room.performance(*placed, manner=EVEN)
    first_us = next(time_us for time_us, data in made.messages if is_pluck(data))
    return [(time_us - first_us, data) for time_us, data in made.messages]


def plucks(messages: Iterable[Message]) -> Counter[int]:
    return Counter(data[1] for _, data in messages if is_pluck(data))


def round_and_round(
    room: Room, times: int, look: Callable[[bytes], object] = lambda data: None, *placed: Placed
) -> list[Message]:
    """Play the step again and again at its first tempo, whatever is shown; ``look`` after each message.

    The beat after the landing note is the next round's first.  Return all that was sent.
    """
    one = round_of(room, *placed)
    last_us = max(time_us for time_us, data in one if is_pluck(data))
    beat_us = round(1e6 / room.live.speed)  # a quarter at 60 a minute
    sent = [(n * (last_us + beat_us) + time_us, data) for n in range(times) for time_us, data in one]
    sent.sort(key=lambda message: (message[0], is_pluck(message[1])))
    begin_ns = room.clock.now
    for time_us, data in sent:
        room.until(begin_ns + time_us * 1000)
        room.hear(data)
        look(data)
    return sent


def in_takes(room: Room) -> Counter[int]:
    found: Counter[int] = Counter()
    for path in room.takes:
        take = read_take(path)
        assert take.complete
        found += plucks(take.messages)
    return found


def test_a_faster_tempo_comes_with_a_round_although_nobody_pauses(sit: Open):
    room = sit()
    first = room.live.sitting
    sent = round_and_round(room, 6)
    assert FASTER in room.told
    assert room.live.speed == 0.7  # without any rest
    assert room.live.sitting is not first
    room.rest(5)
    room.leave()
    assert in_takes(room) == plucks(sent)  # each note once
    counts = sorted(plucks(read_take(path).messages).total() for path in room.takes)
    assert sum(counts) == 60  # ten notes a round
    assert [count % 10 for count in counts] == [0, 0]  # whole rounds: neither take has a note of the other's
    assert room.told[:3] == ["Clean, 1 of 3.", "Clean, 2 of 3.", FASTER]
    assert room.told[3] == "Clean, 1 of 3."  # the first round that was wholly the new sitting's
    rows = History(history_path()).passes(etude(2).score.digest)
    assert [(row.complete, row.right, row.notes) for row in rows] == [(True, 10, 10)] * 6


def test_what_comes_next_stands_at_the_foot_as_long_as_it_waits(sit: Open):
    room = sit(FOUR, rules=Rules(needed=1, start_speed=0.3, step_up=0.1))
    shown: list[tuple[float, str]] = []
    after: set[str] = set()
    faster = "Clean. Now a little faster, at 24 beats a minute."

    def look(data: bytes) -> None:
        if room.told[-1] == faster and room.live.speed == 0.3:
            shown.append((room.clock.now / 1e9, room.view().foot.message))
        elif room.drill.speed == room.live.speed == 0.4:
            after.add(room.view().foot.message)

    room.told.append("")
    round_and_round(room, 4, look)
    assert list(dict.fromkeys(message for _, message in shown)) == [
        faster + TO_GO_ON,
        "To go on: pause, or →.",
    ]
    assert shown[-1][0] - shown[0][0] > 6.0  # any other message stands no longer
    assert after
    assert after <= {faster, ""}


def test_nothing_is_said_to_wait_when_the_player_has_stopped(sit: Open):
    room = sit()
    room.plays(3)
    assert room.live.speed == 0.7
    assert room.view().foot.message == FASTER


def test_what_is_suggested_has_the_word_while_a_change_waits(sit: Open):
    """Forward says yes to it, and so cannot mean the other."""
    rules = Rules(start_speed=0.6, slowest=0.3, step_down=0.1, faults_before_slower=1)
    room = sit(FOUR, rules=rules, drift_ms=1e4)
    shown: list[str] = []

    def look(data: bytes) -> None:
        if room.drill.speed == 0.5 and room.live.speed == 0.6:
            assert room.drill.suggestion is not None
            shown.append(room.view().foot.message)

    round_and_round(room, 1, look, Placed("wrong", 3, 2.0, bass=False))
    assert shown
    assert not [message for message in shown if TO_GO_ON in message]


def test_forward_changes_at_once_and_the_rest_of_the_round_stays_in_the_old_take(sit: Open):
    room = sit(pedal=Pedal(Switch(80, 1), None))
    pressed: list[int] = []

    def look(data: bytes) -> None:
        if not pressed and room.told[-1] == FASTER:
            before = room.live.sitting
            room.hear(PRESS)
            room.hear(LET_GO)
            room.live.step(room.clock.now)
            assert room.live.sitting is not before
            assert room.live.speed == 0.7
            pressed.append(room.clock.now)
        assert not (pressed and room.live.sitting.begun)  # what is left of the round is no pass of the new

    room.told.append("")
    sent = round_and_round(room, 4, look)
    assert pressed
    room.rest(5)
    assert room.told[-1] == FASTER
    assert len(room.takes) == 1
    room.play()
    room.rest(5)
    assert room.told[-1] == "Clean, 1 of 3."
    room.leave()
    assert sorted(plucks(read_take(path).messages).total() for path in room.takes) == [10, 40]
    assert in_takes(room) - plucks(sent) == plucks(round_of(room))


def test_after_forward_the_bars_may_be_begun_again_without_a_pause(sit: Open):
    room = sit()
    pressed: list[int] = []

    def look(data: bytes) -> None:
        if not pressed and room.told[-1] == FASTER:
            room.live.act(Action.ACCEPT)
            pressed.append(room.clock.now)

    room.told.append("")
    sent = round_and_round(room, 5, look)
    room.rest(5)
    assert room.told[1:] == ["Clean, 1 of 3.", "Clean, 2 of 3.", FASTER, "Clean, 1 of 3."]
    room.leave()
    assert sorted(plucks(read_take(path).messages).total() for path in room.takes) == [10, 40]
    assert in_takes(room) == plucks(sent)


def test_other_bars_come_at_a_rounds_end_and_what_is_still_played_is_no_fault_there(sit: Open):
    room = sit(rules=AT_GOAL)
    turned: list[int] = []

    def look(data: bytes) -> None:
        if room.paper.turned and not turned:
            turned.append(room.live.sitting.begun)

    sent = round_and_round(room, 7, look)
    assert room.paper.turned == [room.live.sitting.piece.score]  # in mid-playing
    assert room.live.rung.name == "together, bars 1–2 with the pickup"
    assert turned == [False]
    assert not room.live.sitting.begun
    room.rest(3)
    assert room.told[-1] == NEXT
    assert len(room.takes) == 1
    assert in_takes(room) == plucks(sent)
    room.play()
    room.rest(5)
    assert room.told[-1] == "Clean, 1 of 3."
    assert len(room.takes) == 2


def test_the_new_step_may_be_begun_soon_after_the_page_has_turned(sit: Open):
    """Seven tenths of a second after the last pluck, though the next old note would be due later."""
    room = sit(rules=AT_GOAL)

    def look(data: bytes) -> None:
        if room.told[-1] == NEXT:
            raise StopIteration

    room.told.append("")
    with pytest.raises(StopIteration):
        round_and_round(room, 5, look)
    room.live.act(Action.ACCEPT)
    room.rest(0.75)
    assert room.live.rung.name == "together, bars 1–2 with the pickup"
    assert len(room.takes) == 1
    room.perform(round_of(room))
    room.rest(5)
    assert room.told[-1] == "Clean, 1 of 3."


def test_with_a_click_it_changes_in_the_count_in_and_the_new_click_is_judged_by(sit: Open):
    """Each round has its count-in: that is pause enough."""
    room = sit(click=True, drift_ms=1e4)
    room.rest(0.2)
    assert room.speaker is not None
    track, start_ns = room.speaker.tracks[-1], room.speaker.starts_ns[-1]
    assert track.period_s is not None
    lead_ns = round(room.live.passage.lead_s * 1e9)
    one = round_of(room)
    for turn in range(4):
        if room.live.speed != 0.6:
            break
        for time_us, data in one:
            room.until(start_ns + lead_ns + round(turn * track.period_s * 1e9) + time_us * 1000)
            room.hear(data)
    room.rest(3)
    assert room.live.speed == 0.7
    room.rest(0.5)
    click = room.live.sitting.session.click
    assert click is not None
    assert click.speed == 0.7


def test_after_it_hurts_no_round_brings_a_change(sit: Open):
    room = sit()
    hurt: list[object] = []

    def look(data: bytes) -> None:
        if not hurt and room.told[-1] == FASTER:
            room.live.act(Action.HURTS)
            hurt.append(room.live.sitting)
        if hurt:
            assert room.live.sitting is hurt[0]
            assert TO_GO_ON not in room.view().foot.message

    room.told.append("")
    round_and_round(room, 6, look)
    assert hurt


def test_who_leaves_while_the_old_step_is_still_played_loses_nothing(sit: Open):
    room = sit(rules=AT_GOAL)
    sent: list[bytes] = []

    def look(data: bytes) -> None:
        sent.append(data)
        if room.paper.turned:
            raise StopIteration

    with pytest.raises(StopIteration):
        round_and_round(room, 7, look)
    assert not room.live.sitting.begun
    room.leave()
    assert in_takes(room) == plucks((0, data) for data in sent)
    rows = History(history_path()).passes(etude(2).score.digest)
    assert [row.complete for row in rows[:4]] == [True] * 4


def test_the_stops_of_a_piece_are_planned_once(sit: Open, monkeypatch: pytest.MonkeyPatch):
    """Each step has the same as if they were planned for it alone."""
    piece, terms = etude(2), Terms()
    rungs = [rung for rung in ladder_of_etude(2) if rung.part is not Part.SCALE]
    alone = [of_rung(piece, terms, rung) for rung in rungs]
    make = maker(piece, terms, None, limits_of({}), terms.prepare(piece))
    monkeypatch.setattr(Terms, "stops", None)
    monkeypatch.setattr(Terms, "prepare", None)
    assert any(step.stops for step in alone)
    for rung, step in zip(rungs, alone, strict=True):
        assert make(rung, 0.6).session.stops == step.stops


@pytest.mark.parametrize(
    ("asked_after", "rounds_heard"), [(2, 1), (9, 2)], ids=["early", "just before the end"]
)
def test_what_is_due_has_been_readable_for_two_seconds_before_a_rounds_end_brings_it(
    sit: Open, asked_after: int, rounds_heard: int
):
    """The last two notes come together, and the next round 1.67 s after them."""
    room = sit()
    before, heard, changed = room.live.sitting, [0], list[int]()

    def look(data: bytes) -> None:
        if is_pluck(data):
            if room.live.sitting is not before and not changed:
                changed.append(heard[0])
            heard[0] += 1
            if heard[0] == asked_after:
                room.live.act(Action.FASTER)
                room.live.step(room.clock.now)

    round_and_round(room, 4, look)
    assert changed == [10 * rounds_heard]  # ten notes a round: the next one is the new sitting's first


def test_a_note_that_the_old_step_goes_on_with_does_not_begin_the_same_bars_again(sit: Open):
    """The third note of these bars is the first again, and comes more than seven tenths of a second late."""
    room = sit()

    def look(data: bytes) -> None:
        if is_pluck(data):
            heard.append(data[1])
            if len(heard) == 3:
                room.live.act(Action.FASTER)
                room.live.act(Action.ACCEPT)
                room.live.step(room.clock.now)

    heard: list[int] = []
    round_and_round(room, 1, look)
    assert heard[:4] == [59, 40, 62, 59]
    assert room.live.speed == 0.7
    assert not room.live.sitting.begun


def test_a_chord_at_the_end_that_holds_the_first_note_does_not_begin_the_step_again(sit: Open):
    """In a step that ends on its first note the last pluck is awaited; the one after it begins again."""
    room = sit()
    for at in range(1, len(room.rungs) + 1):
        session = sit(at).live.sitting.session
        last = max(group for group in range(session.groups.count) if session.groups.required(group))
        if len(session.groups.required(last)) == 2:
            pitches = session.score.notes["pitch"][session.groups.required(last)].tolist()
            shared = begin_pitches(session) & set(pitches)
            if len(shared) == 1 and len(set(pitches)) == 2:
                break
    else:
        pytest.fail("no step of the étude ends so")
    (first,) = shared
    (other,) = set(pitches) - shared
    room = sit(at)
    one = round_of(room)
    chord_us = max(time_us for time_us, data in one if is_pluck(data))
    room.perform([m for m in one if m[0] < chord_us - 1000])
    strings = {data[1]: data[0] for time_us, data in one if is_pluck(data) and time_us >= chord_us - 1000}
    room.rest(0.8)
    sitting = room.live.sitting
    room.hear(bytes([strings[other], other, 80]))
    later_us = sitting.now_us(room.clock.now) + 150_000
    assert gone_through(sitting)
    assert not begins_again(sitting, first, later_us)
    room.hear(bytes([strings[first], first, 80]))
    assert begins_again(sitting, first, later_us)
    assert not begins_again(sitting, first, later_us - 100_000)  # one pluck that the converter told twice
