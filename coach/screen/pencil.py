"""Pencil strokes as small surfaces: round ends, a slight wobble, the tooth of the paper.

Everything is drawn at three times its size and brought down (twice its size on very large pages), then
thinned by a fixed grain.  Wobble and grain come from the place, not from chance: the same mark looks the
same on every redraw.  Long even strokes (a sounding string) are drawn once,
in pieces that are kept, so that growing by a pixel costs one small blit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pygame

from coach.screen.theme import Colour

Point = tuple[float, float]
TILE = 256  # pixels of grain before it repeats
WAVE = 0.78  # length of one swing of a wavy line, as a share of its height
PIECE = 512  # pixels of a long stroke that are drawn at once
MOST_PIECES = 400  # of those: at 1080p up to 84 kB each
GRAIN_FLOOR = 0.80  # how much of a stroke stays where the paper's tooth is deepest: contrast must hold


class Patch(NamedTuple):
    """A drawn mark, and where its surface's corner lies from the mark's origin."""

    surface: pygame.Surface
    x: int
    y: int


def oversampling(size: float) -> int:
    """Return how many times larger to draw a mark with details of ``size`` pixels."""
    return 2 if size > 60 else 3


def wobble(seed: int, at: float) -> float:
    """Return a smooth, aimless deviation between -1 and 1; ``at`` runs along the stroke."""
    phase = (seed * 2654435761 % 1000) / 1000 * 2 * math.pi
    return 0.6 * math.sin(at + phase) + 0.4 * math.sin(2.7 * at + 1.9 * phase)


@lru_cache(maxsize=4)
def _grain(scale: int) -> pygame.Surface:
    """Return a tile of white with the paper's tooth as its alpha."""
    noise = np.random.default_rng(7).random((TILE, TILE))
    for axis in (0, 1):
        for _ in range(scale):
            noise = (noise + np.roll(noise, 1, axis) + np.roll(noise, -1, axis)) / 3
    low, high = np.percentile(noise, (4, 60))
    share = np.clip((noise - low) / (high - low), 0, 1)
    tile = pygame.Surface((TILE, TILE), pygame.SRCALPHA)
    tile.fill((255, 255, 255, 255))
    alpha = pygame.surfarray.pixels_alpha(tile)
    alpha[:] = (255 * (GRAIN_FLOOR + (1 - GRAIN_FLOOR) * share)).astype(np.uint8)
    del alpha
    return tile


def _roughen(surface: pygame.Surface, x: int, y: int, fine: int) -> None:
    tile = _grain(fine)
    for left in range(-(x % TILE), surface.get_width(), TILE):
        for top in range(-(y % TILE), surface.get_height(), TILE):
            surface.blit(tile, (left, top), special_flags=pygame.BLEND_RGBA_MULT)


class Sheet:
    """A patch in the making: strokes are put on it in page pixels around an origin."""

    def __init__(self, box: tuple[float, float, float, float], colour: Colour, detail: float = 20.0) -> None:
        """``box`` is (left, top, right, bottom) around the origin; ``detail`` the size of what is drawn."""
        self.left, self.top = math.floor(box[0]), math.floor(box[1])
        self.width = max(math.ceil(box[2]) - self.left, 1)
        self.height = max(math.ceil(box[3]) - self.top, 1)
        self.colour = colour
        self.scale = oversampling(detail)
        self._big = pygame.Surface((self.width * self.scale, self.height * self.scale), pygame.SRCALPHA)
        self._big.fill((*colour, 0))

    def _to(self, point: Point) -> Point:
        return (point[0] - self.left) * self.scale, (point[1] - self.top) * self.scale

    def stroke(self, points: Sequence[Point], width: float | Sequence[float]) -> None:
        """Draw a line through ``points``, round at its ends; ``width`` may vary from point to point."""
        widths = [width] * len(points) if isinstance(width, (int, float)) else list(width)
        at = [self._to(point) for point in points]
        radii = [max(w * self.scale / 2, 0.5) for w in widths]
        for i, (x, y) in enumerate(at):
            pygame.draw.circle(self._big, self.colour, (x, y), radii[i])
            if i == 0:
                continue
            before = at[i - 1]
            dx, dy = x - before[0], y - before[1]
            length = math.hypot(dx, dy)
            if length < 0.01:
                continue
            nx, ny = -dy / length, dx / length
            a, b = radii[i - 1], radii[i]
            corners = [
                (before[0] + nx * a, before[1] + ny * a),
                (x + nx * b, y + ny * b),
                (x - nx * b, y - ny * b),
                (before[0] - nx * a, before[1] - ny * a),
            ]
            pygame.draw.polygon(self._big, self.colour, corners)

    def line(self, one: Point, other: Point, width: float, seed: int = 0, amount: float = 0.0) -> None:
        """Draw a nearly straight stroke; ``amount`` is its wobble in pixels."""
        length = math.hypot(other[0] - one[0], other[1] - one[1])
        count = max(int(length / 6), 2)
        nx, ny = (other[1] - one[1]) / max(length, 1e-6), -(other[0] - one[0]) / max(length, 1e-6)
        points = []
        for i in range(count + 1):
            share = i / count
            off = wobble(seed, share * length / 25) * amount
            x = one[0] + (other[0] - one[0]) * share + nx * off
            points.append((x, one[1] + (other[1] - one[1]) * share + ny * off))
        self.stroke(points, width)

    def fill(self, points: Sequence[Point]) -> None:
        """Fill a shape."""
        pygame.draw.polygon(self._big, self.colour, [self._to(point) for point in points])

    def disc(self, centre: Point, radius: float) -> None:
        """Fill a circle."""
        pygame.draw.circle(self._big, self.colour, self._to(centre), radius * self.scale)

    def erase(self, centre: Point, radius: float) -> None:
        """Rub out a circle."""
        pygame.draw.circle(self._big, (*self.colour, 0), self._to(centre), radius * self.scale)

    def loop(self, rx: float, ry: float, width: float, seed: int, *, dotted: bool = False) -> None:
        """Draw a ring as a hand does: not quite closed, its end running past its beginning."""
        start = -2.0 + 0.3 * wobble(seed, 1.0)
        turn = 2 * math.pi + 0.35
        count = 48
        points = []
        for i in range(count + 1):
            share = i / count
            angle = start - turn * share
            grow = 1.0 + 0.05 * wobble(seed, 4 * share) + 0.14 * (share - 0.5)
            points.append((rx * grow * math.cos(angle), ry * grow * math.sin(angle)))
        if dotted:
            for i in range(0, count - 2, 4):
                self.stroke(points[i : i + 2], width)
            return
        widths = [width * (0.7 + 0.4 * math.sin(math.pi * (0.1 + 0.8 * i / count))) for i in range(count + 1)]
        self.stroke(points, widths)

    def patch(self, x: int = 0, y: int = 0, *, rough: bool = True) -> Patch:
        """Return the finished mark; (x, y) is where its origin will lie, for the paper's grain."""
        small = pygame.transform.smoothscale(self._big, (self.width, self.height))
        if rough:
            _roughen(small, x + self.left, y + self.top, 1 if self.height < 90 else 2)
        return Patch(small, self.left, self.top)


@lru_cache(maxsize=MOST_PIECES)
def piece(kind: str, index: int, height: int, weight: float, colour: Colour) -> pygame.Surface:
    """Return the piece from ``index * PIECE`` on of an endless stroke, ``PIECE`` pixels long.

    ``kind`` is ``line``, ``wave``, ``hatch``, ``dots`` or ``blank``; ``weight`` the stroke's width; the
    stroke's middle is at half its height.  Pieces meet without a seam: each is drawn with what reaches into
    it from its neighbours, and cut.  One is drawn in a millisecond or two.
    """
    spare = height + math.ceil(weight) + 16
    left, right = index * PIECE - spare, (index + 1) * PIECE + spare
    sheet = Sheet((left, 0, right, height), colour, height)
    middle = height / 2

    def steps(step: float, before: float = 0.0) -> range:
        """Return the numbers of the points, a step apart, the first ``before`` left of the stroke's start."""
        return range(max(math.floor((left + before) / step), 0), math.ceil((right + before) / step) + 1)

    if kind == "line":
        along = [8.0 * i - 8.0 for i in steps(8.0, 8.0)]
        points = [(x, middle + 0.045 * height * wobble(3, x / 60)) for x in along]
        sheet.stroke(points, [weight * (1 + 0.13 * wobble(11, x / 23)) for x in along])
    elif kind == "wave":
        period, swing = height * WAVE, (height - weight) * 0.36
        step = max(period / 14, 1.0)
        xs = [i * step - step for i in steps(step, step)]
        points = [
            (x, middle + swing * (1 + 0.10 * wobble(5, x / 70)) * math.sin(2 * math.pi * x / period))
            for x in xs
        ]
        sheet.stroke(points, [weight * (1 + 0.15 * wobble(13, x / 31)) for x in xs])
    elif kind == "blank":
        sheet.fill([(left, 0), (right, 0), (right, height), (left, height)])
    elif kind == "hatch":
        gap = height * 0.36
        for i in steps(gap):
            x = i * gap + wobble(17, i) * gap * 0.18
            lean = height * 0.55
            top, bottom = height * (0.04 + 0.04 * wobble(19, i)), height * (0.96 + 0.04 * wobble(23, i))
            sheet.line((x, top), (x - lean, bottom), weight, i, 0.6)
    else:
        gap = weight * 2.6
        for i in steps(gap):
            sheet.disc((i * gap, middle), weight / 2)
    whole = sheet.patch(rough=kind != "blank").surface
    return whole.subsurface((spare, 0, PIECE, height)).copy()
