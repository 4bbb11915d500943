"""The printed page: what is marked, where it stands, that nothing touches anything, and the files."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from coach.app.piece import Piece, open_piece
from coach.core.clash import Clash
from coach.core.damping import Reason, Stop
from coach.core.errors import CoachError
from coach.core.harmony import Chord, Reading
from coach.core.phrases import Form, Phrase
from coach.core.preparation import Preparation, prepare
from coach.core.spelling import Key
from coach.core.ways import Way
from coach.screen import paper, paper_child
from coach.screen.engraver_process import can_engrave
from coach.screen.paper_facts import gather, without_fingers
from coach.screen.paper_ink import Ink, Letters, Rect, Shape, line
from coach.screen.paper_layout import ways_said
from coach.screen.paper_lines import break_lines
from coach.screen.paper_marks import DAMP, roman_mark
from coach.screen.paper_pages import MARGIN_MM, PAPERS, Page
from coach.screen.paper_picture import page_svg
from coach.screen.paper_svg import MM, SPACE_MM, SVG, read_system
from coach.screen.paper_type import POINT, TEXT
from tests.scores import piece

SCORES = sorted((Path(__file__).parents[1] / "scores").glob("*.musicxml"))
NAMES = [path.stem for path in SCORES]
PIANO_SIGN = "\ue520"  # SMuFL dynamicPiano
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
    scale: float


def composed(found: Piece, preparation: Preparation, size: str, patch: pytest.MonkeyPatch) -> Composed:
    """Return the pages of a piece, engraved in this process with the engraver's own boxes in the drawing."""
    import verovio

    class Toolkit(verovio.toolkit):
        def setOptions(self, options):
            return super().setOptions({**options, "svgBoundingBoxes": True})

    drawn: dict[float, list[str]] = {}  # by width: larger music is tried on a narrower line

    def ask(request, *_):
        request.pop("job")
        drawn[request["width"]] = paper_child.engrave(**request)
        return json.dumps(drawn[request["width"]]).encode()

    patch.setattr(verovio, "toolkit", Toolkit)
    patch.setattr(paper, "_ask", ask)
    pages = paper.compose(preparation, found.xml, found.title, PAPERS[size])
    scale = pages[0].scale
    return Composed(found, preparation, pages, drawn[PAPERS[size].inner / scale / SPACE_MM], size, scale)


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
        across = [rect for ink in engraved_but_lines(page) for rect in ink.rects()]
        for one in page.marks:
            if one.kind == "ring":  # drawn as a tie is, it may cross the staff's lines, and nothing else
                assert not any(a.meets(b) for ink in one.ink for a in ink.rects() for b in across)
            else:
                assert not any(one.rect.meets(rect) for rect in engraved), (one.kind, one.about)


def engraved_but_lines(page: Page) -> list[Ink]:
    """Return what is engraved but for the staff's lines: level strokes of more than 8 mm."""

    def is_line(ink: Ink) -> bool:
        (box, *more) = list(ink.rects()) or [Rect(0, 0, 0, 0)]
        return isinstance(ink, Shape) and not more and box.width > 8 and box.height < 0.3

    found = [ink for ink in page.engraved if not is_line(ink)]
    assert len(found) < len(page.engraved)
    return found


def test_no_pixel_of_a_mark_falls_on_ink(found: Composed):
    for page in found.pages:
        marks = darkness([ink for one in page.marks if one.kind != "ring" for ink in one.ink], found.paper)
        rest = darkness([*page.engraved, *page.frame], found.paper)
        assert marks.any()
        assert rest.any()
        assert not ((marks > 0) & (rest > 0)).any()
        rings = darkness([ink for one in page.marks if one.kind == "ring" for ink in one.ink], found.paper)
        across = darkness([*engraved_but_lines(page), *page.frame], found.paper)
        assert not ((rings > 0) & (across > 0)).any()


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


def engraver_boxes(svgs: list[str], scale: float) -> list[dict[str, tuple[float, float]]]:
    """Return the engraver's own boxes of notes and rests: id -> (left, width), mm from the system's left."""
    found = []
    for svg in svgs:
        boxes = {}
        for group in ElementTree.fromstring(svg).iter(f"{SVG}g"):
            rect = group.find(f"{SVG}rect")
            if (group.get("id") or "").startswith("bbox-") and rect is not None:
                left, width = (float(rect.get(key) or 0) * MM * scale for key in ("x", "width"))
                boxes[(group.get("id") or "").removeprefix("bbox-")] = (left, width)
        found.append(boxes)
    return found


def test_each_wanted_stop_has_one_sign_under_the_note_at_which_it_is_due(found: Composed):
    score, stops = found.preparation.score, found.preparation.stops
    boxes = engraver_boxes(found.svgs, found.scale)
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
    score, boxes = found.preparation.score, engraver_boxes(found.svgs, found.scale)
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


def contrast_to_white(grey: float) -> float:
    """Return the contrast of a grey on white paper: WCAG 2.2, "contrast ratio" and "relative luminance"."""
    value = round(grey * 255) / 255
    luminance = value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
    return (1.0 + 0.05) / (luminance + 0.05)


def test_every_letter_and_sign_is_dark_enough_to_read(found: Composed):
    assert contrast_to_white(0.0) == pytest.approx(21.0)  # black on white, by the same source
    assert contrast_to_white(0x76 / 255) == pytest.approx(4.54, abs=0.01)  # the lightest that passes AA
    assert contrast_to_white(0x77 / 255) < 4.5
    for page in found.pages:
        greys = {ink.grey for ink in page.ink if isinstance(ink, Letters)}
        greys |= {
            grey for ink in page.ink if isinstance(ink, Shape) for grey in (ink.fill, ink.stroke) if grey
        }
        assert len(greys) > 1
        assert min(map(contrast_to_white, greys)) >= 4.5


def test_a_phrases_letter_stands_in_a_box_and_a_chords_name_does_not(found: Composed):
    marks = [one for page in found.pages for one in page.marks]
    lettered = 0
    for one in marks:
        words = [ink for ink in one.ink if isinstance(ink, Letters)]
        strokes = [rect for ink in one.ink if isinstance(ink, Shape) for rect in ink.rects()]
        if one.kind == "chord":
            assert not strokes
        if one.kind != "phrase" or not words:
            continue
        lettered += 1
        ((letter,),) = (list(run.rects()) for run in words)
        upright = [rect for rect in strokes if rect.width < 0.5 and rect.top < letter.top]
        level = [rect for rect in strokes if rect.height < 0.5 and rect.left < letter.left]
        assert len(upright) == len(level) == 2
        assert min(r.left for r in upright) < letter.left < letter.right < max(r.right for r in upright)
        assert min(r.top for r in level) < letter.top < letter.bottom < max(r.bottom for r in level)
        assert not any(rect.meets(letter) for rect in strokes)
    assert lettered == len(gather(found.preparation, {}).phrases)


def test_no_mark_of_a_note_stands_over_or_beside_an_endings_number(found: Composed):
    under = 0
    for page in found.pages:
        endings = [one.rect for one in page.marks if one.kind == "ending"]
        for one in page.marks:
            for rect in endings:
                beside = one.rect.left < rect.right and rect.left < one.rect.right
                if one.kind in ("finger", "pluck", "string") and beside:
                    # Of the same system: below the bracket; of a system above: far from it.
                    assert one.rect.top > rect.bottom or one.rect.bottom < rect.top - 15
                    under += rect.bottom < one.rect.top < rect.bottom + 15
    if "pages-turning" in str(found.piece.path):
        assert under >= 3  # fingers of its two endings


def test_letters_of_the_right_hand_are_light_italics(found: Composed):
    plucks = [one for page in found.pages for one in page.marks if one.kind == "pluck"]
    assert plucks
    for one in plucks:
        (run,) = one.ink
        assert isinstance(run, Letters)
        assert run.italic
        assert not run.bold
        assert {name for name, _, _ in run.chars} == {TEXT}


def test_written_let_ring_ties_are_drawn_once_beside_their_heads():
    with pytest.MonkeyPatch.context() as patch:
        opened = open_piece(SCORES[3])
        found = composed(opened, prepare(opened.score), "a4", patch)
    boxes = engraver_boxes(found.svgs, found.scale)
    rings = [one for page in found.pages for one in page.marks if one.kind == "ring"]
    # By hand from the score: bars 3, 6 and 10, two in the last.
    assert sorted(str(one.about) for one in rings) == ["bar10v2n1", "bar10v3n2", "bar3v2n1", "bar6v2n1"]
    for one in rings:
        left, width = next(of[one.about] for of in boxes if one.about in of)
        assert -0.5 < one.rect.left - MARGIN_MM - (left + width) < 4.0
        assert one.rect.width > 3.0
        dark = darkness(one.ink, "a4", 8)
        assert (dark > 128).sum() > 60  # seen, not a hair


def test_an_open_arc_ends_clear_of_the_next_head():
    """Else it would be read as a slur to it."""
    with pytest.MonkeyPatch.context() as patch:
        opened = open_piece(SCORES[3])
        found = composed(opened, prepare(opened.score), "a4", patch)
    systems = [read_system(svg) for svg in found.svgs]
    for page in found.pages:
        staves = dict(page.systems)
        for one in (one for one in page.marks if one.kind == "ring"):
            index = next(i for i, system in enumerate(systems) if one.about in system.notes)
            for box in systems[index].notes.values():
                head = box.scaled(found.scale).moved(MARGIN_MM, staves[index])
                end = Rect(one.rect.right, one.rect.top, one.rect.right, one.rect.bottom)
                assert not head.meets(end.grown(1.0, 1.0))


# The size of the music


def test_a_half_blank_page_has_larger_music_and_no_more_pages():
    with pytest.MonkeyPatch.context() as patch:
        opened = open_piece(SCORES[0])
        ready = prepare(opened.score)
        larger = composed(opened, ready, "a4", patch)
        patch.setattr(paper, "SCALES", ())
        plain = composed(opened, ready, "a4", patch)
    assert plain.scale == 1.0
    assert plain.pages[0].fill < 0.6
    assert larger.scale == 1.2
    assert len(larger.pages) == len(plain.pages) == 1
    assert SPACE_MM * larger.scale == pytest.approx(2.1)
    staff = [r for ink in larger.pages[0].engraved for r in ink.rects() if r.width > 20 and r.height < 0.3]
    ys = sorted({round((r.top + r.bottom) / 2, 3) for r in staff})[:5]
    assert ys[4] - ys[0] == pytest.approx(8.4, abs=0.01)


def test_a_full_page_keeps_the_size_of_its_music(tmp_path):
    with pytest.MonkeyPatch.context() as patch:
        opened = long_piece(tmp_path)
        found = composed(opened, dressed(prepare(opened.score)), "letter", patch)
        patch.setattr(paper, "SCALES", ())
        plain = composed(opened, dressed(prepare(opened.score)), "letter", patch)
    assert len(found.pages) == len(plain.pages)
    for page in found.pages:
        assert page.fill <= 1.0


# Words that are said


def said_by(mark_) -> str:
    runs = [ink for ink in mark_.ink if isinstance(ink, Letters) and ink.chars[0][0] == TEXT]
    return "".join(run.text for run in runs)


def graded(stop: Stop, clash: Clash) -> Stop:
    return replace(stop, over=replace(stop.over, clash=clash))


def test_a_way_is_said_once_in_a_row_of_many_and_always_where_it_clashes():
    with pytest.MonkeyPatch.context() as patch:
        opened = open_piece(SCORES[0])
        ready = prepare(opened.score)
        ways = [stop.ways for stop in ready.stops if stop.wanted]
        assert len({stop.way for stop in ready.stops if stop.wanted}) > 1
        alike = tuple(graded(replace(stop, ways=ways[0]), Clash.MIDDLE) for stop in ready.stops)
        assert len({stop.way for stop in alike}) == 1
        last = max(i for i, stop in enumerate(alike) if stop.wanted)
        alike = (*alike[:last], graded(alike[last], Clash.HIGH), *alike[last + 1 :])
        found = composed(opened, replace(ready, stops=alike), "a4", patch)
    (page,) = found.pages
    marks = [one for one in page.marks if one.kind == "stop"]
    for _, staff in page.systems:
        here = sorted((one for one in marks if 0 < one.rect.top - staff < 40), key=lambda one: one.x)
        assert len(here) >= 5
        assert said_by(here[0])
        assert not any(said_by(one) for one in here[1:] if one.about != last)
    assert all(said_by(one) for one in marks if one.about == last)
    for one in marks:  # the sign and the string's number always
        assert len([ink for ink in one.ink if isinstance(ink, Letters) and ink.chars[0][0] != TEXT]) == 2


def test_two_alike_are_both_said():
    assert ways_said([Way.FINGER, Way.FINGER, Way.REST_STROKE]) == [True, True, True]
    assert ways_said([Way.FINGER] * 3 + [Way.REST_STROKE]) == [True, False, False, True]
    assert ways_said([]) == []


def test_the_legend_says_why_letters_are_few(etude, tmp_path):
    from pypdf import PdfReader

    opened, preparation = etude
    paper.print_page(preparation, opened.xml, opened.title, tmp_path / "a.pdf", kind="pdf")
    text = PdfReader(tmp_path / "a.pdf").pages[0].extract_text()
    assert "fingers, letters and ways are written where they change" in text


def test_the_sign_of_a_new_key_hangs_out_to_the_left():
    plain, turned = roman_mark(0, "iii6"), roman_mark(0, "F: iii6")
    assert turned.rect.right == pytest.approx(plain.rect.right)
    assert turned.rect.left < plain.rect.left - 2
    assert "".join(ink.text for ink in turned.ink if isinstance(ink, Letters)) == "F: iii6"


def test_a_numeral_with_a_key_stands_under_its_chord(found: Composed):
    """With a key's turn at every second bar."""
    chords = tuple(
        replace(chord, key=Key(9, False) if chord.bar % 4 < 2 else Key(3, True))
        for chord in found.preparation.harmony.chords
    )
    harmony = replace(found.preparation.harmony, chords=chords)
    with pytest.MonkeyPatch.context() as patch:
        made = composed(found.piece, replace(found.preparation, harmony=harmony), found.paper, patch)
    turned = 0
    for page in made.pages:
        names = sorted((one.rect.left, one.about) for one in page.marks if one.kind == "chord")
        for one in (one for one in page.marks if one.kind == "roman"):
            text = "".join(ink.text for ink in one.ink if isinstance(ink, Letters))
            if ": " not in text:
                continue
            turned += 1
            (left, _) = min((at for at in names if at[1] == one.about), key=lambda at: abs(at[0] - one.x))
            assert abs(one.x - left) < 4.5 * made.scale  # the name may be pushed on by the one before
            assert one.rect.left < one.x - 2
    assert turned >= 2


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
        for one in [*system.fixed, *(ink for ending in system.endings for ink in ending)]
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


def chord_score():
    """Return E2 G3 C4 E4 struck together, then an E4; the ids of the four; which rows are later."""
    score = piece("4/4", "E2 4", "G3@3+C4@2+E4@1 2, E4 2")
    names = {}
    for note in score.notes:
        names.setdefault((int(note["pitch"]), int(note["onset"])), score.ids[int(note["written"])])
    return score, [names[(pitch, 0)] for pitch in (40, 55, 60, 64)], score.notes["onset"] > 0


def test_a_chords_fingers_are_one_column_from_the_lowest_note_with_open_strings():
    score, chord, later = chord_score()
    finger = np.zeros(len(score.notes), int)
    finger[(score.notes["pitch"] == 60) & ~later] = 1
    found = facts_of(score, finger=finger, pluck=np.where(later, 3, 2))
    assert found.columns == (tuple(chord),)
    assert [found.fingers[name] for name in chord] == [0, 0, 1, 0]
    assert not set(found.plucks) & set(chord)


def test_the_one_finger_of_a_chords_bass_stays_at_the_bass():
    score = piece("4/4", "F2 4", "G3@3+B3@2+E4@1 4")
    found = facts_of(score, finger=np.where(score.notes["bass"], 1, 0))
    assert found.columns == ()
    assert list(found.fingers.values()) == [1]


def test_a_bass_and_one_note_over_it_are_no_chord():
    score = piece("4/4", "C3 4", "C4 4")
    found = facts_of(score, finger=np.where(score.notes["bass"], 3, 1))
    assert found.columns == ()
    assert sorted(found.fingers.values()) == [1, 3]


def test_a_chord_has_two_string_numbers_at_most_and_none_in_their_usual_place():
    usual = piece("4/4", "E2 4", "G3@3+C4@2+E4@1 4")
    assert facts_of(usual).strings == {}
    # G3, C4, E4 at the fifth fret and above: strings 4, 3 and 2; the middle one is left to the reader.
    high = piece("4/4", "E2 4", "G3@4+C4@3+E4@2 4")
    names = {int(n["pitch"]): high.ids[int(n["written"])] for n in high.notes}
    found = facts_of(high)
    assert found.strings == {names[55]: 4, names[64]: 2}
    assert len(found.columns) == 1  # each number beside its own finger's place


CHORDAL = """<score-partwise version="4.0"><part-list><score-part id="P1"><part-name/></score-part>
</part-list><part id="P1">{bars}</part></score-partwise>"""
BAR = """<measure number="{number}">{attributes}{before}{upper}<backup><duration>4</duration></backup>
<note><pitch><step>C</step><octave>3</octave></pitch><duration>4</duration><voice>2</voice><type>whole</type>
<notations><technical><string>5</string><fret>3</fret><fingering>3</fingering></technical></notations></note>
</measure>"""
ATTRIBUTES = """<attributes><divisions>1</divisions><key><fifths>0</fifths></key><time><beats>4</beats>
<beat-type>4</beat-type></time><clef><sign>G</sign><line>2</line><clef-octave-change>-1</clef-octave-change>
</clef></attributes>"""
PIANO = (
    """<direction placement="below"><direction-type><dynamics><p/></dynamics></direction-type></direction>"""
)
UPPER = (("E", 3, 4, 2, 2), ("C", 4, 2, 1, 1), ("A", 4, 1, 5, 4))  # step, octave, string, fret, finger


def chordal_piece(folder: Path) -> Piece:
    """Return four bars of one chord of four notes with all fingers given; piano at the first."""
    upper = "".join(
        f"<note>{'<chord/>' if i else ''}<pitch><step>{step}</step><octave>{octave}</octave></pitch>"
        f"<duration>4</duration><voice>1</voice><type>whole</type><notations><technical>"
        f"<string>{string}</string><fret>{fret}</fret><fingering>{finger}</fingering></technical></notations>"
        "</note>"
        for i, (step, octave, string, fret, finger) in enumerate(UPPER)
    )
    bars = "".join(
        BAR.format(
            number=n, attributes=ATTRIBUTES if n == 1 else "", before=PIANO if n == 1 else "", upper=upper
        )
        for n in range(1, 5)
    )
    path = folder / "chords.musicxml"
    path.write_text(CHORDAL.format(bars=bars), encoding="utf-8")
    return open_piece(path)


def test_on_the_page_a_chords_fingers_stand_in_order_of_pitch(tmp_path):
    with pytest.MonkeyPatch.context() as patch:
        opened = chordal_piece(tmp_path)
        found = composed(opened, prepare(opened.score), "a4", patch)
    places = {one.about: one.rect for page in found.pages for one in page.marks if one.kind == "finger"}
    assert len(places) == 16
    score = found.preparation.score
    for bar in range(4):
        rows = sorted((n for n in score.notes if n["bar"] == bar), key=lambda n: int(n["pitch"]))
        assert [int(n["finger"]) for n in rows] == [3, 2, 1, 4]
        rects = [places[score.ids[int(n["written"])]] for n in rows]
        for low, high in pairwise(rects):
            assert high.bottom < low.top
            assert high.middle == pytest.approx(low.middle, abs=0.3)
    for page in found.pages:
        for one, two in combinations(page.marks, 2):
            assert not one.rect.meets(two.rect), (one.kind, one.about, two.kind, two.about)


def test_the_thumbs_letter_is_not_taken_for_piano(tmp_path):
    """Lighter and smaller than the dynamic, and apart from it."""
    with pytest.MonkeyPatch.context() as patch:
        opened = chordal_piece(tmp_path)
        found = composed(opened, prepare(opened.score), "a4", patch)
    (dynamic,) = (
        ink for ink in found.pages[0].engraved if isinstance(ink, Letters) and ink.text == PIANO_SIGN
    )
    (thumb,) = (one for one in found.pages[0].marks if one.kind == "pluck" and one.ink[0].text == "p")
    (loud,) = dynamic.rects()
    assert thumb.rect.height < loud.height
    assert darkness([dynamic], "a4").sum() > 2 * darkness(thumb.ink, "a4").sum()
    beside = thumb.rect.left > loud.right + 1.9 or thumb.rect.right < loud.left - 1.9
    assert beside or thumb.rect.top > loud.bottom + 0.7 or thumb.rect.bottom < loud.top - 0.7


def test_a_note_that_the_bass_doubles_is_marked_once_with_the_finger_that_is_given():
    score = piece("4/4", "C3 4", "C3 1, E3 1, G3 1, E3 1")
    bass, upper = (
        next(score.ids[int(n["written"])] for n in score.notes if n["bass"] == low and n["pitch"] == 48)
        for low in (True, False)
    )
    notes = score.notes.copy()
    notes["finger"] = np.where(score.notes["pitch"] == 48, 3, 0)
    ready = prepare(replace(score, notes=notes))
    assert gather(ready, {}).fingers == {bass: 3}
    assert gather(ready, {upper: 4}).fingers == {bass: 4}


def test_the_first_note_of_a_phrase_has_its_letter_again():
    score = piece("2/4", "A2 2, A2 2, A2 2, A2 2", "C4 1, D4 1, C4 1, D4 1, C4 1, D4 1, C4 1, D4 1")
    notes = score.notes.copy()
    notes["pluck"] = np.where(notes["bass"], 1, np.where(notes["pitch"] == 60, 2, 3))
    ready = prepare(replace(score, notes=notes))
    form = Form(phrases=(Phrase(0, 1, "A"), Phrase(2, 3, "B")))
    melody = [score.ids[int(w)] for w in score.notes["written"][~score.notes["bass"]]]
    found = gather(replace(ready, form=form), {}).plucks
    assert {name: found[name] for name in melody if name in found} == {
        melody[0]: "i", melody[1]: "m", melody[4]: "i",
    }  # fmt: skip


def test_the_right_hand_is_said_where_it_is_not_in_turn():
    score = piece("4/4", "A2 2, A2 2", "C4 1, D4 1, C4 1, D4 1")
    pluck = np.where(score.notes["bass"], 1, 0)
    pluck[~score.notes["bass"]] = (2, 3, 2, 3)
    found = facts_of(score, pluck=pluck)
    melody = [score.ids[int(w)] for w in score.notes["written"][~score.notes["bass"]]]
    bass = [score.ids[int(w)] for w in score.notes["written"][score.notes["bass"]]]
    assert found.plucks == {bass[0]: "p", melody[0]: "i", melody[1]: "m"}


def test_what_may_ring_by_taste_or_as_written_has_one_arc_each():
    score = piece("4/4", "A2 2, D3~ 2, E2 4", "E4 2, - 2, C4~ 4")
    preparation = prepare(score, free=frozenset((0,)))
    found = gather(preparation, {})
    names = {int(n["pitch"]): score.ids[int(n["written"])] for n in score.notes}
    assert sorted(found.rings) == sorted(names[pitch] for pitch in (45, 50, 60))  # A2, D3~ and C4~
    assert preparation.stops[0].reason is Reason.FREE
    assert 0 not in {fact.stop.note for fact in found.stops}


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
