"""The ring strip of a view: every bass and stray of a pass as a line in score time."""

from __future__ import annotations

from bisect import bisect_left, bisect_right

from coach.core import words
from coach.core.damping import Stop
from coach.core.matching import Match
from coach.core.passes import Pass
from coach.core.score import TICKS_PER_QUARTER
from coach.core.session import Session
from coach.core.shapes import Ring, RingState
from coach.core.verdicts import Damping, DampingVerdict


class Rings:
    """Builds rings; keeps those that will not change any more."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.everywhere = (0, len(session.score.bars))
        self._whole: dict[int, list[Ring]] = {}  # by pass: of those in which nothing will change any more
        self._kept: dict[int, Ring | None] = {}  # by match; None: a note that has no ring

    def of_pass(self, during: Pass, now_us: int, near: tuple[int, int]) -> list[Ring]:
        """Return the rings of one pass as of ``now_us``; ``near`` is the range of bars that is wanted."""
        session, number = self.session, during.number
        if number in self._whole:
            return self._whole[number]
        matches = session.matching.matches
        first = bisect_left(matches, number, key=_pass_number)
        last = bisect_right(matches, number, key=_pass_number) - 1
        final = during.closed
        rings: list[Ring] = []
        for index in range(last, first - 1, -1):
            match = matches[index]
            if session.groups.bar_of(match.label.group) < near[0]:
                final = False
                break
            ring = self._kept[index] if index in self._kept else self._ring_of(match, now_us)
            final = final and index in self._kept
            if ring is not None:
                rings.append(ring)
        for verdict in session.ledger.pencilled(number):
            if isinstance(verdict, DampingVerdict):
                bar = int(session.score.notes["bar"][verdict.note])
                if near[0] <= bar <= near[1]:
                    rings.append(self._missed(verdict, bar))
        if final and near == self.everywhere:
            self._whole[number] = rings
        return rings

    def _missed(self, verdict: DampingVerdict, bar: int) -> Ring:
        onset, stop = (
            float(self.session.score.notes["onset"][verdict.note]),
            self.session.stop_of[verdict.note],
        )
        return Ring(
            string=stop.string,
            start_tick=onset,
            end_tick=onset,
            slot_end_tick=stop.due,
            state=RingState.MISSED,
            sounding=False,
            settled=verdict.settled,
            bar=bar,
            note=verdict.note,
        )

    def _ring_of(self, match: Match, now_us: int) -> Ring | None:
        """Return the ring of a bass or a stray; None for every other note."""
        session, played = self.session, match.played
        stop = session.stop_of.get(match.label.note)
        verdict = session.verdicts.get(("stray" if stop is None else "damp", played.index, 0))
        if stop is None and verdict is None:
            if match.settled and (match.label.note >= 0 or not played.sounding):
                self._kept[match.index] = None
            return None
        sounding, off_us = played.sounding, played.off_us
        if isinstance(verdict, DampingVerdict) and verdict.due_us is not None:
            # Plucked again by mistake it sounds on: what the verdict says of the string holds.
            sounding, off_us = verdict.release_us is None, verdict.release_us
        sounding = sounding and not session.ended
        end = position(session, match.during, off_us if off_us is not None else now_us)
        if stop is None:
            start = position(session, match.during, played.on_us)
            ring = Ring(
                string=played.string or 0,
                start_tick=start,
                end_tick=max(end, start),
                slot_end_tick=None,
                state=RingState.STRAY,
                sounding=sounding,
                settled=match.settled,
                bar=session.groups.bar_of(match.label.group),
            )
        else:
            ring = self._ring(match, stop, verdict, end, sounding)
        over = session.matching.passes[-1] is not match.during or session.ended
        if ring.settled and not sounding and (over or ring.end_tick < match.during.last_tick()):
            self._kept[match.index] = ring
        return ring

    def _ring(self, match: Match, stop: Stop, verdict: object, end: float, sounding: bool) -> Ring:
        played, notes = match.played, self.session.score.notes
        # A line begins at its note head and, where the stop was clean, ends at the tick: the few milliseconds
        # between a bass and its melody are no matter of this strip.
        start = float(notes["onset"][stop.note])
        state = RingState.OVERDUE if sounding and end > stop.due else RingState.SOUNDING
        said, settled = "", match.settled
        if isinstance(verdict, DampingVerdict):
            state, settled = RingState(verdict.kind.value), verdict.settled
            overhang_ms = verdict.overhang_ms
            if verdict.kind in (Damping.CLEAN, Damping.REPLACED):
                late = overhang_ms or 0.0
                end = float(stop.due) if late > -self.session.limits.tolerance_ms else end
            elif verdict.kind in (Damping.LATE, Damping.RINGING):
                end = max(end, float(stop.due))
                said = words.milliseconds(overhang_ms) if overhang_ms is not None else ""
        return Ring(
            string=played.string or stop.string,
            start_tick=start,
            end_tick=max(end, start),
            slot_end_tick=float(stop.due),
            state=state,
            sounding=sounding,
            settled=settled,
            bar=int(notes["bar"][stop.note]),
            words=said,
            note=stop.note,
        )


def _pass_number(match: Match) -> int:
    return match.during.number


def position(session: Session, during: Pass, us: int) -> float:
    """Return the score's tick at a moment of a pass.

    Between two onsets it is interpolated; after the last it goes on at the player's pace, but waits before
    a note that has not been played.
    """
    after = None
    for anchor in during.backwards():
        if anchor.us <= us:
            if after is not None:
                share = (us - anchor.us) / (after.us - anchor.us)
                return anchor.tick + share * (after.tick - anchor.tick)
            pace = during.pace(anchor.tick) or session.follower.beat_us / TICKS_PER_QUARTER
            ahead = anchor.tick + (us - anchor.us) / max(pace, 1e-6)
            limit = session.groups.next_onset(during.front)
            return min(ahead, float(session.score.end if limit is None else limit))
        after = anchor
    return float(after.tick if after is not None else session.groups.onset_of(during.start))
