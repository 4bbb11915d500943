"""A moment of the page as a list of blits, and the rectangles in which two moments differ."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import pygame

from coach.screen.pencil import Patch

MOST_RECTS = 24  # beyond this a union is cheaper than the bookkeeping


class Stamp(NamedTuple):
    """One blit: a surface (or an area of it) with its upper left corner at (x, y).

    Surfaces are cached and never drawn on again, so two stamps are the same blit if they are equal.
    """

    surface: pygame.Surface
    x: int
    y: int
    area: tuple[int, int, int, int] | None = None

    @property
    def rect(self) -> pygame.Rect:
        """The pixels it covers."""
        width, height = self.area[2:] if self.area is not None else self.surface.get_size()
        return pygame.Rect(self.x, self.y, width, height)


def placed(patch: Patch, x: float, y: float) -> Stamp:
    """Return a patch with its origin at (x, y)."""
    return Stamp(patch.surface, round(x) + patch.x, round(y) + patch.y)


def changed(old: Sequence[Stamp], new: Sequence[Stamp], within: pygame.Rect) -> list[pygame.Rect]:
    """Return the rectangles that must be redrawn to turn one list into the other."""
    before, after = set(old), set(new)
    rects = [stamp.rect.clip(within) for stamp in before ^ after]
    rects = [rect for rect in rects if rect.width and rect.height]
    if len(rects) > MOST_RECTS:
        return [rects[0].unionall(rects[1:])]
    return _merged(rects)


def _merged(rects: list[pygame.Rect]) -> list[pygame.Rect]:
    """Return rectangles that do not overlap each other."""
    left = list(rects)
    done: list[pygame.Rect] = []
    while left:
        rect = left.pop()
        hit = rect.collidelist(left)
        if hit >= 0:
            left[hit] = left[hit].union(rect)
            continue
        done.append(rect)
    return done


def paint(surface: pygame.Surface, stamps: Iterable[Stamp]) -> None:
    """Draw all stamps."""
    for stamp in stamps:
        surface.blit(stamp.surface, (stamp.x, stamp.y), stamp.area)


def repaint(
    surface: pygame.Surface, base: pygame.Surface, stamps: Sequence[Stamp], rects: Iterable[pygame.Rect]
) -> None:
    """Redraw some rectangles: the base, then whatever stamps touch them."""
    boxes = [(stamp, stamp.rect) for stamp in stamps]
    for rect in rects:
        surface.set_clip(rect)
        surface.blit(base, rect, rect)
        paint(surface, (stamp for stamp, box in boxes if box.colliderect(rect)))
    surface.set_clip(None)
