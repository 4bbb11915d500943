"""The drill while somebody plays: passes are heard, judged and counted, and nothing has to be pressed.

The clock is set by the test, the player is the simulated one, and the sentences are written out here.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coach.app.sitting import limits_of, replay
from coach.app.terms import terms_of
from coach.core import drill_words
from coach.core.drill import Rules
from coach.core.ladder import Part
from coach.core.pedal import Pedal, Switch
from coach.core.report import report
from coach.core.verdicts import DampingVerdict, StrokeVerdict
from coach.files import recording
from coach.files.history import History, history_path
from coach.files.recording import Recorder
from coach.files.take import TakeMeta, read_take
from coach.screen.keys import Action
from tests.drill_room import EVEN, SECOND, Placed, Room, etude, ladder_of_etude, own_clock
from tests.player import Performance

# Steps of the second étude's ladder, from 1, as ``coach drill --list`` prints them.
SCALE, MELODY, BASS, TOGETHER, FOUR = 1, 3, 16, 29, 34
STEPS = {
    SCALE: "the scale of A major",
    MELODY: "melody alone, bars 3–4",
    BASS: "bass alone, bars 3–4",
    TOGETHER: "together, bars 3–4",
    FOUR: "together, bars 1–4 with the pickup",
}
ONE, TWO = "Clean, 1 of 3.", "Clean, 2 of 3."
FASTER = "Three clean in a row. Now a little faster, at 42 beats a minute."
RULES = Rules(step_up=0.1, step_down=0.1)
TO_THE_END = Rules(step_up=0.1, step_down=0.1, at_once=False)
AT_GOAL = Rules(start_speed=0.9, goal=0.9, known_speed=0.9)
TURNED_OFF = "No sound: the drill was begun with --silent; begin it without, to hear this."
PRESS, LET_GO = b"\xb0\x50\x7f", b"\xb0\x50\x00"
Open = Callable[..., Room]


@pytest.fixture
def sit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Open:
    """Sits down to a step of the second étude, in folders of the test's own."""
    clock = own_clock(tmp_path, monkeypatch)

    def open_room(at: int | None = TOGETHER, *, number: int = 2, **how: Any) -> Room:
        how.setdefault("rules", RULES)
        return Room(clock, number, at, **how)

    return open_room


def test_the_ladder_is_the_one_these_tests_mean():
    rungs = ladder_of_etude(2)
    assert {at: rungs[at - 1].name for at in STEPS} == STEPS


# --- the count and the tempo --------------------------------------------------------------------------


def test_three_clean_passes_raise_the_tempo(sit: Open):
    room = sit()
    for said, count in ((ONE, 1), (TWO, 2), (FASTER, 0)):
        room.play()
        room.rest(4)
        assert room.told[-1] == said
        assert room.drill.count == count
        assert room.view().foot.tally == count
    assert (room.drill.speed, room.live.speed) == (0.7, 0.7)
    assert "42" in room.view().foot.tempo  # 0.7 times 60 quarters a minute
    assert room.view().foot.chunk == "together, bars 3–4"
    room.plays(1)
    assert room.told[-1] == ONE


def test_at_the_goal_the_next_step_comes(sit: Open):
    room = sit(rules=AT_GOAL)
    room.plays(2)
    before = room.live.sitting
    room.play()
    assert room.live.sitting is before  # the last note has only just been let go
    room.rest(4)
    assert (
        room.told[-1]
        == "Three clean in a row. Next: together, bars 1–2 with the pickup, at 54 beats a minute."
    )
    assert room.live.sitting is not before
    assert room.paper.turned == [room.live.sitting.piece.score]
    assert room.view().foot.chunk == "together, bars 1–2 with the pickup"
    assert room.view().foot.tally == 0
    assert int(room.live.sitting.piece.score.notes["onset"].min()) == 0  # it begins with the pickup


def test_the_step_changes_only_when_nobody_plays(sit: Open):
    room = sit()
    room.plays(2)
    before = room.live.sitting
    made = room.performance()
    room.perform(up_to_the_last_stroke(made))
    room.rest(0.3)
    made = room.performance()  # begins again before the third is judged to its end
    start_ns = room.clock.now
    told = room.view().foot.tempo
    for time_us, data in up_to_the_last_stroke(made):
        room.until(start_ns + time_us * 1000)
        room.hear(data)
        assert room.live.sitting is before
    assert room.told[-1] == FASTER  # said, and not yet done
    assert room.view().foot.tempo == told
    room.rest(5)
    assert room.live.speed == 0.7
    assert room.told[-1] == FASTER  # that fourth pass was at the old tempo, and counts for nothing
    assert room.drill.count == 0


def up_to_the_last_stroke(made: Performance) -> list[tuple[int, bytes]]:
    last_us = max(note.onset_us for note in made.truth.notes)
    return [(time_us, data) for time_us, data in made.messages if time_us <= last_us + 150_000]


def test_the_step_does_not_change_between_two_slow_notes(sit: Open):
    """After a fault that ended a pass the player is in the next one, a half note at a time."""
    room = sit(BASS, rules=Rules(start_speed=0.4, slowest=0.3, step_down=0.1, faults_before_slower=1))
    # Half notes at 24 quarters a minute are 5 s apart.
    room.play(Placed("cut", 3), only=2)
    assert (room.drill.speed, room.live.speed) == (pytest.approx(0.3), 0.4)
    made = room.performance()
    before = room.live.sitting
    start_ns = room.clock.now
    for time_us, data in up_to_the_last_stroke(made):
        room.until(start_ns + time_us * 1000)
        room.hear(data)
        assert room.live.sitting is before, time_us
    room.rest(8)
    assert room.live.speed == pytest.approx(0.3)
    assert room.live.sitting is not before


def test_repeated_faults_make_it_slower(sit: Open):
    room = sit()
    for _ in range(3):
        assert room.live.speed == 0.6
        room.play(Placed("late", 3))
        room.rest(4)
    assert room.told[-1].startswith("Bar 3, beat 1: the E on string 6 was stopped late")
    assert "Three times with a fault: now slower, at 30 beats a minute." in room.told[-1]
    assert room.live.speed == 0.5


# --- what a fault is ----------------------------------------------------------------------------------

FAULTS = {
    "wrong note": (Placed("wrong", 3, 2.0, bass=False), r"Bar 3, beat 2: \S+ was played, another note .*\."),
    "missing note": (Placed("missing", 3, 1.5, bass=False), r"Bar 3, beat 1½: the D was left out\."),
    "missing at the end": (Placed("missing", 4, 2.5, bass=False), r"Bar 4, beat 2½: the E was left out\."),
    "late": (Placed("late", 3), r"Bar 3, beat 1: the E on string 6 was stopped late.*\(\+\d+ ms\).*\."),
    "rings into the landing bass": (Placed("ringing", 4), r"Bar 4, beat 1: .* rang on past bar 5, beat 1\."),
    "cut": (Placed("cut", 4), r"Bar 4, beat 1: the A on string 5 was cut short, before bar 5, beat 1\."),
    "stray": (Placed("stray", 3), r"Bar 3: .*string \d.*\."),
}  # fmt: skip


@pytest.mark.parametrize("rules", [RULES, TO_THE_END], ids=["at once", "to the end"])
@pytest.mark.parametrize("kind", FAULTS)
def test_a_fault_is_said_in_one_sentence_and_the_count_starts_again(sit: Open, kind: str, rules: Rules):
    placed, sentence = FAULTS[kind]
    room = sit(rules=rules)
    room.plays(2)
    assert room.drill.count == 2
    room.play(placed)
    room.rest(4)
    assert re.fullmatch(sentence + r" The count starts again\.", room.told[-1]), room.told[-1]
    assert len(room.told) == 3
    assert room.drill.count == 0
    assert room.view().foot.tally == 0
    room.plays(1)
    assert room.told[-1] == ONE


def test_the_first_fault_ends_a_pass_at_once(sit: Open):
    room = sit()
    made = room.performance(Placed("cut", 3), Placed("wrong", 4, 2.5, bass=False))
    begin_ns = room.clock.now
    told_us = 0
    for time_us, data in made.messages:
        room.until(begin_ns + time_us * 1000)
        room.hear(data)
        if room.told and not told_us:
            told_us = time_us
    assert told_us < made.truth.passes[0].until_us  # before its last note
    room.rest(4)
    assert len(room.told) == 1  # the wrong note came after the pass was over
    assert "cut short" in room.told[0]
    assert room.drill.passes == 1


def test_who_plays_on_after_a_fault_reads_it_at_the_end_until_the_next_pass(sit: Open):
    room = sit()
    wrong = room.performance(Placed("wrong", 3, 2.0, bass=False))
    room.perform([(time_us * 3, data) for time_us, data in wrong.messages])  # longer than a sentence stands
    room.rest(8)
    assert "another note is written" in room.told[0]
    assert room.view().foot.message == room.told[0]
    room.rest(60)
    assert room.view().foot.message == room.told[0]
    room.play(only=3)
    assert room.view().foot.message == ""


def test_to_the_end_a_pass_is_said_at_its_end_by_its_first_fault(sit: Open):
    room = sit(rules=TO_THE_END)
    room.perform(
        up_to_the_last_stroke(room.performance(Placed("cut", 3), Placed("wrong", 4, 2.5, bass=False)))
    )
    assert room.told == []
    room.rest(4)
    assert len(room.told) == 1
    assert "cut short" in room.told[0]
    assert room.drill.passes == 1


def test_a_bar_that_drifts_is_a_fault(sit: Open):
    room = sit(drift_ms=80.0, click=True)
    begin_ns = on_the_beat(room)
    made = room.performance(manner=EVEN)
    bar_4_us = next(n.onset_us for n in made.truth.notes if n.bar == 4) - 100_000
    room.clock.now = begin_ns
    room.perform((time_us + (150_000 if time_us > bar_4_us else 0), data) for time_us, data in made.messages)
    room.rest(4)
    assert room.told == ["Bar 4 was 150 ms behind. Again from the beginning."]


def test_a_bar_within_the_limit_is_clean(sit: Open):
    room = sit(drift_ms=160.0, click=True)
    begin_ns = on_the_beat(room)
    made = room.performance(manner=EVEN)
    bar_4_us = next(n.onset_us for n in made.truth.notes if n.bar == 4) - 100_000
    room.clock.now = begin_ns
    room.perform((time_us + (150_000 if time_us > bar_4_us else 0), data) for time_us, data in made.messages)
    room.rest(4)
    assert room.told == [ONE]


def on_the_beat(room: Room) -> int:
    """Let the click begin; return the moment from which a performance comes on its beat."""
    room.rest(0.2)
    assert room.speaker is not None
    lead_ns = round(room.live.passage.lead_s * SECOND)
    return room.speaker.starts_ns[-1] + lead_ns - 500_000_000  # the player begins half a second later


# --- passes -------------------------------------------------------------------------------------------


def test_starting_again_needs_no_button(sit: Open):
    """Four notes, a stop, and from the beginning: the one was broken off, the other is clean."""
    room = sit()
    room.play(only=5)
    room.rest(1)
    room.play()
    room.rest(4)
    assert room.told == ["You stopped before the end. Again from the beginning.", ONE]


def test_a_false_start_counts_for_nothing(sit: Open):
    room = sit()
    room.play(only=2)
    room.rest(1)
    room.play()
    room.rest(4)
    assert room.told == [ONE]
    assert room.drill.passes == 1


def test_a_step_left_in_mid_pass_changes_soon(sit: Open):
    """Who breaks off and asks for the next step is not made to play this one to its end."""
    room = sit()
    room.play(only=4)
    room.live.act(Action.HARDER)
    room.rest(6)
    assert room.live.rung.name == "together, bars 1–2 with the pickup"


def test_no_take_begins_with_the_end_of_a_note_from_the_step_before(sit: Open):
    """The bass that is landed on is let go when the next step stands there already."""
    room = sit(rules=AT_GOAL)
    room.plays(2)
    made = room.performance()
    held = made.messages[:-1]
    assert made.messages[-1][1][0] & 0xF0 in (0x80, 0x90)
    room.perform(held)
    room.rest(6)
    assert room.live.rung.name == "together, bars 1–2 with the pickup"
    room.hear(made.messages[-1][1])
    assert not room.live.sitting.begun
    assert len(room.takes) == 1
    room.play()
    assert room.live.sitting.begun


def test_what_the_pickup_said_before_the_first_note_is_in_the_take(sit: Open):
    room = sit()
    said = [b"\xb0\x65\x00", b"\xb0\x64\x00", b"\xb0\x06\x0c"]  # a bend range of twelve semitones
    for data in said:
        room.hear(data)
    assert not room.live.sitting.begun
    room.play()
    room.leave()
    assert [data for _, data in read_take(room.takes[0]).messages[:3]] == said


# --- parts --------------------------------------------------------------------------------------------


def kinds(room: Room) -> set[type]:
    return {type(verdict) for verdict in room.live.sitting.session.verdicts.values()}


def test_the_melody_alone_is_judged_by_its_notes(sit: Open):
    room = sit(MELODY)
    room.play()
    room.rest(4)
    assert room.told == [ONE]
    assert kinds(room) == {StrokeVerdict}
    assert room.live.sitting.session.stops == ()
    assert room.view().foot.next_stop == ""
    room.play(Placed("missing", 3, 1.5, bass=False))
    room.rest(4)
    assert room.told[-1] == "Bar 3, beat 1½: the D was left out. The count starts again."


def test_the_bass_alone_is_judged_by_its_stops(sit: Open):
    room = sit(BASS)
    room.play()
    room.rest(4)
    assert room.told == [ONE]
    assert kinds(room) == {StrokeVerdict, DampingVerdict}
    room.play(Placed("ringing", 4))
    room.rest(4)
    assert (
        room.told[-1]
        == "Bar 4, beat 1: the A on string 5 rang on past bar 5, beat 1. The count starts again."
    )


def test_the_scale_is_played_up_and_down(sit: Open, tmp_path: Path):
    room = sit(SCALE, rules=AT_GOAL, drift_ms=300.0)
    score = room.live.sitting.piece.score
    assert not score.notes["bass"].any()
    pitches = score.notes["pitch"].tolist()
    assert {pitch % 12 for pitch in pitches} == {9, 11, 1, 2, 4, 6, 8}  # A major
    room.play(Placed("wrong", 1, 2.0, bass=False))
    room.rest(4)
    assert "another note is written" in room.told[-1]
    room.plays(3)
    assert room.told[-1].startswith("Three clean in a row. Next: melody alone, bars 1–2 with the pickup")
    assert room.live.rung.part is Part.MELODY
    assert room.live.sitting.piece.score.notes["onset"].tolist()[0] == 0
    assert [path.name for path in (tmp_path / "takes").glob("*.musicxml")] == [
        "02-a-borrowed-umbrella-scale.musicxml"
    ]


def test_every_etude_can_be_drilled_from_its_first_step(sit: Open):
    for number in range(1, 6):
        room = sit(1, number=number, drift_ms=300.0)
        room.plays(3)
        assert room.told[-1].startswith("Three clean in a row. Now a little faster, at "), number
        assert room.live.speed == 0.7
        room.leave()


# --- the pedal and the keys ---------------------------------------------------------------------------


def test_a_suggestion_is_accepted_by_the_pedal(sit: Open):
    """Three faults in one bar of four, and no slower tempo is left: first those two bars, then back."""
    rules = Rules(start_speed=0.3, slowest=0.3, known_speed=0.3)
    room = sit(FOUR, rules=rules, pedal=Pedal(Switch(80, 1), None), drift_ms=1e4)
    for _ in range(3):
        room.play(Placed("wrong", 3, 2.0, bass=False))
        room.rest(4)
    assert room.told[-1].endswith("Three times with a fault. First: together, bars 3–4? Yes: → or the pedal.")
    assert room.live.rung.name == STEPS[FOUR]
    room.hear(PRESS)
    room.hear(LET_GO)
    room.rest(1)
    assert room.told[-1] == "Next: together, bars 3–4, at 18 beats a minute."
    assert room.live.rung is room.rungs[TOGETHER - 1]
    room.plays(3, rest_s=6)
    assert room.told[-1] == (
        "Three clean in a row. Back again: together, bars 1–4 with the pickup, at 18 beats a minute."
    )
    assert room.live.rung is room.rungs[FOUR - 1]


def test_the_pedal_begins_no_take(sit: Open):
    room = sit(pedal=Pedal(Switch(80, 1), None))
    room.hear(PRESS)
    room.hear(LET_GO)
    assert not room.live.sitting.begun
    assert room.takes == []
    assert room.speaker is not None
    assert len(room.speaker.tracks) == 1  # without a suggestion it plays the step


def test_it_hurts(sit: Open):
    """All stops at once, nothing is counted, and the pedal goes on."""
    room = sit(pedal=Pedal(Switch(80, 1), None), click=True, drift_ms=1e4)
    room.plays(1)
    assert room.drill.count == 1
    assert room.speaker is not None
    assert room.speaker.playing
    made = room.performance()
    room.perform([m for m in made.messages if m[0] < 3_000_000])
    room.live.act(Action.HURTS)
    room.rest(0.2)
    assert room.told[-1] == drill_words.HURT
    assert not room.speaker.playing
    passes, told = room.drill.passes, len(room.told)
    room.rest(5)
    room.plays(2)
    assert (room.drill.passes, room.drill.count, len(room.told)) == (passes, 0, told)
    assert not room.speaker.playing
    room.hear(PRESS)
    room.hear(LET_GO)
    room.rest(1)
    assert room.told[-1] == "Going on. Together, bars 3–4, at 36 beats a minute."
    assert room.speaker.playing
    room.plays(1)
    assert room.told[-1] == ONE


def test_what_is_broken_off_because_it_hurts_is_no_fault(sit: Open):
    room = sit(rules=TO_THE_END)
    room.play(only=6)
    room.live.act(Action.HURTS)
    room.rest(10)
    room.live.act(Action.ACCEPT)
    room.rest(1)
    told = len(room.told)
    room.plays(1)
    assert room.told[told:] == [ONE]


def test_no_model_is_played_after_it_hurts(sit: Open):
    room = sit(rules=AT_GOAL, listen=True)
    room.plays(2)
    room.play()
    while room.drill.count or room.drill.rung.name == STEPS[TOGETHER]:
        room.rest(0.05)
    assert room.speaker is not None
    heard = len(room.speaker.tracks)
    room.live.act(Action.HURTS)
    room.rest(8)
    assert room.live.rung.name == "together, bars 1–2 with the pickup"
    assert len(room.speaker.tracks) == heard


def test_keys_for_faster_slower_harder_and_shorter(sit: Open):
    room = sit()
    for action, said, speed in (
        (Action.FASTER, "Faster, at 42 beats a minute.", 0.7),
        (Action.SLOWER, "Slower, at 36 beats a minute.", 0.6),
        (Action.HARDER, "Next: together, bars 1–2 with the pickup, at 36 beats a minute.", 0.6),
    ):
        room.live.act(action)
        room.rest(0.2)
        assert room.told[-1] == said
        assert room.live.speed == speed
    assert room.live.rung is room.rungs[TOGETHER]


# --- sound --------------------------------------------------------------------------------------------


def test_without_a_sound_device_all_else_goes_on(sit: Open):
    room = sit(sound=False, click=True, listen=True, rules=AT_GOAL)
    room.live.act(Action.LISTEN)
    room.rest(0.1)
    assert room.view().foot.message == TURNED_OFF
    for action in (Action.ALONG, Action.DIFFERENCE, Action.CLICK, Action.LAST_PASS, Action.MENDED):
        assert not room.live.act(action)
        room.rest(0.1)
    room.plays(3)
    room.live.act(Action.MENDED)
    assert room.live.rung.name == "together, bars 1–2 with the pickup"


def test_each_step_is_played_first_and_each_tempo_is_not(sit: Open):
    room = sit(rules=Rules(start_speed=0.9, step_up=0.1, known_speed=0.9), listen=True)
    assert room.speaker is not None
    assert len(room.speaker.tracks) == 1
    room.plays(3)
    assert room.live.speed == 1.0
    assert len(room.speaker.tracks) == 1
    room.plays(3)
    assert room.live.rung is room.rungs[TOGETHER]
    assert len(room.speaker.tracks) == 2


def test_the_last_pass_is_heard_again(sit: Open):
    room = sit()
    room.live.act(Action.LAST_PASS)
    room.rest(0.1)
    assert room.view().foot.message == "Nothing to hear yet: play it once."
    made = room.play()
    room.rest(4)
    room.live.act(Action.LAST_PASS)
    assert room.speaker is not None
    tones = room.speaker.tracks[-1].tones
    assert sorted(tone.pitch for tone in tones) == sorted(float(note.pitch) for note in made.truth.notes)
    assert min(tone.start_s for tone in tones) == 0.0
    for action, told in (
        (Action.LAST_PASS, "Your last pass, as it rang."),
        (Action.MENDED, "Your last pass, with its stops in time."),
        (Action.DIFFERENCE, "First every bass ringing on, then each one stopped."),
    ):
        room.live.act(action)
        room.rest(0.1)
        assert room.view().foot.message == told


def test_the_click_turned_off_judges_no_more(sit: Open):
    """Who turns the click off is judged by his own steady time from then on."""
    room = sit(click=True)
    begin_ns = on_the_beat(room)
    assert room.live.sitting.session.click is not None
    made = room.performance(manner=EVEN)
    room.clock.now = begin_ns
    room.perform(made.messages)
    room.rest(4)
    assert room.told == [ONE]
    room.live.act(Action.CLICK)
    room.rest(1)
    assert room.live.sitting.session.click is None
    assert room.speaker is not None
    assert not room.speaker.playing
    room.rest(0.37)
    room.plays(1)
    assert room.told[-1] == TWO


def test_a_click_that_was_interrupted_goes_on_in_its_beat(sit: Open):
    room = sit(click=True)
    begin_ns = on_the_beat(room)
    assert room.speaker is not None
    room.clock.now = begin_ns
    room.play(manner=EVEN)
    room.rest(4.123)
    room.live.act(Action.LISTEN)
    room.rest(room.speaker.tracks[-1].length_s + 1)
    assert room.speaker.rounds
    beat_ns = round(SECOND / 0.6)  # a quarter at 60 a minute and six tenths of the tempo
    off_ns = (room.speaker.starts_ns[-1] - room.speaker.starts_ns[0]) % beat_ns
    assert min(off_ns, beat_ns - off_ns) < 1000


# --- what is kept -------------------------------------------------------------------------------------


def test_one_take_a_step_and_tempo_that_replays_to_the_same_verdicts(sit: Open):
    room = sit(rules=Rules(start_speed=0.9, step_up=0.1, known_speed=0.9))
    room.play(Placed("late", 3))
    room.rest(4)
    room.plays(6)  # up to the goal, and over it
    room.plays(1)
    room.leave()
    takes = [read_take(path) for path in room.takes]
    # Takes of one second have their names in no order of time.
    assert sorted((t.meta.part, t.meta.chunk, t.meta.speed) for t in takes) == [
        ("together", (0, 2), 0.9),
        ("together", (3, 4), 0.9),
        ("together", (3, 4), 1.0),
    ]
    live = {s.recorder.path: report(s.session, s.ignored) for s in room.ended if s.recorder is not None}
    assert set(live) == set(room.takes)
    for path, take in zip(room.takes, takes, strict=True):
        assert take.complete
        limits = limits_of(take.meta.tolerances)
        session, ignored = replay(take, etude(2), profile=None, limits=limits, terms=terms_of(take.meta))
        assert report(session, ignored) == live[path]


def test_the_history_has_every_pass(sit: Open):
    room = sit()
    room.plays(2)
    room.play(Placed("ringing", 4))
    room.rest(4)
    room.plays(1)
    room.leave()
    rows = History(history_path()).passes(etude(2).score.digest)
    assert [(row.part, row.first_bar, row.last_bar, row.first, row.last) for row in rows] == [
        ("together", 3, 4, 3, 4)
    ] * 4
    assert [(row.clean, row.complete, row.faults) for row in rows] == [
        (True, True, 0),
        (True, True, 0),
        (False, True, 1),
        (True, True, 0),
    ]
    assert [row.speed for row in rows] == [0.6] * 4
    assert [(row.right, row.notes) for row in rows] == [(10, 10)] * 4
    stops = History(history_path()).stops(etude(2).score.digest)
    assert [(stop.bar, stop.string, stop.kinds) for stop in stops] == [
        (3, 6, ("clean",) * 4),
        (4, 5, ("clean", "clean", "ringing", "clean")),
    ]


def test_the_ladder_is_kept_and_gone_on_with(sit: Open):
    room = sit()
    room.plays(5)
    assert (room.drill.speed, room.drill.count) == (0.7, 2)
    summary = room.leave()
    assert summary is not None
    assert summary.sentences[0] == (
        "5 passes played, 5 clean. You stand at: together, bars 3–4, at 42 beats a minute."
    )
    again = sit(None)
    assert again.live.rung.name == STEPS[TOGETHER]
    assert (again.drill.speed, again.drill.count, again.drill.passes) == (0.7, 2, 5)
    again.plays(1)
    assert again.told[-1] == "Three clean in a row. Now a little faster, at 48 beats a minute."


def test_the_last_pass_counts_when_the_player_gets_up_at_once(sit: Open):
    room = sit()
    room.plays(2)
    room.play()
    summary = room.leave()
    assert summary is not None
    assert summary.sentences[0] == (
        "3 passes played, 3 clean. You stand at: together, bars 3–4, at 42 beats a minute."
    )
    assert sit(None).drill.speed == 0.7


def test_nothing_is_made_of_a_pass_that_the_player_got_up_from(sit: Open):
    room = sit()
    room.plays(2)
    room.play(only=6)
    room.leave()
    assert room.drill.count == 2


@pytest.mark.parametrize(
    "damage",
    ["", "{", "[]", '{"format": 99}', '{"format": 1, "drill": {"at": ["together", 3, "x"]}}', "\x00" * 20],
)
def test_a_damaged_ladder_is_moved_aside(sit: Open, damage: str, capsys: pytest.CaptureFixture[str]):
    room = sit()
    room.plays(3)
    room.leave()
    room.kept.write_text(damage, "utf-8")
    again = sit(None)
    assert again.drill.at == 0
    said = capsys.readouterr().err.splitlines()
    assert len([line for line in said if "it is kept as" in line]) == 1
    aside = room.kept.with_suffix(".broken.json")
    assert aside.read_text("utf-8") == damage
    again.leave()
    assert json.loads(room.kept.read_text("utf-8"))["drill"]["at"] == ["scale", 0, -1]


def test_a_take_is_ended_whenever_its_thread_looks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The thread that flushes has just seen that the take goes on when it is ended: the drill stood still."""
    monkeypatch.setattr(recording, "FLUSH_S", 0.0)
    recorder = Recorder(tmp_path / "take.mid", TakeMeta(title="Ended at once"))
    looked, ended = threading.Event(), threading.Event()
    done = recorder._done

    class Looks(threading.Event):
        def wait(self, timeout: float | None = None) -> bool:
            looked.set()
            ended.wait(10)
            return False  # as it was when it was looked at

        def set(self) -> None:
            super().set()
            done.set()

    looks = Looks()
    monkeypatch.setattr(recorder, "_done", looks)
    wake = recorder._wake

    class Wakes:
        def wait(self) -> bool:
            return wake.wait()

        def clear(self) -> None:
            wake.clear()

        def is_set(self) -> bool:
            return wake.is_set()

        def set(self) -> None:
            wake.set()
            if looks.is_set():
                ended.set()

    monkeypatch.setattr(recorder, "_wake", Wakes())
    recorder.write(1000, b"\x90\x40\x40")
    wake.set()
    assert looked.wait(10)
    closing = threading.Thread(target=recorder.close, daemon=True)
    closing.start()
    closing.join(10)
    assert not closing.is_alive()
    assert read_take(tmp_path / "take.mid").complete
