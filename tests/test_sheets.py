"""The summary and the sheet of keys: everything inside the page, at every size."""

from __future__ import annotations

import numpy as np
import pygame
import pytest

from coach.core.shapes import Summary, SummaryRow
from coach.screen.sheets import help_sheet, summary_sheet, wrapped
from coach.screen.theme import DAY, NIGHT, Palette, Sizes

SIZES = [(1024, 600), (1280, 720), (1920, 1080), (3840, 2160)]
SHORT = Summary("An Evening", ("All was clean.", "Play it again a little faster."), ())
ROW = SummaryRow(
    "112", "3½", 5, "stopped late", "+1240 ms", "play the new bass, then lay the thumb back " * 3
)
LONG = Summary(
    "A Title of Some Length for an Étude of Eight Bars",
    (
        *("One sentence that goes on for rather longer than a sentence on a page should. " * 2,) * 3,
        "Play bars 111–112 slowly, three clean times in a row: " + ROW.advice,
    ),
    (ROW,) * 6,
)


def inked(surface: pygame.Surface, palette: Palette) -> np.ndarray:
    pixels = pygame.surfarray.array3d(surface).transpose(1, 0, 2).astype(int)
    return np.abs(pixels - np.array(palette.paper)).sum(axis=2) > 30


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
@pytest.mark.parametrize("summary", [SHORT, LONG], ids=["short", "long"])
def test_a_summary_stays_inside_its_page(size: tuple[int, int], palette: Palette, summary: Summary):
    sizes = Sizes.of(*size)
    ink = inked(summary_sheet(summary, sizes, palette), palette)
    assert ink.shape == (size[1], size[0])
    ys, xs = np.nonzero(ink)
    edge = sizes.margin // 2
    assert edge < xs.min() < xs.max() < size[0] - edge
    assert edge < ys.min() < ys.max() < size[1] - edge // 2


def test_each_stop_to_mend_adds_a_line():
    sizes = Sizes.of(1920, 1080)
    row = SummaryRow("3", "2", 5, "rang on", "+240 ms", "lay the thumb back")

    def lines(rows: int) -> int:
        summary = Summary("Title", ("One.",), (row,) * rows)
        table = inked(summary_sheet(summary, sizes, DAY), DAY)[:, : sizes.width // 4].any(axis=1)
        return int((np.diff(np.concatenate(([0], table.astype(int)))) == 1).sum())

    assert lines(3) - lines(1) == 2


@pytest.mark.parametrize("size", SIZES)
def test_the_sheet_of_keys_and_marks_stays_inside_its_page(size: tuple[int, int]):
    sizes = Sizes.of(*size)
    ys, xs = np.nonzero(inked(help_sheet(sizes, DAY), DAY))
    assert xs.min() > 5
    assert xs.max() < size[0] - 5
    assert ys.min() > 5
    assert ys.max() < size[1] - 5


def test_lines_are_broken_between_words():
    text = "play the new bass as a rest stroke"
    broken = list(wrapped(text, 260, 20, DAY.ink))
    assert len(broken) > 1
    assert " ".join(broken) == text
    assert list(wrapped("", 260, 20, DAY.ink)) == []
