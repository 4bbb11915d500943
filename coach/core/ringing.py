"""Which string sounds since when.

One string sounds one note: on a mono channel the old note ends at the new note-on, not at its own
note-off (legato order is on, on, off: MIDI 1.0 Detailed Specification 4.2.1, p. 22).  With all strings on
one channel the old note of the same pitch ends, and the string is filled in when the score names it.

Converter artefacts are kept out here, and counted: a double trigger of one pluck, a ghost (a weak note an
octave, a twelfth or two octaves from a string that already sounds).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from coach.core.events import AllOff, NoteOff, NoteOn
from coach.core.profile import Profile

DOUBLE_US = 50_000  # no finger repeats one string within 50 ms (common practice, no source)
GHOST_INTERVALS = (12, 19, 24)  # semitones: the strong partials a pitch detector mistakes for notes
RECENT_US = 30_000  # a ghost may come this long before the note it echoes has been heard


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
    replucked_by: int = -1  # index of the note that took over the string

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
        self._sounding: dict[int, Played] = {}  # by string, or by -pitch where the string is unknown
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
        on_us = event.time_us - self.profile.on_delay_us(event.string)
        note = Played(len(self.played), event.time_us, on_us, event.pitch, event.velocity, event.string)
        last = self._last.get(key)
        if last is not None and event.pitch == last.pitch and event.time_us - last.heard_us < DOUBLE_US:
            # One pluck that the converter reported twice, perhaps with a note-off between.
            self.ignored["double triggers"] += 1
            if last.replucked_by < 0:
                last.off_us = last.off_heard_us = None
                self._sounding[key] = last
            return None
        if old is not None:
            self._end(old, event.time_us, min(on_us, event.time_us))
            old.replucked_by = note.index
        self.played.append(note)
        self._sounding[key] = self._last[key] = note
        return note

    def note_off(self, event: NoteOff) -> Played | None:
        """Return the note that ended, or None where the note-off belongs to nothing that sounds."""
        key = event.string if event.string is not None else -event.pitch
        note = self._sounding.get(key)
        if note is None or note.pitch != event.pitch:
            note = self._adopted(event) if event.string is None else None
            if note is None:
                self.ignored["note-offs of nothing sounding"] += 1
                return None
            key = note.string or key
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

    def adopt(self, note: Played, string: int) -> Played | None:
        """Give ``note`` the string the score names (single-channel pickups); return the note it replaced."""
        if note.string is not None or not string:
            return None
        note.string = string
        note.on_us = note.heard_us - self.profile.on_delay_us(string)
        if note.off_heard_us is not None:
            note.off_us = max(note.off_heard_us - self.profile.off_delay_us(string), note.on_us)
        if not note.sounding:
            return None
        self._sounding.pop(-note.pitch, None)
        old = self._sounding.get(string)
        if old is not None and old is not note:
            self._end(old, note.heard_us, note.on_us)
            old.replucked_by = note.index
        else:
            old = None
        self._sounding[string] = note
        return old

    def _adopted(self, event: NoteOff) -> Played | None:
        """Return the oldest sounding note of the event's pitch, on a pickup that does not tell strings."""
        same = [n for n in self._sounding.values() if n.pitch == event.pitch]
        return min(same, key=lambda n: n.index) if same else None

    def _end(self, note: Played, heard_us: int, off_us: int) -> None:
        note.off_us, note.off_heard_us = off_us, heard_us

    def _is_ghost(self, event: NoteOn, old: Played | None) -> bool:
        if event.velocity > self.profile.ghost_velocity:
            return False
        if old is not None and event.string is not None and event.pitch - old.pitch in GHOST_INTERVALS:
            return True
        since = event.time_us - RECENT_US
        around = [n for n in self.played[-6:] if n.sounding or n.heard_us >= since]
        return any(
            abs(event.pitch - n.pitch) in GHOST_INTERVALS and n.velocity >= 2 * event.velocity for n in around
        )
