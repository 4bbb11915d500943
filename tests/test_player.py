"""The simulated player: the same seed gives the same bytes, and its truth is what its messages say."""

from __future__ import annotations

import json
from collections import Counter
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.score import TICKS_PER_QUARTER, DampMark, Score
from coach.files.take import read_take
from tests.pieces import generated_piece
from tests.player import Converter, Faults, Manner, Performance, Placed, Player
from tests.scores import piece
from tests.takes import RECIPES, Recipe, plain

FOLDER = Path(__file__).resolve().parents[1] / "recordings"
EVEN = Manner(rubato=0.0, uneven=0.0, spread_ms=0.0, jitter_ms=0.0)
IDEAL = Converter.ideal()
SOME = Faults(
    wrong=0.05,
    missing=0.05,
    extra=0.05,
    stray=0.1,
    late=0.15,
    ringing=0.1,
    cut=0.1,
    restarts=2,
    hesitations=2,
)


@cache
def made(seed: int, bars: int = 12) -> Score:
    return generated_piece(seed, bars)


def exact(score: Score, *placed: Placed, converter: Converter = IDEAL) -> Performance:
    """Play like a machine, from time 0, with the placed faults only."""
    faults = Faults(placed=placed)
    return Player(score, seed=1, faults=faults, manner=EVEN, converter=converter, start_us=0).play()


# --- the bytes ------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_bytes_and_another_does_not():
    one, two, other = (Player(made(1), seed=s, faults=SOME).play() for s in (7, 7, 8))
    assert one == two
    assert one.messages != other.messages


def test_literal_messages_of_a_machine():
    # 60 a minute: A2 on string 5 for one second, then C3 on the same string, then E2 on string 6
    score = piece("4/4", "A2@5 1, C3@5 1, E2@6 2")
    done = exact(score)
    v = [note.velocity for note in done.truth.notes]
    end_us = done.truth.notes[2].release_us
    off_us = done.truth.notes[1].release_us
    assert done.messages[:3] == (
        (0, bytes([0x94, 45, v[0]])),
        (1_000_000, bytes([0x94, 48, v[1]])),
        (1_000_000, bytes([0x84, 45, 64])),  # mono mode: the new note first, then the old one's end
    )
    assert sorted(done.messages[3:]) == sorted(
        [
            (2_000_000, bytes([0x95, 40, v[2]])),
            (off_us, bytes([0x84, 48, 64])),
            (end_us, bytes([0x85, 40, 64])),
        ]
    )


def test_the_same_pitch_anew_ends_before_it_begins():
    score = piece("4/4", "A2@5 1, A2@5 3")
    kinds = [(t, data[0] & 0xF0) for t, data in exact(score).messages]
    assert kinds[:3] == [(0, 0x90), (1_000_000, 0x80), (1_000_000, 0x90)]


def test_note_ons_are_late_by_periods_and_a_fixed_time():
    # ISO 16: E2 is 82.4069 Hz, so 2.2 periods are 26.697 ms; with 4 ms fixed 30.697 ms.  E4: 6.674 + 4 ms.
    converter = Converter.ideal(periods=2.2, fixed_ms=4.0)
    score = piece("4/4", "E2@6 4", "E4@1 4")
    ons = {data[1]: t for t, data in exact(score, converter=converter).messages if data[0] & 0xF0 == 0x90}
    assert ons == {40: 30_697, 64: 10_674}
    assert converter.profile(score.tuning).on_delay_ms[5] == pytest.approx(30.697, abs=0.001)


def test_note_offs_may_all_be_note_ons_of_velocity_0():
    statuses = Counter(
        (data[0] & 0xF0, data[2] == 0)
        for _, data in Player(made(2), seed=1, converter=Converter.ideal(zero_rate=1.0)).play().messages
    )
    assert statuses[0x90, False] == statuses[0x90, True] == len(made(2).notes)
    assert set(statuses) == {(0x90, False), (0x90, True)}


@pytest.mark.parametrize(
    ("converter", "nibbles"),
    [
        (Converter(), {0, 1, 2, 3, 4, 5}),
        (Converter(base_channel=11), {10, 11, 12, 13, 14, 15}),
        (Converter(base_channel=3, single_channel=True), {2}),
    ],
)
def test_channels(converter, nibbles):
    done = Player(made(3, 24), seed=1, converter=converter).play()
    assert {data[0] & 0x0F for _, data in done.messages} == nibbles
    for note in done.truth.notes:
        assert done.profile.channel_of(note.string) - 1 in nibbles


def test_bends_announce_their_range_and_return_to_the_centre():
    done = Player(made(4), seed=1, converter=Converter(bend_rate=1.0, bend_range=12)).play()
    assert (0, bytes([0xB0, 6, 12])) in done.messages
    for channel in range(6):
        wheel = [data for _, data in done.messages if data[0] == 0xE0 | channel]
        assert wheel
        assert wheel[-1][1:] == bytes([0x00, 0x40])  # 8192: the centre (MIDI 1.0 4.2.1, p. 19)


def test_ghosts_are_weak_and_short_and_an_octave_or_so_up():
    plainly = Converter(ghost_rate=0.0, double_rate=0.0, bend_rate=0.0)
    haunted = Converter(ghost_rate=1.0, double_rate=0.0, bend_rate=0.0)
    without, with_ghosts = (
        Counter(data for _, data in Player(made(5), seed=1, converter=c).play().messages)
        for c in (plainly, haunted)
    )
    added = [d for d in (with_ghosts - without).elements() if d[0] & 0xF0 == 0x90 and d[2]]
    assert len(added) > 20
    assert max(d[2] for d in added) <= 18


def test_double_triggers_add_one_note_on_and_one_off():
    doubled = Converter.ideal(double_rate=1.0, double_gap_rate=0.5)
    ons = [(t, d) for t, d in exact(piece("4/4", "A2@5 4"), converter=doubled).messages if d[0] == 0x94]
    offs = [t for t, d in exact(piece("4/4", "A2@5 4"), converter=doubled).messages if d[0] == 0x84]
    assert len(ons) == len(offs) == 2
    assert 14_000 <= ons[1][0] - ons[0][0] <= 38_000


# --- truth and bytes agree ------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_every_true_onset_is_heard_within_the_converters_delay(seed):
    converter = Converter()
    done = Player(made(seed % 5), seed=seed, faults=SOME, converter=converter).play()
    heard = {(t, d[0] & 0x0F, d[1], d[2]) for t, d in done.messages if d[0] & 0xF0 == 0x90}
    by_key: dict[tuple[int, int, int], list[int]] = {}
    for t, channel, pitch, velocity in heard:
        by_key.setdefault((channel, pitch, velocity), []).append(t)
    for note in done.truth.notes:
        late = [t - note.onset_us for t in by_key[note.string - 1, note.pitch, note.velocity]]
        # 2.2 periods of E2 and 4 ms are 30.7 ms; jitter of 1.5 ms adds at most 9
        assert any(0 <= d <= 40_000 for d in late), note


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_a_string_sounds_one_note_at_a_time_and_every_note_ends(seed):
    done = Player(made(seed % 5), seed=seed, faults=SOME).play()
    for string in range(1, 7):
        own = [n for n in done.truth.notes if n.string == string]
        assert all(a.release_us <= b.onset_us for a, b in pairwise(own))
        assert all(n.onset_us < n.release_us <= done.end_us for n in own)
    ons = Counter(d[0] & 0x0F for _, d in done.messages if d[0] & 0xF0 == 0x90 and d[2])
    offs = Counter(
        d[0] & 0x0F for _, d in done.messages if d[0] & 0xF0 == 0x80 or (d[0] & 0xF0 == 0x90 and not d[2])
    )
    assert ons == offs  # every on has its own off
    assert [t for t, _ in done.messages] == sorted(t for t, _ in done.messages)


def test_mono_order_holds_on_every_channel_unless_the_touch_was_noticed():
    converter = Converter(touch_rate=0.0, ghost_rate=0.0, double_rate=0.0, bend_rate=0.0, zero_rate=0.0)
    done = Player(made(6, 40), seed=3, converter=converter).play()
    crossings = 0
    for channel in range(6):
        own = [(d[0] & 0xF0, d[1]) for _, d in done.messages if d[0] & 0x0F == channel]
        for (kind, pitch), (next_kind, next_pitch), (last_kind, last_pitch) in zip(
            own, own[1:], own[2:], strict=False
        ):
            if (kind, next_kind, last_kind) == (0x90, 0x90, 0x80):
                assert last_pitch == pitch != next_pitch
                crossings += 1
    assert crossings > 10


# --- what was meant -------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_a_player_without_faults_stops_everything_cleanly(seed):
    score = made(seed)
    truth = Player(score, seed=seed).play().truth
    assert [n.note for n in sorted(truth.notes, key=lambda n: n.note)] == list(range(len(score.notes)))
    assert {n.kind for n in truth.notes} == {"right"}
    assert len(truth.ends) == int(score.notes["bass"].sum())
    assert {e.verdict for e in truth.ends} <= {"clean", "replaced", "free"}
    assert truth.missing == ()
    assert [(p.first_bar, p.last_bar, p.complete) for p in truth.passes] == [(0, len(score.bars) - 1, True)]


def test_due_points_by_hand():
    # seconds:          0        1       2       3  |  4  (a crotchet is a second)
    bass = "A2@5 1, D3@4 1, - 1, E2@6 1, A2@5 4"
    tune = "C4 1, D4 1, B3 1, B3 1, C4 4"
    ends = exact(piece("4/4", bass, tune)).truth.ends
    assert [(e.due_us, e.reason) for e in ends] == [
        (1_000_000, "next-bass"),
        (2_000_000, "rest"),
        (4_000_000, "next-bass"),
        (8_000_000, "end"),
    ]
    # without a note in the tune at the rest the due point lies half-way between the neighbours
    ends = exact(piece("4/4", "A2@5 1, - 1, E2@6 2"), Placed("hesitation", 1, 3, value=2.0)).truth.ends
    assert [(e.due_us, e.reason) for e in ends] == [(2_000_000, "rest"), (6_000_000, "end")]
    # the same string plucked anew needs no stopping; a let-ring tie asks for none
    ends = exact(piece("4/4", "A2@5 1, C3@5 1, D3~ 2")).truth.ends
    assert [(e.verdict, e.due_us) for e in ends[::2]] == [("replaced", 1_000_000), ("free", None)]


def test_a_missing_bass_is_missed_and_ends_nothing():
    score = piece("4/4", "A2@5 1, D3@4 1, E2@6 2, A2@5 4", "C4 1, D4 1, B3 2, C4 4")
    truth = exact(score, Placed("missing", 1, 2)).truth
    row = int(np.flatnonzero(score.notes["pitch"] == 50)[0])
    assert truth.missing == ((1, row),)
    assert [e.verdict for e in truth.ends] == ["clean", "missed", "clean", "clean"]
    assert (truth.ends[0].reason, truth.ends[0].due_us) == ("rest", 1_000_000)


def test_a_restart_goes_back_whole_bars_and_starts_a_pass():
    score = piece("4/4", "A2@5 2, D3@4 2, E2@6 2, A2@5 2, D3@4 2, E2@6 2")
    truth = exact(score, Placed("restart", 2, 3, value=1)).truth
    assert [(p.first_bar, p.last_bar, p.complete) for p in truth.passes] == [(0, 1, False), (0, 2, True)]
    assert [n.pass_number for n in truth.notes] == [1] * 4 + [2] * 6
    assert [(e.pass_number, e.note) for e in truth.ends] == [(1, 0), (1, 1), (1, 2)] + [
        (2, n) for n in range(6)
    ]  # the last bass of the first pass was not to end within it


@pytest.mark.parametrize("seed", range(8))
def test_faults_keep_away_from_every_limit(seed):
    """By the definitions: late past 120 ms, ringing from one beat, cut below three quarters of the length."""
    score = made(seed, 60)
    faults = Faults(late=0.25, ringing=0.2, cut=0.2)
    truth = Player(score, seed=seed, faults=faults, manner=EVEN).play().truth
    beat_ms = 60_000 / score.qpm(0)
    verdicts = Counter(e.verdict for e in truth.ends)
    assert min(verdicts[v] for v in ("clean", "late", "ringing", "cut")) > 5
    for end in truth.ends:
        over, length = end.overhang_ms, (end.due_us - end.on_us) / 1000
        if end.reason == "end":
            continue
        if end.verdict == "clean":
            assert -60 <= over <= 70
            assert over >= -0.121 * length
        elif end.verdict == "late":
            assert 200 <= over <= 0.6 * beat_ms
        elif end.verdict == "ringing":
            assert over >= 1.3 * beat_ms
        elif end.verdict == "cut":
            assert 0.29 <= 1 + over / length <= 0.6
        else:
            assert (end.verdict, over) == ("replaced", 0)


def test_a_long_bass_fades_by_itself():
    score = piece("4/4", "E2@6 4, A2@5 4", "C4 2, D4 2, C4 2, E4 2", qpm=30.0)  # E2 for eight seconds
    converter = Converter.ideal(fade_s=(5.0,) * 6)
    end = exact(score, converter=converter).truth.ends[0]
    assert end.verdict == "faded"
    assert 4_600_000 <= end.release_us <= 5_400_000


def test_strays_are_open_strings_nobody_asked_for_and_extras_are_not():
    strays = extras = 0
    for seed in range(10):
        score = made(seed, 30)
        faults = Faults(stray=0.4, extra=0.1)
        played = Player(score, seed=seed, faults=faults).play().truth.notes
        for note in played:
            if note.kind in ("stray", "extra"):
                near = [n for n in played if n.note >= 0 and abs(n.onset_us - note.onset_us) < 700_000]
                assert note.pitch not in [n.pitch for n in near]
                is_open = note.pitch == score.tuning.open_pitch(note.string)
                assert is_open == (note.kind == "stray")
                strays += note.kind == "stray"
                extras += note.kind == "extra"
    assert strays > 20
    assert extras > 50


@pytest.mark.parametrize(("rate", "low", "high"), [(0.0, 0.0, 0.0), (0.02, 0.01, 0.03), (0.10, 0.08, 0.12)])
def test_rates_are_shares_of_the_notes(rate, low, high):
    score = generated_piece(1, groups=2000)
    faults = Faults(wrong=rate, missing=rate, extra=rate)
    truth = Player(score, seed=1, faults=faults).play().truth
    kinds = Counter(n.kind for n in truth.notes)
    count = len(score.notes)
    assert low <= len(truth.missing) / count <= high
    assert low * 0.9 <= kinds["wrong"] / count <= high
    assert low * 0.7 <= kinds["extra"] / count <= high  # where there is no room for one it is left out


def test_tempo_and_restarts_change_the_length():
    score = made(2, 24)
    slow, fast = (Player(score, seed=1, tempo=t).play().truth.passes[0].until_us - 1e6 for t in (1.0, 2.0))
    assert slow / fast == pytest.approx(2.0, rel=0.01)
    assert len(Player(score, seed=1, faults=Faults(restarts=3)).play().truth.passes) == 4


def test_scores_with_damping_marks_or_no_notes_are_refused():
    with pytest.raises(ValueError, match="damping marks"):
        Player(piece("4/4", "A2 4", damps=(DampMark(TICKS_PER_QUARTER),)), seed=1)
    with pytest.raises(ValueError, match="no notes"):
        Player(piece("4/4", "- 4"), seed=1)


# --- the takes ------------------------------------------------------------------------------------


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda r: r.name)
def test_recordings_are_what_their_recipe_makes(recipe: Recipe):
    score = recipe.read()
    done = recipe.perform(score)
    take = read_take(FOLDER / f"{recipe.name}.mid")
    assert take.complete
    assert take.meta.digest == score.digest, "the étude was changed: run python -m tests.player"
    assert take.meta.profile == done.profile
    half = take.meta.tick_us // 2
    assert len(take.messages) == len(done.messages)
    for (kept_us, kept), (time_us, data) in zip(take.messages, done.messages, strict=True):
        assert kept == data
        assert abs(kept_us - time_us) <= half
    kept_truth = json.loads((FOLDER / f"{recipe.name}.truth.json").read_text(encoding="utf-8"))
    assert kept_truth == json.loads(json.dumps(plain(recipe, score, done)))
    assert kept_truth["simulated"] is True


def test_the_demo_take_shows_what_a_student_needs_to_see():
    (recipe,) = [r for r in RECIPES if r.name == "02-a-borrowed-umbrella-evening"]
    done = recipe.perform()
    assert 45 <= done.end_us / 1e6 <= 70
    ends = Counter(e.verdict for e in done.truth.ends)
    assert (ends["late"], ends["ringing"], ends["cut"]) == (3, 1, 1)
    kinds = Counter(n.kind for n in done.truth.notes)
    assert (kinds["wrong"], kinds["stray"], len(done.truth.missing)) == (1, 1, 1)
    first, second, third = done.truth.passes
    assert first.last_bar - second.first_bar + 1 == 2  # a restart of two bars
    assert not first.complete
    assert second.complete
    assert third.complete


def test_every_etude_has_a_prepared_take_and_a_students():
    for number in range(1, 6):
        names = [r.name for r in RECIPES if r.name.startswith(f"0{number}-")]
        assert any(name.endswith("-prepared") for name in names)
        assert any(name.endswith("-evening") for name in names)
    assert {p.stem for p in FOLDER.glob("*.mid")} == {r.name for r in RECIPES}
