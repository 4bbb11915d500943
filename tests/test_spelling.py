"""Spelling of notes in a key.  The leading notes of minor keys are the textbook ones (common practice)."""

import pytest

from coach.core.spelling import Key, key_of, octave_of, pitch_class, place_name, spell, spelt

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
