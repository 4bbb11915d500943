"""Invented pieces: playable, full, as long as asked, and exactly repeating where asked."""

from __future__ import annotations

import numpy as np
import pytest

from coach.core.score import TICKS_PER_QUARTER, Score
from tests.pieces import generated_piece


@pytest.mark.parametrize("beats", [2, 3, 4])
def test_generated_pieces_are_playable_and_full(beats):
    score = generated_piece(11, 40, beats=beats)
    notes = score.notes
    assert len(score.bars) == 40
    open_pitch = np.array([0, *score.tuning.open_pitches])
    assert (notes["pitch"] == open_pitch[notes["string"]] + notes["fret"]).all()
    assert ((notes["fret"] >= 0) & (notes["fret"] <= 4)).all()
    ends = notes["onset"] + notes["duration"]
    for string in range(1, 7):
        own = notes["string"] == string
        assert (ends[own][:-1] <= notes["onset"][own][1:]).all()
    tune = notes[~notes["bass"]]
    for bar in range(40):
        assert tune["duration"][tune["bar"] == bar].sum() == beats * TICKS_PER_QUARTER


@pytest.mark.parametrize("groups", [16, 200, 2000])
def test_generated_pieces_reach_a_number_of_onset_groups(groups):
    found = len(np.unique(generated_piece(1, groups=groups).notes["onset"]))
    assert groups <= found < groups + 9


def generated_bars(score: Score) -> list[tuple[tuple[int, int, int], ...]]:
    found = []
    for index, bar in enumerate(score.bars):
        own = score.notes[score.notes["bar"] == index]
        columns = (own["onset"] - bar.onset).tolist(), own["duration"].tolist(), own["pitch"].tolist()
        found.append(tuple(zip(*columns, strict=True)))
    return found


def test_generated_pieces_repeat_bars_exactly_when_asked():
    score = generated_piece(5, 60, distinct=4)
    bars = generated_bars(score)
    assert len(set(bars)) <= 4
    assert len(set(generated_bars(generated_piece(5, 60)))) > 40
    assert (generated_piece(5, 60, distinct=4).notes == score.notes).all()
