"""Where the name of a wrongly played note is written: near its loop, on paper that is free."""

from __future__ import annotations

import math
import re
from functools import lru_cache
from itertools import product

import numpy as np
import pygame
from numpy.typing import NDArray

from coach.screen.engraved import Box, System

STEP = 0.4  # staff spaces between two places that are tried
FARTHEST = 6.0  # staff spaces from the note to the middle of its name
LOOP = (1.6, 1.3)  # half the width and height of what the loop takes, in staff spaces
AIR = 0.3  # staff spaces kept free around a name
SIGNS = {"b": "♭", "#": "♯"}


def spelt(name: str) -> str:
    """Return a note's name with the signs of the trade: ``A♭``, never ``Ab``."""
    return re.sub(r"(?<=[A-G])[b#]", lambda found: SIGNS[found[0]], name)


def without_lines(dark: NDArray[np.bool_], system: System, space: float) -> NDArray[np.bool_]:
    """Return a system's ink without its staff lines: a pencil writes over those, but over nothing else."""
    clear = dark.copy()
    thick = max(round(space * 0.1), 1)
    for line in range(5):
        y = round(system.staff_top + line * (system.staff_bottom - system.staff_top) / 4)
        clear[max(y - thick, 0) : y + thick + 1] = False
    return clear


def summed(ink: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Return the pixels of ink above and left of every point, shape (height + 1, width + 1)."""
    total = np.zeros((ink.shape[0] + 1, ink.shape[1] + 1), np.int32)
    inner = total[1:, 1:]
    np.cumsum(ink, 0, np.int32, out=inner)
    np.cumsum(inner, 1, np.int32, out=inner)
    return total


def free_place(
    box: Box,
    size: tuple[int, int],
    ink: NDArray[np.int32],
    taken: list[pygame.Rect],
    within: tuple[float, float],
    space: float,
) -> tuple[int, int]:
    """Return the upper left corner nearest to a note's loop at which a name of ``size`` meets nothing.

    ``ink`` is that of the system, summed; ``taken`` other writing, ``within`` the least and the greatest y;
    all in the system's pixels.  Where no place is free, it is the one with the least ink.
    """
    wide, tall = size
    air = round(AIR * space)
    x0, y0 = box.middle, box.y + box.height / 2
    loop = pygame.Rect(0, 0, round(2 * LOOP[0] * space), round(2 * LOOP[1] * space))
    loop.center = round(x0), round(y0)
    blocked = [loop, *taken]
    height, width = (side - 1 for side in ink.shape)
    best, least = (round(x0 + LOOP[0] * space), round(y0)), float("inf")
    for dx, dy in _offsets():  # the nearest first
        left, top = round(x0 + dx * space - wide / 2), round(y0 + dy * space - tall / 2)
        there = pygame.Rect(left - air, top - air, wide + 2 * air, tall + 2 * air)
        if left < 0 or left + wide > width or top < within[0] or top + tall > within[1]:
            continue
        if there.collidelist(blocked) >= 0:
            continue
        a, b = (min(max(v, 0), height) for v in (there.top, there.bottom))
        c, d = (min(max(v, 0), width) for v in (there.left, there.right))
        met = int(ink[b, d] - ink[a, d] - ink[b, c] + ink[a, c])
        if met < least:
            best, least = (left, top), met
        if not met:
            break
    return best


@lru_cache(maxsize=1)
def _offsets() -> list[tuple[float, float]]:
    """Return the places to try, in staff spaces from the note: the nearest first, right before left."""
    count = round(FARTHEST / STEP)
    steps = [i * STEP for i in range(-count, count + 1)]
    return sorted(product(steps, steps), key=lambda at: math.hypot(*at) + (0.2 if at[0] < 0 else 0.0))
