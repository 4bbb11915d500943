"""How sure a label is, and that nothing is said while it is not: literal takes."""

from math import inf

import pytest

from coach.app.piece import open_piece
from coach.core.events import NoteOn
from coach.core.follower import Follower
from coach.core.groups import Groups
from coach.core.ledger import Ledger
from coach.core.matching import TOGETHER_US
from coach.core.session import Session
from coach.core.verdicts import Stroke, StrokeVerdict, Withdrawn
from tests.bench.verdicts import SCENES, SCORES, played
from tests.scores import piece
from tests.test_follower import BEAT, REPEATS, TUNE, A, B, Fed


def test_labels_that_all_ways_share_are_sure_without_end():
    fed = Fed(TUNE).play(range(14))
    margins = fed.follower.margins(14)
    assert [m.equal for m in margins[:12]] == [inf] * 12
    assert margins == fed.follower.margins(99)  # no more notes than there were
    assert fed.follower.margins(2) == margins[12:]
    assert Follower(TUNE).margins(5) == []


def test_equal_bars_are_in_doubt_exactly_but_not_in_what_is_said():
    """Back from the third bar to the second, or to the first: it was right in either."""
    fed = Fed(piece("4/4", "", f"{A}, {A}, {B}, C5 1, C5 1, G4 1, G4 1")).play(range(12)).play(range(4, 8))
    margins = fed.follower.margins(4)
    assert fed.rows(4) in ([0, 1, 2, 3], [4, 5, 6, 7])
    assert max(margin.exact for margin in margins) < 2
    assert min(margin.equal for margin in margins) == inf


def test_a_turn_back_in_tempo_is_in_doubt_for_one_note():
    """From the first beat of bar 5 to the first of bar 4, no pause: the note may as well be a wrong one."""
    fed = Fed(TUNE).play(range(18)).note(12, BEAT)
    assert fed.follower.margins(2)[1].equal < 2.5
    fed.note(13, BEAT)
    assert fed.rows(2) == [12, 13]
    assert min(margin.equal for margin in fed.follower.margins(2)) > 2.5


def said_by(score, rows, beats=None):
    """Return what a session says after each of some rows is played, a beat apart, and the session."""
    session, said = Session(score), []
    for at, row in enumerate(rows):
        note = score.notes[row]
        us = 1_000_000 + round((beats[at] if beats else at) * BEAT)
        said.append(session.feed(NoteOn(us, int(note["pitch"]), 80, int(note["string"]))))
    return said, session


def strokes(changes):
    """Return what is said for the time being: what is settled was said before."""
    open_ = [c for c in changes if isinstance(c, StrokeVerdict) and not c.settled]
    return [(c.kind, c.note, c.pass_number) for c in open_]


@pytest.mark.parametrize(("end", "to"), [(18, 12), (10, 0)])
def test_who_turns_back_in_tempo_is_not_told_of_a_wrong_note(end, to):
    said, session = said_by(TUNE, [*range(end), *range(to, to + 8)])
    assert strokes(said[end]) == []
    right = Stroke.RIGHT
    assert strokes(said[end + 1]) == [(right, to, 2), (right, to + 1, 2)]
    assert {kind for changes in said for kind, _, _ in strokes(changes)} == {right}
    assert session.ledger.withdrawn == 0


def test_every_note_of_straight_playing_is_told_at_once():
    said, _ = said_by(TUNE, range(23))
    new = [[c for c in strokes(changes) if c[1] == at] for at, changes in enumerate(said)]
    assert new == [[(Stroke.RIGHT, at, 1)] for at in range(23)]


def test_a_note_left_out_is_told_as_soon_as_the_next_is_beyond_doubt():
    said, session = said_by(TUNE, [0, 1, 2, 3, 5, 6, 7, 8], [0, 1, 2, 3, 5, 6, 7, 8])
    missing = [v for changes in said for v in changes if getattr(v, "kind", None) is Stroke.MISSING]
    # With the fifth note, the first after the gap, when the rest of its chord could have come.
    fifth_us = session.matching.matches[4].played.on_us
    assert [(v.note, v.time_us) for v in missing[:1]] == [(4, fifth_us + TOGETHER_US)]
    assert session.ledger.withdrawn == 0


def stroke(kind, note, number=1, settled=False):
    return StrokeVerdict(0, settled, number, note, kind, 1, 60, 0, 0, 0)


def test_a_verdict_that_moves_to_an_equal_bar_has_held():
    ledger = Ledger(Groups(REPEATS).twins)  # rows 4 to 7 are as 0 to 3
    ledger.put(stroke(Stroke.RIGHT, 0))
    ledger.put(stroke(Stroke.RIGHT, 4))
    assert (ledger.withdrawn, ledger.moved) == (1, 1)
    ledger.put(stroke(Stroke.RIGHT, 4, number=2))
    assert (ledger.withdrawn, ledger.moved) == (2, 2)
    ledger.put(stroke(Stroke.RIGHT, 5, number=2))  # another note: it did not hold
    ledger.put(stroke(Stroke.WRONG, 5, number=2))  # another kind: nor did it
    assert (ledger.withdrawn, ledger.moved) == (4, 2)
    ledger.withdraw(("note", 0, 0), 1)
    assert (ledger.withdrawn, ledger.moved) == (5, 2)
    assert isinstance(ledger.take_changes()[-1], Withdrawn)


def test_what_is_settled_is_kept_to_where_another_way_is_as_likely_for_one_note():
    """A take that turns back to bars that come again later: the best way changes sides while a chord comes.

    Seed 97 of the benchmark; each turn begins one pass, where the player meant it.
    """
    score = open_piece(SCORES / "05-the-last-one-out.musicxml").score
    truth, _, session = played(score, 97, 3, SCENES["no converter"])
    meant: dict[int, int] = {}
    for note in truth.notes:
        if note.note >= 0:
            meant.setdefault(note.pass_number, session.groups.group_of(note.note))
    assert {during.number: during.start for during in session.matching.passes} == meant
