"""How each pass of a session came out, as far as it is known: is it over, does it count, was it clean.

A pass is closed by the session only when the next has begun.  One that came to its end is over for good as
soon as all of it is settled, the notes missing at its end too; a player who has stopped in the middle and
looks at the page has finished for now.
"""

from __future__ import annotations

from coach.core.clean import cleanness
from coach.core.feedback import Outcome
from coach.core.matching import Match
from coach.core.passes import Pass
from coach.core.score import TICKS_PER_QUARTER
from coach.core.session import Session

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
            matches = session.matching.of_pass(during)
            done = during.closed or during.ending is not None
            if not done and not session.ended and not self._over(during, matches, now_us):
                found.append(GOING_ON)
                continue
            judged = done and all(map(session.decided, matches))
            final = judged or during.closed or session.ended
            outcome = Outcome(
                over=True,
                final=final,
                counts=self._counts(during),
                clean=final and cleanness(session, during).clean,
            )
            if judged and len(self._kept) == len(found):
                self._kept.append(outcome)
            found.append(outcome)
        return found

    def _over(self, during: Pass, matches: list[Match], now_us: int) -> bool:
        """Whether nothing is played any more in a pass that is not closed."""
        if not matches or not matches[-1].settled:
            return False
        return now_us >= self._due_us(during, matches[-1]) + PAUSE_US

    def _due_us(self, during: Pass, last: Match) -> int:
        """Return when the next note is due at the player's pace, or when the last came, if that is later."""
        following = self.session.groups.next_onset(during.front)
        anchor = next(during.backwards(), None)
        if following is None or anchor is None:
            return last.played.on_us
        pace = during.pace(anchor.tick) or self.session.follower.beat_us / TICKS_PER_QUARTER
        return max(anchor.us + round(pace * (following - anchor.tick)), last.played.on_us)

    def _counts(self, during: Pass) -> bool:
        groups, matching = self.session.groups, self.session.matching
        begin = groups.span(self.session.chunk)[0] if self.session.chunk else 0
        whole = during.start <= begin and during.front >= matching.last_group
        if during.silent:
            return False  # one voice alone says nothing of how both go together
        bars = groups.bar_of(max(during.front, during.start)) - groups.bar_of(during.start) + 1
        return whole or bars >= LEAST_BARS
