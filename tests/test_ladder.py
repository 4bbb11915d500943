"""The ladder of practice steps: literal ladders by hand for small pieces and the études, and its rules."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from coach.core.ladder import Part, Rung, from_fault, ladder, without
from coach.core.levels import FIRST_LESSON
from coach.core.preparation import Preparation, prepare
from coach.files.score_file import read_score
from tests.pieces import generated_piece
from tests.scores import Q, piece

FOLDER = Path(__file__).resolve().parents[1] / "scores"
ETUDES = {int(path.name[:2]): path for path in sorted(FOLDER.glob("0*.musicxml"))}
S, M, B, T = Part


def etude(number: int) -> Preparation:
    return prepare(read_score(ETUDES[number]).score)


def shown(rungs, part=None) -> list[str]:
    return [rung.name for rung in rungs if part is None or rung.part is part]


def bars(rungs, part) -> list[tuple[int, int]]:
    return [(rung.first, rung.last) for rung in rungs if rung.part is part]


# Four bars of 4/4 with a tune of four notes a bar, each with a rhythm of its own, over two basses a bar.
TUNE = (
    "C4 1, E4 1, G4 1, E4 1, F4 3/2, E4 1/2, D4 1, F4 1, E4 1/2, F4 1/2, D4 1, B3 1, D4 1, C4 1, E4 1, C4 2"
)
BASS = "A2@5 2, D3@4 2, E2@6 2, A2@5 2, D3@4 2, E2@6 2, A2@5 4"
SMALL = piece("4/4", BASS, TUNE)


def test_the_ladder_of_a_small_piece_in_full():
    # At 60 a bar of 4/4 lasts 4 s: four notes of the tune are a step; two basses are not, so two bars.
    # Bar 4 alone holds only the last bass's end: it is no step together.
    rungs = ladder(prepare(SMALL))
    assert [(r.part, r.first, r.last, r.size) for r in rungs if r.part in (S, M)] == [
        (S, 0, -1, 0),
        (M, 0, 0, 1),
        (M, 1, 1, 1),
        (M, 2, 2, 1),
        (M, 3, 3, 1),
        (M, 0, 3, 4),
    ]
    assert sorted(bars(rungs, B)[:2]) == [(0, 1), (2, 3)]
    assert bars(rungs, B)[2:] == [(0, 3)]
    assert sorted(bars(rungs, T)[:3]) == [(0, 0), (1, 1), (2, 2)]
    assert bars(rungs, T)[3:] == [(0, 3)]
    assert list(dict.fromkeys(r.part for r in rungs)) == [S, M, B, T]


@pytest.mark.parametrize(
    ("bar_s", "onsets", "size"),
    [(4.0, 3, 2), (4.0, 4, 1), (2.0, 4, 2), (2.0, 5, 2), (2.0, 6, 1), (3.0, 4, 1)],
)
def test_how_many_bars_the_smallest_step_has(bar_s, onsets, size):
    # A bar has one bar's worth of ``onsets`` equal notes, each bar on a pitch of its own.
    pitches = ("C4", "D4", "E4", "F4", "G4", "A4", "B4", "C5")
    line = ", ".join(f"{p} {4}/{onsets}" for p in pitches for _ in range(onsets))
    rungs = ladder(prepare(piece("4/4", "", line, qpm=240 / bar_s)))
    assert rungs[1].size == size
    assert rungs[1].last - rungs[1].first + 1 == size


def test_each_step_lands_on_the_next_note_of_its_part():
    found = ladder(prepare(piece("4/4", "A2@5 4, - 1, D3@4 3, E2@6 4, A2@5 4", "C4 2, D4 2, E4 8, C4 4")))
    lands = {rung.place: rung.lands for rung in found}
    assert lands["bass", 0, 1] == 8 * Q
    assert lands["melody", 0, 1] == 8 * Q  # the E is held through bar 3: no note to land on, so its barline
    assert lands["bass", 2, 3] == 16 * Q  # nothing follows: it is over with the piece
    assert lands["together", 0, 3] == 16 * Q


def test_landing_comes_late_where_the_next_bar_begins_with_a_rest():
    found = ladder(prepare(piece("2/4", "A2@5 2, E2@6 1, - 1, - 1, D3@4 1, A2@5 2", "C4 8")))
    assert {r.place: r.lands for r in found}["bass", 0, 1] == 5 * Q


def test_a_stop_on_the_landing_note_belongs_to_the_step():
    # The worst stop of étude 5 is that of bar 10's bass, due with bar 11's: bars 9-10 come first.
    prepared = etude(5)
    worst = max((s for s in prepared.stops if s.wanted), key=lambda s: s.over.rank)
    assert prepared.score.notes["bar"][worst.note] == 9
    assert worst.due == prepared.score.bars[10].onset
    first = next(rung for rung in ladder(prepared) if rung.part is B)
    assert (first.first, first.last) == (8, 9)
    assert first.lands == worst.due


# --- what is left out ---------------------------------------------------------------------------------


def test_a_piece_of_one_voice_has_one_part_and_plain_names():
    basses = ladder(etude(1))
    assert {rung.part for rung in basses} == {B}
    assert shown(basses)[0] == "bars 1–2"
    tune = ladder(prepare(piece("4/4", "", TUNE)))
    assert list(dict.fromkeys(r.part for r in tune)) == [S, M]
    assert shown(tune)[-1] == "the whole piece"


def test_nothing_is_practised_twice():
    # Bars 3-4 are bars 1-2 again, and land on the same C.
    tune, bass = "C4 1, E4 1, G4 1, E4 1, F4 3/2, E4 1/2, D4 2, ", "A2@5 2, D3@4 2, E2@6 2, D3@4 2, "
    rungs = ladder(prepare(piece("4/4", bass * 2 + "A2@5 4", tune * 2 + "C4 4")))
    assert bars(rungs, B)[:1] == [(0, 1)]
    assert (2, 3) not in bars(rungs, B)
    assert (2, 3) not in bars(rungs, T)


def test_the_same_notes_that_stop_elsewhere_are_another_step():
    # Bars 1-2 land on a D, bars 3-4 with the same notes on the open A.
    bass = "A2@5 2, D3@4 2, E2@6 4, D3@4 2, A2@5 2, E2@6 4, A2@5 4"
    again = "A2@5 2, D3@4 2, E2@6 4, A2@5 2, D3@4 2, E2@6 4, D3@4 4"
    for line in (bass, again):
        assert (2, 3) in bars(ladder(prepare(piece("4/4", line, "C4 20"))), B)


def test_steps_where_nothing_is_to_be_stopped_are_left_to_the_longer_ones():
    # Bars 1 to 4 of the bass ring by a let-ring tie; only bars 5 to 8 have stops.
    rings = "A2~@5 4, A2~@5 4, A2~@5 4, A2~@5 4, "
    stops = "E2@6 2, A2@5 2, D3@4 2, E2@6 2, A2@5 2, D3@4 2, E2@6 4"
    found = bars(ladder(prepare(piece("4/4", rings + stops, "C4 32"))), B)
    assert (0, 1) not in found
    assert {(4, 5), (0, 3), (0, 7)} <= set(found)


def test_no_stop_asked_for_at_all_leaves_the_steps():
    prepared = prepare(piece("4/4", "A2~@5 4, A2~@5 4, D3~@4 4, E2~@6 4", "C4 16"), level=FIRST_LESSON)
    assert not [stop for stop in prepared.stops if stop.wanted]
    assert (2, 3) in bars(ladder(prepared), B)


def test_the_melody_is_joined_by_its_longer_steps_and_halves_are_played_together():
    rungs = ladder(etude(5))
    assert not [rung for rung in rungs if rung.join and rung.part is M]
    assert {rung.part for rung in rungs if rung.size == 12} == {T}


# --- the études ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", ETUDES)
def test_the_order_of_work(number):
    rungs = ladder(etude(number))
    order = [S, M, B, T]
    places = [order.index(rung.part) for rung in rungs]
    assert places == sorted(places)
    for part in set(order[1:]) & {rung.part for rung in rungs}:
        steps = [rung for rung in rungs if rung.part is part]
        grown = [8 if r.size == 8 else 5 if r.join else min(r.size, 9) for r in steps]  # joins after fours
        assert grown == sorted(grown)
        assert steps[-1].name.endswith("the whole piece")
        assert len({rung.place for rung in steps}) == len(steps)


def test_the_third_etude():
    # Phrases of four; 9-10 are 1-2 again.  The worst stop is bar 6's C over the barline, then bar 4.
    assert shown(ladder(etude(3))) == [
        "the scale of E harmonic minor",
        "melody alone, bars 1–2",
        "melody alone, bars 3–4",
        "melody alone, bars 5–6",
        "melody alone, bars 7–8",
        "melody alone, bars 11–12",
        "melody alone, bars 1–4",
        "melody alone, bars 5–8",
        "melody alone, bars 9–12",
        "melody alone, bars 1–8",
        "melody alone, the whole piece",
        "bass alone, bars 5–6",
        "bass alone, bars 3–4",
        "bass alone, bars 1–2",
        "bass alone, bars 7–8",
        "bass alone, bars 11–12",
        "bass alone, bars 5–8",
        "bass alone, bars 1–4",
        "bass alone, bars 9–12",
        "bass alone, bars 4–5",
        "bass alone, bars 8–9",
        "bass alone, bars 1–8",
        "bass alone, the whole piece",
        "together, bars 5–6",
        "together, bars 3–4",
        "together, bars 1–2",
        "together, bars 7–8",
        "together, bars 11–12",
        "together, bars 5–8",
        "together, bars 1–4",
        "together, bars 9–12",
        "together, bars 4–5",
        "together, bars 8–9",
        "together, bars 1–8",
        "together, the whole piece",
    ]


def test_a_pickup_belongs_to_those_who_play_in_it():
    rungs = ladder(etude(2))
    assert shown(rungs, M)[0] == "melody alone, bars 1–2 with the pickup"
    assert shown(rungs, M)[2] == "melody alone, bars 5–6 from the upbeat"
    assert bars(rungs, M)[0] == (0, 2)
    assert (1, 2) in bars(rungs, B)
    assert "bass alone, bars 5–6" in shown(rungs, B)
    assert {rung.upbeat for rung in rungs if rung.part is B} == {0}
    assert next(r for r in rungs if r.place == ("together", 5, 6)).upbeat == Q // 2
    assert bars(rungs, B)[-1] == (1, 12)


def test_a_second_ending_is_joined_to_what_leads_to_it():
    join = next(r for r in ladder(etude(4)) if r.join and r.part is T and r.first > 7)
    assert (join.first, join.last) == (13, 14)  # bar 6 of the second round, then bar 9
    assert join.name == "together, bars 6 and 9"


def test_bars_that_come_again_in_the_fifth_etude():
    # Bars 17-23 repeat 1-7: of these only what leads to the new last bar is a step.
    rungs = ladder(etude(5))
    assert [r.name for r in rungs if r.part is T and r.first >= 16] == [
        "together, bars 23–24",
        "together, bars 21–24 from the upbeat",
        "together, bars 17–24 from the upbeat",
    ]


def test_eight_bars_by_eight():
    rungs = ladder(etude(5), by_eights=True)
    parts = [rung.part for rung in rungs]
    assert parts[0] is S
    # Together is reached within the first eight bars, before the melody of bar 9.
    early = rungs[: next(k for k, r in enumerate(rungs) if r.part is M and r.first >= 8)]
    assert {rung.last for rung in early if rung.part is T} == {1, 3, 4, 5, 7}
    assert any(rung.place == ("together", 0, 7) for rung in early)
    assert [rung.name for rung in rungs[-3:]] == [
        "together, bars 1–12",
        "together, bars 13–24 from the upbeat",
        "together, the whole piece",
    ]
    assert set(rungs) < set(ladder(etude(5)))  # the voices alone are not brought to the whole


# --- tools --------------------------------------------------------------------------------------------


def test_without_a_part():
    rungs = ladder(etude(3))
    left = without(rungs, part=M)
    assert [rung for rung in rungs if rung.part is not M] == list(left)
    assert {rung.part for rung in left} == {S, B, T}


def test_the_smallest_step_around_a_fault():
    prepared = etude(3)
    rungs = ladder(prepared)
    assert from_fault(prepared, rungs, 5) is next(r for r in rungs if r.place == ("together", 4, 5))
    made = from_fault(prepared, rungs, 6, Part.BASS)
    assert made.place == ("bass", 5, 6)
    assert made.name == "bass alone, bars 6–7"
    assert made.lands == prepared.score.bars[7].onset
    assert from_fault(prepared, rungs, 0).place == ("together", 0, 0)


def test_a_fault_next_to_a_pickup():
    prepared = etude(2)
    rungs = ladder(prepared)
    assert from_fault(prepared, rungs, 0).place == ("together", 0, 1)
    assert from_fault(prepared, rungs, 1).place == ("together", 0, 1)
    assert from_fault(prepared, rungs, 2).place == ("together", 1, 2)


def test_a_fault_in_a_repeat_has_the_bar_played_before_it():
    # The first bar of the second round comes after bar 8.
    prepared = etude(4)
    assert from_fault(prepared, (), 8).name == "together, bars 8 and 1"


@pytest.mark.parametrize("bar", [-1, 12])
def test_no_step_around_a_bar_that_is_not_there(bar):
    with pytest.raises(ValueError, match=f"bar {bar}"):
        from_fault(etude(3), (), bar)
    with pytest.raises(ValueError, match="scale"):
        from_fault(etude(3), (), 1, Part.SCALE)


def test_steps_are_the_same_whatever_they_are_called():
    one = Rung(T, 0, 3, 4, name="a", lands=5)
    assert one == Rung(T, 0, 3, 4, name="b", lands=7)
    assert one.within(Rung(T, 0, 7, 8))
    assert not one.within(one)
    assert not one.within(Rung(B, 0, 7, 8))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("count", [1, 2, 3, 5, 16, 33])
def test_any_piece_has_a_ladder_that_ends_on_the_whole(seed, count):
    prepared = prepare(generated_piece(seed, count, beats=3 + seed % 2))
    rungs = ladder(prepared)
    last = len(prepared.score.bars) - 1
    for part in (M, B, T):
        steps = [rung for rung in rungs if rung.part is part]
        assert steps[-1].place == (part.value, 0, last)
        assert len(set(steps)) == len(steps)
        assert all(0 <= rung.first <= rung.last <= last for rung in steps)
        assert all(rung.lands >= prepared.score.bars[rung.last].end for rung in steps)


def test_a_score_without_notes_has_no_ladder():
    empty = replace(SMALL, notes=SMALL.notes[:0])
    assert ladder(prepare(empty)) == ()
