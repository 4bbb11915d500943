"""The drill: three clean in a row, then a little faster; at the goal the next step of the ladder.

``take`` is told how each pass of the current step came out, and answers what the player is to be told.
Faults in a row make it slower; a poor rate, or many repeats, only make a suggestion, which ``accept``
follows.  A step may be left for another on the way (a ``Visit``: the bars around a fault, a change, a check
of what was clean before) and is gone back to when that is clean.

Nothing here knows how music is judged, or what time it is: passes and times come in.  ``Climb`` goes from
step to step, ``Advice`` suggests.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from coach.core import drill_words as words
from coach.core import standing
from coach.core.advice import Advice, Around
from coach.core.climb import Climb, Decisions
from coach.core.drill_rules import (
    SUGGESTIONS,
    Decision,
    Kind,
    PassResult,
    Rules,
    Visit,
    expected_passes,
)
from coach.core.ladder import Rung
from coach.core.practice_time import PracticeTime
from coach.core.recheck import PastPass, recheck
from coach.core.standing import Standing

__all__ = [
    "SUGGESTIONS", "Decision", "Drill", "Kind", "PassResult", "PastPass", "Rules", "Visit", "expected_passes",
    "recheck",
]  # fmt: skip


class Drill:
    """The one owner of where a player stands on a ladder."""

    def __init__(
        self,
        rungs: Sequence[Rung],
        rules: Rules | None = None,
        *,
        at: int = 0,
        speed: float | None = None,
        around: Around | None = None,
    ) -> None:
        """Begin at a step; ``speed`` (default: the rules') is a share of the written tempo.

        ``around`` returns the smallest step around a performed bar (``ladder.from_fault``): it is proposed
        where the faults are in one bar, and the ladder has nothing as small.

        Raises ValueError without steps or for a speed outside the rules, IndexError for no such step.
        """
        self.rules = rules or Rules()
        self._climb = Climb(rungs, self.rules, at, speed)
        self._advice = Advice(self._climb, around)
        self.hurting = False
        self._time = PracticeTime(self.rules.rest_us, self.rules.pause_us)

    # --- where it stands --------------------------------------------------------------------------

    @property
    def _now(self) -> Standing:
        return self._climb.now

    @property
    def rungs(self) -> tuple[Rung, ...]:
        """The steps of the ladder."""
        return self._climb.rungs

    @property
    def rung(self) -> Rung:
        """The step played now."""
        return self._climb.rung

    @property
    def at(self) -> int:
        """The step of the ladder, whatever is visited on the way."""
        return self._now.at

    @property
    def speed(self) -> float:
        """The tempo now, as a share of the written one."""
        return self._now.speed

    @property
    def count(self) -> int:
        """Clean passes in a row, as far as they count; always fewer than are needed."""
        return self._now.count

    @property
    def needed(self) -> int:
        """Clean passes in a row that are needed now; one tells that what was clean still is."""
        visits = self._now.visits
        return 1 if visits and visits[0].check and not self._now.stumbled else self.rules.needed

    @property
    def passes(self) -> int:
        """Passes since the ladder was begun."""
        return self._now.passes

    @property
    def finished(self) -> bool:
        """Whether the last step was done."""
        return self._now.finished

    @property
    def visiting(self) -> bool:
        """Whether a step is played on the way, to be gone back from."""
        return bool(self._now.visits)

    @property
    def suggestion(self) -> Decision | None:
        """What was suggested; it stands until something changes."""
        return self._climb.suggestion

    @property
    def around(self) -> Around | None:
        """What finds the smallest step around a bar."""
        return self._advice.around

    @around.setter
    def around(self, found: Around | None) -> None:
        self._advice.around = found

    @property
    def tempo_words(self) -> Callable[[float], str]:
        """How a speed is told."""
        return self._climb.tempo_words

    @tempo_words.setter
    def tempo_words(self, told: Callable[[float], str]) -> None:
        self._climb.tempo_words = told

    def climbed(self, rung: Rung) -> bool:
        """Whether a step was clean at the goal."""
        return rung.place in self._now.climbed

    # --- passes and time --------------------------------------------------------------------------

    def take(self, result: PassResult, now_us: int) -> Decisions:
        """Count a pass of the current step that ended at ``now_us``; nothing once finished or hurt."""
        if self.finished or self.hurting:
            return ()
        self._time.played(now_us)
        false_start = result.clean and not result.complete and result.notes < self.rules.false_start
        return (() if false_start else self._count(result)) + self._rest(now_us)

    def tick(self, now_us: int) -> Decisions:
        """Let time pass: says when a break is due."""
        return () if self.finished or self.hurting else self._rest(now_us)

    def _rest(self, now_us: int) -> Decisions:
        if not self._time.due(now_us):
            return ()
        return (self._climb.said(Kind.BREAK, words.BREAK, minutes=words.minutes_words(self.rules.rest_us)),)

    def _count(self, result: PassResult) -> Decisions:
        now, good = self._now, result.complete and result.clean
        now.passes += 1
        now.same += 1
        now.recent = [*now.recent, (good, result.bar)][-self.rules.window :]
        return self._clean() if good else self._fault(result)

    def _clean(self) -> Decisions:
        now = self._now
        now.count, now.faults = now.count + 1, 0
        if now.count >= self.needed:
            return (self._full(),)
        counted = self._climb.said(Kind.COUNT, words.COUNTED, count=now.count, needed=self.needed)
        return counted, *self._advice.enough_of_it()

    def _fault(self, result: PassResult) -> Decisions:
        now, rules = self._now, self.rules
        text = words.LOST if now.count else words.AGAIN
        fault = result.sentence or (words.BROKEN_OFF if result.clean else words.SOME_FAULT)
        now.count, now.faults, now.stumbled = 0, now.faults + 1, True
        again = self._climb.said(Kind.AGAIN, text, fault=fault)
        if now.faults >= rules.faults_before_slower:
            count = words.sentence_number(now.faults)
            if rules.free_tempo or now.speed <= rules.slowest:
                now.faults = 0
                return again, self._advice.easier(words.FAULTS.format(count=count))
            return again, *self._step_down(count)
        return again, *(self._advice.rate_too_low() or self._advice.enough_of_it())

    def _step_down(self, count: str) -> Decisions:
        """Go slower; from the start tempo down, what is shorter is suggested as well."""
        low = self.speed <= self.rules.start_speed
        small = self._advice.smallest()
        slower = self._climb.step_down(count)
        return (slower, self._advice.shorter_too(small)) if low and small is not None else (slower,)

    def _full(self) -> Decision:
        """Go on after enough clean passes."""
        now, rules = self._now, self.rules
        full = words.full_words(self.needed)
        goal = rules.goal_of(self.rung.part)
        at_goal = rules.free_tempo or now.speed >= goal
        if at_goal:
            now.climbed.add(self.rung.place)
        if now.visits:
            if now.visits[0].check and not now.stumbled:
                full = words.STILL_CLEAN
            return self._climb.go_back(full)
        if not at_goal:
            return self._climb.step_up(full, goal)
        following = self._climb.following
        if following is None:
            now.finished = True
            self._climb.settle(now.speed)
            open_steps = sum(not self.climbed(rung) for rung in self.rungs)
            text = words.DONE if not open_steps else words.DONE_SOME
            return self._climb.said(Kind.DONE, text, full=full, steps=words.steps_words(open_steps))
        self._climb.leave()
        return self._climb.enter(following, full)

    # --- what the player chooses ------------------------------------------------------------------

    def accept(self) -> Decisions:
        """Follow the suggestion that stands; () where there is none or it is for the player to do."""
        found, self._climb.suggestion = self.suggestion, None
        if found is None or (found.rung.place == self.rung.place and found.speed == self.speed):
            return ()
        if found.rung.place == self.rung.place:
            return self._climb.move_to(found.speed)
        if self.visiting and found.rung.place == self._climb.home.rung.place:
            return (self._climb.go_back(""),)
        return self.visit(found.rung, found.speed)

    def visit(self, rung: Rung, speed: float | None = None) -> Decisions:
        """Play another step for a while, of the ladder or not, and go back when it is clean."""
        return (self._climb.visit(rung, speed),)

    def check(self, visits: Sequence[Visit]) -> Decisions:
        """Begin with what was clean before (``recheck``); then the ladder goes on where it was left."""
        return (self._climb.check(visits),) if visits else ()

    def choose(self, index: int) -> Decisions:
        """Go to a step of the ladder, and stay.  Raises IndexError where there is none."""
        self._climb.check_index(index)
        self._climb.leave()
        self._now.visits.clear()
        return (self._climb.enter(index, ""),)

    def easier(self) -> Decisions:
        """Accept what was suggested, if it is easier; else take a shorter step; else go slower."""
        suggested = self.suggestion is not None and self.suggestion.kind is not Kind.SUGGEST_CHANGE
        if suggested and (done := self.accept()):
            return done
        small = self._advice.smaller(-1)
        return self.visit(small) if small is not None else self.slower()

    def harder(self) -> Decisions:
        """Go back from what is visited; else on to the next step, done or not; () at the last."""
        if self.visiting:
            return (self._climb.go_back(""),)
        return self.choose(self.at + 1) if self.at + 1 < len(self.rungs) else ()

    def faster(self) -> Decisions:
        """Go a step faster; () at the limit, or where the tempo is free."""
        return self._climb.move_to(self.speed + self.rules.step_up)

    def slower(self) -> Decisions:
        """Go a step slower; () at the limit, or where the tempo is free."""
        return self._climb.move_to(self.speed - self.rules.step_down)

    def hurts(self) -> Decisions:
        """Stop at once: nothing is counted until ``resume``."""
        self.hurting = True
        self._climb.settle(self.speed)
        self._time.stop()
        return (Decision(Kind.HURT, words.HURT, self.rung, self.speed),)

    def resume(self) -> None:
        """Go on after a pain has gone; the practice time begins anew."""
        self.hurting = False

    # --- remembered -------------------------------------------------------------------------------

    def to_plain(self) -> dict[str, object]:
        """Return where it stands as plain data, for a file."""
        return self._now.to_plain(self.rungs)

    @classmethod
    def from_plain(cls, plain: object, rungs: Sequence[Rung], rules: Rules | None = None) -> Drill:
        """Return a drill that goes on where another stood.

        Raises ValueError, naming the key, for damaged data; see ``standing.from_plain`` for a changed ladder.
        """
        made = cls(rungs, rules)
        made._climb.now = standing.from_plain(plain, made.rungs, made.rules)
        return made
