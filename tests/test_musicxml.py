"""Notes in time, as MusicXML writes them: every expectation worked out by hand on a few notes.

Meanings of elements are those of MusicXML 4.0 (W3C Music Notation Community Group, musicxml.xsd); what is
beyond it is marked as our own convention or as common practice.
"""

import pytest

from tests.xml_scores import (
    C4,
    FORWARD,
    FULL,
    Q,
    ahead,
    attributes,
    back,
    bar_numbers,
    chord,
    ending,
    field,
    note,
    read,
    rows,
    tie,
    tied,
)

# --- notes in time ----------------------------------------------------------------------------------


def test_two_voices_a_chord_and_rests():
    found = read(
        attributes()
        + chord("C4", "E4", length=2)
        + note("rest", 1)
        + note("F#4", 1)
        + back(4)
        + note("A2", 3, 2, inside="<stem>down</stem>")
        + note("rest", 1, 2)
    )
    assert rows(found) == [(0, 45, 3), (0, 60, 2), (0, 64, 2), (3, 66, 1)]
    assert field(found, "voice") == [2, 1, 1, 1]
    assert field(found, "bass") == [True, False, False, False]
    assert field(found, "stem") == [-1, 0, 0, 0]
    assert found.notices == ()


def test_forward_leaves_a_gap():
    assert rows(read(attributes() + ahead(1) + note("C4", 3))) == [(1, 60, 3)]


def test_dots_and_triplets_are_read_from_durations():
    triplet = (
        "<time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes></time-modification>"
    )
    bar = attributes(2, 4, divisions=12) + "".join(
        f"<note>{C4}<duration>{d}</duration><voice>1</voice>{more}</note>"
        for d, more in ((4, triplet), (4, triplet), (4, triplet), (9, ""), (3, ""))
    )
    onsets = read(bar).score.notes["onset"].tolist()
    assert onsets == [0, Q // 3, 2 * Q // 3, Q, Q + 3 * Q // 4]


def test_odd_divisions_do_not_drift():
    """11 divisions a quarter: no whole number of ticks, but four quarters end where the bar does."""
    bar = "".join(
        f"<note><pitch><step>C</step><octave>4</octave></pitch><duration>{d}</duration></note>"
        for d in [1] * 44
    )
    found = read(attributes(divisions=11) + bar)
    assert field(found, "onset")[11::11] == [Q, 2 * Q, 3 * Q]
    assert found.score.bars[0].length == 4 * Q


def test_divisions_may_change_within_a_bar():
    found = read(
        attributes() + note("C4", 2) + "<attributes><divisions>8</divisions></attributes>" + note("D4", 4)
    )
    assert rows(found) == [(0, 60, 2), (2, 62, 2)]


def test_a_missing_duration_is_taken_from_the_shape():
    found = read(attributes() + note("C4", None, inside="<type>half</type><dot/>") + note("D4", 1))
    assert rows(found) == [(0, 60, 3), (3, 62, 1)]
    assert "shape" in found.notices[0]


def test_grace_notes_stand_before_their_note_and_take_no_time():
    found = read(attributes() + note("B3", None, before="<grace/>") + FULL)
    assert rows(found) == [(0, 59, 0), (0, 60, 4)]
    assert field(found, "grace") == [True, False]


def test_a_grace_note_tied_to_its_note_is_one_attack():
    found = read(
        attributes()
        + note("C4", None, before="<grace/>", inside=tie("start"))
        + note("C4", 4, inside=tie("stop"))
    )
    assert rows(found) == [(0, 60, 4)]
    assert field(found, "grace") == [False]


def test_voices_of_any_name():
    found = read(attributes() + note("C4", 4, "upper") + back(4) + note("A2", 4, "lower"))
    assert field(found, "voice") == [2, 1]


@pytest.mark.parametrize(
    "silent",
    [
        note("D4", 1, before="<cue/>"),
        note("D4", 1, inside="<notehead>slash</notehead>"),
        note("D4", 1, attrs='print-object="no"'),
        "<note><unpitched/><duration>4</duration><voice>1</voice></note>",
    ],
)
def test_cue_slash_hidden_and_unpitched_notes_take_time_but_are_not_played(silent):
    found = read(attributes() + silent + note("C4", 3))
    assert rows(found) == [(1, 60, 3)]
    assert len(found.score.anchor_ids) == 2  # but they have their place on the page


# --- ties -------------------------------------------------------------------------------------------


def test_ties_join_across_bars_and_rests_do_not():
    found = read(
        attributes() + note("rest", 2) + note("A2", 2, inside=tie("start")),
        note("A2", 4, inside=tie("stop", "start")),
        note("A2", 1, inside=tie("stop")) + note("A2", 3),
    )
    assert rows(found) == [(2, 45, 7), (9, 45, 3)]
    assert found.notices == ()


def test_the_head_of_a_tie_names_the_note_and_bar():
    found = read(
        attributes() + note("A2", 4, inside=tie("start"), attrs='id="head"'),
        note("A2", 4, inside=tie("stop")),
    )
    (row,) = found.score.notes
    assert found.score.ids[row["written"]] == "head"
    assert row["bar"] == 0


def test_tied_without_tie_joins_too():
    found = read(attributes() + note("C4", 4, inside=tied("start")), note("C4", 4, inside=tied("stop")))
    assert rows(found) == [(0, 60, 8)]


def test_a_tie_may_change_voice():
    found = read(attributes() + note("C4", 4, 1, inside=tie("start")), note("C4", 4, 2, inside=tie("stop")))
    assert rows(found) == [(0, 60, 8)]


def test_unpaired_ties_are_told():
    found = read(attributes() + note("C4", 4, inside=tie("start")), note("D4", 4, inside=tie("stop")))
    assert rows(found) == [(0, 60, 4), (4, 62, 4)]
    assert [notice.split(":")[0] for notice in found.notices] == [
        "A tie has no end",
        "A tie has no beginning",
    ]
    assert "bar 2" in found.notices[1]


def test_let_ring_is_kept_with_its_written_length():
    found = read(attributes() + note("A2", 2, inside=tied("let-ring")) + note("D3", 2))
    assert rows(found) == [(0, 45, 2), (2, 50, 2)]
    assert field(found, "let_ring") == [True, False]


def test_a_let_ring_at_the_end_of_a_tie_holds_for_the_whole():
    found = read(
        attributes() + note("A2", 4, inside=tie("start")),
        note("A2", 4, inside=tie("stop") + tied("let-ring")),
    )
    assert rows(found) == [(0, 45, 8)]
    assert field(found, "let_ring") == [True]


def test_a_tie_into_a_second_ending_makes_no_false_attack():
    """Bar 1 is tied into the first ending, and into the second as well: two attacks in all, not three."""
    found = read(
        attributes() + FORWARD + note("C4", 4, inside=tie("start")),
        ending("1", "start", "left")
        + note("C4", 2, inside=tie("stop"))
        + note("D4", 2)
        + ending("1", "stop", "right", '<repeat direction="backward"/>'),
        ending("2", "start", "left") + note("C4", 4, inside=tie("stop")) + ending("2", "stop", "right"),
    )
    assert rows(found) == [(0, 60, 6), (6, 62, 2), (8, 60, 8)]
    assert bar_numbers(found) == [1, 2, 1, 3]
    assert found.notices == ()
