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
from coach.core.exercises import COMFORTABLE_MS, SLOWEST, asks_nothing, stop_exercise
from coach.core.harmony import analyse
from coach.core.levels import LEVELS
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


def test_every_stop_of_the_etudes_is_tried():
    # Counted by hand: all basses less those whose string is played again and those that may ring.
    assert Counter(etude for etude, _ in WANTED) == {1: 15, 2: 15, 3: 19, 4: 9, 5: 22}


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_an_exercise_is_read_back_as_it_was_made(etude, number, tmp_path):
    exercise = made(etude, number)
    score = read_back(exercise, tmp_path)
    notes, own = score.notes, exercise.score.notes
    # Each section is played twice, one after the other; within a round everything is as written.
    shift = expected = 0
    for section in exercise.sections:
        first, last = exercise.score.bars[section.bar].onset, exercise.score.bars[section.last].end
        rows = own[(own["onset"] >= first) & (own["onset"] < last)]
        for _ in range(2):
            start = first + shift
            heard = notes[(notes["onset"] >= start) & (notes["onset"] < start + last - first)]
            assert len(heard) == len(rows)
            for name in SAME:
                value = heard[name] - start if name == "onset" else heard[name]
                assert value.tolist() == (rows[name] - first if name == "onset" else rows[name]).tolist(), (
                    name
                )
            shift += last - first
            expected += len(rows)
        shift -= last - first  # the next section starts after both rounds, here after the first
    assert expected == len(notes)
    assert score.tuning == prepared(etude).score.tuning
    assert score.mode == prepared(etude).score.mode
    assert score.qpm(0) == pytest.approx(exercise.score.qpm(0))
    assert score.title == exercise.score.title


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_every_bar_is_full_and_every_section_two_to_four_bars(etude, number):
    exercise = made(etude, number)
    quarters = {1: 4, 2: 2, 3: 4, 4: 3, 5: 3}[etude]  # three quarter beats in a 3/4 bar, three in a 6/8 one
    bars = exercise.score.bars
    assert {bar.length / Q for bar in bars} == {quarters}
    assert [bar.onset for bar in bars] == [quarters * Q * n for n in range(len(bars))]
    assert {bar.fifths for bar in bars} == {prepared(etude).score.bars[0].fifths}
    assert all(2 <= section.last - section.bar + 1 <= 4 and section.twice for section in exercise.sections)
    edges = [(section.bar, section.last) for section in exercise.sections]
    assert [first for first, _ in edges] == [0, *(last + 1 for _, last in edges[:-1])]
    assert edges[-1][1] == len(bars) - 1
    named = [section.name.partition(":")[0] for section in exercise.sections]
    tune = [words.MOVING_TUNE] if etude > 1 else []  # the first étude is for the thumb alone
    assert named == [words.BASSES_ALONE, words.HELD_NOTE, *tune, words.IN_CONTEXT]


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_every_section_asks_for_the_stop_that_is_practised_and_ends_at_rest(etude, number, tmp_path):
    exercise = made(etude, number)
    stop = prepared(etude).stops[number - 1]
    score = exercise.score
    for index, section in enumerate(exercise.sections):
        asked = [
            s for s in stops_in(score, section) if s.wanted and s.pair == stop.pair and s.fret == stop.fret
        ]
        assert asked, section
        assert {s.reason for s in asked} <= {Reason.NEXT_BASS, Reason.REST}
        assert (asked[0].next_note >= 0) is (stop.next_note >= 0)
        assert all(stop.way in s.ways for s in asked)
        if index == 0:
            assert {s.way for s in asked} == {stop.way}
        last = stops_in(score, section)[-1]
        assert last.reason is Reason.REST
        assert last.due < score.bars[section.last].end
    back = read_back(exercise, tmp_path)
    first = [s for s in plan_stops(back) if back.notes["bar"][s.note] <= exercise.sections[0].last]
    found = next(s for s in first if s.pair == stop.pair)
    assert found.wanted
    assert found.way is stop.way


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
def test_no_other_stop_grades_worse(etude, number):
    exercise = made(etude, number)
    stop = prepared(etude).stops[number - 1]
    for section in exercise.sections[:-1]:
        for other in stops_in(exercise.score, section):
            assert other.pair == stop.pair or other.clash.rank <= stop.clash.rank
    # In context the piece's own grades count: a bass that ends as in the piece is no harder there.
    score, whole = exercise.score, prepared(etude).score
    context, base = exercise.sections[-1], whole.bar_index(stop.due - 1)
    in_piece = {}
    for found in prepared(etude).stops:
        note = whole.notes[found.note]
        in_piece[int(note["bar"]), int(note["onset"]) - whole.bars[note["bar"]].onset] = found
    for other in stops_in(score, context):
        note = score.notes[other.note]
        bar = int(note["bar"])
        there = in_piece.get(
            (max(base - 1, 0) + bar - context.bar, int(note["onset"]) - score.bars[bar].onset)
        )
        if there is None or there is stop or other.reason is not Reason.NEXT_BASS:
            continue  # struck anew at the start, or come to rest
        assert there.pair == other.pair
        assert not there.wanted or there.clash.rank <= stop.clash.rank


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_it_is_slow_and_leaves_the_thumb_its_time(etude, number):
    exercise = made(etude, number)
    stop, whole = prepared(etude).stops[number - 1], prepared(etude).score
    qpm = exercise.score.qpm(0)
    assert 0.4 * whole.qpm(0) <= qpm <= 0.6 * whole.qpm(0)
    times = [s.time_ms for s in plan_stops(exercise.score) if s.pair == stop.pair and s.time_ms is not None]
    assert all(time >= COMFORTABLE_MS - 1 for time in times) or qpm <= SLOWEST


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_the_held_note_is_nobody_elses_string_and_sounds_through_the_stop(etude, number):
    exercise = made(etude, number)
    section, notes = exercise.sections[1], exercise.score.notes
    inside = (notes["bar"] >= section.bar) & (notes["bar"] <= section.last)
    held, basses = notes[inside & ~notes["bass"]], notes[inside & notes["bass"]]
    assert len(held)
    assert not {*held["string"].tolist()} & {*basses["string"].tolist()}
    for stop in stops_in(exercise.score, section):
        if stop.pair == prepared(etude).stops[number - 1].pair:
            over = held["onset"] + held["duration"]
            assert ((held["onset"] <= stop.due) & (over > stop.due + Q // 2)).any()
    # One hand can hold it: four frets at most, open strings aside (common practice, no source).
    for note in held:
        sounding = basses[(basses["onset"] < note["onset"] + note["duration"])
                          & (basses["onset"] + basses["duration"] > note["onset"])]  # fmt: skip
        frets = [fret for fret in (note["fret"], *sounding["fret"]) if fret > 0]
        assert not frets or max(frets) - min(frets) <= 3


@pytest.mark.parametrize(("etude", "number"), WANTED)
def test_the_context_is_the_piece(etude, number):
    exercise = made(etude, number)
    whole, stop = prepared(etude).score, prepared(etude).stops[number - 1]
    section = exercise.sections[-1]
    base = whole.bar_index(stop.due - 1)
    fields = ("onset", "pitch", "string", "bass")
    here = written(exercise.score, section.bar, section.last, *fields)
    bars = [b for b in range(base - 1, base + 2) if 0 <= b < len(whole.bars)]
    there, at = [], 0.0
    for index in bars:
        bar = whole.bars[index]
        lead = (bar.full_length - bar.length) / Q if bar.number == 0 else 0
        there += [(at + lead + row[0], *row[1:]) for row in written(whole, index, index, *fields)]
        at += bar.full_length / Q
    carried = {row for row in here if row not in there}  # struck anew where the stretch begins
    assert set(there) <= set(here)
    assert all(row[0] == 0 for row in carried)


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
            exercise.sections
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
