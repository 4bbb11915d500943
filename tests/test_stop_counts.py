"""How often each stop comes off: literal passes, repeats, and the takes against what was really played."""

from collections import Counter

import pytest

from coach.core.events import End
from coach.core.report import report
from coach.core.session import judge
from coach.core.stop_counts import StopCount, often_failing, often_sentence, stop_counts
from coach.core.verdicts import Damping
from tests.scores import piece
from tests.test_lanes import sat
from tests.test_session import CLEAN, STEPS, bass_line
from tests.test_truth import TAKES

C, L, R, CUT = Damping.CLEAN, Damping.LATE, Damping.RINGING, Damping.CUT


def passes(*lines, score=STEPS):
    """Play STEPS once for each line of (index: sounding length)."""
    events = []
    for k, changed in enumerate(lines):
        line = [(pitch, changed.get(i, length)) for i, (pitch, length) in enumerate(CLEAN)]
        events += bass_line(*line, start=1.0 + 11 * k)
    session = judge(
        [*sorted(events, key=lambda e: e.time_us), End(11_000_000 * len(lines) + 4_000_000)], score
    )
    return session, report(session)


def count(bar=1, beat=1.0, string=5, kinds=(C,), overhang_ms=None, note=0, **rest):
    return StopCount(note, string, bar, beat, 10_080, kinds, overhang_ms, "p back", **rest)


def test_each_stop_is_counted_pass_by_pass_in_order_of_the_score():
    session, result = passes({1: 1.25}, {}, {1: 1.35, 2: 0.5}, {1: 2.4})
    counts = stop_counts(session, result)
    assert [(one.bar, one.beat, one.string) for one in counts[:5]] == [
        (1, 1.0, 5), (1, 2.0, 4), (1, 3.0, 6), (1, 4.0, 5), (2, 1.0, 4),
    ]  # fmt: skip
    assert [one.kinds for one in counts[:3]] == [(C, C, C, C), (L, C, L, R), (C, C, CUT, C)]
    assert counts[1].overhang_ms == pytest.approx(350.0)  # the median of 250, 350 and 1400
    assert [counts[0].overhang_ms, counts[2].overhang_ms] == [None, None]
    assert (counts[1].asked, counts[1].failed, counts[1].passes) == (4, 3, 4)
    assert counts[1].due_tick == 2 * 10_080
    assert counts[1].stop == "p back"  # D on 4, next the thumb plays 6
    assert often_failing(counts) == counts[1]
    assert often_sentence(counts) == "Bar 1, beat 2, string 4 fails most: in 3 of 4 passes."


def test_only_passes_that_came_to_a_stop_count():
    events = [*bass_line(*CLEAN[:4]), *bass_line(*CLEAN, start=9.0), End(20_000_000)]
    session = judge(sorted(events, key=lambda e: e.time_us), STEPS)
    assert {one.beat + 4 * (one.bar - 1): one.asked for one in stop_counts(session, report(session))} == {
        1: 2, 2: 2, 3: 2, 4: 1, 5: 1, 6: 1, 7: 1, 8: 1,
    }  # fmt: skip


def test_what_fails_most_is_the_oftenest_then_the_surest_then_the_longest_then_the_first():
    often, surer = count(2, kinds=(L, L, C, C, C), note=1), count(3, kinds=(L, L, C), note=2)
    longer = count(4, kinds=(L, L, C), overhang_ms=300.0, note=3)
    twin = count(5, kinds=(L, L, C), overhang_ms=300.0, note=4)
    once = count(1, kinds=(R,), overhang_ms=900.0)
    assert often_failing([once, often]) == often
    assert often_failing([often, surer]) == surer
    assert often_failing([surer, longer]) == longer
    assert often_failing([twin, longer]) == longer
    assert often_failing([count()]) is None
    assert often_failing([]) is None


def test_the_sentence_is_true_of_one_pass_of_repeats_and_of_none():
    assert often_sentence([count(kinds=(L,), passes=1)]) == (
        "Bar 1, beat 1, string 5 failed the one time it was played."
    )
    assert often_sentence([count(3, 2.5, kinds=(L, C, L, L), passes=2)]) == (
        "Bar 3, beat 2½, string 5 fails most: 3 of 4 times."
    )
    several = [count(kinds=(C, L), passes=2), count(2, kinds=(R,), passes=1), count(3, kinds=(C,), passes=1)]
    assert often_sentence(several) == "2 stops failed, each of them once."
    assert often_sentence([several[0], several[2]]) == (
        "Bar 1, beat 1, string 5 fails most: in 1 of 2 passes."
    )
    assert often_sentence([count(kinds=(C, C), passes=2)]) == "No stop failed."
    assert often_sentence([]) == ""


def test_without_basses_nothing_is_counted():
    session = judge([End(1_000_000)], piece("4/4", "", "E4 4"))
    assert stop_counts(session, report(session)) == ()


@pytest.mark.parametrize("path", TAKES, ids=lambda p: p.stem)
def test_the_counts_are_those_of_what_was_played(path):
    session, truth = sat(path)
    notes, stops = session.score.notes, {stop.note: stop for stop in session.stops}
    played = {}
    for end in truth["ends"]:
        if stops[end["note"]].wanted:
            played.setdefault(int(notes["written"][end["note"]]), []).append(end["verdict"])
    counts = stop_counts(session, report(session))
    found = {int(notes["written"][one.note]): [kind.value for kind in one.kinds] for one in counts}
    assert {place: Counter(kinds) for place, kinds in found.items()} == {
        place: Counter(kinds) for place, kinds in played.items()
    }
    assert len(counts) >= 6
    onsets = [int(notes["onset"][one.note]) for one in counts]
    assert onsets == sorted(onsets)


def test_a_repeat_is_laid_together():
    path = next(path for path in TAKES if path.stem == "04-pages-turning-prepared")
    session, _ = sat(path)
    counts = stop_counts(session, report(session))
    assert len({session.score.notes["written"][one.note] for one in counts}) == len(counts)
    twice = [one for one in counts if one.asked == 2]
    assert [(one.bar, one.beat) for one in twice] == [(2, 1.0), (4, 1.0), (5, 4.0)]
    assert all(one.passes == 1 for one in twice)
    assert all(session.score.bars[session.score.notes["bar"][one.note]].round == 1 for one in twice)
