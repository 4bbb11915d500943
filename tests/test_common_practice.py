"""Facts of the trade that every guitar teacher knows: common practice, no source."""

from fractions import Fraction
from pathlib import Path

import pytest

from coach.app.piece import open_piece
from coach.core.damping import Reason, plan_stops
from coach.core.phrases import find_form
from coach.core.score import TICKS_PER_QUARTER
from coach.core.ways import Hindrance, Way
from coach.files.score_file import read_score
from tests.scores import Q, piece

SCORES = Path(__file__).resolve().parents[1] / "scores"

TIED = """<score-partwise version="4.0"><part-list><score-part id="P1"><part-name/></score-part></part-list>
<part id="P1"><measure number="1"><attributes><divisions>1</divisions><time><beats>3</beats>
<beat-type>4</beat-type></time><clef><sign>G</sign><line>2</line><clef-octave-change>-1</clef-octave-change></clef></attributes>
<note><pitch><step>A</step><octave>2</octave></pitch><duration>3</duration>
<tie type="start"/><voice>1</voice></note>
</measure><measure number="2">
<note><pitch><step>A</step><octave>2</octave></pitch><duration>1</duration>
<tie type="stop"/><voice>1</voice></note>
<note><pitch><step>D</step><octave>3</octave></pitch><duration>2</duration><voice>1</voice></note>
</measure></part></score-partwise>"""


def test_the_side_of_the_thumb_cannot_stop_a_higher_sounding_neighbour():
    stop = plan_stops(piece("4/4", "D3 2, A2 2"))[0]  # string 4 rings, the thumb plays string 5
    assert Way.SIDE_OF_THUMB not in stop.ways
    assert (Way.SIDE_OF_THUMB, Hindrance.NOT_NEXT_LOWER) in stop.barred


def test_a_fretted_note_needs_no_thumb():
    # The thumb plays again after 250 ms, far too soon to return over a string.
    stop = plan_stops(piece("2/4", "F2 1/2, D3 1/2, F2 1/2, D3 1/2", qpm=120))[0]
    assert stop.ways == (Way.LEFT_HAND_RELEASE,)
    assert stop.wanted


def test_an_open_string_does_not_stop_when_a_left_hand_finger_lifts():
    stop = plan_stops(piece("2/4", "E2 1/2, D3 1/2, E2 1/2, D3 1/2", qpm=120))[0]
    assert (Way.LEFT_HAND_RELEASE, Hindrance.OPEN_STRING) in stop.barred
    assert not stop.wanted  # nothing else can be done in that time


def test_a_tied_note_is_not_struck_again_and_rings_its_whole_tied_length(tmp_path):
    path = tmp_path / "tied.musicxml"
    path.write_text(TIED, "utf-8")
    score = read_score(path).score
    assert [int(n["onset"]) for n in score.notes] == [0, 4 * Q]
    stop = plan_stops(open_piece(path).score)[0]
    assert (stop.due, stop.reason) == (4 * Q, Reason.NEXT_BASS)


@pytest.mark.parametrize("name", sorted(path.name for path in SCORES.glob("*.musicxml")))
def test_a_bar_holds_the_beats_of_its_meter(name):
    score = open_piece(SCORES / name).score
    for bar in score.bars:
        if bar.number > 0 and bar is not score.bars[-1]:  # a last bar may give a pickup its beats back
            assert Fraction(bar.length, TICKS_PER_QUARTER) == Fraction(4 * bar.beats, bar.beat_unit)
    if name.startswith("05"):  # three quarter beats in a 3/4 bar
        assert {bar.length for bar in score.bars} == {3 * Q}


def test_chunks_of_four_join_to_eight():
    score = open_piece(SCORES / "05-the-last-one-out.musicxml").score
    chunks = find_form(score).chunks
    fours = [(c.first, c.last) for c in chunks if c.size == 4 and not c.join]
    eights = [(c.first, c.last) for c in chunks if c.size == 8 and not c.join]
    assert fours == [(0, 3), (4, 7), (8, 11), (12, 15), (16, 19), (20, 23)]
    assert eights == [(a[0], b[1]) for a, b in zip(fours[::2], fours[1::2], strict=True)]
