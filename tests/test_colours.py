"""Colours that stay apart: contrast of every pair that meets, eyes that see colour otherwise, shape alone."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pygame
import pytest
from numpy.typing import NDArray

from coach.core.score import TICKS_PER_QUARTER as Q
from coach.core.shapes import Ring, RingState
from coach.screen import lettering
from coach.screen import strokes as strokes_module
from coach.screen.page import Page
from coach.screen.pencil import GRAIN_FLOOR, piece
from coach.screen.theme import BOARD_DAY, BOARD_NIGHT, DAY, NIGHT, Colour, Palette, contrast
from tests.test_page import page_of, ring, score
from tests.test_theme import DEFICIENCIES, seen
from tests.views import blank_view

TEXT, GRAPHICS = 4.5, 3.0  # WCAG 2.x, success criteria 1.4.3 and 1.4.11
APART = 20.0  # CIE 1976 colour difference; about 2.3 is just noticed side by side
APART_IN_GREY = 2.3  # of CIE L*: in grey it is the shape that tells
# Everything black; the pencil one step off, for it is by its colour that a stroke knows it is sketched.
BLACK = replace(Palette((255, 255, 255), *[(0, 0, 0)] * 5), pencil=(1, 1, 1))
PALETTES = {"day": DAY, "night": NIGHT, "board day": BOARD_DAY, "board night": BOARD_NIGHT}
PAGES = pytest.mark.parametrize("page", list(PALETTES.values()), ids=list(PALETTES))
BOARDS = pytest.mark.parametrize("page", [BOARD_DAY, BOARD_NIGHT], ids=["board day", "board night"])
BOARD_TEXT, BOARD_GRAPHICS = 7.0, 4.5  # WCAG 2.x, success criterion 1.4.6 (AAA); marks as text at home
# What is drawn on what.  Words are written in ink (title, labels, foot, drift, sheets), pencil (bar numbers,
# the port, provisional figures, remarks), rang (overhang) and written (what was cut, in the summary); all of
# them on paper.  Marks: hairlines of written lengths, rules, baselines of drift in faint.
WORDS = ("ink", "pencil", "written", "rang")
MARKS = (*WORDS, "faint")


def thinnest(palette: Palette, role: str) -> Colour:
    """Return a mark's colour where the paper's tooth leaves least of it."""
    pairs = zip(palette.paper, getattr(palette, role), strict=True)
    red, green, blue = (round(p + (c - p) * GRAIN_FLOOR) for p, c in pairs)
    return red, green, blue


@PAGES
@pytest.mark.parametrize("role", WORDS)
def test_words_on_paper(page: Palette, role: str):
    assert contrast(getattr(page, role), page.paper) >= TEXT


@PAGES
@pytest.mark.parametrize("role", MARKS)
def test_marks_on_paper(page: Palette, role: str):
    assert contrast(getattr(page, role), page.paper) >= GRAPHICS
    if role != "faint":  # ruled lines have no tooth
        assert contrast(thinnest(page, role), page.paper) >= GRAPHICS


@BOARDS
def test_before_a_class_contrast_is_higher(page: Palette):
    for role in WORDS:
        assert contrast(getattr(page, role), page.paper) >= BOARD_TEXT, role
        # Where the paper's tooth leaves least of a stroke.
        assert contrast(thinnest(page, role), page.paper) >= BOARD_GRAPHICS, role
    assert contrast(page.faint, page.paper) >= BOARD_GRAPHICS
    home = DAY if contrast(page.paper, (0, 0, 0)) > 4.5 else NIGHT
    for role in MARKS:
        assert contrast(getattr(page, role), page.paper) > contrast(getattr(home, role), home.paper), role


@BOARDS
@pytest.mark.parametrize("name", list(DEFICIENCIES))
def test_before_a_class_the_two_pencil_colours_stay_apart_for_every_eye(page: Palette, name: str):
    # As for the pages at home (test_theme): CIE 1976, some 2.3 are just noticed side by side.
    matrix = DEFICIENCIES[name]
    assert np.linalg.norm(seen(page.written, matrix) - seen(page.rang, matrix)) > 40


def in_grey(colour: Colour) -> float:
    """Return CIE L* of a colour: what remains of it in grey."""
    return float(seen(colour, ((1, 0, 0), (0, 1, 0), (0, 0, 1)))[0])


@pytest.mark.parametrize("name", list(DEFICIENCIES))
def test_white_black_and_grey_stay_what_they_are(name: str):
    # The matrices keep the achromatic axis: what they do to colours they do not do to paper and ink.
    for level in (0, 128, 255):
        plain = seen((level,) * 3, ((1, 0, 0), (0, 1, 0), (0, 0, 1)))
        assert seen((level,) * 3, DEFICIENCIES[name]) == pytest.approx(plain, abs=0.01)


@PAGES
@pytest.mark.parametrize("name", list(DEFICIENCIES))
def test_working_colours_ink_and_pencil_stay_apart_for_every_eye(page: Palette, name: str):
    # Machado, Oliveira and Fernandes (2009), IEEE TVCG 15(6):1291-1298, at full severity.
    colours = {role: seen(getattr(page, role), DEFICIENCIES[name]) for role in ("paper", *WORDS)}
    for one, other in combinations(colours, 2):
        apart = float(np.linalg.norm(colours[one] - colours[other]))
        assert apart >= APART, (one, other, round(apart, 1))


@PAGES
def test_in_grey_every_colour_stays_apart_from_the_paper_and_from_ink(page: Palette):
    paper = in_grey(page.paper)
    for role in MARKS:
        assert abs(in_grey(getattr(page, role)) - paper) >= 40, role
    for role in ("written", "rang", "pencil"):
        assert abs(in_grey(getattr(page, role)) - in_grey(page.ink)) >= APART_IN_GREY, role


# --- shape alone ------------------------------------------------------------------------------------

END = {  # quarters from the start at which a string due after one falls silent
    RingState.CLEAN: 1.0,
    RingState.LATE: 2.0,
    RingState.RINGING: 2.4,
    RingState.CUT: 0.5,
    RingState.FADED: 1.0,
    RingState.REPLACED: 1.0,
    RingState.FREE: 1.0,
    RingState.MISSED: 1.0,
}
DIFFERENT = 0.12  # share of the ink of both pictures that is in one of them only
SKETCHED = 0.18  # … where the other is the same end, not settled yet: its lines are thinner


@pytest.fixture(scope="module")
def black_page() -> Page:
    return page_of(score(), BLACK)


def strip(page: Page, one: Ring) -> NDArray[np.uint8]:
    """Return the string's row with one ring, from its note to where the latest of them ends."""
    surface = pygame.Surface((page.sizes.width, page.sizes.height))
    page.draw(surface, blank_view(page.score, rings=(one,)))
    layout, row = page.layout, page.sizes.row
    y = layout.row_y(0, layout.strings[0].index(5), len(layout.strings[0]))
    start, end = layout.places.x_of(0.0), layout.places.x_of(2.6 * Q)
    assert start is not None
    assert end is not None
    left, right = round(layout.left + start[1]) - row // 2, round(layout.left + end[1])
    return pygame.surfarray.array3d(surface).transpose(1, 0, 2)[y - row // 2 : y + row // 2, left:right]


def picture(page: Page, one: Ring) -> NDArray[np.bool_]:
    """Return where a strip is black."""
    return np.asarray(strip(page, one).sum(axis=2) < 3 * 128)


def grey_picture(palette: Palette, one: Ring) -> NDArray[np.bool_]:
    """Return where a strip is not paper, seen in grey: by CIE L* alone."""
    shown = strip(page_of(score(), palette), one)
    colours, where = np.unique(shown.reshape(-1, 3), axis=0, return_inverse=True)
    levels = np.array([in_grey((int(r), int(g), int(b))) for r, g, b in colours])
    return np.asarray(np.abs(levels[where] - in_grey(palette.paper)) > 30).reshape(shown.shape[:2])


def states() -> dict[str, Ring]:
    """Return a bass end of every state, and what is not settled."""
    found = {s.name: ring(s, end, sounding=s is RingState.RINGING) for s, end in END.items()}
    found["STRAY"] = Ring(5, 0.0, 1.0 * Q, None, RingState.STRAY, False, True, 0)
    for name in ("CLEAN", "LATE", "RINGING", "CUT", "FADED", "STRAY"):
        found[f"{name}, PROVISIONAL"] = replace(found[name], settled=False)
    return found


def difference(one: NDArray[np.bool_], other: NDArray[np.bool_]) -> float:
    """Return which share of the ink of two pictures is in one of them only."""
    return float((one ^ other).sum() / max((one | other).sum(), 1))


def test_every_end_has_a_picture():
    # What sounds within its length, or a little past it, has not ended.
    assert {s.name for s in RingState} - {"SOUNDING", "OVERDUE"} <= set(states())


def test_every_state_of_a_bass_end_is_told_apart_by_shape_alone(black_page: Page):
    pictures = {name: picture(black_page, one) for name, one in states().items()}
    for one, other in combinations(pictures, 2):
        least = SKETCHED if other == f"{one}, PROVISIONAL" else DIFFERENT
        assert difference(pictures[one], pictures[other]) >= least, (one, other)


@pytest.mark.parametrize("page", [DAY, NIGHT], ids=["day", "night"])
@pytest.mark.parametrize("state", [RingState.LATE, RingState.RINGING, RingState.CLEAN, RingState.CUT])
def test_settled_and_unsettled_differ_in_a_picture_without_hue(page: Palette, state: RingState):
    """In luminance alone, and by where there is ink at all, however dark it is."""
    said = "+330 ms" if state in (RingState.LATE, RingState.RINGING) else ""
    settled = ring(state, END[state], sounding=state is RingState.RINGING, words=said)
    firm, loose = (grey_picture(page, replace(settled, settled=sure)) for sure in (True, False))
    assert loose.sum() < 0.85 * firm.sum()
    assert difference(firm, loose) >= SKETCHED


def test_only_an_unsettled_figure_is_queried_and_only_a_settled_wave_hatched(
    black_page: Page, monkeypatch: pytest.MonkeyPatch
):
    drawn: list[str] = []
    monkeypatch.setattr(strokes_module, "piece", lambda kind, *how: drawn.append(kind) or piece(kind, *how))
    written = lettering.words

    def words(text: str, *how: object, **more: object) -> lettering.Written:
        drawn.append(text)
        return written(text, *how, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(lettering, "words", words)
    late = replace(states()["LATE"], words="+330 ms")
    page = page_of(score(), BLACK)
    page.stamps(blank_view(page.score, rings=(late,)))
    assert "+330 ms" in drawn
    assert "hatch" in drawn
    assert not any("?" in one for one in drawn)
    drawn.clear()
    page.stamps(blank_view(page.score, rings=(replace(late, settled=False),)))
    assert "+330 ms ?" in drawn
    assert "wave" in drawn
    assert "hatch" not in drawn


def test_the_same_state_is_the_same_picture(black_page: Page):
    one = states()["LATE"]
    assert difference(picture(black_page, one), picture(black_page, one)) == 0.0
