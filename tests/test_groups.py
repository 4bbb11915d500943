"""Onset groups: counted by hand on small scores."""

import numpy as np

from coach.core.groups import Groups
from coach.core.score import NOTE, TICKS_PER_QUARTER, Bar, Score, make_score
from tests.scores import Q, piece


def with_graces() -> Score:
    """A3 B3 as grace notes before C4 with a low C3, then D4; 2/4."""
    rows = np.zeros(5, NOTE)
    rows["onset"] = [0, 0, 0, 0, Q]
    rows["duration"] = [0, 0, Q, 2 * Q, Q]
    rows["pitch"] = [59, 57, 60, 48, 62]
    rows["grace"] = [True, True, False, False, False]
    rows["bass"] = [False, False, False, True, False]
    return make_score(rows, (Bar(1, 0, 2 * Q, 2, 4, 0, 0),))


def test_notes_with_one_onset_are_one_group():
    score = piece("2/4", "A2 1, E2 1, A2 2", "C4 1/2, D4 1/2, E4 1, C4+E4 2")
    groups = Groups(score)
    assert groups.onsets.tolist() == [0, Q // 2, Q, 2 * Q]
    assert [list(groups.rows(g)) for g in range(4)] == [[0, 1], [2], [3, 4], [5, 6, 7]]
    assert groups.bars.tolist() == [0, 0, 0, 1]
    assert groups.quarters.tolist() == [0.0, 0.5, 1.0, 2.0]
    assert [groups.group_of(row) for row in range(8)] == [0, 0, 1, 2, 2, 3, 3, 3]


def test_grace_notes_are_one_optional_group_before_their_main_note():
    groups = Groups(with_graces())
    assert groups.grace.tolist() == [True, False, False]
    assert groups.onsets.tolist() == [0, 0, TICKS_PER_QUARTER]
    assert list(groups.rows(0)) == [0, 1]
    assert groups.required(0) == []
    assert groups.required(1) == [2, 3]


def test_next_onset_passes_over_grace_notes():
    rows = np.zeros(3, NOTE)
    rows["onset"] = [0, 2 * Q, 2 * Q]
    rows["pitch"] = [60, 61, 62]
    rows["grace"] = [False, True, False]
    groups = Groups(make_score(rows, (Bar(1, 0, 4 * Q, 4, 4, 0, 0),)))
    assert groups.next_onset(-1) == 0
    assert groups.next_onset(0) == 2 * Q
    assert groups.next_onset(1) == 2 * Q
    assert groups.next_onset(2) is None


def test_a_written_note_is_waited_for_up_to_and_at_its_own_tick():
    groups = Groups(piece("4/4", "A2 2, E2 2"))
    assert not groups.waits(0, 2 * Q - 1)
    assert groups.waits(0, 2 * Q)
    assert not groups.waits(1, 4 * Q)


def test_pitches_near_are_those_of_the_group_and_its_neighbours():
    groups = Groups(piece("4/4", "A2 1, B2 1, C3 1, D3 1"))
    assert groups.pitches_near(1) == {45, 47, 48}
    assert groups.pitches_near(0) == {45, 47}
    assert groups.pitches_near(3) == {48, 50}


def test_a_note_shared_by_two_voices_is_one_stroke_the_bass_s():
    shared = Groups(piece("2/4", "E3@4 2", "E3@4 1, G3 1"))
    assert shared.required(0) == [int(np.flatnonzero(shared.score.notes["bass"])[0])]
    unison = Groups(piece("2/4", "E3@5 2", "E3@4 1, G3 1"))
    assert unison.required(0) == [0, 1]


def test_span_of_bars_is_clipped():
    groups = Groups(piece("2/4", "A2 1, B2 1, C3 1, D3 1, E3 2"))
    assert groups.span((0, 0)) == (0, 2)
    assert groups.span((1, 2)) == (2, 5)
    assert groups.span((2, 99)) == (4, 5)
    assert groups.span((2, 1)) == (2, 5)  # either way round


def test_twins_name_the_first_of_exactly_equal_bars():
    groups = Groups(piece("2/4", "A2 1, B2 1, C3 2, A2 1, B2 1, A2 1, C3 1"))
    assert groups.twins.tolist() == [0, 1, 2, 0, 1, 5, 6]


def test_a_bar_with_another_string_or_length_of_note_is_no_twin():
    assert Groups(piece("2/4", "A2@5 2, A2@6 2")).twins.tolist() == [0, 1]
    assert Groups(piece("2/4", "A2 2, A2 1, - 1")).twins.tolist() == [0, 1]


def test_a_score_without_notes_has_no_groups():
    for bars in ((), (Bar(1, 0, 4 * Q, 4, 4, 0, 0),)):
        groups = Groups(make_score(np.zeros(0, NOTE), bars))
        assert groups.count == 0
        assert groups.bar_of(0) == 0
        assert groups.onset_of(0) == 0
        assert groups.next_onset(-1) is None
        assert groups.pitches_near(0) == frozenset()
        assert groups.twins.tolist() == []
        assert groups.span((0, 3)) == (0, 0)


def test_arrays_cannot_be_written_to():
    groups = Groups(piece("2/4", "A2 2"))
    for array in (groups.starts, groups.onsets, groups.grace, groups.bars, groups.quarters, groups.of_note):
        assert not array.flags.writeable
