"""The spelling of the score: read, kept, and followed in naming chords.  Small invented scores."""

from dataclasses import replace

import numpy as np
import pytest

from coach.core.chords import readings
from coach.core.harmony import analyse
from coach.core.scales import melody_scale
from coach.core.spelling import LINE, Key, pitch_class, place_name, written_places
from coach.files.xml_attributes import fifths_of
from tests import xml_scores
from tests.scores import piece
from tests.xml_scores import GUITAR_CLEF, OCTAVE_DOWN, PLAIN_CLEF, attributes, note

C, A_MINOR = Key(0), Key(3, True)


def place_of(name):
    """Return the place on the line of fifths of a name such as ``G#4`` or ``Bb``."""
    return LINE.index(name[0]) - 1 + 7 * (name.count("#") - name.count("b"))


def spelt(meter, bass, melody="", **rest):
    """Return a score of ``piece`` that is spelt as its notes are written in the text."""
    score = piece(meter, bass, melody, **rest)
    names = [
        name
        for line in (bass, melody)
        for item in line.split(",")
        if item.strip() and not item.strip().startswith("-")
        for name in item.split()[0].split("+")
    ]
    assert len(names) == len(score.ids)
    return replace(score, places=tuple(place_of(name) for name in names))


def names_of(score):
    harmony = analyse(score)
    return [" | ".join(str(c.name) for c in harmony.in_bar(bar)) for bar in range(len(score.bars))]


# --- the reader ----------------------------------------------------------------------------------------


def read(more=GUITAR_CLEF, notes=("G#3", "Ab3", "B#3", "Fb4", "E4")):
    first = attributes(more=more) + "".join(note(name, 1) for name in notes[:4])
    return xml_scores.read(first, note(notes[4], 4)).score


def names(score):
    return " ".join(place_name(place) for place in score.places)


def test_the_reader_keeps_step_and_alteration():
    score = read()
    assert names(score) == "G♯ A♭ B♯ F♭ E"
    assert score.notes["pitch"].tolist()[:2] == [56, 56]
    assert [score.places[written] for written in score.notes["written"]] == [8, -4, 12, -8, 4]


def test_octave_clefs_and_octave_transpositions_leave_the_spelling():
    down = "<transpose><diatonic>-7</diatonic><chromatic>-12</chromatic></transpose>"
    high = ("G#4", "Ab4", "B#4", "Fb5", "E5")
    for more in (PLAIN_CLEF, PLAIN_CLEF + down, PLAIN_CLEF + OCTAVE_DOWN):
        score = read(more, high)
        assert names(score) == "G♯ A♭ B♯ F♭ E"
        assert int(score.notes["pitch"][0]) == 56


def test_a_transposition_moves_the_spelling():
    # Written a minor third higher than it sounds: G♯ sounds E♯, A♭ sounds F.
    steps = "<transpose><diatonic>-2</diatonic><chromatic>-3</chromatic></transpose>"
    assert names(read(GUITAR_CLEF + steps)) == "E♯ F G♯♯ D♭ C♯"


def test_a_transposition_that_tells_no_steps_leaves_the_spelling_unknown():
    assert read(GUITAR_CLEF + "<transpose><chromatic>-3</chromatic></transpose>").places == ()


@pytest.mark.parametrize(
    ("semitones", "steps", "fifths"),
    [
        (-2, -1, -2), (3, 2, -3), (-3, -2, 3), (-1, -1, 5), (1, 1, -5), (1, 0, 7), (7, 4, 1), (-14, -8, -2),
        (0, 0, 0), (-12, -7, 0), (-12, 0, 0), (24, None, 0), (2, None, None), (2, 4, None),
    ],
)  # fmt: skip
def test_transpositions_on_the_line_of_fifths(semitones, steps, fifths):
    # A whole tone down is two fifths down (C, B♭), a minor third up three (C, E♭), an octave none.
    assert fifths_of(semitones, steps) == fifths


def test_a_spelling_that_does_not_fit_the_pitches_is_not_followed():
    score = spelt("4/4", "A2 4", "C4 2, E4 2")
    assert written_places(score) == [3, 0, 4]
    moved = score.notes.copy()
    moved["pitch"] += 1
    assert written_places(replace(score, notes=moved)) == []
    assert written_places(replace(score, places=(3, 0))) == []
    assert written_places(piece("4/4", "A2 4")) == []


# --- naming --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("notes", "key", "name"),
    [
        # The same four pitches, as stacks of minor thirds.
        ("B D F G#", C, "G♯°7/B"), ("B D F Ab", C, "B°7"), ("B D E# G#", C, "E♯°7/B"),
        ("D# F# A C", C, "D♯°7"), ("Eb F# A C", C, "F♯°7/E♭"), ("C D# F# A", C, "D♯°7/C"),
        ("B# D# F# A", C, "B♯°7"),
        # Three notes of one, the fifth or third left out.
        ("D# A C", C, "D♯°7"), ("B# D# A", Key(3), "B♯°7"),
        # A diminished triad is one where it is spelt so.
        ("A C Eb", Key(1), "A°"), ("A C D#", Key(1), "D♯°7/A"),
        ("C E G#", A_MINOR, "C+"), ("C E Ab", A_MINOR, "A♭+/C"), ("B# E G#", A_MINOR, "E+/B♯"),
        ("Db F Ab", Key(7), "D♭"), ("C# E# G#", Key(-5), "C♯"),
    ],
)  # fmt: skip
def test_roots_are_spelt_as_written(notes, key, name):
    written = {pitch_class(place_of(one)): place_of(one) for one in notes.split()}
    weights = np.bincount(list(written), minlength=12).astype(float)
    found = readings(weights, next(iter(written)), key, written=written)
    assert [one.name for one in found] == [name]


def test_the_leading_note_chord_of_what_follows():
    # C major, turning to A minor: B, D, F and G♯ lead there, whatever lies lowest.
    score = spelt(
        "4/4",
        "C3 4, G2 4, C3 2, B2 2, A2 4, E2 4, A2 4, E2 4, A2 4",
        "E4+G4 4, D4+F4 4, E4+G4 2, D4+F4+G#4 2, C4+E4+A4 4, B3+D4+G#4 4, C4+E4+A4 4, B3+D4+G#4 4, "
        "A3+C4+E4 4",
    )
    assert names_of(score)[2] == "C | G♯°7/B"
    chord = analyse(score).in_bar(2)[1]
    assert chord.roman in ("viio65", "viio65/vi")


def test_the_bar_before_a_new_key_belongs_to_it_when_its_chord_leads_there():
    # Four bars of C major; then D and D♯ in the bass, under A minor's ii and V's leading-note chord, to E.
    score = spelt(
        "4/4",
        "C3 4, G2 4, C3 4, G2 4, C3 4, D3 2, D#3 2, E3 4, A2 4, D3 4, E3 4, A2 4, E2 4, A2 4",
        "E4+G4 4, B3+F4 4, E4+G4 4, B3+F4 4, E4+G4 4, B3+F4 2, A3+C4+F#4 2, G#3+B3+D4 4, A3+C4 4, F4+A3 4, "
        "G#3+D4 4, C4+E4 4, G#3+B3+D4 4, A3+C4 4",
    )
    harmony = analyse(score)
    assert [key.name for key in harmony.bar_keys][4:7] == ["C major", "A minor", "A minor"]
    assert [c.roman for c in harmony.in_bar(5)] == ["iio6", "viio7/V"]
    assert [c.name for c in harmony.in_bar(5)] == ["B°/D", "D♯°7"]


def test_a_note_is_spelt_as_written_where_its_row_is_given():
    # C♯ goes up to D, D flat down to C: the same pitch over the same chord.
    score = spelt("4/4", "C3 4, C3 4", "E4+G4 2, C#4 1, D4 1, E4+G4 2, Db4 1, C4 1")
    harmony = analyse(score)
    rows = [row for row in score.notes if row["pitch"] == 61]
    told = [harmony.spelt(61, int(r["onset"]), int(r["bar"]), int(r["written"])) for r in rows]
    assert told == ["C♯", "D♭"]
    assert {harmony.spelt(61, int(r["onset"]), int(r["bar"])) for r in rows} == {"C♯"}
    # An index that means another pitch, as in a score made out of the piece, is not followed.
    assert harmony.spelt(62, 0, 0, int(rows[0]["written"])) == "D"


def test_notes_outside_the_scale_are_named_as_written():
    score = spelt("4/4", "", "C4 1, D#4 1, E4 1, F4 1, E4 1, Eb4 1, D4 1, C4 1")
    assert [place_name(place) for place in melody_scale(score, C).outside] == ["E♭", "D♯"]


def test_without_a_spelling_the_key_and_the_chord_decide():
    score = piece("4/4", "A2 4, E2 4, A2 4", "C4+E4 4, Ab3+B3 4, A3+C4 4")
    harmony = analyse(score)
    assert harmony.places == ()
    row = score.notes[score.notes["pitch"] == 56][0]
    assert harmony.spelt(56, int(row["onset"]), 1, int(row["written"])) == "G♯"
