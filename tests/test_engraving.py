"""Engraving in a child process: boxes, places, cache, and what happens where it fails."""

from __future__ import annotations

import sys
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from coach.core.score import ANCHOR, Score
from coach.files.score_file import ScoreFile, read_score
from coach.screen.engraved import Box, Engraved, Places, System, bar_name, note_name
from coach.screen.engraving import Engraver, Request, can_engrave, unpack
from coach.screen.plain_staff import plain_staff, staff_steps
from tests.scores import piece

SCORES = sorted((Path(__file__).parents[1] / "scores").glob("*.musicxml"))
NAMES = [path.stem for path in SCORES]
WIDTH, SPACE = 1500, 14.0
needs_engraver = pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")


def silent(*_: object) -> None:
    """A callback for engravers that are asked directly."""


def child(text: str) -> tuple[str, ...]:
    return (sys.executable, "-c", text)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("engraved")


@pytest.fixture(scope="module", params=SCORES, ids=NAMES)
def known(request: pytest.FixtureRequest, folder: Path) -> tuple[ScoreFile, Engraved]:
    """An étude and its engraved page."""
    if not can_engrave():
        pytest.skip("verovio or resvg is not installed")
    read = read_score(request.param)
    found, why = Engraver(silent, folder=folder).engrave(Request(read.xml, WIDTH, SPACE))
    assert found is not None, why
    return read, found


def check_places(score: Score, engraved: Engraved) -> None:
    """Every bar has its box; within a bar x never runs backwards, and onsets stand apart."""
    places = Places(score, engraved)
    for index, bar in enumerate(score.bars):
        left, right = places.bar_box(index)
        assert 0 <= left < right <= WIDTH + 1
        ticks = np.linspace(bar.onset, bar.end, 25)
        found = [places.x_of(tick, index) for tick in ticks]
        xs = np.array([x for place in found if place is not None for x in place[1:]])
        assert len(xs) == len(ticks)
        assert (np.diff(xs) >= 0).all()
        assert left <= xs[0]
        assert xs[-1] == pytest.approx(right)
        onsets = np.unique(score.notes["onset"][(score.notes["bar"] == index) & ~score.notes["grace"]])
        standing = [places.x_of(int(onset), index)[1] for onset in onsets]  # type: ignore[index]
        assert (np.diff(standing) > SPACE / 2).all(), f"bar {bar.number}"


def test_every_note_rest_and_bar_has_its_box(known: tuple[ScoreFile, Engraved]):
    read, engraved = known
    boxes = {name for system in engraved.systems for name in system.boxes}
    assert set(read.score.ids) <= boxes
    assert set(read.score.anchor_ids) <= boxes
    bars = [bar for system in engraved.systems for bar in system.bars]
    assert bars == list(read.score.bar_ids)
    for system in engraved.systems:
        assert system.staff_bottom - system.staff_top == pytest.approx(4 * SPACE, abs=1.0)
        for box in system.boxes.values():
            assert 0 <= box.x <= system.width
            assert 0 <= box.y <= system.height


def test_a_box_holds_the_ink_of_its_head(known: tuple[ScoreFile, Engraved]):
    read, engraved = known
    heads = set(read.score.ids)
    for system in engraved.systems:
        dark = system.dark()
        for name, box in system.boxes.items():
            if name not in heads:
                continue
            inside = dark[round(box.y) : round(box.y + box.height), round(box.x) : round(box.x + box.width)]
            # An open head covers a good third of its box, a filled one two thirds.
            assert 0.25 < inside.mean() < 0.95, name


def test_x_runs_with_the_ticks(known: tuple[ScoreFile, Engraved]):
    check_places(known[0].score, known[1])


def test_a_note_stands_where_its_head_is(known: tuple[ScoreFile, Engraved]):
    read, engraved = known
    score, places = read.score, Places(read.score, engraved)
    for row in score.notes[~score.notes["grace"]]:
        place = places.x_of(int(row["onset"]), int(row["bar"]))
        assert place is not None
        box = engraved.systems[place[0]].boxes[note_name(score, int(row["written"]))]
        assert abs(place[1] - box.middle) < 1.4 * SPACE  # a second or an inner voice stands aside


def test_a_stop_at_a_barline_is_under_the_next_note(known: tuple[ScoreFile, Engraved]):
    read, engraved = known
    score, places = read.score, Places(read.score, engraved)
    second = score.bars[1]
    spans = places.spans(score.bars[0].onset, second.onset)
    assert spans[0].begins
    assert spans[-1].ends
    last = places.x_of(second.onset)
    assert last is not None
    assert (spans[-1].system, spans[-1].right) == (last[0], pytest.approx(last[1]))


def test_a_whole_bars_rest_in_mid_bar_does_not_bend_time():
    # The bass rests for the bar, which is engraved in the middle of it; the melody begins on beat 2.
    plain = piece("4/4", "E2 4", "- 5, E4 1, G4 1, C5 1")
    anchors = np.array([(1, 0, 0)], ANCHOR)
    score = replace(plain, anchors=anchors, anchor_ids=("bar-rest",))
    box = {"bar-rest": Box(290.0, 20.0, 20.0, 5.0)}
    for row, x in zip(np.flatnonzero(score.notes["bar"] == 1), (160.0, 220.0, 340.0), strict=True):
        box[score.ids[int(score.notes["written"][row])]] = Box(x - 6, 10.0, 12.0, 10.0)
    bars = {bar_name(score, 0): (0.0, 100.0), bar_name(score, 1): (100.0, 500.0)}
    system = System(500, 80, 20.0, 60.0, box, tuple(bars), bars)
    places = Places(score, Engraved((system,), 10.0, plain=True))
    start = score.bars[1].onset
    quarter = 10_080
    found = [places.x_of(start + k * quarter, 1) for k in range(5)]
    xs = [place[1] for place in found if place is not None]
    assert xs[1:] == pytest.approx([160, 220, 340, 500])
    assert 100 < xs[0] < 160


@needs_engraver
def test_a_sound_over_a_line_break_has_a_span_on_each_line(folder: Path):
    read = read_score(SCORES[4])
    engraved, why = Engraver(silent, folder=folder).engrave(Request(read.xml, WIDTH, SPACE))
    assert engraved is not None, why
    places = Places(read.score, engraved)
    broken = next(i for i in range(len(read.score.bars)) if places.system_of(i) == 1)
    bar = read.score.bars[broken]
    spans = places.spans(bar.onset - 100, bar.onset + bar.beat_ticks)
    assert [span.system for span in spans] == [0, 1]
    assert [span.begins for span in spans] == [True, False]
    assert [span.ends for span in spans] == [False, True]
    assert spans[0].right == places.bar_box(broken - 1)[1]
    assert spans[1].left == places.bar_box(broken)[0]


@needs_engraver
def test_a_chunk_is_engraved_alone(folder: Path):
    read = read_score(SCORES[2])
    engraved, why = Engraver(silent, folder=folder).engrave(Request(read.xml, WIDTH, SPACE, (4, 7)))
    assert engraved is not None, why
    assert [bar for s in engraved.systems for bar in s.bars] == list(read.score.bar_ids[4:8])


@needs_engraver
def test_no_last_line_of_one_lonely_bar(folder: Path):
    for path in SCORES:
        read = read_score(path)
        engraved, why = Engraver(silent, folder=folder).engrave(Request(read.xml, WIDTH, SPACE))
        assert engraved is not None, why
        counts = [len(system.bars) for system in engraved.systems]
        assert max(counts) - min(counts) <= 2, (path.stem, counts)


# --- cache ------------------------------------------------------------------------------------------


@needs_engraver
def test_what_is_cached_needs_no_child(tmp_path: Path):
    read = read_score(SCORES[0])
    request = Request(read.xml, WIDTH, SPACE)
    first, _ = Engraver(silent, folder=tmp_path).engrave(request)
    assert first is not None
    assert [path.suffix for path in tmp_path.iterdir()] == [".page"]
    again, why = Engraver(silent, folder=tmp_path, command=child("raise SystemExit(3)")).engrave(request)
    assert again is not None, why
    assert [s.ink for s in again.systems] == [s.ink for s in first.systems]
    assert [dict(s.boxes) for s in again.systems] == [dict(s.boxes) for s in first.systems]


def test_the_key_holds_everything_that_shapes_the_page():
    one = Request("<a/>", 800, 10.0)
    others = [
        Request("<b/>", 800, 10.0),
        Request("<a/>", 801, 10.0),
        Request("<a/>", 800, 10.25),
        Request("<a/>", 800, 10.0, (0, 3)),
    ]
    assert len({one.key, *(other.key for other in others)}) == 5
    assert one.key == Request("<a/>", 800, 10.0).key


def test_a_damaged_cache_file_is_engraved_anew(tmp_path: Path):
    request = Request("<a/>", 800, 10.0)
    (tmp_path / f"{request.key}.page").write_bytes(b"\x00\x00\x00\x02{}")
    engraver = Engraver(silent, folder=tmp_path, command=child("raise SystemExit(3)"))
    assert engraver.kept(request) is None


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"\x00\x00\x00\x05{}",
        b"\x00\x00\x00\x02[]",
        b'\x00\x00\x00\x0e{"systems": 3}',
        b"garbage of some length",
    ],
)
def test_what_is_no_answer_is_refused(answer: bytes):
    with pytest.raises(ValueError):
        unpack(answer, 10.0)


# --- failures ---------------------------------------------------------------------------------------


@needs_engraver
@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("import time; time.sleep(60)", "longer than"),
        ("import os; os.abort()", "code -6"),
        ("raise SystemExit(3)", "code 3"),
        ("print('hello')", "answer"),
        ("pass", "answer"),
    ],
    ids=["hangs", "crashes", "gives up", "chatters", "says nothing"],
)
def test_a_child_that_fails_is_said_and_leaves_nothing_behind(tmp_path: Path, text: str, why: str):
    engraver = Engraver(silent, folder=tmp_path, command=child(text), timeout_s=0.7)
    found, said = engraver.engrave(Request("<a/>", 800, 10.0))
    assert found is None
    assert why in said
    assert list(tmp_path.iterdir()) == []


@needs_engraver
def test_music_that_is_none_is_refused_by_the_real_child(tmp_path: Path):
    found, why = Engraver(silent, folder=tmp_path).engrave(Request("<nonsense/>", 800, 10.0))
    assert found is None
    assert "code" in why


@needs_engraver
def test_closing_ends_a_child_that_hangs(tmp_path: Path):
    called = threading.Event()
    engraver = Engraver(
        lambda *_: called.set(),
        folder=tmp_path,
        command=child("import sys, time; sys.stdin.buffer.read(); time.sleep(60)"),
        timeout_s=50,
    )
    engraver.begin(Request("<a/>", 800, 10.0))
    worker = next(t for t in threading.enumerate() if t.name == "engraver")
    engraver.close()
    worker.join(10)
    assert not worker.is_alive()
    assert not called.is_set()


@needs_engraver
def test_a_newer_request_takes_the_place_of_an_older(tmp_path: Path):
    read = read_score(SCORES[0])
    answered: list[Request] = []
    done = threading.Event()

    def take(request: Request, engraved: Engraved | None, why: str) -> None:
        assert engraved is not None, why
        answered.append(request)
        done.set()

    engraver = Engraver(take, folder=tmp_path)
    engraver.begin(Request(read.xml, WIDTH, SPACE))
    newer = Request(read.xml, WIDTH + 100, SPACE)
    engraver.begin(newer)
    assert done.wait(30)
    engraver.close()
    assert answered == [newer]


# --- our own plain staff ----------------------------------------------------------------------------


@pytest.mark.parametrize("path", SCORES, ids=NAMES)
def test_the_plain_staff_gives_the_same_boxes_and_places(path: Path):
    score = read_score(path).score
    engraved = plain_staff(score, WIDTH, SPACE)
    boxes = {name for system in engraved.systems for name in system.boxes}
    assert set(score.ids) | set(score.anchor_ids) <= boxes
    assert [bar for s in engraved.systems for bar in s.bars] == list(score.bar_ids)
    check_places(score, engraved)


def test_the_plain_staff_needs_no_ids():
    score = piece("4/4", "E2 1, A2 1, D3 2, E2 4", "E4 2, G4 2, C5 4")
    engraved = plain_staff(score, WIDTH, SPACE)
    assert {bar_name(score, 0), bar_name(score, 1)} == set(engraved.systems[0].bars)
    check_places(score, engraved)


@pytest.mark.parametrize(
    ("pitch", "fifths", "expected"),
    [
        # Guitar music is written an octave above its sound; the staff's bottom line is written E4.
        (52, 0, (0, "")),  # sounding E3
        (40, 0, (-7, "")),  # open sixth string: three ledger lines and a space below
        (64, 0, (7, "")),  # open first string: the top space
        (54, 0, (1, "♯")),  # F sharp without a key
        (54, 1, (1, "")),  # in G major it is in the key
        (53, 1, (1, "♮")),
        (58, -1, (4, "")),  # B flat in F major
        (59, -1, (4, "♮")),
        (58, -2, (4, "")),
        (61, -3, (6, "♭")),  # D flat in E flat major
    ],
)
def test_heads_stand_at_their_heights(pitch: int, fifths: int, expected: tuple[int, str]):
    assert staff_steps(pitch, fifths) == expected


def test_the_plain_staffs_ink_is_where_the_boxes_say():
    score = piece("4/4", "E2 1, A2 1, D3 2", "E4 1, G4 1, B3 2")
    system = plain_staff(score, WIDTH, SPACE).systems[0]
    dark = system.dark()
    for box in system.boxes.values():
        inside = dark[round(box.y) : round(box.y + box.height), round(box.x) : round(box.x + box.width)]
        assert inside.mean() > 0.3
    for line in range(5):
        y = round(system.staff_bottom - line * SPACE)
        assert dark[y - 1 : y + 2, 10 : round(system.bar_boxes[bar_name(score, 0)][1]) - 10].any(axis=0).all()
