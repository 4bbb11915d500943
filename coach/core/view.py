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
from coach.core.verdicts import Damping, DampingVerdict, StrayVerdict, Stroke, StrokeVerdict

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
        self._drifts: tuple[int, int, tuple[DriftMark, ...]] = (0, -1, ())

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
        during = passes[-1 if pass_number is None else pass_number - 1]
        tick = position(session, during, now_us)
        bar = score.bar_index(tick)
        hidden = self._hidden_bars(during)
        rings = [r for r in self._rings(during, now_us) if r.bar not in hidden]
        marks = [m for m in self._marks(during) if m.bar not in hidden]
        drifts = [d for d in self._drift_marks(during) if d.bar not in hidden]
        live = during is passes[-1] and not session.ended
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

    def _hidden_bars(self, during: Pass) -> set[int]:
        """Return the performed bars that a later round of the same written bar has covered."""
        bars, groups = self.session.score.bars, self.session.groups
        if not any(bar.round > 1 for bar in bars):
            return set()
        first = groups.bar_of(during.start)
        last = groups.bar_of(max(during.front, during.start))
        newest: dict[int, int] = {}
        for index in range(first, last + 1):
            newest[bars[index].written] = index
        return {i for i in range(first, last + 1) if newest[bars[i].written] != i}

    def _rings(self, during: Pass, now_us: int) -> list[Ring]:
        session, notes = self.session, self.session.score.notes
        rings: list[Ring] = []
        for match in _matches_of(session, during):
            row = match.label.note
            stop = session.stop_of.get(row)
            stray = session.verdicts.get(("stray", match.played.index, 0))
            if stop is None and not isinstance(stray, StrayVerdict):
                continue
            played = match.played
            until_us = played.off_us if played.off_us is not None else now_us
            start = position(session, during, played.on_us)
            end = max(position(session, during, until_us), start)
            if stop is None:
                bar = session.groups.bar_of(match.label.group)
                rings.append(
                    Ring(
                        played.string or 0,
                        start,
                        end,
                        None,
                        RingState.STRAY,
                        played.sounding and not session.ended,
                        match.settled,
                        bar,
                    )
                )
                continue
            verdict = session.verdicts.get(("damp", played.index, 0))
            rings.append(self._ring(match, stop, verdict, start, end))
        for row in self._missed(during):
            stop = session.stop_of[row]
            onset = float(notes["onset"][row])
            missed = session.verdicts[("missed", during.number, row)]
            rings.append(
                Ring(
                    stop.string,
                    onset,
                    onset,
                    stop.due,
                    RingState.MISSED,
                    False,
                    missed.settled,
                    int(notes["bar"][row]),
                    note=row,
                )
            )
        return rings

    def _ring(self, match: Match, stop: Stop, verdict: object, start: float, end: float) -> Ring:
        played = match.played
        sounding = played.sounding and not self.session.ended
        state = RingState.OVERDUE if sounding and end > stop.due else RingState.SOUNDING
        words_ = ""
        settled = match.settled
        if isinstance(verdict, DampingVerdict):
            state = RingState(verdict.kind.value)
            settled = verdict.settled
            if verdict.kind in (Damping.LATE, Damping.RINGING):
                words_ = words.milliseconds(verdict.overhang_ms) if verdict.overhang_ms is not None else ""
        bar = int(self.session.score.notes["bar"][stop.note])
        return Ring(
            played.string or stop.string,
            start,
            end,
            float(stop.due),
            state,
            sounding,
            settled,
            bar,
            words_,
            stop.note,
        )

    def _missed(self, during: Pass) -> list[int]:
        keys = self.session.verdicts
        return [key[2] for key in keys if key[0] == "missed" and key[1] == during.number]

    def _marks(self, during: Pass) -> list[NoteMark]:
        score = self.session.score
        marks: list[NoteMark] = []
        for verdict in self.session.verdicts.values():
            if not isinstance(verdict, StrokeVerdict) or verdict.kind is Stroke.RIGHT:
                continue
            if verdict.pass_number != during.number:
                continue
            if verdict.note >= 0:
                tick = float(score.notes["onset"][verdict.note])
            else:
                tick = position(self.session, during, verdict.on_us or 0)
            fifths = score.bars[verdict.bar].fifths
            spoken = name(verdict.pitch, fifths, octave=False) if verdict.kind is Stroke.WRONG else ""
            marks.append(
                NoteMark(
                    MARKS[verdict.kind],
                    tick,
                    verdict.bar,
                    verdict.pitch,
                    verdict.settled,
                    verdict.note,
                    spoken,
                )
            )
        return marks

    def _drift_marks(self, during: Pass) -> tuple[DriftMark, ...]:
        """Return one mark a bar; reckoned anew only when the player enters another bar."""
        session = self.session
        front = session.groups.bar_of(max(during.front, during.start))
        state = (during.number, front if not session.ended else -2)
        if self._drifts[:2] == state:
            return self._drifts[2]
        timings = bar_timings(session.score, pass_onsets(session.score, during), session.click)
        marks = tuple(
            DriftMark(
                t.bar, t.drift_ms, t.slope_ms or 0.0, words.drift_words(t.drift_ms, session.limits.drift_ms)
            )
            for t in timings
            if t.drift_ms is not None and (t.bar != front or session.ended)
        )
        self._drifts = (*state, marks)
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
            pace = during.pace(anchor.tick, session.follower.beat_us / TICKS_PER_QUARTER)
            ahead = anchor.tick + (us - anchor.us) / max(pace, 1e-6)
            limit = session.groups.next_onset(during.front)
            return min(ahead, float(session.score.end if limit is None else limit))
        after = anchor
    return float(after.tick if after is not None else session.groups.onset_of(during.start))


def _matches_of(session: Session, during: Pass) -> list[Match]:
    found: list[Match] = []
    for match in reversed(session.matching.matches):
        if match.during.number < during.number:
            break
        if match.during is during:
            found.append(match)
    found.reverse()
    return found
