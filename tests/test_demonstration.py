"""What a passage sounds like, tone by tone; times in seconds at one quarter a second unless said."""

from dataclasses import replace

import numpy as np
import pytest

from coach.core.damping import Reason, plan_stops
from coach.core.demonstration import GRACE_S, LEAST_S, assemble, demonstration, passage_s, take_tones
from coach.core.events import End, NoteOff, NoteOn
from coach.core.mixer import render
from coach.core.pitch import parse_name
from coach.core.score import make_score
from coach.core.session import judge
from coach.core.sounding import Tick, Tone, Track
from tests.scores import Q, piece

LINE = piece("4/4", "A2 2, D3 1, - 1, E2 4, A2 4", "C4@2 1, E4@1 1, C4@2 2, B3@2 4, A3@3 4")


def told(tones):
    return [(t.start_s, int(t.pitch), t.string, t.stop_s) for t in tones]


def demo(score, bars, speed=1.0, **how):
    return demonstration(score, plan_stops(score), bars, speed, **how)


def test_basses_end_at_their_stops_and_the_melody_as_written():
    assert told(demo(LINE, (0, 0))) == [
        (0.0, 45, 5, 2.0),  # stopped at the next bass
        (0.0, 60, 2, 1.0),
        (1.0, 64, 1, 2.0),
        (2.0, 50, 4, 3.0),  # at the rest
        (2.0, 60, 2, 4.0),
        (4.0, 40, 6, 5.0),  # what the bar runs into, for a beat
        (4.0, 59, 2, 5.0),
    ]


def test_with_the_basses_ringing_on():
    rings, stops = demo(LINE, (0, 1), ring_on=True), demo(LINE, (0, 1))
    for ringing, stopped in zip(rings, stops, strict=True):
        assert replace(ringing, stop_s=None) == replace(stopped, stop_s=None)
        assert (ringing.stop_s is None) == (ringing.string >= 4)


def test_either_voice_alone():
    assert [t.string for t in demo(LINE, (0, 0), melody=False)] == [5, 4, 6]
    assert [t.string for t in demo(LINE, (0, 0), bass=False)] == [2, 1, 2, 2]
    assert demo(LINE, (0, 0), melody=False, bass=False) == ()


def test_time_runs_from_the_first_bar_by_speed_and_tempo():
    tones = demo(LINE, (1, 1), 0.5)
    assert told(tones) == [
        (0.0, 40, 6, 8.0),
        (0.0, 59, 2, 8.0),
        (8.0, 45, 5, 10.0),
        (8.0, 57, 3, 10.0),
    ]
    faster = piece("4/4", "A2 2, D3 2", qpm=120)
    assert [t.start_s for t in demo(faster, (0, 0))] == [0.0, 1.0]


def test_the_last_bar_of_a_piece_runs_into_nothing():
    tones = demo(LINE, (2, 2))
    assert told(tones) == [(0.0, 45, 5, 4.0), (0.0, 57, 3, 4.0)]


def test_a_bass_that_may_ring_rings():
    score = piece("4/4", "A2~ 2, D3 2, E2 4")
    tones = demo(score, (0, 1))
    assert [(t.string, t.stop_s) for t in tones] == [(5, None), (4, 4.0), (6, 8.0)]
    free = plan_stops(LINE, free=frozenset({int(LINE.notes["written"][0])}))
    assert free[0].reason is Reason.FREE
    assert demonstration(LINE, free, (0, 0), 1.0)[0].stop_s is None
    # One that nobody is asked to stop rings too.
    unasked = tuple(replace(stop, wanted=False) for stop in plan_stops(LINE))
    assert [t.stop_s for t in demonstration(LINE, unasked, (0, 0), 1.0, melody=False)] == [None, None, None]


def test_a_replaced_bass_ends_where_its_string_is_taken():
    score = piece("4/4", "A2@5 2, B2@5 2, E2 4")
    assert plan_stops(score)[0].reason is Reason.REPLACED
    assert demo(score, (0, 0))[0].stop_s == 2.0


def test_a_melody_tied_to_nothing_rings():
    score = piece("4/4", "A2 4", "E4~ 1, C4 3")
    assert [t.stop_s for t in demo(score, (0, 0), bass=False)] == [None, 4.0]


def test_two_voices_on_one_string_are_one_stroke():
    score = piece("4/4", "A2@5 4", "A2@5 1, E4 3")
    assert [(t.start_s, t.string) for t in demo(score, (0, 0))] == [(0.0, 5), (1.0, 1)]
    assert [(t.start_s, t.string) for t in demo(score, (0, 0), bass=False)] == [(0.0, 5), (1.0, 1)]


def with_graces(*pitches, at=Q):
    """A bar of A2 under E4 E4, with grace notes to the second E4."""
    score = piece("2/4", "A2 2", "E4@1 1, E4@1 1")
    graces = np.repeat(score.notes[-1:], len(pitches))
    for number, (grace, name) in enumerate(zip(graces, pitches, strict=True)):
        grace["onset"], grace["duration"], grace["grace"], grace["written"] = at, 0, True, 50 + number
        grace["pitch"], grace["fret"] = parse_name(name), parse_name(name) - 64
    return make_score(np.concatenate((score.notes, graces)), score.bars, tempo=score.tempo)


def test_grace_notes_come_just_before_in_the_order_they_are_written():
    tones = demo(with_graces("G4", "F4"), (0, 0))
    assert [(t.start_s, int(t.pitch)) for t in tones] == [
        (0.0, 45),
        (0.0, 64),
        (pytest.approx(1 - 2 * GRACE_S), 67),
        (pytest.approx(1 - GRACE_S), 65),
        (1.0, 64),
    ]
    assert tones[2].stop_s == pytest.approx(1 - GRACE_S)


def test_a_grace_note_before_the_beginning_has_its_place_in_the_lead():
    tones = demo(with_graces("F4", at=0), (0, 0))
    assert tones[0].start_s == pytest.approx(-GRACE_S)
    assert assemble(tones, lead_s=2.0).tones[0].start_s == pytest.approx(2.0 - GRACE_S)
    assert assemble(tones).tones[0].start_s == 0.0


def test_an_upbeat_is_played_before_the_first_bar():
    score = piece("4/4", "A2 4, D3 4", "C4 3, D4 1, E4 4")
    tones = demo(score, (1, 1), lead_tick=3 * Q, bass=False)
    assert [(t.start_s, int(t.pitch)) for t in tones] == [(0.0, 62), (1.0, 64)]


def test_no_tone_is_too_short_to_hear():
    tones = demo(piece("4/4", "A2 4", "E4 1/64, - 255/64"), (0, 0), 4.0, bass=False)
    assert tones[0].stop_s == LEAST_S


def test_a_speed_of_nothing_is_refused():
    with pytest.raises(ValueError, match="nobody plays"):
        demo(LINE, (0, 0), 0.0)


# --- a take as it rang -------------------------------------------------------------------------------

STEPS = piece("4/4", "A2 1, D3 1, E2 1, A2 1")
STRING = {45: 5, 50: 4, 40: 6}


def heard(*notes, start=3.0):
    """Events of (beat, pitch, length in s or None)."""
    events = []
    for beat, pitch, length in notes:
        at = start + beat
        events.append(NoteOn(round(at * 1e6), pitch, 70 + round(beat), STRING[pitch]))
        if length is not None:
            events.append(NoteOff(round((at + length) * 1e6), pitch, STRING[pitch]))
    return [*sorted(events, key=lambda e: e.time_us), End(30_000_000)]


LATE = heard((0, 45, 1.4), (1.05, 50, 3.5), (2, 40, 0.4), (3.1, 45, 0.9))


def test_a_take_is_heard_as_it_rang():
    session = judge(LATE, STEPS)
    kinds = sorted((v.note, v.kind.value) for v in session.verdicts.values() if hasattr(v, "overhang_ms"))
    assert kinds == [(0, "late"), (1, "ringing"), (2, "cut"), (3, "clean")]
    tones = take_tones(session, 1)
    assert told(tones) == [
        (0.0, 45, 5, 1.4),
        (1.05, 50, 4, 4.55),
        (2.0, 40, 6, 2.4),
        (3.1, 45, 5, 4.0),
    ]
    assert [t.velocity for t in tones] == [70, 71, 72, 73]
    assert take_tones(session) == tones


def test_a_mended_take_stops_where_it_was_due():
    tones = take_tones(judge(LATE, STEPS), 1, mended=True)
    assert told(tones) == [
        (0.0, 45, 5, 1.05),  # at the onset of the next bass, as it was played
        (1.05, 50, 4, 2.0),
        (2.0, 40, 6, 3.1),
        (3.1, 45, 5, 4.0),  # clean, so as it was
    ]


def test_a_string_that_was_never_stopped_rings_on_until_it_is_mended():
    session = judge(heard((0, 45, None), (1, 50, 1.0), (2, 40, 1.0)), STEPS)
    assert take_tones(session, 1)[0].stop_s is None
    assert take_tones(session, 1, mended=True)[0].stop_s == 1.0


def test_passes_are_told_apart():
    events = [*heard((0, 45, 1), (1, 50, 1), (2, 40, 1), (3, 45, 1))[:-1]]
    events += heard((0, 45, 1), (1, 50, 1), (2, 40, 1), (3, 45, 1), start=12.0)
    session = judge(events, STEPS)
    assert len(take_tones(session)) == 8
    assert take_tones(session)[4].start_s == 9.0
    assert told(take_tones(session, 2)) == told(take_tones(session, 1))
    for number in (0, 3):
        with pytest.raises(ValueError, match=f"no pass {number}"):
            take_tones(session, number)
    assert take_tones(judge([End(1)], STEPS)) == ()


# --- put together ------------------------------------------------------------------------------------


def test_the_lead_is_counted_and_then_all_begins():
    tones = (Tone(0.0, 45, 5, 80, 1.0), Tone(1.0, 50, 4, 80))
    count = (Tick(0.0, 2), Tick(1.0))
    track = assemble(tones, (Tick(0.0, 2), Tick(1.5)), 2.0, count=count, tail_s=0.5)
    assert told(track.tones) == [(2.0, 45, 5, 3.0), (3.0, 50, 4, None)]
    assert [t.start_s for t in track.ticks] == [0.0, 1.0, 2.0, 3.5]
    assert (track.length_s, track.period_s) == (4.0, None)
    again = assemble(tones, (), 2.0, count=count, music_s=4.0, repeat=True)
    assert (again.length_s, again.period_s) == (6.0, 6.0)
    assert assemble((), ()) == Track((), (), 1.0)


def test_a_passage_lasts_a_beat_longer_than_its_bars_where_it_runs_into_a_note():
    assert passage_s(LINE, (0, 0), 1.0) == 5.0
    assert passage_s(LINE, (0, 0), 0.5, landing=False) == 8.0
    assert passage_s(LINE, (1, 2), 1.0) == 8.0
    assert passage_s(LINE, (1, 1), 1.0, lead_tick=3 * Q) == 6.0
    assert passage_s(piece("6/8", "A2 3, D3 3"), (0, 0), 1.0) == 4.5


def test_the_stops_are_heard():
    """After the first bass was due, its string is silent in one track and sounds on in the other."""
    rate = 44_100
    score = piece("4/4", "A2 1, E2 3")
    level = []
    for ring_on in (False, True):
        track = assemble(demo(score, (0, 0), ring_on=ring_on))
        after = render(track, rate)[round(1.3 * rate) : round(1.8 * rate)]
        at = np.arange(len(after))
        turned = after * np.hanning(len(after)) * np.exp(-2j * np.pi * 110.0 / rate * at)
        level.append(abs(turned.sum()) / len(after))
    assert level[0] < level[1] / 300  # 50 dB
