"""How much of what was judged is shown while playing: the amount, how it fades, and what a page hides.

Feedback that is always there is leant on, and what was played under it is kept less well: the guidance
hypothesis (Salmoni, Schmidt & Walter 1984, Psychological Bulletin 95:355–386).  Feedback that grows rarer
as the skill grows helped retention (Winstein & Schmidt 1990, JEP: Learning, Memory, and Cognition
16:677–691), so did feedback on several trials at once after the last of them (Schmidt et al. 1989); feedback
*during* the movement bred the strongest dependence, and showing it on every other trial only was good
(Park, Shea & Wright 2000, Journal of Motor Behavior 32:287–296).  None of these studies is about the guitar,
and none gives the figures used here: three clean passes, two with faults and four steps are our own.

Only the picture is thinned out.  Verdicts, counts, reports and the saved take are never touched, and
everything here is a function of what the session knows: live and replayed, the page is the same.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from coach.core import words
from coach.core.shapes import DriftMark, MarkKind, NoteMark, Ring, RingState

CLEAN_IN_A_ROW = 3  # passes; then one step less is shown.  Our own, after the trade's "three in a row"
FAULTY_IN_A_ROW = 2  # passes; then one step more again.  Our own: one bad pass is chance
PASSES_TOGETHER = 2  # whose marks come at once under ``Amount.SECOND``: every other trial (Park et al. 2000)


class Amount(Enum):
    """How much is shown while playing, from most to least."""

    EVERYTHING = "everything"  # every mark at its moment
    LARGE = "large"  # at its moment what rang on, was wrong or left out; the rest when the pass is over
    AFTER = "each-pass"  # all marks of a pass when it is over
    SECOND = "every-second-pass"  # all marks of two passes when the second is over


STEPS = tuple(Amount)


class Fading:
    """The amount now in force: less as passes become clean, more again as faults come back.

    It starts at the person's own choice.  After ``CLEAN_IN_A_ROW`` clean passes in a row there is one step
    less; after ``FAULTY_IN_A_ROW`` passes in a row with faults one step more, never more than was chosen.
    Each change starts both counts anew.  ``fixed`` keeps the choice whatever happens.
    """

    def __init__(self, chosen: Amount, *, fixed: bool = False) -> None:
        self.chosen, self.fixed = chosen, fixed
        self.amount = chosen
        self._clean = self._faulty = 0  # passes in a row

    def take(self, clean: bool) -> str:
        """Count one more pass; return the sentence that says what changes, or nothing."""
        self._clean, self._faulty = (self._clean + 1, 0) if clean else (0, self._faulty + 1)
        if self.fixed:
            return ""
        if self._clean >= CLEAN_IN_A_ROW:
            return self._step(1, words.SHOWN_LESS)
        if self._faulty >= FAULTY_IN_A_ROW:
            return self._step(-1, words.SHOWN_MORE)
        return ""

    def _step(self, by: int, sentences: dict[str, str]) -> str:
        self._clean = self._faulty = 0
        at = STEPS.index(self.amount) + by
        if not STEPS.index(self.chosen) <= at < len(STEPS):
            return ""
        self.amount = STEPS[at]
        return sentences[self.amount.value]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the session knows of one pass."""

    over: bool  # nothing is being played in it now
    final: bool  # it is over for good, and every stop in it is judged
    counts: bool  # long enough to say something: no false start
    clean: bool  # no settled fault in it


@dataclass(frozen=True, slots=True)
class Course:
    """Where a sitting stands: what is shown now, and what was said on the way."""

    amount: Amount  # in force now
    shown: int  # all marks of the passes up to this number stand on the page; 0: of none
    final: int  # so many passes, from the first, are over for good
    changes: tuple[str, ...]  # one sentence for each change of the amount, in order
    counted: int = 0  # so many passes were long enough to count, and are over for good
    clean_in_a_row: int = 0  # the last so many of those were clean; one with faults begins at 0 again

    def amount_of(self, number: int) -> Amount:
        """Return how much of a pass (from 1) is to be shown now."""
        return Amount.EVERYTHING if number <= self.shown else self.amount


def course(outcomes: Iterable[Outcome], chosen: Amount, *, fixed: bool = False) -> Course:
    """Return where a sitting stands after its passes so far, in order."""
    fading = Fading(chosen, fixed=fixed)
    shown = final = waiting = counted = in_a_row = 0
    changes: list[str] = []
    for number, one in enumerate(outcomes, 1):
        if not one.over:
            break
        waiting += one.counts
        if fading.amount is not Amount.SECOND or waiting >= PASSES_TOGETHER:
            shown, waiting = number, 0
        if not one.final:
            break
        final = number
        if not one.counts:
            continue
        counted, in_a_row = counted + 1, in_a_row + 1 if one.clean else 0
        said = fading.take(one.clean)
        if said:
            changes.append(said)
    return Course(fading.amount, shown, final, tuple(changes), counted, in_a_row)


# --- what the page hides ------------------------------------------------------------------------------


def shown_rings(rings: Iterable[Ring], amount: Amount) -> Iterable[Ring]:
    """Return the rings of one pass as a page may show them under ``amount``.

    What is not to be seen yet is drawn as a string that merely sounds, at most up to its stop.
    """
    if amount is Amount.EVERYTHING:
        return rings
    large = amount is Amount.LARGE
    found: list[Ring] = []
    for ring in rings:
        if ring.state is RingState.FREE or (large and ring.state in LARGE_RINGS):
            found.append(ring)  # that a bass may ring is written, and no verdict
        elif ring.slot_end_tick is not None and ring.state is not RingState.MISSED:
            found.append(_neutral(ring, ring.slot_end_tick))
    return found


def shown_marks(marks: Iterable[NoteMark], amount: Amount) -> Iterable[NoteMark]:
    """Return the pencil marks of one pass that a page may show under ``amount``."""
    if amount is Amount.EVERYTHING:
        return marks
    return [mark for mark in marks if mark.kind in LARGE_MARKS] if amount is Amount.LARGE else []


def shown_drifts(drifts: Iterable[DriftMark], amount: Amount) -> Iterable[DriftMark]:
    """Return the drift marks of one pass that a page may show under ``amount``."""
    return drifts if amount is Amount.EVERYTHING else []


LARGE_RINGS = (RingState.RINGING, RingState.MISSED)
LARGE_MARKS = (MarkKind.WRONG, MarkKind.MISSING)


def _neutral(ring: Ring, due: float) -> Ring:
    """Return a ring without its verdict; past its stop it stands still, for that it goes on is one."""
    return Ring(  # made directly: ``replace`` takes half as long again, and it is for every frame
        string=ring.string,
        start_tick=ring.start_tick,
        end_tick=min(ring.end_tick, due),
        slot_end_tick=due,
        state=RingState.SOUNDING,
        sounding=ring.sounding and ring.end_tick < due,
        settled=ring.settled,
        bar=ring.bar,
        note=ring.note,
    )
