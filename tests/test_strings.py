"""Strings and frets where the score gives none: the optimum, what is given, what is impossible, and why."""

from dataclasses import replace

import numpy as np
import pytest

from coach.core.impossible import Impossible, Why, sentence
from coach.core.pitch import STANDARD, Tuning, parse_name
from coach.core.score import NOTE, TICKS_PER_QUARTER, Bar, make_score
from coach.core.strings import assign_strings
from tests.dice import Dice
from tests.pieces import generated_piece
from tests.scores import piece
from tests.test_etudes import score as etude

Q = TICKS_PER_QUARTER


def bare(score, keep=()):
    """The score without places and fingers, but for the rows to keep."""
    notes = score.notes.copy()
    drop = np.array([row not in keep for row in range(len(notes))])
    notes["string"][drop], notes["fret"][drop] = 0, -1
    notes["finger"][drop], notes["pluck"][drop] = 0, 0
    return replace(score, notes=make_score(notes, score.bars).notes)


def places(score):
    return [(int(n["string"]), int(n["fret"])) for n in score.notes]


def raw(*rows, tuning=STANDARD, bars=4):
    """A score of (onset, length in quarters, pitch name, bass), places unknown."""
    notes = np.zeros(len(rows), NOTE)
    for row, (onset, length, pitch, bass) in enumerate(rows):
        notes[row]["onset"], notes[row]["duration"] = onset * Q, length * Q
        notes[row]["pitch"], notes[row]["bass"] = parse_name(pitch), bass
        notes[row]["fret"], notes[row]["voice"], notes[row]["written"] = -1, 2 if bass else 1, row
    made = tuple(Bar(i + 1, 4 * i * Q, 4 * Q, 4, 4, 0, i) for i in range(bars))
    return make_score(notes, made, tuning=tuning)


# --- what a teacher would write -------------------------------------------------------------------


@pytest.mark.parametrize("number", range(1, 6))
def test_the_etudes_come_out_as_they_are_printed(number):
    # The printed strings and frets are the teacher's answer; all of them, every finger too, are taken off.
    printed = etude(number)
    score, impossible = assign_strings(bare(printed))
    assert impossible == ()
    assert places(score) == places(printed)


def test_open_basses_stay_open():
    score, impossible = assign_strings(bare(piece("4/4", "E2 1, A2 1, D3 1, A2 1")))
    assert places(score) == [(6, 0), (5, 0), (4, 0), (5, 0)]
    assert impossible == ()


def test_a_first_position_scale():
    # C major from the open A string up, in first position (common practice, no source).
    score, _ = assign_strings(bare(piece("4/4", "", "C3 1, D3 1, E3 1, F3 1, G3 1, A3 1, B3 1, C4 1")))
    assert places(score) == [(5, 3), (4, 0), (4, 2), (4, 3), (3, 0), (3, 2), (2, 0), (2, 1)]


def test_a_scale_up_the_first_string_moves_the_hand_once():
    # A4 B4 C5 D5: nothing under fret 5 has them; V to X holds all four without leaving strings 1 and 2.
    score, _ = assign_strings(bare(piece("4/4", "", "A4 1, B4 1, C5 1, D5 1")))
    assert {s for s, _ in places(score)} <= {1, 2}
    frets = [f for _, f in places(score)]
    assert max(frets) - min(frets) <= 5


@pytest.mark.parametrize(
    ("chord", "held"),
    [  # chords of every beginner's first weeks (common practice, no source)
        ("C3+E3+G3+C4+E4", [(5, 3), (4, 2), (3, 0), (2, 1), (1, 0)]),
        ("E2+B2+E3+G3+B3+E4", [(6, 0), (5, 2), (4, 2), (3, 0), (2, 0), (1, 0)]),
        ("A2+E3+A3+C4+E4", [(5, 0), (4, 2), (3, 2), (2, 1), (1, 0)]),
        ("D3+A3+D4+F#4", [(4, 0), (3, 2), (2, 3), (1, 2)]),
        ("G2+B2+D3+G3+B3+G4", [(6, 3), (5, 2), (4, 0), (3, 0), (2, 0), (1, 3)]),
        ("F2+C3+F3+A3+C4+F4", [(6, 1), (5, 3), (4, 3), (3, 2), (2, 1), (1, 1)]),  # the great barre
    ],
)
def test_open_chords_and_a_barre(chord, held):
    score, impossible = assign_strings(bare(piece("4/4", "", f"{chord} 4")))
    assert impossible == ()
    assert places(score) == held


def test_what_should_sound_on_keeps_its_string():
    # E and F over a D that is held: all three are the fourth string's in first position, so the D goes to the
    # fifth string, where one hand has all (little finger on 5, first and second on 2 and 3).
    score, _ = assign_strings(bare(piece("4/4", "D3 4", "- 1, E3 1, F3 2")))
    assert places(score) == [(5, 5), (4, 2), (4, 3)]
    # Where the D is over by then it is open.
    score, _ = assign_strings(bare(piece("4/4", "D3 1, - 3", "- 1, E3 1, F3 2")))
    assert places(score) == [(4, 0), (4, 2), (4, 3)]


def test_a_held_stopped_note_keeps_the_hand():
    # A C held on the fifth string, fret 3: the C above it is taken where the same hand reaches.
    score, _ = assign_strings(bare(piece("4/4", "C3 4", "- 1, G4 1, E4 1, C4 1")))
    assert places(score) == [(5, 3), (1, 3), (1, 0), (2, 1)]


def test_no_string_is_used_twice_at_once_and_what_is_held_is_left_alone():
    score, impossible = assign_strings(bare(piece("4/4", "C3 4", "E3+G3 2, E4+C4 2")))
    assert impossible == ()
    for onset in set(score.notes["onset"].tolist()):
        strings = score.notes["string"][score.notes["onset"] == onset].tolist()
        assert len(set(strings)) == len(strings)
    assert 5 not in [int(n["string"]) for n in score.notes if n["pitch"] != 48]


def test_the_bass_voice_stays_below_the_tune():
    score, _ = assign_strings(bare(generated_piece(seed=4, bars=24)))
    notes = score.notes
    for onset in set(notes["onset"].tolist()):
        here = notes[notes["onset"] == onset]
        bass, tune = here["string"][here["bass"]], here["string"][~here["bass"]]
        assert not len(bass) or not len(tune) or bass.min() > tune.max()


def test_the_places_of_one_pitch():
    # MIDI 64 on a guitar in E2 A2 D3 G3 B3 E4, from the open strings' pitches.
    assert STANDARD.positions(64) == [(1, 0), (2, 5), (3, 9), (4, 14), (5, 19)]


@pytest.mark.parametrize("pitch", range(40, 45))
def test_below_the_open_fifth_string_only_the_sixth_will_do(pitch):
    score = raw((0, 1, "E2", True))
    notes = score.notes.copy()
    notes["pitch"] = pitch
    placed, _ = assign_strings(replace(score, notes=notes))
    assert places(placed) == [(6, pitch - 40)]


def test_other_instruments_and_a_capo():
    baroque = Tuning((64, 59, 55, 50))  # four strings
    score, impossible = assign_strings(raw((0, 1, "D3", True), (1, 1, "E4", False), tuning=baroque))
    assert (places(score), impossible) == ([(4, 0), (1, 0)], ())
    ten = Tuning((64, 59, 55, 50, 45, 40, 38, 36, 35, 33))
    score, impossible = assign_strings(raw((0, 1, "A1", True), (1, 1, "C2", True), tuning=ten))
    assert (places(score), impossible) == ([(10, 0), (8, 0)], ())
    score, _ = assign_strings(raw((0, 1, "F#2", True), (1, 1, "B2", True), tuning=Tuning(capo=2)))
    assert places(score) == [(6, 0), (5, 0)]
    score, _ = assign_strings(raw((0, 1, "D2", True), tuning=Tuning((64, 59, 55, 50, 45, 38))))
    assert places(score) == [(6, 0)]


# --- what is given --------------------------------------------------------------------------------


def test_what_the_score_gives_wins():
    given = piece("4/4", "A2@6 2, D3 2")  # the A on the sixth string, fifth fret
    score, _ = assign_strings(bare(given, keep=(0,)))
    assert places(score)[0] == (6, 5)


def test_given_strings_are_kept_in_drawn_pieces():
    for seed in range(6):
        dice = Dice(f"given {seed}")
        whole = generated_piece(seed=seed, bars=6)
        keep = [row for row in range(len(whole.notes)) if dice.chance(0.3)]
        score, impossible = assign_strings(bare(whole, keep))
        assert impossible == ()
        assert [places(score)[row] for row in keep] == [places(whole)[row] for row in keep]


def test_a_given_finger_says_where_the_hand_is():
    # E4 with the fourth finger is no open string: fret 5 of the second string, the hand in second position.
    score = raw((0, 1, "E4", False), (1, 1, "D4", False))
    notes = score.notes.copy()
    notes["finger"] = [4, 0]
    placed, _ = assign_strings(replace(score, notes=notes))
    assert places(placed) == [(2, 5), (2, 3)]


def test_a_given_fret_without_a_string():
    score = raw((0, 1, "E4", False))
    notes = score.notes.copy()
    notes["fret"] = 9
    placed, _ = assign_strings(replace(score, notes=notes))
    assert places(placed) == [(3, 9)]


def test_a_note_written_in_two_voices_is_one_stroke_on_one_string():
    score, impossible = assign_strings(bare(piece("4/4", "A3 2, D3 2", "A3 1, C4 1, D4 2")))
    assert impossible == ()
    first, second = places(score)[:2]
    assert first == second == (3, 2)
    # Where the score names two strings, two it is.
    both = piece("4/4", "B3@3 2", "B3@2 2")
    score, _ = assign_strings(both)
    assert {s for s, _ in places(score)} == {2, 3}


# --- repeats --------------------------------------------------------------------------------------


def test_a_repeat_is_played_like_the_first_time():
    # One written bar three times; before the third the hand is far up the neck.
    bar = [(0, 1, "E4", False), (1, 1, "F4", False), (2, 2, "A4", False)]
    high = [(8, 1, "A5", False), (9, 1, "B5", False), (10, 2, "A5", False)]
    rows = [*bar, *((on + 4, length, p, b) for on, length, p, b in bar), *high]
    rows += [(on + 12, length, p, b) for on, length, p, b in bar]
    score = raw(*rows)
    notes = score.notes.copy()
    notes["written"] = [0, 1, 2, 0, 1, 2, 3, 4, 5, 0, 1, 2]
    bars = tuple(
        replace(b, written=w, round=r) for b, w, r in zip(score.bars, (0, 0, 1, 0), (1, 2, 1, 3), strict=True)
    )
    placed, _ = assign_strings(replace(score, notes=notes, bars=bars))
    found = places(placed)
    assert found[0:3] == found[3:6] == found[9:12]
    assert found[0:3] == places(assign_strings(raw(*bar))[0])


def test_a_note_struck_in_the_second_round_only_finds_a_free_string():
    score = raw((0, 1, "E4", False), (4, 1, "E4", False), (4, 1, "B3", False))
    notes = score.notes.copy()
    notes["written"] = [0, 1, 0]  # sorted by pitch: B3 before E4 in the second bar
    bars = tuple(replace(b, written=0, round=i + 1) for i, b in enumerate(score.bars))
    placed, impossible = assign_strings(replace(score, notes=notes, bars=bars))
    assert impossible == ()
    assert places(placed) == [(1, 0), (2, 0), (1, 0)]


# --- what is impossible ---------------------------------------------------------------------------


def test_notes_beyond_the_strings_are_named_with_a_remedy():
    score, impossible = assign_strings(raw((2, 1, "D2", True), (2, 1, "E4", False), (5, 1, "D6", False)))
    assert impossible == (Impossible(0, Why.TOO_LOW), Impossible(2, Why.TOO_HIGH))
    assert places(score) == [(0, -1), (1, 0), (0, -1)]
    assert sentence(score, impossible[0]) == (
        "bar 1, beat 3: D2 lies below the lowest string (E2) in this tuning; tune string 6 down to D2"
    )
    assert sentence(score, impossible[1]) == (
        "bar 2, beat 2: D6 lies above the last fret (20) of every string; "
        "play it an octave lower, or as a harmonic"
    )


def test_two_notes_on_one_string_name_each_other():
    score, impossible = assign_strings(raw((1, 1, "E2", True), (1, 1, "F2", False), (1, 1, "E4", False)))
    assert impossible == (Impossible(1, Why.NO_STRING, other=0, string=6),)
    assert places(score) == [(6, 0), (0, -1), (1, 0)]
    assert sentence(score, impossible[0]) == (
        "bar 1, beat 2: F2 has no string left: string 6 plays E2; "
        "leave one of the two out, or play them one after the other"
    )


def test_three_notes_on_two_strings():
    # E2, F2 and A♯2: the last has the fifth string, one of the others has none.
    _, impossible = assign_strings(raw((0, 1, "E2", True), (0, 1, "F2", False), (0, 1, "A#2", False)))
    assert [(one.row, one.why) for one in impossible] == [(1, Why.NO_STRING)]


def test_what_no_hand_can_hold():
    # F2 is fret 1 of the sixth string and nothing else; the nearest C5 is at fret 8.
    score, impossible = assign_strings(raw((0, 1, "F2", True), (0, 1, "C5", False)))
    assert [(one.row, one.why) for one in impossible] == [(1, Why.NO_REACH)]
    assert "out of the hand's reach" in sentence(score, impossible[0])


def test_a_given_place_that_does_not_exist():
    score = raw((0, 1, "E2", True), (1, 1, "A2", True))
    notes = score.notes.copy()
    notes["string"] = [1, 0]
    placed, impossible = assign_strings(replace(score, notes=notes))
    assert impossible == (Impossible(0, Why.GIVEN, string=1),)
    assert places(placed) == [(0, -1), (5, 0)]
    assert sentence(placed, impossible[0]).startswith("bar 1, beat 1: E2 is not to be had at string 1")


def test_an_impossible_note_that_is_repeated_is_named_each_time():
    score = raw((0, 1, "E2", True), (0, 1, "F2", False), (4, 1, "E2", True), (4, 1, "F2", False))
    notes = score.notes.copy()
    notes["written"] = [0, 1, 0, 1]
    bars = tuple(replace(b, written=0, round=i + 1) for i, b in enumerate(score.bars))
    _, impossible = assign_strings(replace(score, notes=notes, bars=bars))
    assert [(one.row, one.other) for one in impossible] == [(1, 0), (3, 2)]


def test_nothing_at_all():
    score = raw(bars=1)
    assert assign_strings(score) == (score, ())


def test_never_raises_on_noise():
    for seed in range(30):
        dice = Dice(f"noise {seed}")
        tuning = dice.one_of([STANDARD, Tuning((67, 60, 64, 69)), Tuning((64, 59, 55, 50, 45, 38), 3)])
        rows = [
            (
                dice.one_of(range(6)),
                dice.one_of([0, 1, 3]),
                dice.one_of(["C1", "E2", "G2", "C3", "E4", "B5"]),
                dice.chance(0.3),
            )
            for _ in range(14)
        ]
        score = raw(*rows, tuning=tuning)
        notes = score.notes.copy()
        for row in range(len(notes)):
            notes["string"][row] = dice.one_of([0, 0, 0, 1, 6, 9])
            notes["fret"][row] = dice.one_of([-1, -1, 0, 5, 30])
            notes["finger"][row] = dice.one_of([0, 0, 1, 4, 7])
            notes["grace"][row] = dice.chance(0.1)
        placed, impossible = assign_strings(replace(score, notes=make_score(notes, score.bars).notes))
        gone = {one.row for one in impossible}
        assert all((string == 0) == (row in gone) for row, (string, _) in enumerate(places(placed)))
        assert all(sentence(placed, one) for one in impossible)
