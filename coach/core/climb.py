"""Where a player is on a ladder, and how one goes from step to step: on, to another for a while, and back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from coach.core import drill_words as words
from coach.core.drill_rules import Decision, Kind, Rules, Visit
from coach.core.ladder import Rung
from coach.core.rung_choice import is_known
from coach.core.standing import Standing

Decisions = tuple[Decision, ...]


class Climb:
    """The owner of ``Standing``; each move answers what the player is to be told."""

    def __init__(self, rungs: Sequence[Rung], rules: Rules, at: int, speed: float | None) -> None:
        """Begin at a step.

        Raises ValueError without steps or for a speed outside the rules, IndexError for no such step.
        """
        self.rules, self.rungs = rules, tuple(rungs)
        if not self.rungs:
            raise ValueError("rungs: there is nothing to practise")
        self.check_index(at)
        if speed is not None and not rules.slowest <= speed <= rules.fastest:
            raise ValueError(f"speed: must lie between {rules.slowest:g} and {rules.fastest:g}")
        usual = rules.starts_at(False, self.rungs[at].part)
        self.now = Standing(at, usual if speed is None else speed)
        self.suggestion: Decision | None = None  # stands until something changes
        self.tempo_words: Callable[[float], str] = words.speed_words  # how a speed is told

    @property
    def rung(self) -> Rung:
        """The step played now."""
        return self.now.visits[0].rung if self.now.visits else self.rungs[self.now.at]

    @property
    def home(self) -> Visit:
        """The step to go back to, from the one visited."""
        if len(self.now.visits) > 1:
            return self.now.visits[1]
        rung = self.rungs[self.now.at]
        return Visit(rung, self.speed_of(rung))

    @property
    def following(self) -> int | None:
        """The next step of the ladder that is still to be done."""
        later = range(self.now.at + 1, len(self.rungs))
        return next((k for k in later if self.rungs[k].place not in self.now.climbed), None)

    def check_index(self, index: int) -> None:
        """Raise IndexError where the ladder has no such step."""
        if not 0 <= index < len(self.rungs):
            raise IndexError(f"there is no step {index} in a ladder of {len(self.rungs)}")

    def within(self, speed: float) -> float:
        """Return a speed that the rules allow."""
        return round(min(max(speed, self.rules.slowest), self.rules.fastest), 4)

    def settle(self, speed: float) -> None:
        """Begin to count anew, at a speed."""
        self.now.settle(self.within(speed))
        self.suggestion = None

    def move_to(self, speed: float) -> Decisions:
        """Go to a speed; () where that is the one now, or where the tempo is free."""
        before, speed = self.now.speed, self.within(speed)
        if self.rules.free_tempo or speed == before:
            return ()
        self.settle(speed)
        self.now.finished = False
        kind, text = (Kind.STEP_UP, words.FASTER) if speed > before else (Kind.STEP_DOWN, words.SLOWER)
        return (self.said(kind, text, speed=self.tempo_words(speed)),)

    def step_up(self, full: str, goal: float) -> Decision:
        """Go a step faster, at most to the goal; ``full`` is said before."""
        self.settle(min(self.now.speed + self.rules.step_up, goal))
        return self.said(Kind.STEP_UP, words.STEP_UP, full=full, speed=self.tempo_words(self.now.speed))

    def step_down(self, count: str) -> Decision:
        """Go a step slower after ``count`` faults in a row."""
        self.settle(self.now.speed - self.rules.step_down)
        return self.said(Kind.STEP_DOWN, words.STEP_DOWN, count=count, speed=self.tempo_words(self.now.speed))

    def leave(self) -> None:
        """Remember the speed of the step that is left."""
        now = self.now
        if now.visits:
            now.visits[0] = replace(now.visits[0], speed=now.speed)
        else:
            now.left[self.rung.place] = now.speed

    def enter(self, index: int, full: str) -> Decision:
        """Go to a step of the ladder; ``full`` is said before."""
        self.now.at = index
        return self.arrive(full, words.NEXT_RUNG, words.NEXT_AT)

    def visit(self, rung: Rung, speed: float | None) -> Decision:
        """Play another step for a while, and go back when it is clean."""
        now = self.now
        self.leave()
        now.visits = [visit for visit in now.visits if visit.rung.place != rung.place]
        if rung.place == self.rungs[now.at].place:
            now.visits.clear()
        else:
            now.visits.insert(0, Visit(rung, self.within(now.speed if speed is None else speed)))
        return self.arrive("", words.NEXT_RUNG, words.NEXT_AT)

    def check(self, visits: Sequence[Visit]) -> Decision:
        """Begin with what was clean before."""
        self.leave()
        self.now.visits = [replace(v, speed=self.within(v.speed)) for v in visits]
        return self.arrive("", words.CHECKING_FREELY, words.CHECKING)

    def go_back(self, full: str) -> Decision:
        """Go back from the step visited; ``full`` is said before."""
        self.now.visits.pop(0)
        if self.now.visits and self.now.visits[0].check:
            return self.arrive(full, words.NEXT_RUNG, words.NEXT_AT)
        return self.arrive(full, words.BACK, words.BACK_AT)

    def arrive(self, full: str, text: str, text_at: str) -> Decision:
        """Begin the step that stands there now; ``text`` says so in free tempo, else ``text_at``."""
        now = self.now
        speed = now.visits[0].speed if now.visits else self.speed_of(self.rung)
        now.finished, now.stumbled = False, False
        self.settle(speed)
        text = text if self.rules.free_tempo else text_at
        said = text.format(full=full, rung=self.rung.name, speed=self.tempo_words(now.speed))
        return Decision(Kind.NEXT_RUNG, said.strip(), self.rung, now.speed)

    def speed_of(self, rung: Rung) -> float:
        """Return the speed to begin a step at: as it was left; else by whether its bars are known."""
        if rung.place in self.now.left:
            return self.now.left[rung.place]
        return self.rules.starts_at(is_known(self.rungs, rung, self.now.climbed), rung.part)

    def said(self, kind: Kind, text: str, **values: object) -> Decision:
        """Return what is told of the step played now."""
        return Decision(kind, text.format(rung=self.rung.name, **values), self.rung, self.now.speed)
