"""Which string sounds since when.

One string sounds one note: on a mono channel the old note ends at the new note-on, not at its own
note-off (legato order is on, on, off: MIDI 1.0 Detailed Specification 4.2.1, p. 22).  With all strings on
one channel the old note of the same pitch ends, and the string is inferred from what the score names.

Converter artefacts (``coach.core.artefacts``) are kept out here, and counted; so is the late note-off of a
note whose string was plucked anew with the same pitch.  A note-off that never came is found out when its
string is plucked anew: a converter that closes one note as it opens the next has lost it where it does not.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from coach.core.artefacts import Artefact, Artefacts
from coach.core.asked import Asked
from coach.core.events import AllOff, Bend, NoteOff, NoteOn
from coach.core.profile import Profile

DOUBLE_US = 50_000  # no finger repeats one string within 50 ms (common practice, no source)
CLOSING_US = 60_000  # a note-off so close to the next note-on of its string is that note's doing
LEAST_CLOSED, LOST_SHARE = 3, 1.0  # a habit: so many closed, and so many times that not.  Our own figures
CLOSE_NOTES = 12  # notes back, the one before on a string is looked for


@dataclass(slots=True)
class Played:
    """One note the guitar sent.  ``on_us`` and ``off_us`` are corrected for the pickup's delays."""

    index: int
    heard_us: int  # as received: the order of events
    on_us: int
    pitch: int
    velocity: int
    string: int | None
    off_us: int | None = None
    off_heard_us: int | None = None
    replucked_by: int = -1  # index of the note that took over the string while it sounded
    heir: int = -1  # index of the next note on the string, whether it sounded until then or not
    inferred: bool = False  # the pickup does not tell strings: ``string`` is what the score names
    again_us: int | None = None  # when a note-on of the same pitch came before this one's note-off
    sent: int = 0  # the pitch the converter calls it by now: an octave off, or pulled aside
    other: int = -1  # index of the note that reports the same pluck, an octave away
    bare: bool = False  # taken over by the next note, and no note-off came
    lifted: bool = False  # an open string that the finger of the note before it let go

    @property
    def sounding(self) -> bool:
        """Whether the string is still heard."""
        return self.off_us is None


class Ringing:
    """The strings of one guitar; the only owner of ``Played`` notes."""

    def __init__(self, profile: Profile, asked: Asked | None = None) -> None:
        """``asked``: what the score asks for; without it fewer artefacts are told from notes."""
        self.profile = profile
        self.played: list[Played] = []
        self.ignored: Counter[str] = Counter()
        self._artefacts = Artefacts(profile, asked)
        self._sounding: dict[int, Played] = {}  # by string, or by -pitch where the pickup does not tell
        self._last: dict[int, Played] = {}  # the same, sounding or not
        self._closing: dict[int, Played] = {}  # the note that was taken over last, by string or -pitch
        self._closed = self._bare = 0  # notes taken over with a note-off of their own, and without

    def sounding(self) -> list[Played]:
        """Return the notes that sound now."""
        return list(self._sounding.values())

    def bend(self, event: Bend) -> None:
        """Take in where the pitch wheel of a string stands."""
        self._artefacts.bend(event)

    def answered(self, note: Played) -> bool:
        """Whether an open string sounded only because another was plucked."""
        return self._artefacts.answered(note, self.played[note.index + 1 : note.index + 4])

    @property
    def loses(self) -> bool:
        """Whether the converter closes one note as it opens the next, and has failed to."""
        return 0 < self._bare <= LOST_SHARE * self._closed and self._closed >= LEAST_CLOSED

    def lost_off(self, note: Played) -> bool:
        """Whether a note's own note-off never came, as far as that can be told by the converter's habit."""
        return note.bare and self.loses

    def note_on(self, event: NoteOn) -> Played | None:
        """Return the new note, or None for an artefact."""
        key = event.string if event.string is not None else -event.pitch
        pitch = self._artefacts.unbent(event)
        old, last = self._sounding.get(key), self._last.get(key)
        found = self._artefacts.same_pluck(event, last, list(self._sounding.values()))
        pulled = found is not None and found[0] is Artefact.PULL  # let back it may be as weak as a ghost
        if not pulled and self._artefacts.faint(event, old, self.played[-8:]):
            self.ignored["ghost notes"] += 1
            return None
        if self._artefacts.answers(event, old, self.played[-8:]):
            self.ignored["strings that answered"] += 1
            return None
        again = last is not None and event.time_us - last.heard_us < DOUBLE_US
        if last is not None and again and pitch in (last.pitch, last.sent):
            # One pluck that the converter reported twice, perhaps with a note-off between.
            self.ignored["double triggers"] += 1
            if last.replucked_by < 0:
                last.again_us = event.time_us if last.sounding else None
                self._go_on(key, last, event.pitch)
            return None
        if found is not None:
            what, note = found
            self.ignored[what.value] += 1
            if what is Artefact.OCTAVE:
                note.pitch = self._artefacts.mended(note, event.pitch)
            for before in [k for k, n in self._sounding.items() if n is note]:
                del self._sounding[before]
            self._go_on(key, note, event.pitch)
            return None
        true_pitch = self._artefacts.right_octave(pitch, event.string)
        if true_pitch != pitch:
            self.ignored[Artefact.OCTAVE.value] += 1
        on_us = event.time_us - self.profile.on_delay_us(event.string)
        note = Played(len(self.played), event.time_us, on_us, true_pitch, event.velocity, event.string)
        note.sent, note.inferred = event.pitch, event.string is None
        note.lifted = last is not None and self._artefacts.lifted(note, last)
        if old is not None:
            self._take_over(old, note)
            note.again_us = event.time_us if old.sent == note.sent else None
        elif last is not None and last.off_heard_us and event.time_us - last.off_heard_us < CLOSING_US:
            self._closed += 1
        if last is not None:
            last.heir = note.index
        self.played.append(note)
        self._sounding[key] = self._last[key] = note
        return note

    def note_off(self, event: NoteOff) -> Played | None:
        """Return the note that ended, or None where the note-off belongs to nothing that sounds."""
        key = event.string if event.string is not None else -event.pitch
        note = self._sounding.get(key)
        if note is not None and note.again_us is not None and event.time_us - note.again_us < DOUBLE_US:
            note.again_us, note = None, None  # the old note's own note-off: on, on, off, off
        if note is None or note.sent != event.pitch:
            self._close(key, event)
            self.ignored["note-offs of nothing sounding"] += 1
            return None
        del self._sounding[key]
        if event.string is None:
            mended = self._artefacts.mends(note, self.sounding(), event.time_us)
            if mended is not None:
                note.other, mended.other, note.heir = mended.index, note.index, mended.index
        off_us = event.time_us - self.profile.off_delay_us(note.string)
        self._end(note, event.time_us, max(off_us, note.on_us))
        return note

    def all_off(self, event: AllOff) -> list[Played]:
        """Return the notes that an all-notes-off ended."""
        ended = [n for n in self._sounding.values() if event.string is None or n.string == event.string]
        for note in ended:
            self._end(note, event.time_us, event.time_us)
        self._sounding = {k: n for k, n in self._sounding.items() if n.sounding}
        return ended

    def infer(self, note: Played, string: int | None) -> None:
        """Say on which string a note sounds that came without one; it may be said anew."""
        if not note.inferred or note.string == string:
            return
        note.string = string
        note.on_us = note.heard_us - self.profile.on_delay_us(string)
        if note.off_heard_us is not None and note.replucked_by < 0:
            note.off_us = max(note.off_heard_us - self.profile.off_delay_us(string), note.on_us)

    def confirm(self, note: Played) -> None:
        """Take the inferred string of a note for certain: what sounded on it before ended when this began."""
        if not note.inferred or note.string is None:
            return
        for old in reversed(self.played[max(note.index - CLOSE_NOTES, 0) : note.index]):
            if old.string == note.string:
                near_us = abs((old.off_heard_us or 0) - note.heard_us)
                self._closed += not old.sounding and near_us < CLOSING_US
                break
        for key, old in list(self._sounding.items()):
            if old.string == note.string and old.index < note.index:
                del self._sounding[key]
                self._take_over(old, note)
                old.heir = note.index

    def doubt(self) -> None:
        """The strings that were told are not the right ones: from now on the score tells them."""
        sounding = self.sounding()
        for note in self.played:
            note.inferred = True
        self._sounding = {-note.sent: note for note in sounding}
        self._last, self._closing = dict(self._sounding), {}

    def _go_on(self, key: int, note: Played, sent: int) -> None:
        note.off_us = note.off_heard_us = None
        note.sent = sent
        self._sounding[key] = self._last[key] = note

    def _take_over(self, old: Played, note: Played) -> None:
        self._end(old, note.heard_us, min(note.on_us, note.heard_us))
        old.replucked_by = note.index
        old.bare = True
        self._bare += 1
        self._closing[old.string if not old.inferred and old.string is not None else -old.sent] = old

    def _close(self, key: int, event: NoteOff) -> None:
        """Take the note-off of a note that was taken over a moment before."""
        old = self._closing.get(key)
        if old is None or old.sent != event.pitch or event.time_us - (old.off_heard_us or 0) > CLOSING_US:
            return
        del self._closing[key]
        old.bare = False
        self._bare -= 1
        self._closed += 1

    def _end(self, note: Played, heard_us: int, off_us: int) -> None:
        note.off_us, note.off_heard_us = off_us, heard_us
