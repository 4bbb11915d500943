"""The paper of a printed system that is taken, and that which is free."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from coach.screen.paper_ink import Rect


class Room:
    """The stretches of paper that are taken; a staff lies between 0 and ``staff_bottom``."""

    def __init__(self, rects: Iterable[Rect], staff_bottom: float) -> None:
        self._staff_bottom = staff_bottom
        self._taken = np.array(list(rects), float).reshape(-1, 4)

    def free(self, rect: Rect) -> bool:
        """Return whether nothing stands in a stretch."""
        left, top, right, bottom = self._taken.T
        met = (left < rect.right) & (right > rect.left) & (top < rect.bottom) & (bottom > rect.top)
        return not met.any()

    def take(self, rects: Iterable[Rect]) -> None:
        """Take some stretches."""
        self._taken = np.concatenate([self._taken, np.array(list(rects), float).reshape(-1, 4)])

    def reach(self, left: float, right: float) -> tuple[float, float]:
        """Return the highest and the lowest of what stands between two x; the staff where nothing does."""
        met = self._taken[(self._taken[:, 0] < right) & (self._taken[:, 2] > left)]
        return (float(met[:, 1].min()), float(met[:, 3].max())) if len(met) else (0.0, self._staff_bottom)
