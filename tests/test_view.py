"""What the page is told, and that a long sitting does not make it slower to tell."""

import pytest

from coach.core.events import End, NoteOff, NoteOn
from coach.core.feedback import Amount
from coach.core.outcomes import Outcomes
from coach.core.session import Session
from coach.core.shapes import RingState
from coach.core.view import Viewer
from tests.scores import piece

LINE = piece("4/4", "A2 1, D3 1, E2 1, A2 1, D3 1, E2 1, A2 1, E2 1")
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
    judged = Outcomes._judged
    monkeypatch.setattr(Outcomes, "_judged", lambda self, m: (asked.append(m.index), judged(self, m))[1])
    viewer.view(session.now_us)
    assert all(index >= 160 - 16 for index in asked)
    assert viewer.course(session.now_us).amount is Amount.SECOND  # after eighteen clean passes


def test_a_page_that_shows_everything_asks_for_no_outcome(monkeypatch):
    session = fed(through(1.0))
    monkeypatch.setattr(Outcomes, "at", lambda self, now_us: pytest.fail("asked"))
    assert Viewer(session).view(session.now_us).rings
