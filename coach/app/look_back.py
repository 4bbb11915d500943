"""A take looked back at: a playhead, a chosen pass, another beside it, and the leaf that shows them.

No window and no clock here: ``press`` is told what a person asked for, ``advance`` how much time went by, and
``scene`` says what is to be seen.  While the take plays the page shows it as it happened; standing still it
shows all of the chosen pass.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property, lru_cache

from coach.app.judged import Judged
from coach.app.rewind import Rewind
from coach.core import words
from coach.core.comparison import Comparison, compare
from coach.core.drift_rows import drift_against
from coach.core.drift_words import against_name, named_words
from coach.core.lanes import Lanes, lanes
from coach.core.rings import position
from coach.core.shapes import Foot, Summary, View
from coach.core.stop_counts import StopCount, often_sentence, stop_counts
from coach.core.summary import other_sentence, pass_sentence, summarise
from coach.screen.drift_sheet import DriftLine
from coach.screen.keys import Action
from coach.screen.ruler import Ruler, RulerFault, RulerPass
from coach.screen.scene import LEAVES, Leaf, Scene

LEAF_OF = {
    Action.LEAF_PAGE: Leaf.PAGE,
    Action.LEAF_BAR: Leaf.BAR,
    Action.LEAF_ALL: Leaf.ALL,
    Action.LEAF_TWO: Leaf.TWO,
    Action.LEAF_DRIFT: Leaf.DRIFT,
    Action.LEAF_WORDS: Leaf.WORDS,
}


class LookBack:
    """The mutable owner of what is looked at."""

    def __init__(self, rewind: Rewind, other: Judged | None = None, *, model: bool = False) -> None:
        """``other`` is a second take of the score: an earlier day's, or a ``model`` to set time against."""
        self.rewind, self.other, self.model = rewind, other, model
        self.judged = Judged(rewind.judged, rewind.result, words.THIS_TAKE if other else "")
        self.leaf = Leaf.PAGE
        self.now_us = rewind.now_us
        self._playing = True
        self._beside: tuple[Judged, int] | None = None  # a pass to compare with, where a person chose one
        self._said = ""  # something to say until the next key
        self.chosen = self.judged.pass_at(self.now_us)

    @property
    def playing(self) -> bool:
        """Whether the playhead moves."""
        return self._playing and not self.ended

    @property
    def ended(self) -> bool:
        """Whether the playhead stands at the end."""
        return self.now_us >= self.rewind.end_us

    @property
    def speed(self) -> float:
        """How many times faster than real time it plays."""
        return self.rewind.speed

    @cached_property
    def ruler(self) -> Ruler:
        """The take from beginning to end, for the time ruler."""
        result = self.judged.result
        passes = [
            RulerPass(one.number, start, end, one.clean, one.complete)
            for one, (start, end) in zip(result.passes, self.judged.spans, strict=True)
        ]
        faults = [
            RulerFault(fault.verdict.time_us, getattr(getattr(fault.verdict, "kind", None), "value", "stray"))
            for one in result.passes
            for fault in one.faults
        ]
        faults.sort(key=lambda fault: fault.us)
        return Ruler(self.rewind.end_us, tuple(passes), tuple(faults), tuple(self.rewind.bars))

    # --- what a person asks for -------------------------------------------------------------------

    def advance(self, elapsed_us: int) -> None:
        """Let real time go by."""
        if self.playing:
            self.rewind.advance(elapsed_us)
            self.now_us = self.rewind.now_us
            self.chosen = self.judged.pass_at(self.now_us)

    def seek(self, us: int) -> None:
        """Put the playhead at a time (clipped to the take), and choose the pass that is played there."""
        self._said = ""
        self.now_us = min(max(us, 0), self.rewind.end_us)
        self.chosen = self.judged.pass_at(self.now_us)
        if self.playing:
            self.rewind.seek(self.now_us)

    def stand_still(self) -> None:
        """Stop playing."""
        self._playing = False

    def choose(self, number: int) -> None:
        """Choose a pass, and go to its beginning."""
        if self.judged.passes:
            number = min(max(number, 1), len(self.judged.passes))
            self.seek(self.judged.spans[number - 1][0])
            self.chosen = number

    def play_pass(self) -> None:
        """Play the chosen pass from its beginning, as fast as it was."""
        self.rewind.speed = 1.0
        self._playing = True
        self.choose(self.chosen)

    def press(self, action: Action) -> None:
        """Do what was asked for."""
        rewind = self.rewind
        self._said = ""
        if action in LEAF_OF:
            wanted = LEAF_OF[action]
            self.leaf = Leaf.PAGE if wanted is self.leaf else wanted  # the same key leads back
            return
        match action:
            case Action.PAUSE:
                self._start() if not self.playing else self.stand_still()
            case Action.NEXT_BAR:
                self.seek(rewind.bar_from(self.now_us, 1))
            case Action.PREV_BAR:
                self.seek(rewind.bar_from(self.now_us, -1))
            case Action.NEXT_FAULT | Action.PREV_FAULT:
                self._go_to_fault(1 if action is Action.NEXT_FAULT else -1)
            case Action.NEXT_PASS:
                self.choose(self.chosen + 1)
            case Action.PREV_PASS:
                self.choose(self.chosen - 1)
            case Action.OTHER_PASS:
                self._next_beside()
            case Action.FASTER:
                rewind.change_speed(1)
            case Action.SLOWER:
                rewind.change_speed(-1)
            case Action.RESTART:
                self.seek(0)

    def _start(self) -> None:
        if self.ended:
            self.now_us = 0
        self._playing = True
        self.seek(self.now_us)

    def _go_to_fault(self, direction: int) -> None:
        found = self.rewind.fault_from(self.now_us, direction)
        if found is None:
            self._said = words.NO_MORE_FAULTS if self.rewind.faults else words.NO_FAULTS
            return
        self.stand_still()
        self.seek(found)

    # --- two passes -------------------------------------------------------------------------------

    def _candidates(self) -> list[tuple[Judged, int]]:
        """Return the passes that can stand beside the chosen one: the other take's, then this one's."""
        found: list[tuple[Judged, int]] = []
        if self.other is not None:
            found += [(self.other, one.number) for one in self.other.passes]
        found += [(self.judged, one.number) for one in self.judged.passes if one.number != self.chosen]
        return found

    def beside(self) -> tuple[Judged, int] | None:
        """Return the pass beside the chosen one; None where there is no other.

        Unless one was asked for: of another take its last complete pass; else the one before, or behind.
        """
        candidates = self._candidates()
        if self._beside in candidates or not candidates:
            return self._beside if candidates else None
        if self.other is not None and self.other.passes:
            return self.other, self.other.best
        before = [pair for pair in candidates if pair[1] < self.chosen]
        return before[-1] if before else candidates[0]

    def _next_beside(self) -> None:
        candidates, now = self._candidates(), self.beside()
        if now is None:
            self._said = words.ONE_PASS
            return
        if self.leaf in (Leaf.TWO, Leaf.DRIFT):
            self._beside = candidates[(candidates.index(now) + 1) % len(candidates)]
        else:
            self.leaf = Leaf.TWO

    def _two(self, place: View) -> tuple[View, View] | None:
        """Return the upper and the lower page: the earlier pass above, both at the same bar."""
        found = self.beside()
        if found is None:
            return None
        pair = [found, (self.judged, self.chosen)]
        if found[0] is self.judged and found[1] > self.chosen:
            pair.reverse()
        (one, first), (two, second) = pair
        change = self._compared(one, first, two, second)
        said = (one.told(first), f"{two.told(second)}. {change.sentence}")
        views = [
            replace(
                judged.view(number, Foot(message=text)),
                bar=place.bar,
                tick=place.tick,
                finished=False,
                at_rest=True,
            )
            for (judged, number), text in zip(pair, said, strict=True)
        ]
        return views[0], views[1]

    @lru_cache(maxsize=8)  # noqa: B019 (lives as long as the window)
    def _compared(self, one: Judged, first: int, two: Judged, second: int) -> Comparison:
        return compare(one.result, first, two.result, second)

    # --- what is to be seen -----------------------------------------------------------------------

    def scene(self) -> Scene:
        """Return what is to be seen now."""
        view = self._page()
        found = self.beside() if self.leaf in (Leaf.TWO, Leaf.DRIFT) else None
        state = words.replay_words(self.now_us, self.rewind.end_us, self.speed, not self.playing)
        against = found[1] if found is not None and found[0] is self.judged else None
        scene = Scene(self.leaf, view, self.now_us, state, self.chosen, against)
        match self.leaf:
            case Leaf.BAR:
                return replace(scene, lanes=self._lanes(self.chosen, view.bar))
            case Leaf.ALL:
                return replace(scene, counts=self.counts)
            case Leaf.TWO:
                two = self._two(view)
                if two is None:
                    return replace(scene, view=_saying(view, words.ONE_PASS))
                return replace(scene, view=two[0], other=two[1])
            case Leaf.DRIFT:
                return replace(scene, curves=self._curves(found))
            case Leaf.WORDS:
                return replace(scene, summary=self.summary)
        return scene

    @cached_property
    def counts(self) -> tuple[StopCount, ...]:
        """How often each stop came off."""
        return stop_counts(self.judged.session, self.judged.result)

    @cached_property
    def summary(self) -> Summary:
        """What is said of the whole take."""
        return summarise(self.judged.result, self.rewind.piece.title)

    def _page(self) -> View:
        if self.playing and self.leaf is Leaf.PAGE:
            return self.rewind.viewer.view(self.now_us, foot=Foot(message=self._fault_now()))
        if not self.judged.passes:
            return self.judged.view(0, Foot(message=words.NOTHING_HEARD))
        during = self.judged.passes[self.chosen - 1]
        tick = position(self.judged.session, during, self.now_us)
        if self.leaf is Leaf.ALL:
            view = self.judged.view(self.chosen, Foot(message=often_sentence(self.counts)))
            view = replace(view, rings=(), marks=(), drifts=())
        else:
            message = self._said or self._fault_now() or self._pass_words()
            view = self.judged.view(self.chosen, Foot(message=message))
        bar = self.judged.session.score.bar_index(tick)
        return replace(view, bar=bar, tick=tick, finished=False, at_rest=True)

    @lru_cache(maxsize=16)  # noqa: B019 (lives as long as the window)
    def _lanes(self, number: int, bar: int) -> Lanes | None:
        return lanes(self.judged.session, number, bar) if number else None

    def _pass_words(self) -> str:
        one = self.judged.result.passes[self.chosen - 1]
        told = self.judged.told(self.chosen)
        return (
            told
            if one.clean
            else f"{told}. {words.sentence_case(pass_sentence(self.judged.result, self.chosen))}"
        )

    def _fault_now(self) -> str:
        """Return the sentence of the fault that was judged last, while it is fresh."""
        fresh = None
        for one in self.judged.result.passes:
            for fault in one.faults:
                if 0 <= self.now_us - fault.verdict.time_us < words.FAULT_SHOWN_US:
                    fresh = fault
        return words.sentence_case(other_sentence(fresh)) if fresh is not None else ""

    def _curves(self, beside: tuple[Judged, int] | None) -> tuple[DriftLine, ...]:
        """Return the drift bar by bar: of the chosen pass, the one beside it, then of all others.

        Beside a pass of a model, one line is all there is to see: how far the chosen pass is from that one.
        """
        if self.model and beside is not None and beside[0] is self.other and self.chosen:
            return (self._against(self.chosen, *beside),)
        wanted = [(self.judged, self.chosen)] if self.chosen else []
        wanted += [beside] if beside is not None else []
        wanted += [pair for pair in self._candidates() if pair[0] is self.judged and pair not in wanted]
        lines: list[DriftLine] = []
        for judged, number in wanted:
            points = [
                (float(row.timing.bar), row.timing.drift_ms)
                for row in judged.result.bars
                if row.pass_number == number and row.timing.drift_ms is not None
            ]
            here = (judged, number) == beside
            said = named_words(judged.result.drifts[number - 1], judged.result.bar_numbers)
            lines.append(DriftLine(number, tuple(points), judged.called(number), said, beside=here))
        return tuple(lines)

    @lru_cache(maxsize=8)  # noqa: B019 (lives as long as the window)
    def _against(self, chosen: int, model: Judged, number: int) -> DriftLine:
        """Return how a pass's time stands against a pass of the model."""
        session = self.judged.session
        found = drift_against(
            session, self.judged.passes[chosen - 1], model.session, model.passes[number - 1], model.name
        )
        bars = [(float(one.bar), one.drift_ms) for one in found.drift.bars if one.drift_ms is not None]
        return DriftLine(
            chosen,
            tuple((bar, drift.value) for bar, drift in bars),
            against_name(model.called(number)),
            named_words(found.drift, self.judged.result.bar_numbers),
            spans=tuple((drift.low, drift.high) for _, drift in bars),
        )


def leaf_named(name: str) -> Leaf:
    """Return the leaf with a name."""
    return next(leaf for leaf in LEAVES if leaf.value == name)


def _saying(view: View, message: str) -> View:
    return replace(view, foot=replace(view.foot, message=message))
