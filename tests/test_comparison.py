"""Two passes beside one another: what is mended, what is new, what stays; and only where both came by."""

import pytest

from coach.core.comparison import _in_bars, compare
from coach.core.events import End
from coach.core.report import report
from coach.core.session import judge
from tests.scores import piece
from tests.test_lanes import sat
from tests.test_session import CLEAN, STEPS, bass_line, off, on
from tests.test_stop_counts import passes
from tests.test_truth import TAKES


def compared(was, now):
    _, result = passes(was, now)
    return compare(result, 1, result, 2)


def test_what_is_mended_new_and_still_there_is_said_with_its_figures():
    found = compared({0: 1.24, 1: 2.4, 2: 0.5, 3: 1.2}, {3: 1.3, 4: 1.25})
    assert found.mended == (
        "bar 1, beat 2: the D on string 4 stops in time now (rang on before).",
        "bar 1, beat 1: the A on string 5 stops in time now (was +240 ms).",
        "bar 1, beat 3: the E on string 6 sounds its full length now (was ½ beat too soon).",
    )
    assert found.new == ("bar 2, beat 1: the D on string 4 was stopped late, after beat 2 (+250 ms).",)
    assert found.still == (
        "bar 1, beat 4: the A on string 5 still stops late, after bar 2, beat 1 (+300 ms, was +200 ms).",
    )
    assert found.sentence == "Bars 1–2: 3 stops mended, 1 new fault; bar 1 still stops late."


def test_a_stop_that_fails_in_another_way_is_not_mended():
    found = compared({1: 2.4, 4: 2.4}, {1: 0.5, 4: 2.5})
    assert (found.mended, found.new) == ((), ())
    assert set(found.still) == {
        "bar 1, beat 2: the D on string 4 rang on before; now it is cut short, before beat 3.",
        "bar 2, beat 1: the D on string 4 still rings on past beat 2.",
    }
    assert found.sentence.startswith("Bars 1–2: nothing is mended yet; bar ")
    assert found.sentence.endswith(", and 1 more stays.")


def test_two_clean_passes_and_two_equal_ones():
    assert compared({}, {}).sentence == "Bars 1–2: nothing went wrong in either."
    _, result = passes({1: 1.3})
    same = compare(result, 1, result, 1)
    assert same.sentence == "Bars 1–2: nothing is mended yet; bar 1 still stops late."
    assert same.still == (
        "bar 1, beat 2: the D on string 4 still stops late, after beat 3 (+300 ms, was +300 ms).",
    )


def test_turned_about_the_mended_are_the_new():
    _, result = passes({0: 1.3, 4: 2.4}, {2: 1.4})
    there, back = compare(result, 1, result, 2), compare(result, 2, result, 1)
    assert (len(there.mended), len(there.new)) == (len(back.new), len(back.mended)) == (2, 1)
    assert not there.still
    assert not back.still


def test_only_where_both_came_by():
    first = bass_line(*[(p, 1.3 if i in (1, 5) else 1.0) for i, (p, _) in enumerate(CLEAN)])
    events = [*first, *bass_line(*CLEAN[:4], start=12.0), End(30_000_000)]
    result = report(judge(sorted(events, key=lambda e: e.time_us), STEPS))
    found = compare(result, 1, result, 2)
    assert [s[:13] for s in found.mended] == ["bar 1, beat 2"]  # of bar 2 the second pass says nothing
    assert (found.new, found.still) == ((), ())
    assert found.sentence == "In the bar both have (1): 1 stop mended."
    assert compare(result, 2, result, 1).sentence == "In the bar both have (1): 1 new fault."
    apart = report(
        judge([*bass_line(*CLEAN[:3]), *bass_line(*CLEAN[4:], start=12.0), End(30_000_000)], STEPS)
    )
    assert compare(apart, 1, apart, 2).sentence == "The two passes have no bar in common."


def test_the_bars_compared_are_told():
    said = "1 new fault"
    assert _in_bars({6, 7, 8, 9}, {5, 6, 7}, said) == "In the bars both have (6–7): 1 new fault."
    assert _in_bars({1, 2, 4, 5}, {1, 2, 4}, said) == "In the bars both have (1–4): 1 new fault."  # 3 rests
    assert _in_bars({1, 2, 3, 4, 5}, {1, 2, 4}, said) == "In the bars both have (1–2, 4): 1 new fault."
    assert _in_bars({0, 1, 2}, {0, 1}, said) == "In the bars both have (pickup to 1): 1 new fault."
    assert _in_bars({0, 1, 2}, {0, 1, 2}, said) == "The pickup to bar 2: 1 new fault."
    assert _in_bars({9, 11}, {9, 11}, said) == "Bars 9–11: 1 new fault."


def test_a_pass_that_is_not_there_has_nothing_in_common():
    _, result = passes({1: 1.3})
    assert compare(result, 1, result, 7).sentence == "The two passes have no bar in common."


def test_notes_wrong_and_left_out_are_matched_by_place():
    tune = piece("4/4", "A2 4, A2 4", "E4 1, F4 1, G4 1, E4 1, E4 1, F4 1, G4 1, E4 1")

    def through(start, *, second=65, third=67):
        melody = [64, second, third, 64, 64, 65, 67, 64]
        events = [on(start, 45), off(start + 3.99, 45), on(start + 4, 45), off(start + 8, 45)]
        events += [on(start + k, pitch, 1) for k, pitch in enumerate(melody) if pitch]
        return sorted(events, key=lambda e: e.time_us)

    events = [*through(1.0, second=66, third=0), *through(13.0, third=0), End(30_000_000)]
    result = report(judge(events, tune))
    found = compare(result, 1, result, 2)
    assert found.mended == ("bar 1, beat 2: the F is right now (was another note).",)
    assert found.still == ("bar 1, beat 3: the G was left out.",)
    assert found.sentence == "Bars 1–2: 1 fault mended; the notes of bar 1 are still not right."
    back = compare(result, 2, result, 1)
    assert back.new == ("bar 1, beat 2: F♯ was played, another note is written.",)
    assert back.sentence == "Bars 1–2: 1 new fault; the notes of bar 1 are still not right."


def test_strings_unasked_are_compared_by_bar():
    stray = [on(2.2, 64, 1), off(2.9, 64, 1)]
    events = [*bass_line(*CLEAN), *stray, *bass_line(*CLEAN, start=12.0), End(30_000_000)]
    result = report(judge(sorted(events, key=lambda e: e.time_us), STEPS))
    assert compare(result, 1, result, 2).mended == ("bar 1: string 1 is quiet now.",)
    assert compare(result, 2, result, 1).new == ("bar 1: string 1 rang for 700 ms and nobody asked for it.",)
    assert compare(result, 1, result, 1).sentence == (
        "Bars 1–2: nothing is mended yet; string 1 still rings unasked in bar 1."
    )


# --- the takes ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("stem", [p.stem.removesuffix("-evening") for p in TAKES if "evening" in p.stem])
def test_against_the_prepared_take_every_planted_fault_of_the_first_pass_is_mended(stem):
    evening, prepared = (next(p for p in TAKES if p.stem == f"{stem}-{of}") for of in ("evening", "prepared"))
    (session, truth), (ready, _) = sat(evening), sat(prepared)
    notes, wanted = session.score.notes, {s.note for s in session.stops if s.wanted}
    planted = {
        int(notes["written"][end["note"]])
        for end in truth["ends"]
        if end["pass_number"] == 1 and end["verdict"] in ("late", "ringing", "cut") and end["note"] in wanted
    }
    found = compare(report(session), 1, report(ready), 1)
    stops = [s for s in found.mended if "now (was +" in s or "(rang on" in s or "too soon" in s]
    assert len(stops) == len(planted) >= 2
    assert (found.new, found.still) == ((), ())
    back = compare(report(ready), 1, report(session), 1)
    assert (len(back.new), back.mended, back.still) == (len(found.mended), (), ())
