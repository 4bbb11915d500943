"""One voice played alone: nobody is told that the other is missing; a slip is told all the same."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coach.core.events import End, Event, NoteOff, NoteOn
from coach.core.report import report
from coach.core.score import TICKS_PER_QUARTER, Score
from coach.core.session import Session, judge
from coach.core.summary import pass_sentence
from coach.core.verdicts import Limits, Stroke, StrokeVerdict
from tests.scores import piece

BASS = "A2 1, E2 1, A2 1, E2 1, " * 6
TUNE = "E4 1/2, C4 1/2, D4 1/2, B3 1/2, C4 1/2, D4 1/2, E4 1/2, B3 1/2, " * 6
BAR = 4 * TICKS_PER_QUARTER
SCORE = piece("4/4", BASS, TUNE)
BASSES = [row for row, note in enumerate(SCORE.notes) if note["bass"]]
TUNES = [row for row, note in enumerate(SCORE.notes) if not note["bass"]]


def played(score: Score, rows: list[int], *, begin_us: int = 1_000_000) -> list[Event]:
    """Return the events of some notes of a score, each held to its end, a quarter a second."""
    events: list[Event] = []
    for row in rows:
        note = score.notes[row]
        on_us = begin_us + int(note["onset"]) * 1_000_000 // TICKS_PER_QUARTER
        off_us = on_us + int(note["duration"]) * 1_000_000 // TICKS_PER_QUARTER - 5_000
        pitch, string = int(note["pitch"]), int(note["string"])
        events += [NoteOn(on_us, pitch, 80, string), NoteOff(off_us, pitch, string)]
    events.sort(key=lambda event: event.time_us)
    return [*events, End(events[-1].time_us + 5_000_000)]


def missing(session: Session) -> set[int]:
    found = [v for v in session.verdicts.values() if isinstance(v, StrokeVerdict)]
    return {verdict.note for verdict in found if verdict.kind is Stroke.MISSING}


@pytest.mark.parametrize(("rows", "part"), [(TUNES, "melody"), (BASSES, "bass")])
def test_one_voice_alone_has_left_nothing_out(rows, part):
    session = judge(played(SCORE, rows), SCORE)
    assert missing(session) == set()
    result = report(session)
    assert [one.part for one in result.passes] == [part]
    assert pass_sentence(result, 1) == f"bars 1–6, {part} alone: clean."


@pytest.mark.parametrize("rows", [TUNES, BASSES])
def test_nor_is_it_said_while_it_goes_on(rows):
    session = Session(SCORE)
    for event in played(SCORE, rows)[:-1]:
        session.feed(event)
        assert missing(session) == set()


def test_one_bass_left_out_is_told_before_the_bar_is_over():
    left_out = BASSES[5]
    events = played(SCORE, [row for row in range(len(SCORE.notes)) if row != left_out])
    due_us = 1_000_000 + int(SCORE.notes["onset"][left_out]) * 1_000_000 // TICKS_PER_QUARTER
    session = Session(SCORE)
    for event in events:
        if event.time_us > due_us + 2_600_000:  # settled within two seconds of the notes around it
            break
        session.feed(event)
    assert missing(session) == {left_out}


def test_a_bar_without_its_basses_is_told_when_the_bass_comes_in_again():
    out = set(BASSES[4:8])
    session = judge(played(SCORE, [row for row in range(len(SCORE.notes)) if row not in out]), SCORE)
    assert missing(session) == out
    assert report(session).passes[0].part == ""


def test_three_bars_of_the_tune_alone_and_then_both():
    out = set(BASSES[:12])
    session = judge(played(SCORE, [row for row in range(len(SCORE.notes)) if row not in out]), SCORE)
    assert missing(session) == set()
    assert report(session).passes[0].part == "melody"


def test_where_both_voices_are_left_out_they_are_missing():
    out = {row for row, note in enumerate(SCORE.notes) if note["bar"] == 2 and note["onset"] % BAR < BAR // 4}
    assert len(out) == 3  # a beat: a bass and two notes of the tune
    session = judge(played(SCORE, [row for row in range(len(SCORE.notes)) if row not in out]), SCORE)
    assert missing(session) == out


def test_where_both_are_asked_for_the_other_is_missing():
    """A drill of both voices asks for both."""
    limits = replace(Limits(), hands_alone=False)
    session = judge(played(SCORE, TUNES), SCORE, limits=limits)
    assert len(missing(session)) >= len(BASSES) - 2


def test_two_basses_left_out_a_bar_apart_were_left_out_and_three_were_not_meant():
    """One bass a bar: the tune goes on for two bars without, which a beginner's slips do too."""
    score = piece("2/4", "A2 2, E2 2, A2 2, E2 2, A2 2, E2 2, A2 2, E2 2", "E4 1, C4 1, D4 1, B3 1, " * 4)
    basses = [row for row, note in enumerate(score.notes) if note["bass"]]
    every = range(len(score.notes))
    two, three = basses[2:4], basses[2:5]
    assert missing(judge(played(score, [row for row in every if row not in two]), score)) == set(two)
    assert missing(judge(played(score, [row for row in every if row not in three]), score)) == set()
