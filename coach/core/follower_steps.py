"""The moves between onset groups, and what a step from one to another should take and costs."""

from __future__ import annotations

import numpy as np

from coach.core import follower_tables as ft
from coach.core.follower_tables import BAND, Floats, Ints
from coach.core.groups import Groups

# Codes of moves; 1..BAND are steps forward by so many groups, HANDS and the next three steps of one hand
# alone, from bass to bass or from melody to melody, however many groups lie between: to the next, to the next
# (the other hand), to the next but one, and again.
EXTRA, HANDS, STAY, LATE, JUMP, JUMP_TOO = 0, BAND + 1, BAND + 5, BAND + 6, BAND + 7, BAND + 8
KINDS = STAY - 1  # of steps


class Steps:
    """Tables of shape (KINDS, groups): a row for each kind of step (its code - 1), by the group it leads to.

    ``back``     the group it comes from; below 0 where there is none
    ``expected`` log of the written µs from there
    ``bins``     the same in bins of the advance table, in its second half where it leads to a grace note
    ``cost``     log likelihood of leaving out what lies between
    ``hands``    the last four rows of ``back`` as places: + BAND
    """

    def __init__(self, groups: Groups, last: int) -> None:
        """``last`` is the last group of the chunk being practised (of the piece)."""
        n = groups.count
        written = np.array([groups.score.nominal_us(int(tick)) for tick in groups.onsets])
        self.back: Ints = np.arange(n) - np.arange(1, KINDS + 1)[:, None]
        self.expected: Floats = np.zeros((KINDS, n), np.float32)
        self.cost: Floats = np.full((KINDS, n), ft.NEVER, np.float32)
        required = np.cumsum(~groups.grace)
        for step in range(1, min(BAND, n - 1) + 1):
            us = written[step:] - written[:-step]
            us = np.where(groups.grace[step:], np.maximum(us - ft.GRACE_US, us * 0.4), us)
            us = np.where(groups.grace[:-step] & (us < ft.GRACE_US), ft.GRACE_US, us)
            self.expected[step - 1, step:] = np.log(np.maximum(us, ft.SHORTEST_US))
            between = required[step - 1 : -1] - required[:-step]
            graces = step - 1 - between
            left_out = np.where(between > 0, ft.SKIP_ONE + (between - 1) * ft.SKIP_MORE, 0)
            self.cost[step - 1, step:] = graces * ft.SKIP_GRACE + left_out
        bass = groups.score.notes["bass"]
        for over in (1, 2):
            for kind, rows in ((HANDS, bass), (HANDS + 1, ~bass)):
                of_hand = groups.of_note[rows & ~groups.score.notes["grace"]]
                self._lay_hand(kind - 1 + 2 * (over - 1), of_hand, written, over)
        past = np.arange(n) > last
        self.cost[past & (self.back <= last)] += np.float32(ft.PAST_CHUNK)
        to_grace = np.where(groups.grace, -ft.ROWS * ft.RATIO_BINS, 0)
        self.bins: Ints = np.rint(self.expected * ft.BINS_PER_UNIT).astype(np.int64) + to_grace
        self.hands: Ints = self.back[BAND:] + BAND

    def _lay_hand(self, row: int, of_hand: Ints, written: np.ndarray, over: int) -> None:
        played = np.unique(of_hand)
        self.back[row] = -BAND
        beyond = played[over:] - played[:-over] > over  # else it is a step like any
        far, before = played[over:][beyond], played[:-over][beyond]
        self.back[row, far] = before
        self.expected[row, far] = np.log(np.maximum(written[far] - written[before], ft.SHORTEST_US))
        self.cost[row, far] = ft.HAND_ALONE + (over - 1) * ft.SKIP_ONE
