"""Matches become verdicts: bass ends, strokes, strays, notes passed over."""

from __future__ import annotations

from statistics import median

from coach.core.artefacts import OCTAVES
from coach.core.bass_ends import BassEnds
from coach.core.damping import Stop
from coach.core.groups import Groups
from coach.core.hands_alone import Fate, HandsAlone
from coach.core.ledger import Key, Ledger
from coach.core.matching import Match, Matching
from coach.core.passes import Pass
from coach.core.profile import Profile
from coach.core.ringing import Played, Ringing
from coach.core.score import Score
from coach.core.timing import Click
from coach.core.verdicts import (
    Damping,
    DampingVerdict,
    Limits,
    Source,
    StrayVerdict,
    Stroke,
    StrokeVerdict,
)

FAINT = 0.5  # an unasked note softer than this share of the recent strokes was brushed, not plucked


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
        click: Click | None = None,
    ) -> None:
        self.score, self.groups, self.matching, self.ringing = score, groups, matching, ringing
        self.profile, self.limits, self.ledger = profile, limits, ledger
        self.stop_of = {stop.note: stop for stop in stops}
        self.ends = BassEnds(score, groups, matching, profile, limits, ledger, click, ringing)
        self._alone = HandsAlone(groups)
        self.now_us = 0
        self.ended = False
        self._open: dict[int, int | None] = {}  # match index -> its next deadline
        self._awaited: dict[Key, Played] = {}  # settled verdicts of strings that still sound
        self._said: dict[int, object] = {}  # match index -> what its open stroke verdict rests on
        self._soft_missing: set[Key] = set()
        self._next_stroke = 0  # matches before this have their final stroke verdict

    def next_deadline(self) -> int | None:
        """Return the earliest time at which silence itself would decide something."""
        return min((d for d in self._open.values() if d is not None), default=None)

    def decided(self, index: int) -> bool:
        """Whether nothing about a match is open any more."""
        return index < self._next_stroke and index not in self._open

    def look(self, now_us: int, *, ended: bool = False) -> None:
        """Judge everything that is open, as of ``now_us``."""
        self.now_us, self.ended = now_us, ended
        matches = self.matching.matches
        for index in range(self._next_stroke, len(matches)):
            self._stroke(matches[index])
            self._open.setdefault(index, None)
        for index in range(self._next_stroke, self.matching.settled):
            self._said.pop(index, None)
        self._next_stroke = self.matching.settled
        for index in list(self._open):
            done, deadline = self._sound(matches[index])
            if done:
                del self._open[index]
                self._await_release(matches[index])
            else:
                self._open[index] = deadline
        for key, sound in list(self._awaited.items()):
            if sound.off_us is not None:
                del self._awaited[key]
                self.ledger.released(key, sound.off_us)
        self._missing()

    # --- strokes --------------------------------------------------------------------------------

    def _stroke(self, match: Match) -> None:
        label, played = match.label, match.played
        key = ("note", played.index, 0)
        if not match.sure and key not in self.ledger.standing:
            return  # nothing is said while another way of taking the note is nearly as likely
        answered = label.note < 0 and self._answered(match)
        of_match = label, match.during.number, match.settled, match.lost
        rests_on = (*of_match, played.string, played.on_us, answered)
        if self._said.get(match.index) == rests_on:
            return
        self._said[match.index] = rests_on
        right = label.right or self._octave_off(match)
        kind = Stroke.EXTRA if label.note < 0 else Stroke.RIGHT if right else Stroke.WRONG
        # While the place is not known nothing is said; a brushed string is a stray, not a stroke.
        unasked = kind is Stroke.EXTRA and self._is_stray(match)
        if match.lost or (kind is not Stroke.RIGHT and (answered or unasked)):
            self.ledger.withdraw(key, self.now_us)
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

    def _answered(self, match: Match) -> bool:
        """Whether an unasked note is no pluck of its own."""
        return match.played.other >= 0 or self.ringing.answered(match.played)

    def _octave_off(self, match: Match) -> bool:
        """Whether a note is an octave from the one asked for on its string: a converter's error."""
        if match.label.note < 0:
            return False
        note, played = self.score.notes[match.label.note], match.played
        same = played.string in (None, 0, int(note["string"]))
        return same and abs(played.pitch - int(note["pitch"])) in OCTAVES

    def _missing(self) -> None:
        """Say which notes were passed over: settled ones for good, the rest as it looks now."""
        gone, self.matching.gone = self.matching.gone, []
        for during, row in self._alone.sift(gone, self._soft_missing) if self.limits.hands_alone else gone:
            self._passed_over(during, row, settled=True)
        soft: set[Key] = set()
        certain = self.matching.follower.certain
        for during, row, sure in self.matching.missing():
            # While the player may as well be elsewhere, nothing new is held to be missing.
            shown = ("missing", during.number, row) in self._soft_missing
            fate = self._alone.fate(during, row, soft=True) if self.limits.hands_alone else Fate.SAY
            if (certain and sure and fate is Fate.SAY) or (shown and fate is not Fate.DROP):
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
        index = match.index
        stop = self.stop_of.get(match.label.note)
        stray = match.label.note < 0 and not match.lost and self._is_stray(match)
        if stop is None:
            self.ledger.withdraw(("damp", index, 0), self.now_us)
        if stray:
            return self._stray(match)
        if stop is None and self.limits.all_strings and match.label.note >= 0 and not match.lost:
            return self._melody(match)
        self.ledger.withdraw(("stray", index, 0), self.now_us)
        if stop is None:
            return match.settled, None
        return self.ends.look(match, stop, self.now_us, ended=self.ended)

    def _await_release(self, match: Match) -> None:
        """Where a settled verdict has no release yet, keep the sound in mind: only its end is still news."""
        for key in (("damp", match.index, 0), ("stray", match.index, 0)):
            verdict = self.ledger.standing.get(key)
            if isinstance(verdict, DampingVerdict | StrayVerdict) and verdict.release_us is None:
                sound = match.played
                if isinstance(verdict, DampingVerdict) and verdict.due_us is not None:
                    sound, _ = self.ends.sounded(match, verdict.due_us)
                self._awaited[key] = sound

    # --- strays ---------------------------------------------------------------------------------

    def _is_stray(self, match: Match) -> bool:
        """Whether an unasked note is a string brushed or answering, rather than a note played twice."""
        played, tuning = match.played, self.score.tuning
        if played.pitch in self.groups.pitches_near(match.label.group) or self._answered(match):
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
        source = Source.LIFTED if played.lifted else Source.BRUSHED
        self._put_stray(match, played.on_us, source, settled=match.settled)
        return match.settled, None

    def _melody(self, match: Match) -> tuple[bool, int | None]:
        """Judge a melody string that rings on: for longer than a beat past the end of its note."""
        played, key = match.played, ("stray", match.played.index, 0)
        found = self.ends.rings_until(match)
        if found is None:
            self.ledger.withdraw(key, self.now_us)
            return self.ended or (match.settled and match.during.closed), None
        due_us, limit_us, sure = found
        late_us = self.profile.off_delay_us(played.string)
        heard_until_us = played.off_us if played.off_us is not None else self.now_us - late_us
        if heard_until_us < limit_us:
            self.ledger.withdraw(key, self.now_us)
            if played.sounding and not self.ended:
                return False, max(limit_us + late_us, self.now_us + 1)
            return match.settled and sure, None
        self.ends.now_us = self.now_us
        doubt_us = self.ends.doubt_us(played, late_us)
        if doubt_us is None:
            self.ledger.withdraw(key, self.now_us)
            return match.settled, None
        done = match.settled and sure and (self.now_us >= doubt_us or self.ended)
        self._put_stray(match, due_us, Source.RANG_ON, settled=done)
        return done, doubt_us if self.now_us < doubt_us else None

    def _open_string(self, pitch: int) -> int:
        """Return the string that is open at a pitch, 0 where none is: only an open string strays so."""
        tuning = self.score.tuning
        found = (s for s in range(1, tuning.strings + 1) if tuning.open_pitch(s) == pitch)
        return next(found, 0)

    def _put_stray(self, match: Match, from_us: int, source: Source, *, settled: bool) -> None:
        played = match.played
        self.ledger.put(
            StrayVerdict(
                time_us=self.now_us,
                settled=settled,
                pass_number=match.during.number,
                string=played.string or self._open_string(played.pitch),
                pitch=played.pitch,
                bar=self.groups.bar_of(match.label.group),
                from_us=from_us,
                release_us=played.off_us,
                played=played.index,
                source=source,
            )
        )
