"""Which string sounds since when.

One string sounds one note: on a mono channel the old note ends at the new note-on, not at its own
note-off (legato order is on, on, off: MIDI 1.0 Detailed Specification 4.2.1, p. 22).  With all strings on
one channel the old note of the same pitch ends, and the string is inferred from what the score names.

Converter artefacts are kept out here, and counted: a double trigger of one pluck, a ghost (a weak note an
octave, a twelfth or two octaves from a string that already sounds), the late note-off of a note whose
string was plucked anew with the same pitch.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from coach.core.events import AllOff, NoteOff, NoteOn
from coach.core.profile import Profile

DOUBLE_US = 50_000  # no finger repeats one string within 50 ms (common practice, no source)
GHOST_INTERVALS = (12, 19, 24)  # semitones: the strong partials a pitch detector mistakes for notes
RECENT_US = 30_000  # a ghost may come so soon after the note it echoes was heard to stop


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

    @property
    def sounding(self) -> bool:
        """Whether the string is still heard."""
        return self.off_us is None


class Ringing:
    """The strings of one guitar; the only owner of ``Played`` notes."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self.played: list[Played] = []
        self.ignored: Counter[str] = Counter()
        self._sounding: dict[int, Played] = {}  # by string, or by -pitch where the pickup does not tell
        self._last: dict[int, Played] = {}  # the same, sounding or not

    def sounding(self) -> list[Played]:
        """Return the notes that sound now."""
        return list(self._sounding.values())

    def note_on(self, event: NoteOn) -> Played | None:
        """Return the new note, or None for an artefact."""
        key = event.string if event.string is not None else -event.pitch
        old = self._sounding.get(key)
        if self._is_ghost(event, old):
            self.ignored["ghost notes"] += 1
            return None
        last = self._last.get(key)
        if last is not None and event.pitch == last.pitch and event.time_us - last.heard_us < DOUBLE_US:
            # One pluck that the converter reported twice, perhaps with a note-off between.
            self.ignored["double triggers"] += 1
            if last.replucked_by < 0:
                last.again_us = event.time_us if last.sounding else None
                last.off_us = last.off_heard_us = None
                self._sounding[key] = last
            return None
        on_us = event.time_us - self.profile.on_delay_us(event.string)
        note = Played(len(self.played), event.time_us, on_us, event.pitch, event.velocity, event.string)
        note.inferred = event.string is None
        if old is not None:
            self._take_over(old, note)
            note.again_us = event.time_us if old.pitch == note.pitch else None
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
        if note is None or note.pitch != event.pitch:
            self.ignored["note-offs of nothing sounding"] += 1
            return None
        del self._sounding[key]
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
        for key, old in list(self._sounding.items()):
            if old.string == note.string and old.index < note.index:
                del self._sounding[key]
                self._take_over(old, note)
                old.heir = note.index

    def _take_over(self, old: Played, note: Played) -> None:
        self._end(old, note.heard_us, min(note.on_us, note.heard_us))
        old.replucked_by = note.index

    def _end(self, note: Played, heard_us: int, off_us: int) -> None:
        note.off_us, note.off_heard_us = off_us, heard_us

    def _is_ghost(self, event: NoteOn, old: Played | None) -> bool:
        if event.velocity > self.profile.ghost_velocity:
            return False
        if old is not None and event.string is not None and event.pitch - old.pitch in GHOST_INTERVALS:
            return True
        since = event.time_us - RECENT_US
        around = [n for n in self.played[-6:] if n.off_heard_us is None or n.off_heard_us >= since]
        return any(
            abs(event.pitch - n.pitch) in GHOST_INTERVALS and n.velocity >= 2 * event.velocity for n in around
        )
