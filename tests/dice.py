"""Chance that is the same everywhere: only ``random.Random.random`` is used, whose sequence Python keeps."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import TypeVar

T = TypeVar("T")


class Dice:
    """A seeded source of chance."""

    def __init__(self, seed: int | str) -> None:
        self._random = Random(seed)

    def chance(self, rate: float) -> bool:
        """Return True in ``rate`` of all throws; always throws, so one rate does not shift the others."""
        return self._random.random() < rate

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self._random.random()

    def bell(self, deviation: float) -> float:
        """Return a nearly normal throw about 0 (twelve uniform ones summed: never beyond six deviations)."""
        return deviation * (sum(self._random.random() for _ in range(12)) - 6.0)

    def whole(self, low: int, high: int) -> int:
        """Return a whole number from ``low`` to ``high``, both included."""
        return low + int((high - low + 1) * self._random.random())

    def one_of(self, choices: Sequence[T]) -> T:
        return choices[int(len(choices) * self._random.random())]
