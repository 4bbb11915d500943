"""Which way serves which moment.  All of it common practice, no source, unless said otherwise."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.core.levels import CONCERT, FIRST_LESSON, INTERMEDIATE
from coach.core.pitch import STANDARD, Tuning
from coach.core.ways import ORDER, Hindrance, Moment, Way, ways_at

QUIET = Moment(string=5, fret=0, thumb_on=4, time_ms=2000.0, since_ms=2000.0, fretted=0, plucked=0)


def ways(moment, level=CONCERT, tuning=STANDARD):
    return ways_at(moment, tuning, level.ways, level.return_ms)


def hindrance(moment, way, level=CONCERT, tuning=STANDARD):
    return dict(ways(moment, level, tuning).barred).get(way)


@pytest.mark.parametrize("ringing", range(1, 7))
@pytest.mark.parametrize("played", range(1, 7))
def test_side_and_rest_stroke_serve_neighbours_on_their_own_side_alone(ringing, played):
    if ringing == played:
        return
    moment = replace(QUIET, string=ringing, thumb_on=played)
    found = ways(moment).feasible
    assert (Way.SIDE_OF_THUMB in found) == (ringing == played + 1)  # the next lower-sounding string
    assert (Way.REST_STROKE in found) == (ringing == played - 1)  # the next higher-sounding string
    assert Way.RETURNING_THUMB in found  # always possible


def test_the_side_of_the_thumb_cannot_stop_a_higher_sounding_neighbour():
    moment = replace(QUIET, string=4, thumb_on=5)
    assert hindrance(moment, Way.SIDE_OF_THUMB) is Hindrance.NOT_NEXT_LOWER
    assert hindrance(replace(QUIET, string=5, thumb_on=4), Way.REST_STROKE) is Hindrance.NOT_NEXT_HIGHER


def test_an_open_string_does_not_stop_when_a_left_hand_finger_lifts():
    assert hindrance(QUIET, Way.LEFT_HAND_RELEASE) is Hindrance.OPEN_STRING
    assert ways(replace(QUIET, fret=3)).feasible[0] is Way.LEFT_HAND_RELEASE  # a fretted note needs no thumb


def test_a_thumb_that_plays_nothing_lies_down():
    rest = replace(QUIET, thumb_on=None)
    assert ways(rest, INTERMEDIATE).feasible == (Way.PLANTED_THUMB,)
    for way in (Way.RETURNING_THUMB, Way.SIDE_OF_THUMB, Way.REST_STROKE):
        assert hindrance(rest, way) is Hindrance.NO_STROKE
    assert hindrance(QUIET, Way.PLANTED_THUMB) is Hindrance.HAND_BUSY
    assert hindrance(replace(rest, since_ms=60.0), Way.PLANTED_THUMB) is Hindrance.NO_TIME
    assert hindrance(replace(rest, time_ms=60.0), Way.PLANTED_THUMB) is Hindrance.NO_TIME


def test_a_returning_thumb_needs_time_before_its_next_stroke():
    # Two thumb strokes' worth of time, at five to six strokes a second (from memory, no published figure).
    assert 2000 / 6 <= INTERMEDIATE.return_ms <= 2000 / 5
    for level in (FIRST_LESSON, INTERMEDIATE, CONCERT):
        just = replace(QUIET, time_ms=level.return_ms)
        assert Way.RETURNING_THUMB in ways(just, level).feasible
        short = replace(just, time_ms=level.return_ms - 1)
        assert hindrance(short, Way.RETURNING_THUMB, level) is Hindrance.NO_TIME
    assert Way.RETURNING_THUMB in ways(replace(QUIET, time_ms=None)).feasible  # no stroke follows at all


def test_a_brisk_return_comes_after_the_side_of_the_thumb():
    assert ways(QUIET, INTERMEDIATE).feasible == (Way.RETURNING_THUMB, Way.SIDE_OF_THUMB)
    brisk = ways(replace(QUIET, time_ms=400.0), INTERMEDIATE).feasible
    assert brisk == (Way.SIDE_OF_THUMB, Way.RETURNING_THUMB)


def test_levels_teach_ways_one_after_another():
    assert ways(QUIET, FIRST_LESSON).feasible == (Way.RETURNING_THUMB,)
    assert hindrance(QUIET, Way.SIDE_OF_THUMB, FIRST_LESSON) is Hindrance.LATER
    assert hindrance(QUIET, Way.FINGER, INTERMEDIATE) is Hindrance.LATER
    assert FIRST_LESSON.ways < INTERMEDIATE.ways < CONCERT.ways
    assert FIRST_LESSON.tolerance_ms > INTERMEDIATE.tolerance_ms > CONCERT.tolerance_ms


def test_the_last_resorts_need_a_free_finger():
    busy = replace(QUIET, fretted=3, plucked=3, time_ms=100.0, string=6)
    assert ways(busy).feasible == ()
    assert hindrance(busy, Way.LEFT_HAND_TOUCH) is Hindrance.HAND_BUSY
    assert hindrance(busy, Way.FINGER) is Hindrance.HAND_BUSY
    assert ways(replace(busy, fretted=2)).feasible == (Way.LEFT_HAND_TOUCH,)
    assert ways(replace(busy, plucked=2)).feasible == (Way.FINGER,)


def test_an_unusual_tuning_is_judged_by_sound():
    # String 4 tuned below string 5, so that it is no longer its higher-sounding neighbour.
    crossed = Tuning((64, 59, 55, 43, 45, 40))
    assert hindrance(replace(QUIET, string=4, thumb_on=5), Way.REST_STROKE, tuning=crossed)


moments = st.builds(
    Moment,
    string=st.integers(0, 7),
    fret=st.integers(-1, 12),
    thumb_on=st.none() | st.integers(0, 7),
    time_ms=st.none() | st.floats(0, 5000),
    since_ms=st.floats(0, 1e9),
    fretted=st.integers(0, 5),
    plucked=st.integers(0, 5),
)


@given(moments, st.sampled_from((FIRST_LESSON, INTERMEDIATE, CONCERT)))
def test_every_way_serves_or_says_why_not(moment, level):
    found = ways(moment, level)
    assert sorted((*found.feasible, *(way for way, _ in found.barred)), key=ORDER.index) == list(ORDER)


@given(moments, st.floats(0, 3000))
def test_more_time_never_takes_a_way_away(moment, more):
    if moment.time_ms is None:
        return
    slower = replace(moment, time_ms=moment.time_ms + more)
    assert set(ways(moment).feasible) <= set(ways(slower).feasible)
