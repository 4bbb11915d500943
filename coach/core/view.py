"""The session as a page shows it: plain shapes and words in score time, for any screen."""

from __future__ import annotations

from bisect import bisect_right

from coach.core import words
from coach.core.damping import Stop
from coach.core.matching import Match
from coach.core.passes import Pass
from coach.core.pitch import name
from coach.core.report import pass_onsets
from coach.core.score import TICKS_PER_QUARTER
from coach.core.session import Session
from coach.core.shapes import DriftMark, Foot, MarkKind, NoteMark, Ring, RingState, StopSign, View
from coach.core.timing import bar_timings
from coach.core.verdicts import Damping, DampingVerdict, Stroke, StrokeVerdict

NEAR_BARS = 40  # what lies further from the player is on no page with this one
MARKS = {Stroke.WRONG: MarkKind.WRONG, Stroke.MISSING: MarkKind.MISSING, Stroke.EXTRA: MarkKind.EXTRA}


class Viewer:
    """Builds views of one session; keeps what is costly and seldom changes."""

    def __init__(self, session: Session) -> None:
        self.session = session
        score = session.score
        bars = session.chunk or (0, len(score.bars) - 1)
        self.first_bar, self.last_bar = bars
        self.signs = tuple(self._sign(stop) for stop in session.stops if stop.wanted)
        self._wanted = [stop for stop in session.stops if stop.wanted]
        self._wanted.sort(key=lambda stop: stop.due)
        self._dues = [stop.due for stop in self._wanted]
        self._written = {bar.written for bar in score.bars}
        self._kept: dict[int, Ring] = {}  # by match: what will not change any more
        self._drifts: dict[int, tuple[tuple[int, bool], tuple[DriftMark, ...]]] = {}

    def view(
        self,
        now_us: int,
        *,
        port: str = "",
        message: str = "",
        tempo: str = "",
        pass_number: int | None = None,
    ) -> View:
        """Return the page as of ``now_us`` (of the last pass unless another is named)."""
        session, score = self.session, self.session.score
        passes = session.matching.passes
        if not passes:
            start = score.bars[self.first_bar].onset if score.bars else 0
            return self._empty(start, port, message, tempo)
        last = len(passes) if pass_number is None else pass_number
        during = passes[last - 1]
        tick = position(session, during, now_us)
        bar = score.bar_index(tick)
        rings: list[Ring] = []
        marks: list[NoteMark] = []
        drifts: list[DriftMark] = []
        shown = self._shown_bars(passes[:last])
        for number in sorted({number for number, _ in shown}):
            one = passes[number - 1]
            near = (bar - NEAR_BARS, bar + NEAR_BARS) if one is during else (0, len(score.bars))
            rings += (r for r in self._rings(one, now_us, near) if (number, r.bar) in shown)
            marks += (m for m in self._marks(one, near) if (number, m.bar) in shown)
            drifts += (d for d in self._drift_marks(one) if (number, d.bar) in shown)
        live = last == len(passes) and not session.ended
        return View(
            first_bar=self.first_bar,
            last_bar=self.last_bar,
            bar=bar,
            tick=tick,
            unsure=live and not session.follower.certain,
            pass_number=during.number,
            rings=tuple(rings),
            marks=tuple(marks),
            drifts=tuple(drifts),
            stops=self.signs,
            foot=self._foot(tick if live else None, port, message, tempo),
            finished=session.ended,
        )

    def _empty(self, start: int, port: str, message: str, tempo: str) -> View:
        return View(
            first_bar=self.first_bar,
            last_bar=self.last_bar,
            bar=self.first_bar,
            tick=start,
            unsure=False,
            pass_number=1,
            rings=(),
            marks=(),
            drifts=(),
            stops=self.signs,
            foot=self._foot(start - 1, port, message, tempo),
            finished=self.session.ended,
        )

    # --- parts ----------------------------------------------------------------------------------

    def _foot(self, tick: float | None, port: str, message: str, tempo: str) -> Foot:
        bars = self.session.score.bars
        chunk = ""
        if self.session.chunk is not None and bars:
            chunk = words.bars_words(bars[self.first_bar].number, bars[self.last_bar].number)
        return Foot(chunk=chunk, tempo=tempo, next_stop=self._next_stop(tick), port=port, message=message)

    def _next_stop(self, tick: float | None) -> str:
        if tick is None:
            return ""
        at = bisect_right(self._dues, tick)
        if at == len(self._wanted):
            return ""
        stop = self._wanted[at]
        score = self.session.score
        where = "at the rest"
        if stop.next_note >= 0:
            fifths = score.bars[int(score.notes["bar"][stop.next_note])].fifths
            where = f"at the {name(int(score.notes['pitch'][stop.next_note]), fifths, octave=False)}"
        elif stop.lenient:
            where = "at the end"
        way = f", {words.WAY_NAME[stop.way]}" if stop.way else ""
        return f"next: stop {words.string_sign(stop.string)} {where}{way}"

    def _sign(self, stop: Stop) -> StopSign:
        way = words.WAY_SHORT[stop.way] if stop.way else ""
        bar = self.session.score.bar_index(stop.due)
        return StopSign(stop.due, bar, stop.string, stop.note, way, stop.wanted)

    def _shown_bars(self, passes: list[Pass]) -> set[tuple[int, int]]:
        """Return (pass number, performed bar) of what the page shows: each written bar as last played.

        Pencil marks stay until their bar is played again, in a later pass or a later round of a repeat.
        """
        bars, groups = self.session.score.bars, self.session.groups
        shown: set[tuple[int, int]] = set()
        taken: set[int] = set()
        for one in reversed(passes):
            first = groups.bar_of(one.start)
            for index in range(groups.bar_of(max(one.front, one.start)), first - 1, -1):
                if bars[index].written not in taken:
                    taken.add(bars[index].written)
                    shown.add((one.number, index))
            if len(taken) == len(self._written):
                break
        return shown

    def _rings(self, during: Pass, now_us: int, near: tuple[int, int]) -> list[Ring]:
        session, notes = self.session, self.session.score.notes
        rings: list[Ring] = []
        for match in reversed(session.matching.matches):
            if match.during.number < during.number:
                break
            if match.during is not during:
                continue
            if session.groups.bar_of(match.label.group) < near[0]:
                break
            ring = self._kept.get(match.index) or self._ring_of(match, now_us)
            if ring is not None:
                rings.append(ring)
        for verdict in session.ledger.of_pass(during.number):
            if not (isinstance(verdict, DampingVerdict) and verdict.kind is Damping.MISSED):
                continue
            bar, onset = int(notes["bar"][verdict.note]), float(notes["onset"][verdict.note])
            if near[0] <= bar <= near[1]:
                stop = session.stop_of[verdict.note]
                state = RingState.MISSED
                rings.append(
                    Ring(
                        stop.string,
                        onset,
                        onset,
                        stop.due,
                        state,
                        False,
                        verdict.settled,
                        bar,
                        note=verdict.note,
                    )
                )
        return rings

    def _ring_of(self, match: Match, now_us: int) -> Ring | None:
        """Return the ring of a bass or a stray; None for every other note."""
        session, played = self.session, match.played
        stop = session.stop_of.get(match.label.note)
        verdict = session.verdicts.get(("stray" if stop is None else "damp", played.index, 0))
        if stop is None and verdict is None:
            return None
        sounding = played.sounding and not session.ended
        until_us = played.off_us if played.off_us is not None else now_us
        end = position(session, match.during, until_us)
        if stop is None:
            start = position(session, match.during, played.on_us)
            bar = session.groups.bar_of(match.label.group)
            ring = Ring(
                played.string or 0,
                start,
                max(end, start),
                None,
                RingState.STRAY,
                sounding,
                match.settled,
                bar,
            )
        else:
            ring = self._ring(match, stop, verdict, end, sounding)
        front = session.matching.passes[-1] is not match.during or session.ended
        if ring.settled and not sounding and (front or ring.end_tick < match.during.last_tick()):
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

    def _marks(self, during: Pass, near: tuple[int, int]) -> list[NoteMark]:
        score = self.session.score
        marks: list[NoteMark] = []
        for verdict in self.session.ledger.of_pass(during.number):
            if not isinstance(verdict, StrokeVerdict) or verdict.kind is Stroke.RIGHT:
                continue
            if not near[0] <= verdict.bar <= near[1]:
                continue
            if verdict.note >= 0:
                tick = float(score.notes["onset"][verdict.note])
            else:
                tick = position(self.session, during, verdict.on_us or 0)
            fifths = score.bars[verdict.bar].fifths
            spoken = name(verdict.pitch, fifths, octave=False) if verdict.kind is Stroke.WRONG else ""
            kind = MARKS[verdict.kind]
            marks.append(
                NoteMark(kind, tick, verdict.bar, verdict.pitch, verdict.settled, verdict.note, spoken)
            )
        return marks

    def _drift_marks(self, during: Pass) -> tuple[DriftMark, ...]:
        """Return one mark a bar; reckoned anew only when the player enters another bar."""
        session = self.session
        front = session.groups.bar_of(max(during.front, during.start))
        over = session.ended or during.number < len(session.matching.passes)
        state = (front, over)
        kept = self._drifts.get(during.number)
        if kept is not None and kept[0] == state:
            return kept[1]
        timings = bar_timings(session.score, pass_onsets(session.score, during), session.click)
        threshold_ms = session.limits.drift_ms
        marks = tuple(
            DriftMark(t.bar, t.drift_ms, t.slope_ms or 0.0, words.drift_words(t.drift_ms, threshold_ms))
            for t in timings
            if t.drift_ms is not None and (over or t.bar != front)
        )
        self._drifts[during.number] = state, marks
        return marks


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
