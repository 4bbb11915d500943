"""A wrong or left-out first stroke in a drill: the pass counts, and what is told is what was wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict
from pathlib import Path

import pytest

from coach.app.drill import Wanted, maker, rules_of
from coach.app.sitting import limits_of
from coach.app.terms import Terms
from coach.core.drill import Rules
from coach.screen.keys import Action
from tests.bench.practice import attempt
from tests.drill_room import Room, etude, ladder_of_etude, own_clock
from tests.player import Converter

BASS, TOGETHER = 15, 29  # steps of the second étude's ladder, from 1
RULES = Rules(step_up=0.1, step_down=0.1)
ONE = "Clean, 1 of 3."
Sit = Callable[..., Room]


@pytest.fixture
def sit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Sit:
    """Sits down to a step of the second étude, in folders of the test's own."""
    clock = own_clock(tmp_path, monkeypatch)
    return lambda at, rules=RULES: Room(clock, 2, at, rules=rules)


Messages = Iterable[tuple[int, bytes]]


def strokes(messages: Messages) -> list[int]:
    return [i for i, (_, data) in enumerate(messages) if data[0] & 0xF0 == 0x90 and data[2]]


def without_stroke(messages: Messages, place: int) -> list[tuple[int, bytes]]:
    """Return what is left without one stroke (from 0) and its end."""
    made = list(messages)
    at = strokes(made)[place]
    status, pitch = made[at][1][0] & 0x0F, made[at][1][1]
    end = next(
        i for i in range(at + 1, len(made)) if made[i][1][0] & 0x0F == status and made[i][1][1] == pitch
    )
    return [message for i, message in enumerate(made) if i not in (at, end)]


def first_a_semitone_lower(messages: Messages) -> list[tuple[int, bytes]]:
    made = list(messages)
    at = strokes(made)[0]
    (begin_us, on), rest = made[at], without_stroke(made, 0)
    end_us = next(t for t, data in made[at + 1 :] if data[0] & 0x0F == on[0] & 0x0F and data[1] == on[1])
    lower = on[1] - 1
    return sorted(
        [(begin_us, bytes((on[0], lower, on[2]))), (end_us, bytes((on[0], lower, 0))), *rest],
        key=lambda message: message[0],
    )


def test_the_step_is_the_one_these_tests_mean(sit: Sit):
    assert ladder_of_etude(2)[BASS - 1].name == "bass alone, bars 7–8"
    notes = sit(BASS).live.sitting.piece.score.notes
    assert notes[["pitch", "bar"]].tolist() == [(50, 7), (45, 7), (40, 8), (45, 9)]


def test_a_wrong_first_note_counts_and_is_named(sit: Sit):
    room = sit(BASS)
    room.plays(1)
    room.perform(first_a_semitone_lower(room.performance().messages))
    room.rest(4)
    assert room.told == [
        ONE,
        "Bar 7, beat 1: C♯ was played, another note is written. The count starts again.",
    ]
    assert room.drill.passes == 2


def test_a_first_note_left_out_counts_and_is_named(sit: Sit):
    room = sit(BASS)
    room.plays(1)
    room.perform(without_stroke(room.performance().messages, 0))
    room.rest(4)
    assert room.told == [ONE, "Bar 7, beat 1: the D was left out. The count starts again."]


def test_a_touch_long_before_is_not_the_first_note(sit: Sit):
    room = sit(BASS)
    room.plays(1)
    made = without_stroke(room.performance().messages, 0)
    room.perform([(0, b"\x93\x38\x50"), (300_000, b"\x93\x38\0")])
    room.rest(6)
    room.perform(made)
    room.rest(4)
    assert room.told[-1] == "Bar 7, beat 1: the D was left out. The count starts again."


def test_more_than_a_bar_later_somebody_means_to_begin_there(sit: Sit):
    room = sit(BASS)
    room.plays(1)
    made = without_stroke(without_stroke(room.performance().messages, 0), 0)
    assert len(strokes(made)) == 2
    room.perform(made)
    room.rest(4)
    assert room.told == [ONE]
    assert room.drill.passes == 1
    room.plays(1)
    assert room.told == [ONE, "Clean, 2 of 3."]


def test_with_more_notes_it_is_no_longer_said_that_somebody_stopped(sit: Sit):
    """Of a pass too long for a false start, that came to its end, this was said: you stopped before it."""
    room = sit(TOGETHER)
    room.plays(1)
    made = room.performance().messages
    room.perform(without_stroke(without_stroke(made, 0), 0))  # both notes of the first beat
    room.rest(4)
    assert room.told == [ONE, "Bar 3, beat 1: the E was left out. The count starts again."]


def test_every_pass_of_a_simulated_practice_counts(sit: Sit):
    """The player of ``tests.bench.practice``, without a port: its pass 59 begins with a wrong note."""
    room = sit(1, rules_of(etude(2), Wanted()))
    profile = Converter.ideal().profile(etude(2).score.tuning)
    make = maker(etude(2), Terms(), profile, limits_of({}))
    for number in range(1, 101):
        says = {
            "rung": {**asdict(room.live.rung), "part": room.live.rung.part.value},
            "speed": room.live.speed,
        }
        made, _, rung = attempt(make, says, number, rate=0.8)
        room.perform(made.messages)
        room.rest(8)
        assert room.drill.passes == number, f"pass {number}, {rung.name}"
        if room.drill.suggestion is not None:
            room.live.act(Action.ACCEPT)
            room.rest(4)
    assert room.drill.at > BASS
