"""The drill's rules by scenarios written out: what is counted, what is said, where it goes."""

from __future__ import annotations

import json
import math
import re
from dataclasses import fields

import pytest

from coach.core import drill_words
from coach.core.drill import Drill, Kind, PassResult, PastPass, Rules, Visit, recheck
from coach.core.ladder import Part, Rung

MINUTE = 60 * 10**6
CLEAN = PassResult(True, True, notes=12)
STOP = "bar 3, beat 1: the A on string 5 rang on."


def fault(bar=2, sentence=STOP):
    return PassResult(False, False, sentence, bar, 9)


def rung(part, first, last, size, join=False):
    name = f"{part.value}, bars {first + 1}–{last + 1}"
    return Rung(part, first, last, size, join, (last + 1) * 40320, 0, name)


B, T = Part.BASS, Part.TOGETHER
RUNGS = (
    rung(B, 0, 1, 2),
    rung(B, 2, 3, 2),
    rung(B, 0, 3, 4),
    rung(T, 0, 1, 2),
    rung(T, 2, 3, 2),
    rung(T, 0, 3, 4),
)
QUICK = Rules(start_speed=0.9, step_up=0.05, goal=1.0)


def kinds(decisions):
    return [one.kind for one in decisions]


def play(drill, line, at_us=0):
    """Take a line of passes, ``c`` clean and ``f`` faulty; return all that was said."""
    said = []
    for letter in line:
        said += drill.take(CLEAN if letter == "c" else fault(), at_us)
    return said


# --- the count ----------------------------------------------------------------------------------------


def test_three_clean_in_a_row_and_then_a_little_faster():
    drill = Drill(RUNGS)
    assert (drill.rung, drill.speed, drill.count, drill.passes) == (RUNGS[0], 0.6, 0, 0)
    (one,) = drill.take(CLEAN, 0)
    assert (one.kind, one.sentence) == (Kind.COUNT, "Clean, 1 of 3.")
    (two,) = drill.take(CLEAN, 0)
    assert two.sentence == "Clean, 2 of 3."
    assert drill.count == 2
    (three,) = drill.take(CLEAN, 0)
    assert three.kind is Kind.STEP_UP
    assert three.sentence == "Three clean in a row. Now a little faster, at 65 % of the tempo."
    assert (drill.speed, drill.count, drill.passes) == (0.65, 0, 3)


def test_a_fault_starts_the_count_again():
    drill = Drill(RUNGS)
    play(drill, "cc")
    (lost,) = drill.take(fault(), 0)
    assert (lost.kind, lost.sentence) == (Kind.AGAIN, f"{STOP} The count starts again.")
    assert drill.count == 0
    (again,) = drill.take(fault(), 0)
    assert again.sentence == f"{STOP} Again from the beginning."
    assert kinds(play(drill, "cc")) == [Kind.COUNT, Kind.COUNT]
    assert kinds(play(drill, "c")) == [Kind.STEP_UP]


@pytest.mark.parametrize(("needed", "line"), [(1, "c"), (2, "cfcc"), (5, "ccccfccccc")])
def test_another_number_in_a_row(needed, line):
    drill = Drill(RUNGS, Rules(needed=needed))
    play(drill, line[:-1])
    assert drill.speed == 0.6
    assert kinds(play(drill, line[-1])) == [Kind.STEP_UP]


def test_a_fault_without_words_is_said_all_the_same():
    drill = Drill(RUNGS)
    (said,) = drill.take(PassResult(True, False), 0)
    assert said.sentence == "There was a fault. Again from the beginning."


def test_stopping_before_the_end_is_no_clean_pass():
    drill = Drill(RUNGS)
    play(drill, "cc")
    (said,) = drill.take(PassResult(False, True, notes=4), 0)
    assert said.sentence == "You stopped before the end. The count starts again."
    assert drill.count == 0


def test_a_false_start_counts_for_nothing():
    drill = Drill(RUNGS)
    play(drill, "cc")
    assert drill.take(PassResult(False, True, notes=3), 0) == ()
    assert (drill.count, drill.passes) == (2, 2)


def test_a_fault_in_a_few_notes_is_no_false_start():
    drill = Drill(RUNGS)
    play(drill, "cc")
    assert kinds(drill.take(PassResult(False, False, STOP, 0, notes=1), 0)) == [Kind.AGAIN]
    assert drill.count == 0


# --- tempo and ladder ---------------------------------------------------------------------------------


def test_from_the_goal_to_the_next_step_and_to_the_end():
    drill = Drill(RUNGS[:2], QUICK)
    said = play(drill, "ccc" * 3)
    assert [one.speed for one in said if one.kind is Kind.STEP_UP] == [0.95, 1.0]
    last = said[-1]
    assert (last.kind, last.rung, last.speed) == (Kind.NEXT_RUNG, RUNGS[1], 0.9)
    assert last.sentence == "Three clean in a row. Next: bass, bars 3–4, at 90 % of the tempo."
    assert drill.climbed(RUNGS[0])
    done = play(drill, "ccc" * 3)[-1]
    assert done.kind is Kind.DONE
    assert done.sentence == "Three clean in a row. That was the last step: all of it is done."
    assert drill.finished
    assert play(drill, "cf") == []
    assert drill.passes == 18


def test_the_full_tempo_is_called_so():
    drill = Drill(RUNGS, QUICK, speed=0.95)
    assert play(drill, "ccc")[-1].sentence == "Three clean in a row. Now a little faster, at the full tempo."


def test_the_last_tempo_step_goes_no_further_than_the_goal():
    drill = Drill(RUNGS, Rules(start_speed=0.6, goal=0.72, step_up=0.1))
    assert [one.speed for one in play(drill, "ccc" * 2) if one.kind is Kind.STEP_UP] == [0.7, 0.72]
    assert play(drill, "ccc")[-1].kind is Kind.NEXT_RUNG


def test_nine_tempi_without_rounding():
    drill = Drill(RUNGS)
    speeds = [0.6, *(one.speed for one in play(drill, "ccc" * 8))]
    assert [s for k, s in enumerate(speeds) if k == 0 or s != speeds[k - 1]] == [
        0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0,
    ]  # fmt: skip


def test_what_was_learnt_in_smaller_steps_begins_nearer_to_the_goal():
    drill = Drill(RUNGS, Rules(start_speed=0.6, goal=1.0, step_up=0.4))
    play(drill, "ccc" * 4)  # bars 1-2 and 3-4 of the bass
    assert drill.rung == RUNGS[2]
    assert drill.speed == 0.8
    play(drill, "ccc" * 2)
    assert (drill.rung, drill.speed) == (RUNGS[3], 0.6)  # together is new


def test_half_known_is_not_known():
    drill = Drill(RUNGS, Rules(start_speed=0.6, goal=1.0, step_up=0.4))
    play(drill, "ccc" * 2)  # bars 1-2 alone
    drill.choose(2)
    assert drill.speed == 0.6


def test_faults_in_a_row_make_it_slower():
    drill = Drill(RUNGS, speed=0.7)
    said = play(drill, "fff")
    assert kinds(said) == [Kind.AGAIN] * 3 + [Kind.STEP_DOWN]
    assert said[-1].sentence == "Three times with a fault: now slower, at 65 % of the tempo."
    assert drill.speed == 0.65
    assert kinds(play(drill, "ff")) == [Kind.AGAIN] * 2  # they are counted anew


def test_faults_that_are_not_in_a_row_do_not():
    drill = Drill(RUNGS, speed=0.7)
    assert kinds(play(drill, "ffcff")) == [
        Kind.AGAIN, Kind.AGAIN, Kind.COUNT, Kind.AGAIN, Kind.AGAIN,
    ]  # fmt: skip
    assert drill.speed == 0.7


def test_below_the_start_tempo_something_shorter_is_offered_as_well():
    drill = Drill(RUNGS, at=5)
    said = play(drill, "fff")
    assert kinds(said)[-2:] == [Kind.STEP_DOWN, Kind.SUGGEST_SHORTER]
    assert drill.speed == 0.55
    assert (
        said[-1].sentence == "Or first: together, bars 3–4? Yes: → or the pedal."
    )  # the faults are in bar 3
    (went,) = drill.accept()
    assert (went.rung, drill.speed) == (RUNGS[4], 0.55)


def test_above_the_start_tempo_slower_alone_is_enough():
    drill = Drill(RUNGS, at=5, speed=0.65)
    assert kinds(play(drill, "fff"))[-1] is Kind.STEP_DOWN
    assert drill.suggestion is None


def test_no_slower_than_the_slowest():
    drill = Drill(RUNGS[:1], Rules(slowest=0.5), speed=0.52)
    assert play(drill, "fff")[-1].kind is Kind.STEP_DOWN
    assert drill.speed == 0.5
    last = play(drill, "fff")[-1]
    assert last.kind is Kind.SUGGEST_CHANGE
    assert last.sentence == "Three times with a fault. Leave it for today, and come back to it tomorrow."
    assert drill.accept() == ()
    assert drill.speed == 0.5


def test_a_tempo_of_ones_own():
    drill = Drill(RUNGS, Rules(free_tempo=True))
    said = play(drill, "ccc")
    assert kinds(said)[-1] is Kind.NEXT_RUNG
    assert said[-1].sentence == "Three clean in a row. Next: bass, bars 3–4."
    assert drill.faster() == drill.slower() == ()
    last = play(drill, "fff")[-1]
    assert (last.kind, last.sentence) == (
        Kind.SUGGEST_SLOWER,
        "Three times with a fault. Better slower.",
    )
    assert drill.accept() == ()
    assert drill.speed == 0.6


# --- suggestions --------------------------------------------------------------------------------------


def test_a_rate_under_six_in_ten_suggests_slower():
    # Five faults among the last ten passes: not six of them can be clean.
    drill = Drill(RUNGS[:2], speed=0.8)
    assert Kind.SUGGEST_SLOWER not in kinds(play(drill, "cfcfcfcf"))
    _, again, suggested = play(drill, "cf")
    assert again.kind is Kind.AGAIN
    assert suggested.kind is Kind.SUGGEST_SLOWER
    assert suggested.sentence == (
        "Five of the last ten were clean; like that, three in a row would take about 14 tries. "
        "Slower, at 75 % of the tempo? Yes: → or the pedal."
    )
    assert drill.speed == 0.8  # it is a suggestion
    assert drill.suggestion == suggested
    (done,) = drill.accept()
    assert (done.kind, done.sentence) == (Kind.STEP_DOWN, "Slower, at 75 % of the tempo.")
    assert (drill.speed, drill.suggestion) == (0.75, None)


def test_six_in_ten_is_enough():
    drill = Drill(RUNGS[:2], speed=0.8)
    said = play(drill, "fcfccfcfcc")
    assert not {Kind.SUGGEST_SLOWER, Kind.SUGGEST_SHORTER} & set(kinds(said))


def test_old_passes_are_forgotten():
    rules = Rules(same=100)
    drill = Drill(RUNGS[:2], rules, speed=0.8)
    play(drill, "fcfccfcfcc")  # four of ten
    said = play(drill, "cf" + "cfcc")  # each new fault pushes an old one out
    assert not {Kind.SUGGEST_SLOWER, Kind.SUGGEST_SHORTER} & set(kinds(said))


def test_faults_in_one_bar_suggest_that_bar():
    drill = Drill(RUNGS, at=5, speed=0.8)
    said = []
    for bar in (0, 3, 3, 2, 3):
        said += drill.take(CLEAN, 0) + drill.take(fault(bar), 0)
    assert said[-1].kind is Kind.SUGGEST_SHORTER
    assert said[-1].rung == RUNGS[4]
    assert said[-1].sentence.endswith("First: together, bars 3–4? Yes: → or the pedal.")


def test_faults_here_and_there_suggest_slower():
    drill = Drill(RUNGS, at=5, speed=0.8)
    said = []
    for bar in (0, 1, 2, 3, 3):
        said += drill.take(CLEAN, 0) + drill.take(fault(bar), 0)
    assert said[-1].kind is Kind.SUGGEST_SLOWER


def test_a_rate_of_nothing_and_one_that_would_take_for_ever():
    rules = Rules(faults_before_slower=100)
    drill = Drill(RUNGS[:1], rules, speed=0.8)
    assert play(drill, "fffff")[-1].sentence.startswith("None of the last five was clean. Slower")
    assert play(drill, "fcffff")[-1].sentence.startswith(
        "One of the last six was clean; like that, three in a row would hardly ever come. Slower"
    )


def test_ten_times_the_same_suggest_a_change():
    drill = Drill(RUNGS, speed=0.8)
    said = play(drill, "ccfccfccf")  # nine
    assert Kind.SUGGEST_CHANGE not in kinds(said)
    last = play(drill, "c")[-1]
    assert last.kind is Kind.SUGGEST_CHANGE
    assert last.rung == RUNGS[1]
    assert last.sentence == "Ten times the same. For a change: bass, bars 3–4? Yes: → or the pedal."
    (went,) = drill.accept()
    assert (went.kind, drill.rung, drill.speed, drill.visiting) == (Kind.NEXT_RUNG, RUNGS[1], 0.6, True)
    back = play(drill, "ccc")[-1]
    assert (back.kind, back.rung, back.speed) == (Kind.NEXT_RUNG, RUNGS[0], 0.8)
    assert back.sentence == "Three clean in a row. Back again: bass, bars 1–2, at 80 % of the tempo."
    assert not drill.visiting


def test_another_tempo_is_not_the_same():
    drill = Drill(RUNGS, speed=0.8)
    play(drill, "ccfccf")
    drill.faster()
    assert Kind.SUGGEST_CHANGE not in kinds(play(drill, "ccfccfccf"))


def test_with_one_step_alone_tomorrow_is_suggested():
    drill = Drill(RUNGS[:1], speed=0.8)
    last = play(drill, "ccfccfccfc")[-1]
    assert last.sentence == "Ten times the same. Leave it for today, and come back to it tomorrow."
    assert drill.accept() == ()


def test_ten_times_on_a_visit_leads_back():
    drill = Drill(RUNGS, speed=0.8)
    drill.visit(RUNGS[1], 0.7)
    last = play(drill, "ccfccfccfc")[-1]
    assert last.sentence == "Ten times the same. Back to: bass, bars 1–2? Yes: → or the pedal."
    drill.accept()
    assert (drill.rung, drill.speed, drill.visiting) == (RUNGS[0], 0.8, False)


# --- the player's own way -----------------------------------------------------------------------------


def test_choosing_a_step():
    drill = Drill(RUNGS)
    play(drill, "cc")
    (went,) = drill.choose(4)
    assert went.sentence == "Next: together, bars 3–4, at 60 % of the tempo."
    assert (drill.rung, drill.count, drill.at) == (RUNGS[4], 0, 4)
    for index in (-1, len(RUNGS)):
        with pytest.raises(IndexError, match=f"{index}"):
            drill.choose(index)


def test_a_step_is_found_at_the_tempo_it_was_left_at():
    drill = Drill(RUNGS)
    play(drill, "ccc")
    drill.choose(1)
    assert drill.speed == 0.6
    drill.visit(RUNGS[4], 0.45)
    drill.choose(0)
    assert drill.speed == 0.65
    drill.choose(1)
    assert drill.speed == 0.6


def test_a_step_that_was_done_is_found_at_its_goal():
    drill = Drill(RUNGS, QUICK)
    play(drill, "ccc" * 3)
    assert drill.rung == RUNGS[1]
    drill.choose(0)
    assert drill.speed == 1.0


def test_the_steps_that_were_chosen_before_their_turn_are_not_asked_for_again():
    rules = Rules(start_speed=1.0)
    drill = Drill(RUNGS, rules)
    drill.choose(1)
    play(drill, "ccc")
    drill.choose(0)
    assert play(drill, "ccc")[-1].rung == RUNGS[2]


def test_done_at_the_end_though_steps_were_passed_over():
    drill = Drill(RUNGS, Rules(start_speed=1.0), at=5)
    done = play(drill, "ccc")[-1]
    assert (
        done.sentence
        == "Three clean in a row. That was the last step; five steps before it are still to be done."
    )
    drill.choose(0)
    assert not drill.finished


def test_faster_and_slower():
    drill = Drill(RUNGS, Rules(fastest=1.1, slowest=0.5))
    play(drill, "cc")
    (said,) = drill.faster()
    assert (said.kind, said.sentence) == (Kind.STEP_UP, "Faster, at 65 % of the tempo.")
    assert drill.count == 0
    for _ in range(20):
        drill.faster()
    assert drill.speed == 1.1
    assert drill.faster() == ()
    for _ in range(20):
        drill.slower()
    assert drill.speed == 0.5
    assert drill.slower() == ()


def test_faster_than_the_goal_goes_on_to_the_next_step():
    drill = Drill(RUNGS, speed=1.0)
    drill.faster()
    assert play(drill, "ccc")[-1].kind is Kind.NEXT_RUNG


def test_faster_after_the_end_is_work_again():
    drill = Drill(RUNGS[:1], Rules(start_speed=1.0))
    play(drill, "ccc")
    assert drill.finished
    drill.faster()
    assert not drill.finished
    assert kinds(play(drill, "c")) == [Kind.COUNT]


def test_easier_takes_what_was_suggested():
    drill = Drill(RUNGS, at=5, speed=0.8)
    for bar in (0, 1, 2, 3, 3):
        drill.take(CLEAN, 0)
        drill.take(fault(bar), 0)
    assert kinds(drill.easier()) == [Kind.STEP_DOWN]
    assert drill.rung == RUNGS[5]


def test_easier_unasked_takes_a_shorter_step_and_harder_goes_back():
    drill = Drill(RUNGS, at=5, speed=0.8)
    drill.easier()
    assert drill.rung == RUNGS[3]
    assert drill.speed == 0.8
    (back,) = drill.harder()
    assert back.sentence == "Back again: together, bars 1–4, at 80 % of the tempo."
    assert drill.harder() == ()  # it is the last


def test_easier_on_the_shortest_goes_slower_and_harder_goes_on():
    drill = Drill(RUNGS)
    assert kinds(drill.easier()) == [Kind.STEP_DOWN]
    assert drill.speed == 0.55
    assert kinds(drill.harder()) == [Kind.NEXT_RUNG]
    assert drill.rung == RUNGS[1]


def test_easier_where_the_tempo_is_free():
    drill = Drill(RUNGS, Rules(free_tempo=True), at=5)
    for bar in (0, 1, 2):
        drill.take(fault(bar), 0)
    assert drill.suggestion.kind is Kind.SUGGEST_SLOWER
    drill.easier()
    assert drill.rung == RUNGS[3]


def test_bars_around_a_fault_that_are_no_step_of_the_ladder():
    around = rung(T, 1, 2, 2)
    drill = Drill(RUNGS, at=5, speed=0.7)
    drill.visit(around)
    assert (drill.rung, drill.speed, drill.at) == (around, 0.7, 5)
    drill.visit(RUNGS[4], 0.5)  # a step on the way from that
    assert play(drill, "ccc")[-1].rung == around
    assert drill.speed == 0.7
    assert play(drill, "ccc")[-1].rung == RUNGS[5]
    assert drill.speed == 0.7


def test_visiting_where_one_is_or_comes_from_ends_the_visit():
    drill = Drill(RUNGS, at=5, speed=0.7)
    drill.visit(RUNGS[4], 0.5)
    drill.visit(RUNGS[3], 0.5)
    drill.visit(RUNGS[4], 0.55)
    assert drill.speed == 0.55
    assert play(drill, "ccc")[-1].rung == RUNGS[3]
    drill.visit(RUNGS[5])
    assert not drill.visiting


# --- hands and breaks ---------------------------------------------------------------------------------


def test_it_hurts():
    drill = Drill(RUNGS)
    play(drill, "cc")
    (said,) = drill.hurts()
    assert said.kind is Kind.HURT
    assert said.sentence == drill_words.HURT
    assert drill.count == 0
    assert play(drill, "cccfff") == []
    assert drill.tick(100 * MINUTE) == ()
    assert drill.passes == 2
    drill.resume()
    assert kinds(play(drill, "c")) == [Kind.COUNT]


def test_a_break_after_twenty_five_minutes():
    drill = Drill(RUNGS, Rules(same=10**6))
    for minute in range(25):
        assert Kind.BREAK not in kinds(drill.take(CLEAN, minute * MINUTE))
        assert drill.tick(minute * MINUTE + 1) == ()
    assert drill.tick(25 * MINUTE - 1) == ()
    (said,) = drill.tick(25 * MINUTE)
    assert said.kind is Kind.BREAK
    assert said.sentence == (
        "You have practised for 25 minutes: put the guitar down for a while and move your hands."
    )
    assert drill.tick(25 * MINUTE + 1) == ()  # it is said once
    assert drill.count == 1  # and takes nothing away: 25 = 8 × 3 + 1


def test_a_break_is_said_with_a_pass_as_well():
    drill = Drill(RUNGS, Rules(same=10**6))
    for minute in range(25):
        drill.take(CLEAN, minute * MINUTE)
    assert kinds(drill.take(fault(), 26 * MINUTE)) == [Kind.AGAIN, Kind.BREAK]


def test_a_pause_of_more_than_five_minutes_starts_the_time_anew():
    drill = Drill(RUNGS, Rules(same=10**6))
    for minute in (*range(20), *range(26, 51)):
        assert Kind.BREAK not in kinds(drill.take(CLEAN, minute * MINUTE))
    assert kinds(drill.tick(51 * MINUTE)) == [Kind.BREAK]


def test_a_pause_of_five_minutes_does_not():
    drill = Drill(RUNGS, Rules(same=10**6))
    for minute in range(0, 25, 5):
        drill.take(CLEAN, minute * MINUTE)
    assert kinds(drill.tick(25 * MINUTE)) == [Kind.BREAK]


def test_no_break_is_called_while_nobody_plays():
    drill = Drill(RUNGS)
    drill.take(CLEAN, 0)
    assert drill.tick(25 * MINUTE) == ()
    assert drill.tick(60 * MINUTE) == ()


# --- what was clean before ----------------------------------------------------------------------------


def past(when, place, speed=1.0, clean=True, complete=True):
    part, first, last = place
    return PastPass(when, part, first, last, speed, clean, complete)


def test_what_was_clean_yesterday_comes_first():
    mon, tue = "2026-03-02", "2026-03-03"
    rows = [past(f"{mon}T10:0{k}", RUNGS[0].place) for k in range(3)]
    rows += [past(f"{tue}T10:0{k}", RUNGS[4].place, 0.7) for k in range(3)]
    found = recheck(RUNGS, "2026-03-04", rows)
    assert found == (Visit(RUNGS[4], 0.7, check=True), Visit(RUNGS[0], 1.0, check=True))


@pytest.mark.parametrize("line", ["ccf", "cfc", "fcc", "cc", "fff"])
def test_what_was_not_three_times_clean_is_not_checked(line):
    rows = [past(f"2026-03-02T10:0{k}", RUNGS[0].place, clean=c == "c") for k, c in enumerate(line)]
    assert recheck(RUNGS, "2026-03-03", rows) == ()


def test_the_fastest_run_of_three_tells_the_speed():
    speeds = [0.6, 0.6, 0.6, 0.65, 0.65, 0.65, 0.7, 0.7]
    rows = [past(f"2026-03-02T10:{k:02}", RUNGS[0].place, speed) for k, speed in enumerate(speeds)]
    rows.append(past("2026-03-02T11:00", RUNGS[0].place, 0.7, clean=False))
    assert recheck(RUNGS, "2026-03-03", rows)[0].speed == 0.65


def test_the_last_day_counts_and_today_is_no_earlier_day():
    clean = [past(f"2026-03-02T10:0{k}", RUNGS[0].place) for k in range(3)]
    later = [past("2026-03-03T10:00", RUNGS[0].place, clean=False)]
    assert recheck(RUNGS, "2026-03-04", clean + later) == ()
    assert recheck(RUNGS, "2026-03-02", clean) == ()
    assert recheck(RUNGS, "2026-03-03T09:00", clean) != ()
    assert recheck(RUNGS, "2026-03-03", clean + later) == ()  # played today already


def test_incomplete_passes_prove_nothing():
    rows = [past(f"2026-03-02T10:0{k}", RUNGS[0].place, complete=k != 1) for k in range(3)]
    assert recheck(RUNGS, "2026-03-03", rows) == ()


def test_a_step_within_another_is_checked_with_it_and_no_more_than_three():
    rows = [past(f"2026-03-02T10:0{k}", one.place) for one in RUNGS for k in range(3)]
    assert [visit.rung for visit in recheck(RUNGS, "2026-03-03", rows)] == [RUNGS[2], RUNGS[5]]
    apart = tuple(rung(T, k, k, 1) for k in range(6))
    rows = [past(f"2026-03-02T10:0{k}", one.place) for one in apart for k in range(3)]
    assert [visit.rung for visit in recheck(apart, "2026-03-03", rows)] == list(apart[:3])
    assert len(recheck(apart, "2026-03-03", rows, at_most=1)) == 1


def test_bars_that_are_no_longer_in_the_ladder_are_passed_over():
    rows = [past(f"2026-03-02T10:0{k}", ("together", 40, 43)) for k in range(3)]
    assert recheck(RUNGS, "2026-03-03", rows) == ()


def test_a_check_takes_one_clean_pass_and_three_after_a_fault():
    drill = Drill(RUNGS, at=1, speed=0.75)
    (first,) = drill.check([Visit(RUNGS[4], 0.7, check=True), Visit(RUNGS[0], 1.0, check=True)])
    assert first.sentence == "First what was clean before: together, bars 3–4, at 70 % of the tempo."
    assert drill.needed == 1
    (still,) = drill.take(CLEAN, 0)
    assert still.sentence == "Still clean. Next: bass, bars 1–2, at the full tempo."
    assert (drill.rung, drill.speed) == (RUNGS[0], 1.0)
    play(drill, "f")
    assert drill.needed == 3
    assert kinds(play(drill, "cc")) == [Kind.COUNT, Kind.COUNT]
    (back,) = play(drill, "c")
    assert back.sentence == "Three clean in a row. Back again: bass, bars 3–4, at 75 % of the tempo."
    assert (drill.rung, drill.speed) == (RUNGS[1], 0.75)


def test_a_fault_in_one_check_does_not_burden_the_next():
    drill = Drill(RUNGS)
    drill.check([Visit(RUNGS[4], 0.7, check=True), Visit(RUNGS[3], 0.7, check=True)])
    play(drill, "fccc")
    assert (drill.rung, drill.needed) == (RUNGS[3], 1)


def test_nothing_to_check():
    drill = Drill(RUNGS)
    assert drill.check(()) == ()
    assert drill.rung == RUNGS[0]


# --- remembered ---------------------------------------------------------------------------------------


def test_it_goes_on_where_it_stood():
    drill = Drill(RUNGS)
    play(drill, "ccccc")
    drill.visit(rung(T, 1, 2, 2), 0.5)
    play(drill, "fcc")
    kept = json.loads(json.dumps(drill.to_plain()))
    again = Drill.from_plain(kept, RUNGS)
    assert again.to_plain() == drill.to_plain()
    assert (again.rung, again.speed, again.count, again.passes) == (rung(T, 1, 2, 2), 0.5, 2, 8)
    assert again.rung.name == "together, bars 2–3"
    assert play(again, "c") == play(drill, "c")


def test_a_ladder_that_has_grown_is_found_again():
    drill = Drill(RUNGS, at=2)
    play(drill, "cc")
    longer = (rung(Part.MELODY, 0, 3, 4), *RUNGS)
    again = Drill.from_plain(drill.to_plain(), longer)
    assert (again.at, again.rung, again.count) == (3, RUNGS[2], 2)


def test_a_step_that_is_gone_leads_to_the_nearest():
    drill = Drill(RUNGS, at=5, speed=0.9)
    play(drill, "cc")
    left = (RUNGS[0], RUNGS[2], RUNGS[3], RUNGS[4])
    again = Drill.from_plain(drill.to_plain(), left)
    assert (again.rung, again.count, again.speed) == (RUNGS[3], 0, 0.6)
    only = Drill.from_plain(drill.to_plain(), RUNGS[:2])
    assert only.rung == RUNGS[0]


def test_other_rules_bring_it_within_their_limits():
    drill = Drill(RUNGS, Rules(needed=5), speed=1.4)
    play(drill, "cccc")
    again = Drill.from_plain(drill.to_plain(), RUNGS, Rules(fastest=1.2))
    assert (again.speed, again.count) == (1.2, 0)
    fewer = Drill.from_plain(Drill(RUNGS, Rules(needed=5)).to_plain() | {"count": 4}, RUNGS)
    assert fewer.count == 0


def whole_plain():
    drill = Drill(RUNGS, Rules(start_speed=1.0))
    play(drill, "cccf")
    drill.visit(rung(T, 1, 2, 2))
    play(drill, "c")
    return drill.to_plain()


@pytest.mark.parametrize("key", sorted(whole_plain()))
@pytest.mark.parametrize(
    "bad",
    [None, "x", -1, math.nan, {}, [1], [["bass", 0]], [["tuba", 0, 1, 1.0]], [["bass", 0, 1, "fast"]], 2.5],
    ids=repr,
)
def test_damaged_data_name_their_key(key, bad):
    plain = whole_plain()
    if key == "speed" and bad == 2.5:
        return  # that is a speed, and brought within the limits
    plain[key] = bad
    with pytest.raises(ValueError, match=key):
        Drill.from_plain(plain, RUNGS)


@pytest.mark.parametrize("key", sorted(whole_plain()))
def test_missing_data_name_their_key(key):
    plain = whole_plain()
    del plain[key]
    with pytest.raises(ValueError, match=key):
        Drill.from_plain(plain, RUNGS)


@pytest.mark.parametrize("key", ["place", "size", "join", "lands", "upbeat", "name", "speed", "check"])
def test_a_damaged_visit_is_named(key):
    plain = whole_plain()
    plain["visits"][0][key] = None
    with pytest.raises(ValueError, match="visits"):
        Drill.from_plain(plain, RUNGS)


@pytest.mark.parametrize("plain", [None, [], "", 3])
def test_what_is_no_drill_at_all(plain):
    with pytest.raises(ValueError, match="drill"):
        Drill.from_plain(plain, RUNGS)


# --- settings and words -------------------------------------------------------------------------------


def test_a_drill_needs_steps():
    with pytest.raises(ValueError, match="rungs"):
        Drill(())
    with pytest.raises(IndexError):
        Drill(RUNGS, at=6)
    with pytest.raises(ValueError, match="speed"):
        Drill(RUNGS, speed=3.0)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("needed", 0), ("faults_before_slower", 0), ("window", 0), ("same", 0), ("rest_us", 0),
        ("pause_us", 0), ("step_up", 0.0), ("step_down", -0.1), ("least_rate", 1.5), ("slowest", 0.0),
        ("slowest", 0.7),
        ("start_speed", 1.1), ("fastest", 0.9), ("fastest", 9.0), ("known_speed", -1.0),
        ("step_up", math.nan), ("start_speed", math.nan), ("goal", math.nan),
    ],
)  # fmt: skip
def test_settings_that_make_no_sense(name, value):
    with pytest.raises(
        ValueError, match=r"^(needed|faults|window|same|rest|pause|step|least|slow|start|fast|known)"
    ):
        Rules(**{name: value})


def test_the_settings_of_the_design():
    rules = Rules()
    assert {f.name: getattr(rules, f.name) for f in fields(rules)} == {
        "needed": 3, "at_once": True, "start_speed": 0.6, "goal": 1.0, "step_up": 0.05, "step_down": 0.05,
        "faults_before_slower": 3, "window": 10, "least_rate": 0.6, "same": 10, "rest_us": 25 * MINUTE,
        "free_tempo": False, "known_speed": 0.8, "slowest": 0.3, "fastest": 1.5, "pause_us": 5 * MINUTE,
        "false_start": 4, "part_goal": None,
    }  # fmt: skip


def test_no_sentence_keeps_score():
    banned = re.compile(
        r"\b(points?|score[ds]?|streaks?|combos?|stars?|levels?|great|awesome|rung)\b|!", re.I
    )
    texts = [v for k, v in vars(drill_words).items() if k.isupper() and isinstance(v, str)]
    assert len(texts) > 25
    assert not [text for text in texts if banned.search(re.sub(r"{.*?}", "", text))]


def test_the_smallest_step_around_a_fault_is_proposed_where_the_ladder_has_none():
    own = Rung(Part.TOGETHER, 4, 5, 2, name="together, bars 5–6")
    alone = Rung(Part.TOGETHER, 4, 7, 4, name="together, bars 5–8")
    drill = Drill([alone], Rules(), around=lambda bar, part: own)
    for now in range(3):
        said = drill.take(PassResult(True, False, "Bar 6: late.", bar=5, notes=9), now * 10**7)
    assert drill.suggestion is not None
    assert drill.suggestion.rung is own
    assert "together, bars 5–6" in said[-1].sentence
    drill.accept()
    assert drill.rung is own


def test_one_voice_alone_is_learnt_at_one_tempo_and_both_together_climb():
    bass, both = Rung(Part.BASS, 0, 1, 2, name="bass"), Rung(Part.TOGETHER, 0, 1, 2, name="together")
    drill = Drill([bass, both], Rules(part_goal=0.8, step_up=0.2))
    assert drill.speed == 0.8
    play(drill, "ccc")
    assert (drill.rung, drill.speed) == (both, 0.6)  # nothing of it has been done together
    play(drill, "ccc")
    assert drill.speed == 0.8
    with pytest.raises(ValueError, match="part_goal"):
        Rules(part_goal=2.0)


def test_the_tempo_is_told_as_the_player_reads_it():
    drill = Drill(RUNGS)
    drill.tempo_words = lambda speed: f"{speed * 60:.0f} beats a minute"
    assert "39 beats a minute" in play(drill, "ccc")[-1].sentence


def test_a_suggestion_is_shorter_while_somebody_plays():
    why = drill_words.rate_words(2, 10, 3, 83.4)
    shorter = drill_words.SUGGEST_SHORTER.format(why=why, rung="bars 1–2")
    assert drill_words.question(shorter) == "First: bars 1–2? Yes: → or the pedal."
    change = drill_words.SUGGEST_CHANGE.format(count="Ten", rung="bars 1–2")
    assert drill_words.question(change) == "For a change: bars 1–2? Yes: → or the pedal."
    assert drill_words.question(drill_words.SUGGEST_LATER.format(why=why)) == ""
