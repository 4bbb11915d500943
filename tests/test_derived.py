"""Scores made out of a piece: its tune, its bass, its scale."""

import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.app.piece import open_piece
from coach.core.derived import (
    bar_sources,
    bass_alone,
    melody_alone,
    melody_mask,
    melody_scale_score,
    scale_key,
    scale_of,
)
from coach.core.harmony import Harmony, Scale
from coach.core.pitch import STANDARD, Tuning, name, parse_name
from coach.core.score import TICKS_PER_QUARTER as Q
from coach.core.score import DampMark, make_score
from coach.core.spelling import Key, pitch_class, spell
from coach.files.plain_xml import to_musicxml
from coach.files.score_file import read_score
from tests.scores import piece

SCORES = sorted((Path(__file__).parents[1] / "scores").glob("*.musicxml"))
A_MINOR, D_MINOR, C_MAJOR = Key(3, minor=True), Key(2, minor=True), Key(0)


def etude(number):
    return open_piece(SCORES[number - 1]).score


def names(score):
    return [name(int(pitch)) for pitch in score.notes["pitch"]]


def read_back(score, folder, keys=()):
    path = folder / "derived.musicxml"
    path.write_text(to_musicxml(score, keys=keys), encoding="utf-8")
    return open_piece(path)


def harmony(key, scale=None, bars=1):
    return Harmony(key, (key,) * bars, scale, ())


def scale(tonic, kind, *steps):
    return Scale(tonic, kind, tuple(tonic + step for step in steps), kind)


# --- voices -----------------------------------------------------------------------------------------


def test_the_tune_of_a_piece_with_repeats_by_hand():
    # Étude 4: eight bars, a repeat with two endings; bars 1 to 10 stand once each, in written order.
    whole = etude(4)
    tune, bass = melody_alone(whole), bass_alone(whole)
    assert [bar.number for bar in tune.bars] == [bar.number for bar in bass.bars] == list(range(1, 11))
    assert [bar.onset for bar in tune.bars] == [3 * Q * n for n in range(10)]
    assert names(tune) == (
        "E4 G4 F4 | E4 C4 | D4 F4 E4 | D4 B3 | C4 E4 | F4 E4 D4 | E4 C4 | B3 D4 | C4 B3 | C4"
    ).replace("|", "").split()  # fmt: skip
    assert names(bass) == ["C3", "A2", "D3", "G2", "C3", "A2", "D3", "A2", "G2", "G2", "C3"]
    assert (bass.notes["duration"] / Q).tolist() == [3, 3, 3, 3, 1.5, 1.5, 3, 3, 3, 3, 3]
    assert bar_sources(whole) == [0, 1, 2, 3, 4, 5, 6, 7, 14, 15]


@pytest.mark.parametrize("number", range(1, 6))
def test_voices_keep_everything_and_are_read_back(number, tmp_path):
    whole = etude(number)
    first = np.isin(whole.notes["bar"], bar_sources(whole))
    for made, mask in ((melody_alone(whole), melody_mask(whole)), (bass_alone(whole), whole.notes["bass"])):
        rows = whole.notes[mask & first]
        for field in ("pitch", "duration", "string", "fret", "finger", "let_ring", "written"):
            assert made.notes[field].tolist() == rows[field].tolist(), field
        assert (made.qpm(0), made.tuning, made.mode) == (whole.qpm(0), whole.tuning, whole.mode)
        assert [bar.fifths for bar in made.bars] == [whole.bars[0].fifths] * len(made.bars)
        if not len(rows):
            continue
        back = read_back(made, tmp_path)
        for field in ("onset", "pitch", "duration", "string", "fret", "let_ring", "pluck", "bass"):
            assert back.score.notes[field].tolist() == made.notes[field].tolist(), field
        assert back.score.tuning == whole.tuning
        assert back.score.bars[0].number == whole.bars[0].number
        assert back.score.bars[0].length == whole.bars[0].length


def test_the_pickup_stays_and_the_tune_is_the_top_of_what_is_there():
    whole = etude(2)
    tune = melody_alone(whole)
    assert (tune.bars[0].number, tune.bars[0].length) == (0, Q // 2)
    assert names(tune)[:5] == ["A3", "C♯4", "E4", "C♯4", "F♯4"]
    chords = piece("4/4", "A2 4", "C4+E4 2, B3+D4+G#3@3 2")
    assert names(melody_alone(chords)) == ["E4", "D4"]


def test_a_pickup_in_the_middle_is_filled_up_and_a_divided_bar_joined():
    # bars of four: a pickup of one, a whole bar, one divided 3 + 1 by a repeat sign
    score = piece("4/4", "", "C4 1, D4 4, E4 3, F4 1, G4 4")
    first = score.bars[0]
    cuts = [(0, 1, 3), (1, 4, 0), (5, 3, 0), (8, 1, 3), (9, 4, 0)]  # onset, length, lead in quarters
    numbers = [0, 1, 2, 3, 4]
    bars = tuple(
        replace(first, number=n, onset=on * Q, length=length * Q, lead=lead * Q, written=row)
        for row, (n, (on, length, lead)) in enumerate(zip(numbers, cuts, strict=True))
    )
    joined = melody_alone(make_score(score.notes, bars, ids=score.ids))
    assert [(bar.onset / Q, bar.length / Q) for bar in joined.bars] == [(0, 1), (1, 4), (5, 4), (9, 4)]
    apart = replace(bars[2], length=4 * Q)  # the bar before is whole: what follows is a pickup of its own
    late = (*bars[:2], apart, replace(bars[3], onset=9 * Q), replace(bars[4], onset=10 * Q))
    notes = piece("4/4", "", "C4 1, D4 4, E4 4, F4 1, G4 4").notes
    filled = melody_alone(make_score(notes, late, ids=score.ids))
    assert [(bar.onset / Q, bar.length / Q) for bar in filled.bars] == [
        (0, 1),
        (1, 4),
        (5, 4),
        (9, 4),
        (13, 4),
    ]
    assert (filled.notes["onset"] / Q).tolist() == [0, 1, 5, 12, 13]


def test_a_short_bar_that_a_pickup_completes_is_filled_up():
    # 2/4: a pickup of half a quarter, a bar of 3/2 that it completes when both are repeated, a whole bar
    score = piece("2/4", "", "C4 1/2, D4 3/2, E4 2")
    first, half = score.bars[0], Q // 2
    bars = (
        replace(first, number=0, onset=0, length=half, lead=3 * half, written=0),
        replace(first, number=1, onset=half, length=3 * half, written=1),
        replace(first, number=2, onset=4 * half, length=4 * half, written=2),
    )
    played = tuple(
        replace(bars[index], onset=at * half) for index, at in ((0, 0), (1, 1), (0, 4), (1, 5), (2, 8))
    )
    notes = score.notes[[0, 1, 0, 1, 2]].copy()
    notes["onset"] = [bar.onset for bar in played]
    tune = melody_alone(make_score(notes, played, ids=score.ids))
    assert [(bar.onset / Q, bar.length / Q, bar.lead / Q) for bar in tune.bars] == [
        (0, 0.5, 1.5), (0.5, 2, 0), (2.5, 2, 0),
    ]  # fmt: skip
    assert (tune.notes["onset"] / Q).tolist() == [0, 0.5, 2.5]


def test_i_and_m_in_turn_where_nothing_is_given():
    score = piece("4/4", "A2 4", "C4 1, D4 1, E4 1, F4 1")
    notes = score.notes.copy()
    notes["pluck"][notes["pitch"] == parse_name("D4")] = 4
    given_one = make_score(notes, score.bars, ids=score.ids)
    assert melody_alone(score).notes["pluck"].tolist() == [2, 3, 2, 3]
    assert melody_alone(given_one).notes["pluck"].tolist() == [2, 4, 2, 3]
    assert bass_alone(score).notes["pluck"].tolist() == [1]


def test_marks_and_tempo_go_along():
    score = piece("2/4", "A2 2, D3 2", "C4 2, D4 2", qpm=72, damps=(DampMark(3 * Q, 4), DampMark(2 * Q, 5)))
    assert sorted(mark.onset for mark in bass_alone(score).damps) == [2 * Q, 3 * Q]
    assert {mark.string for mark in bass_alone(score).damps} == {4, 5}
    assert melody_alone(score).damps == ()
    assert bass_alone(score).tempo.tolist() == [(0, 72.0)]


def test_without_the_voice_there_is_nothing():
    basses = piece("4/4", "A2 4")
    assert not len(melody_alone(basses).notes)
    assert not melody_mask(basses).any()


# --- the scale --------------------------------------------------------------------------------------


def test_a_scale_by_hand():
    # The tune lies from A3 to F4: less than an octave.  A minor has one from A2 to A3 in first position.
    score = piece("3/4", "A2 3, E2 3", "A3 1, C4 1, E4 1, F4 1, E4 2", qpm=90)
    natural = scale(3, "natural minor", 0, 2, -3, -1, 1, -4, -2)
    made = melody_scale_score(score, harmony(A_MINOR, natural))
    up = ["A2", "B2", "C3", "D3", "E3", "F3", "G3", "A3", "B3", "C4", "D4", "E4", "F4"]
    assert names(made) == up + up[-2::-1]
    assert {int(d) for d in made.notes["duration"][:-1]} == {Q}
    assert made.notes["onset"].tolist() == [n * Q for n in range(25)]
    assert made.end == 9 * 3 * Q  # 25 quarters in bars of three: the last A lasts three
    assert int(made.notes["duration"][-1]) == 3 * Q
    assert {(bar.beats, bar.beat_unit, bar.length) for bar in made.bars} == {(3, 4, 3 * Q)}
    assert made.qpm(0) == 90
    assert (made.notes["string"] == 0).all()
    assert (made.notes["fret"] == -1).all()


def test_a_melodic_minor_goes_up_and_down_in_its_two_forms():
    # From A2 to A4, wider than an octave: its own range is kept, from the lowest tonic A2.
    score = piece("4/4", "E2 4, E2 4", "A2@5 1, E3 1, A3 1, E4 1, A4 4")
    melodic = scale(3, "melodic minor", 0, 2, -3, -1, 1, 3, 5)
    made = melody_scale_score(score, harmony(A_MINOR, melodic))
    up = ["A2", "B2", "C3", "D3", "E3", "F♯3", "G♯3", "A3", "B3", "C4", "D4", "E4", "F♯4", "G♯4", "A4"]
    down = ["G4", "F4", "E4", "D4", "C4", "B3", "A3", "G3", "F3", "E3", "D3", "C3", "B2", "A2"]
    assert names(made) == up + down


def test_the_leading_note_of_a_minor_is_g_sharp(tmp_path):
    score = piece("4/4", "A2 4", "A3 1, C4 1, E4 1, A4 1")
    harmonic = scale(3, "harmonic minor", 0, 2, -3, -1, 1, -4, 5)
    found = harmony(A_MINOR, harmonic)
    made = melody_scale_score(score, found)
    keys = (scale_key(harmonic, found),) * len(made.bars)
    root = ET.fromstring(to_musicxml(made, keys=keys))
    spelt = [(p.findtext("step"), p.findtext("alter")) for p in root.iter("pitch")]
    assert ("G", "1") in spelt
    assert not {step for step, alter in spelt if alter == "-1"}
    assert spelt[0] == spelt[-1] == ("A", None)


def test_modes_are_spelt_as_their_parent_keys():
    # E phrygian has an F, not an E sharp; F lydian a B; D dorian a B
    for tonic, kind, steps in (
        (-1, "lydian", (0, 2, 4, 6, 1, 3, 5)),
        (2, "dorian", (0, 2, -3, -1, 1, 3, -2)),
        (4, "phrygian", (0, -5, -3, -1, 1, -4, -2)),
        (1, "mixolydian", (0, 2, 4, -1, 1, 3, -2)),
    ):
        found = scale(tonic, kind, *steps)
        key = scale_key(found, harmony(C_MAJOR))
        assert [spell(pitch_class(place), key) for place in found.places] == list(found.places)


def test_without_a_known_scale_the_keys_own_is_taken():
    assert scale_of(harmony(C_MAJOR)).places == (0, 2, 4, -1, 1, 3, 5)
    assert scale_of(harmony(D_MINOR)).kind == "natural minor"


@pytest.mark.parametrize("number", range(2, 6))
def test_scales_of_the_etudes_are_read_back_with_strings(number, tmp_path):
    whole = etude(number)
    tonic, minor = {2: (3, False), 3: (4, True), 4: (0, False), 5: (2, True)}[number]
    found = harmony(Key(tonic, minor))
    made = melody_scale_score(whole, found)
    back = read_back(made, tmp_path, (scale_key(scale_of(found), found),) * len(made.bars))
    assert back.score.notes["pitch"].tolist() == made.notes["pitch"].tolist()
    assert back.score.notes["duration"].tolist() == made.notes["duration"].tolist()
    assert not back.score.notes["bass"].any()
    assert (back.score.notes["string"] > 0).all()
    assert {bar.length for bar in made.bars} == {bar.full_length for bar in made.bars}
    assert made.notes["pitch"][0] % 12 == made.notes["pitch"][-1] % 12 == pitch_class(tonic)
    if number == 4:  # eighths in six-eight
        assert made.notes["duration"][0] == Q // 2


@settings(deadline=None, max_examples=60)
@given(
    st.integers(40, 79),
    st.integers(0, 24),
    st.integers(-6, 6),
    st.booleans(),
    st.sampled_from(("2/4", "3/4", "4/4", "6/8", "3/8", "2/2", "5/4")),
)
def test_every_scale_goes_up_and_down_within_reach(low, width, tonic, minor, meter):
    high = min(low + width, 83)
    score = piece(meter, "", f"{name(low)} 3, {name(high)} 3")
    found = harmony(Key(tonic, minor))
    made = melody_scale_score(score, found)
    pitches = made.notes["pitch"].astype(int)
    classes = {pitch_class(place) for place in scale_of(found).places}
    assert {p % 12 for p in pitches.tolist()} <= classes
    assert pitches[0] == pitches[-1]
    assert pitches[0] % 12 == pitch_class(tonic)
    steps = np.abs(np.diff(pitches))
    assert ((steps >= 1) & (steps <= 3)).all()  # 3: where a tune of few notes starts below its first tonic
    top, bottom = max(high, STANDARD.pitch(1, 4)), min(low, 40)
    assert pitches.min() >= bottom
    assert pitches.max() <= max(top, low + 12)
    assert made.end == made.bars[-1].end == int((made.notes["onset"] + made.notes["duration"]).max())
    assert {bar.length for bar in made.bars} == {made.bars[0].full_length}
    turns = np.flatnonzero(np.diff(np.sign(np.diff(pitches))))
    assert len(turns) <= 2  # up, down, and up again


def test_a_capo_and_another_tuning_go_along():
    score = piece("4/4", "D2 4", "A3 2, D4 2", tuning=Tuning((64, 59, 55, 50, 45, 38)))
    made = melody_scale_score(score, harmony(D_MINOR))
    assert made.tuning == score.tuning
    assert names(made)[0] == "D3"
    path = to_musicxml(made)
    assert '<accord string="6"><tuning-step>D</tuning-step><tuning-octave>2</tuning-octave>' in path


def test_reading_keeps_a_line_without_bass(tmp_path):
    score = piece("4/4", "", "E3 1, G3 1, A3 1, B3 1")
    path = tmp_path / "low.musicxml"
    path.write_text(to_musicxml(melody_alone(score)), encoding="utf-8")
    assert not read_score(path).score.notes["bass"].any()
    path.write_text(to_musicxml(replace(score, bar_ids=("b1",))), encoding="utf-8")
    assert read_score(path).score.notes["bass"].any()  # unmarked, the low E is taken for a bass
