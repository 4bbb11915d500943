"""What is read from the stand fills at least twenty minutes of arc: measured from the ink on the page.

A minute of arc at a distance D is H = 2 D tan(angle / 2); NUREG-0700 gives H = 6.283 D MA / 21600.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np
import pygame
import pytest

from coach.app.drill import maker
from coach.app.sitting import limits_of
from coach.app.terms import Terms
from coach.core.session import Session
from coach.core.shapes import DriftMark, Foot, RingState, View
from coach.core.view import Viewer
from coach.files.score_file import read_score
from coach.screen import foot as foot_module
from coach.screen import lettering
from coach.screen.binder import Binder
from coach.screen.engraving import can_engrave
from coach.screen.foot import FootPainter
from coach.screen.page import Page
from coach.screen.pencil import Patch
from coach.screen.signs import LETTERS, beside, plan_signs
from coach.screen.stamps import Stamp
from coach.screen.theme import (
    DAY,
    ESSENTIAL,
    LEAST_LEAN,
    LEAST_PAGE,
    LEAST_STAFF_SPACE,
    QUIET,
    SCREEN_HEIGHT_MM,
    STAFF_SPACE,
    Colour,
    Lean,
    Palette,
    Reading,
    Sizes,
    furthest_m,
    height_mm,
)
from coach.screen.window import Window
from tests.drill_room import etude, ladder_of_etude
from tests.scores import piece
from tests.test_page import page_of, ring, score
from tests.test_readable import boxes as sign_boxes
from tests.test_readable import check_signs, ink_of
from tests.views import blank_view

SCORES = sorted((Path(__file__).parents[1] / "scores").glob("*.musicxml"))
WINDOWS = [(1024, 600), (1920, 1080), (3840, 2160)]
HALF = 0.5  # pixels: a font's sizes are whole ones


def angle(pixels: float, window: tuple[int, int], distance_m: float, screen_mm: float = SCREEN_HEIGHT_MM):
    """Return how many minutes of arc so many pixels of a window fill, by the tangent."""
    size = pixels * screen_mm / window[1]
    return math.degrees(2 * math.atan(size / (2 * distance_m * 1000))) * 60


@pytest.mark.parametrize("distance_m", [0.6, 1.0, 2.0, 6.0])
def test_the_published_formula_is_the_tangent(distance_m: float):
    # NUREG-0700, as given above, against the angle itself.
    size = height_mm(20.0, distance_m)
    assert size == pytest.approx(2 * distance_m * 1000 * math.tan(math.radians(20 / 60) / 2), rel=1e-5)
    assert size == pytest.approx(6.283 * distance_m * 1000 * 20 / 21600, rel=1e-4)


def opened(path: Path, window: tuple[int, int], distance_m: float) -> tuple[Page, Window]:
    read = read_score(path)
    made = Window(read.score, read.xml, size=window, offscreen=True, reading=Reading(distance_m))
    made.show(Viewer(Session(read.score)).view(0))
    assert made.page is not None
    return made.page, made


@pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")
@pytest.mark.parametrize("distance_m", [1.0, 2.0])
@pytest.mark.parametrize("window", WINDOWS[:2])
@pytest.mark.parametrize("path", SCORES, ids=lambda path: path.stem)
def test_damp_signs_labels_and_bar_numbers_of_the_etudes(
    path: Path, window: tuple[int, int], distance_m: float
):
    page, made = opened(path, window, distance_m)
    with made:
        layout, sizes = page.layout, page.sizes
        assert angle(page_sign(page), window, distance_m) >= ESSENTIAL
        labels = [line for signs in layout.signs.values() for sign in signs for line in sign.lines]
        assert labels
        for line in labels:
            capital = lettering.words("H", line.height, DAY.ink).surface.get_bounding_rect().height
            assert angle(capital + HALF, window, distance_m) >= ESSENTIAL, line
        # A letter is a last resort: most ways are written out.
        letters = sum(line.words in {*LETTERS.values()} - {"l.h."} for line in labels)
        assert letters <= 0.3 * len(labels)
        system = layout.systems[0]
        for bar in range(min(4, len(page.score.bars))):
            if layout.places.system_of(bar) == system:
                (number,) = page.marks.number(bar, {system: 0}, DAY.pencil)
                assert angle(tall(number) + HALF, window, distance_m) >= ESSENTIAL
        assert layout.slot_height <= sizes.body_height


def page_sign(page: Page) -> int:
    """Return the height of a damp sign on a page."""
    return lettering.sign(lettering.DAMP, math.ceil(page.sizes.sign), DAY.ink).get_height()


def tall(stamp: Stamp) -> int:
    """Return the height of a stamp's ink."""
    return stamp.surface.get_bounding_rect().height


def sized(window: tuple[int, int], distance_m: float, screen_mm: float = SCREEN_HEIGHT_MM) -> Sizes:
    return Sizes.of(*window, Reading(distance_m, screen_mm))


@pytest.mark.parametrize(("distance_m", "screen_mm"), [(1.0, 300.0), (2.0, 300.0), (6.0, 700.0)])
@pytest.mark.parametrize("window", WINDOWS)
def test_string_numbers_figures_and_messages(window: tuple[int, int], distance_m: float, screen_mm: float):
    # For a class at six metres the screen is a large one (55 inches: 0.69 m high).
    sizes = sized(window, distance_m, screen_mm)

    def minutes(pixels: float) -> float:
        return angle(pixels, window, distance_m, screen_mm)

    circle = lettering.string_number(5, math.ceil(sizes.sign), DAY.ink)
    assert minutes(circle.get_height()) >= ESSENTIAL
    # A figure of the hand font, and a message.
    figure = lettering.words("+240", round(min(sizes.sign, sizes.row * 0.96)), DAY.rang, hand=True)
    digit = figure.surface.get_bounding_rect().height
    assert minutes(digit + HALF) >= ESSENTIAL
    assert minutes(sizes.px(QUIET)) >= 16.0 - 1e-3  # ISO 9241-3: nothing is smaller than its minimum


@pytest.mark.parametrize("window", WINDOWS)
def test_from_too_far_for_its_screen_a_page_is_as_large_as_one_system_allows(window: tuple[int, int]):
    # 6 m from a screen of 0.3 m: the whole screen fills 172 minutes, and one system with its strip and a
    # sentence needs more.  The signs then stop growing; from 4.04 m on a larger screen is the remedy.
    sizes = sized(window, 6.0)
    assert angle(sizes.sign, window, 6.0) < ESSENTIAL
    assert window[1] / sizes.minute == pytest.approx(LEAST_LEAN, rel=0.001)
    assert sizes.lean is Lean.STAFF
    assert sizes.holds == pytest.approx(angle(sizes.sign, window, 6.0), abs=0.01)
    near = sized(window, 4.0)
    assert angle(near.sign, window, 4.0) >= ESSENTIAL - 0.01
    assert near.holds == ESSENTIAL


@pytest.mark.parametrize("window", [*WINDOWS, (1024, 768), (600, 900)])
@pytest.mark.parametrize("text", [1.0, 1.5, 2.0])
def test_from_how_far_a_screen_can_be_read(window: tuple[int, int], text: float):
    far = furthest_m(*window, 300.0, text)
    at = Sizes.of(*window, Reading(far * 0.999, 300.0, text), by_width=False)
    beyond = Sizes.of(*window, Reading(far * 1.05, 300.0, text), by_width=False)
    assert at.holds == pytest.approx(ESSENTIAL * text, rel=1e-6)
    assert angle(at.sign, window, far) == pytest.approx(ESSENTIAL * text, rel=0.01)
    assert beyond.holds == pytest.approx(ESSENTIAL * text / 1.05, rel=1e-3)
    assert angle(beyond.sign, window, far * 1.05) == pytest.approx(beyond.holds, rel=0.01)


@pytest.mark.parametrize("window", [(1280, 1024), (960, 1080), (600, 900), (1920, 1080)])
def test_a_narrow_window_holds_what_it_says(window: tuple[int, int]):
    for by_width in (True, False):
        sizes = Sizes.of(*window, by_width=by_width)
        assert angle(sizes.sign, window, 2.0) == pytest.approx(sizes.holds, rel=0.01)
    music = Sizes.of(*window, by_width=False)
    assert music.holds == ESSENTIAL
    # Of 700 pixels in height a page 360 wide fills 288; the screen fills 515.7 minutes of arc.
    slit = Sizes.of(360, 700, by_width=False)
    assert slit.holds == pytest.approx(ESSENTIAL * (288 / 700 * 515.66) / LEAST_LEAN, rel=0.001)


def test_a_screen_of_the_usual_height_can_be_read_from_four_metres():
    # 255 minutes of arc of 0.3 m: 2 pi D 255 / 21600 = 300 mm.
    assert furthest_m(1920, 1080, 300.0) == pytest.approx(4.044, abs=0.001)
    assert furthest_m(1920, 1080, 700.0) == pytest.approx(9.437, abs=0.001)
    assert furthest_m(1920, 1080, 300.0, text=2.0) == pytest.approx(2.022, abs=0.001)


@pytest.mark.parametrize("window", WINDOWS)
def test_a_message_is_never_written_smaller_than_it_can_be_read(window: tuple[int, int]):
    page = page_of(score(), size=window)
    short = "Bar 3, beat 2: the A on string 5 was stopped late (+240 ms)."
    for message in ("One sentence.", short, short * 3):
        foot = Foot(chunk="bars 101–104", tempo="♩ = 58", tally=3, message=message, port="guitar heard")
        stamps = page.foot.stamps(foot)
        lines = 1 if message in (short, "One sentence.") else 2
        assert stamps[0].surface.get_height() > page.sizes.sign * lines
        for one in stamps:
            assert 0 <= one.rect.left < one.rect.right <= window[0]
            assert one.rect.top >= page.layout.slot_top(0)
        assert stamps[0].rect.right <= min((s.rect.left for s in stamps[1:]), default=window[0])


@pytest.mark.parametrize("end", [1.2, 1.6, 2.5])
def test_an_overhang_is_written_at_full_size_however_tight(end: float):
    page = page_of(score())
    bare = page.stamps(blank_view(page.score, rings=(ring(RingState.LATE, end),)))
    worded = page.stamps(blank_view(page.score, rings=(ring(RingState.LATE, end, words="+240 ms"),)))
    figure = [stamp for stamp in worded if stamp not in bare][-1]
    full = lettering.words("+240", round(page.sizes.row * 0.96), DAY.rang, hand=True)
    assert tall(figure) >= tall(Stamp(full.surface, 0, 0)) - 1


@pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")
def test_fewer_bars_stand_on_a_line_where_their_signs_need_the_room():
    read = read_score(SCORES[0])
    sizes = []
    for distance_m in (1.0, 2.0):
        binder = Binder(
            read.score, read.xml, "", arrived=lambda: None, wait=True, reading=Reading(distance_m)
        )
        binder.measure(1920, 1080, DAY)
        page = binder.page_for(Viewer(Session(read.score)).view(0))
        sizes.append(max(len(page.engraved.systems[i].bars) for i in page.layout.systems))
        binder.close()
    assert sizes[0] > sizes[1] >= 2


# --- lean pages -------------------------------------------------------------------------------------

FAR = [
    ((1920, 1080), Reading(2.0, 300.0, text=2.0)),
    ((1024, 600), Reading(2.0, 300.0, text=2.0)),
    ((1920, 1080), Reading(4.0, 300.0)),
    ((1920, 1080), Reading(6.0, 700.0)),
    ((1920, 1080), Reading(6.0, 810.0)),
]
FAR_IDS = ["twice", "twice, small", "four metres", "class, 700 mm", "class, 810 mm"]
MESSAGE = "Bar 3, beat 2: the A on string 5 was stopped late (+240 ms)."
LOST = "“guitar:out” is no longer there; what was played is kept, and listening goes on when it is back."


def far_page(path: Path, window: tuple[int, int], reading: Reading) -> tuple[Page, View]:
    """Return the page of a score for a far or slow eye, and a view of its beginning."""
    read = read_score(path)
    binder = Binder(read.score, read.xml, "A Title", arrived=lambda: None, wait=True, reading=reading)
    binder.measure(*window, DAY)
    view = Viewer(Session(read.score)).view(0)
    page = binder.page_for(view)
    binder.close()
    return page, view


@pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")
@pytest.mark.parametrize(("window", "reading"), FAR, ids=FAR_IDS)
@pytest.mark.parametrize("path", SCORES, ids=lambda path: path.stem)
def test_from_far_away_text_keeps_its_size_and_nothing_overlaps(
    path: Path, window: tuple[int, int], reading: Reading
):
    page, view = far_page(path, window, reading)
    layout, sizes = page.layout, page.sizes
    least = ESSENTIAL * reading.text
    assert sizes.holds == least

    def minutes(pixels: float) -> float:
        return angle(pixels, window, reading.distance_m, reading.screen_mm)

    assert minutes(page_sign(page)) >= least
    labels = [line for signs in layout.signs.values() for sign in signs for line in sign.lines]
    assert labels
    for line in labels:
        capital = lettering.words("H", line.height, DAY.ink).surface.get_bounding_rect().height
        assert minutes(capital + HALF) >= least, line
    # For a second system on the page the staff may be a twentieth smaller than its least.
    assert minutes(layout.engraved.space) >= 0.95 * LEAST_STAFF_SPACE * reading.text - minutes(0.25)

    def on_page(rect: pygame.Rect) -> bool:
        return pygame.Rect(0, 0, *window).contains(rect)

    for system in layout.systems:
        width, dark = layout.engraved.systems[system].width, layout.dark(system)
        assert layout.left + width <= window[0] - sizes.margin
        for other in range(layout.slots):
            assert layout.slot_top(other) >= sizes.head - 1
            assert layout.slot_top(other) + layout.slot_height <= window[1] - sizes.foot + 1
        # Signs, their labels and the music's ink keep clear of one another, and on the page.
        signs = layout.signs.get(system, ())
        check_signs(signs, sizes, window[0])
        staff = layout.engraved.systems[system].staff_bottom
        for sign in signs:
            for box in sign_boxes(sign, sizes):
                inked = np.flatnonzero(dark[:, max(box.left, 0) : max(box.right, 1)].any(axis=1))
                assert not len(inked) or inked[-1] < staff + layout.signs_below + box.top
        strings = layout.strings[system]
        rows = [layout.row_y(0, row, len(strings)) for row in range(len(strings))]
        assert all(after - one >= sizes.sign - 1 for one, after in pairwise(rows))
        numbers = []
        for bar in range(len(page.score.bars)):
            if layout.places.system_of(bar) == system:
                ringed = page.marks.current(bar, {system: 0}, unsure=False)
                (number,) = page.marks.number(bar, {system: 0}, DAY.pencil)
                assert minutes(tall(number) + HALF) >= least
                assert all(on_page(ink_of(one)) for one in (number, *ringed)), bar
                numbers.append(ink_of(number))
        for one, after in pairwise(sorted({(box.x, box.right) for box in numbers})):
            assert one[1] < after[0]
        signs_top = layout.signs_y(0) - sizes.sign / 2
        assert all(box.bottom < signs_top for box in numbers)

    for foot in (view.foot, Foot(tally=2, message=MESSAGE), Foot(tally=2, port=LOST, alarm=True)):
        stamps = page.foot.stamps(foot)
        assert stamps
        for stamp in stamps:
            assert on_page(ink_of(stamp)), foot
        for one, other in combinations(stamps, 2):
            # A slip is paper: the last line and the count are written over it.
            if one.rect.left > 0 and other.rect.left > 0:
                assert not ink_of(one).colliderect(ink_of(other))


@pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")
@pytest.mark.parametrize(("window", "reading"), FAR[:3], ids=FAR_IDS[:3])
def test_a_lean_foot_says_all_of_it_at_full_size(
    window: tuple[int, int], reading: Reading, monkeypatch: pytest.MonkeyPatch
):
    page, _ = far_page(SCORES[0], window, reading)
    texts: dict[int, tuple[str, int]] = {}
    slips: list[tuple[str, ...]] = []
    original, original_slip = lettering.words, foot_module._paper_slip

    def words(text: str, height: int, colour: Colour, *, hand: bool = False) -> lettering.Written:
        found = original(text, height, colour, hand=hand)
        texts[id(found.surface)] = text, height
        return found

    def slip(lines: tuple[str, ...], width: int, margin: int, height: int, palette: Palette) -> Patch:
        assert height >= page.sizes.sign
        slips.append(lines)
        return original_slip(lines, width, margin, height, palette)

    monkeypatch.setattr(lettering, "words", words)
    monkeypatch.setattr(foot_module, "_paper_slip", slip)
    for text in (MESSAGE, LOST):
        foot = Foot(tally=2, chunk="bars 1–4", tempo="♩ = 58", message=MESSAGE, port="guitar heard")
        foot = foot if text == MESSAGE else replace(foot, port=LOST, alarm=True)
        slips.clear()
        stamps = page.foot.stamps(foot)
        ((last, height),) = [texts[id(one.surface)] for one in stamps if id(one.surface) in texts]
        assert height >= page.sizes.sign
        assert " ".join([*slips[-1], last]) == text
        assert len(stamps) == 3, "the slip, the last line, and the count: no facts"


@pytest.mark.parametrize("text", [1.5, 2.0])
@pytest.mark.parametrize("window", [(1280, 1024), (1024, 768)])
@pytest.mark.parametrize("path", SCORES, ids=lambda path: path.stem)
def test_a_screen_nearly_square_is_read_twice_as_large_too(path: Path, window: tuple[int, int], text: float):
    read = read_score(path)
    binder = Binder(read.score, "", "", arrived=lambda: None, wait=True, reading=Reading(2.0, 300.0, text))
    binder.measure(*window, DAY)
    view = Viewer(Session(read.score)).view(0)
    page = binder.page_for(view)
    binder.close()
    assert page.sizes.holds == ESSENTIAL * text
    assert angle(page.sizes.sign, window, 2.0) == pytest.approx(ESSENTIAL * text, rel=0.01)
    assert page.layout.slot_height <= page.sizes.body_height
    for signs in page.layout.signs.values():
        check_signs(signs, page.sizes, window[0])
    foot = page.foot.stamps(replace(view.foot, tally=2))
    assert foot[0].rect.right < foot[1].rect.left


@pytest.mark.parametrize("chunk", [(0, 0), (1, 2)])
@pytest.mark.parametrize("text", [1.0, 1.5, 1.75, 2.0, 2.6])
def test_a_short_chunk_grows_no_further_than_it_fits(chunk: tuple[int, int], text: float):
    for path in SCORES:
        read = read_score(path)
        reading = Reading(2.0, 300.0, text)
        binder = Binder(read.score, "", "", arrived=lambda: None, wait=True, reading=reading)
        binder.measure(1920, 800, DAY)
        page = binder.page_for(Viewer(Session(read.score, chunk=chunk)).view(0))
        binder.close()
        assert page.layout.slot_height <= page.sizes.body_height
        assert page.sizes.growth >= 1.0


@pytest.mark.parametrize("name", ["together, bars 7–8", "together, bars 3–4", "bass alone, bars 9–10"])
@pytest.mark.parametrize("window", [(1280, 720), (1920, 1080)])
def test_a_short_step_grows_no_further_than_its_ways_have_room(window: tuple[int, int], name: str):
    (rung,) = (one for one in ladder_of_etude(2) if one.name == name)
    session = maker(etude(2), Terms(), None, limits_of({}))(rung, 1.0).session
    view = Viewer(session).view(0)
    with Window(session.score, "", size=window, offscreen=True) as shown:
        shown.show(view)
        assert shown.page is not None
        grown = shown.page
    sizes = grown.sizes.plain
    usual = plan_signs(grown.stops, grown.layout.places, grown.layout.systems, sizes)
    assert beside(grown.layout.signs) >= beside(usual) >= 1


def test_a_lean_page_leaves_things_out_in_the_stated_order():
    # The farther the eye, the leaner the page; the text keeps its size as long as anything else can go.
    music = score()
    seen: list[Lean] = []
    for step in range(120):
        sizes = Sizes.of(1920, 1080, Reading(1.0 + step * 0.04), staff_spaces=14.0, rows=3)
        seen.append(sizes.lean)
        if sizes.lean < Lean.STAFF:
            assert sizes.holds == ESSENTIAL
        elif sizes.holds < ESSENTIAL:
            assert sizes.space == pytest.approx(LEAST_STAFF_SPACE * sizes.minute, abs=0.13)
        if sizes.lean in (Lean.TITLE, Lean.FACTS, Lean.DRIFT, Lean.BARS):
            assert sizes.space == pytest.approx(STAFF_SPACE * sizes.minute, abs=0.13)
        assert (sizes.lean is Lean.WHOLE) == (1080 / sizes.minute >= LEAST_PAGE)
    assert seen == sorted(seen)
    assert set(seen) >= {Lean.WHOLE, Lean.TITLE, Lean.DRIFT, Lean.BARS, Lean.STAFF}
    # With the facts the title has gone, with the drift's words the facts.
    for lean in Lean:
        page = page_of(music, size=(1920, 1080))
        page = Page(
            music,
            page.engraved,
            replace(page.sizes, lean=lean),
            DAY,
            bars=page.bars,
            title="Test",
        )
        assert bool(page.still.heading()) == (lean < Lean.TITLE)
        facts = page.foot.stamps(Foot(chunk="bars 1–4", tempo="♩ = 58", tally=2, port="guitar heard"))
        assert len(facts) == (4 if lean < Lean.FACTS else 1)
        mark = DriftMark(0, 40.0, 0.0, "40 ms behind")
        slope = page.marks.drift(mark, {0: 0}, {0: (5, 4)})
        assert len(slope) == (3 if lean < Lean.DRIFT else 2)
        assert page.sizes.fewest_bars == (3 if lean < Lean.BARS else 2)
    narrow = Sizes.of(600, 900, Reading(2.0, 300.0), by_width=False)
    assert narrow.lean >= Lean.BARS
    assert narrow.fewest_bars == 1


def test_a_next_stop_without_room_is_said_in_fewer_words(monkeypatch: pytest.MonkeyPatch):
    page = page_of(score(), size=(1920, 1080))
    foot = Foot(
        next_stop="next: stop ⑤ at the D, returning thumb",
        stop_string=5,
        stop_where="at the D",
        stop_way="returning thumb",
        tally=2,
    )
    texts: dict[int, str] = {}
    original = lettering.words

    def words(text: str, height: int, colour: Colour, *, hand: bool = False) -> lettering.Written:
        found = original(text, height, colour, hand=hand)
        texts[id(found.surface)] = text
        return found

    monkeypatch.setattr(lettering, "words", words)
    lines = []
    for minutes in (900.0, 540.0, 470.0, 300.0):
        sizes = replace(page.sizes, lean=Lean.STAFF, width=round(page.sizes.px(minutes)))
        stamps = FootPainter(sizes, DAY).stamps(foot)
        lines.append(stamps[0])
        assert len(stamps) == 2, "one line, and the count"
        assert stamps[0].rect.right < stamps[1].rect.left
    assert [tall(line) for line in lines] == [tall(lines[0])] * 4
    assert [texts[id(line.surface)] for line in lines] == [
        "next: stop ⑤ at the D, returning thumb",
        "stop ⑤ at the D, returning thumb",
        "stop ⑤ at the D, p back",
        "stop ⑤ at the D",
    ]


@pytest.mark.parametrize("window", [(1366, 768), (1280, 720), (1024, 600), (1920, 1080)])
@pytest.mark.parametrize("reading", [Reading(1.0, text=2.0), Reading(2.0), Reading(2.0, text=2.0)])
def test_a_sentence_over_the_page_covers_no_drift_by_half(window: tuple[int, int], reading: Reading):
    music = read_score(SCORES[1]).score
    binder = Binder(music, "", "", arrived=lambda: None, wait=True, reading=reading)
    binder.measure(*window, DAY)
    drifts = tuple(DriftMark(bar, 45.0, 5.0, "45 ms behind") for bar in range(len(music.bars)))
    plain = blank_view(music, drifts=drifts)
    page = binder.page_for(plain)
    binder.close()
    spoken = replace(plain, foot=Foot(message=f"{MESSAGE} {MESSAGE}", tempo="♩ = 58"))
    foot = page.foot.stamps(spoken.foot)
    paper = [stamp.rect for stamp in foot if not stamp.surface.get_flags() & pygame.SRCALPHA]
    assert paper, "the sentence has more than one line"
    slot_of, rows = page.standing(plain)
    whole = [stamp for drift in drifts for stamp in page.marks.drift(drift, slot_of, rows)]
    shown = set(page.stamps(spoken))
    assert whole
    for stamp in whole:
        assert stamp not in shown or stamp.rect.collidelist(paper) < 0
    assert set(whole) <= set(page.stamps(plain)), "without a sentence they all stand there"
    # What stands higher up stays.
    higher = [
        drift for drift in drifts if all(_clear(s, paper) for s in page.marks.drift(drift, slot_of, rows))
    ]
    assert all(stamp in shown for drift in higher for stamp in page.marks.drift(drift, slot_of, rows))


def _clear(stamp: Stamp, paper: list[pygame.Rect]) -> bool:
    return stamp.rect.collidelist(paper) < 0


def test_music_that_reaches_too_far_has_a_smaller_staff_and_at_last_smaller_text():
    # Basses and a melody four octaves apart, five strings with a row: no page of 258 minutes holds it.
    bass = ", ".join(["E2@6 1, A2@5 1, D3@4 1, G3@3 1, B3@2 1, E2@6 1, A2@5 1, D3@4 1"] * 8)
    music = piece("4/4", bass, ", ".join(["B5@1 4"] * 16))
    for text, shrinks in ((1.0, False), (2.0, True)):
        reading = Reading(2.0, 300.0, text)
        binder = Binder(music, "", "", arrived=lambda: None, wait=True, reading=reading)
        sizes = binder.measure(1920, 1080, DAY)
        page = binder.page_for(blank_view(music))
        assert page.layout.slot_height <= page.sizes.body_height
        assert (page.sizes.holds < ESSENTIAL * text) == shrinks
        assert page.sizes.holds <= sizes.holds
        assert angle(page.sizes.sign, (1920, 1080), 2.0) == pytest.approx(page.sizes.holds, rel=0.01)
        binder.close()
