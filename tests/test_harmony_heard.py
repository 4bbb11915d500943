"""What is heard as a chord, over which bass: too little evidence, broken basses, pedals, leaning notes.

Textbook cases, common practice; the scores are invented.
"""

from dataclasses import replace

import pytest

from coach.core.figuration import weigh_notes
from coach.core.harmony import analyse
from coach.core.score import make_score
from tests.scores import piece

CLOSE = ", G2 4, C3 4", ", B3+F4 4, C4+E4 4"  # settles C major after a bar in question


def told(score):
    """Return the bars' chords as ``name numeral``, a bar's parts divided by a line."""
    harmony = analyse(score)
    bars = (harmony.in_bar(bar) for bar in range(len(score.bars)))
    return [" | ".join(f"{c.name} {c.roman}" if c.readings else "-" for c in bar) for bar in bars]


def signed(score, fifths, mode=""):
    return make_score(score.notes, tuple(replace(b, fifths=fifths) for b in score.bars), mode=mode)


# --- too little to tell --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bass", "tune", "pickup", "first"),
    [
        ("- 1, C3 4", "G3 1, C4+E4 4", "1", "-"),  # one note
        ("G2 1, C3 4", "- 1, C4+E4 4", "1", "-"),  # one note, though it be a bass
        ("- 1, C3 4", "A3 1/2, B3 1/2, C4+E4 4", "1", "-"),  # two without a bass
        ("- 1, C3 4", "B3+D4 1, C4+E4 4", "1", "-"),
        ("G2 1, C3 4", "B3 1, C4+E4 4", "1", "G V"),  # a bass and its third
        ("- 1, C3 4", "B3+D4+F4 1, C4+E4 4", "1", "B° viio"),  # three without a bass
    ],
)
def test_a_pickup_of_a_note_or_two_has_no_chord(bass, tune, pickup, first):
    score = piece("4/4", bass + CLOSE[0], tune + CLOSE[1], pickup=pickup)
    harmony = analyse(score)
    assert told(score)[0] == first
    assert len(harmony.chords) == len(score.bars)  # there is one without a name
    if first == "-":
        assert (harmony.chords[0].readings, harmony.chords[0].classes) == ((), frozenset())


def test_a_tune_alone_has_a_key_and_a_scale_but_no_chords():
    harmony = analyse(piece("3/4", "", "C4 1, E4 1, G4 1, F4 1, D4 1, B3 1, C4 3"))
    assert harmony.chords == ()
    assert (harmony.key.name, harmony.scale.name) == ("C major", "C major")


def test_a_scale_has_no_chords_though_its_low_notes_be_marked_as_bass():
    scale = piece("4/4", "", "E3 1, F3 1, G3 1, A3 1, B3 1, C4 1, D4 1, E4 1, D4 1, C4 3")
    notes = scale.notes.copy()
    notes["bass"] = notes["pitch"] < 55
    assert analyse(make_score(notes, scale.bars)).chords == ()


def test_basses_alone_keep_their_chords_and_so_does_a_tune_over_them():
    assert told(piece("4/4", "C3 4, G2 4, C3 4")) == ["C I", "G V", "C I"]
    assert told(piece("4/4", "C3 4, G2 4, C3 4", "E4 4, D4 4, C4 4")) == ["C I", "G V", "C I"]


def test_notes_that_sound_together_are_no_tune_alone():
    assert told(piece("4/4", "", "C4+E4+G4 4, G3+B3+F4 4, C4+E4 4")) == ["C I", "G7 V7", "C I"]


def test_a_bar_of_tune_alone_between_has_a_chord_only_if_it_is_a_broken_one():
    run = "C4+E4 4, C5 1/2, B4 1/2, A4 1/2, G4 1/2, F4 1/2, E4 1/2, D4 1/2, C4 1/2"
    assert told(piece("4/4", "C3 4, - 4" + CLOSE[0], run + CLOSE[1]))[1] == "-"
    broken = "C4+E4 4, G3 1, B3 1, D4 1, F4 1"
    assert told(piece("4/4", "C3 4, - 4" + CLOSE[0], broken + CLOSE[1]))[1] == "G7 V7"
    two = "C4+E4 4, C4 1, E4 1, C4 1, E4 1"
    assert told(piece("4/4", "C3 4, - 4" + CLOSE[0], two + CLOSE[1]))[1] == "-"


# --- the bass ------------------------------------------------------------------------------------------


def test_a_bass_broken_upwards_does_not_turn_the_chord_round():
    score = piece("3/4", "C3 1, G3 1, E3 1, G2 1, B2 1, D3 1, C3 3", "E4 3, D4 3, E4 3")
    assert told(score) == ["C I", "G V", "C I"]
    late = piece("4/4", "- 1/2, C3 1/2, G3 1, - 1/2, C3 1/2, E3 1" + CLOSE[0], "E4 2, G4 2" + CLOSE[1])
    assert told(late)[0] == "C I"


def test_an_inversion_is_kept_under_later_basses():
    score = piece("4/4", "E3 1, G3 1, C3 1, G3 1" + CLOSE[0], "C4 2, E4 2" + CLOSE[1])
    assert told(score)[0] == "C/E I6"


def test_the_close_comes_to_rest_on_its_last_bass():
    # The last chord broken downwards, the root last.
    score = piece("2/4", "C3 2, G2 2, - 1/2, E3 1/2, C3 1", "E4 2, B3+F4 2, C4 1/2, G3 1/2, E4 1")
    assert told(score)[-1] == "C I"
    # Struck at its beginning, before the end: the first stands.
    score = piece("2/4", "E3 1, C3 1, G2 2, C3 2", "C4+G4 1, G4 1, B3+F4 2, C4+E4 2")
    assert told(score)[0] == "C/E I6"


def test_a_bass_that_enters_in_the_middle_does_not_turn_the_bar_round():
    score = piece("4/4", "- 2, G3 1, E3 1" + CLOSE[0], "C4 1, E4 1, G4 1, C4 1" + CLOSE[1])
    assert told(score)[0] == "C I"


@pytest.mark.parametrize(
    ("tune", "name"),
    [
        ("B3+F4 2, D4+G4 2", "G7/C V7"),
        ("B3+D4 2, B3+G4 2", "G/C V"),
        ("B3+D4 2, B3+F4 2", "B°/C viio"),
        ("E4+G4 2, C4+G4 2", "C I"),  # no dominant above: the tonic itself
    ],
)
def test_a_dominant_over_a_tonic_that_stays(tune, name):
    score = piece("4/4", "C3 4, C3 4, C3 4, G2 4, C3 4", f"C4+E4 4, {tune}, C4+E4 4, B3+F4 4, C4+E4 4")
    assert told(score)[1] == name


def test_a_seventh_that_is_no_dominant_is_no_pedal():
    # The third of the tonic sounds with its seventh, and the bass goes elsewhere.
    score = piece("4/4", "C3 4, F3 4" + CLOSE[0], "E4+G4+B4 4, F4+A4 4" + CLOSE[1])
    assert told(score)[0] == "Cmaj7 I7"


# --- leaning notes -------------------------------------------------------------------------------------


def test_a_suspension_that_resolves_within_its_bar_over_a_broken_bass():
    # D, held over from the bar before, resolves to C♯ over A, E in the bass; the bass enters after it.
    score = piece(
        "4/4",
        "- 1/2, G2 1/2, D3 1, - 1/2, G2 1/2, D3 1, - 1/2, A2 1/2, E3 1, - 1/2, A2 1/2, E3 1, D3 4",
        "B3 2, D4 2, D4 3/2, C#4 1/2, E4 1, A3 1, D4+F#4 4",
    )
    assert told(signed(score, 2)) == ["G IV", "A V", "D I"]


def test_the_seventh_of_the_tonic_leans_on_its_octave_or_sixth():
    # B up to C and, over a bass broken upwards, B down to A and C to B: no major seventh.
    up = piece("4/4", "C3 1, G3 1, E3 1, G3 1" + CLOSE[0], "B3 1, C4 1, E4 1, C4 1" + CLOSE[1])
    assert told(up)[0] == "C I"
    no_bass = piece("2/4", "- 1, G3 1, G2 2, C3 2", "B3 1/2, C4 1/2, E4 1/2, C4 1/2, B3+F4 2, C4+E4 2")
    assert told(no_bass)[0] == "C I"


def test_a_note_with_a_lower_neighbour_does_not_lean():
    # F, E, F over C is a fourth with its neighbour; F, E alone is a fourth that resolves.
    def weights(tune):
        score = piece("4/4", "C3 4", tune)
        own = weigh_notes(score).own
        return {int(n["onset"]): w for n, w in zip(score.notes, own, strict=True) if not n["bass"]}

    turning, leaning = weights("F4 1, E4 1/2, F4 5/2"), weights("F4 1, E4 1/2, C4 5/2")
    assert leaning[0] == pytest.approx(turning[0] / 2)
    quarter = 10_080
    assert turning[quarter] < leaning[quarter]  # what it resolves to counts


def test_inner_notes_of_chords_may_lean_too():
    # F over C in an inner part, held over and resolved, with G above it.
    score = piece("4/4", "F3 4, C3 4" + CLOSE[0], "F4+A4 4, F4+G4 2, E4+G4 2" + CLOSE[1])
    assert told(score)[1] == "C I"


def test_notes_of_a_struck_chord_do_not_pass():
    # G♯ and B move by step between two chords of A minor, but E stays: a dominant.
    score = piece("3/4", "A2 2, E2 1, A2 3", "A3+C4+E4 2, G#3+B3+E4 1, A3+C4+E4 3")
    own = weigh_notes(score).own
    assert own[score.notes["pitch"] == 56] == pytest.approx(1.0)
