"""Chords of small scores written by hand; the scale of a melody.  Textbook figuration, common practice."""

import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.bar_chords import cuts
from coach.core.figuration import beat_length, strength, weigh_notes
from coach.core.harmony import Harmony, analyse
from coach.core.keys import find_key, weigh
from coach.core.scales import SCALES, melody_scale, scale_on
from coach.core.score import Bar, make_score
from coach.core.spelling import Key, place_name
from tests.scores import Q, piece

C, A_MINOR = Key(0), Key(3, True)


def bars_of(score):
    harmony = analyse(score)
    return [" | ".join(str(c.name) for c in harmony.in_bar(bar)) for bar in range(len(score.bars))]


def with_signature(score, fifths, mode=""):
    return make_score(score.notes, tuple(replace(b, fifths=fifths) for b in score.bars), mode=mode)


CADENCE = ", A2 4, E2 4, A2 4", ", C4 2, E4 2, G#3 2, B3 2, A3 4"  # settles A minor after a bar in question


# --- chords --------------------------------------------------------------------------------------------


def test_passing_and_neighbouring_notes_are_no_chord_notes():
    # A minor: B and D pass, G♯ turns.
    score = piece("4/4", "A2 4" + CADENCE[0], "C4 1, B3 1/2, A3 1/2, C4 1/2, D4 1/2, E4 1" + CADENCE[1])
    assert bars_of(score)[0] == "Am"
    score = piece("4/4", "A2 4" + CADENCE[0], "A3 1, G#3 1/2, A3 1/2, C4 1, E4 1" + CADENCE[1])
    assert bars_of(score)[0] == "Am"


def test_a_suspension_gives_way_to_what_it_resolves_into():
    # D held over E resolves to … C over A: 4-3 over A, as in every cadence.
    score = piece("4/4", "E2 4, A2 4, E2 4, A2 4", "G#3 2, D4 2, D4 1, C4 3, B3 2, G#3 2, A3 4")
    assert bars_of(score)[1] == "Am"


def test_the_sixth_falling_to_the_fifth_over_a_bass():
    score = piece("4/4", "A2 4, E2 4, A2 4", "A3 2, C4 2, C4 1, B3 1, G#3 2, A3 4")
    assert bars_of(score)[1] in ("E", "Am/E | E")


def test_half_bars_where_the_chord_changes():
    score = piece("4/4", "A2 2, E2 2, A2 4", "C4 1, A3 1, G#3 1, B3 1, A3 4")
    assert bars_of(score) == ["Am | E", "Am"]
    score = piece("2/4", "D3 1, E2 1, A2 2", "F4 1/2, D4 1/2, G#3 1/2, B3 1/2, A3 2")
    assert bars_of(score) == ["Dm | E", "Am"]
    score = piece("6/8", "A2 3/2, E2 3/2, A2 3", "C4 1/2, E4 1/2, A4 1/2, B3 1/2, E4 1/2, G#4 1/2, A4 3")
    assert bars_of(score) == ["Am | E", "Am"]


def test_one_chord_over_alternating_basses_is_not_split():
    score = piece("4/4", "C3 2, G2 2, C3 4", "E4 1, G4 1, E4 1, C4 1, C4 4")
    assert bars_of(score) == ["C", "C"]


def test_a_dominant_that_gains_its_seventh_is_one_chord():
    score = piece("4/4", "G2 4, C3 4", "B3 1, D4 1, F4 1, D4 1, C4+E4 4")
    assert bars_of(score)[0] == "G7"


def test_three_four_is_split_only_on_clear_evidence():
    waltz = piece("3/4", "A2 3, E2 3, A2 3", "C4 1, E4 1, D4 1, B3 1, G#3 1, B3 1, A3 3")
    assert bars_of(waltz)[0] == "Am"
    clear = piece("3/4", "A2 2, E2 1, A2 3", "A3+C4+E4 2, G#3+B3+E4 1, A3+C4+E4 3")
    assert bars_of(clear) == ["Am | E", "Am"]


def test_a_bass_that_rests_still_stands_under_its_bar():
    score = piece("4/4", "E2 1, - 3, A2 4", "G#3 2, B3 2, A3 4")
    harmony = analyse(score)
    assert [c.name for c in harmony.chords] == ["E", "Am"]
    assert (harmony.chords[0].onset, harmony.chords[0].end) == (0, 4 * Q)


def test_a_chord_lasts_through_the_rests_of_its_bar_and_an_empty_bar_has_none():
    score = piece("4/4", "A2 1, - 7, E2 4, A2 4", "C4 1, - 7, G#3 4, A3 4")
    harmony = analyse(score)
    assert [len(harmony.in_bar(bar)) for bar in range(4)] == [1, 0, 1, 1]
    assert harmony.at(3 * Q).name == "Am"
    assert harmony.at(5 * Q) is None


def test_at_finds_the_chord_that_holds_a_tick():
    harmony = analyse(piece("4/4", "A2 2, E2 2, A2 4", "C4 1, A3 1, G#3 1, B3 1, A3 4"))
    names = [harmony.at(tick).name for tick in (0, 2 * Q - 1, 2 * Q, 4 * Q - 1, 4 * Q)]
    assert names == ["Am", "Am", "E", "E", "Am"]
    assert harmony.at(-1) is None
    assert harmony.at(8 * Q) is None
    assert Harmony(C, (), None, ()).at(0) is None


def test_the_chord_spells_its_notes_and_the_key_the_others():
    # E7 in C major holds G♯, though the key alone would spell A♭.
    score = piece("4/4", "C3 4, E2 4, A2 4, G2 4, C3 4", "E4+G4 4, G#3+D4 4, A3+C4 4, B3+F4 4, C4+E4 4")
    harmony = analyse(score)
    assert harmony.key == C
    assert [c.roman for c in harmony.chords] == ["I", "V7/vi", "vi", "V7", "I"]
    assert harmony.spelt(56, 4 * Q, 1) == "G♯"
    assert harmony.spelt(56, 0, 0) == "A♭"


def test_basses_alone_are_roots():
    score = piece("4/4", "A2 2, D3 2, E2 4, A2 4")
    assert bars_of(score) == ["Am | Dm", "E", "Am"]


def test_what_follows_names_an_applied_dominant():
    # A7 without its seventh: a major tonic in the middle of a minor piece leads to iv.
    score = piece("4/4", "A2 4, A2 4, D3 4, E2 4, A2 4", "C4+E4 4, C#4+E4 4, D4+F4 4, G#3+B3 4, A3+C4 4")
    assert [c.roman for c in analyse(with_signature(score, 0, "minor")).chords] == [
        "i",
        "V/iv",
        "iv",
        "V",
        "i",
    ]


def test_a_cadential_six_four_and_a_neapolitan():
    score = piece(
        "4/4", "A2 4, D3 4, E2 2, E2 2, A2 4", "A3+C4+E4 4, F3+Bb3+D4 4, A3+C4 2, G#3+B3 2, A3+C4 4"
    )
    assert [c.roman for c in analyse(with_signature(score, 0, "minor")).chords] == [
        "i",
        "N6",
        "i64",
        "V",
        "i",
    ]


def test_grace_notes_and_no_notes_at_all():
    score = piece("4/4", "A2 4, E2 4, A2 4", "C4 4, B3 4, A3 4")
    notes = score.notes.copy()
    grace = notes[:1].copy()
    grace["pitch"], grace["duration"], grace["grace"] = 61, 0, True
    graced = make_score(np.concatenate((notes, grace)), score.bars)
    assert bars_of(graced) == bars_of(score) == ["Am", "E", "Am"]
    silent = analyse(piece("4/4", "- 4"))
    assert (silent.chords, silent.scale) == ((), None)


def test_a_cluster_is_left_without_a_name():
    cluster = "+".join(["C4", "C#4", "D4", "D#4", "E4", "F4", "F#4", "G4", "G#4", "A4"])
    chord = analyse(piece("4/4", "", f"{cluster} 4, C4 4")).chords[0]
    assert (chord.readings, chord.classes, chord.name, chord.roman) == ((), frozenset(), None, None)


@pytest.mark.parametrize(
    ("meter", "ways"),
    [
        ((4, 4), [(), (2 * Q,)]), ((2, 4), [(), (Q,)]), ((2, 2), [(), (2 * Q,)]),
        ((3, 4), [(), (Q,), (2 * Q,)]),
        ((6, 8), [(), (3 * Q // 2,)]), ((3, 8), [()]), ((12, 8), [(), (3 * Q,)]),
        ((9, 8), [(), (3 * Q // 2,), (3 * Q,), (3 * Q // 2, 3 * Q)]), ((5, 4), [(), (2 * Q,), (3 * Q,)]),
        ((7, 8), [()]),
    ],
)  # fmt: skip
def test_where_a_bar_may_be_divided(meter, ways):
    beats, unit = meter
    assert cuts(Bar(1, 0, beats * 4 * Q // unit, beats, unit, 0, 0)) == ways


def test_a_short_bar_is_divided_where_the_full_one_would_be():
    assert cuts(Bar(0, 0, Q, 4, 4, 0, 0)) == [()]
    assert cuts(Bar(0, 0, 3 * Q, 4, 4, 0, 0)) == [(), (Q,)]
    assert cuts(Bar(5, 0, 2 * Q, 4, 4, 0, 0, lead=Q)) == [(), (Q,)]


# --- figuration ----------------------------------------------------------------------------------------


def test_strong_and_weak_places():
    four, six = Bar(1, 0, 4 * Q, 4, 4, 0, 0), Bar(1, 0, 3 * Q, 6, 8, 0, 0)
    assert [strength(four, at * Q // 2) for at in range(8)] == [3, 0, 1, 0, 2, 0, 1, 0]
    assert [strength(six, at * Q // 2) for at in range(6)] == [3, 0, 0, 2, 0, 0]
    assert (beat_length(four), beat_length(six)) == (Q, 3 * Q // 2)
    assert strength(Bar(0, 0, Q, 4, 4, 0, 0), 0) == 1


def test_only_what_behaves_as_a_passing_note_weighs_less():
    score = piece("4/4", "A2 4", "C4 1/2, D4 1/2, E4 1/2, A4 1/2, E4 2")
    own = weigh_notes(score).own
    by_pitch = dict(zip(score.notes["pitch"].tolist(), own.tolist(), strict=True))
    assert by_pitch[62] < 0.4 * by_pitch[60]  # D passes
    assert by_pitch[69] == pytest.approx(0.8)  # A is reached by leap, off the beat
    assert by_pitch[45] > by_pitch[60]  # the bass most


# --- scales --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tune", "kind", "outside"),
    [
        ("C4 1, D4 1, E4 1, F4 1, G4 1, A4 1, B4 1, C5 1", "C major", ""),
        ("A3 1, B3 1, C4 1, D4 1, E4 1, F4 1, G4 1, A4 1", "A natural minor", ""),
        ("A3 1, B3 1, C4 1, D4 1, E4 1, F4 1, G#4 1, A4 1", "A harmonic minor", ""),
        ("A3 1, C4 1, E4 1, F#4 1, G#4 1, A4 1, G4 1, F4 1, E4 1, A3 1", "A melodic minor", ""),
        ("A3 1, C4 1, E4 1, G#4 1, A4 1, F4 1, F#4 1/2, F4 1/2, E4 1, A3 1", "A harmonic minor", "F♯"),
        ("D4 1, E4 1, F4 1, G4 1, A4 1, B4 1, C5 1, D5 2, A4 1, D4 2", "D dorian", ""),
        ("E4 1, F4 1, G4 1, A4 1, B4 1, C5 1, D5 1, E5 2, B4 1, E4 2", "E phrygian", ""),
        ("F4 1, G4 1, A4 1, B4 1, C5 1, D5 1, E5 1, F5 2, C5 1, A4 1, F4 2", "F lydian", ""),
        ("G3 1, A3 1, B3 1, C4 1, D4 1, E4 1, F4 1, G4 2, D4 1, B3 1, G3 2", "G mixolydian", ""),
        ("C4 1, D4 1, E4 1, F#4 1, G4 1, F4 1, E4 1, C4 1", "C major", "F♯"),
        ("A3 1, C4 1, D4 1, E4 1, A3 1", "A natural minor", ""),
        # Both sevenths: by use.  Twice as long as the other is mostly.
        ("A4 2, G#4 2, A4 1, G4 1, F4 1, E4 1", "A harmonic minor", "G"),
        ("A4 1, G4 1, A4 1, G#4 1, F4 1, E4 1", "A harmonic minor", "G"),
        ("A4 1, G4 2, A4 1, G#4 1, F4 1, E4 1", "A natural minor", "G♯"),
        # Both sixths with a raised seventh.
        ("A4 1, F4 1, E4 1, F#4 1, G#4 1, A4 1", "A melodic minor", ""),
        ("A4 1, F#4 2, E4 1, F4 1, A4 1, G#4 1", "A melodic minor", ""),
        ("A4 1, F#4 1, E4 1, F4 1, A4 1, G#4 1", "A harmonic minor", "F♯"),
    ],
)
def test_the_scale_of_a_tune(tune, kind, outside):
    key = Key(dict(zip("FCGDAEB", range(-1, 6), strict=True))[kind[0]], kind[2:] not in MAJOR_LIKE)
    scale = melody_scale(piece("4/4", "", tune), key)
    assert (scale.name, " ".join(place_name(place) for place in scale.outside)) == (kind, outside)


def test_bars_in_another_key_do_not_tell_the_kind():
    score = piece("4/4", "", "A4 2, G#4 2, G4 2, B4 2, G4 4, A4 4")
    keys = (A_MINOR, C, C, A_MINOR)
    assert melody_scale(score, A_MINOR, keys).name == "A harmonic minor"
    assert [place_name(place) for place in melody_scale(score, A_MINOR, keys).outside] == ["G"]
    assert melody_scale(score, A_MINOR).name == "A natural minor"


MAJOR_LIKE = ("major", "lydian", "mixolydian")


@pytest.mark.parametrize("mode", ["dorian", "phrygian", "mixolydian"])
def test_a_tune_in_a_mode_finds_its_own_key(mode):
    tunes = {
        "dorian": "D4 2, A4 2, C5 1, B4 1, A4 2, F4 1, G4 1, A4 2, E4 1, F4 1, D4 2",
        "phrygian": "E4 2, G4 2, F4 2, E4 2, A4 1, B4 1, C5 1, B4 1, G4 1, F4 1, E4 2",
        "mixolydian": "G4 2, B4 1, D5 1, C5 1, B4 1, A4 2, F4 2, A4 2, G4 1, F4 1, G4 2",
    }
    score = piece("4/4", "", tunes[mode])
    scale = melody_scale(score, find_key(score))
    assert scale.name == f"{tunes[mode][0]} {mode}"


def test_the_bass_is_no_melody():
    score = piece("4/4", "D3 2, F#3 2, G3 4", "C4 2, D4 2, E4 4")
    assert melody_scale(score, C).outside == ()


@pytest.mark.parametrize("kind", SCALES)
def test_every_scale_names_each_letter_once(kind):
    for tonic in range(-4, 6):
        names = [place_name(place) for place in scale_on(tonic, kind).places]
        assert len({name[0] for name in names}) == 7
        assert names[0] == place_name(tonic)


# --- speed ---------------------------------------------------------------------------------------------


def test_two_hundred_bars_take_a_tenth_of_a_second():
    bass = ", ".join(["A2 2, D3 2, E2 2, A2 2, C3 2, F2 2, G2 2, E2 2"] * 50)
    tune = ", ".join(["C4 1/2, E4 1/2, A3 1/2, C4 1/2, D4 1/2, F4 1/2, B3 1/2, G#3 1/2"] * 200)
    score = piece("4/4", bass, tune)
    assert len(score.bars) == 200
    analyse(score)  # tables are made once
    best = min(_timed(score) for _ in range(10))
    assert best < 0.1


def _timed(score):
    start = time.perf_counter()
    analyse(score)
    return time.perf_counter() - start


# --- whatever the notes --------------------------------------------------------------------------------

NAMES = st.sampled_from(["E2", "A2", "D3", "G3", "C4", "C#4", "F4", "G#4", "A4", "Bb3", "-"])
LENGTHS = st.sampled_from(["1/3", "1/2", "1", "3/2", "2", "5"])
LINES = st.lists(st.tuples(NAMES, LENGTHS), max_size=12)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(["2/4", "3/4", "4/4", "6/8", "9/8", "5/4", "3/8"]), LINES, LINES, st.integers(-7, 7),
    st.sampled_from(["0", "1/2", "1"]),
)  # fmt: skip
def test_chords_lie_in_their_bars_in_order_and_hold_what_they_name(meter, bass, tune, fifths, pickup):
    lines = [", ".join(f"{name} {length}" for name, length in line) for line in (bass, tune)]
    score = with_signature(piece(meter, *lines, pickup=pickup), fifths)
    harmony = analyse(score)
    assert len(harmony.bar_keys) == len(score.bars)
    at = 0
    for chord in harmony.chords:
        bar = score.bars[chord.bar]
        assert at <= chord.onset < chord.end
        assert bar.onset <= chord.onset
        assert chord.end <= bar.end
        assert harmony.at(chord.onset) == chord
        assert chord in harmony.in_bar(chord.bar)
        assert chord.classes == (chord.readings[0].classes if chord.readings else frozenset())
        assert len(chord.readings) <= 2
        assert all(other.classes == chord.classes for other in chord.readings)
        at = chord.end
    sounding = {
        bar
        for bar in range(len(score.bars))
        if weigh(score, score.bars[bar].onset, score.bars[bar].end).any()
    }
    if not a_line_without_bass(score):
        assert {chord.bar for chord in harmony.chords} == sounding
    else:
        assert harmony.chords == ()


def a_line_without_bass(score):
    """Tell whether no two notes sound together and none is bass, or all notes are one scale run."""
    notes = score.notes
    ends = notes["onset"] + notes["duration"]
    if (notes["onset"][1:] < ends[:-1]).any():
        return False
    by_step = bool((np.abs(np.diff(notes["pitch"].astype(int))) <= 2).all())
    return not notes["bass"].any() or (not notes["bass"].all() and by_step)
