"""The page in one line of words: the right figures, and no sign that cannot be read aloud."""

import unicodedata

import pytest

from coach.core.events import End, Tick
from coach.core.session import Session
from coach.core.shapes import Foot, MarkKind, NoteMark, Ring, RingState, View
from coach.core.spoken import aloud, spoken
from coach.core.verdicts import Damping
from coach.core.view import Viewer
from tests.scores import piece
from tests.test_lanes import sat
from tests.test_session import CLEAN, STEPS, bass_line
from tests.test_truth import TAKES


def ring(state, *, settled=True):
    return Ring(5, 0.0, 1.0, 1.0, state, sounding=False, settled=settled, bar=0)


def mark(kind, *, settled=True):
    return NoteMark(kind, 0.0, 0, 60, settled)


def view(*, rings=(), marks=(), foot=None, bar=1, bars=(0, 1), **rest):
    rest = {"unsure": False, "pass_number": 2, "drifts": (), "stops": (), "tick": 0.0, **rest}
    return View(*bars, bar, rings=tuple(rings), marks=tuple(marks), foot=foot or Foot(), **rest)


def test_the_place_the_next_stop_and_what_went_wrong():
    found = view(
        rings=[ring(RingState.LATE), ring(RingState.RINGING), ring(RingState.CLEAN), ring(RingState.MISSED)],
        marks=[mark(MarkKind.WRONG), mark(MarkKind.WRONG), mark(MarkKind.MISSING)],
        foot=Foot(next_stop="next: stop ⑤ at the F♯, returning thumb"),
    )
    assert spoken(found, STEPS) == (
        "Bar 2 of 2, pass 2. Next: stop string 5 at the F sharp, returning thumb. "
        "So far: 1 late, 1 ringing on, 2 wrong notes, 1 left out."
    )


def test_what_may_still_change_is_not_counted():
    grey = view(rings=[ring(RingState.LATE, settled=False)], marks=[mark(MarkKind.EXTRA, settled=False)])
    assert spoken(grey, STEPS) == "Bar 2 of 2, pass 2."
    assert spoken(view(rings=[ring(RingState.CLEAN)]), STEPS) == "Bar 2 of 2, pass 2. So far all is clean."


def test_a_chunk_the_tally_the_message_and_the_alarm():
    foot = Foot(tally=3, message="bar 1, beat 2½: the B♭ on string 5 was stopped late (+240 ms).")
    assert spoken(view(bars=(0, 0), bar=0, foot=foot), STEPS) == (
        "Bar 1 alone, pass 2. Clean in a row: 3. "
        "Bar 1, beat 2 and a half: the B flat on string 5 was stopped late (240 milliseconds late)."
    )
    foot = Foot(port="the guitar is gone", alarm=True)
    assert spoken(view(foot=foot), STEPS).startswith("The guitar is gone. Bar 2 of 2")
    assert "guitar" not in spoken(view(foot=Foot(port="heard")), STEPS)
    assert "The place is not certain." in spoken(view(unsure=True), STEPS)
    assert "The take is over." in spoken(view(finished=True, unsure=True), STEPS)


def test_a_pickup_is_called_so():
    score = piece("4/4", "E2 1, A2 4, E2 4", pickup="1")
    assert spoken(view(bars=(0, 2), bar=0), score) == "The pickup to 2 bars, pass 2."
    assert spoken(view(bars=(0, 2), bar=1), score) == "Bar 1 of 2, pass 2."
    assert spoken(view(bars=(0, 1), bar=0), score) == "The pickup, of the pickup to bar 1, pass 2."
    assert spoken(view(bars=(1, 2), bar=2), score) == "Bar 2, of bars 1 to 2, pass 2."


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("bars 1–4", "bars 1 to 4"),
        ("♩ = 58", "quarter = 58"),
        ("1¾ beats too soon", "1 and three quarters beats too soon"),
        ("½ beat too soon", "half a beat too soon"),
        ("¼ beat too soon", "a quarter of a beat too soon"),
        ("−400 ms", "400 milliseconds early"),
        ("35 ms behind", "35 milliseconds behind"),
        ("stop ④ at the rest", "stop string 4 at the rest"),
    ],
)
def test_signs_become_words(text, said):
    assert aloud(text) == said


def test_a_sitting_from_the_first_note_to_the_end():
    session = Session(STEPS)
    viewer = Viewer(session)
    line = [(p, 1.3 if i == 1 else n) for i, (p, n) in enumerate(CLEAN)]
    assert spoken(viewer.view(0), STEPS).startswith("Bar 1 of 2, pass 1. Next: stop string 5 at the D, ")
    for event in bass_line(*line):
        session.feed(event)
    session.feed(Tick(12_000_000))
    assert spoken(viewer.view(12_000_000), STEPS) == (
        "Bar 2 of 2, pass 1. So far: 1 late. Clean in a row: 0."
    )
    session.feed(End(13_000_000))
    assert spoken(viewer.view(13_000_000), STEPS) == "Bar 2 of 2, pass 1. The take is over. So far: 1 late."


@pytest.mark.parametrize("path", TAKES, ids=lambda p: p.stem)
def test_of_a_take_the_faults_of_the_last_pass_are_counted_and_every_sign_can_be_said(path):
    session, truth = sat(path)
    number = len(session.matching.passes)
    shown = Viewer(session).view(session.now_us, pass_number=number, alone=True)
    line = spoken(shown, session.score)
    assert all(ord(c) < 128 or unicodedata.category(c)[0] in "LP" for c in line), line
    bars = {r.note for r in shown.rings}
    ends = [e for e in truth["ends"] if e["pass_number"] == number and e["note"] in bars]
    for kind, what in ((Damping.LATE, "late"), (Damping.RINGING, "ringing on"), (Damping.CUT, "cut short")):
        count = sum(end["verdict"] == kind.value for end in ends)
        assert (f"{count} {what}" in line) == (count > 0), line
