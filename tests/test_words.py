"""The sentences: right figures, right signs, the meter's own beat."""

import pytest

from coach.core import tempo_words, words
from coach.core.damping import plan_stops
from coach.core.verdicts import Damping, Stroke
from coach.core.ways import Way
from tests.scores import piece


def test_the_tempo_is_told_in_the_meters_beat():
    assert tempo_words.written_tempo(piece("4/4", "A2 4", qpm=58)) == "♩ = 58"
    # A dotted quarter is one and a half quarters: 72 quarters a minute are 48 of them.
    assert tempo_words.written_tempo(piece("6/8", "A2 3", qpm=72)) == "♩. = 48"


@pytest.mark.parametrize(("ms", "text"), [(240.4, "+240 ms"), (-60.0, "−60 ms"), (-0.2, "0 ms"), (None, "–")])
def test_milliseconds_have_their_sign(ms, text):
    assert words.milliseconds(ms) == text


DUE = piece("4/4", "A2 2, E2 2, A2 1/2, E2 7/2")
BEATS = [(1.0, "1"), (2.5, "2½"), (3.3333, "3⅓"), (1.75, "1¾"), (2.1666, "2.17")]


@pytest.mark.parametrize(("beat", "text"), BEATS)
def test_beats(beat, text):
    assert words.beat_name(beat) == text


def test_advice_names_the_string_and_only_where_something_is_to_be_done():
    assert "string 5" in words.advice(Damping.LATE, Way.RETURNING_THUMB, 5, "1")
    assert words.advice(Damping.CLEAN, Way.RETURNING_THUMB, 5, "1") == ""
    for way in Way:
        assert "{" not in words.advice(Damping.RINGING, way, 4, "2")


@pytest.mark.parametrize("kind", [*Damping, *Stroke], ids=str)
def test_every_fault_is_one_sentence(kind):
    said = words.fault_sentence(kind, 3, "2½", tone="A", string=5, due="bar 4, beat 1", amount="+240 ms")
    assert said.startswith("bar 3, beat 2½: ")
    assert said.endswith(".")


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        (Damping.LATE, "was stopped late, after bar 4, beat 1 (+240 ms)."),
        (Damping.RINGING, "rang on past bar 4, beat 1."),
        (Damping.CUT, "was cut short, before bar 4, beat 1."),
    ],
)
def test_a_fault_of_stopping_tells_where_the_bass_begins_and_where_it_was_due(kind, said):
    told = words.fault_sentence(kind, 3, "2½", tone="A", string=5, due="bar 4, beat 1", amount="+240 ms")
    assert told == f"bar 3, beat 2½: the A on string 5 {said}"


def test_where_a_stop_is_due_is_told_from_where_the_bass_begins():
    stops = plan_stops(DUE)
    assert [words.due_words(DUE, stop) for stop in stops] == ["beat 3", "bar 2, beat 1", "beat 1½", "the end"]


def test_drift_is_told_past_its_threshold_only():
    assert words.drift_words(34.9, 35.0) == ""
    assert words.drift_words(41.0, 35.0) == "41 ms behind"
    assert words.drift_words(-41.0, 35.0) == "41 ms ahead"


@pytest.mark.parametrize(
    ("beats", "text"),
    [
        (-0.25, "¼ beat too soon"),
        (-1.0, "1 beat too soon"),
        (-1.77, "1¾ beats too soon"),
        (-0.01, "¼ beat too soon"),
    ],
)
def test_a_cut_is_told_in_beats(beats, text):
    assert words.too_soon(beats, -100.0) == text


def test_a_cut_without_a_known_beat_is_told_in_ms():
    assert words.too_soon(None, -210.0) == "−210 ms"


def test_counted_things_agree_in_number():
    assert words.counted("ghost notes", 1) == "ghost note"
    assert words.counted("ghost notes", 2) == "ghost notes"
    assert words.plural("wrong note", 2) == "wrong notes"


def test_clocks_and_bars():
    assert words.clock(75_400_000) == "1:15"
    assert words.bars_words(4, 4) == "bar 4"
    assert words.bars_words(1, 4) == "bars 1–4"
    assert words.bars_words(0, 7) == "the pickup to bar 7"  # a bar's number is 0 in a pickup only
    assert words.bars_words(0, 0) == words.bar_words(0) == "the pickup"
    assert words.place_words(0, "4½") == "the pickup, beat 4½"
    assert words.bar_runs([7, 6]) == "6–7"
    assert words.bar_runs([1, 2, 5, 8, 7]) == "1–2, 5, 7–8"
    assert words.bar_runs([0, 1, 2, 4]) == "pickup to 2, 4"
    assert words.bar_runs([0, 2]) == "pickup, 2"
    assert words.replay_words(12_000_000, 48_000_000, 0.5, False) == "0:12 of 0:48, 0.5 times the speed"
