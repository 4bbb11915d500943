"""What a converter makes up, one trouble at a time, by literal events and by the simulated converter."""

import pytest

from coach.core.events import Bend, End, NoteOff, NoteOn, Tick
from coach.core.profile import Profile
from coach.core.report import report
from coach.core.session import Session
from coach.core.verdicts import DAMPING_FAULTS, Damping, Limits, Source, Stroke, judge_end
from coach.core.wire import Decoder
from tests.converter import Converter
from tests.pieces import generated_piece
from tests.player import Faults, Manner, Player
from tests.scores import piece

BASS = piece("4/4", "E2 2, A2 2, E2 2, F2 2, E2 4")  # open 6, open 5, open 6, string 6 fret 1, open 6


def fed(score, *events, end_s=12.0, profile=None, limits=None):
    session = Session(score, profile=profile or Profile(), limits=limits)
    for event in sorted(events, key=lambda e: e.time_us):
        session.feed(event)
    session.feed(End(round(end_s * 1e6)))
    return session


def on(s, pitch, string, velocity=80):
    return NoteOn(round(s * 1e6), pitch, velocity, string)


def off(s, pitch, string):
    return NoteOff(round(s * 1e6), pitch, string)


def told(session):
    result = report(session)
    strokes = [(r.verdict.note, r.verdict.kind) for r in result.notes if r.verdict.kind is not Stroke.RIGHT]
    return [r.verdict.kind for r in result.damps], strokes


def bar_of_basses():
    """E2 from 1 s to 2 s, A2 to 3 s, E2 to 4 s, F2 to 5 s, E2 to 7 s."""
    return [
        on(1, 40, 6), off(2, 40, 6), on(2, 45, 5), off(3, 45, 5), on(3, 40, 6), on(4, 41, 6),
        off(4.001, 40, 6), on(5, 40, 6), off(5.001, 41, 6), off(7, 40, 6),
    ]  # fmt: skip


CLEAN, REPLACED = Damping.CLEAN, Damping.REPLACED


def test_the_bar_of_basses_is_clean():
    assert told(fed(BASS, *bar_of_basses())) == ([CLEAN, CLEAN, REPLACED, REPLACED, CLEAN], [])


@pytest.mark.parametrize("mended", [False, True])
def test_an_octave_error_is_the_note_that_was_asked_for(mended):
    rest = bar_of_basses()[4:]
    high = [on(1, 40, 6), off(2, 40, 6), on(2, 57, 5)]
    high += [on(2.06, 45, 5), off(2.061, 57, 5), off(3, 45, 5)] if mended else [off(3, 57, 5)]
    session = fed(BASS, *high, *rest)
    assert told(session) == ([CLEAN, CLEAN, REPLACED, REPLACED, CLEAN], [])
    assert session.ringing.ignored["octave errors"] >= 1


def test_a_pull_reported_as_notes_is_one_sound_until_the_last_of_them_stops():
    events = [
        on(1, 40, 6), on(1.2, 41, 6, 50), off(1.201, 40, 6), on(1.4, 40, 6, 45), off(1.401, 41, 6),
        off(2.4, 40, 6), *bar_of_basses()[2:],
    ]  # fmt: skip
    session = fed(BASS, *events)
    kinds, strokes = told(session)
    assert strokes == []
    assert kinds == [Damping.LATE, CLEAN, REPLACED, REPLACED, CLEAN]
    assert session.ringing.ignored["pulled strings"] == 2


def test_the_same_step_up_is_a_note_where_it_is_due():
    # The F2 of the third second, hammered on softly: no pull, for the score asks for it now.
    events = bar_of_basses()
    events[5] = on(4, 41, 6, 45)
    assert told(fed(BASS, *events)) == ([CLEAN, CLEAN, REPLACED, REPLACED, CLEAN], [])


def test_a_wheel_past_a_half_step_is_no_other_note():
    events = [*bar_of_basses(), Bend(1_300_000, 140.0, 6), Bend(1_600_000, 0.0, 6)]
    assert told(fed(BASS, *events)) == ([CLEAN, CLEAN, REPLACED, REPLACED, CLEAN], [])
    # A converter that calls the bent string by its neighbour and leaves the wheel a half-step down.
    events = bar_of_basses()
    events[2:4] = [Bend(1_990_000, -100.0, 5), on(2, 46, 5), off(3, 46, 5)]
    assert told(fed(BASS, *events)) == ([CLEAN, CLEAN, REPLACED, REPLACED, CLEAN], [])


def test_an_open_string_that_answers_is_no_stray():
    soft = [on(2.03, 57 - 7, 4, 15), off(2.4, 50, 4)]  # D3 answers A2 by a fourth
    session = fed(BASS, *bar_of_basses(), *soft)
    assert report(session).strays == ()
    assert session.ringing.ignored["strings that answered"] == 1
    # Brushed harder it is one.
    hard = [on(2.03, 50, 4, 40), off(2.4, 50, 4)]
    (stray,) = report(fed(BASS, *bar_of_basses(), *hard)).strays
    assert (stray.verdict.string, stray.verdict.source) == (4, Source.BRUSHED)


def test_a_finger_that_lifts_leaves_its_open_string_sounding():
    score = piece("4/4", "G2 2, A2 2, A2 4")
    events = [
        on(1, 43, 6), on(2.02, 40, 6, 35), off(2.021, 43, 6), off(2.4, 40, 6), on(2, 45, 5), off(3, 45, 5),
        on(3, 45, 5), off(5, 45, 5),
    ]  # fmt: skip
    result = report(fed(score, *events))
    (stray,) = result.strays
    assert (stray.verdict.string, stray.verdict.pitch, stray.verdict.source) == (6, 40, Source.LIFTED)
    assert result.damps[0].verdict.kind is Damping.CLEAN
    assert result.damps[0].verdict.overhang_ms == pytest.approx(20)


def test_a_note_off_that_never_comes_is_found_out_by_the_converters_habit():
    score = piece("4/4", "E2 2, A2 2, " * 5 + "E2 4")
    events = []
    for bar in range(5):
        at = 1 + 2 * bar
        events += [on(at, 40, 6), on(at + 1, 45, 5), off(at + 2, 45, 5)]
        # String 6 rings until it is plucked anew, and is closed then; in bar 4 its note-off is lost.
        events += [off(at + 2.002, 40, 6)] if bar != 3 else []
    events += [on(11, 40, 6), off(13, 40, 6)]
    session = fed(score, *events, end_s=20)
    first = {r.verdict.note: r.verdict.kind for r in report(session).damps if r.verdict.string == 6}
    ringing = [kind for kind in first.values() if kind is Damping.RINGING]
    assert len(ringing) == 4
    assert session.ringing.ignored["note-offs that never came"] == 1


def test_an_overhang_past_the_tolerance_by_less_than_its_uncertainty_is_no_fault():
    def ended(overhang_ms, uncertainty_ms):
        return judge_end(
            on_us=0, due_us=1_000_000, release_us=1_000_000 + 1000 * overhang_ms, now_us=3_000_000,
            replaced=False, replucked=False, beat_us=1e6, fade_us=6_000_000, limits=Limits(),
            uncertainty_us=1000 * uncertainty_ms,
        )  # fmt: skip

    assert ended(130, 0) is Damping.LATE
    assert ended(130, 25) is Damping.CLEAN
    assert ended(150, 25) is Damping.LATE
    profile = Profile(on_error_ms=(9.0,) * 6, off_error_ms=(12.0,) * 6)
    events = bar_of_basses()
    events[1] = off(2.14, 40, 6)
    (row, *_) = report(fed(BASS, *events, profile=profile)).damps
    assert row.verdict.kind is Damping.CLEAN
    assert row.verdict.uncertainty_ms == pytest.approx(2 * (9**2 + 12**2) ** 0.5)  # two standard deviations
    assert report(fed(BASS, *events)).damps[0].verdict.kind is Damping.LATE


def test_a_melody_string_that_rings_on_is_a_stray_where_all_strings_are_judged():
    score = piece("4/4", "A2 4, A2 4, A2 4", "A4 1, - 3, C4 4, C4 4")
    events = [
        on(1, 45, 5), on(1, 69, 1), off(4.5, 69, 1), off(3, 45, 5), on(3, 45, 5), on(3, 60, 2), off(5, 45, 5),
        off(5, 60, 2), on(5, 45, 5), on(5, 60, 2), off(7, 45, 5), off(7, 60, 2),
    ]  # fmt: skip
    assert report(fed(score, *events)).strays == ()
    (stray,) = report(fed(score, *events, limits=Limits(all_strings=True))).strays
    assert (stray.verdict.string, stray.verdict.source) == (1, Source.RANG_ON)
    assert stray.length_ms == pytest.approx(3000, abs=1)  # due at 1.5 s


TROUBLES = {
    "octave errors": Converter(octave_rate=0.06),
    "pulls": Converter(pull_rate=0.2, split_rate=0.1),
    "answers": Converter(sympathetic_rate=0.2),
    "a quick gate": Converter(fade_s=(1.6, 1.8, 2.0, 2.4, 2.8, 2.6), fade_slope_s=0.9),
}


@pytest.mark.parametrize("name", TROUBLES)
def test_a_clean_player_is_not_blamed_for_the_converter(name):
    for seed in (51, 52):
        score = generated_piece(seed, bars=12)
        player = Player(score, seed=seed, manner=Manner(soft=0.2), converter=TROUBLES[name])
        done = player.play()
        session = Session(score, profile=done.profile)
        decoder = Decoder(done.profile, session.channels)
        for time_us, data in done.messages:
            for event in decoder.decode(time_us, data):
                session.feed(event)
        session.feed(End(done.end_us))
        result = report(session)
        assert not [r.verdict for r in result.damps if r.verdict.kind in DAMPING_FAULTS]
        faults = [r for r in result.notes if r.verdict.kind is not Stroke.RIGHT]
        assert len(faults) + len(result.strays) <= 0.01 * len(done.truth.notes)


def test_troubles_change_nothing_of_what_was_played():
    score = generated_piece(5, bars=8)
    plain = Player(score, seed=1, faults=Faults(late=0.1)).play()
    converter = Converter(octave_rate=0.5, split_rate=0.3)
    bad = Player(score, seed=1, faults=Faults(late=0.1), converter=converter).play()
    assert bad.truth == plain.truth
    assert len(bad.messages) != len(plain.messages)


@pytest.mark.parametrize("single", [False, True])
def test_with_every_trouble_ticks_change_no_verdict_and_what_is_settled_stays(single):
    score = generated_piece(9, bars=8)
    converter = Converter.troubled(single_channel=single)
    faults = Faults(late=0.1, ringing=0.1, cut=0.1, stray=0.05, restarts=1, lifted=0.1)
    done = Player(
        score, seed=4, faults=faults, manner=Manner(soft=0.2, legato=0.2), converter=converter
    ).play()
    decoder = Decoder(done.profile)
    events = [event for time_us, data in done.messages for event in decoder.decode(time_us, data)]
    limits = Limits(all_strings=True)
    plain = fed(score, *events, end_s=done.end_us / 1e6, profile=done.profile, limits=limits)
    ticked = Session(score, profile=done.profile, limits=limits)
    settled = {}
    for event in events:
        ticked.feed(Tick(max(event.time_us - 1, ticked.now_us)))
        ticked.feed(event)
        for key, verdict in ticked.verdicts.items():
            if verdict.settled:
                kind = getattr(verdict, "kind", None)
                assert settled.setdefault(key, kind) is kind
    for step in range(ticked.now_us, done.end_us, 50_000):
        ticked.feed(Tick(step))
    ticked.feed(End(done.end_us))
    assert ticked.verdicts == plain.verdicts
    assert settled
