"""The count-in and the click, by times worked out by hand (quarter = 60 unless said)."""

from dataclasses import replace

import numpy as np
import pytest

from coach.core.count_in import beat_ticks, click_ticks, count_in
from coach.core.score import TEMPO, Bar, make_score
from tests.scores import Q, piece


def times(ticks):
    return [round(tick.start_s, 9) for tick in ticks]


def accents(ticks):
    return "".join(str(tick.accent) for tick in ticks)


# --- count-in: a full bar, and the bar up to the pickup -----------------------------------------------


@pytest.mark.parametrize(
    ("meter", "said", "at", "length_s"),
    [
        ("2/4", "21", [0, 1], 2),
        ("3/4", "211", [0, 1, 2], 3),
        ("4/4", "2111", [0, 1, 2, 3], 4),
        ("6/8", "21", [0, 1.5], 3),
        ("9/8", "211", [0, 1.5, 3], 4.5),
        ("12/8", "2111", [0, 1.5, 3, 4.5], 6),
        ("3/8", "211", [0, 0.5, 1], 1.5),
        ("5/8", "21111", [0, 0.5, 1, 1.5, 2], 2.5),
        ("7/8", "2111111", [0, 0.5, 1, 1.5, 2, 2.5, 3], 3.5),
        ("2/2", "21", [0, 2], 4),
    ],
)
def test_a_full_bar_is_one_bar_of_the_metres_beats(meter, said, at, length_s):
    lead = count_in(piece(meter, "A2 8"), 0, 1.0)
    assert accents(lead.ticks) == said
    assert times(lead.ticks) == at
    assert lead.length_s == pytest.approx(length_s, abs=1e-12)


@pytest.mark.parametrize(
    ("meter", "pickup", "said", "at", "length_s"),
    [
        # one beat of three: a bar, then its first two beats
        ("3/4", "1", "21121", [0, 1, 2, 3, 4], 5),
        # two beats of three
        ("3/4", "2", "2112", [0, 1, 2, 3], 4),
        # one beat of four
        ("4/4", "1", "2111211", [0, 1, 2, 3, 4, 5, 6], 7),
        # an eighth in 4/4: the fourth beat is still counted, and the music comes half a beat later
        ("4/4", "1/2", "21112111", [0, 1, 2, 3, 4, 5, 6, 7], 7.5),
        # three eighths in 4/4: two beats and a half are missing, so the third is counted
        ("4/4", "3/2", "2111211", [0, 1, 2, 3, 4, 5, 6], 6.5),
        # one eighth of six: both dotted beats, and the music two eighths after the second
        ("6/8", "1/2", "2121", [0, 1.5, 3, 4.5], 5.5),
        # three eighths of six: one dotted beat
        ("6/8", "3/2", "212", [0, 1.5, 3], 4.5),
        # one beat of two
        ("2/4", "1", "212", [0, 1, 2], 3),
    ],
)
def test_before_a_pickup_the_bar_is_counted_up_to_it(meter, pickup, said, at, length_s):
    score = piece(meter, f"A2 {pickup}, A2 8", pickup=pickup)
    lead = count_in(score, 0, 1.0)
    assert accents(lead.ticks) == said
    assert times(lead.ticks) == at
    assert lead.length_s == pytest.approx(length_s, abs=1e-12)
    # From the first full bar on there is no pickup to wait for.
    assert lead.length_s - count_in(score, 1, 1.0).length_s == pytest.approx(
        (score.bars[1].full_length - score.bars[0].length) / Q
    )


def test_the_count_in_keeps_the_tempo_of_where_the_playing_begins():
    score = piece("3/4", "A2 12", qpm=90)
    assert times(count_in(score, 0, 0.5).ticks) == pytest.approx([0, 4 / 3, 8 / 3])
    score = replace(score, tempo=np.array([(0, 90.0), (6 * Q, 45.0)], TEMPO))
    assert count_in(score, 1, 1.0).length_s == pytest.approx(2.0)
    assert count_in(score, 2, 1.0).length_s == pytest.approx(4.0)
    assert count_in(score, 2, 2.0).length_s == pytest.approx(2.0)


def test_two_bars_and_an_upbeat_inside_the_bar_before():
    score = piece("4/4", "A2 16")
    lead = count_in(score, 2, 1.0, bars=2)
    assert accents(lead.ticks) == "21112111"
    assert lead.length_s == 8.0
    upbeat = count_in(score, 2, 1.0, lead_tick=score.bars[2].onset - Q // 2)
    assert accents(upbeat.ticks) == "21112111"
    assert upbeat.length_s == 7.5


def test_a_bar_divided_by_a_repeat_sign_is_counted_from_its_own_beginning():
    score = piece("4/4", "A2 4")
    bars = (
        Bar(1, 0, 4 * Q, 4, 4, 0, 0),
        Bar(2, 4 * Q, 3 * Q, 4, 4, 0, 1),
        Bar(2, 7 * Q, Q, 4, 4, 0, 2, lead=3 * Q),
        Bar(3, 8 * Q, 4 * Q, 4, 4, 0, 3),
    )
    score = make_score(score.notes, bars)
    assert count_in(score, 1, 1.0).length_s == 4.0
    assert count_in(score, 2, 1.0).length_s == 7.0
    assert times(click_ticks(score, 1, 2, 1.0)) == [0, 1, 2, 3]
    assert accents(click_ticks(score, 1, 3, 1.0)) == "21112111"


def test_a_change_of_metre_counts_the_new_one():
    score = make_score(
        piece("4/4", "A2 7").notes, (Bar(1, 0, 4 * Q, 4, 4, 0, 0), Bar(2, 4 * Q, 3 * Q, 6, 8, 0, 1))
    )
    assert accents(count_in(score, 1, 1.0).ticks) == "21"
    assert times(click_ticks(score, 0, 1, 1.0)) == [0, 1, 2, 3, 4, 5.5]
    assert beat_ticks(score.bars[1]) == 3 * Q // 2


# --- through the music --------------------------------------------------------------------------------


def test_the_click_has_the_metres_accents():
    score = piece("3/4", "A2 6")
    ticks = click_ticks(score, 0, 1, 1.0)
    assert times(ticks) == [0, 1, 2, 3, 4, 5]
    assert accents(ticks) == "211211"
    assert times(click_ticks(score, 1, 1, 0.5)) == [0, 2, 4]


def test_a_pickup_is_the_end_of_its_bar():
    score = piece("3/4", "A2 1, A2 3, A2 2", pickup="1")
    ticks = click_ticks(score, 0, 1, 1.0)
    assert accents(ticks) == "1211"
    assert times(ticks) == [0, 1, 2, 3]
    # A pickup off the beat: the first tick comes with the next beat.
    score = piece("3/4", "A2 1/2, A2 3, A2 5/2", pickup="1/2")
    ticks = click_ticks(score, 0, 1, 1.0)
    assert accents(ticks) == "211"
    assert times(ticks) == [0.5, 1.5, 2.5]


def test_subdivisions_stand_between_the_beats():
    ticks = click_ticks(piece("2/4", "A2 2"), 0, 0, 1.0, subdivide=3)
    assert accents(ticks) == "200100"
    assert times(ticks) == pytest.approx([0, 1 / 3, 2 / 3, 1, 4 / 3, 5 / 3])
    ticks = click_ticks(piece("6/8", "A2 3"), 0, 0, 1.0, subdivide=3)
    assert accents(ticks) == "200100"
    assert times(ticks) == [0, 0.5, 1, 1.5, 2, 2.5]
    # with a pickup of one eighth and eighths counted
    ticks = click_ticks(piece("6/8", "A2 1/2, A2 3", pickup="1/2"), 0, 1, 1.0, subdivide=3)
    assert accents(ticks) == "0200100"


@pytest.mark.parametrize(
    ("silent", "sounding"),
    [(0, [0, 1, 2, 3, 4, 5, 6, 7]), (1, [0, 1, 3, 4, 6, 7]), (2, [0, 1, 4, 5]), (3, [0, 1, 5, 6])],
)
def test_silent_bars_follow_each_two_sounding_ones(silent, sounding):
    score = piece("2/4", "A2 16")
    ticks = click_ticks(score, 0, 7, 1.0, silent=silent)
    assert times(ticks) == [2 * bar + beat for bar in sounding for beat in (0, 1)]


def test_a_pickup_belongs_to_the_bar_it_leads_to():
    score = piece("2/4", "A2 1, A2 12", pickup="1")
    assert times(click_ticks(score, 0, 4, 1.0, silent=1)) == [0, 1, 2, 3, 4, 7, 8]


def test_the_click_follows_a_change_of_tempo():
    score = piece("2/4", "A2 8")
    score = replace(score, tempo=np.array([(0, 60.0), (3 * Q, 120.0)], TEMPO))
    assert times(click_ticks(score, 0, 3, 1.0)) == [0, 1, 2, 3, 3.5, 4, 4.5, 5]
    assert times(click_ticks(score, 1, 3, 2.0)) == [0, 0.5, 0.75, 1, 1.25, 1.5]


def test_an_upbeat_and_the_beat_that_is_landed_on():
    score = piece("4/4", "A2 12")
    begin = score.bars[1].onset - 3 * Q // 2
    ticks = click_ticks(score, 1, 1, 1.0, lead_tick=begin, landing=True)
    assert times(ticks) == [0.5, 1.5, 2.5, 3.5, 4.5, 5.5]
    assert accents(ticks) == "121112"
    assert times(click_ticks(score, 2, 2, 1.0, landing=True)) == [0, 1, 2, 3, 4]


def test_the_count_in_and_the_click_join():
    """The beats of count-in and music are one row, however short the pickup is."""
    for pickup in ("1/2", "1", "3/2", "2", "5/2"):
        score = piece("3/4", f"A2 {pickup}, A2 6", pickup=pickup, qpm=72)
        lead = count_in(score, 0, 0.8)
        row = [*times(lead.ticks), *(lead.length_s + t for t in times(click_ticks(score, 0, 2, 0.8)))]
        assert np.diff(row) == pytest.approx(60 / 72 / 0.8)
        assert len(row) == 3 + 3 + 6  # a bar, the pickup's bar, the music


@pytest.mark.parametrize(
    "wrong", [{"speed": 0.0}, {"speed": 1.0, "subdivide": 0}, {"speed": 1.0, "silent": -1}]
)
def test_nonsense_is_refused(wrong):
    score = piece("4/4", "A2 4")
    with pytest.raises(ValueError, match="no click"):
        click_ticks(score, 0, 0, **wrong)
    with pytest.raises(ValueError, match="nobody counts"):
        count_in(score, 0, 1.0, bars=0)
    with pytest.raises(ValueError, match="nobody counts"):
        count_in(score, 0, -1.0)
