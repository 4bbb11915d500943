"""How bass notes ended: each match of a bass becomes a damping verdict, provisional, then settled.

The due point is the onset of the note that ends the bass, or lies between the player's own onsets, or,
before the next onset has come, where the player's pace puts it.  A verdict that rests on the pace alone is
taken back when no onset follows: one who stops or turns back has neither cut nor cleared anything.
"""

from __future__ import annotations

from coach.core.damping import Reason, Stop
from coach.core.fades import Fades
from coach.core.groups import Groups
from coach.core.ledger import Ledger
from coach.core.matching import Match, Matching
from coach.core.passes import Pass
from coach.core.profile import Profile
from coach.core.ringing import CLOSING_US, Played, Ringing
from coach.core.score import TICKS_PER_QUARTER, Score
from coach.core.timing import Click
from coach.core.verdicts import Damping, DampingVerdict, Limits, judge_end, ringing_after_us

ALONE_US = 60_000  # a string stopped within this of an onset was stopped by the hands that played it


def _same_string(old: Played, new: Played) -> bool:
    """Whether the new note took the old one's string: perhaps a finger planted there a moment before."""
    return old.replucked_by == new.index or (old.string is not None and old.string == new.string)


class BassEnds:
    """Judges one bass end at a time, as of a moment."""

    def __init__(
        self,
        score: Score,
        groups: Groups,
        matching: Matching,
        profile: Profile,
        limits: Limits,
        ledger: Ledger,
        click: Click | None,
        ringing: Ringing,
    ) -> None:
        self.score, self.groups, self.matching, self.click = score, groups, matching, click
        self.profile, self.limits, self.ledger, self.ringing = profile, limits, ledger, ringing
        self.fades = Fades(profile)
        self._lost: set[int] = set()  # matches whose note-off never came
        self.now_us = 0
        self.ended = False
        self._decided: dict[int, int] = {}  # match index -> when its end was first judged
        self._last_onset = groups.onset_of(matching.last_group)

    def look(self, match: Match, stop: Stop, now_us: int, *, ended: bool) -> tuple[bool, int | None]:
        """Judge the end of ``match``.  Return whether it is done with, and the time of its next deadline."""
        self.now_us, self.ended = now_us, ended
        done, deadline = self._look(match, stop)
        if done:
            self._decided.pop(match.index, None)
        return done, deadline

    def sounded(self, match: Match, due_us: int) -> tuple[Played, bool]:
        """Return the last stroke of a bass, and whether that is certain.

        One plucked again by mistake before it is due sounds on: the stroke too many is a fault of its own.
        """
        played, certain = match.played, True
        while (following := played.other if played.other > played.index else played.heir) >= 0:
            if following >= len(self.matching.matches):
                break
            heir = self.matching.matches[following]
            again = heir.played.pitch == played.pitch or heir.played.other == played.index
            if heir.label.note >= 0 or not again or heir.played.on_us >= due_us:
                break
            played, certain = heir.played, certain and heir.settled
        return played, certain

    def rings_until(self, match: Match) -> tuple[int, int, bool] | None:
        """Return when a melody note is due to end, until when it may ring, and whether that is certain.

        None where it may ring on, or where the player's own onsets do not tell.
        """
        note, during = self.score.notes[match.label.note], match.during
        if note["let_ring"] or note["grace"]:
            return None
        tick = int(note["onset"] + note["duration"])
        before, after = during.around(tick)
        if before is None or after is None:
            return None
        beat_us = self._pace(during, tick) * self.score.bars[int(note["bar"])].beat_ticks
        due_us = during.between(before, after, tick)
        doubt_us = self._uncertainty_us(after.match, match.played)
        return due_us, due_us + ringing_after_us(beat_us, self.limits, False) + doubt_us, after.match.settled

    # --- inside ---------------------------------------------------------------------------------

    def _look(self, match: Match, stop: Stop) -> tuple[bool, int | None]:
        if match.lost:  # while the place is not known nobody is blamed
            return self._nothing(match, match.settled)
        if stop.reason is Reason.FREE or not (stop.wanted or stop.reason is Reason.REPLACED):
            self._put(match, stop, Damping.FREE, None, match.played.off_us, 0.0, settled=match.settled)
            return match.settled, None
        during = match.during
        over = during.closed or during.ending is not None  # nothing more comes that could tell
        turned = self.ended or during.ending is not None or self.matching.left_us(during) is not None
        following = during.claim(stop.next_note) if stop.next_note >= 0 else None
        after: Match | None = following
        if following is not None:
            due_us = following.played.on_us
        else:
            due = self._between(during, stop)
            if due is None:  # not reached: perhaps not yet, perhaps never
                return self._nothing(match, turned and match.settled and over)
            due_us, after = due
        if after is not None and after.lost:
            return self._nothing(match, match.settled and after.settled)
        lenient = self._lenient(stop)
        beat_us, late_us = self._beat_us(during, stop), self.profile.off_delay_us(match.played.string)
        last, certain = self.sounded(match, due_us)
        uncertainty_us = self._uncertainty_us(match if after is None else after, last)
        kind = judge_end(
            on_us=match.played.on_us,
            due_us=due_us,
            release_us=last.off_us,
            now_us=self.now_us - late_us,
            replaced=following is not None and _same_string(last, following.played),
            replucked=self._replucked(last),
            beat_us=beat_us,
            fade_us=self.fades.us(last, alone=self._alone(last)),
            limits=self.limits,
            lenient=lenient,
            written_us=self._written_us(match, stop),
            uncertainty_us=uncertainty_us,
        )
        if kind is None:
            ring_us = ringing_after_us(beat_us, self.limits, lenient) + uncertainty_us
            self._nothing(match, False)
            return self.ended, max(due_us + ring_us + late_us, self.now_us + 1)
        chord_open = (
            following is None and stop.next_note >= 0 and during.front == self.groups.group_of(stop.next_note)
        )
        if kind is not Damping.RINGING and chord_open and not turned:
            # The melody of the chord that ends the bass came first; its own bass may come in a moment.
            return self._nothing(match, False)
        if after is None and not lenient:
            if turned:
                return self._nothing(match, match.settled and over)
            if kind is not Damping.RINGING:  # what rings on does so whether the player goes on or not
                if kind in (Damping.CUT, Damping.LATE):  # nor is anybody blamed by the pace alone
                    return self._nothing(match, False)
                self._put(match, stop, kind, due_us, last.off_us, beat_us, uncertainty_us, settled=False)
                return False, None
        rests_on = match.settled and certain and (after is None or after.settled)
        if kind is Damping.RINGING:
            doubt_us = self.doubt_us(last, late_us)
            if doubt_us is None:  # its note-off is lost, and when it was stopped nobody knows
                self._count_lost(match, rests_on)
                return self._nothing(match, rests_on)
            if self.now_us < doubt_us and not self.ended:
                self._put(match, stop, kind, due_us, last.off_us, beat_us, uncertainty_us, settled=False)
                return False, doubt_us
        decided_us = self._decided.setdefault(match.index, self.now_us)
        waited = after is not None or self.ended or self.now_us >= decided_us + self.limits.settle_us
        settled = rests_on and waited
        if settled or after is None or self._holds(kind, after) or self._standing(match):
            self._put(match, stop, kind, due_us, last.off_us, beat_us, uncertainty_us, settled=settled)
        if rests_on and waited:
            return True, None
        return False, decided_us + self.limits.settle_us if rests_on else None

    def _holds(self, kind: Damping, after: Match) -> bool:
        """Whether the note that ends a bass is likely to stay what it is taken for."""
        # One who stops a bass early and turns back has cut nothing: one note more tells.
        last = after is self.matching.matches[-1]
        return after.sure and not (kind is Damping.CUT and last)

    def _standing(self, match: Match) -> bool:
        return ("damp", match.index, 0) in self.ledger.standing

    def _nothing(self, match: Match, done: bool) -> tuple[bool, int | None]:
        self.ledger.withdraw(("damp", match.index, 0), self.now_us)
        return done, None

    def _between(self, during: Pass, stop: Stop) -> tuple[int, Match | None] | None:
        """Return the time of a due point between the player's own onsets, and the match that ends the gap."""
        before, after = during.around(stop.due)
        if before is None:
            return None
        if after is not None:
            return during.between(before, after, stop.due), after.match
        if during.front != self.matching.last_group and self.groups.waits(during.front, stop.due):
            return None  # a note that comes first has not been played: the player's time stands still
        pace = self.matching.pace(during, stop.due)
        if pace is None and self.click is None and not self._lenient(stop):
            return None  # at the first note of a take nobody knows how fast it will be
        due_us = before.us + round((stop.due - before.tick) * self._pace(during, stop.due))
        left_us = self.now_us if self.ended else self.matching.left_us(during)
        if left_us is not None and due_us > left_us:
            return None  # the player turned away, or stopped, before the due point
        return due_us, None

    def _pace(self, during: Pass, tick: int) -> float:
        pace = self.matching.pace(during, tick)
        if pace is None:
            speed = self.click.speed if self.click else 1.0
            pace = 60e6 / (self.score.qpm(tick) * TICKS_PER_QUARTER * speed)
        return pace

    def _lenient(self, stop: Stop) -> bool:
        """Whether no onset follows that would tell when the bass is due."""
        return stop.lenient or stop.due > self._last_onset

    def _beat_us(self, during: Pass, stop: Stop) -> float:
        bar = self.score.bars[self.score.bar_index(max(stop.due - 1, 0))]
        return self._pace(during, stop.due) * bar.beat_ticks

    def _written_us(self, match: Match, stop: Stop) -> float:
        ticks = stop.due - int(self.score.notes["onset"][stop.note])
        return ticks * self._pace(match.during, stop.due)

    def _put(
        self,
        match: Match,
        stop: Stop,
        kind: Damping,
        due_us: int | None,
        release_us: int | None,
        beat_us: float,
        uncertainty_us: int = 0,
        *,
        settled: bool,
    ) -> None:
        if not settled and not match.sure and not self._standing(match):
            return  # nothing is said while another way of taking the note is nearly as likely
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
                release_us=release_us,
                beat_us=beat_us,
                played=played.index,
                uncertainty_ms=uncertainty_us / 1000 if due_us is not None else 0.0,
            )
        )

    def doubt_us(self, last: Played, late_us: int) -> int | None:
        """Return until when a string that rings on may still turn out to have been stopped unheard.

        None: it was, and its note-off never came.  A pickup is believed until it has been found to lose
        note-offs: who lets a string ring is to hear of it while it rings.
        """
        if last.off_us is None and not self._lost and not self.ringing.loses:
            return self.now_us
        if last.off_us is None:
            limit_us = last.on_us + self.fades.limit_us(last) + late_us
            return None if self.now_us >= limit_us else limit_us
        if last.bare and last.off_heard_us is not None:
            return None if self.ringing.lost_off(last) else last.off_heard_us + CLOSING_US
        return self.now_us

    def _count_lost(self, match: Match, final: bool) -> None:
        if final and match.index not in self._lost:
            self._lost.add(match.index)
            self.ringing.ignored["note-offs that never came"] += 1

    def _replucked(self, last: Played) -> bool:
        """Whether a sound ended because its string was plucked again; a finger that lifts plucks nothing."""
        return last.replucked_by >= 0 and not self.ringing.played[last.replucked_by].lifted

    def _alone(self, last: Played) -> bool:
        """Whether nothing was played as a sound ended by itself: no hand was at work."""
        if last.off_us is None or last.replucked_by >= 0:
            return False
        near = self.ringing.played[last.index + 1 :]
        return all(abs(note.on_us - last.off_us) > ALONE_US for note in near)

    def _uncertainty_us(self, after: Match, last: Played) -> int:
        """Return the uncertainty of an overhang, two standard deviations, as far as the profile knows it."""
        error_us = self.profile.error_us(after.played.string, last.string)
        return 2 * (error_us or round(1000 * self.profile.uncertainty_ms))
