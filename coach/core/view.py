"""The session as a page shows it: plain shapes and words in score time, for any screen."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import replace

from coach.core import view_words, words
from coach.core.damping import Stop
from coach.core.feedback import Amount, Course, course, shown_drifts, shown_marks, shown_rings
from coach.core.outcomes import Outcomes
from coach.core.passes import Anchor, Pass
from coach.core.rings import Rings, position
from coach.core.session import Session
from coach.core.shapes import DriftMark, Foot, MarkKind, NoteMark, Ring, StopSign, View
from coach.core.spelling import tone_name
from coach.core.timing import BarTiming, bar_timings, onsets_of, pass_onsets
from coach.core.verdicts import Stroke, StrokeVerdict

NEAR_BARS = 40  # what lies further from the player is on no page with this one
RECENT_BARS = 8  # while playing, a bar's drift is set against so many bars before it
MARKS = {Stroke.WRONG: MarkKind.WRONG, Stroke.MISSING: MarkKind.MISSING, Stroke.EXTRA: MarkKind.EXTRA}


EMPTY_FOOT = Foot()


class Viewer:
    """Builds views of one session; keeps what is costly and seldom changes."""

    def __init__(self, session: Session, *, amount: Amount = Amount.EVERYTHING, fixed: bool = True) -> None:
        """``amount``: how much is shown while playing; unless ``fixed`` it fades as passes become clean."""
        self.session = session
        self.amount, self.fixed = amount, fixed
        self._outcomes = Outcomes(session)
        score = session.score
        bars = session.chunk or (0, len(score.bars) - 1)
        self.first_bar, self.last_bar = bars
        self.signs = tuple(self._sign(stop) for stop in session.stops if stop.wanted)
        self._wanted = [stop for stop in session.stops if stop.wanted]
        self._wanted.sort(key=lambda stop: stop.due)
        self._dues = [stop.due for stop in self._wanted]
        self._written = {bar.written for bar in score.bars}
        self._rings = Rings(session)
        self._drifts: dict[int, tuple[list[DriftMark], int]] = {}  # by pass: the marks, and the next bar
        self._whole: dict[int, list[DriftMark]] = {}  # by pass, when the take is over
        self._tones: dict[tuple[int, int, int], str] = {}  # names of notes, by row, pitch and bar
        self._shown: tuple[object, frozenset[tuple[int, int]]] = (None, frozenset())

    def view(
        self,
        now_us: int,
        *,
        foot: Foot = EMPTY_FOOT,
        pass_number: int | None = None,
        alone: bool = False,
    ) -> View:
        """Return the page as of ``now_us`` (of the last pass unless another is named).

        ``foot`` is what the caller has to say there; chunk and next stop are filled in, and, while a sitting
        goes on in which a pass has been counted, the clean passes in a row.  ``alone`` shows the marks of
        that pass only, of all of its bars; of a bar that it played twice, in a repeat, those of the round
        that ``now_us`` has come to.
        """
        session, score = self.session, self.session.score
        passes = session.matching.passes
        if not passes:
            start = score.bars[self.first_bar].onset if score.bars else 0
            return self._empty(start, foot)
        last = len(passes) if pass_number is None else pass_number
        during = passes[last - 1]
        tick = position(session, during, now_us)
        bar = score.bar_index(tick)
        rings: list[Ring] = []
        marks: list[NoteMark] = []
        drifts: list[DriftMark] = []
        shown = self._bars_of(during, bar) if alone else self._shown_bars(passes[:last])
        hiding = not (self.fixed and self.amount is Amount.EVERYTHING) and not session.ended
        live = last == len(passes) and not session.ended
        now = self.course(now_us) if hiding or live else None
        if live and now is not None and now.counted and foot.tally is None:
            foot = replace(foot, tally=now.clean_in_a_row)
        for number in sorted({number for number, _ in shown}):
            one = passes[number - 1]
            nearby = one is during and not alone
            near = (bar - NEAR_BARS, bar + NEAR_BARS) if nearby else self._rings.everywhere
            much = now.amount_of(number) if hiding and now is not None else Amount.EVERYTHING
            pass_rings = (r for r in self._rings.of_pass(one, now_us, near) if (number, r.bar) in shown)
            rings += shown_rings(pass_rings, much)
            marks += shown_marks((m for m in self._marks(one, near) if (number, m.bar) in shown), much)
            drifts += shown_drifts((d for d in self._drift_marks(one) if (number, d.bar) in shown), much)
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
            foot=self._foot(tick if live else None, foot),
            finished=session.ended,
        )

    def course(self, now_us: int) -> Course:
        """Return which passes are over, how much is shown now, and what was said of that on the way."""
        return course(self._outcomes.at(now_us), self.amount, fixed=self.fixed)

    def _empty(self, start: int, foot: Foot) -> View:
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
            foot=self._foot(start - 1, foot),
            finished=self.session.ended,
        )

    # --- parts ----------------------------------------------------------------------------------

    def _foot(self, tick: float | None, foot: Foot) -> Foot:
        bars = self.session.score.bars
        chunk = ""
        if self.session.chunk is not None and bars:
            chunk = words.bars_words(bars[self.first_bar].number, bars[self.last_bar].number)
        return replace(self._next_stop(tick, foot), chunk=chunk)

    def _next_stop(self, tick: float | None, foot: Foot) -> Foot:
        """Return the foot with the next stop of a tick: the sentence, and its parts for the card."""
        at = len(self._wanted) if tick is None else bisect_right(self._dues, tick)
        if at == len(self._wanted):
            return replace(foot, next_stop="", stop_string=0, stop_where="", stop_way="")
        stop = self._wanted[at]
        where = view_words.AT_REST
        if stop.next_note >= 0:
            where = view_words.AT_NOTE.format(tone=self._tone(stop.next_note))
        elif stop.lenient:
            where = view_words.AT_END
        way = words.WAY_NAME[stop.way] if stop.way else ""
        said = view_words.NEXT_STOP_BY if way else view_words.NEXT_STOP
        sentence = said.format(string=words.string_sign(stop.string), where=where, way=way)
        return replace(foot, next_stop=sentence, stop_string=stop.string, stop_where=where, stop_way=way)

    def _sign(self, stop: Stop) -> StopSign:
        way = words.WAY_SHORT[stop.way] if stop.way else ""
        bar = self.session.score.bar_index(stop.due)
        return StopSign(stop.due, bar, stop.string, stop.note, way, stop.wanted)

    def _shown_bars(self, passes: list[Pass]) -> frozenset[tuple[int, int]]:
        """Return (pass number, performed bar) of what the page shows: each written bar as last played.

        Pencil marks stay until their bar is played again, in a later pass or a later round of a repeat.
        """
        open_ones: list[tuple[int, int]] = []
        for one in reversed(passes):
            open_ones.append(self._span(one))
            if one.closed:
                break  # and so are all before it: they do not change any more
        state = (len(passes), open_ones)
        if self._shown[0] != state:
            self._shown = state, self._last_played(passes)
        return self._shown[1]

    def _span(self, one: Pass) -> tuple[int, int]:
        bar_of = self.session.groups.bar_of
        return bar_of(one.start), bar_of(max(one.front, one.start))

    def _bars_of(self, one: Pass, now: int) -> frozenset[tuple[int, int]]:
        """Return (pass number, performed bar) of one pass alone, each written bar once.

        ``now`` is the performed bar in which the playhead stands.
        """
        first, last = self._span(one)
        rounds: dict[int, int] = {}
        for index in range(first, last + 1):
            written = self.session.score.bars[index].written
            if index <= now or written not in rounds:
                rounds[written] = index
        return frozenset((one.number, index) for index in rounds.values())

    def _last_played(self, passes: list[Pass]) -> frozenset[tuple[int, int]]:
        bars = self.session.score.bars
        shown: set[tuple[int, int]] = set()
        taken: set[int] = set()
        for one in reversed(passes):
            first, last = self._span(one)
            for index in range(last, first - 1, -1):
                if bars[index].written not in taken:
                    taken.add(bars[index].written)
                    shown.add((one.number, index))
            if len(taken) == len(self._written):
                break
        return frozenset(shown)

    def _marks(self, during: Pass, near: tuple[int, int]) -> list[NoteMark]:
        score = self.session.score
        marks: list[NoteMark] = []
        for verdict in self.session.ledger.pencilled(during.number):
            if not isinstance(verdict, StrokeVerdict) or verdict.kind is Stroke.RIGHT:
                continue
            if not near[0] <= verdict.bar <= near[1]:
                continue
            if verdict.note >= 0:
                tick = float(score.notes["onset"][verdict.note])
            else:
                tick = position(self.session, during, verdict.on_us or 0)
            spoken = self._tone(verdict.note, verdict) if verdict.kind is Stroke.WRONG else ""
            kind = MARKS[verdict.kind]
            marks.append(
                NoteMark(kind, tick, verdict.bar, verdict.pitch, verdict.settled, verdict.note, spoken)
            )
        return marks

    def _tone(self, row: int, played: StrokeVerdict | None = None) -> str:
        """Return the name of a written note, or of what was played for it."""
        note = self.session.score.notes[row]
        pitch, bar = (played.pitch, played.bar) if played else (int(note["pitch"]), int(note["bar"]))
        key = row, pitch, bar
        if key not in self._tones:
            self._tones[key] = tone_name(self.session.score, *key)
        return self._tones[key]

    def _drift_marks(self, during: Pass) -> Sequence[DriftMark]:
        """Return one mark for each bar gone through.

        While the player plays, a bar is set against the few bars before it as soon as it is settled, and
        then stays; afterwards every bar is set against its whole pass.
        """
        session, number = self.session, during.number
        if session.ended:
            if number not in self._whole:
                onsets = pass_onsets(session.score, during)
                self._whole[number] = self._marks_of(bar_timings(session.score, onsets, session.click))
            return self._whole[number]
        marks, bar = self._drifts.get(number, ([], session.groups.bar_of(during.start)))
        bars = session.score.bars
        while during.anchors and bar < len(bars) and bars[bar].end <= during.anchors[-1].tick:
            first = bisect_left(during.anchors, bars[max(bar - RECENT_BARS, 0)].onset, key=_tick)
            last = bisect_left(during.anchors, bars[bar].end, key=_tick)
            # With the first onset of the next bar: it ends the last step of this one.
            onsets = onsets_of(session.score, during.anchors[first : last + 1])
            marks += self._marks_of(bar_timings(session.score, onsets, session.click, only=bar))
            bar += 1
            self._drifts[number] = marks, bar
        return marks

    def _marks_of(self, timings: list[BarTiming]) -> list[DriftMark]:
        threshold_ms = self.session.limits.drift_ms
        return [
            DriftMark(t.bar, t.drift_ms, t.slope_ms or 0.0, words.drift_words(t.drift_ms, threshold_ms))
            for t in timings
            if t.drift_ms is not None
        ]


def _tick(anchor: Anchor) -> int:
    return anchor.tick
