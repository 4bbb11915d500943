"""What is marked on the printed page, and how much is said of the hands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from coach.app.piece import open_piece
from coach.core.damping import Reason
from coach.core.phrases import Form, Phrase
from coach.core.preparation import prepare
from coach.screen.paper_facts import gather, without_fingers
from tests.papers import (
    SCORES,
    dressed,
)
from tests.scores import piece


def facts_of(score, **columns):
    """Return what is marked on a hand-written score; ``columns`` are set for all notes, in score order."""
    notes = score.notes.copy()
    for name, values in columns.items():
        notes[name] = values
    return gather(prepare(replace(score, notes=notes)), {})


def test_a_string_is_said_where_a_reader_would_look_elsewhere():
    # E4 is string 1 open; on string 2 it needs a number, and the next one in the same bar does not.
    score = piece("4/4", "A2 4", "E4@2 1, E4@2 1, E4@1 1, B3 1")
    names = [score.ids[int(w)] for w in score.notes["written"][~score.notes["bass"]]]
    assert facts_of(score).strings == {names[0]: 2, names[2]: 1}


def test_the_first_note_in_a_new_position_has_its_string():
    # A4 at string 1 fret 5 is the lowest fret there is; with the first finger the hand is in V.
    score = piece("3/4", "A2 3", "E4 1, A4@1 1, B4@1 1")
    melody = ~score.notes["bass"]
    fingers = np.where(melody, 0, 0)
    fingers[score.notes["pitch"] == 69], fingers[score.notes["pitch"] == 71] = 1, 3
    found = facts_of(score, finger=fingers)
    (at,) = (score.ids[int(n["written"])] for n in score.notes if n["pitch"] == 69)
    assert found.strings == {at: 1}


def test_a_finger_is_said_once_and_again_when_it_changes():
    score = piece("4/4", "A2 4", "C4 1, C4 1, C4 1, C4 1")
    fingers = np.zeros(5, int)
    fingers[score.notes["pitch"] == 60] = (1, 1, 2, 2)
    found = facts_of(score, finger=fingers)
    melody = [score.ids[int(w)] for w in score.notes["written"][~score.notes["bass"]]]
    assert found.fingers == {melody[0]: 1, melody[2]: 2}


def test_fingers_that_the_score_gives_are_all_said():
    xml = (
        '<score-partwise><part><measure><note id="a"><notations><technical><fingering>1</fingering>'
        "</technical></notations></note><note id='b'/></measure></part></score-partwise>"
    )
    plain, given = without_fingers(xml)
    assert given == {"a": 1}
    assert "fingering" not in plain
    score = piece("2/4", "C3 1, C3 1")
    score = replace(score, ids=("a", "b"))
    assert gather(prepare(score), {"a": 3, "b": 3}).fingers == {"a": 3, "b": 3}


def chord_score():
    """Return E2 G3 C4 E4 struck together, then an E4; the ids of the four; which rows are later."""
    score = piece("4/4", "E2 4", "G3@3+C4@2+E4@1 2, E4 2")
    names = {}
    for note in score.notes:
        names.setdefault((int(note["pitch"]), int(note["onset"])), score.ids[int(note["written"])])
    return score, [names[(pitch, 0)] for pitch in (40, 55, 60, 64)], score.notes["onset"] > 0


def test_a_chords_fingers_are_one_column_from_the_lowest_note_with_open_strings():
    score, chord, later = chord_score()
    finger = np.zeros(len(score.notes), int)
    finger[(score.notes["pitch"] == 60) & ~later] = 1
    found = facts_of(score, finger=finger, pluck=np.where(later, 3, 2))
    assert found.columns == (tuple(chord),)
    assert [found.fingers[name] for name in chord] == [0, 0, 1, 0]
    assert not set(found.plucks) & set(chord)


def test_the_one_finger_of_a_chords_bass_stays_at_the_bass():
    score = piece("4/4", "F2 4", "G3@3+B3@2+E4@1 4")
    found = facts_of(score, finger=np.where(score.notes["bass"], 1, 0))
    assert found.columns == ()
    assert list(found.fingers.values()) == [1]


def test_a_bass_and_one_note_over_it_are_no_chord():
    score = piece("4/4", "C3 4", "C4 4")
    found = facts_of(score, finger=np.where(score.notes["bass"], 3, 1))
    assert found.columns == ()
    assert sorted(found.fingers.values()) == [1, 3]


def test_a_chord_has_two_string_numbers_at_most_and_none_in_their_usual_place():
    usual = piece("4/4", "E2 4", "G3@3+C4@2+E4@1 4")
    assert facts_of(usual).strings == {}
    # G3, C4, E4 at the fifth fret and above: strings 4, 3 and 2; the middle one is left to the reader.
    high = piece("4/4", "E2 4", "G3@4+C4@3+E4@2 4")
    names = {int(n["pitch"]): high.ids[int(n["written"])] for n in high.notes}
    found = facts_of(high)
    assert found.strings == {names[55]: 4, names[64]: 2}
    assert len(found.columns) == 1  # each number beside its own finger's place


def test_a_note_that_the_bass_doubles_is_marked_once_with_the_finger_that_is_given():
    score = piece("4/4", "C3 4", "C3 1, E3 1, G3 1, E3 1")
    bass, upper = (
        next(score.ids[int(n["written"])] for n in score.notes if n["bass"] == low and n["pitch"] == 48)
        for low in (True, False)
    )
    notes = score.notes.copy()
    notes["finger"] = np.where(score.notes["pitch"] == 48, 3, 0)
    ready = prepare(replace(score, notes=notes))
    assert gather(ready, {}).fingers == {bass: 3}
    assert gather(ready, {upper: 4}).fingers == {bass: 4}


def test_a_unison_of_two_upper_voices_is_one_note_of_a_chord():
    score = piece("4/4", "E2 4", "A4@1+A4@1+C4@2 4")
    found = facts_of(
        score, finger=np.where(score.notes["bass"], 0, np.where(score.notes["pitch"] == 69, 4, 1))
    )
    (column,) = found.columns
    assert [found.fingers[name] for name in column] == [0, 1, 4]


def test_the_first_note_of_a_phrase_has_its_letter_again():
    score = piece("2/4", "A2 2, A2 2, A2 2, A2 2", "C4 1, D4 1, C4 1, D4 1, C4 1, D4 1, C4 1, D4 1")
    notes = score.notes.copy()
    notes["pluck"] = np.where(notes["bass"], 1, np.where(notes["pitch"] == 60, 2, 3))
    ready = prepare(replace(score, notes=notes))
    form = Form(phrases=(Phrase(0, 1, "A"), Phrase(2, 3, "B")))
    melody = [score.ids[int(w)] for w in score.notes["written"][~score.notes["bass"]]]
    found = gather(replace(ready, form=form), {}).plucks
    assert {name: found[name] for name in melody if name in found} == {
        melody[0]: "i", melody[1]: "m", melody[4]: "i",
    }  # fmt: skip


def test_the_right_hand_is_said_where_it_is_not_in_turn():
    score = piece("4/4", "A2 2, A2 2", "C4 1, D4 1, C4 1, D4 1")
    pluck = np.where(score.notes["bass"], 1, 0)
    pluck[~score.notes["bass"]] = (2, 3, 2, 3)
    found = facts_of(score, pluck=pluck)
    melody = [score.ids[int(w)] for w in score.notes["written"][~score.notes["bass"]]]
    bass = [score.ids[int(w)] for w in score.notes["written"][score.notes["bass"]]]
    assert found.plucks == {bass[0]: "p", melody[0]: "i", melody[1]: "m"}


def test_what_may_ring_by_taste_or_as_written_has_one_arc_each():
    score = piece("4/4", "A2 2, D3~ 2, E2 4", "E4 2, - 2, C4~ 4")
    preparation = prepare(score, free=frozenset((0,)))
    found = gather(preparation, {})
    names = {int(n["pitch"]): score.ids[int(n["written"])] for n in score.notes}
    assert sorted(found.rings) == sorted(names[pitch] for pitch in (45, 50, 60))  # A2, D3~ and C4~
    assert preparation.stops[0].reason is Reason.FREE
    assert 0 not in {fact.stop.note for fact in found.stops}


def test_a_bass_whose_stop_is_asked_for_only_the_second_time_has_its_sign():
    opened = open_piece(SCORES[3])
    preparation = prepare(opened.score)
    by_note: dict[int, list[int]] = {}
    for index, stop in enumerate(preparation.stops):
        by_note.setdefault(int(opened.score.notes["written"][stop.note]), []).append(index)
    first, second = next(
        where for where in by_note.values() if len(where) == 2 and preparation.stops[where[1]].wanted
    )
    stops = list(preparation.stops)
    stops[first] = replace(stops[first], wanted=False)
    shown = {fact.index for fact in gather(replace(preparation, stops=tuple(stops)), {}).stops}
    assert second in shown
    assert first not in shown


def test_a_repeated_bar_is_marked_once():
    opened = open_piece(SCORES[3])  # étude 4 has a repeat with two endings
    score = opened.score
    assert len(score.bars) > len(score.bar_ids)
    found = gather(dressed(prepare(score)), {})
    written = [score.bars[chord.bar].written for chord in found.chords]
    assert set(written) == set(range(len(score.bar_ids)))
    notes = [int(score.notes["written"][fact.stop.note]) for fact in found.stops]
    assert len(notes) == len(set(notes))
