"""What the review window is given to show: one leaf, with all that stands on it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from coach.core.lanes import Lanes
from coach.core.shapes import Summary, View
from coach.core.stop_counts import StopCount
from coach.screen.drift_sheet import DriftLine


class Leaf(Enum):
    """One way to look at a take; in the order of the keys 1 to 6."""

    PAGE = "page"
    BAR = "bar"
    ALL = "all"
    TWO = "two"
    DRIFT = "drift"
    WORDS = "words"


LEAVES = tuple(Leaf)


@dataclass(frozen=True, slots=True)
class Scene:
    """One moment of looking back.  What a leaf does not need is empty."""

    leaf: Leaf
    view: View  # the page; of two passes the upper one
    now_us: int  # where the playhead stands
    state: str  # that in words, and how fast it goes
    chosen: int  # pass, from 1
    against: int | None = None  # another pass of this take beside it
    other: View | None = None  # the lower page
    counts: tuple[StopCount, ...] = ()
    lanes: Lanes | None = None
    curves: tuple[DriftLine, ...] = ()
    summary: Summary | None = None
