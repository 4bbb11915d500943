"""Where a player who jumps goes: back a few notes or bars, to a place turned to before, seldom elsewhere."""

from __future__ import annotations

import numpy as np

from coach.core import follower_tables as ft
from coach.core.follower_tables import Floats
from coach.core.groups import Groups

KEPT = 4  # bars whose targets are kept


class Jumps:
    """Log shares of the places that jumps lead to, and how likely a jump is at each group."""

    def __init__(self, groups: Groups, chunk: tuple[int, int] | None) -> None:
        self._count = n = groups.count
        self._bars = groups.bars.astype(np.int64)
        self._bar_count = bars = int(self._bars[-1]) + 1
        per_bar = np.bincount(groups.bars, minlength=bars).astype(float)[groups.bars]
        is_first = np.concatenate(([True], np.diff(groups.bars) != 0))
        rest = (1 - ft.BAR_START) / np.maximum(per_bar - 1, 1)
        self._weight = np.log(np.where(is_first, np.where(per_bar > 1, ft.BAR_START, 1.0), rest))
        # A place is the same in every round of a repeat: which round is meant, the bars back tell.
        written = np.array([bar.written for bar in groups.score.bars])[groups.bars]
        begins = np.array([bar.onset for bar in groups.score.bars])[groups.bars]
        where = np.stack((written, groups.onsets - begins, groups.grace))
        self._place = np.unique(where, axis=1, return_inverse=True)[1].reshape(-1)
        self._visits = np.zeros(n, np.int64)  # how often the player turned to each place
        distance = np.arange(bars).astype(float)
        self._back, self._ahead = np.exp(-distance / ft.BACK_FADE), np.exp(-distance / ft.AHEAD_FADE)
        stutter = np.exp(-np.arange(ft.STUTTER_GROUPS) / ft.STUTTER_FADE)[::-1]
        stutter *= ft.TO_STUTTER / stutter.sum()
        stutter[-1] += ft.TO_SELF
        self._stutter = np.log(stutter)
        self.first, last = 0, n - 1
        self.in_chunk = chunk is not None
        if chunk is not None:
            first, end = groups.span(chunk)
            self.first = min(first, n - 1)
            last = max(end - 1, self.first)
        self.last = last
        self.stop = np.full(n, ft.JUMP, np.float32)  # log share of jumps among moves from each group
        self.stop[[last, n - 1]] = ft.JUMP_AT_END
        self.begin = np.full(n, np.log(ft.BEGIN_ANYWHERE / n), np.float32)  # log share of first notes
        self.begin[self.first] = np.log(1 - ft.BEGIN_ANYWHERE)
        self._kept: dict[int, Floats] = {}

    def targets(self, origin: int) -> Floats:
        """Return the log share of each group among the places that a jump from ``origin`` leads to."""
        bar = int(self._bars[origin])
        kept = self._kept.get(bar)
        if kept is None:
            if len(self._kept) >= KEPT:
                self._kept.pop(next(iter(self._kept)))
            kept = self._kept[bar] = self._from_bar(bar)
        to = kept.copy()
        first = max(origin - ft.STUTTER_GROUPS + 1, 0)
        near = to[first : origin + 1]
        np.logaddexp(near, self._stutter[ft.STUTTER_GROUPS - len(near) :], out=near, casting="same_kind")
        if self.in_chunk:
            to += np.float32(np.log(1 - ft.TO_CHUNK))
            to[: self.first] += np.float32(ft.OUT_OF_CHUNK)
            to[self.last + 1 :] += np.float32(ft.OUT_OF_CHUNK)
            to[self.first] = np.logaddexp(to[self.first], np.log(ft.TO_CHUNK))
        to[origin + 1 : origin + 1 + ft.NO_LEAP] = ft.NEVER
        return to

    def learn(self, group: int) -> None:
        """Remember that the player turned to a group: the next time it is likelier."""
        self._visits[self._place[group]] += 1
        self._kept.clear()

    def _from_bar(self, bar: int) -> Floats:
        # The bars there are share what is theirs: near the beginning there are few to go back to.
        bars = np.full(self._bar_count, ft.TO_ANY / self._bar_count)
        back, ahead = self._back[bar::-1], self._ahead[1 : self._bar_count - bar]
        bars[: bar + 1] += back * (ft.TO_BACK / back.sum())
        if len(ahead):
            bars[bar + 1 :] += ahead * (ft.TO_AHEAD / ahead.sum())
        share = np.log(bars).take(self._bars)
        share += self._weight
        share += np.log1p(ft.LEARNT * self._visits[self._place])
        return np.asarray(share, np.float32)
