"""How much is shown while playing, with sessions and takes: what is hidden comes back, and what is said."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.app.live import MESSAGE_NS, Live
from coach.app.piece import open_piece
from coach.app.sitting import Sitting, limits_of, replay
from coach.core.events import AllOff, End, NoteOff, NoteOn, Tick
from coach.core.feedback import Amount, Outcome
from coach.core.outcomes import PAUSE_US, Outcomes
from coach.core.report import report
from coach.core.session import Session
from coach.core.shapes import MarkKind, RingState
from coach.core.view import Viewer
from coach.core.wire import Decoder
from coach.devices.messages import Heard
from coach.files.take import read_take
from tests.harness import ROOT
from tests.scores import piece

EVERYTHING, LARGE, AFTER, SECOND = Amount
FAULTS = (RingState.LATE, RingState.RINGING, RingState.CUT)
TAKES = sorted((ROOT / "recordings").glob("*.mid"))


def hides_only(less, full):
    """Assert that a view has nothing on it which ``full`` has not, but for plain sounding lines."""
    assert set(less.marks) <= set(full.marks)
    assert set(less.drifts) <= set(full.drifts)
    for one in set(less.rings) - set(full.rings):
        same = [r for r in full.rings if (r.note, r.start_tick, r.bar) == (one.note, one.start_tick, one.bar)]
        assert one.state is RingState.SOUNDING
        assert one.words == ""
        assert one.slot_end_tick is not None
        assert one.end_tick <= one.slot_end_tick
        assert any(one.end_tick <= r.end_tick for r in same)
    for name in ("first_bar", "last_bar", "bar", "tick", "unsure", "pass_number", "stops", "foot"):
        assert getattr(less, name) == getattr(full, name)


# --- with a session -----------------------------------------------------------------------------------

LINE = piece("4/4", "A2 1, D3 1, E2 1, A2 1, D3 1, E2 1, A2 1, E2 1")
PITCHES, STRINGS = (45, 50, 40, 45, 50, 40, 45, 40), {45: 5, 50: 4, 40: 6}


def through(start_s, over=(), wrong=(), count=8):
    """LINE at a quarter a second; by index what hangs over by how many seconds, and the wrong notes."""
    events, over = [], dict(over)
    for k, written in enumerate(PITCHES[:count]):
        pitch = written + (1 if k in wrong else 0)
        on = start_s + k
        events.append(NoteOn(round(on * 1e6), pitch, 80, STRINGS[written]))
        events.append(NoteOff(round((on + 1 + over.get(k, 0.0)) * 1e6), pitch, STRINGS[written]))
    return events


class Played:
    """A session brought forward in time, with a viewer of each amount (kept as chosen)."""

    def __init__(self, events, score=LINE):
        self.events = sorted(events, key=lambda e: (e.time_us, isinstance(e, NoteOn)))
        self.session, self.next = Session(score), 0
        self.viewers = {amount: Viewer(self.session, amount=amount) for amount in Amount}

    def to(self, seconds):
        """Go on to a time; return the view of each amount."""
        now = round(seconds * 1e6)
        while self.next < len(self.events) and self.events[self.next].time_us <= now:
            self.session.feed(self.events[self.next])
            self.next += 1
        self.session.feed(Tick(now))
        return {amount: viewer.view(now) for amount, viewer in self.viewers.items()}


def states(view):
    return {r.note: r.state for r in view.rings}


def test_everything_is_the_page_as_it_was():
    played = Played(through(1.0, [(1, 0.25)]))
    views = played.to(6.0)
    assert views[EVERYTHING] == Viewer(played.session).view(6_000_000)
    assert states(views[EVERYTHING])[1] is RingState.LATE


def test_under_after_nothing_is_judged_until_the_pass_is_over_and_then_everything_is():
    played = Played(through(1.0, [(1, 0.25), (3, 1.4)], wrong=[5]))
    views = played.to(8.2)
    assert states(views[EVERYTHING])[1] is RingState.LATE
    assert states(views[EVERYTHING])[3] is RingState.RINGING
    assert [m.kind for m in views[EVERYTHING].marks] == [MarkKind.WRONG]
    assert set(states(views[AFTER]).values()) == {RingState.SOUNDING}
    assert len(views[AFTER].rings) == len(views[EVERYTHING].rings)
    assert views[AFTER].marks == views[AFTER].drifts == ()
    assert views[AFTER].stops == views[EVERYTHING].stops != ()
    views = played.to(10.1)  # two seconds after the last note: settled
    assert views[AFTER] == views[LARGE] == views[EVERYTHING]
    assert views[SECOND] != views[EVERYTHING]  # it waits for the second pass


def test_under_large_what_rang_on_and_the_wrong_note_show_at_once():
    views = Played(through(1.0, [(1, 0.25), (3, 1.4)], wrong=[5])).to(8.2)
    assert states(views[LARGE])[3] is RingState.RINGING
    assert states(views[LARGE])[1] is RingState.SOUNDING
    assert [m.kind for m in views[LARGE].marks] == [MarkKind.WRONG]


def test_while_the_second_pass_runs_the_marks_of_the_first_stand_until_their_bar_is_played_again():
    played = Played([*through(1.0, [(1, 0.25), (5, 0.25)]), *through(14.0, [(2, 0.25)])])
    played.to(13.0)
    seen = states(played.to(17.9)[AFTER])  # in bar 1 of the second pass; bar 2 still as of the first
    assert seen[2] is RingState.SOUNDING
    assert seen[5] is RingState.LATE


def test_the_marks_of_two_passes_come_together():
    played = Played([*through(1.0, [(1, 0.25)]), *through(14.0, [(5, 0.25)], count=5), *through(30.0)])
    assert set(states(played.to(13.0)[SECOND]).values()) == {RingState.SOUNDING}
    views = played.to(19.5)  # stopped in bar 2 of the second pass, but not for long enough
    assert set(states(views[SECOND]).values()) == {RingState.SOUNDING}
    views = played.to(27.0)
    assert views[SECOND] == views[EVERYTHING]


def test_who_stops_in_the_middle_sees_the_marks_and_who_goes_on_does_not():
    first = through(1.0, [(1, 0.25)])
    rest = [replace(event, time_us=event.time_us + 20_000_000) for event in first[10:]]
    played = Played([*first[:10], *rest])
    due = 6.0  # of the note that does not come
    assert states(played.to(due + PAUSE_US / 1e6 - 0.1)[AFTER])[1] is RingState.SOUNDING
    assert states(played.to(due + PAUSE_US / 1e6 + 0.1)[AFTER])[1] is RingState.LATE
    assert states(played.to(26.5)[AFTER])[1] is RingState.SOUNDING


def test_marks_that_have_come_stay_when_the_piece_is_begun_again():
    played = Played([*through(1.0, [(5, 0.25)]), *through(14.0)])
    for tenth in range(105, 180):  # from the end of the first pass into bar 1 of the second
        assert states(played.to(tenth / 10)[AFTER])[5] is RingState.LATE


def test_marks_that_came_in_a_pause_stay_when_the_piece_is_begun_again():
    played = Played([*through(1.0, [(4, 0.25)], count=6), *through(16.0, count=2)])
    assert states(played.to(11.5)[AFTER])[4] is RingState.LATE
    for tenth in range(161, 175):  # the turn is not settled yet
        views = played.to(tenth / 10)
        if len(played.session.matching.passes) > 1:
            assert not played.session.matching.passes[0].closed
            assert states(views[AFTER])[4] is RingState.LATE
    assert len(played.session.matching.passes) == 2


def test_a_string_brushed_makes_a_pass_not_clean():
    brushed = [
        NoteOn(3_500_000, 59, 30, 2),
        NoteOff(3_900_000, 59, 2),
    ]  # the open second, asked for by nobody
    for extra, clean in ([], True), (brushed, False):
        played = Played([*through(1.0), *extra])
        played.to(13.0)
        (outcome,) = Outcomes(played.session).at(13_000_000)
        assert outcome == Outcome(over=True, final=True, counts=True, clean=clean)
        assert [one.clean for one in report(played.session).passes] == [clean]


def test_at_the_end_of_the_take_all_is_shown_whatever_was_chosen():
    played = Played([*through(1.0, [(1, 0.25)], count=4), End(5_100_000)])
    views = played.to(5.2)
    assert views[AFTER] == views[SECOND] == views[LARGE] == views[EVERYTHING]


def test_the_page_fades_by_itself_as_passes_become_clean():
    session = Session(LINE)
    viewer = Viewer(session, amount=LARGE, fixed=False)
    seen = []
    for k in range(5):
        for event in through(1.0 + 14 * k):
            session.feed(event)
        now = round((14.5 + 14 * k) * 1e6)
        session.feed(Tick(now))
        seen.append(viewer.course(now).amount)
    assert seen == [LARGE, LARGE, AFTER, AFTER, AFTER]
    assert viewer.course(session.now_us).changes == (
        "Three clean passes: the marks now come after each pass.",
    )


faults = st.dictionaries(st.integers(0, 7), st.sampled_from([-0.6, 0.25, 0.6, 1.5]), max_size=4)
one_pass = st.tuples(faults, st.sets(st.integers(0, 7), max_size=2), st.integers(3, 8))


@settings(max_examples=40, deadline=None)
@given(st.lists(one_pass, min_size=1, max_size=4), st.lists(st.floats(0.0, 60.0), max_size=12))
def test_no_amount_ever_shows_what_everything_would_not(passes, moments):
    events, start = [], 1.0
    for over, wrong, count in passes:
        events += through(start, over.items(), wrong, count)
        start += count + 3.5
    played = Played([*events, AllOff(round(start * 1e6), None)])
    for moment in sorted(moments):
        views = played.to(moment)
        now = round(moment * 1e6)
        for amount, view in views.items():
            hides_only(view, views[EVERYTHING])
            if played.viewers[amount].course(now).shown == len(played.session.matching.passes):
                assert view == views[EVERYTHING]
    before = dict(played.session.verdicts)
    played.session.feed(End(90_000_000))
    views = {amount: viewer.view(90_000_000) for amount, viewer in played.viewers.items()}
    assert all(view == views[EVERYTHING] for view in views.values())
    assert all(played.session.verdicts[key].kind == v.kind for key, v in before.items() if _kind(v))


def _kind(verdict):
    return verdict.settled and getattr(verdict, "kind", None)


# --- with the takes -----------------------------------------------------------------------------------


@pytest.mark.parametrize("path", TAKES, ids=lambda p: p.stem)
def test_takes_hide_only_while_they_are_played(path):
    take = read_take(path)
    truth = json.loads(path.with_suffix(".truth.json").read_text("utf-8"))
    score = open_piece(ROOT / "scores" / truth["score"])
    limits = limits_of(take.meta.tolerances)
    session = Session(score.score, profile=take.meta.profile, limits=limits)
    viewers = {amount: Viewer(session, amount=amount, fixed=False) for amount in Amount}
    plain, decoder, at = Viewer(session), Decoder(session.profile), 0
    for part in range(1, 12):
        now = take.end_us * part // 12
        while at < len(take.messages) and take.messages[at][0] <= now:
            for event in decoder.decode(*take.messages[at]):
                session.feed(event)
            at += 1
        session.feed(Tick(now))
        full = plain.view(now)
        for viewer in viewers.values():
            hides_only(viewer.view(now), full)
        hidden = viewers[AFTER].view(now)
        judged = [r for r in full.rings if r.state in FAULTS]
        if viewers[AFTER].course(now).shown == 0 and judged:
            assert not any(r.state in FAULTS for r in hidden.rings)
            assert hidden != full
    for time_us, data in take.messages[at:]:
        for event in decoder.decode(time_us, data):
            session.feed(event)
    session.feed(End(max(take.end_us, session.now_us)))
    full = plain.view(session.now_us)
    assert all(viewer.view(session.now_us) == full for viewer in viewers.values())
    afresh, _ = replay(take, score, profile=None, limits=limits)
    assert session.verdicts.keys() == afresh.verdicts.keys()
    assert [one.clean for one in Outcomes(session).at(session.now_us)] == [
        one.clean for one in report(session).passes
    ]


# --- what is said -------------------------------------------------------------------------------------


class Paper:
    """A window that only keeps what it was shown."""

    def wake(self):
        pass

    def show(self, view):
        self.view = view

    def say(self, words):
        self.said = words


def sat(name, times, **how):
    """Play a take so many times in one sitting; return the messages at the foot, in order."""
    take = read_take(ROOT / "recordings" / f"{name}.mid")
    truth = json.loads((ROOT / "recordings" / f"{name}.truth.json").read_text("utf-8"))
    sitting = Sitting(
        open_piece(ROOT / "scores" / truth["score"]),
        profile=take.meta.profile,
        limits=limits_of(take.meta.tolerances),
        folder=None,
        started=datetime(2031, 5, 4, 18, 30, tzinfo=UTC),
    )
    live = Live(sitting, Paper(), **how)
    rows = [
        (10**12 + (us + k * (take.end_us + 8_000_000)) * 1000, data)
        for k in range(times)
        for us, data in take.messages
    ]
    said, at = [], 0
    for now in range(rows[0][0], rows[-1][0] + 12_000_000_000, 250_000_000):
        while at < len(rows) and rows[at][0] <= now:
            sitting.hear(Heard(*rows[at]))
            at += 1
        sitting.tick(now)
        live._tell_pass(now)
        if live._message and (not said or said[-1][0] != live._message):
            said.append((live._message, now))
    assert live._message == "" or said[-1][1] + MESSAGE_NS > now
    return [text for text, _ in said]


def test_after_three_clean_passes_the_foot_says_what_shows_from_now_on():
    assert sat("01-lamps-on-prepared", 3, fixed=False) == [
        "bars 1–8: clean.",
        "Three clean passes: only large faults now show as you play.",
    ]


def test_a_fixed_amount_says_only_how_the_pass_went():
    assert sat("01-lamps-on-prepared", 3) == ["bars 1–8: clean."]


def test_of_a_pass_that_is_kept_back_nothing_is_said_until_the_second():
    fault = sat("01-lamps-on-evening", 1)
    assert len(fault) == 1
    assert fault[0].startswith("bar ")
    assert sat("01-lamps-on-evening", 1, amount=SECOND) == []
    assert sat("01-lamps-on-evening", 2, amount=SECOND) == fault
