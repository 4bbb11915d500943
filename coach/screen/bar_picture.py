"""One bar cut out of its engraved line, to stand over what was played in it."""

from __future__ import annotations

import numpy as np
import pygame

from coach.screen.engraved import bar_name
from coach.screen.page import Page

EDGE = 0.6  # staff spaces of blank kept around the bar's ink
MOST_GROWTH = 1.6


def bar_picture(page: Page, bar: int, size: tuple[int, int]) -> pygame.Surface | None:
    """Return a performed bar as it is engraved on a page, as large as ``size`` allows.

    None where the bar is not on the page.
    """
    system = page.layout.places.system_of(bar)
    if system is None:
        return None
    line = page.engraved.systems[system]
    left, right = line.bar_boxes[bar_name(page.score, page.score.bars[bar].written)]
    edge = round(EDGE * page.engraved.space)
    dark = page.layout.dark(system)[:, max(round(left), 0) : round(right) + 1]
    inked = np.flatnonzero(dark.any(axis=1))
    if not len(inked):
        return None
    area = pygame.Rect(round(left) - edge, int(inked[0]) - edge, 0, 0)
    area.size = (round(right) - round(left) + 2 * edge, int(inked[-1]) - int(inked[0]) + 2 * edge)
    cut = pygame.Surface(area.size, 0, 32)
    whole = line.surface((0, 0, 0), (255, 255, 255))
    inside = area.clip(pygame.Rect(round(left), 0, round(right) - round(left) + 1, line.height))
    cut.blit(whole, (inside.left - area.left, inside.top - area.top), inside)
    growth = min(size[0] / area.width, size[1] / area.height, MOST_GROWTH)
    scaled = pygame.transform.smoothscale(cut, (round(area.width * growth), round(area.height * growth)))
    cover = (
        pygame.surfarray.array_red(scaled)[:, :, None] / 255.0
    )  # scaled as ink: the paper stays the page's
    paper, ink = np.array(page.palette.paper), np.array(page.palette.ink)
    return pygame.surfarray.make_surface(np.rint(paper + (ink - paper) * cover).astype(np.uint8))
