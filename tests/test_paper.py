"""The printed page: what is marked, where it stands, that nothing touches anything, and the files."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from coach.app.piece import Piece, open_piece
from coach.core.clash import Clash
from coach.core.damping import Reason
from coach.core.errors import CoachError
from coach.core.harmony import Chord, Reading
from coach.core.phrases import Form, Phrase
from coach.core.preparation import Preparation, prepare
from coach.core.spelling import Key
from coach.screen import paper, paper_child
from coach.screen.engraver_process import can_engrave
from coach.screen.paper_facts import gather, without_fingers
from coach.screen.paper_ink import Letters, Shape, line
from coach.screen.paper_lines import break_lines
from coach.screen.paper_marks import DAMP
from coach.screen.paper_pages import MARGIN_MM, PAPERS, Page
from coach.screen.paper_picture import page_svg
from coach.screen.paper_svg import MM, SPACE_MM, SVG, read_system
from coach.screen.paper_type import POINT, TEXT
from tests.scores import piece

SCORES = sorted((Path(__file__).parents[1] / "scores").glob("*.musicxml"))
NAMES = [path.stem for path in SCORES]
PX_MM = 6.0  # of the pictures looked at here: 150 dpi
pytestmark = pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")

CHORDS = (
    ("Am", "i"), ("E7/G♯", "V65"), ("Dm", "iv"), ("Bm7♭5", "ii%7"), ("E7", "V7/V"), ("F", "VI"), ("N6", "N6"),
)  # fmt: skip


def dressed(preparation: Preparation) -> Preparation:
    """Return a preparation with invented chords and phrases of four bars: two chords in every third bar."""
    score, chords = preparation.score, []
    for index, bar in enumerate(score.bars):
        parts = 2 if index % 3 == 1 else 1
        for part in range(parts):
            name, roman = CHORDS[len(chords) % len(CHORDS)]
            onset, end = (bar.onset + bar.length * k // parts for k in (part, part + 1))
            reading = Reading(0, "", 0, 0, name, roman)
            chords.append(Chord(index, onset, end, Key(3, True), (reading,), frozenset()))
    last = len(score.bars) - 1
    phrases = [Phrase(first, min(first + 3, last), "ABC"[first % 3]) for first in range(0, last + 1, 4)]
    harmony = replace(preparation.harmony, chords=tuple(chords))
    return replace(preparation, harmony=harmony, form=replace(preparation.form, phrases=tuple(phrases)))


@dataclass
class Composed:
    piece: Piece
    preparation: Preparation
    pages: list[Page]
    svgs: list[str]  # as the engraver drew the systems, with its own boxes
    paper: str


def composed(found: Piece, preparation: Preparation, size: str, patch: pytest.MonkeyPatch) -> Composed:
    """Return the pages of a piece, engraved in this process with the engraver's own boxes in the drawing."""
    import verovio

    class Toolkit(verovio.toolkit):
        def setOptions(self, options):
            return super().setOptions({**options, "svgBoundingBoxes": True})

    drawn: list[str] = []

    def ask(request, *_):
        request.pop("job")
        drawn.extend(paper_child.engrave(**request))
        return json.dumps(drawn).encode()

    patch.setattr(verovio, "toolkit", Toolkit)
    patch.setattr(paper, "_ask", ask)
    pages = paper.compose(preparation, found.xml, found.title, PAPERS[size])
    return Composed(found, preparation, pages, drawn, size)


def long_piece(folder: Path) -> Piece:
    """Return a piece of 60 bars: the bars of étude 2, over and over."""
    tree = ElementTree.parse(SCORES[1])
    part = tree.getroot().find("part")
    assert part is not None
    bars = part.findall("measure")
    for extra in range(60 - len(bars)):
        copy = ElementTree.fromstring(ElementTree.tostring(bars[1 + extra % (len(bars) - 2)]))
        number = str(len(bars) + extra)
        for element in copy.iter():
            if element.get("id"):
                element.set("id", f"{element.get('id')}x{number}")
        copy.set("number", number)
        part.insert(len(bars) - 1 + extra, copy)
    path = folder / "long.musicxml"
    tree.write(path, encoding="utf-8")
    return open_piece(path)


@pytest.fixture(scope="module", params=[*[(i, "a4") for i in range(5)], (0, "letter"), ("long", "letter")])
def found(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Composed:
    """The marked pages of each étude, and of a long piece, with invented chords and phrases."""
    which, size = request.param
    path = SCORES[which] if which != "long" else None
    opened = open_piece(path) if path else long_piece(tmp_path_factory.mktemp("long"))
    with pytest.MonkeyPatch.context() as patch:
        return composed(opened, dressed(prepare(opened.score)), size, patch)


def darkness(ink, size: str, px_mm: float = PX_MM) -> np.ndarray:
    """Return how dark each pixel of a page is, 0 to 255, shape (height, width, RGB)."""
    import pygame

    page = PAPERS[size]
    png = paper_child.draw(page_svg(ink, page.width, page.height), px_mm)
    picture = pygame.image.load(io.BytesIO(png), "page.png")
    return 255 - pygame.surfarray.array3d(picture).transpose(1, 0, 2).astype(int)


# What stands on the page


def test_no_two_marks_touch_and_none_touches_the_engraving(found: Composed):
    for page in found.pages:
        for one, two in combinations(page.marks, 2):
            assert not one.rect.meets(two.rect), (one.kind, one.about, two.kind, two.about)
        engraved = [rect for ink in [*page.engraved, *page.frame] for rect in ink.rects()]
        for one in page.marks:
            assert not any(one.rect.meets(rect) for rect in engraved), (one.kind, one.about)


def test_no_pixel_of_a_mark_falls_on_ink(found: Composed):
    for page in found.pages:
        marks = darkness([ink for one in page.marks for ink in one.ink], found.paper)
        rest = darkness([*page.engraved, *page.frame], found.paper)
        assert marks.any()
        assert rest.any()
        assert not ((marks > 0) & (rest > 0)).any()


def test_no_pixel_of_a_mark_falls_on_another_mark(found: Composed):
    """Marks whose numbers differ in a bit are drawn apart; any two marks differ in some bit."""
    marks = found.pages[0].marks
    for bit in range(len(marks).bit_length()):
        halves = [
            darkness(
                [ink for i, one in enumerate(marks) if i >> bit & 1 == half for ink in one.ink],
                found.paper,
                3,
            )
            for half in (0, 1)
        ]
        assert not ((halves[0] > 0) & (halves[1] > 0)).any()


def test_the_check_by_pixels_would_see_a_mark_on_a_staff_line(found: Composed):
    page = found.pages[0]
    stop = next(one for one in page.marks if one.kind == "stop")
    _, staff = page.systems[0]
    low = stop.moved(0, staff - stop.rect.top)
    marks, rest = darkness(low.ink, found.paper), darkness(page.engraved, found.paper)
    assert ((marks > 0) & (rest > 0)).any()


def test_everything_is_inside_the_margins_and_grey(found: Composed):
    size, margin = PAPERS[found.paper], round((MARGIN_MM - 0.2) * PX_MM)
    for page in found.pages:
        dark = darkness(page.ink, found.paper)
        assert (dark[:, :, 0] == dark[:, :, 1]).all()
        assert (dark[:, :, 1] == dark[:, :, 2]).all()
        assert not dark[:margin].any()
        assert not dark[-margin:].any()
        assert not dark[:, :margin].any()
        assert not dark[:, -margin:].any()
        assert dark.shape[:2] == (round(size.height * PX_MM), round(size.width * PX_MM))


def test_no_words_are_under_seven_point(found: Composed):
    runs = [ink for page in found.pages for ink in page.ink if isinstance(ink, Letters)]
    words = [run for run in runs if run.chars[0][0] == TEXT]
    assert words
    assert min(run.size for run in words) >= 7 * POINT - 1e-9


def test_a_line_is_three_to_five_bars_and_no_bar_is_lost(found: Composed):
    score = found.preparation.score
    bars = [list(read_system(svg).bars) for svg in found.svgs]
    assert [bar for line_ in bars for bar in line_] == list(score.bar_ids)
    pickup = score.bar_ids[0] if score.bars[0].number == 0 else None
    for line_ in bars:
        assert 3 <= len([bar for bar in line_ if bar != pickup]) <= 5
    shown = [index for page in found.pages for index, _ in page.systems]
    assert shown == list(range(len(bars)))


def engraver_boxes(svgs: list[str]) -> list[dict[str, tuple[float, float]]]:
    """Return the engraver's own boxes of notes and rests: id -> (left, width), mm from the system's left."""
    found = []
    for svg in svgs:
        boxes = {}
        for group in ElementTree.fromstring(svg).iter(f"{SVG}g"):
            rect = group.find(f"{SVG}rect")
            if (group.get("id") or "").startswith("bbox-") and rect is not None:
                left, width = (float(rect.get(key) or 0) * MM for key in ("x", "width"))
                boxes[(group.get("id") or "").removeprefix("bbox-")] = (left, width)
        found.append(boxes)
    return found


def test_each_wanted_stop_has_one_sign_under_the_note_at_which_it_is_due(found: Composed):
    score, stops = found.preparation.score, found.preparation.stops
    boxes = engraver_boxes(found.svgs)
    wanted: dict[int, int] = {}
    for index, stop in enumerate(stops):
        if stop.wanted:
            wanted.setdefault(int(score.notes["written"][stop.note]), index)
    marks = {one.about: one for page in found.pages for one in page.marks if one.kind == "stop"}
    assert len(marks) == sum(one.kind == "stop" for page in found.pages for one in page.marks)
    assert set(marks) == set(wanted.values())
    under_a_note = 0
    for index, one in marks.items():
        stop = stops[int(index)]
        (sign,) = (ink for ink in one.ink if isinstance(ink, Letters) and ink.text == DAMP)
        (box,) = sign.rects()
        if stop.next_note < 0 or stop.due >= score.end:
            continue
        name = score.ids[int(score.notes["written"][stop.next_note])]
        (left, width) = next(of[name] for of in boxes if name in of)
        bar = score.bars[score.bar_index(stop.due)]
        if bar.onset == stop.due and bar.written != score.bars[score.bar_index(stop.due) - 1].written + 1:
            continue  # at a repeat sign: before the barline
        under_a_note += 1
        # The engraver's box of a note has its stem in it, which stands inside the head's width.
        assert abs(box.middle - MARGIN_MM - left - width / 2) < 1.0, stop
    if "skylight" not in str(found.piece.path):  # étude 3's stops are into rests: the next test
        assert under_a_note > len(marks) / 4


def test_a_stop_into_a_rest_stands_under_the_rest(found: Composed):
    score, boxes = found.preparation.score, engraver_boxes(found.svgs)
    rests = {name for svg in found.svgs for name in read_system(svg).rests}
    places = {
        (bar, offset): score.anchor_ids[name]
        for bar, offset, name in score.anchors.tolist()
        if score.anchor_ids[name] in rests
    }
    seen = 0
    for one in (one for page in found.pages for one in page.marks if one.kind == "stop"):
        stop = found.preparation.stops[int(one.about)]
        bar = score.bars[score.bar_index(stop.due)]
        name = places.get((bar.written, stop.due - bar.onset))
        if stop.reason is not Reason.REST or name is None:
            continue
        left, width = next(of[name] for of in boxes if name in of)
        seen += 1
        assert abs(one.x - MARGIN_MM - left - width / 2) < 1.0
    if "skylight" in str(found.piece.path):
        assert seen >= 6  # étude 3 is about stops into rests


def test_a_stop_at_the_end_ends_with_the_last_barline(found: Composed):
    score, stops = found.preparation.score, found.preparation.stops
    marks = [one for page in found.pages for one in page.marks if one.kind == "stop"]
    ends = [one for one in marks if stops[int(one.about)].due == score.end]
    assert ends or "pages-turning" in str(found.piece.path)  # its last bass is not asked for
    for one in ends:
        assert one.rect.right == pytest.approx(PAPERS[found.paper].width - MARGIN_MM, abs=0.5)


def test_how_bad_a_stop_is_is_told_by_weight(found: Composed):
    for one in (one for page in found.pages for one in page.marks if one.kind == "stop"):
        clash = found.preparation.stops[int(one.about)].clash
        runs = [ink for ink in one.ink if isinstance(ink, Letters)]
        underlined = any(isinstance(ink, Shape) for ink in one.ink)
        assert underlined == (clash is Clash.HIGH)
        assert any(run.bold for run in runs) == (clash is Clash.HIGH)
        assert (min(run.grey for run in runs) > 0.3) == (clash is Clash.LOW)


def test_chords_numerals_and_phrases_stand_at_their_bars(found: Composed):
    marks = [one for page in found.pages for one in page.marks]
    by_kind = {kind: [one for one in marks if one.kind == kind] for kind in ("chord", "roman", "phrase")}
    firsts = {bar.written for bar in found.preparation.score.bars}
    assert len(by_kind["phrase"]) >= len(found.svgs)
    assert len(by_kind["chord"]) == len(by_kind["roman"]) >= len(firsts)
    for page in found.pages:
        for _, staff in page.systems:
            near = [one for one in page.marks if abs(one.rect.top - staff) < 40]
            for one in near:
                if one.kind in ("chord", "phrase") and staff - 35 < one.rect.top < staff:
                    assert one.rect.bottom < staff
    chord = by_kind["chord"][0]
    assert "".join(ink.text for ink in chord.ink if isinstance(ink, Letters)) == "Am"


def test_the_engravers_drawing_is_read_whole(found: Composed):
    """Our reading of the first system, drawn, is the engraver's drawing, drawn: nothing is lost or moved."""
    import pygame

    svg = found.svgs[0]
    root = ElementTree.fromstring(svg)
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag == f"{SVG}text" or (child.get("class") or "").split()[:1] == ["mNum"]:
                parent.remove(child)
    view = re.search(r'viewBox="0 0 (\d+) (\d+)"', svg)
    assert view is not None
    scale = MM * PX_MM * 10  # pixels of this picture to one of the drawing's
    width, height = (round(float(v) / 10 * scale) for v in view.groups())
    from resvg import render, usvg

    tree = usvg.Tree.from_str(ElementTree.tostring(root, encoding="unicode"), usvg.Options.default())
    png = render(tree, (scale, 0, 0, 0, scale, 0), bg_size=(width, height), bg_color=(255, 255, 255, 255))
    theirs = pygame.surfarray.array3d(pygame.image.load(io.BytesIO(bytes(png)), "a.png"))[:, :, 0].T < 128
    system = read_system(svg)
    lines = [float(v) for v in re.findall(r'<path d="M[-\d.]+ ([-\d.]+) L[-\d.]+ \1"', svg)]
    shift = re.search(r'class="page-margin" transform="translate\(([-\d.]+), ([-\d.]+)\)"', svg)
    assert shift is not None
    top = (float(shift.group(2)) + staff_top(root)) * MM
    assert lines
    ink = [
        one.moved(float(shift.group(1)) * MM, top)
        for one in system.ink
        if isinstance(one, Shape) or one.chars[0][0] != TEXT
    ]
    ours_png = paper_child.draw(page_svg(ink, width / PX_MM, height / PX_MM), PX_MM)
    ours = pygame.surfarray.array3d(pygame.image.load(io.BytesIO(ours_png), "b.png"))[:, :, 0].T < 128
    assert ours.shape == theirs.shape
    assert theirs.sum() > 3000
    for one, other in ((ours, grown(theirs)), (theirs, grown(ours))):
        assert (one & ~other).sum() < 0.002 * theirs.sum()


def staff_top(root: ElementTree.Element) -> float:
    staves = [g for g in root.iter(f"{SVG}g") if g.get("class") == "staff"]
    return min(float((p.get("d") or "").split()[1]) for g in staves for p in g.findall(f"{SVG}path"))


def grown(dark: np.ndarray) -> np.ndarray:
    """Return the dark pixels and their neighbours."""
    out = dark.copy()
    for axis in (0, 1):
        for step in (1, -1):
            out |= np.roll(out, step, axis)
    return out


# What is marked


def facts_of(score, **columns):
    """Return what is marked on a hand-written score; ``columns`` are set for all notes, in score order."""
    notes = score.notes.copy()
    for name, values in columns.items():
        notes[name] = values
    return gather(prepare(replace(score, notes=notes)), {})


def test_a_string_is_said_where_a_reader_would_look_elsewhere():
    # E4 is string 1 open; on string 2 it needs a number, and the next one in the same bar does not.
    score = piece("4/4", "A2 4", "E4@2 1, E4@2 1, E4@1 1, B3 1")
    names = [score.ids[int(w)] for w in score.notes["written"][~score.notes["bass"]]]
    assert facts_of(score).strings == {names[0]: 2, names[2]: 1}


def test_the_first_note_in_a_new_position_has_its_string():
    # A4 at string 1 fret 5 is the lowest fret there is; with the first finger the hand is in V.
    score = piece("3/4", "A2 3", "E4 1, A4@1 1, B4@1 1")
    melody = ~score.notes["bass"]
    fingers = np.where(melody, 0, 0)
    fingers[score.notes["pitch"] == 69], fingers[score.notes["pitch"] == 71] = 1, 3
    found = facts_of(score, finger=fingers)
    (at,) = (score.ids[int(n["written"])] for n in score.notes if n["pitch"] == 69)
    assert found.strings == {at: 1}


def test_a_finger_is_said_once_and_again_when_it_changes():
    score = piece("4/4", "A2 4", "C4 1, C4 1, C4 1, C4 1")
    fingers = np.zeros(5, int)
    fingers[score.notes["pitch"] == 60] = (1, 1, 2, 2)
    found = facts_of(score, finger=fingers)
    melody = [score.ids[int(w)] for w in score.notes["written"][~score.notes["bass"]]]
    assert found.fingers == {melody[0]: 1, melody[2]: 2}


def test_fingers_that_the_score_gives_are_all_said():
    xml = (
        '<score-partwise><part><measure><note id="a"><notations><technical><fingering>1</fingering>'
        "</technical></notations></note><note id='b'/></measure></part></score-partwise>"
    )
    plain, given = without_fingers(xml)
    assert given == {"a": 1}
    assert "fingering" not in plain
    score = piece("2/4", "C3 1, C3 1")
    score = replace(score, ids=("a", "b"))
    assert gather(prepare(score), {"a": 3, "b": 3}).fingers == {"a": 3, "b": 3}


def test_the_right_hand_is_said_where_it_is_not_in_turn():
    score = piece("4/4", "A2 2, A2 2", "C4 1, D4 1, C4 1, D4 1")
    pluck = np.where(score.notes["bass"], 1, 0)
    pluck[~score.notes["bass"]] = (2, 3, 2, 3)
    found = facts_of(score, pluck=pluck)
    melody = [score.ids[int(w)] for w in score.notes["written"][~score.notes["bass"]]]
    bass = [score.ids[int(w)] for w in score.notes["written"][score.notes["bass"]]]
    assert found.plucks == {bass[0]: "p", melody[0]: "i", melody[1]: "m"}


def test_a_bass_that_may_ring_has_an_arc_unless_it_is_written():
    score = piece("4/4", "A2 2, D3~ 2, E2 4")
    preparation = prepare(score, free=frozenset((0,)))
    found = gather(preparation, {})
    first = score.ids[int(score.notes["written"][0])]
    assert found.rings == (first,)
    assert preparation.stops[0].reason is Reason.FREE
    assert {fact.stop.note for fact in found.stops} <= {1, 2}


def test_a_bass_whose_stop_is_asked_for_only_the_second_time_has_its_sign():
    opened = open_piece(SCORES[3])
    preparation = prepare(opened.score)
    by_note: dict[int, list[int]] = {}
    for index, stop in enumerate(preparation.stops):
        by_note.setdefault(int(opened.score.notes["written"][stop.note]), []).append(index)
    first, second = next(
        where for where in by_note.values() if len(where) == 2 and preparation.stops[where[1]].wanted
    )
    stops = list(preparation.stops)
    stops[first] = replace(stops[first], wanted=False)
    shown = {fact.index for fact in gather(replace(preparation, stops=tuple(stops)), {}).stops}
    assert second in shown
    assert first not in shown


def test_a_repeated_bar_is_marked_once():
    opened = open_piece(SCORES[3])  # étude 4 has a repeat with two endings
    score = opened.score
    assert len(score.bars) > len(score.bar_ids)
    found = gather(dressed(prepare(score)), {})
    written = [score.bars[chord.bar].written for chord in found.chords]
    assert set(written) == set(range(len(score.bar_ids)))
    notes = [int(score.notes["written"][fact.stop.note]) for fact in found.stops]
    assert len(notes) == len(set(notes))


# Lines


def test_lines_are_four_bars_where_they_fit():
    assert break_lines([20.0] * 8, 100.0, 5.0, [1] * 8) == (0, 4)
    assert break_lines([20.0] * 4, 100.0, 5.0, [1] * 4) == (0,)


def test_a_pickup_does_not_count_as_a_bar():
    assert break_lines([4.0, *[20.0] * 8], 100.0, 5.0, [0, *[1] * 8]) == (0, 5)


def test_a_line_had_better_begin_with_a_phrase():
    assert break_lines([15.0] * 10, 100.0, 5.0, [1] * 10, frozenset((0, 5))) == (0, 5)


def test_wide_bars_are_fewer_on_a_line_and_one_too_wide_stands_alone():
    assert break_lines([45.0] * 4, 100.0, 5.0, [1] * 4) == (0, 2)
    assert break_lines([150.0, 150.0], 100.0, 5.0, [1, 1]) == (0, 1)


# Files


@pytest.fixture(scope="module")
def etude() -> tuple[Piece, Preparation]:
    opened = open_piece(SCORES[4])
    return opened, dressed(prepare(opened.score))


@pytest.mark.parametrize(("size", "width", "height"), [("a4", 210.0, 297.0), ("letter", 215.9, 279.4)])
def test_a_pdf_has_its_size_its_pages_and_its_text(etude, tmp_path, size, width, height):
    from pypdf import PdfReader

    opened, preparation = etude
    path = tmp_path / "page.pdf"
    count = paper.print_page(preparation, opened.xml, opened.title, path, kind="pdf", paper=size)
    reader = PdfReader(path, strict=True)
    assert len(reader.pages) == count > 1
    assert reader.metadata is not None
    assert reader.metadata.title == opened.title
    for number, page in enumerate(reader.pages, 1):
        assert float(page.mediabox.width) * POINT == pytest.approx(width, abs=0.5)
        assert float(page.mediabox.height) * POINT == pytest.approx(height, abs=0.5)
        text = page.extract_text()
        assert f"{number} / {count}" in text
        assert opened.title in text
        assert "p back" in text
        operators = re.findall(rb"(?<![\w/])(rg|RG|k|K|sc|SC|scn|SCN)\b", page.get_contents().get_data())
        assert not operators  # shades of grey only
    assert "Am" in reader.pages[0].extract_text()
    assert [p.name for p in tmp_path.iterdir()] == ["page.pdf"]


def test_the_same_page_is_the_same_file(etude, tmp_path):
    opened, preparation = etude
    for name in ("a.pdf", "b.pdf"):
        paper.print_page(preparation, opened.xml, opened.title, tmp_path / name, kind="pdf")
    # The engraver names what has no name at random; nothing of that is in the file.
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_pictures_are_numbered_and_of_200_dots_to_the_inch(etude, tmp_path):
    import pygame

    opened, preparation = etude
    count = paper.print_page(
        preparation, opened.xml, opened.title, tmp_path / "p.png", kind="png", paper="letter"
    )
    assert count > 1
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"p-{i}.png" for i in range(1, count + 1)]
    for path in tmp_path.iterdir():
        assert pygame.image.load(path).get_size() == (1700, 2200)
        data = path.read_bytes()
        at = data.index(b"pHYs")
        assert int.from_bytes(data[at + 4 : at + 8], "big") == 7874  # 200 to the inch, PNG's unit the metre


def test_one_picture_has_the_name_asked_for(tmp_path):
    import pygame

    opened = open_piece(SCORES[0])
    path = tmp_path / "one.png"
    assert paper.print_page(prepare(opened.score), opened.xml, opened.title, path, kind="png") == 1
    assert pygame.image.load(path).get_size() == (1654, 2339)
    assert [p.name for p in tmp_path.iterdir()] == ["one.png"]


def one_line_error(found: pytest.ExceptionInfo[CoachError]) -> str:
    text = str(found.value)
    assert "\n" not in text
    return text


@pytest.mark.parametrize("kind", ["pdf", "png"])
def test_a_folder_that_is_not_there_is_one_line(etude, tmp_path, kind):
    opened, preparation = etude
    with pytest.raises(CoachError) as found:
        paper.print_page(preparation, opened.xml, opened.title, tmp_path / "no" / "page", kind=kind)
    assert "cannot be written" in one_line_error(found)


def test_a_folder_in_the_files_place_is_one_line_and_nothing_is_left_behind(etude, tmp_path):
    opened, preparation = etude
    (tmp_path / "page.pdf").mkdir()
    with pytest.raises(CoachError) as found:
        paper.print_page(preparation, opened.xml, opened.title, tmp_path / "page.pdf", kind="pdf")
    assert "cannot be written" in one_line_error(found)
    assert [p.name for p in tmp_path.iterdir()] == ["page.pdf"]


@pytest.mark.parametrize(
    ("child", "why"),
    [
        ("import sys; sys.exit(3)", "code 3"),
        ("import time; time.sleep(60)", "longer than"),
        ("print('not what was asked for')", "cannot be read"),
        ("print('[]')", "drew nothing"),
    ],
)
def test_an_engraver_that_fails_is_one_line_and_leaves_the_old_file(tmp_path, child, why):
    opened = open_piece(SCORES[0])
    path = tmp_path / "page.pdf"
    path.write_bytes(b"the old page")
    with pytest.raises(CoachError) as found:
        paper.print_page(
            prepare(opened.score), opened.xml, opened.title, path,
            kind="pdf", command=(sys.executable, "-c", child), timeout_s=1.0,
        )  # fmt: skip
    assert why in one_line_error(found)
    assert path.read_bytes() == b"the old page"
    assert [p.name for p in tmp_path.iterdir()] == ["page.pdf"]


def test_no_engraver_and_no_notation_are_one_line(etude, tmp_path, monkeypatch):
    opened, preparation = etude
    with pytest.raises(CoachError) as found:
        paper.print_page(preparation, "", opened.title, tmp_path / "page.pdf", kind="pdf")
    assert "no notation" in one_line_error(found)
    monkeypatch.setattr("coach.screen.engraver_process.version", lambda _: "")
    with pytest.raises(CoachError) as found:
        paper.print_page(preparation, opened.xml, opened.title, tmp_path / "page.pdf", kind="pdf")
    assert "verovio" in one_line_error(found)


def test_printing_needs_no_window(tmp_path):
    """With a pygame that cannot be imported, in this process and the engraver's."""
    (tmp_path / "pygame.py").write_text("raise ImportError('no window here')")
    code = (
        "import sys; from pathlib import Path\n"
        "from coach.app.piece import open_piece; from coach.core.preparation import prepare\n"
        "from coach.screen.paper import print_page\n"
        "piece = open_piece(Path(sys.argv[1])); ready = prepare(piece.score)\n"
        "for kind in ('pdf', 'png'):\n"
        "    print_page(ready, piece.xml, piece.title, Path(sys.argv[2]) / f'page.{kind}', kind=kind)\n"
    )
    root = Path(__file__).parents[1]
    environment = {**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{root}"}
    done = subprocess.run(
        [sys.executable, "-c", code, str(SCORES[0]), str(tmp_path)],
        env=environment, cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF-1.4")
    assert (tmp_path / "page.png").read_bytes().startswith(b"\x89PNG")


def test_a_title_of_any_letters_is_printed(tmp_path):
    from pypdf import PdfReader

    opened = open_piece(SCORES[0])
    title = "Été, Яблоко, ☃ " + "and so on " * 12
    path = tmp_path / "page.pdf"
    paper.print_page(replace(prepare(opened.score), form=Form()), opened.xml, title, path, kind="pdf")
    assert "Été, Яблоко, ☃" in PdfReader(path).pages[0].extract_text()


def test_ink_knows_where_it_is():
    level = line(10, 5, 30, 5, 0.4)
    assert [tuple(round(v, 3) for v in rect) for rect in level.rects()] == [(9.8, 4.8, 30.2, 5.2)]
    slanting = line(0, 0, 10, 10, 0.2)
    rects = list(slanting.rects())
    assert len(rects) == 20
    assert all(abs((r.top + r.bottom) / 2 - r.middle) < 0.3 for r in rects)
    assert SPACE_MM * 4 == 7.0  # a staff of 7 mm
