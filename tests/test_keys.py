"""Key finding.  Check values: Krumhansl and Kessler 1982's profiles as printed in Krumhansl 1990, p. 30."""

import numpy as np
import pytest

from coach.core.keys import KEYS, MAJOR, MINOR, bar_keys, correlations, find_key, rank_keys, rank_score, weigh
from coach.core.score import make_score
from coach.core.spelling import Key
from tests.scores import Q, piece

C, G, A_MINOR, E, A = Key(0), Key(1), Key(3, True), Key(4), Key(3)


def vector(*pitches):
    return np.bincount([p % 12 for p in pitches], minlength=12).astype(float)


def signed(score, fifths, mode=""):
    """Return a score under another signature, with its mode stated."""
    from dataclasses import replace

    bars = tuple(replace(bar, fifths=fifths) for bar in score.bars)
    return make_score(score.notes, bars, tuning=score.tuning, mode=mode)


def r_of(weights, key):
    return next(found.r for found in rank_keys(weights) if found.key == key)


def test_the_profiles_are_the_printed_ones():
    # Krumhansl 1990, p. 30; the sums were added by hand from that table.
    assert sum(MAJOR) == pytest.approx(41.79)
    assert sum(MINOR) == pytest.approx(44.51)
    assert (MAJOR[0], MAJOR[7], MINOR[3]) == (6.35, 5.19, 5.38)


@pytest.mark.parametrize(
    ("other", "r"),
    [(A_MINOR, 0.650), (G, 0.591), (Key(0, True), 0.512), (Key(6), -0.683)],
    ids=lambda x: str(x),
)
def test_how_near_c_major_other_profiles_lie(other, r):
    # Correlations between the profiles of Krumhansl and Kessler 1982 (their table of key distances).
    assert r_of(np.array(MAJOR), other) == pytest.approx(r, abs=0.0006)


@pytest.mark.parametrize(
    ("notes", "best"),
    [
        # Pearson's r computed from the printed profiles, one of each note of the passage.
        ((0, 2, 4, 5, 7, 9, 11), [(C, 0.756), (A_MINOR, 0.712), (G, 0.677)]),
        ((9, 11, 0, 2, 4, 5, 8), [(A_MINOR, 0.687), (Key(-1), 0.392), (C, 0.382), (Key(2, True), 0.378)]),
        ((9, 0, 4, 2, 5, 9, 4, 8, 11, 2, 9, 0, 4), [(A_MINOR, 0.874), (A, 0.647)]),
        ((4, 8, 11), [(E, 0.834)]),
    ],
)
def test_passages_are_ranked(notes, best):
    found = rank_keys(vector(*notes))
    assert [one.key for one in found[: len(best)]] == [key for key, _ in best]
    assert [one.r for one in found[: len(best)]] == pytest.approx([r for _, r in best], abs=0.0006)


def test_silence_points_nowhere():
    assert not correlations(np.zeros(12)).any()
    assert not correlations(np.ones((2, 12))).any()


def test_notes_weigh_by_their_length():
    score = piece("4/4", "A2 3, E2 1", "C4 4")
    assert weigh(score)[[9, 4, 0]].tolist() == [3 * Q, Q, 4 * Q]
    assert weigh(score, 2 * Q, 3 * Q)[[9, 4, 0]].tolist() == [Q, 0, Q]


# --- the key of a piece --------------------------------------------------------------------------------


def test_the_signature_settles_what_few_notes_leave_open():
    score = piece("4/4", "A2 2, D3 2, E2 2, A2 2")
    assert find_key(signed(score, 0)) == A_MINOR
    assert find_key(signed(score, 3)) == A
    assert find_key(signed(score, 0, "minor")) == A_MINOR


def test_a_tune_alone_without_bass():
    tune = piece("3/4", "", "E4 1, F4 1, G4 1, A4 1, G4 1, F4 1, E4 1, D4 2, C4 3")
    assert find_key(tune) == C
    lament = piece("3/4", "", "A4 1, G4 1, F4 1, E4 2, G#4 1, A4 3")
    assert find_key(lament) == A_MINOR


def test_a_stated_mode_settles_major_or_minor():
    # Nothing but A, C and E and a G between them, and at the end the third that both keys share.
    score = piece("4/4", "", "C4 1, A3 1, E4 1, C4 1, A3 1, G3 1, C4 1, E4 1, C4+E4 4")
    assert find_key(signed(score, 0, "major")) == C
    assert find_key(signed(score, 0, "minor")) == A_MINOR


def test_notes_may_flatly_contradict_the_stated_mode():
    # Programs write "major" beside every signature.
    minor = piece("4/4", "A2 4, D3 4, E2 4, A2 4", "C4 2, E4 2, F4 2, A4 2, G#3 2, B3 2, A3 4")
    assert find_key(signed(minor, 0, "major")) == A_MINOR


def test_notes_may_flatly_contradict_the_signature():
    # Imported files often have no signature at all.
    score = piece("4/4", "E2 4, A2 4, B2 4, E2 4", "G#3 2, B3 2, C#4 2, E4 2, D#4 2, F#4 2, E4 2, G#4 2")
    assert find_key(signed(score, 0, "major")) == E


def test_an_excerpt_keeps_the_key_of_its_signature():
    # Two bars, as an exercise takes them out of a piece: ii and V7 of C; the dominant alone of D minor.
    excerpt = piece("4/4", "D3 4, G2 4", "F4 2, A3 2, B3 2, F4 2")
    assert find_key(signed(excerpt, 0, "major")) == C
    dominant = piece("3/4", "A2 3, E2 3", "E4 2, D4 1, C#4 2, A3 1")
    assert find_key(signed(dominant, -1, "minor")) == Key(2, True)


def test_six_flats_are_spelt_as_flats():
    score = piece("4/4", "F#2 4, C#3 4, F#2 4", "A#3 2, C#4 2, F4 2, C#4 2, A#3 4")
    assert find_key(signed(score, 6)).name == "F♯ major"
    assert find_key(signed(score, -6)).name == "G♭ major"


@pytest.mark.parametrize("key", KEYS, ids=lambda key: key.name)
def test_all_24_keys_by_their_own_cadence(key):
    # i iv V i (major: I IV V I) in close position, one bar each, under the key's own signature.
    third = 3 if key.minor else 4
    tonic = 48 + key.pitch_class % 12
    names = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
    chords = [(0, third, 7), (5, 5 + third, 12), (7, 11, 14), (0, third, 7)]
    line = ", ".join(
        "+".join(f"{names[(tonic + step) % 12]}{(tonic + step) // 12 - 1}" for step in chord) + " 4"
        for chord in chords
    )
    score = signed(piece("4/4", "", line), key.fifths)
    assert find_key(score) == key
    assert bar_keys(score, key) == (key,) * 4


# --- keys of bars --------------------------------------------------------------------------------------

HOME_BARS = [("A2 4", "C4 2, E4 2"), ("D3 4", "F4 2, A3 2"), ("E2 4", "G#3 2, B3 2"), ("A2 4", "A3 2, C4 2")]
C_BARS = [("C3 4", "E4 2, G4 2"), ("G2 4", "D4 2, B3 2"), ("G2 4", "F4 2, D4 2"), ("C3 4", "E4 2, C4 2")]
DOMINANT = [("E2 4", "G#3 2, B3 2"), ("E2 4", "D4 2, B3 2")]


def written(*groups):
    bars = [bar for group in groups for bar in group]
    return piece("4/4", ", ".join(bass for bass, _ in bars), ", ".join(tune for _, tune in bars))


def test_bars_of_the_dominant_do_not_turn_the_key():
    score = written(HOME_BARS, DOMINANT, HOME_BARS)
    assert find_key(score) == A_MINOR
    assert set(bar_keys(score, A_MINOR)) == {A_MINOR}
    longer = written(HOME_BARS, DOMINANT, DOMINANT, HOME_BARS)
    assert set(bar_keys(longer, A_MINOR)) == {A_MINOR}


def test_one_applied_dominant_is_no_new_key():
    applied = [("D3 4", "F#4 2, C4 2"), ("G2 4", "B3 2, G3 2")]  # D7 to G
    score = written(C_BARS, applied, C_BARS)
    assert set(bar_keys(score, C)) == {C}


def test_eight_bars_in_the_relative_major_are_found():
    score = written(HOME_BARS, HOME_BARS, C_BARS, C_BARS, HOME_BARS)
    keys = bar_keys(score, A_MINOR)
    assert keys[:7] == (A_MINOR,) * 7
    assert set(keys[9:15]) == {C}
    assert keys[17:] == (A_MINOR,) * 3


def test_four_bars_in_the_dominant_key_are_found():
    g_bars = [
        ("G2 4", "B3 2, D4 2"),
        ("D3 4", "F#4 2, A3 2"),
        ("D3 4", "C4 2, F#4 2"),
        ("G2 4", "G3 2, B3 2"),
    ]
    keys = bar_keys(written(C_BARS, g_bars, C_BARS), C)
    assert keys[:3] == (C,) * 3
    assert set(keys[5:8]) == {G}
    assert keys[9:] == (C,) * 3


def test_without_notes_nothing_breaks():
    empty = piece("4/4", "- 4")
    assert len(bar_keys(empty, find_key(empty))) == len(empty.bars)
    assert rank_score(empty)[0].key in (C, A_MINOR)


# --- a stated mode -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bass", "tune"),
    [
        # As an exercise takes them out of a piece in C: two basses in turn, a held note, little else.
        ("A2 2, G2 2, A2 2, G2 2, A2 4", ""),
        ("A2 2, G2 2, A2 2, G2 2, A2 2, G2 2, A2 4", "C4 2, D4 2, C4 2, D4 2, A3 2, B3 2, C4 4"),
        ("A2 4, E2 4, A2 4", "C4 2, E4 2, B3 2, G3 2, A3 4"),  # natural minor, were it not stated
    ],
)
def test_a_stated_mode_is_kept_where_every_note_is_of_its_scale(bass, tune):
    score = piece("4/4", bass, tune)
    assert find_key(signed(score, 0, "major")) == C
    assert find_key(signed(score, 0, "minor")) == A_MINOR
    assert find_key(signed(score, 0)) == A_MINOR  # unsaid, the basses settle it


def test_a_stated_minor_is_kept_with_both_its_sevenths_and_sixths():
    score = piece("4/4", "C3 4, G2 4, C3 4", "E4 2, G#4 2, F#4 2, G4 2, C4+E4 4")
    assert find_key(signed(score, 0, "minor")) == A_MINOR
