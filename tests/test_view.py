"""What the page is told, and that a long sitting does not make it slower to tell."""

from dataclasses import replace

import pytest

from coach.core.events import End, NoteOff, NoteOn, Tick
from coach.core.feedback import Amount, Outcome, course
from coach.core.outcomes import GOING_ON, Outcomes
from coach.core.report import report
from coach.core.session import Session
from coach.core.shapes import Foot, RingState
from coach.core.summary import other_sentence
from coach.core.view import Viewer
from coach.files.report import review_text
from tests.scores import piece

LINE = piece("4/4", "A2 1, D3 1, E2 1, A2 1, D3 1, E2 1, A2 1, E2 1")
TWICE = piece("4/4", "A2 1, D3 1, E2 1, A2 1, D3 1, E2 1, A2 1, E2 1, " * 2)
PITCHES, STRINGS = (45, 50, 40, 45, 50, 40, 45, 40), {45: 5, 50: 4, 40: 6}
QUARTER = 10_080


def through(start_s, over_s=()):
    """LINE at a quarter a second; ``over_s`` says by index how long a note hangs over."""
    events = []
    for k, pitch in enumerate(PITCHES):
        on, over = start_s + k, dict(over_s).get(k, 0.0)
        events.append(NoteOn(round(on * 1e6), pitch, 80, STRINGS[pitch]))
        events.append(NoteOff(round((on + 1 + over) * 1e6), pitch, STRINGS[pitch]))
    return events


def fed(events):
    session = Session(LINE)
    for event in sorted(events, key=lambda e: (e.time_us, isinstance(e, NoteOn))):
        session.feed(event)
    return session


def test_a_late_stop_is_a_line_past_its_slot_with_its_words():
    session = fed([*through(1.0, [(1, 0.25)]), End(12_000_000)])
    view = Viewer(session).view(12_000_000)
    ring = next(r for r in view.rings if r.note == 1)
    assert ring.state is RingState.LATE
    assert (ring.start_tick, ring.slot_end_tick) == (QUARTER, 2 * QUARTER)
    assert ring.end_tick == pytest.approx(2.25 * QUARTER)
    assert "250" in ring.words


def test_the_next_stop_and_a_wrong_note_have_the_names_that_are_read():
    score = piece("4/4", "E2 1, C#3 1, D3 1, G2 1, A2 1, E2 1")
    score = replace(
        score,
        places=(4, 7, 2, 1, 3, 4),  # E, C sharp, D, G, A on the line of fifths
        bars=tuple(replace(bar, fifths=-1) for bar in score.bars),
        mode="minor",
    )
    session = Session(score)
    viewer = Viewer(session)
    assert viewer.view(0).foot.stop_where == "at the C♯"
    played = [(40, 6), (49, 5), (50, 4), (49, 5), (45, 5), (40, 6)]  # the fourth is a C sharp for a G
    for k, (pitch, string) in enumerate(played):
        session.feed(NoteOn(round((1 + k) * 1e6), pitch, 80, string))
        session.feed(NoteOff(round((1.9 + k) * 1e6), pitch, string))
    session.feed(End(9_000_000))
    assert [mark.words for mark in viewer.view(9_000_000).marks] == ["C♯"]
    rows = report(session).notes
    assert [row.tone for row in rows] == ["E", "C♯", "D", "C♯", "A", "E"]
    assert other_sentence(rows[3]) == "bar 1, beat 4: C♯ was played, another note is written."
    assert "C♯ played" in review_text(report(session))


def test_a_sounding_string_grows_and_is_overdue_past_its_slot():
    session = fed([e for e in through(1.0) if e.time_us <= 3_100_000 and not isinstance(e, NoteOff)])
    viewer = Viewer(session)
    early, late = (next(r for r in viewer.view(us).rings if r.note == 1) for us in (2_900_000, 3_400_000))
    assert (early.state, early.sounding) == (RingState.SOUNDING, True)
    assert (late.state, late.sounding) == (RingState.OVERDUE, True)
    assert late.end_tick == pytest.approx(2.4 * QUARTER)


def test_a_bar_played_again_shows_its_last_playing_only():
    events = [*through(1.0, [(1, 0.25), (5, 0.25)]), *through(12.0)[:8], End(25_000_000)]
    view = Viewer(fed(events)).view(25_000_000)
    # Bar 1 as of the second time, clean; bar 2 still as of the first.
    states = {r.note: r.state for r in view.rings}
    assert states[1] is RingState.CLEAN
    assert states[5] is RingState.LATE
    assert len(view.rings) == len(states)


def test_a_view_kept_up_during_a_take_equals_one_made_afterwards():
    events = [e for k in range(6) for e in through(1.0 + 11 * k, [(k, 0.3)])]
    events.sort(key=lambda e: (e.time_us, isinstance(e, NoteOn)))
    session = Session(LINE)
    kept = Viewer(session)
    for event in events:
        session.feed(event)
        assert kept.view(session.now_us) == Viewer(session).view(session.now_us)
    session.feed(End(90_000_000))
    assert kept.view(90_000_000) == Viewer(session).view(90_000_000)


def test_rings_of_passes_long_past_are_not_reckoned_again(monkeypatch):
    session = fed([e for k in range(20) for e in through(1.0 + 11 * k)])
    viewer = Viewer(session)
    viewer.view(session.now_us)
    asked = []
    reckon = viewer._rings._ring_of
    monkeypatch.setattr(
        viewer._rings, "_ring_of", lambda match, now: (asked.append(match.index), reckon(match, now))[1]
    )
    viewer.view(session.now_us)
    assert len(session.matching.matches) == 160
    assert all(index >= 160 - 12 for index in asked)


def test_passes_long_past_are_not_looked_through_again_to_know_how_much_to_show(monkeypatch):
    session = fed([e for k in range(20) for e in through(1.0 + 11 * k)])
    viewer = Viewer(session, amount=Amount.AFTER, fixed=False)
    viewer.view(session.now_us)
    asked = []
    decided = Session.decided
    monkeypatch.setattr(Session, "decided", lambda self, m: (asked.append(m.index), decided(self, m))[1])
    viewer.view(session.now_us)
    assert all(index >= 160 - 16 for index in asked)
    assert viewer.course(session.now_us).amount is Amount.SECOND  # after eighteen clean passes


def test_a_page_that_shows_everything_asks_for_the_outcomes_once_a_view_and_looks_at_no_note(monkeypatch):
    """Only the tally needs them: while a pass goes on, nothing in it is looked through."""
    session = fed(through(1.0))
    viewer = Viewer(session)
    asked = []
    at = Outcomes.at
    monkeypatch.setattr(Outcomes, "at", lambda self, now_us: (asked.append(now_us), at(self, now_us))[1])
    monkeypatch.setattr(Session, "decided", lambda self, match: pytest.fail("looked through"))
    assert viewer.view(session.now_us).rings
    assert asked == [session.now_us]
    viewer.view(session.now_us, pass_number=1)
    session.feed(End(12_000_000))
    viewer.view(12_000_000)
    assert len(asked) == 2  # a take that is over has no tally


# --- the tally ----------------------------------------------------------------------------------------


def tallied(*faulty, **how):
    """The tally after each whole pass, well before the next; ``faulty`` says which have a late stop."""
    session, found = Session(LINE), []
    viewer = Viewer(session, **how)
    for k, late in enumerate(faulty):
        events = through(1.0 + 20 * k, [(1, 0.25)] if late else ())
        for event in sorted(events, key=lambda e: (e.time_us, isinstance(e, NoteOn))):
            session.feed(event)
        session.feed(Tick(round((18.0 + 20 * k) * 1e6)))
        found.append(viewer.view(session.now_us).foot.tally)
    return found, session, viewer


def test_the_tally_counts_clean_passes_in_a_row_and_a_faulty_one_begins_anew():
    found, session, viewer = tallied(False, False, True, False)
    assert found == [1, 2, 0, 1]
    now = viewer.course(session.now_us)
    assert (now.counted, now.clean_in_a_row) == (4, 1)
    session.feed(End(90_000_000))
    assert viewer.view(90_000_000).foot.tally is None


@pytest.mark.parametrize("amount", list(Amount))
def test_the_tally_goes_on_when_less_is_shown(amount):
    assert tallied(*[False] * 5, amount=amount, fixed=False)[0] == [1, 2, 3, 4, 5]


def test_nothing_is_tallied_before_a_pass_is_over_nor_for_a_false_start():
    session = fed(through(1.0)[:9])
    viewer = Viewer(session)
    assert viewer.view(session.now_us).foot.tally is None
    session.feed(Tick(30_000_000))  # one bar and a note, then silence: long enough to count
    assert viewer.view(30_000_000).foot.tally is None  # it may go on: not over for good
    clean, faulty, false_start = (
        Outcome(over=True, final=True, counts=counts, clean=clean)
        for counts, clean in ((True, True), (True, False), (False, False))
    )
    found = course([clean, clean, false_start, clean], Amount.EVERYTHING)
    assert (found.counted, found.clean_in_a_row) == (3, 3)
    found = course([clean, faulty, false_start, clean, GOING_ON], Amount.EVERYTHING)
    assert (found.counted, found.clean_in_a_row) == (3, 1)
    found = course([false_start, GOING_ON], Amount.EVERYTHING)
    assert (found.counted, found.clean_in_a_row) == (0, 0)


def test_a_tally_of_the_callers_own_stands():
    _, session, viewer = tallied(False)
    assert viewer.view(session.now_us, foot=Foot(tally=7)).foot.tally == 7


# --- one pass alone -----------------------------------------------------------------------------------


def test_alone_shows_all_bars_of_one_pass_and_nothing_else():
    events = [*through(1.0, [(1, 0.25), (5, 0.25)]), *through(12.0, [(2, 0.3)])[:8], End(25_000_000)]
    viewer = Viewer(fed(events))
    first = viewer.view(25_000_000, pass_number=1, alone=True)
    assert {r.note: r.state for r in first.rings if r.state is not RingState.CLEAN} == {
        1: RingState.LATE,
        5: RingState.LATE,
    }
    assert len(first.rings) == 8
    second = viewer.view(25_000_000, pass_number=2, alone=True)
    assert [r.note for r in second.rings if r.state is RingState.LATE] == [2]
    assert {r.bar for r in second.rings} == {0}
    assert {d.bar for d in second.drifts} == {0}
    # Together, as before: bar 1 as of the second time, bar 2 as of the first.
    both = viewer.view(25_000_000)
    assert {r.note for r in both.rings if r.state is RingState.LATE} == {2, 5}


def test_alone_shows_bars_however_far_they_are_from_the_playhead():
    score = piece("1/4", ", ".join(["A2 1", "D3 1"] * 50))
    session = Session(score)
    for k in range(100):
        pitch, string = ((45, 5), (50, 4))[k % 2]
        session.feed(NoteOn(1_000_000 * (k + 1), pitch, 80, string))
        session.feed(NoteOff(1_000_000 * (k + 2), pitch, string))
    session.feed(End(110_000_000))
    assert len(Viewer(session).view(100_500_000, pass_number=1).rings) < 100  # what is near the player
    assert len(Viewer(session).view(100_500_000, pass_number=1, alone=True).rings) == 100


def test_alone_a_bar_of_a_repeat_is_of_the_round_the_playhead_has_come_to():
    bars = tuple(replace(bar, written=k % 2, round=1 + k // 2) for k, bar in enumerate(TWICE.bars))
    score = replace(TWICE, bars=bars)
    session = Session(score)
    events = [*through(1.0, [(1, 0.25)]), *through(9.0, [(2, 0.25)])]
    for event in sorted(events, key=lambda e: (e.time_us, isinstance(e, NoteOn))):
        session.feed(event)
    session.feed(End(25_000_000))
    assert len(session.matching.passes) == 1
    viewer = Viewer(session)

    def shown(us):
        return sorted({r.bar for r in viewer.view(us, pass_number=1, alone=True).rings})

    assert shown(1_500_000) == [0, 1]
    assert shown(6_500_000) == [0, 1]
    assert shown(9_500_000) == [1, 2]  # bar 1 of the second round, bar 2 still of the first
    assert shown(25_000_000) == [2, 3]
