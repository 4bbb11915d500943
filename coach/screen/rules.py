"""Rules and arrows of the page that belong to no ring: written lengths, stops due, the half-turned page."""

from __future__ import annotations

from functools import lru_cache

import pygame

from coach.screen.pencil import Patch, Sheet
from coach.screen.theme import Colour, Palette


@lru_cache(maxsize=512)
def rule(length: int, weight: float, palette: Palette) -> Patch:
    """Return the hairline of a written length."""
    surface = pygame.Surface((max(length, 1), max(round(weight), 1)))
    surface.fill(palette.faint)
    return Patch(surface, 0, -(surface.get_height() // 2))


@lru_cache(maxsize=8)
def ruled(length: float, weight: float, colour: Colour) -> Patch:
    """Return the line pencilled across a half-turned page."""
    sheet = Sheet((0, -3 * weight, length, 3 * weight), colour)
    sheet.line((weight, 0), (length - weight, 0), weight, 4, weight * 0.3)
    return sheet.patch()


@lru_cache(maxsize=8)
def upwards(margin: int, staff: float, colour: Colour) -> Patch:
    """Return the arrow from the end of the lowest system to the top of the page."""
    far, rise, weight = margin * 0.55, staff * 1.5, margin * 0.075
    sheet = Sheet((-2, -rise - 3 * weight, margin, staff * 0.3), colour, margin)
    bend = [(0.16 * far, 0.0), (0.62 * far, -0.06 * staff), (0.92 * far, -0.3 * staff), (far, -0.62 * staff)]
    sheet.stroke([*bend, (far * 1.02, -rise)], weight)
    head = margin * 0.2
    sheet.stroke(
        [(far - head, -rise + head * 1.3), (far * 1.02, -rise), (far + head, -rise + head * 1.2)], weight
    )
    return sheet.patch()


@lru_cache(maxsize=16)
def tick(row: int, weight: float, palette: Palette) -> Patch:
    """Return the small upright of a stop that is due."""
    sheet = Sheet((-weight, -row * 0.42, weight, row * 0.42), palette.ink, row)
    sheet.line((0, -row * 0.36), (0, row * 0.36), weight)
    return sheet.patch(rough=False)
