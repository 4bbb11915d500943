"""What a fair teacher would say: one literal scenario a test.

Times in seconds for legibility; the pieces run at one quarter a second unless said otherwise.
"""

import pytest

from coach.core.events import AllOff, End, NoteOff, NoteOn, Tick
from coach.core.profile import Profile
from coach.core.session import Session, judge
from coach.core.timing import Click
from coach.core.verdicts import Damping, DampingVerdict, StrayVerdict, Stroke, StrokeVerdict, Withdrawn
from tests.scores import piece

OPEN = {64: 1, 59: 2, 55: 3, 50: 4, 45: 5, 40: 6}
LINE = piece("4/4", "A2 1, D3 1, E2 1, A2 1, D3 1, E2 1, A2 1, E2 1")
PITCHES = (45, 50, 40, 45, 50, 40, 45, 40)
C, L, R, CUT = Damping.CLEAN, Damping.LATE, Damping.RINGING, Damping.CUT


def sound(start, end, pitch, string=None, velocity=80):
    """One string's sound; ``end`` None: no note-off comes."""
    string = string or OPEN[pitch]
    events = [NoteOn(round(start * 1e6), pitch, velocity, string)]
    if end is not None:
        events.append(NoteOff(round(end * 1e6), pitch, string))
    return events


def take(*sounds, end=None):
    """All events by time; a note-off before a note-on of the same moment."""
    events = [event for one in sounds for event in one]
    events.sort(key=lambda e: (e.time_us, isinstance(e, NoteOn)))
    return [*events, End(round(end * 1e6) if end else events[-1].time_us + 5_000_000)]


def line(first=0, count=8, start=1.0):
    """Notes of LINE, each stopped by the next."""
    return [sound(start + k, start + k + 1, PITCHES[first + k]) for k in range(count)]


def ends(session):
    """(pass, row) -> kind of every settled bass end."""
    found = [v for v in session.verdicts.values() if isinstance(v, DampingVerdict) and v.settled]
    return {(v.pass_number, v.note): v.kind for v in found}


def of_pass(session, number):
    return [kind for (one, _), kind in sorted(ends(session).items()) if one == number]


def strokes(session, *kinds):
    found = [v for v in session.verdicts.values() if isinstance(v, StrokeVerdict) and v.kind in kinds]
    return sorted((v.pass_number, v.note) for v in found)


def strays(session):
    return [v for v in session.verdicts.values() if isinstance(v, StrayVerdict)]


# --- stopping and turning back ------------------------------------------------------------------------


def test_one_who_simply_stops_has_cut_nothing():
    # Four notes, the last let go after 0.3 s; then nothing.
    played = [*line(count=3), sound(4, 4.3, 45)]
    assert of_pass(judge(take(*played), LINE), 1) == [C, C, C]


def test_a_string_ringing_into_a_restart_is_not_held_against_the_broken_off_pass():
    # The A of beat 4 rings while the player thinks for two seconds and begins again: it had no end yet.
    played = [*line(count=3), sound(4, 6.5, 45), *line(start=6.5)]
    session = judge(take(*played), LINE)
    assert of_pass(session, 1) == [C, C, C]
    assert of_pass(session, 2) == [C] * 8


def test_a_string_ringing_from_an_earlier_bass_into_a_restart_is_ringing():
    # The D of beat 2 sounds through beat 3 and 4 and into the new beginning.
    played = [sound(1, 2, 45), sound(2, 6.9, 50), sound(3, 4, 40), sound(4, 4.6, 45), *line(start=6)]
    assert of_pass(judge(take(*played), LINE), 1) == [C, R, C]


RESTED = piece("4/4", "A2 1, D3 1, - 2, E2 1, A2 1, E2 2")


def test_a_rest_before_which_the_player_turns_back_says_nothing():
    # The D let go after 0.3 s, then from the beginning: nobody knows that it was cut.
    played = [sound(1, 2, 45), sound(2, 2.3, 50), sound(5.5, 6.5, 45), sound(6.5, 7.5, 50),
              sound(9.5, 10.5, 40), sound(10.5, 11.5, 45), sound(11.5, 13.5, 40)]  # fmt: skip
    session = judge(take(*played), RESTED)
    assert of_pass(session, 1) == [C]
    assert of_pass(session, 2) == [C] * 5


def test_ringing_into_a_rest_is_said_while_it_rings_and_taken_back_if_the_player_turns_back_at_once():
    session, said = Session(RESTED), []
    for event in [*sound(1, 2, 45), *sound(2, None, 50), Tick(4_000_001), *sound(5.5, None, 45)]:
        said += session.feed(event)
    rung = [v for v in said if isinstance(v, DampingVerdict) and v.kind is R]
    assert {(v.note, v.time_us, v.settled) for v in rung} == {(1, 4_000_000, False)}
    for event in take(sound(6.5, 7.5, 50), sound(9.5, 10.5, 40))[:-1]:
        said += session.feed(event)
    assert any(isinstance(change, Withdrawn) and change.key == rung[0].key for change in said)
    assert (1, 1) not in ends(session)


def test_ringing_through_a_rest_into_the_next_note_is_ringing():
    score = piece("4/4", "A2 1, D3 1, - 2, A2 1, D3 1, E2 2")
    played = [sound(1, 2, 45), sound(2, 5.2, 50), sound(5, 6, 45), sound(6, 7, 50), sound(7, 9, 40)]
    assert of_pass(judge(take(*played), score), 1) == [C, R, C, C, C]


def test_end_in_the_middle_judges_what_was_decided_and_nothing_else():
    events = [*sound(1, None, 45), *sound(2, None, 50), End(2_500_000)]
    assert ends(judge(sorted(events, key=lambda e: e.time_us), LINE)) == {}
    assert strokes(judge(events, LINE), Stroke.MISSING) == []


# --- hesitating ---------------------------------------------------------------------------------------


def test_who_stops_in_time_and_then_hesitates_has_not_cut():
    # A, D, E in time; the A stopped after its second, the D after it only 2 s later.
    played = [*line(count=4), *line(first=4, count=4, start=7.0)]
    assert of_pass(judge(take(*played), LINE), 1)[3] is C


def test_who_lets_it_ring_until_the_hesitant_next_bass_is_clean_too():
    played = [*line(count=3), sound(4, 7.05, 45), *line(first=4, count=4, start=7.0)]
    assert of_pass(judge(take(*played), LINE), 1) == [C] * 8


def test_a_short_note_is_still_cut_when_the_player_hesitates_afterwards():
    played = [*line(count=3), sound(4, 4.4, 45), *line(first=4, count=4, start=7.0)]
    assert of_pass(judge(take(*played), LINE), 1)[3] is CUT


def test_a_first_bass_at_an_unknown_tempo_is_not_ringing_into_its_rest():
    # Played at 2.5 s a quarter; by the written tempo the rest would begin after one second.
    score = piece("4/4", "A2 1, - 1, D3 2, A2 4")
    played = [sound(1, 3.5, 45), sound(6, 11, 50), sound(11, 21, 45)]
    assert of_pass(judge(take(*played), score), 1) == [C, C, C]


def test_with_a_click_the_first_bass_is_judged_while_it_rings():
    score = piece("4/4", "A2 1, - 1, D3 2, A2 4")
    session = Session(score, click=Click(1_000_000, speed=0.5))
    session.feed(NoteOn(1_000_000, 45, 80, 5))
    said = session.feed(Tick(5_000_001))  # due after 2 s at half the tempo, ringing a beat later
    said = [v for v in said if isinstance(v, DampingVerdict)]
    assert [(v.kind, v.time_us, v.due_us) for v in said] == [(R, 5_000_000, 3_000_000)]


def test_after_a_restart_the_pace_before_it_holds():
    # At 2 s a quarter, from the beginning again; the rest after the first note comes at that pace.
    score = piece("4/4", "A2 1, - 1, D3 1, E2 1, G2@6 4")
    once = [sound(1, 3, 45), sound(5, 7, 50), sound(7, 9, 40)]
    again = [sound(12, 14.1, 45), sound(16, 18, 50), sound(18, 20, 40), sound(20, 28, 43, 6)]
    session = judge(take(*once, *again), score)
    assert of_pass(session, 1) == [C, C]
    assert of_pass(session, 2) == [C, C, Damping.REPLACED, C]


# --- strokes too many, too late, on other strings -------------------------------------------------------


def test_a_bass_plucked_twice_by_mistake_is_one_extra_stroke_and_not_cut():
    played = [*line(count=2), sound(3, 3.45, 40), sound(3.45, 4, 40), *line(first=3, count=5, start=4.0)]
    session = judge(take(*played), LINE)
    assert of_pass(session, 1) == [C] * 8
    assert len(strokes(session, Stroke.EXTRA)) == 1


def test_a_bass_plucked_twice_that_rings_on_is_judged_by_its_last_stroke():
    played = [*line(count=2), sound(3, 3.45, 40), sound(3.45, 4.4, 40), *line(first=3, count=5, start=4.0)]
    session = judge(take(*played), LINE)
    assert of_pass(session, 1) == [C, C, L] + [C] * 5
    verdict = next(v for v in session.verdicts.values() if isinstance(v, DampingVerdict) and v.note == 2)
    assert (verdict.on_us, verdict.due_us, verdict.release_us) == (3_000_000, 4_000_000, 4_400_000)


def test_a_false_start_is_a_pass_of_its_own():
    session = judge(take(sound(1, 1.5, 45), *line(start=2.5)), LINE)
    assert strokes(session, Stroke.EXTRA) == []
    assert of_pass(session, 2) == [C] * 8


def test_a_wrong_bass_on_another_string_does_not_excuse_the_one_before():
    # After the A the player hits the open E instead of the D; the A rings on for a second and a half.
    played = [sound(1, 3.5, 45), sound(2, 3, 40), *line(first=2, count=1, start=3.0),
              sound(4, 5, 45), *line(first=4, count=4, start=5.0)]  # fmt: skip
    assert of_pass(judge(take(*played), LINE), 1)[0] is R


def test_a_wrong_fret_ends_its_neighbour_as_the_right_one_would():
    score = piece("4/4", "A2 1, B2@5 1, D3 2")
    played = [sound(1, 2, 45), sound(2, 3, 48, 5), sound(3, 5, 50)]
    session = judge(take(*played), score)
    assert of_pass(session, 1) == [Damping.REPLACED, C, C]
    assert strokes(session, Stroke.WRONG) == [(1, 1)]


def test_fretted_after_fretted_on_one_string_is_replaced():
    score = piece("4/4", "B2@5 1, C3@5 1, A2@5 2")
    played = [sound(1, 2.002, 47, 5), sound(2, 3.001, 48, 5), sound(3, 5, 45)]
    assert of_pass(judge(take(*played), score), 1) == [Damping.REPLACED, Damping.REPLACED, C]


def test_a_missed_bass_and_the_next_one_right():
    played = [sound(1, 2.05, 45), *line(first=2, count=6, start=3.0)]
    assert of_pass(judge(take(*played), LINE), 1) == [C, Damping.MISSED] + [C] * 6


def test_a_bass_that_comes_80_ms_after_its_melody_is_the_due_point_of_the_one_before():
    score = piece("4/4", "A2 2, D3 2", "E4 1, B3 1, G3 1, E4 1")
    played = [sound(1, 3.15, 45), sound(1, 2, 64), sound(2, 3, 59), sound(3, 4, 55), sound(3.08, 5, 50),
              sound(4, 5, 64)]  # fmt: skip
    session = judge(take(*played), score)
    assert of_pass(session, 1) == [C, C]
    verdict = next(v for v in session.verdicts.values() if isinstance(v, DampingVerdict) and v.note == 0)
    assert verdict.overhang_ms == pytest.approx(70.0)
    assert strokes(session, Stroke.EXTRA, Stroke.MISSING) == []


def test_the_same_pitch_anew_in_the_order_on_on_off_off():
    # MIDI 1.0 Detailed Specification 4.2.1, p. 22: legato is on, on, off; the first off is the old note's.
    score = piece("4/4", "A2 1, A2 1, D3 2")
    events = [NoteOn(1_000_000, 45, 80, 5), NoteOn(2_000_000, 45, 80, 5), NoteOff(2_004_000, 45, 5),
              NoteOn(3_000_000, 50, 80, 4), NoteOff(3_010_000, 45, 5), NoteOff(5_000_000, 50, 4),
              End(9_000_000)]  # fmt: skip
    assert of_pass(judge(events, score), 1) == [Damping.REPLACED, C, C]


# --- ends of pieces and chunks, odd scores --------------------------------------------------------------


def test_a_last_bass_before_a_final_rest_is_judged_leniently():
    score = piece("4/4", "A2 1, D3 1, - 2")
    for end, said in ((3.0, C), (3.9, C), (4.5, L), (None, R), (2.3, CUT), (2.6, C)):
        played = [sound(1, 2, 45), sound(2, end, 50)]
        assert of_pass(judge(take(*played, end=12), score), 1) == [C, said], end


def test_the_end_of_a_chunk_is_lenient_and_its_last_chord_counts():
    score = piece("4/4", "A2 1, D3 1, E2 1, A2 1, D3 1, E2 1, A2 1, E2 1", "E4 1, E4 1, E4 1, E4 1, G4 4")
    melody = [sound(start, start + 1, 64) for start in (1, 2, 3, 4, 9, 10, 11, 12)]
    bass = [
        *line(count=3),
        sound(4, 5.8, 45),
        *line(count=3, start=9.0),
    ]  # the second time without the last A
    session = judge(take(*melody, *bass), score, chunk=(0, 0))
    assert of_pass(session, 1) == [C] * 4  # 0.8 s over at the end of the chunk
    assert of_pass(session, 2) == [C, C, C, Damping.MISSED]


def test_the_last_chord_of_a_piece_counts_in_every_pass_that_came_to_it():
    score = piece("4/4", "A2 1, D3 1, E2 1, A2 1", "E4 1, E4 1, E4 1, E4 1")
    melody = [sound(start, start + 1, 64) for start in (1, 2, 3, 4, 9, 10, 11, 12)]
    bass = [*line(count=3), *line(count=4, start=9.0)]  # the first time without the last A
    session = judge(take(*melody, *bass), score)
    assert strokes(session, Stroke.MISSING) == [(1, 6)]
    assert of_pass(session, 1)[3] is Damping.MISSED


def test_a_score_of_one_note():
    score = piece("4/4", "A2 4")
    assert of_pass(judge(take(sound(1, 5, 45)), score), 1) == [C]
    assert of_pass(judge(take(sound(1, 1.5, 45)), score), 1) == [CUT]
    assert of_pass(judge(take(sound(1, None, 45), end=20), score), 1) == [R]


def test_octave_basses_are_two_ends():
    score = piece("4/4", "E2+E3 2, A2+A3@3 2")
    played = [sound(1, 3, 40), sound(1.01, 3.5, 52, 4), sound(3, 5, 45), sound(3.01, 5, 57, 3)]
    assert of_pass(judge(take(*played), score), 1) == [C, L, C, C]


def test_a_bass_with_three_bars_of_rest_behind_it():
    score = piece("4/4", "A2 4, - 4, - 4, - 4, D3 4")
    played = [sound(1, 5.1, 45), sound(17, 21, 50)]
    assert of_pass(judge(take(*played), score), 1) == [C, C]
    played = [sound(1, 10, 45), sound(17, 21, 50)]
    assert of_pass(judge(take(*played), score), 1) == [R, C]


def test_a_fermata_may_be_held():
    score = piece("4/4", "A2 1, D3^ 1, E2 1, A2 1")
    played = [sound(1, 2, 45), sound(2, 5, 50), sound(5, 6, 40), sound(6, 7, 45)]
    assert of_pass(judge(take(*played), score), 1) == [C] * 4


def test_tuplets():
    score = piece("2/4", "A2 1/3, D3 1/3, E2 1/3, A2 1/3, D3 1/3, E2 1/3", qpm=40)
    played = [sound(1 + k / 2, 1.5 + k / 2, PITCHES[k]) for k in range(6)]
    assert of_pass(judge(take(*played), score), 1) == [C] * 6


# --- the pickup ---------------------------------------------------------------------------------------


def test_all_notes_off_is_the_end_of_every_string_without_any_delay_taken_out():
    profile = Profile(off_delay_ms=(40.0,) * 6)
    events = [NoteOn(1_000_000, 45, 80, 5), AllOff(2_000_000), NoteOn(2_000_000, 50, 80, 4), End(4_000_000)]
    (verdict,) = [v for v in judge(events, LINE, profile=profile).verdicts.values()
                  if isinstance(v, DampingVerdict)]  # fmt: skip
    assert (verdict.kind, verdict.overhang_ms) == (C, 0.0)


def test_a_brush_that_rings_to_the_end_is_one_stray():
    played = [*line(), sound(3.5, None, 59, velocity=30)]
    (stray,) = strays(judge(take(*played, end=20), LINE))
    assert (stray.string, stray.from_us, stray.release_us) == (2, 3_500_000, None)


def test_strings_that_are_never_released_cost_nothing_and_are_said_once():
    # No note-off at all: every string sounds on until it is plucked again.
    events = [e for e in take(*line()) if not isinstance(e, NoteOff)]
    session, said = Session(LINE), []
    for event in events:
        said += session.feed(event)
    assert of_pass(session, 1)[:4] == [R, R, R, R]
    first = [c for c in said if isinstance(c, DampingVerdict) and c.note == 0 and c.settled]
    # Settled while it rang; then only the release was filled in, when the string was plucked anew.
    assert [v.release_us for v in first] in ([None, 4_000_000], [4_000_000])


def test_one_channel_a_wrong_first_guess_of_the_string_ends_no_other_note():
    # The open B in the melody could be the fourth fret of the G string, where the score has another note.
    score = piece("4/4", "A2 2, D3 2", "G3@3 2, B3@3 1, B3@2 1")
    profile = Profile(single_channel=True)
    events = [NoteOn(1_000_000, 45), NoteOn(1_005_000, 55), NoteOn(3_000_000, 59), NoteOff(3_001_000, 55),
              NoteOff(3_050_000, 45), NoteOn(3_004_000, 50), NoteOff(4_000_000, 59), NoteOn(4_000_000, 59),
              NoteOff(5_000_000, 59), NoteOff(5_000_000, 50), End(9_000_000)]  # fmt: skip
    events.sort(key=lambda e: e.time_us)
    session = judge(events, score, profile=profile)
    assert of_pass(session, 1) == [C, C]
    assert strokes(session, Stroke.EXTRA, Stroke.MISSING, Stroke.WRONG) == []


# --- not knowing --------------------------------------------------------------------------------------


def test_something_else_altogether_is_not_blamed_once_the_place_is_lost():
    # Fast runs high up have nothing to do with the piece.  Eight notes tell that the place is lost.
    played = [sound(1 + k * 0.13, 1.1 + k * 0.13, 70 + k * 5 % 12, 1) for k in range(60)]
    session = judge(take(*played), LINE)
    assert [row for (_, row), kind in ends(session).items() if kind in (L, R, CUT)] in ([], [0])
    assert len(strokes(session, Stroke.WRONG, Stroke.EXTRA)) <= 8
