"""The printed page: where its marks stand, how they look, and that nothing touches anything."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from itertools import combinations, pairwise
from xml.etree import ElementTree

import numpy as np
import pytest

from coach.app.piece import open_piece
from coach.core.clash import Clash
from coach.core.damping import Reason, Stop
from coach.core.preparation import prepare
from coach.core.spelling import Key
from coach.core.ways import Way
from coach.screen import paper, paper_child
from coach.screen.engraver_process import can_engrave
from coach.screen.paper_facts import gather
from coach.screen.paper_ink import Letters, Rect, Shape
from coach.screen.paper_layout import ways_said
from coach.screen.paper_marks import DAMP, roman_mark
from coach.screen.paper_pages import MARGIN_MM, PAPERS
from coach.screen.paper_picture import page_svg
from coach.screen.paper_svg import MM, SPACE_MM, SVG, read_system
from coach.screen.paper_type import POINT, TEXT
from tests.papers import (
    PIANO_SIGN,
    PX_MM,
    SCORES,
    Composed,
    chordal_piece,
    composed,
    darkness,
    dressed,
    engraved_but_lines,
    engraver_boxes,
    long_piece,
)

pytestmark = pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")


@pytest.fixture(scope="module", params=[*[(i, "a4") for i in range(5)], (0, "letter"), ("long", "letter")])
def found(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Composed:
    """The marked pages of each étude, and of a long piece, with invented chords and phrases."""
    which, size = request.param
    path = SCORES[which] if which != "long" else None
    opened = open_piece(path) if path else long_piece(tmp_path_factory.mktemp("long"))
    with pytest.MonkeyPatch.context() as patch:
        return composed(opened, dressed(prepare(opened.score)), size, patch)


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


def test_larger_music_takes_no_more_pages(tmp_path):
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


def test_the_sign_of_a_new_key_hangs_out_to_the_left():
    plain, turned = roman_mark(0, "iii6"), roman_mark(0, "F: iii6")
    assert turned.rect.right == pytest.approx(plain.rect.right)
    assert turned.rect.left < plain.rect.left - 2
    assert "".join(ink.text for ink in turned.ink if isinstance(ink, Letters)) == "F: iii6"


def test_a_numeral_with_a_key_stands_under_its_chord(found: Composed):
    """With a key's turn at every chord, in type too large for one row: none is pushed on."""
    keys = Key(3, True), Key(9, False)  # signs of one letter and of a letter with an accidental
    chords = tuple(
        replace(chord, key=keys[i % 2]) for i, chord in enumerate(found.preparation.harmony.chords)
    )
    harmony = replace(found.preparation.harmony, chords=chords)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("coach.screen.paper_marks.ROMAN", 22 * POINT)
        made = composed(found.piece, replace(found.preparation, harmony=harmony), found.paper, patch)
    turned, right = 0, PAPERS[made.paper].width - MARGIN_MM
    for page in made.pages:
        names = [one for one in page.marks if one.kind == "chord"]
        numerals = [one for one in page.marks if one.kind == "roman"]
        for bar in {one.about for one in numerals}:
            here, over = (
                sorted((one for one in of if one.about == bar), key=lambda one: one.x)
                for of in (numerals, names)
            )
            for one, name in zip(here, over, strict=True):
                text = "".join(ink.text for ink in one.ink if isinstance(ink, Letters))
                if ": " in text:
                    turned += 1
                    assert one.rect.left < one.x - 2
                    assert name.x - 4.5 * made.scale < one.x or one.rect.right > right - 0.5
                    assert one.x < name.x + 0.01 or one.rect.left < MARGIN_MM + 0.5
    assert turned > len(made.svgs)


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
