"""Naming chords.  Templates and their identities are common practice (any harmony primer)."""

import numpy as np
import pytest

from coach.core.chords import QUALITIES, readings
from coach.core.numerals import degree, numeral
from coach.core.pitch import parse_name
from coach.core.spelling import Key, pitch_class

C, A_MINOR, E_MINOR, D_MINOR, G = Key(0), Key(3, True), Key(4, True), Key(2, True), Key(1)


def read(notes, key, to=None):
    """Return the (name, numeral) pairs of notes written from the bass up, each as long as the others."""
    pitches = [parse_name(f"{name}4") % 12 for name in notes.split()]
    found = readings(np.bincount(pitches, minlength=12).astype(float), pitches[0], key, to)
    return [(one.name, one.roman) for one in found]


def classes(root, quality):
    return {(root + step) % 12 for step in QUALITIES[quality][0]}


def test_templates():
    steps = {quality: semitones for quality, (semitones, _) in QUALITIES.items()}
    assert steps == {
        "": (0, 4, 7), "m": (0, 3, 7), "°": (0, 3, 6), "+": (0, 4, 8), "7": (0, 4, 7, 10),
        "maj7": (0, 4, 7, 11), "m7": (0, 3, 7, 10), "m7♭5": (0, 3, 6, 10), "°7": (0, 3, 6, 9),
        "m6": (0, 3, 7, 9), "6": (0, 4, 7, 9), "sus4": (0, 5, 7), "sus2": (0, 2, 7), "5": (0, 7),
    }  # fmt: skip


def test_the_spelling_of_a_template_sounds_as_the_template():
    for semitones, places in QUALITIES.values():
        assert tuple(pitch_class(place) for place in places) == semitones


def test_identities_of_templates():
    for root in range(12):
        assert classes(root, "m7♭5") == classes(root + 3, "m6")
        assert classes(root, "m7") == classes(root + 3, "6")
        assert classes(root, "sus4") == classes(root + 5, "sus2")
        assert all(classes(root, "°7") == classes(root + 3 * k, "°7") for k in range(4))
        assert all(classes(root, "+") == classes(root + 4 * k, "+") for k in range(3))


@pytest.mark.parametrize(
    ("notes", "key", "name", "roman"),
    [
        # A minor, over its own notes and the raised leading note.
        ("A C E", A_MINOR, "Am", "i"), ("C E A", A_MINOR, "Am/C", "i6"), ("E A C", A_MINOR, "Am/E", "i64"),
        ("B D F", A_MINOR, "B°", "iio"), ("C E G", A_MINOR, "C", "III"), ("C E G#", A_MINOR, "C+", "III+"),
        ("D F A", A_MINOR, "Dm", "iv"), ("E G# B", A_MINOR, "E", "V"), ("E G B", A_MINOR, "Em", "v"),
        ("F A C", A_MINOR, "F", "VI"), ("G B D", A_MINOR, "G", "VII"), ("G# B D", A_MINOR, "G♯°", "viio"),
        ("B D G#", A_MINOR, "G♯°/B", "viio6"), ("E G# B D", A_MINOR, "E7", "V7"),
        ("G# B D E", A_MINOR, "E7/G♯", "V65"), ("B D E G#", A_MINOR, "E7/B", "V43"),
        ("D E G# B", A_MINOR, "E7/D", "V42"), ("G# B D F", A_MINOR, "G♯°7", "viio7"),
        ("Bb D F", A_MINOR, "B♭", "N"), ("D F Bb", A_MINOR, "B♭/D", "N6"), ("A C# E", A_MINOR, "A", "I"),
        ("A C# E G", A_MINOR, "A7", "V7/iv"), ("B D# F# A", A_MINOR, "B7", "V7/V"),
        ("D# F# A C", A_MINOR, "D♯°7", "viio7/V"), ("F A C E", A_MINOR, "Fmaj7", "VI7"),
        # C major and what it borrows.
        ("C E G", C, "C", "I"), ("G C E", C, "C/G", "I64"), ("D F A", C, "Dm", "ii"),
        ("B D F", C, "B°", "viio"),
        ("B D F A", C, "Bm7♭5", "vii%7"), ("C E G B", C, "Cmaj7", "I7"), ("G B D F", C, "G7", "V7"),
        ("D F# A C", C, "D7", "V7/V"), ("F# A C D", C, "D7/F♯", "V65/V"), ("E G# B", C, "E", "V/vi"),
        ("E G# B D", C, "E7", "V7/vi"), ("A C# E G", C, "A7", "V7/ii"), ("C E G Bb", C, "C7", "V7/IV"),
        ("F# A C Eb", C, "F♯°7", "viio7/V"), ("C# E G", C, "C♯°", "viio/ii"),
        ("F# A C E", C, "F♯m7♭5", "vii%7/V"),
        ("Ab C Eb", C, "A♭", "bVI"), ("Bb D F", C, "B♭", "bVII"), ("F Ab C", C, "Fm", "iv"),
        ("Db F Ab", C, "D♭", "N"), ("F Ab Db", C, "D♭/F", "N6"), ("G C D", C, "Gsus4", "Vsus4"),
        # The leading notes of other minor keys.
        ("B D# F#", E_MINOR, "B", "V"), ("D# F# A", E_MINOR, "D♯°", "viio"),
        ("C# E G", D_MINOR, "C♯°", "viio"),
        ("F# B D#", E_MINOR, "B/F♯", "V64"), ("E A C#", D_MINOR, "A/E", "V64"),
    ],
)  # fmt: skip
def test_names_and_numerals(notes, key, name, roman):
    assert read(notes, key)[0] == (name, roman)


@pytest.mark.parametrize(
    ("notes", "key", "both"),
    [
        ("D F A B", A_MINOR, [("Bm7♭5/D", "ii%65"), ("Dm6", "ivadd6")]),
        ("A C E F#", E_MINOR, [("F♯m7♭5/A", "ii%65"), ("Am6", "ivadd6")]),
        ("F A C D", C, [("Dm7/F", "ii65"), ("F6", "IVadd6")]),
        # On its own bass, a tonic or dominant with a sixth added stays tonic or dominant.
        ("C E G A", C, [("C6", "Iadd6"), ("Am7/C", "vi65")]),
        # A half-diminished seventh on the second degree is the subdominant with its sixth, on any bass.
        ("B D F A", A_MINOR, [("Bm7♭5", "ii%7"), ("Dm6/B", "ivadd6")]),
        ("F A B D", A_MINOR, [("Bm7♭5/F", "ii%43"), ("Dm6/F", "ivadd6")]),
        ("D F A B", C, [("Bm7♭5/D", "vii%65"), ("Dm6", "iiadd6")]),
        # Where no spelling tells: a diminished seventh by function, then by its bass, spelt as in the first.
        ("D F G# B", A_MINOR, [("G♯°7/D", "viio43"), ("D°7", "ivo7")]),
    ],
)
def test_both_names_of_the_same_notes(notes, key, both):
    assert read(notes, key) == both


@pytest.mark.parametrize(
    ("notes", "key"),
    [
        ("A C E", A_MINOR), ("E G# B D", A_MINOR),
        # No teacher calls these sixth chords: the sixth chord's root is not the bass.
        ("A C E G", C), ("E G A C", C), ("G A C E", C), ("D F A C", C), ("B D F A", C), ("F A B D", C),
        # A suspended chord is named from its bass.
        ("C D G", C), ("G C D", C),
    ],
)  # fmt: skip
def test_one_name_where_one_is_enough(notes, key):
    assert len(read(notes, key)) == 1


@pytest.mark.parametrize(
    ("notes", "key", "name"),
    [
        ("A C", A_MINOR, "Am"), ("A", A_MINOR, "Am"), ("E", A_MINOR, "E"), ("E B", A_MINOR, "E"),
        ("D", A_MINOR, "Dm"), ("D A", C, "Dm"), ("F A", C, "F"), ("G D", C, "G"), ("B F", C, "B°"),
        ("G F", C, "G7"), ("E C#", D_MINOR, "C♯°/E"), ("E G", D_MINOR, "E°"),
    ],
)  # fmt: skip
def test_one_or_two_notes_are_filled_from_the_key(notes, key, name):
    assert read(notes, key)[0][0] == name


def test_a_chromatic_fifth_takes_the_third_of_the_key():
    # F♯ and C♯ in C major: A belongs to the key, A♯ does not.
    assert read("F# C#", C)[0] == ("F♯m", "#iv")


def test_nothing_sounds():
    assert readings(np.zeros(12), -1, C) == ()


def test_a_cluster_has_no_name():
    assert readings(np.ones(12), 0, C) == ()


def test_heavier_notes_decide():
    weights = np.zeros(12)
    weights[[9, 0, 4]], weights[11] = 3.0, 0.5  # A, C, E long; a short B
    assert readings(weights, 9, A_MINOR)[0].name == "Am"


def test_a_bass_outside_the_chord_is_named():
    weights = np.zeros(12)
    weights[[7, 11, 2, 5]], weights[0] = 2.0, 1.0  # G7 over a held C
    found = readings(weights, 0, C)[0]
    assert (found.name, found.roman, found.inversion) == ("G7/C", "V7", 0)


def test_a_reading_spells_its_notes():
    assert readings(np.bincount([4, 8, 11, 2], minlength=12) * 1.0, 8, A_MINOR)[0].places == (4, 8, 5, 2)


def test_what_follows_names_the_dominant():
    # A major and G7 belong to A minor as they are; before D minor and C they lead there.
    assert read("A C# E", A_MINOR, to=2)[0][1] == "V/iv"
    assert read("G B D F", A_MINOR, to=None)[0][1] == "VII7"
    assert read("G B D F", A_MINOR, to=0)[0][1] == "V7/III"
    assert read("F A C Eb", A_MINOR, to=4)[0][1] == "Ger65"
    assert read("F A C Eb", A_MINOR, to=None)[0][1] == "VI7"


def test_degrees_carry_their_accidentals():
    major = [degree(place, C) for place in (0, 2, 4, -1, 1, 3, 5, -2, -3, -4, -5, 6, 7)]
    assert " ".join(major) == "I II III IV V VI VII bVII bIII bVI bII #IV #I"
    minor = [degree(place, A_MINOR) for place in (3, 5, 0, 2, 4, -1, 1, 6, 8, -2)]
    assert " ".join(minor) == "I II III IV V VI VII #VI #VII bII"
    assert numeral(8, "°", 0, A_MINOR) == "viio"
