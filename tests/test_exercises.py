"""Exercises for single stops, of every étude and of made-up pieces: written, read back and played."""

import functools
from collections import Counter
from pathlib import Path

import music21
import pytest
import verovio

from coach.app.piece import open_piece
from coach.core import exercise_words as words
from coach.core.damping import Reason, plan_stops
from coach.core.events import End
from coach.core.exercises import COMFORTABLE_MS, SLOWEST, asks_nothing, stop_exercise, worst
from coach.core.harmony import analyse
from coach.core.keys import find_key
from coach.core.levels import LEVELS
from coach.core.pitch import parse_name
from coach.core.preparation import prepare
from coach.core.report import report
from coach.core.score import TICKS_PER_QUARTER as Q
from coach.core.session import judge
from coach.core.verdicts import Damping, Stroke
from coach.core.wire import Decoder
from coach.files.plain_xml import to_musicxml
from coach.files.score_file import read_score
from tests.player import Converter, Player

SCORES = sorted((Path(__file__).parents[1] / "scores").glob("*.musicxml"))
SAME = ("onset", "duration", "pitch", "string", "fret", "finger", "pluck", "bass", "let_ring", "fermata")


@functools.cache
def prepared(etude):
    return prepare(open_piece(SCORES[etude - 1]).score)


@functools.cache
def made(etude, number):
    preparation = prepared(etude)
    return stop_exercise(preparation, preparation.stops[number - 1])


def text_of(exercise):
    return to_musicxml(
        exercise.score, cues=exercise.cues, sections=exercise.sections, keys=exercise.keys, apart=True
    )


def read_back(exercise, folder):
    path = folder / "exercise.musicxml"
    path.write_text(text_of(exercise), encoding="utf-8")
    file = read_score(path)
    assert file.notices == ()
    return file.score


def written(score, first, last, *fields):
    """Return the notes of bars (indices) as tuples; times in quarters, from the first bar's start."""
    start, out = score.bars[first].onset, []
    for note in score.notes[(score.notes["bar"] >= first) & (score.notes["bar"] <= last)]:
        out.append(tuple((note[f] - start) / Q if f == "onset" else note[f] / Q if f == "duration"
                         else note[f].item() for f in fields))  # fmt: skip
    return out


def stops_in(score, section):
    """Return the plan of a section's first round, as Stops."""
    stops = plan_stops(score)
    return [s for s in stops if section.bar <= score.notes["bar"][s.note] <= section.last]


WANTED = [
    (etude, number)
    for etude in range(1, 6)
    for number, stop in enumerate(prepared(etude).stops, 1)
    if stop.wanted
]


THE_END = (2, 15)  # a last bar shortened by the pickup


def test_every_stop_of_the_etudes_is_tried():
    # Counted by hand: all basses less those whose string is played again and those that may ring.
    assert Counter(etude for etude, _ in WANTED) == {1: 15, 2: 15, 3: 19, 4: 9, 5: 22}


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_an_exercise_is_read_back_as_it_was_made(etude, number, tmp_path):
    exercise = made(etude, number)
    score = read_back(exercise, tmp_path)
    notes, own = score.notes, exercise.score.notes
    # Each section but the last is played twice, one after the other; within a round all is as written.
    start = expected = 0
    for section in exercise.sections:
        first, last = exercise.score.bars[section.bar].onset, exercise.score.bars[section.last].end
        rows = own[(own["onset"] >= first) & (own["onset"] < last)]
        for _ in range(2 if section.twice else 1):
            heard = notes[(notes["onset"] >= start) & (notes["onset"] < start + last - first)]
            assert len(heard) == len(rows)
            for name in SAME:
                value = heard[name] - start if name == "onset" else heard[name]
                assert value.tolist() == (rows[name] - first if name == "onset" else rows[name]).tolist(), (
                    name
                )
            start += last - first
            expected += len(rows)
    assert expected == len(notes)
    assert score.tuning == prepared(etude).score.tuning
    assert score.qpm(0) == pytest.approx(exercise.score.qpm(0))
    assert score.title == exercise.score.title


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_the_key_is_the_pieces(etude, number, tmp_path):
    # Étude 1 C major by its signature; 2 A major; 3 E minor; 4 C major; 5 D minor: read off the scores
    name = {2: "A major", 3: "E minor", 4: "C major", 5: "D minor"}.get(etude, prepared(1).harmony.key.name)
    score = read_back(made(etude, number), tmp_path)
    assert score.mode == name.partition(" ")[2]
    assert find_key(score).name == name


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_every_bar_is_full_and_every_section_two_to_four_bars(etude, number):
    exercise = made(etude, number)
    quarters = {1: 4, 2: 2, 3: 4, 4: 3, 5: 3}[etude]  # three quarter beats in a 3/4 bar, three in a 6/8 one
    bars = exercise.score.bars
    assert {bar.length / Q for bar in bars} == {quarters}
    assert [bar.onset for bar in bars] == [quarters * Q * n for n in range(len(bars))]
    assert {bar.fifths for bar in bars} == {prepared(etude).score.bars[0].fifths}
    assert all(2 <= section.last - section.bar + 1 <= 4 for section in exercise.sections)
    assert [section.twice for section in exercise.sections] == [True] * (len(exercise.sections) - 1) + [False]
    edges = [(section.bar, section.last) for section in exercise.sections]
    assert [first for first, _ in edges] == [0, *(last + 1 for _, last in edges[:-1])]
    assert edges[-1][1] == len(bars) - 1
    named = [section.name.partition(":")[0] for section in exercise.sections]
    # The first étude is for the thumb alone; at the end of the second, tune and bass stop together.
    tune = [words.MOVING_TUNE] if etude > 1 and (etude, number) != THE_END else []
    assert named == [words.BASSES_ALONE, words.HELD_NOTE, *tune, words.IN_CONTEXT]


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_every_section_asks_for_the_stop_that_is_practised(etude, number, tmp_path):
    exercise = made(etude, number)
    stop = prepared(etude).stops[number - 1]
    score = exercise.score
    for index, section in enumerate(exercise.sections):
        asked = [
            s for s in stops_in(score, section) if s.wanted and s.pair == stop.pair and s.fret == stop.fret
        ]
        assert asked, section
        if section.twice:
            assert {s.reason for s in asked} <= {Reason.NEXT_BASS, Reason.REST}
            assert all(stop.way in s.ways for s in asked)
            assert (asked[0].next_note >= 0) is (stop.next_note >= 0)
        if index == 0:
            assert {s.way for s in asked} == {stop.way}
    back = read_back(exercise, tmp_path)
    first = [s for s in plan_stops(back) if back.notes["bar"][s.note] <= exercise.sections[0].last]
    found = next(s for s in first if s.pair == stop.pair)
    assert found.wanted
    assert found.way is stop.way


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_what_is_repeated_ends_on_a_bass_that_comes_to_rest(etude, number):
    exercise = made(etude, number)
    for section in exercise.sections[:-1]:
        last = stops_in(exercise.score, section)[-1]
        assert last.reason is Reason.REST
        assert last.due < exercise.score.bars[section.last].end


@pytest.mark.parametrize("level", LEVELS.values(), ids=LEVELS)
@pytest.mark.parametrize("etude", range(1, 6))
def test_at_every_level_each_section_asks_for_it_when_it_is_opened_like_any_score(etude, level):
    preparation = prepare(prepared(etude).score, level=level)
    stops = [stop for stop in preparation.stops if not asks_nothing(stop)]
    assert len(stops) >= 4
    for stop in stops[::3]:
        exercise = stop_exercise(preparation, stop)
        plan = plan_stops(exercise.score, harmony=analyse(exercise.score), level=level)
        bars = exercise.score.notes["bar"]
        for section in exercise.sections:
            asked = [s for s in plan if section.bar <= bars[s.note] <= section.last and s.pair == stop.pair]
            assert any(s.wanted and s.way is stop.way for s in asked), section


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_no_other_stop_grades_worse_before_the_piece_itself(etude, number, tmp_path):
    # As it is played, with its repeats, and as the coach reads its harmony.
    exercise = made(etude, number)
    stop = prepared(etude).stops[number - 1]
    score = read_back(exercise, tmp_path)
    invented = exercise.sections[-2].last
    others = 0
    for other in plan_stops(score, harmony=analyse(score)):
        if score.bars[score.notes["bar"][other.note]].written > invented or other.pair == stop.pair:
            continue
        others += 1
        assert not other.wanted or other.clash.rank <= stop.clash.rank
    assert others or stop.next_note < 0  # the next bass has a stop of its own


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_it_is_slow_and_leaves_the_thumb_its_time(etude, number):
    exercise = made(etude, number)
    stop, whole = prepared(etude).stops[number - 1], prepared(etude).score
    qpm = exercise.score.qpm(0)
    assert 0.4 * whole.qpm(0) <= qpm <= 0.6 * whole.qpm(0)
    times = [s.time_ms for s in plan_stops(exercise.score) if s.pair == stop.pair and s.time_ms is not None]
    assert all(time >= COMFORTABLE_MS - 1 for time in times) or qpm <= SLOWEST


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_one_note_is_held_over_both_basses(etude, number):
    exercise = made(etude, number)
    stop = prepared(etude).stops[number - 1]
    section, notes = exercise.sections[1], exercise.score.notes
    inside = (notes["bar"] >= section.bar) & (notes["bar"] <= section.last)
    held, basses = notes[inside & ~notes["bass"]], notes[inside & notes["bass"]]
    practised = [s for s in stops_in(exercise.score, section) if s.pair == stop.pair]
    assert len(held) == len(practised)
    for note, found in zip(held, practised, strict=True):
        assert note["onset"] == exercise.score.notes["onset"][found.note]  # struck with the first bass
        assert note["onset"] + note["duration"] >= found.due + Q  # and sounding well past its stop
        over = note["onset"] + note["duration"]
        with_it = basses[(basses["onset"] < over) & (basses["onset"] >= note["onset"])]
        assert len(with_it) == (2 if stop.next_note >= 0 else 1)
        # No semitone above either bass, on no string of theirs, and four frets at most for one hand, open
        # strings aside (common practice, no source).
        assert not {(note["pitch"] - bass["pitch"]) % 12 for bass in with_it} & {1, 11}
        assert note["string"] not in with_it["string"]
        frets = [fret for fret in (note["fret"], *with_it["fret"]) if fret > 0]
        assert not frets or max(frets) - min(frets) <= 3


@pytest.mark.parametrize(("etude", "number"), [pair for pair in WANTED if pair[0] > 1 and pair != THE_END])
def test_the_tune_moves_on_after_the_stop(etude, number):
    exercise = made(etude, number)
    stop = prepared(etude).stops[number - 1]
    section, score = exercise.sections[2], exercise.score
    for found in stops_in(score, section):
        if found.pair != stop.pair:
            continue
        bar = score.bars[score.bar_index(min(found.due, score.bars[section.last].end - 1))]
        tune = score.notes[~score.notes["bass"]]
        assert ((tune["onset"] > found.due) & (tune["onset"] < bar.end)).any()
        assert ((tune["onset"] < bar.end) & (tune["onset"] + tune["duration"] >= bar.end)).any()


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_the_context_is_the_piece_note_for_note(etude, number):
    exercise = made(etude, number)
    whole, stop = prepared(etude).score, prepared(etude).stops[number - 1]
    section = exercise.sections[-1]
    base = whole.bar_index(stop.due - 1)
    fields = ("onset", "duration", "pitch", "string", "bass", "let_ring", "fermata")
    here = written(exercise.score, section.bar, section.last, *fields)
    bars = [b for b in range(base - 1, base + 2) if 0 <= b < len(whole.bars)]
    there, at, end = [], 0.0, (section.last - section.bar + 1) * exercise.score.bars[0].length / Q
    for index in bars:
        bar = whole.bars[index]
        lead = (bar.full_length - bar.length) / Q if bar.number == 0 else 0
        for onset, length, *rest in written(whole, index, index, *fields):
            onset += at + lead
            there.append((onset, min(length, end - onset), *rest))  # what leads out of the last bar is cut
        at += bar.full_length / Q
    tied_in = [row for row in here if row not in there]  # struck anew where the stretch begins
    assert all(row[0] == 0 for row in tied_in)
    assert sorted(row for row in here if row not in tied_in) == sorted(there)


def spelt_out(exercise, index):
    """Return a section as (bar, onset, length, pitch, bass), times in quarters."""
    section, score = exercise.sections[index], exercise.score
    return {
        (int(note["bar"]) - section.bar + 1, (note["onset"] - score.bars[note["bar"]].onset) / Q,
         note["duration"] / Q, int(note["pitch"]), bool(note["bass"]))
        for note in score.notes[(score.notes["bar"] >= section.bar) & (score.notes["bar"] <= section.last)]
    }  # fmt: skip


def by_hand(*rows):
    return {(bar, on, length, parse_name(name), bass) for bar, on, length, name, bass in rows}


def test_the_umbrellas_fifth_stop_by_hand():
    # Bar 5, D3 under F#4 D4 F#4; bar 6, A2 under E4 C#4 E4.  D major and A major have A in common.
    exercise = made(2, 5)
    basses = [(1, 0, 2, "D3", True), (2, 0, 1, "A2", True), (3, 0, 2, "D3", True), (4, 0, 1, "A2", True)]
    assert spelt_out(exercise, 0) == by_hand(*basses)
    assert spelt_out(exercise, 1) == by_hand(*basses, (1, 0, 4, "A3", False), (3, 0, 4, "A3", False))
    bar_5 = [(0, 1, "F#4", False), (1, 0.5, "D4", False), (1.5, 0.5, "F#4", False)]
    bar_6 = [(0, 1, "E4", False), (1, 0.5, "C#4", False), (1.5, 0.5, "E4", False)]
    tune = [*((1, *row) for row in bar_5), *((2, *row) for row in bar_6)]
    assert spelt_out(exercise, 2) == by_hand(*basses[:2], *tune)
    assert spelt_out(exercise, 3) == by_hand(
        (1, 0, 2, "A2", True), (1, 0, 1.5, "A3", False), (1, 1.5, 0.5, "E4", False),
        (2, 0, 2, "D3", True), *((2, *row) for row in bar_5),
        (3, 0, 2, "A2", True), *((3, *row) for row in bar_6),
    )  # fmt: skip
    assert [section.name for section in exercise.sections] == [
        "Basses alone: stop ④ with a rest stroke",
        "Under a held note",
        "Under the tune",
        "In the piece: bars 4–6",
    ]
    assert [(cue.tick / Q, cue.text) for cue in exercise.cues] == [
        (0, "play ④"), (2, "stop ④"), (3, "stop ⑤"),
    ]  # fmt: skip


def test_the_last_one_outs_worst_by_hand():
    # Bar 10, D3 under F4 D4; bar 11, C3 for two beats under E4 F4 G4.  D minor and C major have no note in
    # common; of C major's, G lies a fifth above C and a fourth above D, E only a second above D.
    preparation = prepared(5)
    exercise = stop_exercise(preparation, worst(preparation))
    assert exercise.number == 10
    basses = [(1, 0, 3, "D3", True), (2, 0, 2, "C3", True), (3, 0, 3, "D3", True), (4, 0, 2, "C3", True)]
    assert spelt_out(exercise, 0) == by_hand(*basses)
    assert spelt_out(exercise, 1) == by_hand(*basses, (1, 0, 6, "G4", False), (3, 0, 6, "G4", False))
    bar_10 = [(0, 2, "F4", False), (2, 1, "D4", False)]
    bar_11 = [(0, 1, "E4", False), (1, 1, "F4", False), (2, 1, "G4", False)]
    tune = [*((1, *row) for row in bar_10), *((2, *row) for row in bar_11)]
    assert spelt_out(exercise, 2) == by_hand(*basses[:2], *tune)
    assert spelt_out(exercise, 3) == by_hand(
        (1, 0, 3, "A2", True), (1, 0, 2, "C4", False), (1, 2, 1, "D4", False),
        (2, 0, 3, "D3", True), *((2, *row) for row in bar_10),
        (3, 0, 2, "C3", True), *((3, *row) for row in bar_11),
    )  # fmt: skip


def test_a_line_is_made_where_the_tune_only_holds():
    # Étude 3, bar 6: E4 lies for half a bar over the C.  From E down to the root: E D in eighths, C.
    exercise = made(3, 9)
    bar = {row for row in spelt_out(exercise, 2) if row[0] == 1}
    assert bar == by_hand(
        (1, 0, 2, "D3", True), (1, 2, 1, "C3", True), (1, 0, 1.5, "F#4", False), (1, 1.5, 0.5, "E4", False),
        (1, 2, 0.5, "E4", False), (1, 2.5, 0.5, "D4", False), (1, 3, 1, "C4", False),
    )  # fmt: skip


@pytest.mark.parametrize("etude", range(1, 6))
def test_music21_and_verovio_open_it(etude):
    for number in [n for e, n in WANTED if e == etude][:: 1 if etude == 4 else 5]:
        exercise = made(etude, number)
        text = text_of(exercise)
        toolkit = verovio.toolkit()
        assert toolkit.loadData(text)
        svg = "".join(toolkit.renderToSVG(page) for page in range(1, toolkit.getPageCount() + 1))
        assert all(f'id="{name}"' in svg for name in (*exercise.score.ids, *exercise.score.bar_ids))
        stream = music21.converter.parseData(text, format="musicxml")
        found = sorted(
            (float(note.getOffsetInHierarchy(stream)), pitch.midi)
            for note in stream.recurse().notes
            if note.tie is None or note.tie.type == "start" or note.tie.type == "let-ring"
            for pitch in note.pitches
        )
        own = exercise.score.notes
        assert found == sorted(zip((own["onset"] / Q).tolist(), own["pitch"].tolist(), strict=True))
        assert len(list(stream.recurse().getElementsByClass(music21.bar.Repeat))) == 2 * len(
            exercise.sections[:-1]
        )


# --- played -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("etude", "number"), [(1, 5), (2, 5), (3, 1), (4, 9), (5, 6), (5, 13)])
def test_a_clean_performance_is_judged_clean(etude, number, tmp_path):
    score = read_back(made(etude, number), tmp_path)
    done = Player(score, seed=etude, converter=Converter.ideal()).play()
    assert {end.verdict for end in done.truth.ends} <= {"clean", "replaced", "free", "faded"}
    decoder = Decoder(done.profile)
    events = [event for time_us, data in done.messages for event in decoder.decode(time_us, data)]
    session = judge([*events, End(done.end_us)], score, profile=done.profile)
    result = report(session, session.ignored)
    kinds = [row.verdict.kind for row in result.damps]
    assert len(kinds) == int(score.notes["bass"].sum())
    assert {*kinds} <= {Damping.CLEAN, Damping.REPLACED, Damping.FREE}
    assert {row.verdict.kind for row in result.notes} == {Stroke.RIGHT}
    assert not result.strays
