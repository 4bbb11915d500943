"""What a student is told after a take: true figures, the worst first, one next step."""

import pytest

from coach.core.events import End
from coach.core.report import report
from coach.core.session import judge
from coach.core.summary import pass_sentence, summarise, three_sentences, worst_places, worst_stops
from coach.core.words import beat_name
from coach.files.report import review_text
from tests.scores import piece
from tests.test_lanes import sat
from tests.test_session import CLEAN, STEPS, bass_line, off, on
from tests.test_stop_counts import passes
from tests.test_truth import TAKES


def told(score=STEPS, **changed):
    line = list(CLEAN)
    for key, value in changed.items():
        line[int(key[1:])] = value
    session = judge([*bass_line(*line), End(12_000_000)], score)
    return report(session), summarise(report(session), "A Title")


def test_a_clean_take_is_praised_and_sent_on():
    _, summary = told()
    assert summary.headline == "A Title"
    assert summary.sentences == (
        "Every note was right, and every stop came in time.",
        "There is nothing to mend.",
        "Play it again a little faster.",
    )
    assert (summary.rows, summary.more) == ((), "")


def test_the_worst_stop_comes_first_and_gives_the_next_step():
    result, summary = told(n0=(45, 1.3), n3=(45, 2.6))
    assert [(r.verdict.note, r.verdict.kind.value) for r in worst_stops(result)] == [
        (3, "ringing"),
        (0, "late"),
    ]
    assert summary.sentences == (
        "Every note was right, and 6 of 8 stops came in time.",
        "Mend first bar 1, beat 4: the A on string 5 rang on past bar 2, beat 1.",
        # The stop is due in bar 2, and the bar before leads to it.
        "Play bars 1–2 slowly, three clean times in a row: "
        "play the new bass, then lay the thumb straight back on string 5.",
    )
    assert [(r.bar, r.beat, r.string, r.amount) for r in summary.rows] == [
        ("1", "4", 5, "+1600 ms"),
        ("1", "1", 5, "+300 ms"),
    ]


def test_without_faults_of_damping_another_fault_is_named():
    _, summary = told(n2=(41, 1.0))
    assert summary.sentences == (
        "7 of 8 notes were right, and every stop came in time.",
        "Mend first bar 1, beat 3: F was played, another note is written.",
        "Play bar 1 alone and slowly, and name each note as you play it.",
    )
    assert summary.more == "Also: 1 wrong note."


def test_nothing_heard_is_said_and_what_to_look_at():
    nothing = three_sentences(report(judge([End(1_000_000)], STEPS)))
    assert nothing == (
        "Nothing of this piece was heard.",
        "First the guitar must be heard: look at its cable, and whether this is the right piece.",
        "Then play its first bar.",
    )


TUNE = piece("4/4", "", "E4 1, F4 1, G4 1, E4 1, F4 1, G4 1, E4 1, E4 1")
PITCHES = (64, 65, 67, 64, 65, 67, 64, 64)


def tune(*pitches, score=TUNE):
    """The three sentences after a tune without basses; 0 leaves a note out."""
    events = [on(1 + k, pitch, 1) for k, pitch in enumerate(pitches) if pitch]
    return three_sentences(report(judge([*events, End(20_000_000)], score)))


def test_no_stop_asked_means_no_stop_counted():
    assert tune(*PITCHES)[0] == "Every note was right."
    assert tune(64, 65, 67, 64, 65, 0, 64, 64)[0] == "7 of 8 notes were right."


def test_a_take_that_breaks_off_is_sent_on_to_the_end():
    assert tune(*PITCHES[:5]) == (
        "Every note was right.",
        "There is nothing to mend.",
        "Play on to the end of the piece.",
    )


def test_a_note_left_out_and_one_too_many_have_their_own_ways():
    assert tune(64, 65, 67, 64, 65, 0, 64, 64)[1:] == (
        "Mend first bar 2, beat 2: the G was left out.",
        "Play the line of this note alone in bar 2, then everything together.",
    )
    events = [on(1 + k, pitch, 1) for k, pitch in enumerate(PITCHES)]
    events = sorted([*events, on(4.5, 69, 1)], key=lambda e: e.time_us)
    said = three_sentences(report(judge([*events, End(20_000_000)], TUNE)))
    assert said[1] == "Mend first bar 1: an extra A."
    assert said[2] == "Play bar 1 slowly, and look where the finger goes before it plays."


def test_a_string_unasked_is_mended_by_a_finger_on_it():
    events = sorted([*bass_line(*CLEAN), on(2.2, 64, 1), off(2.9, 64, 1)], key=lambda e: e.time_us)
    said = three_sentences(report(judge([*events, End(12_000_000)], STEPS)))
    assert said[1] == "Mend first bar 1: string 1 rang for 700 ms and nobody asked for it."
    assert said[2] == "Play bar 1 slowly, and keep a finger or the thumb resting on string 1."


def test_where_many_notes_fail_they_come_before_any_stop():
    events = bass_line((45, 1.3), *CLEAN[1:4])
    for k, (pitch, string) in enumerate([(51, 4), (42, 6), (47, 5)], 4):
        events += [on(1 + k, pitch, string), off(2 + k, pitch, string)]
    events = sorted([*events, on(8, 40), off(9, 40)], key=lambda e: e.time_us)
    result = report(judge([*events, End(12_000_000)], STEPS))
    assert len(worst_stops(result)) == 1
    assert three_sentences(result)[1:] == (
        "Mend first the notes of bar 2: 3 were wrong or left out.",
        "Play bar 2 alone and slowly, and name each note as you play it.",
    )


def test_one_late_stop_again_and_again_comes_before_a_worse_one_that_came_off_since():
    _, result = passes({1: 1.3, 3: 2.6}, {1: 1.3}, {1: 1.3, 5: 1.25})
    assert [[(r.verdict.pass_number, r.beat) for r in rows] for rows in worst_places(result)] == [
        [(1, 2.0), (2, 2.0), (3, 2.0)],
        [(3, 2.0)],
        [(1, 4.0)],
    ]
    assert three_sentences(result)[1] == (
        "Mend first bar 1, beat 2: the D on string 4 was stopped late, after beat 3 (+300 ms), 3 times."
    )
    assert "string 4" in three_sentences(result)[2]


def test_what_was_mended_by_the_last_pass_is_not_held_against_it():
    _, result = passes({1: 1.3, 3: 2.6}, {})
    assert three_sentences(result) == (
        "The last time you played it all without a fault.",
        "What went wrong before is mended.",
        "Play it again a little faster.",
    )
    assert len(summarise(result, "").rows) == 2  # what it was stays on record


def test_a_beat_that_strays_is_to_be_mended_where_nothing_else_is():
    late = [on(1 + k + (0.2 if k in (4, 5) else 0.0), pitch, 1) for k, pitch in enumerate(PITCHES * 2)]
    long = piece("4/4", "", "E4 1, F4 1, G4 1, E4 1, F4 1, G4 1, E4 1, E4 1, " * 2)
    said = three_sentences(report(judge([*late, End(30_000_000)], long)))
    assert said == (
        "Every note was right.",
        "Mend first the beat of bar 2: it was 100 ms behind.",
        "Play bar 2 again at the same tempo, and count aloud until the beat is steady.",
    )


@pytest.mark.parametrize("path", TAKES, ids=lambda p: p.stem)
def test_each_take_is_told_in_three_sentences_that_name_what_was_planted(path):
    session, truth = sat(path)
    said = three_sentences(report(session))
    assert all(one.endswith(".") and "{" not in one and ". " not in one for one in said)
    planted = {
        (end["bar_number"], end["beat"])
        for end in truth["ends"]
        if end["verdict"] in ("late", "ringing", "cut")
    }
    named = {place for place in planted if f"bar {place[0]}, beat {beat_name(place[1])}: " in said[1]}
    assert len(named) == (1 if planted else 0)
    if not planted:
        assert said[0] == "Every note was right, and every stop came in time."


def test_after_a_pass_its_worst_fault_is_said_or_that_it_was_clean():
    again = bass_line((45, 1.3), *CLEAN[1:4]) + bass_line(*CLEAN, start=9.0)
    result = report(judge([*sorted(again, key=lambda e: e.time_us), End(20_000_000)], STEPS))
    assert pass_sentence(result, 1) == (
        "bar 1, beat 1: the A on string 5 was stopped late, after beat 2 (+300 ms)."
    )
    assert pass_sentence(result, 2) == "bars 1–2: clean."
    assert pass_sentence(result, 3) == ""


def test_a_last_bass_is_due_at_the_end():
    _, summary = told(n7=(40, 0.4))
    assert (
        summary.sentences[1] == "Mend first bar 2, beat 4: the E on string 6 was cut short, before the end."
    )


def test_a_fault_in_the_pickup_names_no_bar_0():
    score = piece("4/4", "E2 1, A2 1, D3 1, A2 1, D3 1", "", pickup="1")
    events = bass_line((40, 1.5), (45, 1.0), (50, 1.0), (45, 1.0), (50, 1.0))
    result = report(judge([*events, End(12_000_000)], score))
    text = review_text(result)
    assert "Pass 1, the pickup to bar 1: 1 to mend." in text
    assert "Drift by bar (behind +, ahead −): pickup " in text
    assert three_sentences(result)[1:] == (
        "Mend first the pickup, beat 4: the E on string 6 was stopped late, after bar 1, beat 1 (+500 ms).",
        "Play the pickup to bar 1 slowly, three clean times in a row: "
        "play the new bass, then lay the thumb straight back on string 6.",
    )
