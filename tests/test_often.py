"""All passes laid over one another: a mark for each pass between note and stop, and how often it failed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pygame
import pytest

from coach.core.score import TICKS_PER_QUARTER as Q
from coach.core.shapes import StopSign
from coach.core.stop_counts import StopCount
from coach.core.verdicts import Damping
from coach.screen.often import OftenPainter, end_sign, end_width
from coach.screen.page import Page
from coach.screen.stamps import Stamp, paint
from coach.screen.theme import DAY, NIGHT, Palette
from tests.scores import piece
from tests.test_page import page_of
from tests.views import blank_view

CLEAN, LATE, RINGING, CUT, MISSED = (
    Damping.CLEAN,
    Damping.LATE,
    Damping.RINGING,
    Damping.CUT,
    Damping.MISSED,
)
SCORE = piece("4/4", "A2@5 4, D3@4 2, E2@6 2, A2@5 1, - 3", "C4 4, E4 2, D4 2, C4 4")
LONG, HALF, OTHER, SHORT = (
    next(i for i, row in enumerate(SCORE.notes) if row["bass"] and int(row["onset"]) == tick * Q)
    for tick in (0, 4, 6, 8)
)
DUE = {LONG: 4 * Q, HALF: 6 * Q, OTHER: 8 * Q, SHORT: 9 * Q}
STRING = {LONG: 5, HALF: 4, OTHER: 6, SHORT: 5}


def count(note: int, *kinds: Damping) -> StopCount:
    return StopCount(note, STRING[note], 1, 1.0, DUE[note], kinds, None, "p back")


@pytest.fixture(params=[DAY, NIGHT], ids=["day", "night"])
def page(request: pytest.FixtureRequest) -> Page:
    stops = tuple(
        StopSign(due, SCORE.bar_index(due), STRING[note], note, "p back", True) for note, due in DUE.items()
    )
    return page_of(SCORE, request.param, stops=stops)


def stamps(page: Page, *counts: StopCount) -> list[Stamp]:
    painter = OftenPainter(page.layout, page.sizes, page.palette)
    return painter.stamps(counts, {0: 0}, {0: page.layout.strings[0]})


def box(page: Page, note: int) -> tuple[float, float, int]:
    """Return (x of the note, x of its stop, y of its row)."""
    x = [page.layout.places.x_of(tick) for tick in (int(SCORE.notes["onset"][note]), DUE[note])]
    strings = page.layout.strings[0]
    y = page.layout.row_y(0, strings.index(STRING[note]), len(strings))
    assert x[0] is not None
    assert x[1] is not None
    return page.layout.left + x[0][1], page.layout.left + x[1][1], y


def inked(page: Page, found: list[Stamp], note: int, role: str) -> np.ndarray:
    """Return in which columns of a note's row a colour stands that was not there before."""
    surface = pygame.Surface((page.sizes.width, page.sizes.height))
    page.draw(surface, blank_view(SCORE))
    before = pygame.surfarray.array3d(surface).astype(int)
    paint(surface, found)
    after = pygame.surfarray.array3d(surface).astype(int)
    left, right, y = box(page, note)
    half = round(page.sizes.row * 0.4)
    area = slice(round(left) + 2, round(right) - 2), slice(y - half, y + half)
    new = (before[area] != after[area]).any(axis=2)
    near = np.abs(after[area] - np.array(getattr(page.palette, role))).sum(axis=2) < 150
    hit: np.ndarray = (new & near).any(axis=1)
    return hit


def groups(columns: np.ndarray) -> int:
    """Return how many separate strokes there are from left to right."""
    return int(np.diff(np.concatenate([[0], columns.astype(int)])).clip(0).sum())


def test_there_is_one_upright_for_each_clean_pass_and_no_figure(page: Page):
    found = stamps(page, count(LONG, *[CLEAN] * 4))
    assert groups(inked(page, found, LONG, "written")) == 4
    assert not inked(page, found, LONG, "ink").any()
    assert not inked(page, found, LONG, "rang").any()


def test_where_it_failed_the_figure_says_how_often(page: Page, monkeypatch: pytest.MonkeyPatch):
    said: list[str] = []
    real = OftenPainter._written
    monkeypatch.setattr(
        OftenPainter, "_written", lambda self, text, pitch: (said.append(text), real(self, text, pitch))[1]
    )
    found = stamps(page, count(LONG, CLEAN, LATE, RINGING, CLEAN, CUT))
    assert {*said} == {"3 of 5"}
    assert inked(page, found, LONG, "ink").any()
    assert inked(page, found, LONG, "rang").any()


def test_marks_stand_in_the_order_of_the_passes(page: Page):
    blue_first = stamps(page, count(LONG, CLEAN, LATE))
    red_first = stamps(page, count(LONG, LATE, CLEAN))
    for found, first, then in ((blue_first, "written", "rang"), (red_first, "rang", "written")):
        assert (
            np.flatnonzero(inked(page, found, LONG, first))[0]
            < np.flatnonzero(inked(page, found, LONG, then))[0]
        )


@pytest.mark.parametrize(
    "kinds", [(CLEAN,), (LATE, CLEAN, RINGING), (RINGING,) * 3, (MISSED,) * 5, (CUT,) * 40]
)
@pytest.mark.parametrize("note", [LONG, HALF, OTHER])
def test_all_stays_between_the_note_and_its_stop(page: Page, note: int, kinds: tuple[Damping, ...]):
    worse = count(SHORT, *[RINGING] * 60)  # so that the ring is elsewhere
    alone = stamps(page, worse)
    found = [stamp for stamp in stamps(page, worse, count(note, *kinds)) if stamp not in alone]
    left, right, y = box(page, note)
    assert found
    for stamp in found:
        assert left <= stamp.rect.left
        assert stamp.rect.right <= right + 3
        assert abs(stamp.rect.centery - y) < page.sizes.row * 0.4


def test_too_many_passes_leave_the_commonest_fault_and_the_figure(page: Page):
    kinds = (CLEAN,) * 20 + (LATE,) * 3 + (RINGING,) * 9
    found = stamps(page, count(HALF, *kinds))
    sign = end_sign("ringing", page.sizes.row, page.palette)
    assert [stamp for stamp in found if stamp.surface is sign.surface]
    assert not inked(page, found, HALF, "written").any()
    assert inked(page, found, HALF, "ink").any()


def ringed(page: Page, *counts: StopCount) -> list[Stamp]:
    """Return the stamps that reach beyond their row: the ring."""
    found = stamps(page, *counts)
    return [s for s in found if s.surface.get_bounding_rect(min_alpha=100).height > 1.1 * page.sizes.row]


def test_the_stop_that_fails_most_is_ringed_and_no_other(page: Page):
    (ring,) = ringed(
        page, count(LONG, CLEAN, LATE, LATE), count(HALF, LATE, LATE, CUT), count(OTHER, *[CLEAN] * 3)
    )
    left, right, y = box(page, HALF)
    assert left < ring.rect.centerx < right
    assert abs(ring.rect.centery - y) < 5
    assert ringed(page, count(LONG, CLEAN, CLEAN), count(HALF, CLEAN)) == []
    assert ringed(page) == []


def test_a_system_or_string_that_is_not_shown_has_no_marks(page: Page):
    painter = OftenPainter(page.layout, page.sizes, page.palette)
    one = count(LONG, LATE, LATE)
    assert painter.stamps((one,), {}, {}) == []
    assert painter.stamps((one,), {0: 0}, {0: (4, 6)}) == []
    assert painter.stamps((replace(one, string=4),), {0: 0}, {0: (4, 6)}) != []


@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
@pytest.mark.parametrize("kind", [kind.value for kind in Damping])
def test_a_mark_is_as_wide_as_it_says(kind: str, palette: Palette):
    patch = end_sign(kind, 44, palette)
    ink = patch.surface.get_bounding_rect(min_alpha=100)
    assert ink.width == pytest.approx(end_width(kind, 44), abs=44 * 0.12)
    assert patch.x + ink.centerx == pytest.approx(0, abs=2)
