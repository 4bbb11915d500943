"""What makes a pass clean: one answer everywhere, given when the pass is over and never taken back."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.app.pass_result import pass_result
from coach.app.pass_rows import rows_of
from coach.core.clean import cleanness
from coach.core.events import End, NoteOff, NoteOn, Tick
from coach.core.outcomes import Outcomes
from coach.core.report import report
from coach.core.score import TICKS_PER_QUARTER
from coach.core.session import Session, judge
from coach.core.summary import pass_sentence
from coach.core.timing import pass_onsets
from coach.core.verdicts import DRIFT_FAULT_MS, Limits, Stroke, StrokeVerdict
from coach.core.words import unclear_sentence
from coach.files.take import TakeMeta
from tests.scores import piece

# A tune above a bass, the last group a chord of both.
SCORE = piece("4/4", "A2 2, E3 2, A2 2, E3 2", melody="E4 1, G4 1, A4 1, G4 1, E4 1, G4 1, A4 2")
META = TakeMeta(started="2031-05-04T18:30:00+00:00")


def played(score, start_s=1.0, *, without=(), late=(), quarter_s=1.0):
    """A score played evenly and stopped in time, but for rows left out or played so much later."""
    late, events = dict(late), []
    for row, note in enumerate(score.notes):
        if row in without:
            continue
        begin = start_s + late.get(row, 0.0)
        on = begin + int(note["onset"]) / TICKS_PER_QUARTER * quarter_s
        off = begin + int(note["onset"] + note["duration"]) / TICKS_PER_QUARTER * quarter_s - 0.01
        string = int(note["string"])
        events.append(NoteOn(round(on * 1e6), int(note["pitch"]), 80, string))
        events.append(NoteOff(round(off * 1e6), int(note["pitch"]), string))
    return sorted(events, key=lambda e: (e.time_us, isinstance(e, NoteOn)))


def sat(events, until_s=None, **how):
    """A session that was fed events, and ticks at every quarter of a second up to a time."""
    session = Session(SCORE, **how)
    ticks = [Tick(k * 250_000) for k in range(int((until_s or 0) * 4) + 1)]
    for event in sorted([*events, *ticks], key=lambda e: e.time_us):
        session.feed(event)
    return session


def missing(session):
    return {v.note for v in session.verdicts.values() if v.settled and _is_missing(v)}


def _is_missing(verdict):
    return isinstance(verdict, StrokeVerdict) and verdict.kind is Stroke.MISSING


def answers(session, number=1):
    """Whether a pass was clean: as the page fades by, the report, the drill and the history say it."""
    result = report(session)
    rows = {row.number: row for row, _ in rows_of(session, result, META, "a.mid")}
    return {
        Outcomes(session).at(session.now_us)[number - 1].clean,
        result.passes[number - 1].clean,
        pass_result(session, result, number).clean,
        rows[number].clean,
        cleanness(session, session.matching.passes[number - 1]).clean,
    }


LAST = {row for row, note in enumerate(SCORE.notes) if note["onset"] == SCORE.notes["onset"].max()}
BASS, TUNE = sorted(LAST, key=lambda row: int(SCORE.notes["pitch"][row]))
BEFORE = next(row for row, note in enumerate(SCORE.notes) if note["onset"] == 5 * TICKS_PER_QUARTER)


def test_an_even_pass_is_clean_everywhere():
    session = sat(played(SCORE), 14)
    assert report(session).passes[0].faults == ()
    assert answers(session) == {True}


@pytest.mark.parametrize("row", [BASS, TUNE, BEFORE])
def test_what_is_left_out_at_the_end_is_settled_two_seconds_after_the_last_note(row):
    events = played(SCORE, without={row})
    session = Session(SCORE)
    for event in events:
        session.feed(event)
    last_us = max(e.time_us for e in events if isinstance(e, NoteOn))
    session.feed(Tick(last_us + Limits().settle_us))  # nothing earlier is coming, but the moment itself may
    assert row not in missing(session)
    assert not Outcomes(session).at(session.now_us)[0].final
    session.feed(Tick(last_us + Limits().settle_us + 1))
    assert missing(session) == {row}
    session.feed(Tick(13_000_000))
    (outcome,) = Outcomes(session).at(session.now_us)
    assert (outcome.final, outcome.clean) == (True, False)
    assert answers(session) == {False}


def test_who_pauses_before_the_end_has_left_nothing_out():
    """Four seconds before the last chord: its notes are not missing, nor those of the group before it."""
    session = sat(played(SCORE, late={BASS: 4.0, TUNE: 4.0}), 10.9)  # the last chord comes at 11 s
    assert missing(session) == set()
    assert session.matching.passes[0].ending is None


def test_a_note_that_comes_after_the_end_neither_mends_nor_spoils_the_pass():
    late = sat(played(SCORE, late={BASS: 3.0}), 14)  # three seconds after its chord
    assert missing(late) == {BASS}
    assert answers(late) == {False}
    strokes = [v for v in late.verdicts.values() if isinstance(v, StrokeVerdict)]
    assert [v.kind for v in strokes if v.note == BASS] == [Stroke.MISSING]
    touched = [NoteOn(12_500_000, 59, 80, 2), NoteOff(13_000_000, 59, 2)]
    for until_s in (12, 20):
        session = sat([*played(SCORE), *touched], until_s)
        assert answers(session) == {True}
    assert pass_sentence(report(session), 1).endswith("clean.")


def test_a_bar_that_strays_spoils_a_pass_everywhere_and_says_so():
    second = {row: 0.13 for row, note in enumerate(SCORE.notes) if note["bar"] == 1}
    session = sat(played(SCORE, late=second), 14, limits=Limits(drift_fault_ms=DRIFT_FAULT_MS))
    one = report(session).passes[0]
    assert one.faults == ()
    assert one.drifted is None  # a step half way: 65 ms either side of the line, at most
    session = sat(played(SCORE, late=second), 14, limits=Limits(drift_fault_ms=20.0))
    one = report(session).passes[0]
    assert one.faults == ()
    assert one.count == 1
    assert answers(session) == {False}
    off_ms = one.drifted.timing.drift_ms
    told = f"{abs(off_ms):.0f} ms {'behind' if off_ms > 0 else 'ahead'}"
    assert pass_sentence(report(session), 1) == f"Bar {one.drifted.bar} was {told}."
    freely = sat(played(SCORE, late=second), 14)  # nobody has asked for an even beat
    assert answers(freely) == {True}
    assert report(freely).passes[0].drift_limit_ms is None


@pytest.mark.parametrize("quarter_s", [0.8, 1.0, 2.0])
def test_slower_a_bar_may_stray_further(quarter_s):
    """Just noticeable is a share of the time between tones (Friberg & Sundberg 1995), and so the limit."""
    limits = Limits(drift_fault_ms=DRIFT_FAULT_MS)
    session = judge([*played(SCORE, quarter_s=quarter_s), End(30_000_000)], SCORE, limits=limits)
    assert report(session).passes[0].drift_limit_ms == pytest.approx(80.0 * quarter_s, rel=0.01)


rows = st.integers(0, len(SCORE.notes) - 1)
takes = st.lists(
    st.tuples(st.sets(rows, max_size=2), st.dictionaries(rows, st.floats(0.0, 5.0), max_size=2)),
    min_size=1,
    max_size=3,
)


@settings(max_examples=60, deadline=None)
@given(takes, st.floats(0.5, 6.0))
def test_what_is_final_stays_and_live_and_replayed_agree(passes, rest_s):
    events, start = [], 1.0
    for without, late in passes:
        events += played(SCORE, start, without=without, late=late)
        start += 10.0 + rest_s
    events.sort(key=lambda e: (e.time_us, isinstance(e, NoteOn)))
    session, seen, said = Session(SCORE), {}, {}
    live, outcomes = iter(events), Outcomes(session)
    following = next(live, None)
    for now in range(0, round((start + 8) * 1e6), 400_000):
        while following is not None and following.time_us <= now:
            session.feed(following)
            following = next(live, None)
        session.feed(Tick(now))
        for number, one in enumerate(outcomes.at(now), 1):
            whole = one.final and session.matching.passes[number - 1].ending is not None
            if whole:
                assert seen.setdefault(number, one.clean) == one.clean
        for key, verdict in session.verdicts.items():
            if verdict.settled and isinstance(verdict, StrokeVerdict):
                assert said.setdefault(key, verdict) == verdict
    end = End(round((start + 9) * 1e6))
    session.feed(end)
    assert {k: session.verdicts[k] for k in said} == said
    offline = judge([*events, end], SCORE)
    assert offline.verdicts == session.verdicts
    named = [(v.pass_number, v.note) for v in said.values() if v.note >= 0]
    assert len(named) == len(set(named))  # a note is never both missing and played
    for number, clean in seen.items():
        assert report(session).passes[number - 1].clean == clean
        assert report(offline).passes[number - 1].clean == clean


def astray(count, from_us=6_000_000):
    """Any notes at any time, after the score was played to its middle, or to nowhere."""
    found = [e for e in played(SCORE, without=range(6, 11)) if e.time_us < from_us]
    for at in range(count):
        us = from_us + at * 230_000 + (at * 7919) % 90_000
        string, fret = 1 + (at * 5) % 6, 1 + (at * 7) % 9
        pitch = SCORE.tuning.open_pitch(string) + fret
        found += [NoteOn(us, pitch, 80, string), NoteOff(us + 150_000, pitch, string)]
    return found


def test_a_pass_in_which_the_place_was_lost_is_not_clean_and_blames_nobody_for_it():
    session = judge(astray(30), SCORE)
    lost = [match for match in session.matching.matches if match.lost]
    assert len(lost) > 20
    played_lost = {match.played.index for match in lost}
    assert not [v for v in session.verdicts.values() if v.played in played_lost and v.played >= 0]
    for during in session.matching.passes:
        found = cleanness(session, during)
        assert found.unclear <= sum(match.during is during for match in lost)
        assert not (found.clean and found.unclear)
    assert sum(cleanness(session, during).unclear for during in session.matching.passes) > 20
    number = lost[-1].during.number
    told = report(session).passes[number - 1]
    assert told.unclear > 0
    assert not told.clean
    assert not pass_result(session, report(session), number).clean
    if not told.count:
        assert pass_sentence(report(session), number) == unclear_sentence(told.unclear)


def test_who_begins_the_piece_after_trying_strings_has_begun_it_there():
    start_s = 10.0
    session = judge([*astray(30, from_us=1_000_000), *played(SCORE, start_s)], SCORE)
    assert any(match.lost for match in session.matching.matches)
    last = session.matching.passes[-1]
    begun = [match for match in session.matching.matches if match.played.on_us >= start_s * 1e6]
    assert all(match.during is last for match in begun)
    assert [match.label.note for match in begun if match.label.right] == [match.label.note for match in begun]
    assert not any(match.lost for match in begun)
    assert answers(session, last.number) == {True}


def test_while_the_place_is_lost_nothing_is_pencilled_in_as_left_out_and_no_bar_is_timed():
    session, missing_then = Session(SCORE), set()
    for event in astray(30):
        session.feed(event)
        lost = [match for match in session.matching.matches if match.astray]
        if len(lost) > 8:
            missing_then |= {v.note for v in session.verdicts.values() if _is_missing(v) and not v.settled}
    session.feed(End(30_000_000))
    assert missing_then == set()
    first_lost = next(match for match in session.matching.matches if match.astray)
    for during in session.matching.passes:
        assert all(onset.us < first_lost.played.on_us for onset in pass_onsets(SCORE, during))


def test_what_is_tried_over_after_the_last_note_does_not_make_the_pass_unclear():
    end_us = max(e.time_us for e in played(SCORE))
    after = [replace(e, time_us=e.time_us + end_us + 400_000 - 6_000_000) for e in astray(20)[-40:]]
    session = judge([*played(SCORE), *after], SCORE)
    assert any(match.astray for match in session.matching.matches)
    assert cleanness(session, session.matching.passes[0]).unclear == 0
    right = [m.label.note for m in session.matching.of_pass(session.matching.passes[0]) if not m.astray]
    assert set(right) >= set(range(len(SCORE.notes)))
