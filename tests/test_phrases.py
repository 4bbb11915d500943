"""Form: what comes again, where phrases end, what to practise; expectations written by hand."""

from __future__ import annotations

import random
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from coach.core.form_words import chunk_line, form_sentences, phrase_line
from coach.core.likeness import ComparedBars, is_pickup
from coach.core.phrases import Form, Likeness, Phrase, Repeat, find_form
from coach.core.score import Score, make_score
from coach.files.score_file import read_score
from tests.scores import Q, piece

FOLDER = Path(__file__).resolve().parents[1] / "scores"
ETUDES = {int(path.name[:2]): path for path in FOLDER.glob("0*.musicxml")}

# Four bars of 4/4, every bar with a rhythm of its own.
TUNE = ("C4 1, E4 1, G4 2", "F4 3/2, E4 1/2, D4 2", "E4 1/2, F4 1/2, D4 1, B3 2", "C4 3, - 1")
BASS = ("C3 2, E3 2", "D3 4", "G2 2, B2 2", "C3 4")
OTHER_TUNE = ("A4 2, B4 1, G4 1", "C5 1, A4 1/2, F4 1/2, E4 2", "F4 1, G4 3/2, A4 1/2, F4 1", "G4 4")
OTHER_BASS = ("A2 4", "F2 2, A2 2", "D3 2, F3 2", "G2 4")
LETTERS = "CDEFGAB"


def form_of(score: Score) -> Form:
    return find_form(score)


def built(tune: Sequence[str], bass: Sequence[str], **rest) -> Score:
    return piece("4/4", ", ".join(bass), ", ".join(tune), **rest)


def steps_up(line: str, steps: int) -> str:
    """Move natural notes along the white keys."""
    items = []
    for item in line.split(", "):
        note, length = item.split()
        if note != "-":
            place = LETTERS.index(note[0]) + 7 * int(note[1:]) + steps
            note = f"{LETTERS[place % 7]}{place // 7}"
        items.append(f"{note} {length}")
    return ", ".join(items)


def moved(score: Score, semitones: int, first: int, last: int) -> Score:
    """Return the score with some bars moved by an interval."""
    notes = score.notes.copy()
    inside = (notes["bar"] >= first) & (notes["bar"] <= last)
    notes["pitch"][inside] += semitones
    return make_score(notes, score.bars)


def played(score: Score, order: Sequence[int]) -> Score:
    """Return the score with its written bars played in an order."""
    notes, bars, at = [], [], 0
    rounds: dict[int, int] = {}
    for written in order:
        bar = score.bars[written]
        rounds[written] = rounds.get(written, 0) + 1
        bars.append(replace(bar, onset=at, round=rounds[written]))
        part = score.notes[score.notes["bar"] == written].copy()
        part["onset"] += at - bar.onset
        notes.append(part)
        at += bar.length
    return make_score(np.concatenate(notes), tuple(bars))


def spans(form: Form) -> list[tuple[int, int, str]]:
    return [(p.first, p.last, p.letter) for p in form.phrases]


# --- what comes again -----------------------------------------------------------------------------


def test_bars_that_come_again():
    score = built(TUNE * 2, BASS * 2)
    form = form_of(score)
    assert form.repeats == (Repeat(4, 7, 0, 3, Likeness.EXACT),)
    assert form_sentences(score, form) == ["Bars 5–8 are bars 1–4 again."]
    assert phrase_line(score, form) == "A 1–4, A 5–8"


def test_a_fifth_higher():
    score = moved(built(TUNE * 2, BASS * 2), 7, 4, 7)
    form = form_of(score)
    assert form.repeats == (Repeat(4, 7, 0, 3, Likeness.TRANSPOSED, shift=7),)
    assert form_sentences(score, form) == ["Bars 5–8 are bars 1–4 a fifth higher."]
    assert phrase_line(score, form) == "A 1–4, A′ 5–8"


@pytest.mark.parametrize(
    ("semitones", "words"),
    [
        (-1, "a semitone lower"),
        (2, "a whole tone higher"),
        (-4, "a major third lower"),
        (6, "a tritone higher"),
        (12, "an octave higher"),
        (-15, "an octave and a minor third lower"),
        (24, "2 octaves higher"),
    ],
)
def test_intervals_in_words(semitones, words):
    score = moved(built(TUNE * 2, BASS * 2), semitones, 4, 7)
    assert form_sentences(score, form_of(score)) == [f"Bars 5–8 are bars 1–4 {words}."]


def test_a_third_higher_within_the_key():
    score = built([*TUNE, *(steps_up(bar, 2) for bar in TUNE)], [*BASS, *(steps_up(bar, 2) for bar in BASS)])
    form = form_of(score)
    assert form.repeats == (Repeat(4, 7, 0, 3, Likeness.TRANSPOSED, steps=2),)
    assert form_sentences(score, form) == ["Bars 5–8 are bars 1–4 a third higher, within the key."]
    assert phrase_line(score, form) == "A 1–4, A′ 5–8"


def test_an_accidental_of_the_minor_key_is_a_step_like_another():
    # A minor: A B C A | E, then a step higher B C D B | F; with the leading note G♯ A B G♯ a step below A.
    tune = ("A3 1, B3 1/2, C4 1/2, A3 2", "E4 3, D4 1", "B3 1, C4 1/2, D4 1/2, B3 2", "F4 3, E4 1",
            "G#3 1, A3 1/2, B3 1/2, G#3 2", "D4 3, C4 1")  # fmt: skip
    score = replace(piece("4/4", "A2 4, " * 6, ", ".join(tune)), mode="minor")
    repeats = form_of(score).repeats
    assert [(r.first, r.last, r.of_first, r.steps, r.shift, r.bass) for r in repeats] == [
        (2, 3, 0, 1, 0, False),
        (4, 5, 0, -1, 0, False),
    ]
    assert repeats[1].inner is False


def test_the_same_rhythm():
    line = [*TUNE, "E4 1, D4 1, A4 2", "D4 3/2, G4 1/2, B4 2", "C4 1/2, B3 1/2, A3 1, G4 2", "E4 3, - 1"]
    bass = [*BASS, "A2 2, G2 2", "F2 4", "E3 2, A2 2", "A2 4"]
    score = built(line, bass)
    form = form_of(score)
    assert form.repeats == (Repeat(4, 7, 0, 3, Likeness.RHYTHM),)
    assert form_sentences(score, form) == ["Bars 5–8 have the rhythm of bars 1–4."]
    assert phrase_line(score, form) == "A 1–4, B 5–8"


def test_the_tune_again_over_a_new_bass():
    score = built(TUNE * 2, [*BASS, *OTHER_BASS])
    form = form_of(score)
    assert form.repeats == (Repeat(4, 7, 0, 3, Likeness.EXACT, bass=False, inner=False, new_bass=True),)
    assert form_sentences(score, form) == ["The tune of bars 5–8 is that of bars 1–4; the bass is new."]
    assert phrase_line(score, form) == "A 1–4, A′ 5–8"


def test_a_bass_that_only_differs_is_not_called_new():
    score = built(TUNE * 2, [*BASS, OTHER_BASS[0], BASS[1], *OTHER_BASS[2:]])
    assert form_sentences(score, form_of(score)) == [
        "The tune of bars 5–8 is that of bars 1–4; the bass differs."
    ]


def test_another_ending():
    score = built([*TUNE, *TUNE[:2], *OTHER_TUNE[2:]], [*BASS, *BASS[:2], *OTHER_BASS[2:]])
    form = form_of(score)
    assert form.repeats == (Repeat(4, 5, 0, 1, Likeness.EXACT),)
    assert form_sentences(score, form) == ["Bars 5–6 are bars 1–2 again; bars 7–8 end differently."]
    assert phrase_line(score, form) == "A 1–4, A′ 5–8"


def test_another_last_bar():
    score = built([*TUNE, *TUNE[:3], OTHER_TUNE[3]], [*BASS, *BASS[:3], OTHER_BASS[3]])
    assert form_sentences(score, form_of(score)) == ["Bars 5–7 are bars 1–3 again; bar 8 is different."]


def test_passages_like_the_same_bars_share_a_sentence():
    score = built([*TUNE, *OTHER_TUNE, *TUNE, *TUNE], [*BASS, *OTHER_BASS, *BASS, *BASS])
    form = form_of(score)
    assert form_sentences(score, form) == ["Bars 9–12 and 13–16 are bars 1–4 again."]
    assert phrase_line(score, form) == "A 1–4, B 5–8, A 9–12, A 13–16"


def test_one_bar_again():
    score = built([*TUNE, *OTHER_TUNE[:3], TUNE[0]], [*BASS, *OTHER_BASS[:3], BASS[0]])
    assert form_sentences(score, form_of(score)) == ["Bar 8 is bar 1 again."]


def test_upbeats_belong_to_what_follows():
    # An eighth leads in; bar 4 ends with an eighth of another pitch, bar 8 is short by an eighth.
    tune = ("G3 1/2, C4 1, E4 1, G4 1, A4 1", "F4 3/2, E4 1/2, D4 2", "E4 1/2, F4 1/2, D4 1, B3 2",
            "C4 5/2, - 1, B3 1/2", "C4 1, E4 1, G4 1, A4 1", "F4 3/2, E4 1/2, D4 2",
            "E4 1/2, F4 1/2, D4 1, B3 2", "C4 5/2, - 1")  # fmt: skip
    bass = ("- 1/2", *BASS[:3], "C3 3, - 1", *BASS[:3], "C3 3, - 1/2")
    score = built(tune, bass, pickup="1/2")
    last = replace(score.bars[-1], length=score.bars[-1].length - Q // 2)
    score = make_score(score.notes, (*score.bars[:-1], last))
    form = form_of(score)
    assert form.repeats == (Repeat(5, 8, 1, 4, Likeness.EXACT, open_end=Q // 2),)
    assert form_sentences(score, form) == ["Bars 5–8 are bars 1–4 again."]
    assert form.phrases == (Phrase(0, 4, "A"), Phrase(5, 8, "A", upbeat=Q // 2))
    assert phrase_line(score, form) == "A 1–4, A 5–8, each from its upbeat"
    assert [(c.first, c.last, c.upbeat) for c in form.chunks if c.size == 4] == [(0, 4, 0), (5, 8, Q // 2)]


def test_even_basses_say_nothing_of_rhythm():
    roots = ("A2", "D3", "E2", "G2", "C3", "F2", "B2")
    line = ", ".join(f"{roots[(k * k + k // 3) % 7]} 1" for k in range(64))
    form = form_of(piece("4/4", line))
    assert not [r for r in form.repeats if r.how is Likeness.RHYTHM]


def test_a_repeat_sign_is_no_finding():
    score = built([*TUNE, *OTHER_TUNE], [*BASS, *OTHER_BASS])
    twice = played(score, [*range(4), *range(4), *range(4, 8), *range(4, 8)])
    form = form_of(twice)
    assert form.repeats == ()
    assert spans(form) == [(0, 3, "A"), (4, 7, "A"), (8, 11, "B"), (12, 15, "B")]
    assert phrase_line(twice, form) == "A 1–4, B 5–8"
    assert [(c.first, c.last) for c in form.chunks if c.size == 4] == [(0, 3), (8, 11)]
    # Bar 1 leads to bar 5 only after its second time: the seam is played there.
    assert [(c.first, c.last) for c in form.chunks if c.join] == [(7, 8)]


def test_what_is_repeated_may_come_again_later():
    score = built([*TUNE, *OTHER_TUNE, *TUNE], [*BASS, *OTHER_BASS, *BASS])
    form = form_of(played(score, [*range(4), *range(12)]))
    assert form.repeats == (Repeat(12, 15, 0, 3, Likeness.EXACT),)


def test_nothing_overlaps_itself():
    score = built([TUNE[0]] * 9, [BASS[0]] * 9)
    repeats = form_of(score).repeats
    assert repeats
    for repeat in repeats:
        assert repeat.of_last < repeat.first


def test_rests_and_empty_scores():
    assert form_of(make_score(np.zeros(0, piece("4/4", "A2 1").notes.dtype), ())) == Form()
    quiet = piece("4/4", "A2 1")
    form = form_of(quiet)
    assert spans(form) == [(0, 0, "A")]
    assert form.repeats == ()
    assert [(c.first, c.last, c.size) for c in form.chunks] == [(0, 0, 1), (0, 0, 2), (0, 0, 4), (0, 0, 8)]
    assert chunk_line(quiet, form) == ""
    assert form_sentences(quiet, form) == []


# --- phrases and chunks -----------------------------------------------------------------------------


def running(bars: int, seed: int) -> list[str]:
    """Return bars of even eighths without a plan."""
    dice = random.Random(seed)
    return [", ".join(f"{dice.choice(LETTERS)}4 1/2" for _ in range(8)) for _ in range(bars)]


def test_a_pause_ends_a_phrase_where_counting_would_not():
    # Six bars, a long rest, six bars: not four and four and four.
    line = [*running(5, 0), "C4 1, - 3", *running(5, 1), "C4 1, - 3"]
    form = form_of(built(line, ["C3 4"] * 12))
    assert [(p.first, p.last) for p in form.phrases] == [(0, 5), (6, 11)]


def test_a_fermata_ends_a_phrase():
    line, low = running(12, 2), ["C3 4"] * 12
    plain = form_of(built(line, low))
    note, length = line[5].rsplit(", ", 1)[1].split()
    line[5] = f"{line[5].rsplit(', ', 1)[0]}, {note}^ {length}"
    held = form_of(built(line, low))
    assert 6 not in [p.first for p in plain.phrases]
    assert 6 in [p.first for p in held.phrases]


def test_chunks_of_twelve_bars():
    score = built(
        [*TUNE, *OTHER_TUNE, *TUNE[:2], *OTHER_TUNE[2:]], [*BASS, *OTHER_BASS, *BASS[:2], *OTHER_BASS[2:]]
    )
    form = form_of(score)
    found = {size: [(c.first, c.last) for c in form.chunks if c.size == size and not c.join] for size in
             (1, 2, 4, 8, 12)}  # fmt: skip
    assert found[1] == [(k, k) for k in range(12)]
    assert found[2] == [(0, 1), (2, 3), (4, 5), (6, 7), (8, 9), (10, 11)]
    assert found[4] == [(0, 3), (4, 7), (8, 11)]
    assert found[8] == [(0, 7), (8, 11)]
    assert found[12] == [(0, 11)]
    assert [(c.first, c.last, c.size) for c in form.chunks if c.join] == [(3, 4, 2), (7, 8, 2)]
    assert chunk_line(score, form) == (
        "Chunks of four: 1–4, 5–8, 9–12; joins: 4–5, 8–9; of eight: 1–8. "
        "Play each on to the next note, so that its last bass stops in time."
    )


def test_a_chunk_lands_on_the_next_note():
    # Bar 2 ends with a rest and bar 3 begins with one: the next note is on its second beat.
    score = piece("4/4", "A2 4, E2 3, - 1, - 1, A2 3, E2 4")
    landing = {(c.first, c.last): c.lands for c in form_of(score).chunks if c.size <= 2 and not c.join}
    assert landing[0, 0] == 4 * Q
    assert landing[1, 1] == 9 * Q
    assert landing[0, 1] == 9 * Q
    assert landing[3, 3] == 16 * Q  # the piece's end


def test_halves_follow_the_phrases():
    score = built((*TUNE, *OTHER_TUNE) * 3, (*BASS, *OTHER_BASS) * 3)
    chunks = form_of(score).chunks
    assert [(c.first, c.last) for c in chunks if c.size == 12] == [(0, 11), (12, 23)]
    assert [(c.first, c.last) for c in chunks if c.size == 24] == [(0, 23)]


# --- the études, read by hand -----------------------------------------------------------------------

# Étude 1 rests at the end of bar 4; 2 has an eighth's upbeat to bars 1, 5 and 9; 3 holds bars 4, begins
# again in 9; 4 runs on without a pause in its eight bars, whose second ending is 9–10; 5 goes in fours,
# each of which closes on a long note or a half close, and its last eight bars are the first.
PHRASES = {
    1: "A 1–4, B 5–8",
    2: "A 1–4, B 5–8, A′ 9–12, each from its upbeat",
    3: "A 1–4, B 5–8, A′ 9–12",
    4: "A 1–8, A′ 1–6 and 9–10",
    5: "A 1–4, B 5–8, C 9–12, D 13–16, A 17–20, B′ 21–24",
}
SENTENCES = {
    1: ["Bar 5 is bar 1 again."],
    2: ["The tune of bars 9–10 is that of bars 1–2; the bass is new."],
    3: ["Bars 9–10 are bars 1–2 again; bars 11–12 end differently."],
    4: [
        "The tune of bars 3–4 is that of bars 1–2 a step lower, within the key; the bass does not follow.",
        "Bar 7 is bar 2 again.",
    ],
    5: ["Bars 17–23 are bars 1–7 again; bar 24 is different."],
}


@pytest.mark.parametrize("number", sorted(ETUDES))
def test_etudes(number):
    score = read_score(ETUDES[number]).score
    form = form_of(score)
    assert phrase_line(score, form) == PHRASES[number]
    assert form_sentences(score, form) == SENTENCES[number]


def test_étude_2_begins_its_phrases_with_an_eighth():
    form = form_of(read_score(ETUDES[2]).score)
    assert [p.upbeat for p in form.phrases] == [0, Q // 2, Q // 2]  # the first has the pickup bar
    assert [(p.first, p.last) for p in form.phrases] == [(0, 4), (5, 8), (9, 12)]


def test_étude_4_plays_both_endings():
    score = read_score(ETUDES[4]).score
    form = form_of(score)
    assert spans(form) == [(0, 7, "A"), (8, 15, "A′")]
    fours = [(c.first, c.last) for c in form.chunks if c.size == 4]
    assert fours == [(0, 3), (4, 7), (14, 15)]  # bars 9–10 follow bar 6 the second time
    assert [(c.first, c.last) for c in form.chunks if c.join] == [(3, 4), (13, 14)]


def test_the_file_of_étude_5_repeats_its_first_seven_bars():
    def bar(number: int) -> list[tuple[str | None, ...]]:
        measure = ET.parse(ETUDES[5]).getroot().find(f".//measure[@number='{number}']")
        assert measure is not None
        tags = ("voice", "pitch/step", "pitch/alter", "pitch/octave", "duration")
        return [tuple(note.findtext(tag) for tag in tags) for note in measure.iter("note")]

    assert [bar(16 + k) == bar(k) for k in range(1, 9)] == [True] * 7 + [False]


# --- properties -------------------------------------------------------------------------------------

BARS = st.sampled_from([*zip(TUNE, BASS, strict=True), *zip(OTHER_TUNE, OTHER_BASS, strict=True)])


@st.composite
def scores(draw) -> Score:
    """A piece of few kinds of bars, moved about, with the one bass or another, parts of it played twice."""
    tune: list[str] = []
    bass: list[str] = []
    for line, below in draw(st.lists(BARS, min_size=1, max_size=20)):
        up = draw(st.sampled_from([0, 0, 0, 1, 2]))
        tune.append(steps_up(line, up))
        bass.append(steps_up(draw(st.sampled_from([below, below, BASS[1]])), up))
    lead = draw(st.sampled_from(["0", "1/2", "1"]))
    if lead != "0":
        tune.insert(0, f"G3 {lead}")
        bass.insert(0, f"- {lead}")
    score = built(tune, bass, pickup=lead)
    count = len(score.bars)
    first = draw(st.integers(0, count - 1))
    last = draw(st.integers(first, count - 1))
    order = [*range(last + 1), *range(first, count)] if draw(st.booleans()) else list(range(count))
    return played(score, order)


def contents(score: Score, index: int, limit: int, tune: bool) -> list[tuple[int, int, int, bool]]:
    """Return (onset, duration, pitch, bass) of a bar's notes before a limit; of the tune alone if asked."""
    bar = score.bars[index]
    notes = [n for n in score.notes if bar.onset <= n["onset"] < bar.onset + limit]
    if tune:
        notes = [n for n in notes if not n["bass"]]  # one melody note at a time in these pieces
    found = []
    for n in notes:
        onset = int(n["onset"]) - bar.onset
        found.append((onset, min(int(n["duration"]), limit - onset), int(n["pitch"]), bool(n["bass"])))
    return sorted(found)


def white_key(pitch: int) -> int:
    return 7 * (pitch // 12) + [0, 2, 4, 5, 7, 9, 11].index(pitch % 12)


def check_repeat(score: Score, repeat: Repeat) -> None:
    new = [i for i in range(repeat.first, repeat.last + 1) if not is_pickup(score.bars[i])]
    old = [i for i in range(repeat.of_first, repeat.of_last + 1) if not is_pickup(score.bars[i])]
    assert len(new) == len(old)
    assert old[-1] < new[0]
    assert all(score.bars[i].round == 1 for i in (*new, *old))
    for a, b in zip(new, old, strict=True):
        limit = score.bars[a].full_length - (repeat.open_end if a == new[-1] else 0)
        ours = contents(score, a, limit, not repeat.inner)
        theirs = contents(score, b, limit, not repeat.inner)
        if repeat.how is Likeness.RHYTHM:
            assert [(o, d, w) for o, d, _, w in ours] == [(o, d, w) for o, d, _, w in theirs]
        elif repeat.steps:
            assert ours == sorted(
                (o, d, next(p for p, *_ in [(q,) for q in range(128) if q % 12 in (0, 2, 4, 5, 7, 9, 11)]
                            if white_key(p) == white_key(t) + repeat.steps), w)
                for o, d, t, w in theirs
            )  # fmt: skip
        else:
            assert (repeat.shift != 0) == (repeat.how is Likeness.TRANSPOSED)
            assert ours == [(o, d, p + repeat.shift, w) for o, d, p, w in theirs]


@settings(deadline=None, max_examples=120)
@given(scores())
def test_every_repeat_is_one(score):
    repeats = form_of(score).repeats
    for repeat in repeats:
        check_repeat(score, repeat)
    told = [i for r in repeats for i in range(r.first, r.last + 1)]
    assert len(told) == len(set(told)), "a bar is explained twice"


@settings(deadline=None, max_examples=60)
@given(scores(), st.integers(1, 6))
def test_a_longer_passage_that_comes_again_is_found(score, size):
    """What is put after a piece note for note, and long enough to matter, is found as it is."""
    line = [i for i, bar in enumerate(score.bars) if bar.round == 1 and not is_pickup(bar)][:size]
    count = len(score.bars)
    bars = tuple(replace(bar, written=i, round=1) for i, bar in enumerate(score.bars))
    plain = make_score(score.notes, bars)
    looks = [tuple(contents(plain, i, bar.length, tune=False)) for i, bar in enumerate(bars)]
    assume(len(set(looks)) == len(looks))  # among equal bars there are several ways to say it
    notes, added, at = [plain.notes], list(bars), score.end
    for index in line:
        bar = bars[index]
        part = plain.notes[plain.notes["bar"] == index].copy()
        part["onset"] += at - bar.onset
        notes.append(part)
        added.append(replace(bar, onset=at, written=len(added), number=len(added)))
        at += bar.length
    longer = make_score(np.concatenate(notes), tuple(added))
    told = {i for r in form_of(longer).repeats if r.how is Likeness.EXACT and r.inner
            for i in range(r.first, r.last + 1)}  # fmt: skip
    if len(line) >= 2:
        assert set(range(count, len(added))) <= told


@settings(deadline=None, max_examples=120)
@given(scores())
def test_phrases_partition_and_chunks_cover(score):
    form = form_of(score)
    bars = [i for p in form.phrases for i in range(p.first, p.last + 1)]
    assert bars == list(range(len(score.bars)))
    first_time = [i for i, bar in enumerate(score.bars) if bar.round == 1]
    ends = {p.last for p in form.phrases}
    starts = {p.first for p in form.phrases}
    for size in (1, 2, 4, 8):
        chunks = [c for c in form.chunks if c.size == size and not c.join and c.first in first_time]
        chunks = chunks[
            : next((k for k in range(1, len(chunks)) if chunks[k].first <= chunks[k - 1].first), len(chunks))
        ]
        assert [i for c in chunks for i in range(c.first, c.last + 1)] == first_time
        for chunk in chunks:
            full = [i for i in range(chunk.first, chunk.last + 1) if not is_pickup(score.bars[i])]
            assert len(full) <= size
            inside = [p for p in form.phrases if p.first <= chunk.last and p.last >= chunk.first]
            if len(inside) > 1:  # whole phrases, as far as they are played for the first time
                assert chunk.first in starts or score.bars[chunk.first - 1].round > 1
                assert chunk.last in ends or score.bars[chunk.last + 1].round > 1
    onsets = set(score.notes["onset"].tolist())
    for chunk in form.chunks:
        end = score.bars[chunk.last].end
        assert chunk.lands == min((t for t in onsets if t >= end), default=end)
        if chunk.join:
            both = range(chunk.first, chunk.last + 1)
            full = [i for i in both if not is_pickup(score.bars[i])]
            # One, where a pickup alone was played again before it.
            assert len(full) == 2 or (len(full) == 1 and is_pickup(score.bars[chunk.first]))


@settings(deadline=None, max_examples=60)
@given(scores())
def test_sentences_are_few_and_distinct(score):
    form = form_of(score)
    said = form_sentences(score, form)
    assert len(said) <= 6
    assert len(set(said)) == len(said)
    assert all(s[0].isupper() and s.endswith(".") and "  " not in s for s in said)
    assert bool(said) == bool(form.repeats)


def test_compared_bars_leave_pickups_and_second_times_out():
    score = built(["G3 1/2", *TUNE], ["- 1/2", *BASS], pickup="1/2")
    bars = ComparedBars(played(score, [0, 1, 2, 3, 4, 0, 1, 2, 3, 4]))
    assert bars.units.tolist() == [1, 2, 3, 4]
    assert bars.unit_of.tolist() == [-1, 0, 1, 2, 3, -1, 0, 1, 2, 3]
    assert bars.upbeat == Q // 2
