"""Strings and frets where the score gives none: one note a string, open basses open in first position."""

from dataclasses import replace

import numpy as np

from coach.core.score import make_score
from coach.core.strings import assign_strings
from tests.scores import piece


def bare(score, keep=()):
    """The score without places, but for the rows to keep."""
    notes = score.notes.copy()
    drop = np.array([row not in keep for row in range(len(notes))])
    notes["string"][drop], notes["fret"][drop] = 0, -1
    return replace(score, notes=make_score(notes, score.bars).notes)


def places(score):
    return [(int(n["string"]), int(n["fret"])) for n in score.notes]


def test_open_basses_stay_open():
    score, impossible = assign_strings(bare(piece("4/4", "E2 1, A2 1, D3 1, A2 1")))
    assert places(score) == [(6, 0), (5, 0), (4, 0), (5, 0)]
    assert impossible == ()


def test_a_first_position_scale():
    # C major from the open A string up, in first position (common practice, no source).
    score, _ = assign_strings(bare(piece("4/4", "", "C3 1, D3 1, E3 1, F3 1, G3 1, A3 1, B3 1, C4 1")))
    assert places(score) == [(5, 3), (4, 0), (4, 2), (4, 3), (3, 0), (3, 2), (2, 0), (2, 1)]


def test_no_string_is_used_twice_at_once_and_what_is_held_is_left_alone():
    score, impossible = assign_strings(bare(piece("4/4", "C3 4", "E3+G3 2, E4+C4 2")))
    assert impossible == ()
    for onset in set(score.notes["onset"].tolist()):
        strings = score.notes["string"][score.notes["onset"] == onset].tolist()
        assert len(set(strings)) == len(strings)
    assert 5 not in [int(n["string"]) for n in score.notes if n["pitch"] != 48]


def test_what_the_score_gives_wins():
    given = piece("4/4", "A2@6 2, D3 2")  # the A on the sixth string, fifth fret
    score, _ = assign_strings(bare(given, keep=(0,)))
    assert places(score)[0] == (6, 5)


def test_notes_with_no_place_are_named():
    low = bare(piece("4/4", "E2 2, E2 2"))
    notes = low.notes.copy()
    notes["pitch"][1] = 39  # below the lowest string
    score, impossible = assign_strings(replace(low, notes=make_score(notes, low.bars).notes))
    assert impossible == (1,)
    assert places(score)[1] == (0, -1)
    # Two notes that only the sixth string has.
    notes = low.notes.copy()
    notes["onset"][1], notes["pitch"][1] = 0, 41
    _, impossible = assign_strings(replace(low, notes=make_score(notes, low.bars).notes))
    assert len(impossible) == 1


def test_a_note_written_in_two_voices_is_one_stroke_on_one_string():
    score, impossible = assign_strings(bare(piece("4/4", "A3 2, D3 2", "A3 1, C4 1, D4 2")))
    assert impossible == ()
    first, second = places(score)[:2]
    assert first == second == (3, 2)
    # Where the score names two strings, two it is.
    both = piece("4/4", "B3@3 2", "B3@2 2")
    score, _ = assign_strings(both)
    assert {s for s, _ in places(score)} == {2, 3}
