"""A whole take, judged: its passes, their pages, and what they are called."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property, lru_cache

from coach.core import words
from coach.core.comparison import compare
from coach.core.drift_rows import ModelDrift, drift_against
from coach.core.passes import Pass
from coach.core.report import Report
from coach.core.session import Session
from coach.core.shapes import Foot, View
from coach.core.view import Viewer


@dataclass(frozen=True, eq=False)
class Judged:
    """A whole take, judged."""

    session: Session
    result: Report
    name: str = ""  # beside another take: whose, or of which day

    @property
    def passes(self) -> list[Pass]:
        """Its passes, in order."""
        return self.session.matching.passes

    @cached_property
    def viewer(self) -> Viewer:
        """Builds its pages."""
        return Viewer(self.session)

    @cached_property
    def spans(self) -> list[tuple[int, int]]:
        """First and last moment of each pass, µs."""
        found: list[tuple[int, int]] = []
        for during in self.passes:
            heard = [anchor.match.played.heard_us for anchor in during.anchors]
            start = min(heard, default=found[-1][1] if found else 0)
            found.append((start, max(heard, default=start)))
        return found

    def pass_at(self, us: int) -> int:
        """Return the number of the pass that is played at a moment, or was last; 0 where none is."""
        if not self.spans:
            return 0
        return max(bisect_right([start for start, _ in self.spans], us), 1)

    @lru_cache(maxsize=8)  # noqa: B019 (a take lives as long as its window)
    def view(self, number: int, foot: Foot) -> View:
        """Return the page of one pass alone."""
        return self.viewer.view(self.session.now_us, foot=foot, pass_number=number or None, alone=True)

    def called(self, number: int) -> str:
        """Return what a pass is called beside others."""
        return f"{self.name + ', ' if self.name else ''}{words.PASS_CALLED.format(number=number)}"

    def told(self, number: int) -> str:
        """Return a pass in a few words: its number, its bars, how many faults."""
        one = self.result.passes[number - 1]
        bars = words.bars_words(one.first_bar, one.last_bar)
        part = words.PASS_TOLD.format(number=number, all=len(self.passes), bars=bars)
        faults = words.fate_words(one.count, one.unclear)
        return f"{self.name + ': ' if self.name else ''}{part}: {faults}"

    @property
    def best(self) -> int:
        """The pass to set another take against: the last complete one, else the last; 0 without any."""
        whole = [one.number for one in self.result.passes if one.complete]
        return (whole or [len(self.passes)])[-1]


def against_model(
    model: Judged | None, session: Session, result: Report, number: int | None
) -> ModelDrift | None:
    """Return how the time of a pass (default: the best) stands against a model's best; None without one."""
    this = Judged(session, result)
    chosen = number or this.best
    if model is None or not model.best or not 1 <= chosen <= len(this.passes):
        return None
    like = model.passes[model.best - 1]
    return drift_against(session, this.passes[chosen - 1], model.session, like, model.name)


def compared_text(other: Judged, session: Session, result: Report) -> str:
    """Return what changed from another take's best pass to this one's, in lines."""
    this = Judged(session, result, words.THIS_TAKE)
    if not other.best or not this.best:
        return words.NOTHING_HEARD
    change = compare(other.result, other.best, result, this.best)
    lines = [f"{other.told(other.best)}.", f"{this.told(this.best)}.", change.sentence]
    for title, sentences in (("Mended", change.mended), ("New", change.new), ("Still", change.still)):
        lines += [f"{title}: {sentence}" for sentence in sentences]
    return "\n".join(lines)
