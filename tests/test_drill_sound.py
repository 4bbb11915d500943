"""What a drill lets hear: count-in, click, model, the difference, the last pass.  Times by hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coach.app.drill import Wanted, ladder_of, maker, scale_piece
from coach.app.drill_sound import Passage, heard_again
from coach.app.sitting import limits_of, replay
from coach.app.step import of_rung, whole
from coach.app.terms import Terms
from coach.core.ladder import Part, Rung
from coach.core.report import report
from coach.core.sounding import BAR_ACCENT, BEAT_ACCENT, Tone, Track
from coach.files.take import read_take
from coach.screen.keys import Action
from tests.drill_room import EVEN, SECOND, Placed, Room, etude, ladder_of_etude, own_clock

Open = Callable[..., Room]


@pytest.fixture
def sit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Open:
    clock = own_clock(tmp_path, monkeypatch)

    def open_room(at: int, **how: Any) -> Room:
        return Room(clock, 2, at, **how)

    return open_room


def passage(number: int, name: str, speed: float) -> Passage:
    """The step of an étude with a name."""
    (rung,) = [rung for rung in ladder_of_etude(number) if rung.name == name]
    return Passage(of_rung(etude(number), Terms(), rung), speed)


def counted(made: Passage) -> list[tuple[float, int]]:
    """Time and accent of the strokes before the first note."""
    return [(t.start_s, t.accent) for t in made.model().ticks if t.start_s < made.lead_s - 1e-9]


def strokes(times: list[float], bars: list[int]) -> list[tuple[float, int]]:
    """Strokes at these times; of those in ``bars`` a bar begins with each."""
    return [
        (pytest.approx(time, abs=1e-9), BAR_ACCENT if n in bars else BEAT_ACCENT)
        for n, time in enumerate(times)
    ]


# --- the count-in: a full bar, and the bar up to the pickup --------------------------------------------


def test_count_in_of_four_four_without_a_pickup():
    made = passage(1, "bars 1–2", 0.6)
    beat = 60 / 66 / 0.6
    assert made.lead_s == pytest.approx(4 * beat)
    assert counted(made) == strokes([0, beat, 2 * beat, 3 * beat], [0])


def test_count_in_of_two_four_with_an_eighth_before():
    """Two beats, and one and a half: the note comes on the half of the second beat."""
    made = passage(2, "together, bars 1–2 with the pickup", 0.6)
    beat = 60 / 60 / 0.6
    assert made.lead_s == pytest.approx(3.5 * beat)
    assert counted(made) == strokes([0, beat, 2 * beat, 3 * beat], [0, 2])


def test_count_in_of_three_four_from_a_quarter_upbeat():
    """Three beats, and two: the note comes on the third."""
    made = passage(5, "melody alone, bars 5–6 from the upbeat", 0.8)
    beat = 60 / 84 / 0.8
    assert made.lead_s == pytest.approx(5 * beat)
    assert counted(made) == strokes([n * beat for n in range(5)], [0, 3])


def test_count_in_of_six_eight_is_in_dotted_beats():
    made = passage(4, "melody alone, bar 1", 1.0)
    beat = 1.5 * 60 / 72
    assert made.lead_s == pytest.approx(2 * beat)
    assert counted(made) == strokes([0, beat], [0])


def test_count_in_of_six_eight_from_an_eighth_upbeat():
    """Six eighths, and five: two dotted beats in each, the note an eighth before the bar."""
    eighth = 30 / 72 / 0.5
    rung = Rung(Part.MELODY, 1, 1, 1, lands=60480, upbeat=5040)
    made = Passage(of_rung(etude(4), Terms(), rung), 0.5)
    notes = made.score.notes
    if int(notes["onset"].min()) != 30240 - 5040:
        pytest.fail("bar 1 of the étude has no melody note on its last eighth")
    assert made.lead_s == pytest.approx(11 * eighth)
    assert counted(made) == strokes([0, 3 * eighth, 6 * eighth, 9 * eighth], [0, 2])


# --- the model ----------------------------------------------------------------------------------------


def of_string(track: Track, string: int) -> list[Tone]:
    return [tone for tone in track.tones if tone.string == string]


def test_the_model_ends_each_bass_at_its_stop():
    """Bars 3 and 4: the low E until the A, the A until the D, and the D it lands on for a beat."""
    made = passage(2, "together, bars 3–4", 0.5)
    beat, lead = 2.0, 4.0  # two quarters of a full bar at half of 60 a minute
    assert made.lead_s == pytest.approx(lead)
    track = made.model()
    basses = [(t.pitch, t.start_s - lead, (t.stop_s or 0) - lead) for t in track.tones if t.string >= 4]
    assert basses == [
        (40, pytest.approx(0), pytest.approx(2 * beat)),
        (45, pytest.approx(2 * beat), pytest.approx(4 * beat)),
        (50, pytest.approx(4 * beat), pytest.approx(5 * beat)),
    ]
    melody = [(t.pitch, t.start_s - lead) for t in track.tones if t.string <= 3]
    starts = (0, 0.5, 1, 1.5, 2, 3.5, 4)
    assert melody == [
        (pitch, pytest.approx(at * beat, abs=1e-9))
        for pitch, at in zip((59, 62, 59, 56, 57, 64, 66), starts, strict=True)
    ]
    clicks = [t.start_s for t in track.ticks]
    assert clicks == [pytest.approx(n * beat) for n in range(7)]  # two before, four, and the landing
    assert track.period_s is None
    assert track.length_s == pytest.approx(lead + 5 * beat + 1.0)  # a second's tail, see demonstration


def test_either_voice_of_the_model_can_be_left_to_the_player():
    made = passage(2, "together, bars 3–4", 0.6)
    assert {t.pitch for t in made.model(bass=False).tones} == {59, 62, 56, 57, 64, 66}
    assert {t.pitch for t in made.model(melody=False).tones} == {40, 45, 50}


def test_the_difference_is_first_ringing_on_then_stopped():
    made = passage(2, "bass alone, bars 3–4", 1.0)
    track, beat = made.difference(), 1.0
    half = made.model().length_s
    assert track.length_s == pytest.approx(2 * half)
    assert track.period_s is None
    first = [t for t in track.tones if t.start_s < half]
    second = [t for t in track.tones if t.start_s >= half]
    assert [(t.pitch, t.stop_s) for t in first] == [(40, None), (45, None), (50, None)]
    lead = half + 2 * beat
    assert [(t.pitch, t.stop_s) for t in second] == [
        (40, pytest.approx(lead + 2 * beat)),
        (45, pytest.approx(lead + 4 * beat)),
        (50, pytest.approx(lead + 5 * beat)),
    ]
    assert [t.start_s for t in second] == [pytest.approx(t.start_s + half) for t in first]
    ticks = [t.start_s for t in track.ticks]
    assert ticks == sorted(ticks)
    assert len(ticks) == 2 * len(made.model().ticks)


# --- the click ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(1, 6))
def test_the_click_comes_again_after_whole_beats(
    number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """A pass begun in any round is on the beat of the first: the drift is reckoned so."""
    monkeypatch.setenv("COACH_TAKES", str(tmp_path))
    piece = etude(number)
    for rung in ladder_of_etude(number):
        scale = rung.part is Part.SCALE
        step = whole(scale_piece(piece, Terms()), Terms()) if scale else of_rung(piece, Terms(), rung)
        score = step.piece.score
        assert len(score.tempo) == 1
        bar = score.bars[-1]
        quarters = 1.5 if (bar.beats, bar.beat_unit) == (6, 8) else 4 / bar.beat_unit
        for speed in (0.6, 0.85, 1.0):
            track = Passage(step, speed).clicks()
            beat_s = quarters * 60 / float(score.tempo["qpm"][0]) / speed
            assert track.period_s is not None
            rounds = track.period_s / beat_s
            assert rounds == pytest.approx(round(rounds), abs=1e-9), (rung.name, speed)
            for tick in track.ticks:
                assert tick.start_s / beat_s == pytest.approx(round(tick.start_s / beat_s), abs=1e-9)
            assert max(t.start_s for t in track.ticks) < track.period_s


def test_silent_bars_and_divided_beats():
    made = passage(1, "the whole piece", 1.0)
    beat = 60 / 66
    every = made.clicks()
    assert len(every.ticks) == 4 + 8 * 4  # nothing is landed on: the beat after is the next round's first
    silent = [t.start_s / beat for t in made.clicks(silent=2).ticks]
    assert not [at for at in silent if 12 - 1e-6 < at < 20 - 1e-6 or 28 - 1e-6 < at < 36 - 1e-6]
    assert len(silent) == 4 + 4 * 4
    halves = [t.start_s / beat for t in made.clicks(subdivide=2).ticks if t.start_s / beat > 4 - 1e-6]
    assert halves == [pytest.approx(4 + n / 2) for n in range(8 * 4 * 2)]


@pytest.mark.parametrize("late_ms", [-25, 0, 30])
@pytest.mark.parametrize("at", [2, 29], ids=["with the pickup", "on the bar"])
def test_drift_is_reckoned_against_the_click_that_is_heard(sit: Open, late_ms: int, at: int):
    """In the first round and in the third, live and from the saved take."""
    room = sit(at, click=True)
    room.rest(0.2)
    assert room.speaker is not None
    track, start_ns = room.speaker.tracks[-1], room.speaker.starts_ns[-1]
    assert track.period_s is not None
    lead_ns = room.live.passage.lead_s * SECOND
    for turn in (0, 2):
        made = room.performance(manner=EVEN)
        first_us = made.truth.passes[0].from_us
        music_ns = start_ns + lead_ns + turn * track.period_s * SECOND
        room.until(round(music_ns) - first_us * 1000 + late_ms * 1_000_000)
        room.perform(made.messages)
    room.rest(4)
    assert room.told == ["Clean, 1 of 3.", "Clean, 2 of 3."]
    room.leave()
    take = read_take(room.takes[0])
    session, _ = replay(take, etude(2), profile=None, limits=limits_of(take.meta.tolerances))
    for one in (room.live.sitting.session, session):
        drifts = [row.timing.drift_ms for row in report(one).bars if row.timing.drift_ms is not None]
        assert len(drifts) >= 4
        assert drifts == [pytest.approx(late_ms, abs=0.2)] * len(drifts)


# --- the last pass ------------------------------------------------------------------------------------


def test_the_last_pass_as_it_rang_and_mended(sit: Open):
    room = sit(29)
    made = room.play(Placed("ringing", 4))
    room.rest(4)
    truth = next(end for end in made.truth.ends if end.verdict == "ringing")
    assert truth.due_us is not None
    assert truth.release_us is not None
    session = room.live.sitting.session
    begin_us = min(note.onset_us for note in made.truth.notes)
    (rang,) = of_string(heard_again(session, 1, mended=False), 5)
    (stopped,) = of_string(heard_again(session, 1, mended=True), 5)
    assert rang.start_s == stopped.start_s
    assert rang.start_s == pytest.approx((truth.on_us - begin_us) / 1e6, abs=0.001)
    assert rang.stop_s == pytest.approx((truth.release_us - begin_us) / 1e6, abs=0.001)
    assert stopped.stop_s == pytest.approx((truth.due_us - begin_us) / 1e6, abs=0.001)
    others = [t for t in heard_again(session, 1, mended=True).tones if t.string != 5]
    assert others == [t for t in heard_again(session, 1, mended=False).tones if t.string != 5]
    assert room.speaker is not None
    for action, wanted in ((Action.LAST_PASS, rang), (Action.MENDED, stopped)):
        room.live.act(action)
        assert of_string(room.speaker.tracks[-1], 5) == [wanted]
        assert room.speaker.tracks[-1].ticks == ()


def test_play_along_takes_turns_with_the_voices(sit: Open):
    room = sit(29)
    assert room.speaker is not None
    for pitches in ({59, 62, 56, 57, 64, 66, 40, 45, 50}, {59, 62, 56, 57, 64, 66}, {40, 45, 50}):
        room.live.act(Action.ALONG)
        track = room.speaker.tracks[-1]
        assert {t.pitch for t in track.tones} == pitches
        assert track.period_s is not None
        assert room.speaker.rounds
    room.live.act(Action.ALONG)
    assert not room.speaker.playing


def test_space_plays_the_step_and_stops_it(sit: Open):
    room = sit(29)
    assert room.speaker is not None
    room.live.act(Action.LISTEN)
    assert room.speaker.tracks == [room.live.passage.model()]
    assert room.speaker.playing
    room.live.act(Action.LISTEN)
    assert not room.speaker.playing
    assert len(room.speaker.tracks) == 1


def test_every_step_of_every_etude_can_be_heard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("COACH_TAKES", str(tmp_path))
    for number in range(1, 6):
        piece = etude(number)
        make = maker(piece, Terms(), None, limits_of({}))
        for rung in ladder_of(piece, Terms(), Wanted()):
            sitting = make(rung, 0.6)
            made = Passage(sitting.step, 0.6)
            track = made.model()
            first = min(tone.start_s for tone in track.tones)
            assert first >= made.lead_s - 0.2, rung.name  # grace notes come before the beat
            assert len(track.tones) >= len(sitting.piece.score.notes) - 2
            assert max(t.stop_s or 0 for t in track.tones) <= track.length_s, rung.name


# --- no sound -----------------------------------------------------------------------------------------

NO_DEVICE = (
    "No sound here (no output for sound was found): mend that and ask again; all else works in silence."
)
HEARING = (Action.LISTEN, Action.ALONG, Action.DIFFERENCE, Action.LAST_PASS, Action.MENDED, Action.CLICK)


def message_after(room: Room, action: Action) -> str:
    room.live.act(action)
    room.live.step(room.clock.now)
    return room.view().foot.message


@pytest.mark.parametrize("action", HEARING)
def test_whatever_is_asked_to_be_heard_without_a_device_says_why_not_and_what_to_do(
    sit: Open, action: Action
):
    room = sit(29)
    assert room.speaker is not None
    room.play()
    room.rest(10)
    room.speaker.trouble = NO_DEVICE
    room.rest(0.1)
    assert room.view().foot.message == NO_DEVICE  # once, when it is known
    room.rest(10)
    assert room.view().foot.message == ""
    for _ in range(2):  # each time it is asked for
        assert message_after(room, action) == NO_DEVICE
        if action is Action.CLICK:
            assert message_after(room, action) == "No click."
        room.rest(10)


@pytest.mark.parametrize("action", HEARING)
def test_a_drill_begun_in_silence_says_so(sit: Open, action: Action):
    room = sit(29, sound=False)
    room.play()
    room.rest(10)
    wanted = "No sound: the drill was begun with --silent; begin it without, to hear this."
    assert message_after(room, action) == wanted


def test_a_device_that_is_lost_and_found_is_told_once_each(sit: Open):
    room = sit(29)
    assert room.speaker is not None
    room.rest(0.1)
    assert room.view().foot.message == ""  # that there is sound is nothing to speak of
    lost = "The sound stopped: “Box” is gone. The next thing to be heard looks for it again."
    room.speaker.trouble = lost
    room.rest(0.1)
    assert room.view().foot.message == lost
    room.rest(10)
    assert room.view().foot.message == ""
    heard = len(room.speaker.tracks)
    room.live.act(Action.LISTEN)
    assert len(room.speaker.tracks) == heard + 1  # ordered all the same: so it is looked for
    room.speaker.trouble = ""
    room.rest(0.1)
    assert room.view().foot.message == "There is sound again."


def test_playing_along_begins_with_both_voices_where_it_was_not_heard(sit: Open):
    room = sit(29)
    assert room.speaker is not None
    room.speaker.trouble = NO_DEVICE
    for _ in range(2):
        assert message_after(room, Action.ALONG) == NO_DEVICE
    room.speaker.trouble = ""
    room.rest(0.1)
    assert message_after(room, Action.ALONG) == "Play along."
