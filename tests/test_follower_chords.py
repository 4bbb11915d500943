"""The notes that come with one chord weighed together: literal strokes, and what must hold of any."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.core.events import NoteOn
from coach.core.follower_chords import Choices, _likeliest
from coach.core.follower_tables import NEVER
from coach.core.session import Session
from coach.core.verdicts import StrokeVerdict, Withdrawn
from tests.scores import piece
from tests.test_follower import BEAT, CHORDS, TUNE, Fed

# Two notes a beat, rows 0 and 1, 2 and 3, and so on.
PAIRS = piece(
    "4/4",
    "E2 1, D3 1, A2 1, B3@2 1, A2 1, D3 1, E3 1, A2 1",
    "C4 1, F4 1, E4 1, G4@1 1, A4 1, F4 1, D4 1, C4 1",
)


def chord(fed, *strokes):
    """Play the fourth group of ``PAIRS``, each stroke (row, µs after the last, pitch or None, velocity)."""
    fed.play(range(6))
    for number, (row, after, pitch, velocity) in enumerate(strokes):
        string = 1 if pitch else True
        fed.note(row, after if number else BEAT, pitch=pitch, string=string, velocity=velocity)
    fed.at = 7
    return fed.play(range(8, 14)).rows()


def test_a_string_brushed_just_before_its_stroke_is_not_the_stroke():
    found = chord(Fed(PAIRS), (6, 0, None, 25), (7, 22_000, None, 80), (6, 13_000, None, 80))
    assert found == [*range(6), -1, 7, 6, *range(8, 14)]


def test_a_stroke_that_is_heard_twice_is_the_first_of_the_two():
    found = chord(Fed(PAIRS), (6, 0, None, 80), (7, 22_000, None, 80), (6, 13_000, None, 25))
    assert found == [*range(6), 6, 7, -1, *range(8, 14)]


def test_a_wrong_note_does_not_keep_the_place_of_the_right_one_after_it():
    """E4 on the open first string for B3 on the open second: three frets from G4, which comes next."""
    found = chord(Fed(PAIRS), (6, 0, 64, 80), (7, 3_000, None, 80))
    assert found == [*range(6), 6, 7, *range(8, 14)]


def test_what_a_trace_says_of_a_chord_does_not_hang_on_where_the_trace_begins():
    fed = Fed(PAIRS).play(range(6))
    fed.note(6, BEAT, velocity=25).note(7, 22_000).note(6, 13_000)
    whole = fed.follower.trace(9)
    for count in range(1, 9):
        assert fed.follower.trace(count) == whole[-count:]


@given(
    st.lists(
        st.tuples(
            st.lists(st.floats(-20, 0), min_size=3, max_size=3),
            st.floats(-20, 0),
            st.floats(-20, 0),
            st.floats(-20, 0),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_the_likeliest_is_no_worse_than_any_way_to_share_out(notes):
    choices = [Choices(*note) for note in notes]

    def total(slots):
        used, found = False, 0.0
        for note, slot in zip(choices, slots, strict=True):
            if slot < 0:
                found += note.extra if used else note.ahead
            else:
                found += note.slots[slot] + (note.later if used else 0.0)
                used = True
        return found if used else float(NEVER)

    def ways(count):
        if not count:
            yield []
            return
        for slots in ways(count - 1):
            yield [*slots, -1]
            yield from ([*slots, slot] for slot in range(3) if slot not in slots)

    found = _likeliest(choices)
    assert total(found) == pytest.approx(max(total(slots) for slots in ways(len(choices))))


def test_after_a_pause_nothing_is_said_before_the_chord_is_together():
    """Turning back to a chord whose first note is also the next one here: only its second note tells."""
    session = Session(CHORDS)
    notes = CHORDS.notes
    said = []

    def strike(rows, us):
        for at, row in enumerate(rows):
            event = NoteOn(us + 9_000 * at, int(notes["pitch"][row]), 80, int(notes["string"][row]))
            said.extend(session.feed(event))

    by_onset = {}
    for row in range(len(notes)):
        by_onset.setdefault(int(notes["onset"][row]), []).append(row)
    groups = list(by_onset.values())
    for at, rows in enumerate(groups[:3]):
        strike(rows, 1_000_000 + at * BEAT)
    # The fourth group is E4 alone; the first has E4 in it, and begins with it here.
    first = sorted(groups[0], key=lambda row: -int(notes["pitch"][row]))
    assert notes["pitch"][first[0]] == notes["pitch"][groups[3][0]]
    strike(first, 1_000_000 + 2 * BEAT + 2_000_000)
    for at, rows in enumerate(groups[1:4], 1):
        strike(rows, 1_000_000 + 2 * BEAT + 2_000_000 + at * BEAT)
    assert not [change for change in said if isinstance(change, Withdrawn)]
    assert session.ledger.withdrawn == 0
    turned = [v for v in said if isinstance(v, StrokeVerdict) and v.note == first[0] and v.pass_number == 2]
    assert turned


def test_who_turns_back_to_a_chord_with_a_wrong_note_first_has_played_it_wrong():
    """The wrong note fits nowhere; the second note of the chord tells that the player has turned."""
    fed = Fed(PAIRS).play(range(10))
    fed.note(0, 1_500_000, pitch=39).note(1, 9_000)
    fed.at = 1
    fed.play(range(2, 6))
    assert fed.rows() == [*range(10), *range(6)]
    assert fed.jumps() == [0, 10]


def test_who_begins_the_chunk_anew_may_begin_with_a_wrong_note():
    """Bars 2 and 3 of the tune: G3 for A3, then on from C4; no other note came with it."""
    fed = Fed(TUNE, chunk=(1, 2)).play(range(4, 12))
    fed.note(4, 900_000, pitch=int(TUNE.notes["pitch"][4]) - 2)
    fed.at = 4
    fed.play(range(5, 12))
    assert fed.rows() == [*range(4, 12), *range(4, 12)]
    assert fed.jumps() == [0, 8]
