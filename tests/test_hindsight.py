"""A take judged as it went, and with all of it known: literal takes, and what must hold of any."""

import json

import pytest

from coach.cli import main
from coach.core.events import End, NoteOff, NoteOn
from coach.core.hindsight import Difference, Said, differences, keeping, recalling
from coach.core.hindsight_words import hindsight_text
from coach.core.report import report
from coach.core.score import TICKS_PER_QUARTER
from coach.core.session import Session
from coach.core.wire import Decoder
from coach.files.report import review_json
from tests.harness import ROOT
from tests.pieces import generated_piece
from tests.player import Faults, Player
from tests.scores import piece

# Four bars of fourteen beats; the first and the third are equal, and what follows each is not.
EQUAL = "E4 1, D4 1, C4 1, B3 1, C4 1, D4 1, E4 1, F4 1, G4 1, F4 1, E4 1, D4 1, C4 1, D4 1"
TUNE = piece("14/4", "", f"{EQUAL}, A3 7, G3 7, {EQUAL}, C5 1, B4 1, A4 1, G4 1, F4 1, E4 1, D4 1, C4 7")
BEAT = 600_000


def played(rows, beat=BEAT):
    """Return the events of some rows, a beat apart."""
    return struck([(row, at * beat) for at, row in enumerate(rows)], beat)


def in_time(rows):
    """Return the events of some rows as the score has them."""
    return struck([(row, int(TUNE.notes["onset"][row]) * BEAT // TICKS_PER_QUARTER) for row in rows], BEAT)


def struck(strokes, beat):
    events = []
    for row, at_us in strokes:
        note = TUNE.notes[row]
        us = 1_000_000 + at_us
        events.append(NoteOn(us, int(note["pitch"]), 80, int(note["string"])))
        events.append(NoteOff(us + beat // 2, int(note["pitch"]), int(note["string"])))
    return [*sorted(events, key=lambda e: e.time_us), End(1_000_000 + strokes[-1][1] + 11 * beat)]


def twice(events, score=TUNE, **how):
    live = heard(events, score, follow=keeping, **how)
    return live, heard(events, score, follow=recalling(live.follower), **how)


def heard(events, score, **how):
    session = Session(score, **how)
    for event in events:
        session.feed(event)
    return session


def test_a_take_without_doubts_is_judged_alike():
    live, back = twice(in_time(range(24)))
    assert differences(live, back) == ()
    assert back.verdicts == live.verdicts
    assert hindsight_text(TUNE, ()) == "Looking back over the whole take changes nothing."


def test_which_of_two_equal_bars_it_was_shows_afterwards():
    """Begun in the third bar, which is the first to the note: only the fourth bar tells."""
    rows = range(16, 37)  # the equal bar again, then seven notes of the last
    live, back = twice(played(rows))
    settled = [m.label.note for m in live.matching.matches]
    assert settled[:2] == [0, 1]  # taken for the first bar, and settled after twelve notes
    assert settled[14:] == list(range(30, 37))
    assert [m.label.note for m in back.matching.matches] == list(rows)
    found = differences(live, back)
    assert found[0] == Difference(1_000_000, 64, Said("right", 0, 1, 0), Said("right", 2, 1, 16))
    assert hindsight_text(TUNE, found).splitlines()[1] == (
        "- E4, at 0:01: right in bar 1 as you played, right in bar 3 looking back"
    )
    document = json.loads(review_json(report(back), None, found))
    assert document["hindsight"][0] == {
        "on_s": 1.0,
        "pitch": 64,
        "live": {"verdict": "right", "pass": 1, "bar": 1, "note": 0},
        "hindsight": {"verdict": "right", "pass": 1, "bar": 3, "note": 16},
    }
    assert "hindsight" not in json.loads(review_json(report(live)))


@pytest.mark.parametrize("seed", range(3))
def test_keeping_the_whole_take_changes_no_verdict(seed):
    """Without hindsight, what is judged afterwards is what was judged live, to the last figure."""
    score = generated_piece(seed, bars=12, distinct=3)
    faults = Faults(wrong=0.05, missing=0.05, extra=0.05, late=0.1, restarts=4)
    take = Player(score, seed=seed, faults=faults).play()
    decoder = Decoder(take.profile)
    events = [event for us, data in take.messages for event in decoder.decode(us, data)]
    events.append(End(take.end_us))
    usual = heard(events, score, profile=take.profile)
    live, back = twice(events, score, profile=take.profile)
    assert live.verdicts == usual.verdicts
    assert len(back.matching.matches) == len(live.matching.matches)
    assert all(verdict.settled for verdict in back.verdicts.values())
    recalled = live.follower.trace(live.follower.fed)
    wanted = [label.note for label in recalled]
    taken = [match.label.note for match in back.matching.matches]
    # A label may still be refused: its note was taken already in the pass, or given up.
    assert sum(a != b for a, b in zip(taken, wanted, strict=True)) <= len(taken) // 50


def test_the_command_says_what_hindsight_changes(capsys):
    take = str(ROOT / "recordings" / "02-a-borrowed-umbrella-evening.mid")
    assert main(["review", take, "--hindsight"]) == 0
    assert capsys.readouterr().out.endswith("Looking back over the whole take changes nothing.\n")
    assert main(["review", take, "--hindsight", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["hindsight"] == []
    assert main(["review", take, "--hindsight", "--window"]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert "leave out --window and --screenshot" in line
