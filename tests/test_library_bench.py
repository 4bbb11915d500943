"""The benchmark beside research libraries: what it gives them, and how their answers are counted."""

from __future__ import annotations

import sys
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from coach.core.groups import Groups
from coach.core.pitch import frequency
from tests.bench import library_human, library_ours
from tests.bench.follow_material import KINDS, Take, student
from tests.bench.libraries import Asked, Report, run
from tests.bench.library_child import HELD_S, Places, score_array
from tests.bench.library_count import Answer, Line, Played, by_mir_eval, count, f1, places_of, standing
from tests.bench.library_rooms import Room, material
from tests.bench.library_rows import FASTEST, SLOWEST, SOME, Row, rows, swinging
from tests.pieces import generated_piece
from tests.scores import piece

SCORE = piece(
    "4/4", "A2 2, A2 2, A2 2, A2 2", "E4 1, F4 1, G4 1, F4 1, E4 1, F4 1, G4 1, F4 1"
)  # two equal bars
BASSES = [row_ for row_, note in enumerate(SCORE.notes) if note["bass"]]
TUNE = [row_ for row_, note in enumerate(SCORE.notes) if not note["bass"]]


def played(meant: list[int] | None = None, jumps: tuple[int, ...] = (0,)) -> Played:
    """Return some notes a second apart, by default the tune of both bars; -1 is a note added."""
    take = Take(jumps=list(jumps))
    for number, one in enumerate([*TUNE, -1] if meant is None else meant):
        take.us.append(number * 1_000_000)
        take.pitch.append(int(SCORE.notes["pitch"][one]) if one >= 0 else 70)
        take.string.append(None)
        take.velocity.append(64)
        take.truth.append(one)
    return Played(SCORE, Groups(SCORE), take, "two bars", 7)


def line(labels: list[int], one: Played | None = None, places: list[int] | None = None) -> Line:
    return count("some", [one or played()], [Answer(labels, places or [0] * len(labels), [1.0, 3.0])])


# --- what the libraries are given and how they are read -------------------------------------------


def test_a_library_is_given_quarters_and_seconds_and_no_strings():
    given = material([played()])
    (score,), (take,) = given["scores"], given["takes"]
    assert score["qpm"] == 60.0
    assert score["notes"][TUNE[1]] == [str(TUNE[1]), 1.0, 1.0, 65, False]
    assert take["events"][1] == [1.0, 65, 64]
    notes = score_array(score["notes"])
    assert notes["onset_beat"][TUNE[4]] == 4.0
    assert notes["id"][TUNE[4]] == str(TUNE[4])


def test_a_library_is_given_only_the_bars_that_our_follower_is_told_are_practised():
    one = played()
    told = replace(one, take=replace(one.take, chunk=(1, 1)))
    given = material([told])
    (score,), (take,) = given["scores"], given["takes"]
    assert [note[0] for note in score["notes"]] == [str(row) for row in range(6, 12)]
    assert score["notes"][0][1] == 0.0
    assert take["first"] == 4
    assert material([one])["takes"][0]["first"] == 0


def test_a_place_becomes_the_free_note_of_that_pitch_there_then_before_then_after():
    places = Places(score_array(material([played()])["scores"][0]["notes"]))
    assert places.note(1, 65, 0.0) == str(TUNE[1])
    assert places.note(1, 64, 0.0) == str(TUNE[0])  # one onset before
    assert places.note(1, 67, 0.0) == str(TUNE[2])  # one after
    assert places.note(1, 65, 0.1) is None  # taken
    assert places.note(1, 65, HELD_S + 0.1) == str(TUNE[1])  # begun again
    assert places.note(4, 67, 9.0) is None  # two onsets away


def test_a_child_says_in_one_line_what_went_wrong_and_is_started_anew(tmp_path):
    room, given = Room(tmp_path), tmp_path / "given.json"
    given.write_text('{"scores": [], "takes": []}')
    try:
        assert room.ask("oltw", given).result()[1].startswith("no environment")
        room.python = Path(sys.executable)
        assert room.ask("oltw", given).result() == ([], "")  # no takes, no answers
        child = room._child
        given.write_text('{"scores": [], "takes": [{"score": 0}]}')
        assert room.ask("oltw", given).result() == (None, "failed: IndexError: list index out of range")
        assert room._child is child  # it lives on
        child.kill()
        child.wait()
        given.write_text('{"scores": [], "takes": []}')
        assert room.ask("oltw", given).result() == ([], "")
    finally:
        room.close()


# --- counting -------------------------------------------------------------------------------------


def test_what_is_right_is_counted_exactly_and_with_equal_bars():
    right = line([*TUNE, -1])
    assert (right.exact, right.equal, right.mir, right.off) == (1.0, 1.0, 1.0, 0.0)
    other = line([*TUNE[4:], *TUNE[4:], -1])  # the first bar taken for the second: four of eight
    assert (other.exact, other.equal) == (0.5, 1.0)
    assert (other.off, other.far) == (2.0, 0.5)  # four onsets off, half of the time
    nothing = line([-1] * 9)
    assert (nothing.exact, nothing.equal, nothing.mir) == (0.0, 0.0, 0.0)
    added = line([*TUNE, TUNE[0]])  # the added note taken for one: 8 right of 9 made and 8 there are
    assert added.exact == pytest.approx(16 / 17)
    assert right.cells()[-1] == "2/3"


def test_an_event_that_is_matched_with_nothing_is_where_the_follower_then_was():
    labels, places = [TUNE[0], -1, -1, *TUNE[3:], -1], [0, 1, 5, 3, 4, 5, 6, 7, 0]
    found = line(labels, places=places)
    # The second at its own onset, the third three onsets on; the added note has no place to be off.
    assert (found.off, found.far) == (3 / 8, 1 / 8)
    # A matched event counts by its note, though the follower has gone on.
    assert line([*TUNE, -1], places=[7] * 9).off == 0.0


def test_grace_notes_share_the_onset_of_their_main_note():
    score = generated_piece(60, 4)
    groups = Groups(score)
    assert places_of(groups).tolist() == list(range(groups.count))  # no grace notes: one onset a group
    grace = Groups(score)
    grace.onsets = np.array([0, 0, 10, 20, 20])
    assert places_of(grace).tolist() == [0, 0, 1, 2, 2]


def test_notes_until_back_on_track_are_counted_from_the_jump():
    again = [*TUNE, *TUNE, *TUNE[4:], *TUNE[4:]]
    one = played(again, jumps=(0, 8))  # a jump with sixteen notes after it
    labels = [*TUNE, *TUNE[4:], *TUNE[4:], *TUNE[4:], *TUNE[4:]]  # the first bar taken for the second
    found = line(labels, one)
    assert (found.back, found.back_equal) == ([5], [1])
    assert found.cells()[6:8] == ["5/5/5", "1/1/1"]
    assert (found.worth("exact"), found.worth("equal")) == (20 / 24, 1.0)
    assert (found.worth("back 50"), found.worth("back 90")) == (-5.0, -5.0)
    lost = line([*TUNE, *([-1] * 16)], one)
    assert lost.cells()[6] == "never/never/never"
    assert line([*TUNE, -1]).cells()[6] == "–"  # no jump


def test_mir_evals_rules_ask_which_notes_were_found_not_of_which_event():
    one = played([TUNE[0], TUNE[1], TUNE[3]])
    swapped = [TUNE[0], TUNE[3], TUNE[1]]  # the two F of a bar, each taken for the other
    assert by_mir_eval(swapped, one.take.truth, SCORE).tolist() == [3, 3, 3]
    assert line(swapped, one).exact == pytest.approx(1 / 3)
    twice = [TUNE[0], TUNE[1], TUNE[1]]  # a note found twice that was played once: one pair
    assert by_mir_eval(twice, one.take.truth, SCORE).tolist() == [2, 3, 3]


def test_our_count_by_mir_evals_rules_is_mir_evals():
    transcription = pytest.importorskip("mir_eval.transcription")
    score = generated_piece(60, 12)
    groups = Groups(score)
    take = student(score, groups, 60_000, kind=KINDS["student"])
    labels = library_ours.once(Played(score, groups, take)).notes
    labels[::7] = [min(row + 1, len(score.notes) - 1) for row in labels[::7]]  # and some more wrong ones

    def sounds(rows):
        at = np.array([score.nominal_us(int(score.notes["onset"][row])) / 1e6 for row in rows])
        hertz = np.array([frequency(int(score.notes["pitch"][row])) for row in rows])
        return np.stack([at, at + 0.1], 1), hertz

    meant, found = ([row for row in rows if row >= 0] for rows in (take.truth, labels))
    pairs = transcription.match_notes(
        *sounds(meant), *sounds(found), onset_tolerance=0.05, pitch_tolerance=50.0, offset_ratio=None
    )
    ours = by_mir_eval(labels, take.truth, score)
    assert ours.tolist() == [len(pairs), len(found), len(meant)]
    assert 0.8 < f1(ours) < 1.0


def test_exact_identity_is_never_above_mir_evals_rules():
    dice = np.random.default_rng(60)
    one = played()
    for _ in range(50):
        labels = dice.integers(-1, len(SCORE.notes), len(one.take.us)).tolist()
        found = line(labels, one)
        assert found.exact <= found.equal
        assert found.exact <= found.mir


def test_a_note_or_two_thousandths_are_a_tie():
    assert standing(0.900, 0.909, 100) == "tied"  # one note of a hundred
    assert standing(0.900, 0.911, 100) == "behind"
    assert standing(0.911, 0.900, 100) == "ahead"
    assert standing(0.9900, 0.9881, 10_000) == "tied"
    assert standing(0.9900, 0.9879, 10_000) == "ahead"


# --- the report -----------------------------------------------------------------------------------


def done(answer: Answer) -> Future:
    future: Future = Future()
    future.set_result(([answer], ""))
    return future


def asked(ours: list[int], theirs: dict[str, list[int]]) -> Asked:
    one = played()
    nine = [0] * 9
    mine = [
        count(name, [one], [Answer(ours, nine)])
        for name in (library_ours.SETTLED, library_ours.UNTOLD, library_ours.ONCE, library_ours.HINDSIGHT)
    ]
    answers = {name: done(Answer(labels, nine)) for name, labels in theirs.items()}
    return Asked(Row("set", "kind", list), [one], mine, answers)


def test_where_a_library_is_better_the_report_says_on_which_take(capsys):
    good, bad, worse = [*TUNE, -1], [*TUNE[:4], *([-1] * 5)], [-1] * 9
    report = Report(None)
    report.show(asked(bad, {"oltw": worse, "dual-dtw": good}))  # dual-dtw reads the whole take first
    report.sum_up()
    said = capsys.readouterr().out
    assert "ours, settled, exact F1: 0.6667, dual-dtw 1.0000: behind, -0.3333" in said
    assert "    two bars, seed 7: 0.6667, dual-dtw 1.0000" in said
    assert "ours, at once, exact" not in said  # ahead of what reads note by note
    assert report.stood["ours, settled: exact F1"]["behind"] == 1
    assert report.stood["ours, at once: exact F1"]["ahead"] == 1


def test_a_library_that_cannot_be_run_is_one_line_and_the_tables_are_kept(capsys, tmp_path):
    one = asked([*TUNE, -1], {"oltw": [*TUNE, -1]})
    one.theirs["toltw"] = Future()
    one.theirs["toltw"].set_result((None, "no environment; give --install"))
    report = Report(tmp_path / "kept.md")
    report.show(one)
    report.sum_up()
    assert "  toltw: no environment; give --install\n" in capsys.readouterr().out
    kept = (tmp_path / "kept.md").read_text()
    assert "ours, settled, exact F1: 1.0000, oltw 1.0000: tied, +0.0000" in kept
    assert "behind:" not in kept


# --- the takes ------------------------------------------------------------------------------------


def test_every_row_has_a_name_of_its_own_and_makes_the_takes_asked_for():
    found = [row for row in rows(60, 2, []) if row.set == "etudes"]
    titles = [row.title for row in found]
    assert len(set(titles)) == len(titles)
    assert {"etudes: 10% errors, 5 restarts", "etudes: pickup, rough, one channel"} <= set(titles)
    takes = {row.name: row.make() for row in found if row.name in ("student", "student, one channel")}
    assert [one.seed for one in takes["student"]] == [60_000, 60_001]
    assert any(string for one in takes["student"] for string in one.take.string)
    assert not any(string for one in takes["student, one channel"] for string in one.take.string)


def test_rows_are_chosen_by_what_their_names_hold(capsys, tmp_path):
    assert run(["--list", "--rows", "etudes: STUDENT", "--rooms", str(tmp_path)]) == 0
    assert capsys.readouterr().out.split("\n")[:-1] == [
        "etudes: student",
        "etudes: student, one channel",
        "etudes: student, no converter",
    ]
    with pytest.raises(SystemExit) as ended:
        run(["--rows", "no such row", "--rooms", str(tmp_path)])
    assert ended.value.code == 2
    assert "no row has such a name" in capsys.readouterr().err


def test_a_swinging_tempo_stays_within_its_bounds():
    score = generated_piece(60, 16)
    groups = Groups(score)
    plain = student(score, groups, 60_000, kind=replace(SOME, tempo=(1.0, 1.0)))
    take = swinging(score, groups, 60_000)
    assert take.truth == plain.truth
    before, after = np.diff(plain.us).astype(float), np.diff(take.us)
    ratio = after[before > 1e5] / before[before > 1e5]
    assert ratio.min() >= FASTEST - 1e-3
    assert ratio.max() <= SLOWEST + 1e-3
    assert ratio.max() / ratio.min() > 3


def performance() -> library_human.Performance:
    """Return both bars played by a human who holds each second note a little longer; one note is added."""
    score = generated_piece(60, 12)
    take, us = Take(jumps=[0]), 500_000
    for row in range(len(score.notes)):
        us += 400_000 + 100_000 * (row % 2)
        take.us.append(us)
        take.pitch.append(int(score.notes["pitch"][row]))
        take.string.append(None)
        take.velocity.append(60)
        take.truth.append(row)
    take.truth[5] = -1
    return library_human.Performance("twelve bars", score, take)


def test_a_human_practising_without_errors_is_the_human():
    human = performance()
    groups = Groups(human.score)
    take = library_human.practised(human, groups, 60)
    assert (take.truth, take.pitch, take.jumps) == (human.take.truth, human.take.pitch, [0])
    assert np.diff(take.us).tolist() == np.diff(human.take.us).tolist()


def test_a_human_who_breaks_off_begins_again_at_the_start_of_a_bar():
    human = performance()
    groups = Groups(human.score)
    take = library_human.practised(human, groups, 61, restarts=3)
    assert len(take.jumps) == 4
    for at in take.jumps[1:]:
        begun, left = groups.group_of(take.truth[at]), groups.group_of(take.truth[at - 1])
        assert begun == 0 or groups.bars[begun] != groups.bars[begun - 1]
        assert 0 <= groups.bars[left] - groups.bars[begun] <= 4
    assert take.truth[-1] == human.take.truth[-1]
    erring = library_human.practised(human, groups, 61, errors=0.1)
    pitches = human.score.notes["pitch"]
    meant = [(row, pitch) for row, pitch in zip(erring.truth, erring.pitch, strict=True) if row >= 0]
    wrong = sum(int(pitches[row]) != pitch for row, pitch in meant)
    assert 0 < wrong < len(human.take.us) / 4
    assert len(set(human.take.truth)) - 1 > len(meant) > 0.7 * len(human.take.us)


def test_a_match_file_is_read_into_a_score_and_what_was_played(tmp_path):
    pytest.importorskip("partitura")
    path = tmp_path / "four notes.match"  # a bar and a half of our own, in the format's version 5
    path.write_text(
        "info(matchFileVersion,5.0).\ninfo(midiClockUnits,480).\ninfo(midiClockRate,500000).\n"
        "info(keySignature,[C Maj/A min]).\ninfo(timeSignature,[2/4]).\n"
        "snote(n1,[E,n],4,1:1,0,1/4,0.0,1.0,[])-note(n0,[E,n],4,480,700,700,60).\n"
        "snote(n2,[C,n],3,1:1,0,1/2,0.0,2.0,[staff2])-note(n1,[C,n],3,490,900,900,50).\n"
        "snote(n3,[F,n],4,1:2,0,1/4,1.0,2.0,[])-deletion.\n"
        "insertion-note(n2,[A,n],4,960,990,990,40).\n"
        "snote(n4,[G,n],4,2:1,0,1/2,2.0,4.0,[])-note(n3,[G,n],4,1440,1900,1900,70).\n"
    )
    human = library_human.read(path)
    assert human.score.notes["pitch"].tolist() == [48, 64, 65, 67]
    assert human.score.notes["onset"].tolist() == [0, 0, 10_080, 20_160]
    assert human.score.notes["bar"].tolist() == [0, 0, 0, 1]
    assert human.take.pitch == [64, 48, 69, 67]
    assert human.take.truth == [1, 0, -1, 3]
    assert np.diff(human.take.us) == pytest.approx([10_417, 489_583, 500_000], abs=2)


# --- ours -----------------------------------------------------------------------------------------


def test_our_own_answers_have_a_label_a_place_and_a_time_for_each_event():
    both = sorted([*TUNE, *BASSES])
    take = played(both).take
    onset_s = SCORE.notes["onset"][both] / 10_080
    one = Played(SCORE, Groups(SCORE), replace(take, us=[round(1e6 * s) for s in onset_s]))
    for answer in (library_ours.settled(one), library_ours.once(one), library_ours.hindsight(one)):
        assert len(answer.notes) == len(answer.places) == len(both)
    settled = library_ours.settled(one)
    assert settled.notes == both
    assert settled.places == [int(second) for second in onset_s]
    assert len(settled.cost_us) == len(both)
    found = {line_.name for line_ in library_ours.lines([one])}
    assert found == {"ours, settled", "ours, no strings", "ours, at once", "ours, hindsight"}
