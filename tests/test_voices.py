"""Which notes are bass: small scores written out by hand (common practice of guitar engraving, no source)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.core.pitch import parse_name
from coach.core.score import NOTE, TICKS_PER_QUARTER
from coach.core.voices import mark_bass


def score(*rows: str):
    """Return notes from rows such as ``"0 2 A2 v2 down p"``: onset and length in quarters, then pitch."""
    notes = np.zeros(len(rows), NOTE)
    for note, row in zip(notes, rows, strict=True):
        onset, length, pitch, *rest = row.split()
        note["onset"], note["duration"] = float(onset) * TICKS_PER_QUARTER, float(length) * TICKS_PER_QUARTER
        note["pitch"], note["voice"] = parse_name(pitch), 1
        for word in rest:
            if word in ("up", "down"):
                note["stem"] = 1 if word == "up" else -1
            elif word in "pima":
                note["pluck"] = " pima".index(word)
            elif word == "grace":
                note["grace"], note["duration"] = True, 0
            else:
                note["voice"] = int(word[1:])
    return notes


def bass(*rows: str) -> list[str]:
    """Return the rows that are marked, shortened to onset and pitch."""
    marked = mark_bass(score(*rows))["bass"]
    return [" ".join(row.split()[::2][:2]) for row, found in zip(rows, marked, strict=True) if found]


def test_the_lower_of_two_voices_is_the_bass():
    assert bass("0 1 E4", "1 1 F4", "0 2 A2 v2", "2 1 B3", "2 2 E2 v2") == ["0 A2", "2 E2"]


def test_the_lower_voice_is_found_whatever_its_number():
    assert bass("0 2 C3", "0 1 E4 v2", "1 1 G4 v2") == ["0 C3"]


def test_the_inner_of_three_voices_is_not_bass():
    rows = ("0 3 E5", "0 3 C3 v2", "1 1 G3 v3", "2 1 G3 v3", "3 3 D5", "3 3 G2 v2", "4 1 B3 v3", "5 1 B3 v3")
    assert bass(*rows) == ["0 C3", "3 G2"]


def test_under_a_bass_that_rests_a_note_marked_for_a_finger_does_not_stand_in():
    rows = ["0 1 E5", "0 1 C3 v2", "0 1 G3 v3", "1 1 D5", "1 1 E3 v3"]
    assert bass(*rows) == ["0 C3", "1 E3"]
    assert bass(*rows[:-1], "1 1 E3 v3 i") == ["0 C3"]
    assert bass(*rows[:-1], "1 1 E3 v3 p") == ["0 C3", "1 E3"]


def test_a_line_with_a_finger_on_every_note_is_what_its_fingers_say():
    assert bass("0 1 E3 i", "1 1 G3 m", "2 1 A2 i") == []
    assert bass("0 1 E3 p", "1 1 B3 p", "2 1 A2 p") == ["0 E3", "1 B3", "2 A2"]
    assert bass("0 1 E3 i", "1 1 B3 m", "2 1 A2") == ["0 E3", "2 A2"]  # one is not marked: by register


def test_a_bass_line_that_climbs_above_the_melodys_lowest_note_stays_bass():
    rows = ("0 1 C4", "1 1 E4", "2 1 G4", "3 1 E5", "0 1 C3 v2", "1 1 G3 v2", "2 1 C4 v2", "3 1 E4 v2")
    assert bass(*rows) == ["0 C3", "1 G3", "2 C4", "3 E4"]


def test_the_voices_are_compared_where_they_sound_together():
    """The melody alone goes far down before the two voices meet."""
    rows = ("0 1 E2", "1 1 F2", "2 1 G2", "3 1 A2", "4 2 C5", "4 2 A3 v2", "6 2 B4", "6 2 G3 v2")
    assert bass(*rows) == ["4 A3", "6 G3"]


def test_voices_of_alike_height_are_told_apart_by_the_thumb_then_stems():
    crossing = ("0 1 C4{a}", "1 1 D4{a}", "2 1 C4{a}", "0 1 D4 v2{b}", "1 1 C4 v2{b}", "2 1 C4 v2{b}")
    thumb = [row.format(a=" p", b=" m") for row in crossing]
    assert bass(*thumb) == ["0 C4", "1 D4", "2 C4"]
    stems = [row.format(a=" down", b=" up") for row in crossing]
    assert bass(*stems) == ["0 C4", "1 D4", "2 C4"]


def test_upper_notes_of_a_chord_in_the_bass_voice_are_bass_only_on_the_wound_strings():
    assert bass("0 1 E5", "0 1 A2 v2", "0 1 E3 v2", "0 1 A3 v2", "0 1 C4 v2") == ["0 A2", "0 E3"]


def test_where_the_bass_voice_is_silent_the_next_lower_voice_stands_in():
    rows = ("0 1 E5", "0 1 G3 v2", "0 1 C3 v3", "1 1 D5", "1 1 F3 v2", "1 1 B2 v3", "2 1 C5", "2 1 C3 v2")
    assert bass(*rows) == ["0 C3", "1 B2", "2 C3"]


def test_voices_that_change_roles_are_followed_bar_by_bar():
    """Bar 1: voice 1 is a held bass under voice 2; from bar 2 on voice 2 is the bass, as in most bars."""
    rows = ["0 4 A2", "0 1 C4 v2", "1 1 E4 v2", "2 1 C4 v2", "3 1 E4 v2"]
    for bar in (1, 2, 3):
        rows += [f"{4 * bar} 2 E4", f"{4 * bar + 2} 2 D4", f"{4 * bar} 2 C3 v2", f"{4 * bar + 2} 2 G2 v2"]
    notes = score(*rows)
    notes["bar"] = notes["onset"] // (4 * TICKS_PER_QUARTER)
    marked = mark_bass(notes)
    found = [(int(n["onset"]) // TICKS_PER_QUARTER, int(n["voice"])) for n in marked[marked["bass"]]]
    assert found == [(0, 1), (4, 2), (6, 2), (8, 2), (10, 2), (12, 2), (14, 2)]


def test_an_inner_voice_of_one_low_bar_is_not_taken_for_the_bass():
    """Voice 3 is met once, low but above voice 2."""
    rows = ["0 2 A2 v2", "0 2 C5", "0 2 A3", "2 4 E2 v2", "2 4 B4", "3 1 E3 v3", "4 1 D#3 v3", "5 1 E3 v3"]
    assert bass(*rows) == ["0 A2", "2 E2"]


def test_a_resting_bass_is_not_replaced_by_an_inner_voice_near_the_melody():
    rows = ("0 1 E5", "0 1 G4 v2", "0 1 C3 v3", "1 1 D5", "1 1 F4 v2", "1 1 B2 v3", "2 1 C5", "2 1 E4 v2")
    assert bass(*rows) == ["0 C3", "1 B2"]


def test_a_last_full_chord_in_the_upper_voice_has_its_bass():
    rows = ("0 1 E4", "0 1 A2 v2", "1 4 A2", "1 4 E3", "1 4 A3", "1 4 C4", "1 4 E4")
    assert bass(*rows) == ["0 A2", "1 A2"]


def test_a_low_melody_note_over_a_sounding_bass_is_not_bass():
    assert bass("0 1 E4", "1 1 E3", "2 1 C4", "0 4 A2 v2") == ["0 A2"]


def test_the_thumb_marks_a_bass_that_is_written_in_the_upper_voice():
    assert bass("0 1 E4 a", "0 2 A2 v2", "2 1 D3 p", "3 1 F4 m", "4 1 E4", "4 1 A2 v2") == [
        "0 A2",
        "2 D3",
        "4 A2",
    ]


def test_a_single_voice_is_split_by_stems_that_tell_voices_apart():
    rows = ("0 1 C3 down", "1 1 E4 up", "2 1 G3 down", "3 1 D4 up")
    assert bass(*rows) == ["0 C3", "2 G3"]


def test_stems_drawn_by_height_say_nothing_and_register_decides():
    """On one staff with one voice high notes have stems down, low ones up."""
    rows = ("0 1 C3 up", "1 1 E5 down", "2 1 A2 up", "3 1 D5 down")
    assert bass(*rows) == ["0 C3", "2 A2"]


def test_a_single_voice_without_stems_is_split_at_the_third_string():
    assert bass("0 1 E2", "0 1 G3", "0 1 E4", "1 1 F#3", "2 1 G3", "3 1 E4") == ["0 E2", "1 F#3"]


def test_of_two_low_notes_struck_together_only_the_lower_is_bass_by_register():
    assert bass("0 1 E2", "0 1 B2", "0 1 E4") == ["0 E2"]


def test_an_arpeggio_that_rises_from_its_bass_has_one_bass():
    rows = ("0 0.5 A2", "0.5 0.5 E3", "1 0.5 A3", "1.5 0.5 C4", "2 0.5 D3", "2.5 0.5 A3")
    assert bass(*rows) == ["0 A2", "2 D3"]


def test_a_walking_bass_alone_is_all_bass():
    assert bass("0 1 E2", "1 1 A2", "2 1 D3", "3 1 A2") == ["0 E2", "1 A2", "2 D3", "3 A2"]


def test_thumb_and_fingers_marked_in_a_single_voice():
    assert bass("0 1 D3 p", "1 1 F3 i", "2 1 A3 m", "3 1 B2") == ["0 D3", "3 B2"]


def test_grace_notes_are_never_bass():
    assert bass("0 0 G2 grace", "0 1 A2", "1 1 E4") == ["0 A2"]
    assert bass("0 0 G2 grace") == []


def test_no_notes():
    assert len(mark_bass(np.zeros(0, NOTE))) == 0


def test_the_array_given_is_left_alone():
    notes = score("0 1 E2", "0 1 E4")
    notes.flags.writeable = False
    marked = mark_bass(notes)
    assert not notes["bass"].any()
    assert marked["bass"].tolist() == [True, False]


a_note = st.tuples(
    st.integers(0, 12),
    st.integers(1, 6),
    st.integers(36, 84),
    st.integers(1, 3),
    st.integers(-1, 1),
    st.integers(0, 4),
)


@given(st.lists(a_note, max_size=12), st.randoms())
def test_the_order_of_rows_does_not_matter_and_nothing_else_changes(rows, random):
    notes = np.zeros(len(rows), NOTE)
    for i, name in enumerate(("onset", "duration", "pitch", "voice", "stem", "pluck")):
        notes[name] = [row[i] * (5040 if i < 2 else 1) for row in rows]
    shuffled = list(range(len(rows)))
    random.shuffle(shuffled)
    marked, again = mark_bass(notes), mark_bass(notes[shuffled])
    for name in NOTE.names or ():
        if name != "bass":
            assert (marked[name] == notes[name]).all()
    keys = ("onset", "pitch", "voice", "duration", "stem", "pluck")
    found = sorted(tuple(int(n[k]) for k in keys) for n in marked[marked["bass"]])
    same = sorted(tuple(int(n[k]) for k in keys) for n in again[again["bass"]])
    if len(set(zip(notes["onset"].tolist(), notes["pitch"].tolist(), strict=True))) == len(rows):
        assert found == same


@pytest.mark.parametrize("pitches", [("E2", "A2"), ("E4", "A4")])
def test_two_voices_always_have_a_bass(pitches):
    low, high = pitches
    assert bass(f"0 1 {high}", f"0 1 {low} v2") == [f"0 {low}"]
