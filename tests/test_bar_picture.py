"""One bar cut out of its line: all of its ink, on the page's own paper."""

import numpy as np
import pygame
import pytest

from coach.app.piece import open_piece
from coach.screen.bar_picture import bar_picture
from coach.screen.engraved import bar_name
from coach.screen.theme import NIGHT
from coach.screen.window import Window
from tests.harness import ROOT
from tests.views import blank_view

PIECE = open_piece(ROOT / "scores" / "02-a-borrowed-umbrella.musicxml")


@pytest.fixture(scope="module")
def page():
    with Window(PIECE.score, PIECE.xml, size=(1280, 720), offscreen=True, night=True) as window:
        window.show(blank_view(PIECE.score))
        yield window.page


def test_it_stands_on_the_pages_own_paper_and_keeps_all_its_ink(page):
    picture = bar_picture(page, 2, (10_000, 10_000))
    pixels = pygame.surfarray.array3d(picture)
    assert tuple(pixels[0, 0]) == NIGHT.paper
    assert (pixels == np.array(NIGHT.paper)).all(axis=2).mean() > 0.5
    assert (np.abs(pixels.astype(int) - np.array(NIGHT.ink)).sum(axis=2) < 30).sum() > 200
    border = np.concatenate([pixels[:, 0], pixels[:, -1]])  # nothing was cut off above or below
    assert (border == np.array(NIGHT.paper)).all()


def test_it_is_one_bar_wide_and_no_larger_than_asked(page):
    system = page.layout.places.system_of(2)
    line = page.engraved.systems[system]
    left, right = line.bar_boxes[bar_name(PIECE.score, PIECE.score.bars[2].written)]
    free = bar_picture(page, 2, (10_000, 10_000))
    assert free.get_width() / 1.6 == pytest.approx(right - left, abs=3 * page.engraved.space)
    small = bar_picture(page, 2, (120, 60))
    assert small.get_width() <= 120
    assert small.get_height() <= 60


def test_a_bar_that_is_not_on_the_page_has_no_picture(page):
    assert bar_picture(page, len(PIECE.score.bars), (100, 100)) is None
