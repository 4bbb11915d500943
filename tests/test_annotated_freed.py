"""Basses that taste lets ring in a score whose marks would stop them; tunings and times XML cannot say."""

import json
import re

import pytest

from coach.app.piece import open_piece
from coach.core.damping import Reason
from coach.core.errors import CoachError
from coach.core.preparation import prepare
from coach.files.annotated import NEAREST, annotated, annotated_xml
from coach.files.plan_report import plan_json
from tests.smf_build import music
from tests.xml_scores import (
    Q,
    attributes,
    back,
    barline,
    document,
    note,
    technical,
    tie,
    tied,
)

DAMP = "<direction-type><damp/></direction-type>"
NAMELESS = f"<direction>{DAMP}</direction>"
ALL = "<direction><direction-type><damp-all/></direction-type></direction>"


def named(string, more=""):
    words = f"<direction-type><words>{string}</words>{more}</direction-type>"
    return f"<direction>{DAMP}{words}</direction>"


def placed(folder, text, name="tune.musicxml"):
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def on(string):
    return technical(f"<string>{string}</string>")


def freed(path, *onsets):
    """Return the preparation of a file with the basses that start at ``onsets`` (in quarters) let ring."""
    score = open_piece(path).score
    rows = score.notes[score.notes["bass"]]
    free = {int(row["written"]) for row in rows if int(row["onset"]) in [at * Q for at in onsets]}
    assert len(free) == len(onsets)
    return prepare(score, free=frozenset(free))


def told(preparation):
    return json.loads(plan_json(preparation))["damps"]


def read_back(path, preparation):
    """Return the marked text, having checked that it reads back to the same plan."""
    made = annotated(path, preparation)
    assert made.notices == ()
    again = prepare(open_piece(placed(path.parent, made.xml, "back.musicxml")).score)
    assert told(again) == told(preparation)
    assert Reason.FREE in {stop.reason for stop in again.stops}
    return made.xml


DROP_D = "<direction><direction-type><words>drop D</words></direction-type></direction>"
RESTS = attributes(4, 4) + note("E4", 4, 1) + back(4) + note("A2", 1, 2) + note("rest", 3, 2)
CASES = {
    # The bass ends at a rest, where the first plan marked its string.
    "rest": ((RESTS, note("E4", 4, 1) + back(4) + note("E2", 4, 2)), 0, "5"),
    # Sixth string tuned to D: it is struck again later, after another bass.
    "replaced": (
        (attributes(3, 4) + DROP_D + note("F2", 1, 1, inside=on(6)) + note("D3", 1) + note("D2", 1),),
        0,
        "6",
    ),
    "struck-again-at-its-end": ((attributes(2, 4) + note("E2", 1) + note("F2", 1), note("D3", 2)), 0, "6"),
    # A mark of the user's own within the written length.
    "marked": ((attributes(4, 4) + note("E2", 1) + named(6) + note("A2", 3), note("E2", 4)), 0, "6"),
    "end": ((attributes(2, 4) + note("D3", 1) + note("E2", 1),), 1, "6"),
}


@pytest.mark.parametrize("name", CASES)
def test_a_bass_freed_in_a_marked_score_rings_when_it_is_read_again(tmp_path, name):
    bars, onset, string = CASES[name]
    source = placed(tmp_path, document(*bars))
    first = placed(tmp_path, annotated_xml(source, prepare(open_piece(source).score)), "first.musicxml")
    preparation = freed(first, onset)
    text = read_back(first, preparation)
    assert text.count("let-ring") == 1
    others = {(stop.due, stop.string) for stop in preparation.stops if stop.wanted}
    back_again = open_piece(tmp_path / "back.musicxml").score
    free = next(stop for stop in preparation.stops if stop.reason is Reason.FREE)
    assert str(free.string) == string
    assert (free.due, free.string) not in {(mark.onset, mark.string) for mark in back_again.damps}
    assert others <= {(mark.onset, mark.string) for mark in back_again.damps}
    assert read_back(tmp_path / "back.musicxml", freed(tmp_path / "back.musicxml", onset)) == text


def long_bass(*marks, after=""):
    """Return a bar of 4/4 whose bass E is written for three beats; ``marks`` stand at its second beat."""
    tune = note("E4", 1, 1) + "".join(marks) + note("E4", 3, 1)
    return attributes(4, 4) + tune + back(4) + note("E2", 3, 2) + note("A2", 1, 2) + after


def test_the_users_own_mark_within_the_written_length_is_taken_out(tmp_path):
    source = placed(tmp_path, document(long_bass("\n  " + named("⑥"))))
    score = open_piece(source).score
    plain = prepare(score)
    assert (plain.stops[0].due, plain.stops[0].reason) == (Q, Reason.MARKED)
    assert named("⑥") in annotated_xml(source, plain)
    text = read_back(source, freed(source, 0))
    assert "⑥" not in text
    assert "\n  \n" not in text


def test_what_else_stands_in_the_marks_direction_is_kept(tmp_path):
    dynamics = "<direction-type><dynamics><p/></dynamics></direction-type>"
    words = "<direction-type><words>6</words><words>dolce</words></direction-type>"
    mark = f"<direction>{DAMP}{words}{dynamics}</direction>"
    text = read_back(placed(tmp_path, document(long_bass(mark))), freed(tmp_path / "tune.musicxml", 0))
    assert f"<direction><direction-type><words>dolce</words></direction-type>{dynamics}</direction>" in text
    played = named(6).replace("</direction>", '<sound tempo="72"/></direction>')
    text = read_back(placed(tmp_path, document(long_bass(played))), freed(tmp_path / "tune.musicxml", 0))
    assert '<direction><direction-type><words/></direction-type><sound tempo="72"/></direction>' in text
    apart = NAMELESS + "<direction><direction-type><words>6</words></direction-type></direction>"
    text = read_back(placed(tmp_path, document(long_bass(apart))), freed(tmp_path / "tune.musicxml", 0))
    assert "<words>6</words>" not in text


def test_our_own_mark_goes_with_the_word_for_its_way(tmp_path):
    mark = named(6, '<words xml:space="preserve"> l.h. touch</words>')
    text = read_back(placed(tmp_path, document(long_bass(mark))), freed(tmp_path / "tune.musicxml", 0))
    assert "<words>6</words>" not in text
    assert "l.h. touch" not in text


@pytest.mark.parametrize("mark", [NAMELESS, ALL], ids=["nameless", "all"])
def test_a_mark_that_speaks_to_others_stays_and_is_told(tmp_path, mark):
    source = placed(tmp_path, document(long_bass(mark)))
    made = annotated(source, freed(source, 0))
    assert mark in made.xml
    assert made.notices == (
        "The bass of bar 1 beat 1 does not ring on in the written score: "
        "the damping mark at bar 1 beat 2 stays.",
    )


def test_a_mark_of_another_string_stays_untold(tmp_path):
    source = placed(tmp_path, document(long_bass(named(4))))
    assert named(4) in read_back(source, freed(source, 0))


def test_a_mark_that_another_bass_ends_by_in_some_round_stays_and_is_told(tmp_path):
    """The A of bar 1 is tied into the repeated bar, whose own A is struck the second time."""
    again = barline('<repeat direction="forward"/>', "left")
    close = barline('<repeat direction="backward"/>')
    bars = (
        attributes(2, 4) + note("A2", 2, inside=tie("start") + tied("start")),
        again + note("A2", 2, inside=tie("stop") + tied("stop")) + back(1) + named(5) + close,
        note("E2", 2),
    )
    text = document(*bars)
    for kind in (b"start", b"stop"):  # the tie stands before the voice
        old = b'<voice>1</voice><tie type="%s"/>' % kind
        assert text.count(old) == 1
        text = text.replace(old, b'<tie type="%s"/><voice>1</voice>' % kind)
    source = placed(tmp_path, text)
    assert [s.reason for s in prepare(open_piece(source).score).stops][:2] == [Reason.MARKED] * 2
    made = annotated(source, freed(source, 0))
    assert named(5) in made.xml
    assert [line.partition(" does")[0] for line in made.notices] == ["The bass of bar 1 beat 1"]
    both = read_back(source, freed(source, 0, 4))
    assert named(5) not in both


def test_the_scores_own_tie_and_mark_at_one_place_are_left_alone(tmp_path):
    ringing = '<notations><tied type="let-ring"/></notations>'
    bar = attributes(2, 4) + note("E2", 1, inside=ringing) + named(6) + note("A2", 1)
    source = placed(tmp_path, document(bar))
    assert named(6) in annotated_xml(source, prepare(open_piece(source).score))


# --- tunings -----------------------------------------------------------------------------------------


BARE = document(attributes(2, 4) + note("E3", 1) + note("A3", 1), note("D4", 2))
PLACED = document(
    attributes(2, 4)
    + note("E2", 1, inside=technical("<string>6</string><fret>0</fret>"))
    + note("A2", 1, inside=technical("<string>5</string><fret>0</fret>")),
    note("D3", 2, inside=technical("<string>4</string><fret>0</fret>")),
)


@pytest.mark.parametrize("tuning", ["E4", "D3 G3 B3 E4", "A2 D3 G3 B3 E4"])
def test_fewer_strings_than_six_are_refused_in_one_line(tmp_path, tuning):
    source = placed(tmp_path, BARE)
    few = prepare(open_piece(source, tuning=tuning).score)
    with pytest.raises(CoachError, match=r"tune\.musicxml: MusicXML has no sign for .* strings only; name a"):
        annotated_xml(source, few)


@pytest.mark.parametrize(
    "options",
    [
        {"tuning": "B1 E2 A2 D3 G3 B3 E4"},
        {"tuning": "A1 B1 C2 D2 E2 A2 D3 G3 B3 E4"},
        {"capo": 5},
        {"capo": 12},
        {"tuning": "D2 A2 D3 G3 A3 D4", "capo": 2},
    ],
)
def test_other_tunings_read_back_to_the_same_plan(tmp_path, options):
    source = placed(tmp_path, BARE)
    preparation = prepare(open_piece(source, **options).score)
    again = open_piece(placed(tmp_path, annotated_xml(source, preparation), "back.musicxml")).score
    assert told(prepare(again)) == told(preparation)
    assert again.notes["string"].tolist() == preparation.score.notes["string"].tolist()


def test_a_capo_that_would_move_the_scores_own_strings_an_octave_is_refused(tmp_path):
    source = placed(tmp_path, PLACED)
    high = prepare(open_piece(source, capo=12).score)
    with pytest.raises(CoachError, match="would move its notes; leave out --tuning and --capo"):
        annotated_xml(source, high)


# --- MIDI files ---------------------------------------------------------------------------------------


FREELY = [(0, 0.71, 64), (1.137, 0.61, 67), (2.21, 0.4, 69)]
FREELY_BELOW = [(0, 0.83, 45), (0.871, 1.13, 40), (2.21, 0.69, 45)]


def test_a_midi_file_whose_times_cannot_be_written_is_told(tmp_path):
    even = music(tmp_path / "even.mid", [(0, 1, 64), (1, 1, 67)], [(0, 1, 45), (1, 1, 40)])
    plain = prepare(open_piece(even).score)
    made = annotated(even, plain)
    assert made.notices == ()
    assert told(prepare(open_piece(placed(tmp_path, made.xml, "back.musicxml")).score)) == told(plain)
    uneven = music(tmp_path / "free.mid", FREELY, FREELY_BELOW)
    preparation = prepare(open_piece(uneven).score)
    made = annotated(uneven, preparation)
    assert made.notices == (NEAREST,)
    assert re.fullmatch(r"The MIDI file's times .* is the nearest\.", NEAREST)
