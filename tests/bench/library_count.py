"""What the benchmark beside research libraries counts (``tests.bench.libraries``).

An *answer* says of each event of a take which score note it is, and at which onset of the score the follower
then was; the take says what was meant.  From that:

- ``exact``: note-match F1, right matches against those made and those there are;
- ``equal``: the same, exactly equal bars counted as equal;
- ``mir``: F1 by mir_eval's rules for notes (``mir_eval.transcription``: onset within 50 ms, pitch within half
  a semitone, each note paired once), what was recognised and what was played both taken as notes at their
  places in the score's own time.  Those rules ask which score notes were found, and how often; not of which
  event.  Every exact match is one of their pairs, so ``exact`` is never above ``mir``: it is the stricter;
- ``off``: of the events that were meant, how many onsets the follower's place is from the true one, in the
  mean, and the share more than one onset off; an event matched with nothing counts by the place where the
  follower then was;
- ``back`` and ``back, equal``: the event after a jump with which the labels are right twice running;
- ``µs``: of the processor's time, for each call.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from coach.core.groups import Groups
from coach.core.score import Score
from tests.bench.follow import NEVER_BACK, counts, recoveries
from tests.bench.follow_material import Take

NOISE = 0.002  # F1s nearer than this, or than one note, are called tied
HEAD = ("matcher", "exact", "equal", "mir", "off", "off > 1", "back", "back, equal", "µs")


@dataclass(frozen=True, slots=True)
class Played:
    """One take of one score, and the seed that makes it."""

    score: Score
    groups: Groups
    take: Take
    name: str = ""
    seed: int = 0


@dataclass(slots=True)
class Answer:
    """What a follower made of one take: for each event a score row (-1: none) and an onset's number."""

    notes: list[int] = field(default_factory=list)
    places: list[int] = field(default_factory=list)
    cost_us: list[float] = field(default_factory=list)


@dataclass(slots=True)
class Line:
    """What a follower made of all takes of a row."""

    name: str
    exact: float
    equal: float
    mir: float
    off: float
    far: float
    back: list[int]
    back_equal: list[int]
    cost_us: list[float]
    by_take: list[float]  # exact F1 of each take
    notes: int  # that were meant

    def worth(self, what: str) -> float:
        """Return a measure of which more is better: those of which less is better come negative.

        ``exact``, ``equal``, ``off``, or ``back`` with the percentage: ``back 50``.
        """
        if what.startswith("back"):
            return -float(np.percentile(self.back, float(what.split()[1]), method="nearest"))
        return -self.off if what == "off" else float(getattr(self, what))

    def cells(self) -> list[str]:
        """Return the line as it is printed, by ``HEAD``."""
        cost = "/".join(f"{np.percentile(self.cost_us, q):.0f}" for q in (50, 99)) if self.cost_us else "–"
        return [
            self.name,
            *(f"{value:.4f}" for value in (self.exact, self.equal, self.mir)),
            f"{self.off:.3f}",
            f"{self.far:.3f}",
            _recovered(self.back),
            _recovered(self.back_equal),
            cost,
        ]


def _recovered(back: list[int]) -> str:
    if not back:
        return "–"
    at = (np.percentile(back, q, method="nearest") for q in (50, 90, 95))
    return "/".join("never" if value >= NEVER_BACK else f"{value:.0f}" for value in at)


def f1(sums: np.ndarray) -> float:
    """Return F1 of right, made and there are."""
    return float(2 * sums[0] / max(sums[1] + sums[2], 1))


def by_mir_eval(labels: list[int], truth: list[int], score: Score) -> np.ndarray:
    """Return pairs, notes recognised and notes played, by mir_eval's rules.

    In a score no pitch comes twice within 50 ms (that would be twenty a second); so a pair is a note of the
    same onset and pitch, and each is used once.
    """
    notes = score.notes
    found, meant = (
        Counter((int(notes["onset"][row]), int(notes["pitch"][row])) for row in rows if row >= 0)
        for rows in (labels, truth)
    )
    return np.array([(found & meant).total(), found.total(), meant.total()])


def places_of(groups: Groups) -> np.ndarray:
    """Return for each onset group the number of its onset: grace notes share their main note's."""
    return np.searchsorted(np.unique(groups.onsets), groups.onsets)


def count(name: str, played: list[Played], answers: list[Answer]) -> Line:
    """Return what the answers come to."""
    sums, by_take = np.zeros((3, 3)), []
    off: list[int] = []
    back: list[int] = []
    equal: list[int] = []
    for one, answer in zip(played, answers, strict=True):
        truth, groups = one.take.truth, one.groups
        exact = counts(answer.notes, truth)
        sums += [
            exact,
            counts(answer.notes, truth, groups.twins),
            by_mir_eval(answer.notes, truth, one.score),
        ]
        by_take.append(f1(exact))
        place = places_of(groups)[groups.of_note]
        # A matched event's place is its note's (a late note lies behind the place the follower has reached).
        at = [place[n] if n >= 0 else p for n, p in zip(answer.notes, answer.places, strict=True)]
        off += [abs(int(a) - int(place[b])) for a, b in zip(at, truth, strict=True) if b >= 0]
        back += recoveries(answer.notes, one.take)
        equal += recoveries(answer.notes, one.take, groups.twins)
    return Line(
        name,
        exact=f1(sums[0]),
        equal=f1(sums[1]),
        mir=f1(sums[2]),
        off=float(np.mean(off)) if off else 0.0,
        far=float(np.mean(np.array(off) > 1)) if off else 0.0,
        back=back,
        back_equal=equal,
        cost_us=[us for answer in answers for us in answer.cost_us],
        by_take=by_take,
        notes=int(sums[0, 2]),
    )


def standing(ours: float, best: float, notes: int) -> str:
    """Return whether ours is ahead of the best library, tied with it (a note, or ``NOISE``) or behind it."""
    if abs(ours - best) <= max(NOISE, 1 / max(notes, 1)) + 1e-12:
        return "tied"
    return "ahead" if ours > best else "behind"
