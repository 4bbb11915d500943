"""What the drill goes by: how a pass came out, the rules, and what a player is told.

"Three clean in a row" is the trade's criterion (common practice; no study of it as one for movements was
found).  Its price is arithmetic: with chance p of a clean pass the first run of n takes
(1 − pⁿ) / ((1 − p) pⁿ) passes on average (Feller, *An Introduction to Probability Theory* I, recurrent
events; from memory): for three 14.0 at p = 0.5, 9.07 at 0.6, 6.38 at 0.7, 4.77 at 0.8, 3.72 at 0.9.
Under 0.6 the player mostly practises faults, and what predicted next-day playing was the share of correct
trials, not their number (Duke, Simmons & Cash 2009, JRME 56:310–321): then slower or shorter is suggested.

That a change after many repeats helps is less sure: of ten clarinettists who practised by turns and in
blocks, turns were mostly favoured where ratings differed (Carter & Grahn 2016, Frontiers in Psychology
7:1251); other small studies of beginners found no such difference.  So it is suggested, never done unasked.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from coach.core.ladder import Part, Rung


class Kind(Enum):
    """What a decision is about."""

    COUNT = "count"  # a clean pass counts
    AGAIN = "again"  # a fault: the count starts again
    STEP_UP = "step up"  # the tempo rises
    STEP_DOWN = "step down"  # the tempo falls
    NEXT_RUNG = "next rung"  # another step of the ladder, or back to the one that was left
    SUGGEST_SLOWER = "suggest slower"
    SUGGEST_SHORTER = "suggest shorter"
    SUGGEST_CHANGE = "suggest change"
    BREAK = "break"
    HURT = "hurt"
    DONE = "done"


SUGGESTIONS = (Kind.SUGGEST_SLOWER, Kind.SUGGEST_SHORTER, Kind.SUGGEST_CHANGE)


@dataclass(frozen=True, slots=True)
class PassResult:
    """How a pass of the current step came out."""

    complete: bool  # from its beginning to its last note
    clean: bool  # no fault in what was played
    sentence: str = ""  # the first fault: what and where
    bar: int = -1  # performed bar of the first fault
    notes: int = 0  # notes that were played


@dataclass(frozen=True, slots=True)
class Rules:
    """The drill's settings.  Speeds are shares of the written tempo; all figures are our own.

    Raises ValueError, naming the setting, for one that makes no sense.
    """

    needed: int = 3  # clean passes in a row
    at_once: bool = True  # the first fault ends a pass at once, not at its end; whoever listens sees to it
    start_speed: float = 0.6
    goal: float = 1.0
    part_goal: float | None = (
        None  # of the scale and of one voice alone, begun and done at that; None: as all
    )
    step_up: float = 0.05
    step_down: float = 0.05
    faults_before_slower: int = 3  # passes with faults in a row
    window: int = 10  # last passes whose rate is looked at
    least_rate: float = 0.6
    same: int = 10  # passes of one step at one tempo, after which a change is suggested
    rest_us: int = 25 * 60 * 10**6  # practice time to a break
    free_tempo: bool = False  # the player chooses the tempo: no tempo ladder
    known_speed: float = 0.8  # to begin at where every bar of a step has been done before, in smaller ones
    slowest: float = 0.3
    fastest: float = 1.5
    pause_us: int = 5 * 60 * 10**6  # a longer pause starts the practice time anew
    false_start: int = 4  # a pass broken off without a fault counts for nothing with fewer notes

    def __post_init__(self) -> None:
        for name in ("needed", "faults_before_slower", "window", "same", "rest_us", "pause_us"):
            if getattr(self, name) < 1:
                raise ValueError(f"{name}: must be at least 1")
        for name in ("step_up", "step_down"):
            if not 0 < getattr(self, name) <= 1:
                raise ValueError(f"{name}: must be more than 0 and at most 1")
        if not 0 <= self.least_rate <= 1:
            raise ValueError("least_rate: must lie between 0 and 1")
        if not 0 < self.slowest <= self.start_speed:
            raise ValueError("slowest: must be more than 0 and at most start_speed")
        if self.start_speed > self.goal:
            raise ValueError("start_speed: must be at most goal")
        if not self.goal <= self.fastest <= 4:
            raise ValueError("fastest: must be at least goal and at most 4")
        if self.part_goal is not None and not self.slowest <= self.part_goal <= self.fastest:
            raise ValueError("part_goal: must lie between slowest and fastest")
        if not 0 <= self.known_speed <= self.fastest:
            raise ValueError("known_speed: must lie between 0 and fastest")

    def goal_of(self, part: Part) -> float:
        """Return the speed at which a step of a part is done."""
        return self.goal if self.part_goal is None or part is Part.TOGETHER else self.part_goal

    def starts_at(self, known: bool, part: Part = Part.TOGETHER) -> float:
        """Return the speed to begin a step at; ``known``: all its bars have been done in smaller steps."""
        if self.part_goal is not None and part is not Part.TOGETHER:
            return self.part_goal
        return min(max(self.start_speed, self.known_speed), self.goal) if known else self.start_speed


@dataclass(frozen=True, slots=True)
class Decision:
    """One thing a player is told.  ``rung`` and ``speed`` hold from now on, or are what is suggested."""

    kind: Kind
    sentence: str
    rung: Rung
    speed: float


@dataclass(frozen=True, slots=True)
class Visit:
    """A step played on the way, before going back to the one that was left."""

    rung: Rung
    speed: float
    check: bool = False  # whether what was clean before still is: the first pass tells


def expected_passes(rate: float, needed: int = 3) -> float:
    """Return how many passes it takes on average to ``needed`` clean ones in a row; inf at a rate of 0."""
    if rate <= 0:
        return float("inf")
    if rate >= 1:
        return float(needed)
    whole = rate**needed
    return (1 - whole) / ((1 - rate) * whole)
