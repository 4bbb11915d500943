"""Which strings sound, from the bytes of a port alone: the first page knows no score."""

from __future__ import annotations

from coach.core.events import AllOff, NoteOff, NoteOn
from coach.core.pitch import HIGHEST_FRET, STANDARD
from coach.core.profile import Profile
from coach.core.wire import SILENCING, Decoder

ENOUGH = 3  # different pitches, before one channel is said to carry all strings
LOWERED = 2  # semitones that any string may be tuned down: string 6 to D is common practice, no source


class SoundingStrings:
    """Takes in a port's messages; a string sounds until the last of its notes has ended."""

    def __init__(self, profile: Profile) -> None:
        self._decoder = Decoder(profile)
        self._notes: set[tuple[int, int]] = set()  # string, pitch
        self._channels = _Channels(profile)

    @property
    def sounding(self) -> frozenset[int]:
        """The strings that sound now."""
        return frozenset(string for string, _ in self._notes)

    @property
    def one_channel(self) -> int | None:
        """The MIDI channel (1-16) that carries all strings; None as long as each may have its own."""
        return self._channels.one

    def hear(self, data: bytes) -> None:
        """Take in any number of bytes; times do not matter here."""
        self._channels.hear(data)
        for event in self._decoder.decode(0, data):
            match event:
                case NoteOn(string=int() as string):
                    self._notes.add((string, event.pitch))
                case NoteOff(string=int() as string):
                    self._notes.discard((string, event.pitch))
                case AllOff():
                    self._notes -= {one for one in self._notes if event.string in (None, one[0])}
                case _:
                    pass  # bends, and notes whose string no channel tells

    def clear(self) -> None:
        """Nothing sounds, and nothing is known: the port went away or came."""
        self._notes.clear()
        self._channels.clear()


class _Channels:
    """Finds out whether one channel carries all strings.

    It does where no other is heard, and three of its pitches lie on three different strings, and they cannot
    have come from the one string whose channel it would be: one of them is not on it, or three sound at once.
    """

    def __init__(self, profile: Profile) -> None:
        self._profile, self._decoder = profile, Decoder(profile)
        self._heard: dict[int, set[int]] = {}  # channel: pitches
        self._sounding: dict[int, set[int]] = {}
        self.one: int | None = None

    def hear(self, data: bytes) -> None:
        """Take in any number of bytes."""
        for kind, channel, numbers in self._decoder.channel_messages(data):
            sounding = self._sounding.setdefault(channel, set())
            if kind == 0x90 and numbers[1]:
                sounding.add(numbers[0])
                self._heard.setdefault(channel, set()).add(numbers[0])
                self._consider(channel)
            elif kind in (0x80, 0x90):
                sounding.discard(numbers[0])
            elif kind == 0xB0 and numbers[0] in SILENCING:
                sounding.clear()

    def clear(self) -> None:
        """Forget everything."""
        self._heard.clear()
        self._sounding.clear()
        self.one = None

    def _consider(self, channel: int) -> None:
        if len(self._heard) > 1:
            self.one = None
        elif self.one is None:
            pitches, own = self._heard[channel], self._profile.string_of(channel)
            elsewhere = own is None or not all(_lies(own, pitch) for pitch in pitches)
            at_once = _on_different_strings(self._sounding[channel])
            if at_once or (elsewhere and _on_different_strings(pitches)):
                self.one = channel


def _lies(string: int, pitch: int) -> bool:
    """Return whether a string has a pitch, perhaps tuned down a little."""
    return -LOWERED <= pitch - STANDARD.open_pitch(string) <= HIGHEST_FRET


def _on_different_strings(pitches: set[int]) -> bool:
    """Return whether enough of the pitches can be had at once, each on a string of its own."""
    left, found = sorted(pitches), 0
    for string in range(STANDARD.strings, 0, -1):  # the lowest string takes the lowest pitch it has
        if (pitch := next((pitch for pitch in left if _lies(string, pitch)), None)) is not None:
            left.remove(pitch)
            found += 1
    return found >= ENOUGH
