"""A take under a playhead: forwards, backwards, at any speed, to the next bar or the next fault.

No clock and no window here: ``advance`` is told how much time went by.  Going back plays the take from its
start again up to the place, which costs far less than a frame for each minute of music.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right

from coach.app.piece import Piece
from coach.app.sitting import replay
from coach.app.terms import Terms
from coach.core.events import End, Tick
from coach.core.profile import Profile
from coach.core.report import Report, report
from coach.core.session import Session
from coach.core.verdicts import Limits
from coach.core.view import Viewer
from coach.core.wire import Decoder
from coach.files.take import Take

SPEEDS = (0.1, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 4.0)
STEP_GRACE_US = 300_000  # stepping back within this long of a bar's start goes to the bar before


class Rewind:
    """The mutable owner of a replay."""

    def __init__(
        self,
        take: Take,
        piece: Piece,
        *,
        profile: Profile | None,
        limits: Limits,
        terms: Terms | None = None,
    ) -> None:
        """``terms``: what was asked for (default: what the take was played under)."""
        self.take, self.piece, self.limits = take, piece, limits
        self.profile = profile or take.meta.profile
        judged, ignored = replay(take, piece, profile=profile, limits=limits, terms=terms)
        self.judged = judged  # the whole take
        self._stops = judged.stops
        self.result: Report = report(judged, ignored)
        self.end_us = max(take.end_us, judged.now_us)
        self.speed = 1.0
        self.now_us = 0
        self.faults = sorted(
            (fault.verdict.time_us for one in self.result.passes for fault in one.faults),
        )
        self.bars = _bars(judged)  # (µs, number as a musician counts) of every bar played, in order of time
        self.bar_starts = [us for us, _ in self.bars]
        self._begin()
        if take.messages:  # nobody wants to watch the silence before the first note
            self.seek(take.messages[0][0] - 300_000)

    @property
    def ended(self) -> bool:
        """Whether the playhead stands at the end."""
        return self.now_us >= self.end_us

    def advance(self, elapsed_us: int) -> bool:
        """Let real time go by; return whether the playhead moved."""
        if self.ended:
            return False
        self._forward(self.now_us + round(elapsed_us * self.speed))
        return True

    def seek(self, us: int) -> None:
        """Put the playhead at a time (clipped to the take)."""
        target = min(max(us, 0), self.end_us)
        if target < self.now_us:
            self._begin()
        self._forward(target)

    def bar_from(self, us: int, direction: int) -> int:
        """Return where the next bar begins (1), or this one or the one before (-1), from a time on."""
        starts = self.bar_starts
        if direction > 0:
            at = bisect_right(starts, us)
            return starts[at] if at < len(starts) else self.end_us
        at = bisect_left(starts, us - STEP_GRACE_US) - 1
        return starts[at] if at >= 0 else 0

    def fault_from(self, us: int, direction: int) -> int | None:
        """Return where the next fault (1) or the one before (-1) stands; None where there is none."""
        at = bisect_right(self.faults, us) if direction > 0 else bisect_left(self.faults, us) - 1
        return self.faults[at] if 0 <= at < len(self.faults) else None

    def change_speed(self, direction: int) -> None:
        """Take the next faster (1) or slower (-1) speed."""
        at = SPEEDS.index(self.speed) + direction
        self.speed = SPEEDS[min(max(at, 0), len(SPEEDS) - 1)]

    def _begin(self) -> None:
        self.session = Session(
            self.piece.score,
            profile=self.profile,
            limits=self.limits,
            stops=self._stops,
            chunk=self.take.meta.chunk,
        )
        self.viewer = Viewer(self.session)
        self._decoder = Decoder(self.profile, self.session.channels)
        self._next = 0
        self.now_us = 0

    def _forward(self, us: int) -> None:
        self.now_us = min(us, self.end_us)
        messages = self.take.messages
        while self._next < len(messages) and messages[self._next][0] <= self.now_us:
            time_us, data = messages[self._next]
            for event in self._decoder.decode(time_us, data):
                self.session.feed(event)
            self._next += 1
        if self.ended:
            self.session.feed(End(self.end_us))
        else:
            self.session.feed(Tick(self.now_us + 1))  # what is due at this very moment is seen, too


def _bars(judged: Session) -> list[tuple[int, int]]:
    starts: list[tuple[int, int]] = []
    for during in judged.matching.passes:
        seen = -1
        for anchor in during.anchors:
            bar = int(judged.score.notes["bar"][anchor.match.label.note])
            if bar != seen:
                starts.append((anchor.match.played.heard_us, judged.score.bars[bar].number))
                seen = bar
    return sorted(starts)
