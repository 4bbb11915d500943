"""Spelling of notes in a key.  The leading notes of minor keys are the textbook ones (common practice)."""

from dataclasses import replace

import pytest

from coach.app.piece import open_piece
from coach.core.spelling import (
    Key,
    heard_name,
    key_of,
    octave_of,
    pitch_class,
    place_name,
    spell,
    spelt,
    tone_name,
    written_name,
)
from tests.harness import ROOT
from tests.scores import piece

C, F, A_MINOR, E_MINOR, D_MINOR, B_MINOR = (
    Key(0),
    Key(-1),
    Key(3, True),
    Key(4, True),
    Key(2, True),
    Key(5, True),
)


@pytest.mark.parametrize(
    ("pitch", "key", "name"),
    [
        (8, A_MINOR, "G♯"), (5, A_MINOR, "F"), (6, A_MINOR, "F♯"), (3, E_MINOR, "D♯"), (1, D_MINOR, "C♯"),
        (10, B_MINOR, "A♯"), (10, F, "B♭"), (11, F, "B"), (6, C, "F♯"), (3, C, "E♭"), (1, C, "C♯"),
        (10, C, "B♭"),
        (8, C, "A♭"), (3, A_MINOR, "D♯"), (1, A_MINOR, "C♯"), (10, A_MINOR, "B♭"), (9, Key(-3), "A"),
        (11, Key(0, True), "B"), (8, Key(0, True), "A♭"), (6, Key(-6), "G♭"), (4, Key(8, True), "E"),
        (7, Key(8, True), "F♯♯"),
    ],
)  # fmt: skip
def test_a_note_is_spelt_as_its_key_wants(pitch, key, name):
    assert spelt(pitch, key) == name


def test_the_octave_follows_the_spelling():
    # Scientific pitch notation numbers octaves by the letter: B♯3 and C4 are one key of the piano.
    assert octave_of(60, 12) == 3
    assert octave_of(59, -7) == 4
    assert spelt(68, A_MINOR, octave=True) == "G♯4"
    assert spelt(61, Key(7), octave=True) == "C♯4"
    assert spelt(60, Key(7), octave=True) == "B♯3"
    assert spelt(40, A_MINOR, octave=True) == "E2"


SCALE_NAMES = {  # the fifteen signatures as every theory primer prints them
    Key(0): "C D E F G A B", Key(1): "G A B C D E F♯", Key(2): "D E F♯ G A B C♯", Key(3): "A B C♯ D E F♯ G♯",
    Key(4): "E F♯ G♯ A B C♯ D♯", Key(5): "B C♯ D♯ E F♯ G♯ A♯", Key(6): "F♯ G♯ A♯ B C♯ D♯ E♯",
    Key(7): "C♯ D♯ E♯ F♯ G♯ A♯ B♯", Key(-1): "F G A B♭ C D E", Key(-2): "B♭ C D E♭ F G A",
    Key(-3): "E♭ F G A♭ B♭ C D", Key(-4): "A♭ B♭ C D♭ E♭ F G", Key(-5): "D♭ E♭ F G♭ A♭ B♭ C",
    Key(-6): "G♭ A♭ B♭ C♭ D♭ E♭ F", Key(-7): "C♭ D♭ E♭ F♭ G♭ A♭ B♭",
}  # fmt: skip


@pytest.mark.parametrize("key", SCALE_NAMES, ids=lambda key: key.name)
def test_major_scales_use_each_letter_once(key):
    names = [spelt(key.pitch_class + step, key) for step in (0, 2, 4, 5, 7, 9, 11)]
    assert " ".join(names) == SCALE_NAMES[key]


@pytest.mark.parametrize("fifths", range(-7, 8))
def test_minor_scales_are_the_relative_majors_with_a_raised_leading_note(fifths):
    key = Key(fifths + 3, True)
    natural = [spelt(key.pitch_class + step, key) for step in (0, 2, 3, 5, 7, 8, 10)]
    major = SCALE_NAMES[Key(fifths)].split()
    assert natural == major[5:] + major[:5]
    leading, seventh = spelt(key.pitch_class + 11, key), natural[6]
    assert leading == (seventh[:-1] if seventh.endswith("♭") else seventh + "♯")


def test_a_spelling_sounds_as_the_note_does():
    for fifths in range(-7, 8):
        for key in (Key(fifths), Key(fifths + 3, True)):
            assert key.fifths == fifths
            places = [spell(pitch, key) for pitch in range(12)]
            assert [pitch_class(place) for place in places] == list(range(12))
            assert max(places) - min(places) == 11


def test_keys_have_the_fewest_signs():
    major, minor = ([key_of(p, mode).name.split()[0] for p in range(12)] for mode in (False, True))
    assert " ".join(major) == "C D♭ D E♭ E F F♯ G A♭ A B♭ B"
    assert " ".join(minor) == "C C♯ D D♯ E F F♯ G G♯ A B♭ B"


def test_names_on_the_line_of_fifths():
    line = [place_name(place) for place in range(-9, 14)]
    assert " ".join(line) == ("B♭♭ F♭ C♭ G♭ D♭ A♭ E♭ B♭ F C G D A E B F♯ C♯ G♯ D♯ A♯ E♯ B♯ F♯♯")


# --- the names of written and of played notes --------------------------------------------------------

TUNE = piece("4/4", "A2 4, Bb2 4, C#3 4")  # on the line of fifths A is 3, B flat −2, C sharp 7


def test_a_written_note_is_named_as_it_is_written():
    assert [written_name(replace(TUNE, places=(3, -2, 7)), row) for row in range(3)] == ["A", "B♭", "C♯"]
    # A sharp is 10, D flat −5: as strange as they are here, they are what is read.
    assert [written_name(replace(TUNE, places=(3, 10, -5)), row) for row in range(3)] == ["A", "A♯", "D♭"]


def test_a_played_note_is_named_as_the_piece_spells_it_else_by_the_key():
    spelt_so = replace(TUNE, places=(3, 10, 7))
    assert heard_name(spelt_so, 70, 1) == "A♯"  # of that bar
    assert heard_name(spelt_so, 70, 0) == "A♯"  # of another bar of the same signature
    assert [heard_name(spelt_so, pitch, 0) for pitch in (66, 68, 63)] == ["F♯", "A♭", "E♭"]  # C major
    bars = tuple(replace(bar, fifths=-1) for bar in TUNE.bars)
    # Without a spelling: F major, and D minor, whose leading note is C sharp.
    assert [heard_name(replace(TUNE, bars=bars), pitch, 0) for pitch in (61, 70)] == ["D♭", "B♭"]
    assert heard_name(replace(TUNE, bars=bars, mode="minor"), 61, 0) == "C♯"


def test_a_wrong_note_has_not_the_name_of_the_written_one():
    score = replace(TUNE, places=(3, 10, 7))
    assert tone_name(score, 1, 46, 1) == "A♯"
    assert tone_name(score, 1, 47, 1) == "B"
    assert tone_name(score, -1, 49, 0) == "C♯"


def test_the_etude_in_d_minor_has_its_leading_note_and_a_flat_where_it_writes_none():
    score = open_piece(next((ROOT / "scores").glob("05-*.musicxml"))).score
    names = {written_name(score, row) for row in range(len(score.notes))}
    assert names == {*"ACDEFG", "C♯"}
    assert [heard_name(score, pitch, 0) for pitch in (61, 70, 66)] == ["C♯", "B♭", "F♯"]
