"""The damping plan.  Which way serves which strings: common practice, no source."""

from coach.core.clash import Clash
from coach.core.damping import Reason, Way, plan_stops
from coach.core.pitch import Tuning
from coach.core.score import DampMark
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
