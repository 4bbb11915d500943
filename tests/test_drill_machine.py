"""The drill under any order of passes, faults, choices and savings: what must always hold.

Beside the drill runs a plain model of its main rule, written anew: the count, the passes, and what each pass
of a fault or a clean one may lead to.
"""

from __future__ import annotations

import json

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from coach.core.drill import SUGGESTIONS, Drill, Kind, PassResult, Rules, Visit
from coach.core.ladder import Part, Rung

MINUTE = 60 * 10**6
CHANGES = (Kind.STEP_UP, Kind.STEP_DOWN, Kind.NEXT_RUNG, Kind.DONE, Kind.HURT)
PLACES = [(part, 0, 1) for part in Part if part is not Part.SCALE]
PLACES += [(part, 2, 3) for part in Part if part is not Part.SCALE]
PLACES += [(part, 0, 3) for part in Part if part is not Part.SCALE]
PLACES.sort(key=lambda place: list(Part).index(place[0]))
SCALE = Rung(Part.SCALE, 0, -1, 0, name="the scale of A minor")
RUNGS = (SCALE, *(Rung(p, a, b, b - a + 1, name=f"{p.value} {a} {b}") for p, a, b in PLACES))
OTHER = Rung(Part.TOGETHER, 1, 2, 2, name="together 1 2")
RULES = st.builds(
    Rules,
    needed=st.integers(1, 4),
    start_speed=st.sampled_from([0.5, 0.6, 0.9]),
    goal=st.sampled_from([0.9, 1.0, 1.2]),
    step_up=st.sampled_from([0.05, 0.07, 0.3]),
    step_down=st.sampled_from([0.05, 0.1]),
    faults_before_slower=st.integers(1, 4),
    window=st.sampled_from([3, 10]),
    same=st.sampled_from([4, 10]),
    free_tempo=st.booleans(),
    slowest=st.sampled_from([0.3, 0.5]),
)


class Machine(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.now_us = 0

    @initialize(rules=RULES, at=st.integers(0, len(RUNGS) - 1))
    def begin(self, rules, at):
        self.rules = rules
        self.drill = Drill(RUNGS, rules, at=at)
        self.count = self.passes = 0
        self.clean_in_a_row = 0  # of passes at this step and speed

    # --- passes -----------------------------------------------------------------------------------

    def taken(self, result):
        drill = self.drill
        before = drill.rung, drill.speed, drill.needed, drill.finished or drill.hurting
        decisions = drill.take(result, self.now_us)
        self.consistent(decisions)
        rung, speed, needed, silent = before
        kinds = [one.kind for one in decisions if one.kind is not Kind.BREAK]
        if silent:
            assert decisions == ()
            return
        if result.clean and not result.complete and result.notes < self.rules.false_start:
            assert kinds == []
            return
        self.passes += 1
        if result.clean and result.complete:
            self.count += 1
            if self.count < needed:
                assert kinds[0] is Kind.COUNT
                assert drill.count == self.count
            else:
                assert kinds in ([Kind.STEP_UP], [Kind.NEXT_RUNG], [Kind.DONE])
                self.count = 0
                if kinds == [Kind.STEP_UP]:
                    assert drill.rung == rung
                    assert speed < drill.speed <= self.rules.goal
        else:
            self.count = 0
            assert kinds[0] is Kind.AGAIN
            assert Kind.STEP_UP not in kinds
            assert drill.rung == rung
            assert drill.speed <= speed
            if Kind.STEP_DOWN in kinds:
                assert drill.speed < speed
            else:
                assert drill.speed == speed

    @rule()
    def clean(self):
        self.taken(PassResult(True, True, notes=9))

    @rule(times=st.integers(2, 12))
    def often_clean(self, times):
        for _ in range(times):
            self.taken(PassResult(True, True, notes=9))

    @rule(complete=st.booleans(), bar=st.integers(-1, 3), notes=st.integers(0, 9))
    def fault(self, complete, bar, notes):
        self.taken(PassResult(complete, False, "bar 3: it rang on.", bar, notes))

    @rule(notes=st.integers(0, 9))
    def broken_off(self, notes):
        self.taken(PassResult(False, True, notes=notes))

    # --- choices ----------------------------------------------------------------------------------

    def changed(self, decisions):
        self.consistent(decisions)
        assert len(decisions) <= 1
        assert all(one.kind in CHANGES for one in decisions)
        if decisions:
            self.count = 0
            assert (decisions[0].rung, decisions[0].speed) == (self.drill.rung, self.drill.speed)
            assert self.drill.suggestion is None

    @rule(index=st.integers(0, len(RUNGS) - 1))
    def choose(self, index):
        self.changed(self.drill.choose(index))
        assert self.drill.rung == RUNGS[index]
        assert not self.drill.visiting

    @rule(rung=st.sampled_from([*RUNGS, OTHER]), speed=st.none() | st.floats(0.1, 3.0))
    def visit(self, rung, speed):
        at = self.drill.at
        self.changed(self.drill.visit(rung, speed))
        assert self.drill.rung == rung
        assert self.drill.at == at

    @rule(rungs=st.lists(st.sampled_from([*RUNGS, OTHER]), max_size=3), speed=st.sampled_from([0.4, 1.0]))
    def check(self, rungs, speed):
        at = self.drill.at
        self.changed(self.drill.check([Visit(rung, speed, check=True) for rung in rungs]))
        assert self.drill.at == at

    @rule(how=st.sampled_from(["faster", "slower", "easier", "harder", "accept"]))
    def moved(self, how):
        before, suggested = self.drill.speed, self.drill.suggestion
        decisions = getattr(self.drill, how)()
        self.changed(decisions)
        if how == "faster":
            assert self.drill.speed > before or not decisions
        if how == "slower":
            assert self.drill.speed < before or not decisions
        if how == "accept" and decisions:
            assert suggested is not None
            assert self.drill.rung == suggested.rung

    @rule()
    def hurts(self):
        (said,) = self.drill.hurts()
        assert said.kind is Kind.HURT
        self.count = 0

    @precondition(lambda self: self.drill.hurting)
    @rule()
    def resume(self):
        self.drill.resume()

    # --- time and memory --------------------------------------------------------------------------

    @rule(minutes=st.sampled_from([0, 1, 4, 6, 30]))
    def wait(self, minutes):
        self.now_us += minutes * MINUTE
        decisions = self.drill.tick(self.now_us)
        assert [one.kind for one in decisions] in ([], [Kind.BREAK])

    @rule()
    def another_day(self):
        kept = json.loads(json.dumps(self.drill.to_plain()))
        again = Drill.from_plain(kept, RUNGS, self.rules)
        assert again.to_plain() == self.drill.to_plain()
        for name in ("rung", "at", "speed", "count", "needed", "passes", "finished", "visiting"):
            assert getattr(again, name) == getattr(self.drill, name)
        self.drill = again

    # --- what always holds ------------------------------------------------------------------------

    def consistent(self, decisions):
        """What is said is whole, and no two things said contradict each other."""
        kinds = [one.kind for one in decisions]
        assert sum(kind in CHANGES for kind in kinds) <= 1
        assert sum(kind in SUGGESTIONS for kind in kinds) <= 1
        assert kinds.count(Kind.BREAK) <= 1
        if Kind.BREAK in kinds:
            assert kinds[-1] is Kind.BREAK
        for one in decisions:
            assert one.sentence
            assert one.sentence[0] not in " ,"
            assert "{" not in one.sentence
            assert "  " not in one.sentence
            assert self.rules.slowest <= one.speed <= self.rules.fastest
            if one.kind in SUGGESTIONS:
                assert one == self.drill.suggestion

    @invariant()
    def count_and_speed(self):
        drill = self.drill
        assert 0 <= drill.count < self.rules.needed
        assert drill.count == self.count
        assert drill.passes == self.passes
        assert self.rules.slowest <= drill.speed <= self.rules.fastest
        assert drill.visiting or drill.rung == RUNGS[drill.at]  # a check may be of the ladder's own step
        if drill.finished:
            assert drill.count == 0
            assert not drill.visiting


TestMachine = Machine.TestCase
TestMachine.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)
