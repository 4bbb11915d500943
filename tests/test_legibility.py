"""What is read from the stand fills at least twenty minutes of arc: measured from the ink on the page.

A minute of arc at a distance D is H = 2 D tan(angle / 2); NUREG-0700 gives H = 6.283 D MA / 21600.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from coach.core.session import Session
from coach.core.shapes import Foot, RingState
from coach.core.view import Viewer
from coach.files.score_file import read_score
from coach.screen import lettering
from coach.screen.binder import Binder
from coach.screen.engraving import can_engrave
from coach.screen.page import Page
from coach.screen.signs import LETTERS
from coach.screen.stamps import Stamp
from coach.screen.theme import DAY, ESSENTIAL, LEAST_PAGE, QUIET, SCREEN_HEIGHT_MM, Reading, Sizes, height_mm
from coach.screen.window import Window
from tests.test_page import page_of, ring, score
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
    # 6 m from a screen of 0.3 m: the whole screen fills 172 minutes, and one system with its strip, title and
    # foot would need more.  The signs then stop growing; from 2.87 m on a larger screen is the remedy.
    sizes = sized(window, 6.0)
    assert angle(sizes.sign, window, 6.0) < ESSENTIAL
    assert window[1] / sizes.minute == pytest.approx(LEAST_PAGE, rel=0.03)
    near = sized(window, 2.85)
    assert angle(near.sign, window, 2.85) >= ESSENTIAL - 0.01


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
