"""What a drill suggests, and never does unasked: slower, shorter, something else for a change."""

from __future__ import annotations

from collections.abc import Callable

from coach.core import drill_words as words
from coach.core.climb import Climb, Decisions
from coach.core.drill_rules import Decision, Kind, Visit, expected_passes
from coach.core.ladder import Part, Rung
from coach.core.rung_choice import change, shorter, worst_bar

MOSTLY = 0.5  # share of the faults in one bar above which it is that bar that needs work.  Our own figure
Around = Callable[[int, Part], Rung]


class Advice:
    """Looks at where a player is, and suggests; what was suggested stands in ``Climb.suggestion``."""

    def __init__(self, climb: Climb, around: Around | None) -> None:
        """``around`` returns the smallest step around a performed bar."""
        self._climb, self.around = climb, around

    def enough_of_it(self) -> Decisions:
        """Suggest a change after many repeats of the same; () before."""
        climb, now = self._climb, self._climb.now
        if now.same < climb.rules.same:
            return ()
        now.same = 0
        other = change(climb.rungs, now.at, climb.rung, now.climbed)
        if now.visits and climb.home.rung.place != climb.rung.place:
            to, text = climb.home, words.SUGGEST_BACK
        elif other is not None:
            to, text = Visit(other, climb.speed_of(other)), words.SUGGEST_CHANGE
        else:
            to, text = Visit(climb.rung, now.speed), words.SUGGEST_REST
        count = words.sentence_number(climb.rules.same)
        return (self.suggest(Kind.SUGGEST_CHANGE, text, to.rung, to.speed, count=count),)

    def easier(self, why: str) -> Decision:
        """Suggest the bar where the faults are, by itself, if there is one; else slower; else shorter."""
        climb, now, rules = self._climb, self._climb.now, self._climb.rules
        bar, share = worst_bar(now.recent)
        small = self.smaller(bar)
        now.recent.clear()
        now.same = 0
        can_slow = not rules.free_tempo and now.speed > rules.slowest
        if small and (share > MOSTLY or not (can_slow or rules.free_tempo)):
            return self.suggest(Kind.SUGGEST_SHORTER, words.SUGGEST_SHORTER, small, now.speed, why=why)
        if can_slow:
            slower = climb.within(now.speed - rules.step_down)
            return self.suggest(Kind.SUGGEST_SLOWER, words.SUGGEST_SLOWER, climb.rung, slower, why=why)
        if rules.free_tempo:
            return self.suggest(Kind.SUGGEST_SLOWER, words.SUGGEST_FREELY, climb.rung, now.speed, why=why)
        return self.suggest(Kind.SUGGEST_CHANGE, words.SUGGEST_LATER, climb.rung, now.speed, why=why)

    def rate_too_low(self) -> Decisions:
        """Suggest what is easier where too few of the last passes were clean; () where enough were."""
        recent, rules = self._climb.now.recent, self._climb.rules
        clean, count = sum(clean for clean, _ in recent), len(recent)
        # So many of the last passes were faulty that the rate is too low, however the rest come out.
        if count - clean <= rules.window * (1 - rules.least_rate) + 1e-9:
            return ()
        if not clean:
            return (self.easier(words.RATE_NONE.format(all=words.number_word(count))),)
        tries = round(expected_passes(clean / count, rules.needed))
        return (self.easier(words.rate_words(clean, count, rules.needed, tries)),)

    def shorter_too(self, small: Rung) -> Decision:
        """Suggest a shorter step, now that the tempo is slower."""
        return self.suggest(Kind.SUGGEST_SHORTER, words.SUGGEST_SHORTER_TOO, small, self._climb.now.speed)

    def smallest(self) -> Rung | None:
        """Return the smallest step around the bar with most of the last faults, if there is one."""
        return self.smaller(worst_bar(self._climb.now.recent)[0])

    def smaller(self, bar: int) -> Rung | None:
        """Return the smallest step within this one that holds a bar, or around it where that is smaller."""
        here = self._climb.rung
        found = shorter(self._climb.rungs, here, bar)
        if self.around is None or bar < 0 or here.part is Part.SCALE:
            return found
        made = self.around(bar, here.part)
        spans = [one.last - one.first for one in (made, found, here) if one is not None]
        return made if spans[0] < min(spans[1:]) else found

    def suggest(self, kind: Kind, text: str, rung: Rung, speed: float, **values: object) -> Decision:
        """Suggest a step at a speed."""
        sentence = text.format(rung=rung.name, speed=self._climb.tempo_words(speed), **values)
        self._climb.suggestion = Decision(kind, sentence, rung, speed)
        return self._climb.suggestion
