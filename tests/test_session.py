"""A whole sitting, by literal scenarios: what is played, what is said of it.

Times in seconds for legibility; the pieces run at one quarter a second.
"""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.events import AllOff, End, NoteOff, NoteOn, Tick
from coach.core.profile import Profile
from coach.core.score import TICKS_PER_QUARTER
from coach.core.session import Session, judge
from coach.core.timing import Click
from coach.core.verdicts import Damping, DampingVerdict, StrayVerdict, Stroke, StrokeVerdict, Withdrawn
from tests.scores import piece

OPEN = {41: 6, 64: 1, 59: 2, 55: 3, 50: 4, 45: 5, 40: 6}
STEPS = piece("4/4", "A2 1, D3 1, E2 1, A2 1, D3 1, E2 1, A2 1, E2 1")


def on(t, pitch, string=None, velocity=80):
    return NoteOn(round(t * 1e6), pitch, velocity, string or OPEN[pitch])


def off(t, pitch, string=None):
    return NoteOff(round(t * 1e6), pitch, string or OPEN[pitch])


def bass_line(*notes, start=1.0):
    """Events of (pitch, sounding length in s) a second apart."""
    events = []
    for k, (pitch, length) in enumerate(notes):
        events.append(on(start + k, pitch))
        if length is not None:
            events.append(off(start + k + length, pitch))
    return sorted(events, key=lambda e: e.time_us)


def damps(session):
    found = [v for v in session.verdicts.values() if isinstance(v, DampingVerdict)]
    return sorted(found, key=lambda v: (v.pass_number, v.note))


def strokes(session, *kinds):
    found = [v for v in session.verdicts.values() if isinstance(v, StrokeVerdict) and v.kind in kinds]
    return sorted(found, key=lambda v: (v.pass_number, v.note))


CLEAN = [(45, 1.0), (50, 1.0), (40, 1.0), (45, 1.0), (50, 1.0), (40, 1.0), (45, 1.0), (40, 1.0)]


def test_a_clean_line_is_clean():
    session = judge([*bass_line(*CLEAN), End(10_000_000)], STEPS)
    assert [v.kind for v in damps(session)] == [Damping.CLEAN] * 8
    assert all(v.settled for v in session.verdicts.values())
    assert [v.overhang_ms for v in damps(session)[:7]] == [0.0] * 7
    assert len(strokes(session, Stroke.RIGHT)) == 8
    assert not strokes(session, Stroke.WRONG, Stroke.MISSING, Stroke.EXTRA)


def test_each_kind_of_bass_end():
    line = list(CLEAN)
    line[0] = (45, 1.24)  # the A hangs over the D by 240 ms
    line[1] = (50, 2.4)  # the D rings through the E and is stopped long after
    line[2] = (40, 0.6)  # the E is cut short
    session = judge([*bass_line(*line), End(10_000_000)], STEPS)
    found = damps(session)
    assert [v.kind for v in found[:4]] == [Damping.LATE, Damping.RINGING, Damping.CUT, Damping.CLEAN]
    assert [v.overhang_ms for v in found[:3]] == [240.0, 1400.0, -400.0]
    assert found[0].due_us == 2_000_000
    assert found[0].time_us == 2_240_000  # known when it stopped
    assert found[1].time_us == 4_000_000  # known one beat after its due point, while it rang


def test_a_ringing_string_is_reported_while_it_rings():
    session = Session(STEPS)
    said = []
    for event in [on(1, 45), on(2, 50), Tick(2_999_999), Tick(3_000_001)]:
        said.append([c for c in session.feed(event) if isinstance(c, DampingVerdict)])
    assert said[:3] == [[], [], []]
    assert [v.kind for v in said[3]] == [Damping.RINGING]
    assert said[3][0].time_us == 3_000_000
    assert said[3][0].release_us is None


def test_late_is_judged_by_the_players_own_bass_not_by_the_clock():
    # The player waits two seconds before the D: the A may ring until then.
    events = [on(1, 45), on(4, 50), off(4.05, 45), on(5, 40), off(5, 50), End(6_000_000)]
    assert damps(judge(events, STEPS))[0].kind is Damping.CLEAN


def test_a_rest_is_placed_between_the_players_own_notes():
    score = piece("4/4", "A2 1, - 1, D3 2, A2 4")
    slow = [on(1, 45), off(2.55, 45), on(4, 50), on(7, 45), off(7, 50), off(13, 45), End(14_000_000)]
    # Played at 1.5 s a quarter: the rest begins at 2.5 s, the A stopped 50 ms later.
    first = damps(judge(slow, score))[0]
    assert (first.kind, first.due_us) == (Damping.CLEAN, 2_500_000)


def test_the_same_string_again_replaces_and_let_ring_is_free():
    score = piece("4/4", "A2 1, A2 1, D3~ 1, A2 1")
    events = [on(1, 45), on(2, 45), off(3, 45), on(3, 50), on(4, 45), off(5, 45), End(9_000_000)]
    assert [v.kind for v in damps(judge(events, score))] == [
        Damping.REPLACED, Damping.CLEAN, Damping.FREE, Damping.CLEAN,
    ]  # fmt: skip


def test_on_a_mono_channel_the_old_note_ends_at_the_new_note_on():
    # MIDI 1.0 Detailed Specification 4.2.1, p. 22: legato is on, on, off.
    score = piece("4/4", "A2 1, B2@5 1, D3 2")
    events = [on(1, 45), on(2, 47, 5), off(2.01, 45), off(3, 47, 5), on(3, 50), End(4_000_000)]
    assert [v.kind for v in damps(judge(events, score))][:2] == [Damping.REPLACED, Damping.CLEAN]


def test_a_missed_bass_is_missed_and_its_neighbour_judged_where_it_should_have_been():
    line = [e for e in bass_line(*CLEAN) if e.pitch != 50 or e.time_us > 4_000_000]
    session = judge([*line, End(10_000_000)], STEPS)
    assert [v.kind for v in damps(session)] == [Damping.CLEAN, Damping.MISSED, *[Damping.CLEAN] * 6]
    assert [v.note for v in strokes(session, Stroke.MISSING)] == [1]


def test_a_wrong_note_takes_the_place_of_the_right_one():
    line = bass_line(*CLEAN)
    line = [replace(e, pitch=51) if e.pitch == 50 and e.time_us < 4_000_000 else e for e in line]
    session = judge([*line, End(10_000_000)], STEPS)
    assert [(v.note, v.pitch) for v in strokes(session, Stroke.WRONG)] == [(1, 51)]


def test_a_brushed_string_is_a_stray_not_a_note():
    line = [*bass_line(*CLEAN), on(3.5, 59, velocity=30), off(4.1, 59)]
    session = judge([*sorted(line, key=lambda e: e.time_us), End(10_000_000)], STEPS)
    strays = [v for v in session.verdicts.values() if isinstance(v, StrayVerdict)]
    assert [(v.string, v.pitch, v.from_us, v.release_us) for v in strays] == [(2, 59, 3_500_000, 4_100_000)]
    assert not strokes(session, Stroke.EXTRA)


def test_turning_back_starts_a_new_pass():
    again = bass_line(*CLEAN[:5]) + bass_line(*CLEAN, start=7.5)
    session = judge([*again, End(17_000_000)], STEPS)
    assert [p.number for p in session.matching.passes] == [1, 2]
    assert [v.pass_number for v in strokes(session, Stroke.RIGHT)] == [1] * 5 + [2] * 8
    assert not strokes(session, Stroke.MISSING, Stroke.EXTRA, Stroke.WRONG)


def test_the_pickups_delays_are_taken_out():
    late = Profile(on_delay_ms=(0, 0, 0, 10, 20, 30), off_delay_ms=(50,) * 6)
    events = []
    for event in bass_line(*CLEAN):
        string = event.string - 1
        delay = late.on_delay_ms[string] if isinstance(event, NoteOn) else late.off_delay_ms[string]
        events.append(replace(event, time_us=event.time_us + round(delay * 1000)))
    session = judge([*sorted(events, key=lambda e: e.time_us), End(10_000_000)], STEPS, profile=late)
    assert [v.overhang_ms for v in damps(session)[:7]] == [0.0] * 7


def test_all_notes_off_ends_every_string():
    events = [on(1, 45), AllOff(2_000_000), on(2, 50), End(3_000_000)]
    assert damps(judge(events, STEPS))[0].kind is Damping.CLEAN


def test_one_channel_for_all_strings_works_too():
    events = [replace(e, string=None) for e in bass_line(*CLEAN)]
    session = judge([*events, End(10_000_000)], STEPS, profile=Profile(single_channel=True))
    assert [v.kind for v in damps(session)] == [Damping.CLEAN] * 8
    assert [v.string for v in damps(session)] == [5, 4, 6, 5, 4, 6, 5, 6]


def test_a_score_without_basses_is_followed_and_nothing_is_asked():
    score = piece("4/4", "", "E4 1, F4 1, G4 1, E4 1")
    events = [on(1, 64), on(2, 65, 1), on(3, 67, 1), on(4, 64), End(6_000_000)]
    session = judge(events, score)
    assert len(strokes(session, Stroke.RIGHT)) == 4
    assert damps(session) == []


def test_nothing_is_taken_after_the_end_and_late_events_are_counted():
    session = Session(STEPS)
    session.feed(on(2, 45))
    session.feed(off(1, 45))
    assert session.ignored == {"late events": 1}
    session.feed(End(3_000_000))
    assert session.feed(on(4, 50)) == []
    assert session.ignored["events after the end"] == 1


# --- live = replay = all at once --------------------------------------------------------------------

SETTINGS = {
    "a line of basses": (STEPS, {}),
    "rests, let ring, a fermata": (
        piece("4/4", "A2 1, - 1, D3~ 2, E2^ 1, - 3, A2 1, D3 1, E2 2, A2 1, - 3"),
        {},
    ),
    "two voices, octaves, unisons": (
        piece(
            "3/4",
            "A2+A3@3 3, D3 1, E2 2, B2@5 1, C3@5 2",
            "E4 1, C4+E4 2, D3@5 1, B3 1/3, C4 1/3, D4 1/3, E4 3",
        ),
        {},
    ),
    "a chunk": (
        piece("2/4", "A2 1, D3 1, E2 1, A2 1, D3 2, E2 1, - 1", "E4 2, G4 1, E4 1, F4 2, E4 2"),
        {"chunk": (1, 2)},
    ),
    "delays": (
        piece("4/4", "A2 2, D3 1, E2 1, A2 4", "E4 1, F4 1, G4 1, E4 1, E4 4"),
        {"profile": Profile(on_delay_ms=(5, 8, 10, 15, 20, 30), off_delay_ms=(40,) * 6, fade_s=(3.0,) * 6)},
    ),
    "one channel": (
        piece("4/4", "A2 2, D3 1, B2@5 1, A2 4", "E4 1, B3 1, B3@3 1, E4 1, E4 4"),
        {"profile": Profile(single_channel=True, on_delay_ms=(5, 8, 10, 15, 20, 30), off_delay_ms=(30,) * 6)},
    ),
    "a click": (
        piece("4/4", "A2 1, - 1, D3 2, E2 1, - 3"),
        {"click": Click(1_000_000, 0.9)},
    ),
}  # fmt: skip


@st.composite
def takes(draw, name):
    """A take of one of the pieces with every kind of disturbance."""
    score, options = SETTINGS[name]
    single = "profile" in options and options["profile"].single_channel
    notes = score.notes
    onsets = sorted(set(notes["onset"].tolist()))
    order = [*onsets]
    for first in draw(st.lists(st.integers(0, len(onsets) - 1), max_size=3)):
        order += onsets[first : first + draw(st.integers(1, 6))]
    t, events = 1.0, []
    pace = draw(st.sampled_from([0.3, 1.0, 2.3]))
    for place, tick in enumerate(order):
        for note in notes[notes["onset"] == tick]:
            if not draw(st.integers(0, 9)):
                continue
            pitch = int(note["pitch"]) + draw(st.sampled_from([0, 0, 0, 0, 0, 1, -2]))
            string = None if single else int(note["string"])
            start = t + draw(st.sampled_from([0.0, 0.0, 0.01, 0.08]))
            written = int(note["duration"]) / TICKS_PER_QUARTER * pace
            length = draw(st.sampled_from([0.3, 0.9, 1.0, 1.08, 1.25, 2.2, 9.0, None]))
            events.append(NoteOn(round(start * 1e6), pitch, 80, string))
            if length is not None:
                events.append(NoteOff(round((start + max(length * written, 0.03)) * 1e6), pitch, string))
        if not draw(st.integers(0, 9)):
            string = None if single else 2
            events.append(NoteOn(round((t + 0.1) * 1e6), 59, 30, string))
            events.append(NoteOff(round((t + 0.1 + draw(st.sampled_from([0.02, 0.5]))) * 1e6), 59, string))
        if not draw(st.integers(0, 19)):
            events.append(AllOff(round((t + 0.05) * 1e6)))
        ahead = order[place + 1] - tick if place + 1 < len(order) else 0
        step = pace * ahead / TICKS_PER_QUARTER if ahead > 0 else 1.5
        t += step * draw(st.sampled_from([0.9, 1.0, 1.0, 1.1, 3.0]))
    events.sort(key=lambda e: e.time_us)
    last_us = events[-1].time_us if events else 0
    return name, [*events, End(last_us + draw(st.integers(0, 12_000_000)))]


def any_take():
    return st.sampled_from(sorted(SETTINGS)).flatmap(takes)


def run(name, events, ticks=()):
    score, options = SETTINGS[name]
    session = Session(score, **options)
    changes = []
    mixed = sorted([*events, *(Tick(t) for t in ticks)], key=lambda e: (e.time_us, not isinstance(e, Tick)))
    for event in mixed:
        changes += session.feed(event)
    return session, changes


@settings(max_examples=300, deadline=None)
@given(any_take(), st.lists(st.integers(0, 60_000_000), max_size=40))
def test_ticks_change_when_a_verdict_is_seen_never_the_verdict(take, ticks):
    name, events = take
    ticks = [t for t in ticks if t <= events[-1].time_us]
    quiet, changes = run(name, events)
    ticking, more_changes = run(name, events, ticks)
    assert ticking.verdicts == quiet.verdicts
    assert more_changes == changes
    score, options = SETTINGS[name]
    assert judge(events, score, **options).verdicts == quiet.verdicts


@settings(max_examples=200, deadline=None)
@given(any_take())
def test_what_is_settled_never_changes(take):
    name, events = take
    score, options = SETTINGS[name]
    session, settled = Session(score, **options), {}
    for event in events:
        for change in session.feed(event):
            if isinstance(change, Withdrawn):
                assert change.key not in settled
            elif change.key in settled:
                old = settled[change.key]
                assert change == replace(old, release_us=change.release_us)
                assert old.release_us is None
            elif change.settled:
                settled[change.key] = change
    assert set(settled) == set(session.verdicts)


@settings(max_examples=200, deadline=None)
@given(any_take())
def test_a_verdict_appears_at_its_own_time_in_order(take):
    name, events = take
    score, options = SETTINGS[name]
    session, before_us, stands = Session(score, **options), 0, {}
    for event in events:
        for change in session.feed(event):
            new = change.key not in stands
            if isinstance(change, Withdrawn):
                del stands[change.key]
            else:
                stands[change.key] = change
            if new or isinstance(change, Withdrawn):
                assert before_us <= change.time_us <= event.time_us
                before_us = change.time_us
            else:
                assert change.time_us <= event.time_us
    assert stands == session.verdicts
