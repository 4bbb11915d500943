"""The five études in ``scores/``: full bars, what each must hold, and that a beginner's hands can play them.

The files are read here with the standard library alone wherever that is possible, so that a fault of the
reader cannot hide one of the score; what needs performed order goes through ``read_score``.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections import Counter
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

from coach.core.damping import plan_stops
from coach.core.score import TICKS_PER_QUARTER, Score
from coach.core.ways import Way
from coach.files.score_file import read_score

FOLDER = Path(__file__).resolve().parents[1] / "scores"
NAMES = (
    "01-lamps-on",
    "02-a-borrowed-umbrella",
    "03-rain-on-the-skylight",
    "04-pages-turning",
    "05-the-last-one-out",
)
STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
OPEN = {1: 64, 2: 59, 3: 55, 4: 50, 5: 45, 6: 40}  # E4 B3 G3 D3 A2 E2
MELODY, BASS, INNER = 1, 2, 3


@dataclass(frozen=True)
class Head:
    """One note head as written; lengths in quarter notes."""

    bar: int
    voice: int
    onset: Fraction
    length: Fraction
    pitch: int
    string: int
    fret: int
    let_ring: bool = False
    tie_start: bool = False
    tie_stop: bool = False


@cache
def tree(number: int) -> ET.Element:
    return ET.parse(FOLDER / f"{NAMES[number - 1]}.musicxml").getroot()


@cache
def heads(number: int) -> tuple[Head, ...]:
    found = []
    for bar, measure in enumerate(tree(number).iter("measure")):
        at = Fraction(0)
        for item in measure:
            length = Fraction(int(item.findtext("duration", "0")), 2)  # divisions are 2 throughout
            if item.tag == "backup":
                at -= length
            elif item.tag == "forward":
                at += length
            elif item.tag == "note":
                if item.find("rest") is None:
                    found.append(head(item, bar, at, length))
                at += length
    return tuple(found)


def head(item: ET.Element, bar: int, at: Fraction, length: Fraction) -> Head:
    alter = int(item.findtext("pitch/alter", "0"))
    octave = int(item.findtext("pitch/octave", ""))
    tied = {tie.get("type") for tie in item.iter("tied")}
    return Head(
        bar=bar,
        voice=int(item.findtext("voice", "")),
        onset=at,
        length=length,
        pitch=STEPS[item.findtext("pitch/step", "")] + alter + 12 * (octave + 1),
        string=int(item.findtext("notations/technical/string", "")),
        fret=int(item.findtext("notations/technical/fret", "")),
        let_ring="let-ring" in tied,
        tie_start="start" in tied,
        tie_stop="stop" in tied,
    )


@cache
def score(number: int) -> Score:
    return read_score(FOLDER / f"{NAMES[number - 1]}.musicxml").score


def pitches(number: int, bar: int, voice: int) -> list[int]:
    """Pitches of the bar at an index, so 0 is the pickup of étude 2."""
    return [h.pitch for h in heads(number) if h.bar == bar and h.voice == voice]


# --- written rightly ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "bars", "quarters"), [(1, 8, 4), (2, 13, 2), (3, 12, 4), (4, 10, 3), (5, 24, 3)]
)
def test_every_voice_fills_every_bar(number, bars, quarters):
    measures = list(tree(number).iter("measure"))
    assert len(measures) == bars
    for index, measure in enumerate(measures):
        full = Fraction(quarters)
        if number == 2:  # the pickup and the last bar make one bar between them
            full = {0: Fraction(1, 2), 12: Fraction(3, 2)}.get(index, full)
        lengths: Counter[str] = Counter()
        for item in measure:
            if item.tag in ("note", "forward"):
                lengths[item.findtext("voice", "")] += Fraction(int(item.findtext("duration", "")), 2)
        assert lengths
        assert set(lengths.values()) == {full}, f"bar {measure.get('number')}"


@pytest.mark.parametrize("number", range(1, 6))
def test_ids_titles_rights_and_numbers(number):
    root = tree(number)
    ids = [item.get("id") for item in root.iter() if item.tag in ("note", "measure")]
    assert None not in ids
    assert len(ids) == len(set(ids))
    assert root.findtext("work/work-title") == score(number).title != ""
    assert root.findtext("identification/creator") == "the coach project"
    assert root.findtext("identification/rights", "").startswith("CC0")
    numbers = [int(m.get("number", "")) for m in root.iter("measure")]
    assert numbers == list(range(0 if number == 2 else 1, numbers[-1] + 1))
    assert root.find(".//transpose") is None
    assert root.findtext(".//clef/clef-octave-change") == "-1"
    assert float(root.find(".//sound[@tempo]").get("tempo")) == score(number).qpm(0)  # type: ignore[union-attr]


@pytest.mark.parametrize("number", range(1, 6))
def test_stems_and_thumb(number):
    for item in tree(number).iter("note"):
        voice, stem = int(item.findtext("voice", "")), item.findtext("stem")
        if stem is not None:
            assert stem == ("up" if voice == MELODY else "down")
        if voice == BASS and item.find("rest") is None and item.find("tie[@type='stop']") is None:
            assert item.findtext("notations/technical/pluck") == "p"


def test_literal_pitches():
    # sounding; written out by hand from the sketches
    assert pitches(1, 0, BASS) == [45, 45, 50]  # A A D
    assert pitches(1, 5, BASS) == [45, 40, 50]  # A E D
    assert pitches(2, 0, MELODY) == [57]  # pickup A
    assert pitches(2, 3, MELODY) == [59, 62, 59, 56]  # B D B G♯
    assert pitches(2, 9, BASS) == [45, 40]  # A E
    assert pitches(3, 2, MELODY) == [63, 64, 66]  # D♯ E F♯
    assert pitches(3, 5, MELODY) == [66, 64, 64]  # F♯ E E: the E prepares the tied C below it
    assert pitches(3, 6, BASS) == [48, 47]  # C (held over) B
    assert pitches(3, 7, MELODY) == [64, 63]  # E D♯: the half cadence has its third
    assert pitches(5, 15, MELODY) == [61, 64]  # C♯ E
    assert pitches(4, 3, INNER) == [50, 55, 53, 55]  # D G F G
    assert pitches(4, 9, BASS) == [48]  # C
    assert pitches(5, 0, BASS) == [38]  # low D
    assert pitches(5, 6, MELODY) == [62, 64, 61]  # D E C♯
    assert pitches(5, 10, MELODY) == [64, 65, 67]  # E F G


# --- what each must hold --------------------------------------------------------------------------


def test_the_first_is_for_the_thumb_alone_on_open_strings():
    assert {h.voice for h in heads(1)} == {BASS}
    assert {(h.string, h.fret) for h in heads(1)} == {(4, 0), (5, 0), (6, 0)}
    assert score(1).notes["bass"].all()


def test_the_second_has_a_pickup_and_open_basses_in_major():
    first = next(tree(2).iter("measure"))
    assert (first.get("number"), first.get("implicit")) == ("0", "yes")
    assert [(h.voice, h.length) for h in heads(2) if h.bar == 0] == [(MELODY, Fraction(1, 2))]
    assert {h.fret for h in heads(2) if h.voice == BASS} == {0}
    assert [bar.number for bar in score(2).bars] == list(range(13))
    assert score(2).mode == "major"


def test_the_third_has_rests_fretted_basses_and_one_tied_over_a_barline():
    rests = tree(3).findall(".//note[rest][voice='2']")
    assert len(rests) == 17
    assert {(h.string, h.fret) for h in heads(3) if h.voice == BASS and h.fret} == {(6, 3), (5, 2), (5, 3)}
    (start,) = [h for h in heads(3) if h.tie_start]
    (stop,) = [h for h in heads(3) if h.tie_stop]
    assert (start.bar, start.voice, start.pitch) == (5, BASS, 48)
    assert (stop.bar, stop.onset, stop.pitch) == (6, 0, 48)
    held = score(3).notes[(score(3).notes["pitch"] == 48) & (score(3).notes["bar"] == 5)]
    assert held["duration"].tolist() == [3 * TICKS_PER_QUARTER]


def test_the_fourth_has_a_repeat_two_endings_let_ring_and_an_inner_voice():
    assert [bar.number for bar in score(4).bars] == [1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 6, 9, 10]
    assert {(b.beats, b.beat_unit) for b in score(4).bars} == {(6, 8)}
    ringing = [(h.bar + 1, h.voice, h.pitch) for h in heads(4) if h.let_ring]
    assert ringing == [(3, BASS, 50), (6, BASS, 50), (10, BASS, 48), (10, INNER, 52)]
    assert {h.voice for h in heads(4)} == {MELODY, BASS, INNER}
    notes = score(4).notes
    assert set(notes["voice"][notes["bass"]].tolist()) == {BASS}


def test_the_fifth_is_in_three_eights_the_last_like_the_first_on_a_low_d():
    assert score(5).tuning.open_pitches == (64, 59, 55, 50, 45, 38)
    bars = [[(h.voice, h.onset, h.length, h.pitch) for h in heads(5) if h.bar == bar] for bar in range(24)]
    assert bars[16:23] == bars[0:7]
    assert [b[:2] + b[3:] for b in bars[23]] == [b[:2] + b[3:] for b in bars[7]]  # the bass is held longer
    assert bars[8:16] != bars[0:8]


def test_the_fifth_meets_every_way_of_stopping_twice():
    basses = [h for h in heads(5) if h.voice == BASS]
    met: Counter[str] = Counter()
    for now, then in pairwise(basses):
        joined = 3 * now.bar + now.onset + now.length == 3 * then.bar + then.onset
        if now.string == then.string and joined:
            continue
        if now.fret:
            met["left hand lifts"] += 1
        elif not joined:
            met["thumb plants"] += 1
        elif now.string == then.string + 1:
            met["side of thumb"] += 1
        elif now.string == then.string - 1:
            met["rest stroke"] += 1
        else:
            met["returning thumb"] += 1
    assert met == {
        "returning thumb": 2,
        "side of thumb": 3,
        "rest stroke": 6,
        "thumb plants": 4,
        "left hand lifts": 6,
    }
    offered = Counter(way for stop in plan_stops(score(5)) for way in stop.ways)
    for way in (Way.RETURNING_THUMB, Way.SIDE_OF_THUMB, Way.REST_STROKE, Way.PLANTED_THUMB):
        assert offered[way] >= 2
    assert offered[Way.LEFT_HAND_RELEASE] >= 2


# --- playable -------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(1, 6))
def test_every_note_lies_where_it_says_in_first_position(number):
    open_pitch = OPEN | ({6: 38} if number == 5 else {})
    for h in heads(number):
        assert h.pitch == open_pitch[h.string] + h.fret, h
        assert 0 <= h.fret <= 4


@dataclass
class Press:
    """A note of the performance as the left hand sees it."""

    onset: int
    end: int
    string: int
    fret: int
    finger: int  # as printed, 0 = not


def presses(number: int) -> list[Press]:
    found = []
    for n in score(number).notes:
        onset, duration = int(n["onset"]), int(n["duration"])
        found.append(Press(onset, onset + duration, int(n["string"]), int(n["fret"]), int(n["finger"])))
    return found


@pytest.mark.parametrize("number", range(1, 6))
def test_no_string_has_two_notes_at_once_and_no_stretch_is_wide(number):
    notes = presses(number)
    for here in notes:
        sounding = [n for n in notes if n.onset <= here.onset < n.end]
        strings = [n.string for n in sounding]
        assert len(strings) == len(set(strings)), here
        frets = [n.fret for n in sounding if n.fret]
        assert not frets or max(frets) - min(frets) <= 3, here


def fingering(notes: list[Press]) -> list[int] | None:
    """Return a left-hand finger for every note, by trying, or None where there is none.

    A finger stays within a fret of its own in first position, plays one string at a time, never lies beyond
    a higher finger, and has time to move: it does not end one note where it begins another elsewhere.
    """
    fretted = [n for n in notes if n.fret]
    chosen: list[int] = []

    def fits(index: int, finger: int) -> bool:
        new = fretted[index]
        for old, used in zip(fretted[:index], chosen, strict=True):
            if old.end < new.onset or (old.string, old.fret) == (new.string, new.fret):
                continue
            if used == finger:
                return False
            crossed = (used < finger and old.fret > new.fret) or (used > finger and old.fret < new.fret)
            if old.end > new.onset and crossed:
                return False
        return True

    tried = [iter(options(fretted[0]))] if fretted else []
    while tried:
        finger = next((f for f in tried[-1] if fits(len(chosen), f)), None)
        if finger is None:
            tried.pop()
            if chosen:
                chosen.pop()
            continue
        chosen.append(finger)
        if len(chosen) == len(fretted):
            return chosen
        tried.append(iter(options(fretted[len(chosen)])))
    return None if fretted else []


def options(note: Press) -> list[int]:
    if note.finger:
        return [note.finger]
    return [f for f in (note.fret, note.fret + 1, note.fret - 1) if 1 <= f <= 4]


@pytest.mark.parametrize("number", range(1, 6))
def test_four_fingers_suffice_with_those_printed(number):
    assert fingering(presses(number)) is not None


def test_the_fingering_search_refuses_what_cannot_be_played():
    held = Press(0, 4, 5, 3, 3)
    assert fingering([held, Press(0, 4, 1, 3, 0)]) == [3, 4]
    assert fingering([held, Press(2, 4, 1, 1, 3)]) is None  # finger 3 is busy
    assert fingering([held, Press(4, 6, 6, 3, 3)]) is None  # finger 3 has no time to move
    assert fingering([replace(held, end=3), Press(4, 6, 6, 3, 3)]) == [3, 3]
    assert fingering([held, Press(0, 4, 1, 4, 2)]) is None  # finger 2 beyond finger 3


@pytest.mark.parametrize("number", range(2, 6))
def test_no_parallel_octaves_or_fifths_between_tune_and_bass(number):
    notes = score(number).notes
    struck: dict[int, dict[int, int]] = {}
    for n in notes:
        if n["voice"] in (MELODY, BASS):
            struck.setdefault(int(n["onset"]), {})[int(n["voice"])] = int(n["pitch"])
    pairs = [(s[MELODY], s[BASS]) for _, s in sorted(struck.items()) if len(s) == 2]
    assert len(pairs) > 10
    for (up, low), (next_up, next_low) in pairwise(pairs):
        if up != next_up and low != next_low:
            kept = (up - low) % 12 == (next_up - next_low) % 12
            assert not (kept and (up - low) % 12 in (0, 7)), (up, low, next_up, next_low)
