"""The drill: three clean in a row, then a little faster; at the goal the next step of the ladder.

``take`` is told how each pass of the current step came out, and answers what the player is to be told.
Faults in a row make it slower; a poor rate, or many repeats, only make a suggestion, which ``accept``
follows.  A step may be left for another on the way (a ``Visit``: the bars around a fault, a change, a check
of what was clean before) and is gone back to when that is clean.

Nothing here knows how music is judged, or what time it is: passes and times come in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from coach.core import drill_words as words
from coach.core import standing
from coach.core.drill_rules import (
    SUGGESTIONS,
    Decision,
    Kind,
    PassResult,
    Rules,
    Visit,
    expected_passes,
)
from coach.core.ladder import Part, Rung
from coach.core.practice_time import PracticeTime
from coach.core.recheck import PastPass, recheck
from coach.core.rung_choice import change, is_known, shorter, worst_bar
from coach.core.standing import Standing

__all__ = [
    "SUGGESTIONS", "Decision", "Drill", "Kind", "PassResult", "PastPass", "Rules", "Visit", "expected_passes",
    "recheck",
]  # fmt: skip

Decisions = tuple[Decision, ...]
MOSTLY = 0.5  # share of the faults in one bar above which it is that bar that needs work.  Our own figure


class Drill:
    """The one owner of where a player stands on a ladder."""

    def __init__(
        self,
        rungs: Sequence[Rung],
        rules: Rules | None = None,
        *,
        at: int = 0,
        speed: float | None = None,
        around: Callable[[int, Part], Rung] | None = None,
    ) -> None:
        """Begin at a step; ``speed`` (default: the rules') is a share of the written tempo.

        ``around`` returns the smallest step around a performed bar (``ladder.from_fault``): it is proposed
        where the faults are in one bar, and the ladder has nothing as small.

        Raises ValueError without steps or for a speed outside the rules, IndexError for no such step.
        """
        self.rules = rules or Rules()
        self.rungs = tuple(rungs)
        if not self.rungs:
            raise ValueError("rungs: there is nothing to practise")
        self._check_index(at)
        if speed is not None and not self.rules.slowest <= speed <= self.rules.fastest:
            raise ValueError(f"speed: must lie between {self.rules.slowest:g} and {self.rules.fastest:g}")
        usual = self.rules.starts_at(False, self.rungs[at].part)
        self._now = Standing(at, usual if speed is None else speed)
        self.suggestion: Decision | None = None  # stands until something changes
        self.hurting = False
        self.around = around
        self.tempo_words: Callable[[float], str] = words.speed_words  # how a speed is told
        self._time = PracticeTime(self.rules.rest_us, self.rules.pause_us)

    # --- where it stands --------------------------------------------------------------------------

    @property
    def rung(self) -> Rung:
        """The step played now."""
        return self._now.visits[0].rung if self._now.visits else self.rungs[self._now.at]

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
        return (self._said(Kind.BREAK, words.BREAK, minutes=words.minutes_words(self.rules.rest_us)),)

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
        counted = self._said(Kind.COUNT, words.COUNTED, count=now.count, needed=self.needed)
        return counted, *self._enough_of_it()

    def _fault(self, result: PassResult) -> Decisions:
        now, rules = self._now, self.rules
        text = words.LOST if now.count else words.AGAIN
        fault = result.sentence or (words.BROKEN_OFF if result.clean else words.SOME_FAULT)
        now.count, now.faults, now.stumbled = 0, now.faults + 1, True
        again = self._said(Kind.AGAIN, text, fault=fault)
        faulty = sum(not clean for clean, _ in now.recent)
        if now.faults >= rules.faults_before_slower:
            count = words.sentence_number(now.faults)
            if rules.free_tempo or now.speed <= rules.slowest:
                now.faults = 0
                return again, self._easier(words.FAULTS.format(count=count))
            return again, *self._step_down(count)
        # So many of the last passes were faulty that the rate is too low, however the rest come out.
        if faulty > rules.window * (1 - rules.least_rate) + 1e-9:
            return again, self._easier(self._rate_words(len(now.recent) - faulty, len(now.recent)))
        return again, *self._enough_of_it()

    def _step_down(self, count: str) -> Decisions:
        """Go slower; from the start tempo down, what is shorter is suggested as well."""
        low = self.speed <= self.rules.start_speed
        small = self._smaller(worst_bar(self._now.recent)[0])
        self._settle(self.speed - self.rules.step_down)
        speed = self.tempo_words(self.speed)
        slower = self._said(Kind.STEP_DOWN, words.STEP_DOWN, count=count, speed=speed)
        if not low or small is None:
            return (slower,)
        return slower, self._suggest(Kind.SUGGEST_SHORTER, words.SUGGEST_SHORTER_TOO, small, self.speed)

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
            return self._go_back(full)
        if not at_goal:
            self._settle(min(now.speed + rules.step_up, goal))
            speed = self.tempo_words(now.speed)
            return self._said(Kind.STEP_UP, words.STEP_UP, full=full, speed=speed)
        later = range(now.at + 1, len(self.rungs))
        following = next((k for k in later if not self.climbed(self.rungs[k])), None)
        if following is None:
            now.finished = True
            self._settle(now.speed)
            open_steps = sum(not self.climbed(rung) for rung in self.rungs)
            text = words.DONE if not open_steps else words.DONE_SOME
            return self._said(Kind.DONE, text, full=full, steps=words.steps_words(open_steps))
        self._leave()
        return self._enter(following, full)

    # --- suggestions ------------------------------------------------------------------------------

    def _enough_of_it(self) -> Decisions:
        """Suggest a change after many repeats of the same."""
        now, count = self._now, words.sentence_number(self.rules.same)
        if now.same < self.rules.same:
            return ()
        now.same = 0
        other = change(self.rungs, self.at, self.rung, now.climbed)
        if self.visiting and self._home().rung.place != self.rung.place:
            to, text = self._home(), words.SUGGEST_BACK
        elif other is not None:
            to, text = Visit(other, self._speed_of(other)), words.SUGGEST_CHANGE
        else:
            to, text = Visit(self.rung, now.speed), words.SUGGEST_REST
        return (self._suggest(Kind.SUGGEST_CHANGE, text, to.rung, to.speed, count=count),)

    def _easier(self, why: str) -> Decision:
        """Suggest the bar where the faults are, by itself, if there is one; else slower; else shorter."""
        now, rules = self._now, self.rules
        bar, share = worst_bar(now.recent)
        small = self._smaller(bar)
        now.recent.clear()
        now.same = 0
        can_slow = not rules.free_tempo and now.speed > rules.slowest
        if small and (share > MOSTLY or not (can_slow or rules.free_tempo)):
            return self._suggest(Kind.SUGGEST_SHORTER, words.SUGGEST_SHORTER, small, now.speed, why=why)
        if can_slow:
            slower = self._within(now.speed - rules.step_down)
            return self._suggest(Kind.SUGGEST_SLOWER, words.SUGGEST_SLOWER, self.rung, slower, why=why)
        if rules.free_tempo:
            return self._suggest(Kind.SUGGEST_SLOWER, words.SUGGEST_FREELY, self.rung, now.speed, why=why)
        return self._suggest(Kind.SUGGEST_CHANGE, words.SUGGEST_LATER, self.rung, now.speed, why=why)

    def _rate_words(self, clean: int, count: int) -> str:
        if not clean:
            return words.RATE_NONE.format(all=words.number_word(count))
        tries = round(expected_passes(clean / count, self.rules.needed))
        return words.rate_words(clean, count, self.rules.needed, tries)

    def _smaller(self, bar: int) -> Rung | None:
        """Return the smallest step within this one that holds a bar, or around it where that is smaller."""
        found, here = shorter(self.rungs, self.rung, bar), self.rung
        if self.around is None or bar < 0 or here.part is Part.SCALE:
            return found
        made = self.around(bar, here.part)
        spans = [one.last - one.first for one in (made, found, here) if one is not None]
        return made if spans[0] < min(spans[1:]) else found

    def _suggest(self, kind: Kind, text: str, rung: Rung, speed: float, **values: object) -> Decision:
        sentence = text.format(rung=rung.name, speed=self.tempo_words(speed), **values)
        self.suggestion = Decision(kind, sentence, rung, speed)
        return self.suggestion

    # --- what the player chooses ------------------------------------------------------------------

    def accept(self) -> Decisions:
        """Follow the suggestion that stands; () where there is none or it is for the player to do."""
        found, self.suggestion = self.suggestion, None
        if found is None or (found.rung.place == self.rung.place and found.speed == self.speed):
            return ()
        if found.rung.place == self.rung.place:
            return self._move_to(found.speed)
        if self.visiting and found.rung.place == self._home().rung.place:
            return (self._go_back(""),)
        return self.visit(found.rung, found.speed)

    def visit(self, rung: Rung, speed: float | None = None) -> Decisions:
        """Play another step for a while, of the ladder or not, and go back when it is clean."""
        now = self._now
        self._leave()
        now.visits = [visit for visit in now.visits if visit.rung.place != rung.place]
        if rung.place == self.rungs[now.at].place:
            now.visits.clear()
        else:
            now.visits.insert(0, Visit(rung, self._within(self.speed if speed is None else speed)))
        return (self._arrive("", words.NEXT_RUNG, words.NEXT_AT),)

    def check(self, visits: Sequence[Visit]) -> Decisions:
        """Begin with what was clean before (``recheck``); then the ladder goes on where it was left."""
        if not visits:
            return ()
        self._leave()
        self._now.visits = [replace(v, speed=self._within(v.speed)) for v in visits]
        return (self._arrive("", words.CHECKING_FREELY, words.CHECKING),)

    def choose(self, index: int) -> Decisions:
        """Go to a step of the ladder, and stay.  Raises IndexError where there is none."""
        self._check_index(index)
        self._leave()
        self._now.visits.clear()
        return (self._enter(index, ""),)

    def easier(self) -> Decisions:
        """Accept what was suggested, if it is easier; else take a shorter step; else go slower."""
        suggested = self.suggestion is not None and self.suggestion.kind is not Kind.SUGGEST_CHANGE
        if suggested and (done := self.accept()):
            return done
        small = self._smaller(-1)
        return self.visit(small) if small is not None else self.slower()

    def harder(self) -> Decisions:
        """Go back from what is visited; else on to the next step, done or not; () at the last."""
        if self.visiting:
            return (self._go_back(""),)
        return self.choose(self.at + 1) if self.at + 1 < len(self.rungs) else ()

    def faster(self) -> Decisions:
        """Go a step faster; () at the limit, or where the tempo is free."""
        return self._move_to(self.speed + self.rules.step_up)

    def slower(self) -> Decisions:
        """Go a step slower; () at the limit, or where the tempo is free."""
        return self._move_to(self.speed - self.rules.step_down)

    def hurts(self) -> Decisions:
        """Stop at once: nothing is counted until ``resume``."""
        self.hurting = True
        self._settle(self.speed)
        self._time.stop()
        return (Decision(Kind.HURT, words.HURT, self.rung, self.speed),)

    def resume(self) -> None:
        """Go on after a pain has gone; the practice time begins anew."""
        self.hurting = False

    # --- moving -----------------------------------------------------------------------------------

    def _check_index(self, index: int) -> None:
        if not 0 <= index < len(self.rungs):
            raise IndexError(f"there is no step {index} in a ladder of {len(self.rungs)}")

    def _within(self, speed: float) -> float:
        return round(min(max(speed, self.rules.slowest), self.rules.fastest), 4)

    def _settle(self, speed: float) -> None:
        """Begin to count anew, at a speed."""
        self._now.settle(self._within(speed))
        self.suggestion = None

    def _move_to(self, speed: float) -> Decisions:
        before, speed = self.speed, self._within(speed)
        if self.rules.free_tempo or speed == before:
            return ()
        self._settle(speed)
        self._now.finished = False
        kind, text = (Kind.STEP_UP, words.FASTER) if speed > before else (Kind.STEP_DOWN, words.SLOWER)
        return (self._said(kind, text, speed=self.tempo_words(speed)),)

    def _leave(self) -> None:
        """Remember the speed of the step that is left."""
        now = self._now
        if now.visits:
            now.visits[0] = replace(now.visits[0], speed=now.speed)
        else:
            now.left[self.rung.place] = now.speed

    def _home(self) -> Visit:
        """Return the step to go back to, from the one visited."""
        if len(self._now.visits) > 1:
            return self._now.visits[1]
        rung = self.rungs[self.at]
        return Visit(rung, self._speed_of(rung))

    def _go_back(self, full: str) -> Decision:
        self._now.visits.pop(0)
        if self._now.visits and self._now.visits[0].check:
            return self._arrive(full, words.NEXT_RUNG, words.NEXT_AT)
        return self._arrive(full, words.BACK, words.BACK_AT)

    def _enter(self, index: int, full: str) -> Decision:
        """Go to a step of the ladder."""
        self._now.at = index
        return self._arrive(full, words.NEXT_RUNG, words.NEXT_AT)

    def _arrive(self, full: str, text: str, text_at: str) -> Decision:
        now = self._now
        speed = now.visits[0].speed if now.visits else self._speed_of(self.rung)
        now.finished, now.stumbled = False, False
        self._settle(speed)
        text = text if self.rules.free_tempo else text_at
        said = text.format(full=full, rung=self.rung.name, speed=self.tempo_words(self.speed))
        return Decision(Kind.NEXT_RUNG, said.strip(), self.rung, self.speed)

    def _speed_of(self, rung: Rung) -> float:
        """Return the speed to begin a step at: as it was left; else by whether its bars are known."""
        if rung.place in self._now.left:
            return self._now.left[rung.place]
        return self.rules.starts_at(is_known(self.rungs, rung, self._now.climbed), rung.part)

    def _said(self, kind: Kind, text: str, **values: object) -> Decision:
        return Decision(kind, text.format(rung=self.rung.name, **values), self.rung, self.speed)

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
        made._now = standing.from_plain(plain, made.rungs, made.rules)
        return made
