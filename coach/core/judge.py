"""Matches become verdicts: bass ends, strokes, strays, notes passed over."""

from __future__ import annotations

from statistics import median

from coach.core.damping import Reason, Stop
from coach.core.groups import Groups
from coach.core.ledger import Key, Ledger
from coach.core.matching import Match, Matching
from coach.core.passes import Pass
from coach.core.profile import Profile
from coach.core.ringing import Played, Ringing
from coach.core.score import TICKS_PER_QUARTER, Score
from coach.core.verdicts import (
    FADE_S,
    Damping,
    DampingVerdict,
    Limits,
    StrayVerdict,
    Stroke,
    StrokeVerdict,
    judge_end,
    ringing_after_us,
)

FAINT = 0.5  # an unasked note softer than this share of the recent strokes was brushed, not plucked


def _same_string(old: Played, new: Played) -> bool:
    """Whether the new note took the old one's string: perhaps a finger planted there a moment before."""
    return old.replucked_by == new.index or (old.string is not None and old.string == new.string)


class Judge:
    """Looks at what may still change, whenever something happened or a deadline has come."""

    def __init__(
        self,
        score: Score,
        groups: Groups,
        stops: tuple[Stop, ...],
        matching: Matching,
        ringing: Ringing,
        profile: Profile,
        limits: Limits,
        ledger: Ledger,
    ) -> None:
        self.score, self.groups, self.matching, self.ringing = score, groups, matching, ringing
        self.profile, self.limits, self.ledger = profile, limits, ledger
        self.stop_of = {stop.note: stop for stop in stops}
        self.now_us = 0
        self.ended = False
        self._open: dict[int, int | None] = {}  # match index -> its next deadline
        self._decided: dict[int, int] = {}  # match index -> when its bass end was first judged
        self._soft_missing: set[Key] = set()
        self._next_stroke = 0  # matches before this have their final stroke verdict

    def next_deadline(self) -> int | None:
        """Return the earliest time at which silence itself would decide something."""
        return min((d for d in self._open.values() if d is not None), default=None)

    def look(self, now_us: int, *, ended: bool = False) -> None:
        """Judge everything that is open, as of ``now_us``."""
        self.now_us, self.ended = now_us, ended
        matches = self.matching.matches
        for index in range(self._next_stroke, len(matches)):
            self._stroke(matches[index])
            self._open.setdefault(index, None)
        self._next_stroke = self.matching.settled
        for index in list(self._open):
            done, deadline = self._sound(matches[index])
            if done:
                del self._open[index]
                self._decided.pop(index, None)
            else:
                self._open[index] = deadline
        self._missing()

    # --- strokes --------------------------------------------------------------------------------

    def _stroke(self, match: Match) -> None:
        label, played = match.label, match.played
        kind = Stroke.EXTRA if label.note < 0 else Stroke.RIGHT if label.right else Stroke.WRONG
        # While the place is not known nobody is blamed; a brushed string is a stray, not a stroke.
        if kind is not Stroke.RIGHT and (match.lost or (kind is Stroke.EXTRA and self._is_stray(match))):
            self.ledger.withdraw(("note", played.index, 0), self.now_us)
            return
        known = label.note >= 0
        self.ledger.put(
            StrokeVerdict(
                time_us=self.now_us,
                settled=match.settled,
                pass_number=match.during.number,
                note=label.note,
                kind=kind,
                string=played.string or 0,
                pitch=played.pitch,
                bar=int(self.score.notes["bar"][label.note]) if known else self.groups.bar_of(label.group),
                on_us=played.on_us,
                played=played.index,
            )
        )

    def _missing(self) -> None:
        """Say which notes were passed over: settled ones for good, the rest as it looks now."""
        gone, self.matching.gone = self.matching.gone, []
        for during, row in gone:
            self._passed_over(during, row, settled=True)
        soft: set[Key] = set()
        if self.matching.settled < len(self.matching.matches):
            for during, row in self.matching.missing():
                soft |= self._passed_over(during, row, settled=False)
        for key in self._soft_missing - soft:
            self.ledger.withdraw(key, self.now_us)
        self._soft_missing = soft

    def _passed_over(self, during: Pass, row: int, *, settled: bool) -> set[Key]:
        note = self.score.notes[row]
        stroke = StrokeVerdict(
            time_us=self.now_us,
            settled=settled,
            pass_number=during.number,
            note=row,
            kind=Stroke.MISSING,
            string=int(note["string"]),
            pitch=int(note["pitch"]),
            bar=int(note["bar"]),
        )
        self.ledger.put(stroke)
        if row not in self.stop_of:
            return {stroke.key}
        end = DampingVerdict(
            time_us=self.now_us,
            settled=settled,
            pass_number=during.number,
            note=row,
            kind=Damping.MISSED,
            string=int(note["string"]),
            pitch=int(note["pitch"]),
        )
        self.ledger.put(end)
        return {stroke.key, end.key}

    # --- sounds ---------------------------------------------------------------------------------

    def _sound(self, match: Match) -> tuple[bool, int | None]:
        """Judge how one played note ended.  Return whether it is done with, and its next deadline."""
        index = match.played.index
        stop = self.stop_of.get(match.label.note)
        stray = match.label.note < 0 and not match.lost and self._is_stray(match)
        if stop is None:
            self.ledger.withdraw(("damp", index, 0), self.now_us)
        if not stray:
            self.ledger.withdraw(("stray", index, 0), self.now_us)
        if stray:
            return self._stray(match)
        if stop is None:
            return match.settled, None
        if stop.reason is Reason.FREE or not (stop.wanted or stop.reason is Reason.REPLACED):
            self._put_end(match, stop, Damping.FREE, None, 0.0, settled=match.settled)
            return match.settled and (self.ended or not match.played.sounding), None
        return self._bass(match, stop)

    def _bass(self, match: Match, stop: Stop) -> tuple[bool, int | None]:
        played, during = match.played, match.during
        following = during.claim(stop.next_note) if stop.next_note >= 0 else None
        after: Match | None
        if following is not None:
            due_us, after = following.played.on_us, following
        else:
            due = self._between(during, stop)
            if due is None:  # not reached: perhaps not yet, perhaps never
                self.ledger.withdraw(("damp", played.index, 0), self.now_us)
                over = self.ended or self.matching.left_us(during) is not None
                return over and match.settled and during.closed, None
            due_us, after = due
        beat_us = self._beat_us(during, stop)
        late_us = self.profile.off_delay_us(played.string)
        kind = judge_end(
            on_us=played.on_us,
            due_us=due_us,
            release_us=played.off_us,
            now_us=self.now_us - late_us,
            replaced=following is not None and _same_string(played, following.played),
            replucked=played.replucked_by >= 0,
            beat_us=beat_us,
            fade_us=self._fade_us(played.string),
            limits=self.limits,
            lenient=stop.lenient,
        )
        if kind is None:
            self.ledger.withdraw(("damp", played.index, 0), self.now_us)
            ring_us = ringing_after_us(beat_us, self.limits, stop.lenient)
            return self.ended, max(due_us + ring_us + late_us, self.now_us + 1)
        if after is None and not stop.lenient and kind is not Damping.RINGING:
            # The due point is reckoned from the player's pace.  Only the next note tells that the player went
            # on at all: one who stops or turns back here has neither cut nor cleared anything.
            if self.ended or self.matching.left_us(during) is not None:
                self.ledger.withdraw(("damp", played.index, 0), self.now_us)
                return match.settled and during.closed, None
            self._put_end(match, stop, kind, due_us, beat_us, settled=False)
            return False, None
        decided_us = self._decided.setdefault(match.index, self.now_us)
        rests_on = match.settled and (after is None or after.settled)
        waited = after is not None or self.ended or self.now_us >= decided_us + self.limits.settle_us
        self._put_end(match, stop, kind, due_us, beat_us, settled=rests_on and waited)
        if rests_on and waited:
            return self.ended or not played.sounding, None
        return False, decided_us + self.limits.settle_us if rests_on else None

    def _between(self, during: Pass, stop: Stop) -> tuple[int, Match | None] | None:
        """Return the time of a due point between the player's own onsets, and the match that ends the gap."""
        before, after = during.around(stop.due)
        if before is None:
            return None
        if after is not None:
            return during.between(before, after, stop.due), after.match
        if self.groups.waits(during.front, stop.due):
            return None  # a note that comes first has not been played: the player's time stands still
        due_us = before.us + round((stop.due - before.tick) * self._pace(during, stop.due))
        left_us = self.now_us if self.ended else self.matching.left_us(during)
        if left_us is not None and due_us > left_us:
            return None  # the player turned away, or stopped, before the due point
        return due_us, None

    def _pace(self, during: Pass, tick: int) -> float:
        return during.pace(tick, self.matching.follower.beat_us / TICKS_PER_QUARTER)

    def _beat_us(self, during: Pass, stop: Stop) -> float:
        bar = self.score.bars[self.score.bar_index(max(stop.due - 1, 0))]
        return self._pace(during, stop.due) * bar.beat_ticks

    def _put_end(
        self, match: Match, stop: Stop, kind: Damping, due_us: int | None, beat_us: float, *, settled: bool
    ) -> None:
        played = match.played
        self.ledger.put(
            DampingVerdict(
                time_us=self.now_us,
                settled=settled,
                pass_number=match.during.number,
                note=stop.note,
                kind=kind,
                string=played.string or 0,
                pitch=played.pitch,
                on_us=played.on_us,
                due_us=due_us,
                release_us=played.off_us,
                beat_us=beat_us,
                played=played.index,
            )
        )

    # --- strays ---------------------------------------------------------------------------------

    def _is_stray(self, match: Match) -> bool:
        """Whether an unasked note is a string brushed or answering, rather than a note played twice."""
        played, tuning = match.played, self.score.tuning
        if played.pitch in self.groups.pitches_near(match.label.group):
            return False
        strings = range(1, tuning.strings + 1) if played.string is None else (played.string,)
        if any(s <= tuning.strings and played.pitch == tuning.open_pitch(s) for s in strings):
            return True
        before = [n.velocity for n in self.ringing.played[max(played.index - 8, 0) : played.index]]
        return len(before) >= 4 and played.velocity < FAINT * median(before)

    def _stray(self, match: Match) -> tuple[bool, int | None]:
        played = match.played
        late_us = self.profile.off_delay_us(played.string)
        counts_us = played.on_us + round(self.limits.stray_ms * 1000)
        heard_until_us = played.off_us if played.off_us is not None else self.now_us - late_us
        if heard_until_us < counts_us:
            self.ledger.withdraw(("stray", played.index, 0), self.now_us)
            if played.sounding and not self.ended:
                return False, max(counts_us + late_us, self.now_us + 1)
            return match.settled, None
        self.ledger.put(
            StrayVerdict(
                time_us=self.now_us,
                settled=match.settled,
                pass_number=match.during.number,
                string=played.string or 0,
                pitch=played.pitch,
                bar=self.groups.bar_of(match.label.group),
                from_us=played.on_us,
                release_us=played.off_us,
                played=played.index,
            )
        )
        return match.settled and (self.ended or not played.sounding), None

    def _fade_us(self, string: int | None) -> int:
        fades = self.profile.fade_s
        if string is not None and 1 <= string <= len(fades) and fades[string - 1] > 0:
            return round(1e6 * fades[string - 1])
        return round(1e6 * FADE_S)
