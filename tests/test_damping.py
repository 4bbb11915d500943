"""The damping plan.  Which way serves which strings: common practice, no source."""

from hypothesis import given
from hypothesis import strategies as st

from coach.core.clash import Clash
from coach.core.damping import Reason, plan_stops, worst_first
from coach.core.harmony import Chord, Harmony, Reading
from coach.core.levels import CONCERT, FIRST_LESSON, INTERMEDIATE
from coach.core.pitch import Tuning
from coach.core.score import DampMark, make_score
from coach.core.spelling import Key
from coach.core.ways import Hindrance, Way
from tests.scores import Q, piece


def only(*items):
    (item,) = items
    return item


def test_every_bass_end_has_its_row_in_order():
    score = piece("4/4", "A2 1, D3 1, E2 1, - 1, E2 2, E2 2")
    stops = plan_stops(score)
    assert [s.reason for s in stops] == [
        Reason.NEXT_BASS, Reason.NEXT_BASS, Reason.REST, Reason.REPLACED, Reason.END,
    ]  # fmt: skip
    assert [s.due for s in stops] == [Q, 2 * Q, 3 * Q, 6 * Q, 8 * Q]
    assert [s.wanted for s in stops] == [True, True, True, False, True]
    assert [s.lenient for s in stops] == [False, False, False, False, True]
    assert [s.string for s in stops] == [5, 4, 6, 6, 6]
    assert [s.next_string for s in stops] == [4, 6, None, 6, None]


def test_the_lower_neighbour_by_the_side_the_higher_by_a_rest_stroke():
    # A (string 5) rings while the thumb plays D (string 4): 5 is the next lower-sounding neighbour.
    stop = plan_stops(piece("4/4", "A2 2, D3 2"))[0]
    assert stop.ways == (Way.RETURNING_THUMB, Way.SIDE_OF_THUMB)
    # D (4) rings while the thumb plays A (5): 4 is the next higher-sounding neighbour.
    stop = plan_stops(piece("4/4", "D3 2, A2 2"))[0]
    assert stop.ways == (Way.REST_STROKE, Way.RETURNING_THUMB)
    # E (6) rings while the thumb plays D (4): no neighbours, the thumb must come back.
    stop = plan_stops(piece("4/4", "E2 2, D3 2"))[0]
    assert stop.ways == (Way.RETURNING_THUMB,)


def test_a_fretted_bass_is_released_an_open_one_cannot_be():
    stop = plan_stops(piece("4/4", "C3 2, D3 2"))[0]
    assert (stop.string, stop.fret) == (5, 3)
    assert stop.way is Way.LEFT_HAND_RELEASE
    assert Way.RETURNING_THUMB in stop.ways
    assert Way.LEFT_HAND_RELEASE not in plan_stops(piece("4/4", "A2 2, D3 2"))[0].ways


def test_a_rest_is_damped_by_planting():
    stop = plan_stops(piece("4/4", "A2 1, - 1, D3 2"))[0]
    assert (stop.reason, stop.due, stop.next_note) == (Reason.REST, Q, -1)
    assert stop.ways == (Way.PLANTED_THUMB,)
    assert stop.time_ms == 1000.0


def test_let_ring_and_taste_ask_for_nothing():
    stop = plan_stops(piece("4/4", "A2~ 2, D3 2"))[0]
    assert (stop.reason, stop.wanted, stop.ways) == (Reason.FREE, False, ())
    score = piece("4/4", "A2 2, D3 2")
    assert plan_stops(score, free=frozenset({0}))[0].reason is Reason.FREE


def test_a_damp_mark_overrules_a_let_ring_tie_and_the_written_end():
    marks = (DampMark(3 * Q),)
    stop = plan_stops(piece("4/4", "A2~ 4", damps=marks))[0]
    assert (stop.reason, stop.due, stop.wanted) == (Reason.MARKED, 3 * Q, True)
    named = (DampMark(Q, string=6),)
    assert plan_stops(piece("4/4", "A2 4", damps=named))[0].reason is Reason.END


def test_a_thumb_with_no_time_is_not_asked():
    # Eighths at 120: 250 ms to the thumb's next stroke, too little to go back and forth (from memory).
    fast = plan_stops(piece("2/4", "E2 1/2, D3 1/2, E2 1/2, D3 1/2", qpm=120))
    assert fast[0].time_ms == 250.0
    assert not fast[0].reachable
    assert not fast[0].wanted
    slow = plan_stops(piece("2/4", "E2 1/2, D3 1/2, E2 1/2, D3 1/2", qpm=60))
    assert slow[0].wanted
    # The side of the thumb needs no way back.
    side = plan_stops(piece("2/4", "A2 1/2, D3 1/2, A2 1/2, D3 1/2", qpm=120))[0]
    assert side.wanted
    assert side.way is Way.SIDE_OF_THUMB


def test_a_melody_note_on_the_ringing_string_replaces_it():
    stop = plan_stops(piece("4/4", "D3 4", "- 2, E3@4 2"))[0]
    assert (stop.reason, stop.due) == (Reason.REPLACED, 2 * Q)


def test_the_end_of_a_chunk_is_lenient():
    score = piece("4/4", "A2 2, D3 2, E2 4")
    stops = plan_stops(score, last_bar=0)
    assert stops[1].reason is Reason.END
    assert stops[1].lenient


def test_a_ring_over_is_graded_by_the_harmony_it_rings_into():
    # A rings into E major with its G sharp and below its bass: as bad as can be.
    bad = plan_stops(piece("4/4", "A2 2, E3@4 2", "A4 2, G#4 2"))[0]
    assert bad.clash is Clash.HIGH
    # E rings into A minor from below: it belongs, but turns the chord over.
    mild = plan_stops(piece("4/4", "E2 2, A2 2", "E4 2, C5 2"))[0]
    assert (mild.clash, mild.in_chord) == (Clash.MIDDLE, True)


def test_into_a_rest_the_bars_own_harmony_goes_on():
    stop = plan_stops(piece("4/4", "E2 1, - 3", "B3 2, E4 1, F#4 1"))[0]
    assert (stop.in_chord, stop.clash) == (True, Clash.LOW)


def test_neighbours_are_counted_by_string_and_pitch_in_any_tuning():
    dropped = Tuning((64, 59, 55, 50, 45, 38))
    stop = plan_stops(piece("4/4", "D2@6 2, A2 2", tuning=dropped))[0]
    assert Way.SIDE_OF_THUMB in stop.ways


def test_a_mark_where_the_bass_ends_anyway_changes_nothing():
    bare = plan_stops(piece("4/4", "A2 2, D3 1, - 1"))
    marks = (DampMark(2 * Q, string=5), DampMark(3 * Q, string=4))
    assert plan_stops(piece("4/4", "A2 2, D3 1, - 1", damps=marks)) == bare
    assert [stop.reason for stop in bare] == [Reason.NEXT_BASS, Reason.REST]


def test_a_mark_for_another_string_is_not_for_this_one():
    stop = plan_stops(piece("4/4", "A2 4, D3 4", damps=(DampMark(2 * Q, string=6),)))[0]
    assert (stop.due, stop.reason) == (4 * Q, Reason.NEXT_BASS)


def test_a_let_ring_note_stops_at_a_later_mark_unless_its_string_was_played_since():
    marks = (DampMark(6 * Q, string=5),)
    stop = plan_stops(piece("4/4", "A2~ 2, D3 4, - 2", damps=marks))[0]
    assert (stop.due, stop.reason) == (6 * Q, Reason.MARKED)
    # At the note's own written end the tie holds; so a bass that is set free stays free in a marked score.
    at_end = (DampMark(2 * Q, string=5),)
    assert plan_stops(piece("4/4", "A2~ 2, D3 4, - 2", damps=at_end))[0].reason is Reason.FREE
    again = plan_stops(piece("4/4", "A2~ 2, A2 4, - 2", damps=marks))
    assert again[0].reason is Reason.FREE
    assert (again[1].due, again[1].reason) == (6 * Q, Reason.REST)


def test_taste_lets_a_marked_bass_ring():
    score = piece("4/4", "A2 4, D3 4", damps=(DampMark(2 * Q, string=5),))
    assert plan_stops(score)[0].reason is Reason.MARKED
    assert plan_stops(score, free=frozenset({0}))[0].reason is Reason.FREE


def test_two_basses_that_end_together():
    # Side by side one thumb stops both; over a string between them it cannot (common practice, no source).
    both = plan_stops(piece("4/4", "E2+A2 2, - 2"))
    assert [stop.wanted for stop in both] == [True, True]
    apart = plan_stops(piece("4/4", "E2+D3 2, - 2"))
    assert sorted(stop.wanted for stop in apart) == [False, True]
    left = next(stop for stop in apart if not stop.wanted)
    assert (Way.PLANTED_THUMB, Hindrance.HAND_BUSY) in left.barred
    concert = plan_stops(piece("4/4", "E2+D3 2, - 2"), level=CONCERT)
    assert all(stop.wanted for stop in concert)  # a finger helps


def test_a_rest_right_after_the_stroke_leaves_no_time_to_lie_down():
    stop = plan_stops(piece("2/4", "A2 1/8, - 15/8", qpm=80))[0]
    assert (stop.reason, stop.wanted) == (Reason.REST, False)
    assert (Way.PLANTED_THUMB, Hindrance.NO_TIME) in stop.barred
    assert plan_stops(piece("2/4", "A2 1/4, - 7/4", qpm=80))[0].wanted


def test_a_thumb_that_plays_the_melody_is_not_free_to_lie_down():
    score = piece("4/4", "A2 2, - 2", "- 2, D3@4 2")
    notes = score.notes.copy()
    notes["pluck"] = 1
    stop = plan_stops(make_score(notes, score.bars))[0]
    assert stop.reason is Reason.REST
    assert Way.PLANTED_THUMB not in stop.ways
    assert Way.RETURNING_THUMB in stop.ways


def test_a_first_lesson_asks_for_what_would_be_heard_and_by_the_easiest_ways():
    line = piece("4/4", "A2 2, D3 2, C3 2, E2 2", "E4 2, F4 2, E4 2, E4 2")
    stops = plan_stops(line, level=FIRST_LESSON)
    assert [stop.wanted for stop in stops] == [True, True, True, False]  # all but the end
    assert [stop.way for stop in stops[:3]] == [
        Way.RETURNING_THUMB,
        Way.RETURNING_THUMB,  # the rest stroke comes later
        Way.LEFT_HAND_RELEASE,
    ]
    assert all(stop.wanted for stop in plan_stops(line))
    blends = piece("4/4", "E3@4 2, A2 2", "C5 2, A4 2")
    assert plan_stops(blends)[0].clash is Clash.LOW
    assert [plan_stops(blends, level=level)[0].wanted for level in (FIRST_LESSON, INTERMEDIATE)] == [
        False,
        True,
    ]


def known(score, *spans):
    """A harmony by hand: (first tick, end tick, pitch classes)."""
    key = Key(0)
    reading = Reading(0, "", 0, 0, "C", "I")
    chords = tuple(
        Chord(score.bar_index(start), start, end, key, (reading,), frozenset(classes))
        for start, end, classes in spans
    )
    return Harmony(key, (key,) * len(score.bars), None, chords)


def test_a_rest_is_graded_by_what_the_string_would_ring_into():
    # The E may ring to the end of its own bar; under the A of the next it would lie below the bass.
    score = piece("4/4", "E2 2, - 2, A2 4", "B3 4, C4 4")
    stop = plan_stops(score)[0]
    assert (stop.reason, stop.over.below, stop.clash) == (Reason.REST, True, Clash.MIDDLE)
    assert stop.next_note == -1
    assert (stop.due, stop.heard_at) == (2 * Q, 4 * Q)
    # Where its own string is played next, there is nothing to ring into.
    assert plan_stops(piece("4/4", "E2 2, - 2, E2 4", "B3 4, B3 4"))[0].clash is Clash.LOW
    # Two bars later it has faded.
    assert plan_stops(piece("4/4", "E2 2, - 6, A2 4", "B3 8, C4 4"))[0].clash is Clash.LOW


def test_a_broken_chord_rings_together_until_concert_level():
    score = piece("3/4", "C3 1, E3 1, G3@3 1, D3 3", "C5 3, B4 3")
    c_major, g_major = (0, 3 * Q, (0, 4, 7)), (3 * Q, 6 * Q, (7, 11, 2))
    harmony = known(score, c_major, g_major)
    stops = plan_stops(score, harmony=harmony)
    assert [stop.broken for stop in stops] == [True, True, False, False]
    assert [stop.wanted for stop in stops[:3]] == [False, False, True]
    assert not stops[0].over.below  # the C has been the chord's bass all along
    assert stops[0].clash is Clash.LOW
    assert all(stop.wanted for stop in plan_stops(score, harmony=harmony, level=CONCERT))
    # Two notes are a bass line, and so are three of different chords.
    two = piece("2/4", "C3 1, E3 1, D3 2", "C5 4")
    spans = ((0, 2 * Q, (0, 4, 7)), (2 * Q, 4 * Q, (7, 11, 2)))
    assert not any(stop.broken for stop in plan_stops(two, harmony=known(two, *spans)))
    changing = known(score, (0, Q, (0, 4, 7)), (Q, 3 * Q, (0, 4, 7)), g_major)
    assert not any(stop.broken for stop in plan_stops(score, harmony=changing))


def test_a_finger_that_holds_another_note_cannot_lift():
    # A barre: one finger on string 5 and on string 1, whose note must sound on.
    score = piece("4/4", "D3@5 2, - 2", "A4@1 4")
    notes = score.notes.copy()
    notes["finger"] = 1
    stop = plan_stops(make_score(notes, score.bars))[0]
    assert stop.ways == (Way.PLANTED_THUMB,)
    assert (Way.LEFT_HAND_RELEASE, Hindrance.FINGER_HELD) in stop.barred
    notes["finger"][notes["bass"]] = 3
    assert plan_stops(make_score(notes, score.bars))[0].way is Way.LEFT_HAND_RELEASE


def test_a_chord_known_from_the_harmony_decides_what_belongs():
    score = piece("4/4", "G2 2, C3 2", "D4 2, E4 2")
    in_c = plan_stops(score, harmony=known(score, (2 * Q, 4 * Q, (0, 4, 7))))[0]
    assert in_c.in_chord
    assert in_c.over.below  # G under the C of C major: the chord would stand on its fifth
    assert in_c.clash is Clash.MIDDLE
    assert not plan_stops(score, harmony=known(score, (2 * Q, 4 * Q, (9, 0, 4))))[0].in_chord


def test_the_worst_comes_first():
    # The A under an E with G sharp above it grates by a semitone; the E under the A blends better.
    stops = plan_stops(piece("4/4", "A2 2, E3@4 2, A2 2, - 2", "A4 2, G#4 2, A4 4"))
    ranked = worst_first(stops)
    assert [stop.over.rank for stop in ranked] == sorted((s.over.rank for s in ranked), reverse=True)
    assert ranked[0] is stops[0]
    assert ranked[0].clash is Clash.HIGH


@given(
    st.lists(
        st.tuples(st.sampled_from(("E2", "A2", "D3", "C3", "-")), st.sampled_from(("1/2", "1", "2"))),
        min_size=1,
    ),
    st.sampled_from((FIRST_LESSON, INTERMEDIATE, CONCERT)),
    st.floats(0.4, 2.0),
)  # fmt: skip
def test_every_bass_has_one_stop_and_what_is_wanted_can_be_done(items, level, tempo):
    score = piece("4/4", ", ".join(f"{name} {length}" for name, length in items))
    stops = plan_stops(score, level=level, tempo=tempo)
    assert [stop.note for stop in stops] == list(range(len(score.notes)))
    for stop in stops:
        assert not stop.wanted or (stop.ways and stop.asked)
        assert stop.due > score.notes["onset"][stop.note]
        assert stop.way is (stop.ways[0] if stop.ways else None)
