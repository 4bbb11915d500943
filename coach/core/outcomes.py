"""How each pass of a session came out, as far as it is known: is it over, does it count, was it clean.

A pass is closed by the session only when the next has begun.  A player who has come to the end, or has
stopped and looks at the page, has finished it all the same.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right

from coach.core.feedback import Outcome
from coach.core.matching import Match
from coach.core.passes import Pass
from coach.core.score import TICKS_PER_QUARTER
from coach.core.session import Session
from coach.core.verdicts import DAMPING_FAULTS, STROKE_FAULTS, DampingVerdict, StrayVerdict, StrokeVerdict

PAUSE_US = 4_000_000  # so long after the next note was due the player has stopped.  Our own figure
GOING_ON = Outcome(over=False, final=False, counts=False, clean=False)
LEAST_BARS = 2  # a shorter pass, unless it is the whole chunk, is a false start and counts for nothing; ours


class Outcomes:
    """Reads the passes of one session; keeps what cannot change any more."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._kept: list[Outcome] = []  # of the first passes, closed and judged

    def at(self, now_us: int) -> list[Outcome]:
        """Return the outcome of every pass, the first first, as of ``now_us``."""
        session = self.session
        passes = session.matching.passes
        found = self._kept.copy()
        for during in passes[len(found) :]:
            matches = self._matches(during)
            closed = during.closed or session.ended
            if not closed and not self._over(during, matches, now_us):
                found.append(GOING_ON)
                continue
            judged = all(self._judged(match) for match in matches)
            outcome = Outcome(
                over=True,
                final=closed or (judged and self._at_end(during)),
                counts=self._counts(during),
                clean=self._clean(during, matches),
            )
            if during.closed and judged and len(self._kept) == len(found):
                self._kept.append(outcome)
            found.append(outcome)
        return found

    def _matches(self, during: Pass) -> list[Match]:
        matches = self.session.matching.matches
        first = bisect_left(matches, during.number, key=_pass_number)
        return matches[first : bisect_right(matches, during.number, key=_pass_number)]

    def _over(self, during: Pass, matches: list[Match], now_us: int) -> bool:
        """Whether nothing is played any more in a pass that is not closed."""
        if not matches or not matches[-1].settled:
            return False
        return self._at_end(during) or now_us >= self._due_us(during, matches[-1]) + PAUSE_US

    def _at_end(self, during: Pass) -> bool:
        return during.front >= self.session.matching.last_group

    def _due_us(self, during: Pass, last: Match) -> int:
        """Return when the next note is due at the player's pace, or when the last came, if that is later."""
        following = self.session.groups.next_onset(during.front)
        anchor = next(during.backwards(), None)
        if following is None or anchor is None:
            return last.played.on_us
        pace = during.pace(anchor.tick) or self.session.follower.beat_us / TICKS_PER_QUARTER
        return max(anchor.us + round(pace * (following - anchor.tick)), last.played.on_us)

    def _judged(self, match: Match) -> bool:
        """Whether everything there will be to say of a note has been said."""
        if not match.settled:
            return False
        stop = self.session.stop_of.get(match.label.note)
        if stop is None or not stop.wanted:
            return match.label.note >= 0 or not match.played.sounding or self._stray(match)
        verdict = self.session.verdicts.get(("damp", match.played.index, 0))
        return verdict is not None and verdict.settled

    def _stray(self, match: Match) -> bool:
        verdict = self.session.verdicts.get(("stray", match.played.index, 0))
        return isinstance(verdict, StrayVerdict) and verdict.settled

    def _counts(self, during: Pass) -> bool:
        groups, matching = self.session.groups, self.session.matching
        begin = groups.span(self.session.chunk)[0] if self.session.chunk else 0
        whole = during.start <= begin and during.front >= matching.last_group
        bars = groups.bar_of(max(during.front, during.start)) - groups.bar_of(during.start) + 1
        return whole or bars >= LEAST_BARS

    def _clean(self, during: Pass, matches: list[Match]) -> bool:
        """Whether a pass has no settled fault: the same rule as ``report.PassRow.clean``."""
        session, number = self.session, during.number
        for verdict in session.ledger.pencilled(number):
            if isinstance(verdict, StrokeVerdict) and verdict.settled and verdict.kind in STROKE_FAULTS:
                return False
        for match in matches:
            end = session.verdicts.get(("damp", match.played.index, 0))
            if isinstance(end, DampingVerdict) and end.settled and end.kind in DAMPING_FAULTS:
                return False
            if self._stray(match):
                return False
        return True


def _pass_number(match: Match) -> int:
    return match.during.number
