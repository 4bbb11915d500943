"""Which strings sound, from the bytes of a port alone: the first page knows no score."""

from __future__ import annotations

from coach.core.events import AllOff, NoteOff, NoteOn
from coach.core.profile import Profile
from coach.core.wire import Decoder


class SoundingStrings:
    """Takes in a port's messages; a string sounds until the last of its notes has ended."""

    def __init__(self, profile: Profile) -> None:
        self._decoder = Decoder(profile)
        self._notes: set[tuple[int, int]] = set()  # string, pitch

    @property
    def sounding(self) -> frozenset[int]:
        """The strings that sound now."""
        return frozenset(string for string, _ in self._notes)

    def hear(self, data: bytes) -> None:
        """Take in any number of bytes; times do not matter here."""
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
        """Nothing sounds: the port went away."""
        self._notes.clear()
