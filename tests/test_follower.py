"""Following by literal scenarios, then what must hold of any input.

``TUNE`` is one bar a line, a note a beat; rows and groups are the same where there are no chords.
"""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.follower import HISTORY, Follower, Label
from coach.core.groups import Groups
from coach.core.score import NOTE, Bar, make_score
from tests.scores import Q, piece

# Bars of 4/4: groups 0-3, 4-7, 8-11, 12-15, 16-19, 20-23.
TUNE = piece(
    "4/4",
    "",
    "E4 1, D4 1, C4 1, B3 1,"
    "A3 1, C4 1, E4 1, A4 1,"
    "G4 1, F4 1, D4 1, G3 1,"
    "C4 1, E4 1, G4 1, F4 1,"
    "E4 1, B3 1, G3 1, B3 1,"
    "C4 2, G3 1, C4 1",
)
# A bass under a melody: group 0 is a chord of three, group 1 the melody alone, and so on.
CHORDS = piece("4/4", "A2 2, E2 2, D3 2, A2 2", "C4+E4 1, B3 1, G3+B3 1, E4 1, F3+D4 1, E4 1, C4+E4 1, A3 1")
# A A B A: three bars are exactly equal.
A, B = "E4 1, D4 1, C4 1, B3 1", "A3 1, G3 1, A3 1, B3 1"
REPEATS = piece("4/4", "", ",".join((A, A, B, A)))
BEAT = 600_000  # µs, as played: the scores say a quarter is a second


class Fed:
    """A follower being fed from rows of its score."""

    def __init__(self, score, **how):
        self.score, self.follower, self.now = score, Follower(score, **how), 1_000_000

    def note(self, row, after=0, pitch=None, string=True, velocity=80):
        self.now += after
        note = self.score.notes[row]
        on = int(note["string"]) if string is True else string
        self.follower.feed(self.now, int(note["pitch"]) if pitch is None else pitch, on, velocity)
        return self

    def play(self, rows, beat=BEAT, string=True):
        """Play rows, each as long after the one before as the score says; a beat after what lies ahead."""
        for row in rows:
            last = self.at if hasattr(self, "at") else row
            beats = (self.score.notes["onset"][row] - self.score.notes["onset"][last]) / Q
            self.note(row, round(beat * beats) if beats >= 0 else beat, string=string)
            self.at = row
        return self

    def rows(self, count=None):
        return [label.note for label in self.follower.trace(count or self.follower.fed)]

    def jumps(self):
        return [i for i, label in enumerate(self.follower.trace(self.follower.fed)) if label.jump]


def test_straight_playing_is_matched_note_by_note():
    fed = Fed(TUNE).play(range(23))
    assert fed.rows() == list(range(23))
    assert all(label.right for label in fed.follower.trace(23))
    assert fed.jumps() == [0]
    assert fed.follower.group == 22
    assert fed.follower.certain
    assert not fed.follower.lost


def test_each_note_is_matched_at_once():
    fed = Fed(TUNE)
    for row in range(23):
        fed.play([row])
        assert fed.rows(1) == [row]


def test_the_player_s_beat_is_learnt():
    fed = Fed(TUNE).play(range(16))
    assert fed.follower.beat_us == pytest.approx(BEAT, rel=0.02)


def test_a_beat_is_a_quarter_note_whatever_the_marked_tempo():
    slow = Fed(piece("4/4", "", "E4 1, D4 1, C4 1, B3 1, A3 1, C4 1, E4 1, A4 1", qpm=120.0)).play(range(8))
    assert slow.follower.beat_us == pytest.approx(BEAT, rel=0.03)


def test_before_any_note_the_beat_is_the_score_s():
    assert Follower(TUNE).beat_us == 1_000_000


def test_a_wrong_note_stands_for_the_one_that_was_meant():
    fed = Fed(TUNE).play(range(6))
    fed.note(6, BEAT, pitch=65).play(range(7, 12))
    label = fed.follower.trace(12)[6]
    assert (label.note, label.right) == (6, False)
    assert fed.rows() == list(range(12))
    assert fed.jumps() == [0]


def test_an_omitted_note_is_left_out():
    fed = Fed(TUNE).play([0, 1, 2, 3, 5, 6, 7])
    assert fed.rows() == [0, 1, 2, 3, 5, 6, 7]
    assert fed.jumps() == [0]


def test_a_note_of_no_meaning_matches_nothing():
    fed = Fed(TUNE).play(range(5))
    fed.note(0, BEAT // 3, pitch=70, string=1)
    fed.now -= BEAT // 3
    fed.play(range(5, 9))
    assert fed.rows() == [0, 1, 2, 3, 4, -1, 5, 6, 7, 8]
    assert fed.jumps() == [0]


def test_a_weak_double_trigger_matches_nothing():
    fed = Fed(TUNE).play(range(5))
    fed.note(4, 60_000, velocity=30)
    fed.now -= 60_000
    fed.play(range(5, 9))
    assert fed.rows() == [0, 1, 2, 3, 4, -1, 5, 6, 7, 8]


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_the_notes_of_a_chord_come_in_any_order(order):
    fed = Fed(CHORDS)
    for row in order:
        fed.note(row, 15_000)
    fed.note(3, BEAT).note(5, BEAT).note(4, 20_000).note(6, 10_000)
    assert fed.rows() == [*order, 3, 5, 4, 6]
    assert [label.group for label in fed.follower.trace(7)] == [0, 0, 0, 1, 2, 2, 2]
    assert fed.jumps() == [0]


def test_a_chord_spread_over_80_ms_is_still_one_chord():
    fed = Fed(CHORDS).note(0).note(1, 40_000).note(2, 40_000).note(3, BEAT)
    assert fed.rows() == [0, 1, 2, 3]


def test_notes_at_one_time_are_taken():
    fed = Fed(CHORDS).note(0).note(1).note(2).note(3, BEAT).note(4, BEAT).note(5).note(6)
    assert fed.rows() == [0, 1, 2, 3, 4, 5, 6]


def test_a_late_chord_note_is_found_behind():
    """The bass of the third group comes after the next melody note, by 30 ms."""
    fed = Fed(CHORDS).note(0).note(1).note(2).note(3, BEAT).note(5, BEAT).note(6)
    fed.note(7, BEAT).note(4, 30_000).note(8, BEAT)
    assert fed.rows()[-3:] == [7, 4, 8]
    assert [label.group for label in fed.follower.trace(3)] == [3, 3, 4]


def test_bass_and_melody_are_missed_alike():
    no_bass = Fed(CHORDS).play([1, 2, 3, 5, 6, 7])
    assert no_bass.rows() == [1, 2, 3, 5, 6, 7]
    thin = Fed(CHORDS).play([0, 3, 4, 7, 8, 11])
    assert thin.rows() == [0, 3, 4, 7, 8, 11]


@pytest.mark.parametrize("bass", [True, False])
def test_one_hand_alone_is_followed_without_jumps(bass):
    """Eight notes of melody to a bass, then eight basses to a note of melody."""
    busy = "E4 1/2, D4 1/2, C4 1/2, B3 1/2, A3 1/2, B3 1/2, C4 1/2, D4 1/2"
    deep = "A2 1/2, E3 1/2, C3 1/2, E3 1/2, A2 1/2, E3 1/2, C3 1/2, E3 1/2"
    score = piece("4/4", f"A2 4, E2 4, D3 4, {deep}, E2 4", f"{busy}, {busy}, {busy}, C4 4, B3 4")
    rows = np.flatnonzero(score.notes["bass"] == bass).tolist()
    fed = Fed(score)
    parts = {}  # by bar: what the player was taken to play after its last note
    for row in rows:
        fed.play([row])
        parts[int(score.notes["bar"][row])] = fed.follower.part
    assert fed.rows() == rows
    assert fed.jumps() == [0]
    if bass:
        assert parts == {0: "both", 1: "bass", 2: "bass", 3: "bass", 4: "bass"}
    else:
        assert parts == {0: "both", 1: "both", 2: "both", 3: "both", 4: "melody"}
    together = Fed(score).play(range(len(score.notes)))
    assert together.rows() == list(range(len(score.notes)))
    assert together.follower.part == "both"


def test_a_bass_alone_that_leaves_one_out_is_followed_over_it():
    """Eight onsets of melody lie between two basses: more than a step goes over, but for the bass's own."""
    busy = "E4 1/2, D4 1/2, C4 1/2, B3 1/2, A3 1/2, B3 1/2, C4 1/2, D4 1/2"
    score = piece("4/4", "A2 4, E2 4, D3 4, A2 4, B2 4, E2 4, A2 4", ", ".join([busy] * 7))
    rows = np.flatnonzero(score.notes["bass"]).tolist()
    fed = Fed(score).play([row for row in rows if row != rows[3]])
    assert fed.rows() == [row for row in rows if row != rows[3]]
    assert fed.jumps() == [0]


def test_a_restart_two_bars_back_begins_a_pass_there():
    fed = Fed(TUNE).play(range(14))
    fed.note(4, 1_200_000)
    fed.at = 4
    fed.play(range(5, 12))
    assert fed.rows() == [*range(14), *range(4, 12)]
    assert fed.jumps() == [0, 14]


def test_a_stutter_on_one_note_is_a_restart_there():
    fed = Fed(TUNE).play(range(8))
    fed.note(7, 1_500_000)
    fed.at = 7
    fed.play(range(8, 14))
    assert fed.rows() == [*range(8), 7, *range(8, 14)]
    assert fed.jumps() == [0, 8]


def test_a_jump_ahead_is_found():
    fed = Fed(TUNE).play(range(6))
    fed.note(16, 1_000_000)
    fed.at = 16
    fed.play(range(17, 22))
    assert fed.rows() == [*range(6), *range(16, 22)]
    assert fed.jumps() == [0, 6]


def test_a_hesitation_is_no_restart():
    fed = Fed(TUNE).play(range(9))
    fed.now += 2_500_000
    fed.play(range(9, 14))
    assert fed.rows() == list(range(14))
    assert fed.jumps() == [0]


@pytest.mark.parametrize("beat", [400_000, 2_500_000])
def test_any_sensible_tempo_is_followed(beat):
    fed = Fed(TUNE).play(range(23), beat=beat)
    assert fed.rows() == list(range(23))
    assert fed.jumps() == [0]


def test_without_strings_the_pitches_are_enough():
    fed = Fed(CHORDS).play(range(13), string=None)
    assert fed.rows() == list(range(13))


def test_the_string_tells_two_equal_pitches_apart():
    unison = piece("2/4", "B3@4 2", "B3@2 1, C4@2 1")
    low, high = (int(np.flatnonzero(unison.notes["string"] == s)[0]) for s in (4, 2))
    fed = Fed(unison).note(high).note(low, 10_000)
    assert fed.rows() == [high, low]
    fed = Fed(unison).note(low).note(high, 10_000)
    assert fed.rows() == [low, high]


def test_a_note_shared_by_two_voices_is_matched_as_the_bass():
    shared = piece("4/4", "E3@4 2, A2 2", "E3@4 1, G3 1, C4 2")
    fed = Fed(shared).note(0)
    assert shared.notes["bass"][fed.rows()[0]]


def test_equal_bars_are_played_through_in_order():
    fed = Fed(REPEATS).play(range(16))
    assert fed.rows() == list(range(16))
    assert fed.jumps() == [0]


def test_a_restart_among_equal_bars_is_relabelled_when_the_difference_comes():
    """After bar 4 the player goes back to a bar like it; only what follows tells that it is bar 2."""
    fed = Fed(REPEATS).play(range(16))
    fed.note(4, 1_000_000)
    fed.at = 4
    fed.play([5, 6, 7])
    assert not fed.follower.certain
    fed.play([8, 9, 10])
    assert fed.rows()[16:] == [4, 5, 6, 7, 8, 9, 10]
    assert fed.follower.certain


def test_a_known_chunk_is_where_the_player_begins_and_turns_back_to():
    """Bars 1, 2 and 4 are equal: the chunk says which of them is meant."""
    fed = Fed(REPEATS, chunk=(1, 1)).play([4])
    assert fed.rows() == [4]
    fed.play([5, 6, 7])
    fed.note(4, 900_000)
    fed.at = 4
    fed.play([5, 6])
    assert fed.rows() == [4, 5, 6, 7, 4, 5, 6]
    assert fed.jumps() == [0, 4]


def test_the_first_note_is_looked_for_at_the_start():
    assert Fed(REPEATS).note(12).rows() == [0]  # the same pitch as row 0


def test_a_start_in_the_middle_is_found_by_what_follows():
    fed = Fed(TUNE).play(range(8, 14))
    assert fed.rows() == list(range(8, 14))
    assert fed.jumps() == [0]


def test_grace_notes_may_be_played_or_left_out():
    rows = np.zeros(5, NOTE)
    rows["onset"] = [0, Q, Q, 2 * Q, 3 * Q]
    rows["duration"] = [Q, 0, Q, Q, Q]
    rows["pitch"] = [64, 62, 60, 59, 57]
    rows["grace"] = [False, True, False, False, False]
    score = make_score(rows, (Bar(1, 0, 4 * Q, 4, 4, 0, 0),))
    left_out = Fed(score).play([0, 2, 3, 4], string=None)
    assert left_out.rows() == [0, 2, 3, 4]
    played = Fed(score).note(0).note(1, BEAT - 80_000).note(2, 80_000).note(3, BEAT).note(4, BEAT)
    assert played.rows() == [0, 1, 2, 3, 4]


def test_playing_something_else_is_lost_and_found_again():
    fed = Fed(TUNE).play(range(8))
    assert not fed.follower.lost
    for pitch in (41, 78, 44, 80, 43, 77, 42, 81, 45, 79, 43, 80):
        fed.note(0, 330_000, pitch=pitch, string=6 if pitch < 60 else 1)
    assert fed.follower.lost
    assert not fed.follower.certain
    fed.note(8, 1_000_000)
    fed.at = 8
    fed.play(range(9, 20))
    assert not fed.follower.lost
    assert fed.rows()[-8:] == list(range(12, 20))


def test_the_last_notes_are_kept_and_with_hindsight_all():
    many = Groups(TUNE)
    live, all_of_it = Fed(TUNE, groups=many), Fed(TUNE, groups=many, hindsight=True)
    for fed in (live, all_of_it):
        for _ in range(5):
            fed.play(range(23))
    assert len(live.follower.trace(1000)) == HISTORY
    assert len(all_of_it.follower.trace(1000)) == 115
    assert all_of_it.rows() == list(range(23)) * 5
    assert live.follower.trace(HISTORY) == all_of_it.follower.trace(HISTORY)
    assert [live.follower.fed, live.follower.trace(0)] == [115, []]


def test_a_score_without_notes_and_one_of_a_single_note():
    empty = Follower(make_score(np.zeros(0, NOTE), ()))
    empty.feed(5, 60, None)
    empty.feed(5, 61, 3)
    assert empty.trace(9) == [Label(0, -1, False, True), Label(0, -1, False, False)]
    assert (empty.group, empty.fed, empty.certain) == (0, 2, False)
    assert empty.beat_us == 1_000_000
    single = Fed(piece("1/4", "A2 1")).note(0).note(0, 1_000_000)
    assert single.rows() == [0, 0]
    assert single.jumps() == [0, 1]


def test_more_notes_at_one_onset_than_strings_do_no_harm():
    rows = np.zeros(15, NOTE)
    rows["pitch"] = np.arange(40, 55)
    rows["onset"][14] = Q
    fed = Fed(make_score(rows, (Bar(1, 0, 4 * Q, 4, 4, 0, 0),)))
    for row in range(15):
        fed.note(row, 5_000, string=None)
    assert fed.rows()[:10] == list(range(10))


# --- any input ------------------------------------------------------------------------------------

NOTES = st.lists(
    st.tuples(
        st.integers(0, 3_000_000),  # µs since the note before
        st.integers(0, 127),
        st.one_of(st.none(), st.integers(1, 10)),
        st.integers(1, 127),
    ),
    max_size=60,
)
NEAR = st.lists(
    st.tuples(
        st.sampled_from([0, 1, 20_000, 300_000, 600_000, 1_500_000]),
        st.sampled_from([45, 50, 52, 57, 59, 60, 62, 64, 65, 67]),
        st.one_of(st.none(), st.integers(1, 6)),
        st.sampled_from([20, 80]),
    ),
    max_size=60,
)
SCORES = (TUNE, CHORDS, REPEATS, piece("3/4", "A2 3"))


@settings(max_examples=120, deadline=None)
@given(st.one_of(NOTES, NEAR), st.sampled_from(SCORES), st.booleans())
def test_whatever_is_played_the_labels_make_sense(notes, score, hindsight):
    groups = Groups(score)
    one, two = (Follower(score, groups=groups, hindsight=hindsight) for _ in range(2))
    now = 0
    for gap, pitch, string, velocity in notes:
        now += gap
        one.feed(now, pitch, string, velocity)
        assert 0 <= one.group < groups.count
        assert 0 < one.beat_us < float("inf")
        assert not (one.lost and one.certain)
        one.trace(13)  # asking changes nothing
        two.feed(now, pitch, string, velocity)
    labels = one.trace(len(notes))
    assert len(labels) == len(notes) == one.fed
    assert labels == two.trace(len(notes))
    for count in range(len(notes) + 1):
        assert one.trace(count) == labels[len(labels) - count :]
    claimed: set[int] = set()
    for index, (label, (_, pitch, _, _)) in enumerate(zip(labels, notes, strict=True)):
        if label.jump:
            claimed = set()
        assert 0 <= label.group < groups.count
        assert -1 <= label.note < len(score.notes)
        assert label.jump or index
        if label.note >= 0:
            assert label.right == (score.notes["pitch"][label.note] == pitch)
            assert label.note not in claimed  # no note of the score is played twice in one pass
            claimed.add(label.note)
            assert 0 <= label.group - groups.group_of(label.note) <= 6  # late notes lie behind
            if label.jump:
                assert groups.group_of(label.note) == label.group
        else:
            assert not label.right
    for before, label in pairwise(labels):
        assert label.jump or before.group <= label.group
