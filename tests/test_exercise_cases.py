"""Exercises by hand: small pieces whose every note is known, and made-up ones by rule."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.exercises import asks_nothing, stop_exercise, worst
from coach.core.pitch import parse_name
from coach.core.preparation import prepare
from coach.core.score import TICKS_PER_QUARTER as Q
from coach.core.voices import mark_bass
from coach.core.ways import Way
from tests.pieces import generated_piece
from tests.scores import piece
from tests.test_exercises import WANTED, made, stops_in, written

# --- by hand ----------------------------------------------------------------------------------------


def test_a_waltz_by_hand():
    # A bar of A minor, a bar of E: A2 open, then E2 open; the tune is C4 B3 A3 | G sharp 3 held
    score = piece("3/4", "A2 3, E2 3", "C4 1, B3 1, A3 1, G#3@3 3", qpm=100)
    preparation = prepare(score)
    stop = preparation.stops[0]
    assert (stop.way, stop.pair) == (Way.REST_STROKE, (5, 6))
    exercise = stop_exercise(preparation, stop)
    bass, names = exercise.score, [s.name for s in exercise.sections]
    a2, e2 = parse_name("A2"), parse_name("E2")
    cell = [(0, 3, a2), (3, 2, e2), (6, 3, a2), (9, 2, e2)]
    assert written(bass, 0, 3, "onset", "duration", "pitch") == cell
    assert [row for row in written(bass, 4, 7, "onset", "duration", "pitch", "bass") if row[3]] == [
        (*row, True) for row in cell
    ]
    # The G sharp only holds: from it by step to the next note of E major, with A and no F after G sharp
    tune = [
        (0, 1, "C4"), (0, 3, "A2"), (1, 1, "B3"), (2, 1, "A3"),
        (3, 2, "E2"), (3, 1, "G#3"), (4, 1, "A3"), (5, 1, "B3"),
    ]  # fmt: skip
    assert sorted(written(bass, 8, 9, "onset", "duration", "pitch")) == sorted(
        (on, length, parse_name(name)) for on, length, name in tune
    )
    full = [(0, 1, "C4"), (0, 3, "A2"), (1, 1, "B3"), (2, 1, "A3"), (3, 3, "E2"), (3, 3, "G#3")]
    assert sorted(written(bass, 10, 11, "onset", "duration", "pitch")) == sorted(
        (on, length, parse_name(name)) for on, length, name in full
    )
    assert names == [
        "Basses alone: stop ⑤ with a rest stroke",
        "Under a held note",
        "Under the tune",
        "In the piece: bars 1–2",
    ]
    assert [(cue.tick / Q, cue.text) for cue in exercise.cues] == [
        (0, "play ⑤"), (3, "stop ⑤"), (5, "stop ⑥"),
    ]  # fmt: skip
    assert exercise.score.qpm(0) == 60  # six tenths of a hundred; the thumb has three beats


def test_a_rest_by_hand():
    # E2 open stops on the second beat while the tune sings on
    score = piece("4/4", "E2 1, - 3, A2 4, C3 4", "G3 4, A3 4, G3 4", qpm=80)
    preparation = prepare(dataclasses.replace(score, mode="major"))
    exercise = stop_exercise(preparation, preparation.stops[0])
    assert preparation.harmony.bar_keys[0].name == "C major"
    low, g3, f3, e3 = (parse_name(name) for name in ("E2", "G3", "F3", "E3"))
    assert written(exercise.score, 0, 1, "onset", "duration", "pitch") == [(0, 2, low), (4, 2, low)]
    assert written(exercise.score, 2, 3, "onset", "duration", "pitch") == [
        (0, 2, low), (0, 4, g3), (4, 2, low), (4, 4, g3),
    ]  # fmt: skip
    assert written(exercise.score, 4, 5, "onset", "duration", "pitch") == [
        (0, 1, low), (0, 2, g3), (2, 1, f3), (3, 1, e3), (4, 1, low), (4, 2, g3), (6, 1, f3), (7, 1, e3),
    ]  # fmt: skip
    assert [c.text for c in exercise.cues] == ["play ⑥", "stop ⑥"]
    assert exercise.sections[0].name == "Basses alone: stop ⑥ by planting the thumb"


def test_a_pickup_is_filled_up_with_rest():
    exercise = made(2, 1)  # the umbrella's first stop: its context begins with the eighth-note pickup
    section = exercise.sections[-1]
    assert section.name == "In the piece: bars 0–2"
    assert written(exercise.score, section.bar, section.bar, "onset", "duration", "pitch") == [
        (1.5, 0.5, parse_name("A3"))
    ]
    assert exercise.score.bars[section.bar].length == 2 * Q


FOUR = ("2/4", "A2 2, D3 2, E2 2, A2 2", "C#4 2, F#4 2, G#3@3 2, A3 2")


def test_harder_stops_around_it_stay_as_they_are_written():
    # D under a bass E clashes; E under A, whose fifth it is, only lies below it.
    preparation = prepare(piece(*FOUR, qpm=60))
    d_to_e, e_to_a = preparation.stops[1], preparation.stops[2]
    assert d_to_e.clash.rank > e_to_a.clash.rank
    exercise = stop_exercise(preparation, e_to_a)
    context = exercise.sections[-1]
    assert context.name == "In the piece: bars 2–4"
    assert not context.twice
    rows = written(exercise.score, context.bar, context.last, "onset", "duration", "pitch", "bass")
    basses = [row[:3] for row in rows if row[3]]
    assert basses == [(0, 2, parse_name("D3")), (2, 2, parse_name("E2")), (4, 2, parse_name("A2"))]


def test_where_the_way_back_is_worse_a_bar_of_rest_stands_before_it():
    # Étude 1, stop 13: A2 under E2 is its fourth, above it and harmless; E2 under A2 would lie below it.
    exercise = made(1, 13)
    assert [section.name.partition(":")[0] for section in exercise.sections][:2] == [
        "Basses alone",
        "Under a held note",
    ]
    for section, held in zip(exercise.sections[:2], ([], [(0, 4, parse_name("E4"))]), strict=True):
        cell = [(0, 2, parse_name("A2")), (2, 1, parse_name("E2")), *held]
        rows = written(exercise.score, section.bar, section.last, "onset", "duration", "pitch")
        assert sorted(rows) == sorted(cell)
        assert section.last - section.bar + 1 == 2  # a bar to play and a bar of rest
        assert section.twice
    apart = made(1, 5).sections[0]  # E2 to D3, the hardest there is: nothing is worse
    assert len(written(made(1, 5).score, apart.bar, apart.last, "onset")) == 4


def test_the_worst_is_the_one_that_clashes():
    preparation = prepare(piece(*FOUR, qpm=60))
    assert worst(preparation) is preparation.stops[1]
    assert worst(prepare(piece("2/4", "A2~ 2"))) is None


def test_a_stop_that_asks_for_nothing_is_refused():
    preparation = prepare(piece("4/4", "A2 1, A2 1, D3~ 2"))
    assert [asks_nothing(stop) for stop in preparation.stops] == ["replaced", "", "free"]
    with pytest.raises(ValueError, match="nothing"):
        stop_exercise(preparation, preparation.stops[0])


# --- by rule ----------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.sampled_from((2, 3, 4)), st.integers(0, 40))
def test_every_stop_of_a_made_up_piece_gives_a_sound_exercise(seed, beats, pick):
    score = generated_piece(seed, 6, beats=beats)
    preparation = prepare(score)
    stops = [stop for stop in preparation.stops if stop.wanted]
    stop = stops[pick % len(stops)]
    exercise = stop_exercise(preparation, stop)
    made_score = exercise.score
    notes = made_score.notes
    assert {bar.length for bar in made_score.bars} == {beats * Q}
    assert (notes["duration"] > 0).all()
    assert int((notes["onset"] + notes["duration"]).max()) <= made_score.end
    for section in exercise.sections:
        asked = [s for s in stops_in(made_score, section) if s.pair == stop.pair]
        assert any(s.wanted and stop.way in s.ways for s in asked)
    for cue in exercise.cues:
        assert 0 <= cue.tick <= made_score.end
    # One note a string at a time in what is invented here.
    last = exercise.sections[1].last if len(exercise.sections) > 2 else exercise.sections[0].last
    invented = notes[notes["bar"] <= last]
    for string in np.unique(invented["string"]):
        own = invented[invented["string"] == string]
        assert (own["onset"][1:] >= (own["onset"] + own["duration"])[:-1]).all()


def test_a_tune_on_the_ringing_string_is_not_held():
    # B2 on the fifth string stops as E2 begins, and the tune takes that string at once: it would replace it.
    score = piece("2/4", "B2@5 2, E2 2", "D4 2, C3@5 2")
    notes = score.notes.copy()
    notes["onset"][notes["pitch"] == parse_name("C3")] += (
        Q // 2
    )  # a little later, so that the stop is asked for
    notes["duration"][notes["pitch"] == parse_name("C3")] -= Q // 2
    late = dataclasses.replace(score, notes=notes)
    preparation = prepare(late)
    stop = preparation.stops[0]
    assert stop.wanted
    exercise = stop_exercise(preparation, stop)
    section = exercise.sections[1]
    held = written(exercise.score, section.bar, section.last, "string", "bass")
    assert {string for string, bass in held if not bass} <= {1, 2, 3}


def test_only_the_bass_is_marked_for_the_thumb():
    for etude, number in WANTED[::7]:
        notes = made(etude, number).score.notes
        assert ((notes["pluck"] == 1) == notes["bass"]).all()


def test_a_stretch_with_a_divided_bar_is_whole_again():
    score = piece("4/4", "A2 4, D3 4, E2 4, A2 4", "C4 4, F4 4, E4 4, C4 4")
    bars = list(score.bars)
    whole = bars[1]
    half = 2 * Q
    bars[1:2] = [
        dataclasses.replace(whole, length=half),
        dataclasses.replace(whole, onset=whole.onset + half, length=half, lead=half),
    ]
    notes = score.notes.copy()
    index = np.searchsorted([bar.onset for bar in bars], notes["onset"], "right") - 1
    notes["bar"] = index
    divided = dataclasses.replace(score, notes=notes, bars=tuple(bars))
    exercise = stop_exercise(prepare(divided), prepare(divided).stops[0])
    assert {bar.length for bar in exercise.score.bars} == {4 * Q}


def test_thumb_marks_on_all_of_a_voice_make_it_the_bass_though_it_lies_high():
    # G3 and A3 for the thumb over E3 and F3 of another voice: by height alone those would be the bass
    score = piece("2/4", "G3 1, A3 1", "E3 1, F3 1")
    notes = np.tile(score.notes, 2)
    notes["onset"][len(score.notes) :] += 2 * Q
    thumb = notes["bass"].copy()
    notes["pluck"][thumb] = 1
    assert mark_bass(notes)["bass"].tolist() == thumb.tolist()
    notes["pluck"] = 0
    assert mark_bass(notes)["bass"].tolist() != thumb.tolist()
