"""What a pitch-to-MIDI converter makes up: told from notes as they come in.

Five kinds.  A *ghost* is weak, and a partial of a string that sounds.  A string that *answers* is open, was
silent, is weak, and shares a partial with a note just plucked.  A *pull* is reported as notes a semitone or
two away, without a gap and weaker than a pluck.  An *octave error* is a note an octave off what its string
is asked for; it may be mended a moment later.  A wheel that stands past a half-step means the note beside.

The limits are our own: no published rates or levels of converter artefacts were found.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from typing import TYPE_CHECKING

from coach.core.asked import Asked
from coach.core.events import Bend, NoteOn
from coach.core.profile import Profile

if TYPE_CHECKING:
    from coach.core.ringing import Played

GHOST_INTERVALS = (12, 19, 24)  # semitones: the strong partials a pitch detector mistakes for notes
OWN_GHOST_INTERVALS = (7, *GHOST_INTERVALS, 28)  # on the string that sounds itself
ANSWER_INTERVALS = (0, 5, 7, 12, 19, 24)  # two strings that have one of their first four partials in common
OCTAVES = (12, -12, 19, 24)  # semitones by which a detector is off
SLIPS = (-3, -2, -1, 1, 2, 3)  # semitones by which a finger is off
RECENT_US = 30_000  # a ghost may come so soon after the note it echoes was heard to stop
ANSWER_US = 250_000  # a string answers so soon after the pluck, or while it sounds
MEND_US = 120_000  # so soon an octave error is mended
MENDED_US = 3_000  # and the wrong note ends as the right one begins
PULL_FROM_US, PULL_GAP_US = 60_000, 10_000
PULL_SHARE = 0.75  # a note that came without a pluck is weaker than that share of the pluck before
MEND_SHARE = 0.5
LIFT_SHARE, LIFT_GAP_US = 0.7, 60_000
LEAST_AGREED = 3
HALF_STEP_CENTS = 60.0
BEFORE_US = 60_000  # a low note is heard so much later than a high one: two periods of E2 and more


class Artefact(Enum):
    """What a note-on was that is no pluck of its own; the words it is counted by."""

    OCTAVE = "octave errors"
    PULL = "pulled strings"


class Artefacts:
    """Decides about one note-on at a time; keeps only where the wheels stand."""

    def __init__(self, profile: Profile, asked: Asked | None) -> None:
        self.profile, self.asked = profile, asked
        self._cents: dict[int, float] = {}  # by string
        self._agreed = self._differed = 0  # notes whose string the score asks for that pitch, and others

    def bend(self, event: Bend) -> None:
        """Take in where a wheel stands."""
        if event.string is not None:
            self._cents[event.string] = event.cents

    def unbent(self, event: NoteOn) -> int:
        """Return the pitch that is meant by a note-on while the wheel stands aside: the one asked for."""
        cents = self._cents.get(event.string, 0.0) if event.string is not None else 0.0
        if self.asked is None or abs(cents) < HALF_STEP_CENTS:
            return event.pitch
        beside = event.pitch + round(cents / 100)
        wanted = not self.asked.near(event.pitch, event.string) and self.asked.near(beside, event.string)
        return beside if wanted else event.pitch

    def faint(self, event: NoteOn, old: Played | None, recent: Sequence[Played]) -> bool:
        """Whether a note is a ghost.  ``old`` sounds on its string, ``recent`` were the last notes."""
        if event.velocity > self.profile.ghost_velocity:
            return False
        if old is not None and event.string is not None and event.pitch - old.pitch in OWN_GHOST_INTERVALS:
            return True
        since = event.time_us - RECENT_US
        around = [n for n in recent if n.off_heard_us is None or n.off_heard_us >= since]
        return any(
            abs(event.pitch - n.pitch) in GHOST_INTERVALS and n.velocity >= 2 * event.velocity for n in around
        )

    def answers(self, event: NoteOn, old: Played | None, recent: Sequence[Played]) -> bool:
        """Whether an open string sounds because another one was plucked."""
        if self.asked is None or old is not None or event.velocity > self.profile.ghost_velocity:
            return False
        tuning = self.asked.tuning
        strings = range(1, tuning.strings + 1) if event.string is None else (event.string,)
        if not any(s <= tuning.strings and event.pitch == tuning.open_pitch(s) for s in strings):
            return False
        return any(
            _has_partial_of(event, n) and (n.off_heard_us is None or event.time_us - n.heard_us < ANSWER_US)
            for n in recent
        )

    def answered(self, note: Played, after: Sequence[Played]) -> bool:
        """The same of a note that was heard before the pluck it answers: basses are reported later."""
        if self.asked is None or note.velocity > self.profile.ghost_velocity:
            return False
        return any(n.heard_us - note.heard_us < BEFORE_US and _has_partial_of(note, n) for n in after)

    def same_pluck(
        self, event: NoteOn, last: Played | None, sounding: Sequence[Played]
    ) -> tuple[Artefact, Played] | None:
        """Return the note that a note-on goes on with, where it is no pluck of its own."""
        if self.asked is None:
            return None
        if event.string is not None:
            if last is None or last.replucked_by >= 0:
                return None
            return self._goes_on(event, last)
        for note in reversed(sounding):
            if self._pulled(event, note):
                return Artefact.PULL, note
        return None

    def _goes_on(self, event: NoteOn, last: Played) -> tuple[Artefact, Played] | None:
        off = event.pitch - last.sent
        soon = event.time_us - last.heard_us < MEND_US
        if soon and abs(off) in OCTAVES and event.velocity >= MEND_SHARE * last.velocity:
            return Artefact.OCTAVE, last
        return (Artefact.PULL, last) if self._pulled(event, last) else None

    def _pulled(self, event: NoteOn, note: Played) -> bool:
        """Whether a note is a string pulled aside, or one that is let back."""
        assert self.asked is not None
        back = note.sent != note.pitch and event.pitch == note.pitch
        aside = event.pitch - note.sent in (1, 2)  # a string that is pulled sounds higher, never lower
        if not (back or aside) or event.velocity > PULL_SHARE * note.velocity:
            return False
        gap_us = 0 if note.off_heard_us is None else event.time_us - note.off_heard_us
        if gap_us > PULL_GAP_US or event.time_us - note.heard_us < PULL_FROM_US:
            return False
        return back or not self.asked.due(event.string, event.time_us, note.pitch)

    def mended(self, note: Played, pitch: int) -> int:
        """Return the pitch of a note that is reported anew an octave away: what its string is asked for."""
        assert self.asked is not None
        if self.asked.near(note.pitch, note.string) and not self.asked.near(pitch, note.string):
            return note.pitch
        return pitch

    def mends(self, old: Played, sounding: Sequence[Played], now_us: int) -> Played | None:
        """Return the note that an ending one, on no known string, was mended by as it ended."""
        for note in reversed(sounding):
            soon = now_us - note.heard_us <= MENDED_US and note.heard_us - old.heard_us < MEND_US
            if soon and note.index > old.index and note.sent - old.sent in OCTAVES:
                return note
        return None

    def right_octave(self, pitch: int, string: int | None) -> int:
        """Return the pitch that is meant where it is an octave off what its string is ever asked for."""
        if self.asked is None:
            return pitch
        asked = self.asked.ever(pitch, string)
        if string is not None:
            self._agreed += asked
            self._differed += not asked
        trusted = self._agreed >= LEAST_AGREED and self._agreed > 2 * self._differed
        # A pitch asked for on another string may be played there; or the strings are not the ones told.
        if asked or (not (trusted and string) and self.asked.near(pitch, None)):
            return pitch
        if string is None and any(self.asked.near(pitch + off, None) for off in SLIPS):
            return pitch
        meant = [pitch - off for off in OCTAVES]
        near = [one for one in meant if self.asked.near(one, string)]
        # The player may have turned back; but without strings too many pitches are asked for somewhere.
        ever = [one for one in meant if string is not None and self.asked.ever(one, string)]
        return (near or ever or [pitch])[0]

    def lifted(self, note: Played, last: Played) -> bool:
        """Whether an open string began to sound because the finger of its last note let it go."""
        if self.asked is None or note.string is None or note.string > self.asked.tuning.strings:
            return False
        open_pitch = self.asked.tuning.open_pitch(note.string)
        gap_us = 0 if last.off_heard_us is None else note.heard_us - last.off_heard_us
        soft = note.velocity < LIFT_SHARE * last.velocity
        return note.pitch == open_pitch < last.pitch and soft and gap_us < LIFT_GAP_US


def _has_partial_of(weak: NoteOn | Played, strong: Played) -> bool:
    """Whether a weak note may be the answer of its string to a strong one on another."""
    if abs(weak.pitch - strong.pitch) not in ANSWER_INTERVALS or strong.velocity < 2 * weak.velocity:
        return False
    return weak.string is None or weak.string != strong.string
