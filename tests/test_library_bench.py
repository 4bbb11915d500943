"""The benchmark beside research libraries: what it gives them, and how their answers are counted."""

from __future__ import annotations

import numpy as np

from coach.core.groups import Groups
from tests.bench.follow_material import Take
from tests.bench.libraries import Played, material, row
from tests.bench.library_child import HELD_S, Places, score_array
from tests.scores import piece

SCORE = piece(
    "4/4", "A2 2, A2 2, A2 2, A2 2", "E4 1, F4 1, G4 1, F4 1, E4 1, F4 1, G4 1, F4 1"
)  # two equal bars
BASSES = [row_ for row_, note in enumerate(SCORE.notes) if note["bass"]]
TUNE = [row_ for row_, note in enumerate(SCORE.notes) if not note["bass"]]


def played() -> Played:
    """Return the tune of both bars, a note added at the end."""
    take = Take()
    for count, one in enumerate([*TUNE, -1]):
        take.us.append(count * 1_000_000)
        take.pitch.append(int(SCORE.notes["pitch"][one]) if one >= 0 else 70)
        take.string.append(None)
        take.velocity.append(64)
        take.truth.append(one)
    take.jumps.append(0)
    return Played(SCORE, Groups(SCORE), take)


def test_a_library_is_given_quarters_and_seconds():
    given = material([played()])
    (score,), (take,) = given["scores"], given["takes"]
    assert score["qpm"] == 60.0
    assert score["notes"][TUNE[1]] == [str(TUNE[1]), 1.0, 1.0, 65, False]
    assert take["events"][1] == [1.0, 65, 64]
    notes = score_array(score["notes"])
    assert notes["onset_beat"][TUNE[4]] == 4.0
    assert notes["id"][TUNE[4]] == str(TUNE[4])


def test_a_place_becomes_the_free_note_of_that_pitch_there_then_before_then_after():
    places = Places(score_array(material([played()])["scores"][0]["notes"]))
    assert places.note(1, 65, 0.0) == str(TUNE[1])
    assert places.note(1, 64, 0.0) == str(TUNE[0])  # one onset before
    assert places.note(1, 67, 0.0) == str(TUNE[2])  # one after
    assert places.note(1, 65, 0.1) is None  # taken
    assert places.note(1, 65, HELD_S + 0.1) == str(TUNE[1])  # begun again
    assert places.note(4, 67, 9.0) is None  # two onsets away


def test_what_is_right_is_counted_exactly_and_with_equal_bars():
    one = played()
    right = [*TUNE, -1]
    assert row("all", [one], [right], [1.0, 3.0])[1:4] == ["1.000", "1.000", "0.00"]
    other = [*TUNE[4:], *TUNE[4:], -1]  # the first bar taken for the second: four of eight, four groups off
    assert row("bar", [one], [other], [])[1:4] == ["0.500", "1.000", "2.00"]
    nothing = [-1] * len(right)
    assert row("none", [one], [nothing], [])[1:3] == ["0.000", "0.000"]
    added = [*TUNE, TUNE[0]]  # the added note taken for one: 8 right of 9 made and 8 there are
    assert row("added", [one], [added], [])[1] == f"{16 / 17:.3f}"
    assert np.isclose(float(row("cost", [one], [right], [1.0, 3.0])[5].split("/")[0]), 2.0)
