"""One bar to true time: literal milliseconds, and the takes against what was really played."""

import json

import pytest

from coach.app.piece import find_score, open_piece
from coach.app.sitting import limits_of, replay
from coach.core.events import End
from coach.core.lanes import heard_us, lanes
from coach.core.score import TICKS_PER_QUARTER
from coach.core.session import Session, judge
from coach.core.verdicts import Damping, Stroke
from coach.files.take import read_take
from tests.scores import piece
from tests.test_session import CLEAN, STEPS, bass_line, off, on
from tests.test_truth import EXACT_MS, TAKES

Q = TICKS_PER_QUARTER


def played(**changed):
    line = list(CLEAN)
    for key, value in changed.items():
        line[int(key[1:])] = value
    return judge([*bass_line(*line), End(12_000_000)], STEPS)


def lane(found, string):
    return next(one for one in found.lanes if one.string == string)


def test_a_bar_runs_from_a_beat_before_to_a_beat_behind_in_the_players_time():
    found = lanes(played(), 1, 1)
    assert (found.pass_number, found.bar, found.number) == (1, 1, 2)
    assert (found.first_ms, found.last_ms) == (-1000.0, 5000.0)
    assert found.beats == ((0.0, "1"), (1000.0, "2"), (2000.0, "3"), (3000.0, "4"))
    assert found.barlines == (0.0, 4000.0)
    assert [one.string for one in found.lanes] == [1, 2, 3, 4, 5, 6]


def test_a_late_stop_stands_beside_its_written_length():
    found = lanes(played(n1=(50, 1.25)), 1, 0)
    wanted, following = lane(found, 4).wanted
    sound = lane(found, 4).sounds[0]
    assert following.on_ms == 4000.0  # it begins in the beat behind the bar
    assert (wanted.on_ms, wanted.off_ms, wanted.name, wanted.stop) == (1000.0, 2000.0, "D", True)
    assert (sound.on_ms, sound.off_ms, sound.kind, sound.words) == (1000.0, 2250.0, Damping.LATE, "+250 ms")
    assert found.said[0] == "Beat 2: the D on string 4 stopped 250 ms late, after beat 3."
    assert found.said[1] == "Beat 1: the A on string 5 stopped in time (0 ms)."


def test_a_string_that_rings_into_the_next_bar_is_there_with_its_true_beginning_and_end():
    found = lanes(played(n3=(45, 2.6)), 1, 1)
    reaching = lane(found, 5).sounds[0]
    assert (reaching.on_ms, reaching.off_ms, reaching.kind) == (-1000.0, 1600.0, Damping.RINGING)
    assert found.said[0] == "Bar 1, beat 4: the A on string 5 rang on for 1600 ms past bar 2, beat 1."
    assert lane(lanes(played(n3=(45, 2.6)), 1, 0), 5).sounds[1].off_ms == 5600.0  # far outside the stretch


def test_what_is_cut_wrong_left_out_or_never_stopped_is_said_exactly():
    cut = lanes(played(n2=(40, 0.6)), 1, 0)
    assert cut.said[0] == "Beat 3: the E on string 6 stopped 400 ms too soon, before beat 4."
    assert lane(cut, 6).sounds[0].words == "−400 ms"
    wrong = lanes(played(n2=(41, 1.0)), 1, 0)
    assert "Beat 3: F was played, E is written." in wrong.said
    events = [e for e in bass_line(*CLEAN) if not 2_900_000 < e.time_us < 4_000_000]  # neither E nor its end
    missing = lanes(judge([*events, End(12_000_000)], STEPS), 1, 0)
    assert "Beat 3: the E was left out." in missing.said
    assert lane(missing, 6).wanted[0].on_ms == 2000.0  # reckoned between the onsets about it
    assert not lane(missing, 6).sounds
    endless = lanes(played(n0=(45, None), n3=(50, 1.0), n6=(50, 1.0)), 1, 0)
    assert lane(endless, 5).sounds[0].words == "to the end"
    assert lane(endless, 5).sounds[0].off_ms is None
    assert endless.said[0] == "Beat 1: the A on string 5 rang on past beat 2, to the end."


def test_a_bar_with_nothing_to_mend_says_so():
    score = piece("4/4", "", "E4 1, F4 1, G4 1, E4 1")
    events = [on(1, 64), on(2, 65, 1), on(3, 67, 1), on(4, 64), End(6_000_000)]
    found = lanes(judge(events, score), 1, 0)
    assert found.said == ("Nothing is to be mended in this bar.",)
    assert [s.kind for s in lane(found, 1).sounds] == [Stroke.RIGHT] * 4


def test_melody_is_there_with_its_written_end_and_its_own_time():
    score = piece("4/4", "A2 2, E2 2", "E4 1, F4 1, E4 2")
    events = [on(1, 45), on(1.02, 64), on(2.1, 65, 1), off(2.15, 64), off(3, 45), on(3, 40), on(3.01, 64)]
    found = lanes(judge([*events, off(3.01, 65, 1), off(5, 40), End(8_000_000)], score), 1, 0)
    first, second, third = lane(found, 1).wanted
    assert (first.on_ms, first.off_ms) == (0.0, 1100.0)  # the group began with the bass
    assert (second.on_ms, second.off_ms) == (1100.0, 2000.0)
    assert (third.on_ms, third.off_ms, third.stop) == (2000.0, pytest.approx(4000.0, abs=150), False)
    assert [(s.on_ms, s.name) for s in lane(found, 1).sounds] == [(20.0, "E"), (1100.0, "F"), (2010.0, "E")]
    assert lane(found, 1).sounds[1].off_ms == 2010.0  # its string was plucked again


def test_a_pickup_counts_from_its_end():
    score = piece("4/4", "E2 1, A2 4", pickup="1")
    found = lanes(judge([on(1, 40), off(2, 40), on(2, 45), off(6, 45), End(8_000_000)], score), 1, 0)
    assert (found.number, found.beats, found.barlines) == (0, ((0.0, "4"),), (0.0, 1000.0))
    score = piece("4/4", "E2 1/2, A2 4", pickup="1/2")
    found = lanes(judge([on(1, 40), off(1.5, 40), on(1.5, 45), off(5.5, 45), End(8_000_000)], score), 1, 0)
    assert found.beats == ((0.0, "4½"),)


def test_a_bar_that_the_pass_did_not_play_is_none():
    session = judge([*bass_line(*CLEAN[:3]), End(9_000_000)], STEPS)
    assert lanes(session, 1, 0) is not None
    assert lanes(session, 1, 1) is None
    assert lanes(session, 2, 0) is None
    assert lanes(session, 0, 0) is None
    assert lanes(session, 1, 7) is None
    assert lanes(Session(STEPS), 1, 0) is None


def test_a_session_that_runs_has_sounds_without_an_end():
    session = Session(STEPS)
    for event in [on(1, 45), on(2, 50), off(2.0, 45)]:
        session.feed(event)
    found = lanes(session, 1, 0)
    assert lane(found, 4).sounds[0].off_ms is None
    assert lane(found, 5).sounds[0].off_ms == 1000.0
    assert found.beats == ((0.0, "1"), (1000.0, "2"), (2000.0, "3"), (3000.0, "4"))  # at the player's pace


def test_a_bass_plucked_again_by_mistake_has_its_figure_where_the_string_stopped():
    events = [e for e in bass_line(*CLEAN) if not (e.time_us == 5_000_000 and e.pitch == 45)]
    events = sorted([*events, on(4.5, 45), off(5.3, 45)], key=lambda e: e.time_us)
    found = lanes(judge([*events, End(12_000_000)], STEPS), 1, 0)
    first, second = lane(found, 5).sounds[1:]
    assert (first.kind, first.on_ms, first.off_ms, first.words) == (Damping.LATE, 3000.0, 3500.0, "")
    assert (second.kind, second.on_ms, second.off_ms, second.words) == (
        Stroke.EXTRA,
        3500.0,
        4300.0,
        "+300 ms",
    )
    assert "An extra A came 3500 ms after the first beat." in found.said


def test_after_a_restart_the_stretch_keeps_to_its_own_pass():
    events = [*bass_line(*CLEAN[:6]), *bass_line(*CLEAN, start=9.0)]
    events = [e for e in events if not (e.time_us == 7_000_000 and e.pitch == 40)]  # string 6 rings on
    session = judge([*sorted(events, key=lambda e: e.time_us), End(20_000_000)], STEPS)
    first, second = lanes(session, 1, 1), lanes(session, 2, 0)
    assert all(s.on_ms < 4000.0 for one in first.lanes for s in one.sounds)  # nothing of the second pass
    assert [w.name for one in first.lanes for w in one.wanted] == ["D", "A", "E"]  # as far as it came
    # From the pass before it still rings when the second begins: three seconds before its first beat.
    assert lane(second, 6).sounds[0].on_ms == -3000.0


def test_the_players_time_of_a_tick():
    session = judge([*bass_line(*CLEAN[:2]), on(3.5, 40), End(9_000_000)], STEPS)
    during = session.matching.passes[0]
    times = [heard_us(session, during, ticks) for ticks in (-Q, 0, Q // 2, Q, 3 * Q // 2, 2 * Q, 3 * Q)]
    # Before the first onset and after the last at the median pace of the steps: of 1 s and 1.5 s.
    assert times == [-250_000, 1_000_000, 1_500_000, 2_000_000, 2_750_000, 3_500_000, 4_750_000]


# --- against what was really played -------------------------------------------------------------------


def sat(path):
    take = read_take(path)
    score = open_piece(find_score(take.meta.digest, []))
    session, _ = replay(take, score, profile=None, limits=limits_of(take.meta.tolerances))
    return session, json.loads(path.with_suffix(".truth.json").read_text("utf-8"))


@pytest.mark.parametrize("path", TAKES, ids=lambda p: p.stem)
def test_every_sound_and_every_overhang_is_where_the_player_put_it(path):
    session, truth = sat(path)
    notes = session.score.notes
    found = {}
    for during in session.matching.passes:
        for bar in range(len(session.score.bars)):
            one = lanes(session, during.number, bar)
            if one is not None:
                start_us = heard_us(session, during, session.score.bars[bar].onset)
                found[during.number, bar] = one, start_us
    assert {(n["pass_number"], n["bar"]) for n in truth["notes"]} <= found.keys()
    for note in truth["notes"]:
        one, start_us = found[note["pass_number"], note["bar"]]
        on_ms, off_ms = ((note[key] - start_us) / 1000 for key in ("onset_us", "release_us"))
        near = [
            s
            for s in lane(one, note["string"]).sounds
            if s.pitch == note["pitch"] and abs(s.on_ms - on_ms) <= EXACT_MS
        ]
        assert len(near) == 1, note
        if near[0].off_ms is not None and note["kind"] == "right":
            # A finger may be heard to touch the string 10 to 30 ms before it is reported to pluck it anew;
            # the profile moves that forward by the pickup's delay (tests/converter.py).
            assert -45.0 - EXACT_MS <= near[0].off_ms - off_ms <= EXACT_MS
    compared = 0
    for end in truth["ends"]:
        one, start_us = found[end["pass_number"], int(notes["bar"][end["note"]])]
        if end["verdict"] == "missed":
            continue
        on_ms = (end["on_us"] - start_us) / 1000
        wanted = [
            w for w in lane(one, int(notes["string"][end["note"]])).wanted if abs(w.on_ms - on_ms) <= 40.0
        ]
        assert [w.pitch for w in wanted] == [notes["pitch"][end["note"]]], end
        if end["due_us"] is not None and end["reason"] != "end":
            assert wanted[0].off_ms == pytest.approx((end["due_us"] - start_us) / 1000, abs=EXACT_MS)
            compared += 1
        if end["verdict"] in ("late", "cut", "ringing"):
            figures = [s.words for s in lane(one, end["string"]).sounds if s.words]
            assert any(
                abs(float(f.removesuffix(" ms").replace("−", "-")) - end["overhang_ms"]) <= EXACT_MS
                for f in figures
            )
    assert compared >= 7
