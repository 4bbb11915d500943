"""A step of the ladder as a score: its notes, its stops, the note it lands on."""

import numpy as np
import pytest

from coach.app.piece import open_piece
from coach.app.terms import Terms
from coach.core.ladder import Part, Rung, ladder
from coach.core.part_score import part_score
from coach.core.session import Session
from coach.core.stops import Reason
from tests.harness import ROOT

PIECES = [open_piece(path) for path in sorted((ROOT / "scores").glob("*.musicxml"))]
UMBRELLA = PIECES[1]
NUMBERS = {bar.number: index for index, bar in enumerate(UMBRELLA.score.bars)}


def rung(part: Part, first: int, last: int) -> Rung:
    """A step by the bars a musician counts, that lands on the next bar's first note."""
    bars = UMBRELLA.score.bars
    a, b = NUMBERS[first], NUMBERS[last]
    return Rung(part, a, b, 2, lands=bars[b].end)


def test_two_bars_of_bass_end_on_the_bass_after_them():
    found = part_score(UMBRELLA.score, rung(Part.BASS, 1, 2))
    # Bars 1 to 3 of the étude begin with A (string 5), D (4) and E (6), a half note each.
    assert [(int(n["pitch"]), int(n["string"])) for n in found.score.notes] == [(45, 5), (50, 4), (40, 6)]
    assert found.bars == (NUMBERS[1], NUMBERS[3])
    stops = found.stops(Terms().stops(UMBRELLA))
    assert [(s.note, s.string, s.due, s.next_note) for s in stops] == [
        (0, 5, UMBRELLA.score.bars[NUMBERS[2]].onset, 1),
        (1, 4, UMBRELLA.score.bars[NUMBERS[3]].onset, 2),
    ]


def test_the_melody_alone_has_no_bass_and_no_stop():
    found = part_score(UMBRELLA.score, rung(Part.MELODY, 1, 2))
    assert not found.score.notes["bass"].any()
    assert len(found.score.notes) == 7  # three notes a bar, and the one it lands on
    assert found.stops(Terms().stops(UMBRELLA)) == ()


def test_the_scale_is_no_part():
    with pytest.raises(ValueError, match="scale"):
        part_score(UMBRELLA.score, Rung(Part.SCALE, 0, -1, 0))


@pytest.mark.parametrize("piece", PIECES, ids=lambda p: p.path.stem)
def test_every_step_of_every_etude_can_be_sat_down_to(piece):
    terms = Terms()
    whole = terms.stops(piece)
    for step in ladder(terms.prepare(piece)):
        if step.part is Part.SCALE:
            continue
        found = part_score(piece.score, step)
        notes, rows = found.score.notes, found.rows
        assert len(notes)
        assert np.array_equal(notes["onset"], piece.score.notes["onset"][rows])
        assert np.array_equal(notes["pitch"], piece.score.notes["pitch"][rows])
        last = int(notes["onset"].max())
        for stop in found.stops(whole):
            own = next(s for s in whole if s.note == rows[stop.note])
            assert (stop.string, stop.due, stop.way) == (own.string, own.due, own.way)
            assert stop.due <= last or stop.reason is Reason.END
            if own.next_note in rows:
                assert rows[stop.next_note] == own.next_note
        Session(found.score, stops=found.stops(whole), chunk=found.bars)
