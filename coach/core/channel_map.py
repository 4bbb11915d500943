"""Which MIDI channel carries which string, learnt by plucking the open strings one after another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from coach.core.profile import Profile

PLUCKS = 3  # a string
APART_US = 150_000  # two plucks of one string lie farther apart; less is one pluck reported twice
WEAKEST = 25  # a note-on below this may be a ghost
OUT_OF_TUNE = 1  # semitones by which an open string may be reported wrong


class ChannelMap:
    """Takes note-ons in, string by string from the lowest; the only owner of what was counted."""

    def __init__(self, open_pitches: Sequence[int]) -> None:
        """``open_pitches``: from string 1."""
        self._open = tuple(open_pitches)
        self.string: int | None = len(self._open)  # to be plucked now; None: all are known
        self.channels: dict[int, int] = {}  # string: channel (1-16)
        self.strange: int | None = None  # a pitch that is not the string asked for, the last heard
        self._counted: Counter[int] = Counter()
        self._last_us: int | None = None

    def note_on(self, time_us: int, channel: int, pitch: int, velocity: int) -> bool:
        """Take a note-on; return whether it counts as a pluck of the string that is asked for."""
        if self.string is None or velocity < WEAKEST:
            return False
        wanted = self._open[self.string - 1]
        if abs(pitch - wanted) > OUT_OF_TUNE:
            if self.string == len(self._open) or abs(pitch - self._open[self.string]) > OUT_OF_TUNE:
                self.strange = pitch  # else the string before goes on being plucked
            return False
        if self._last_us is not None and time_us - self._last_us < APART_US:
            return False
        self.strange, self._last_us = None, time_us
        self._counted[channel] += 1
        if self._counted[channel] == PLUCKS:
            self.channels[self.string] = channel
            self._counted.clear()
            self.string = self.string - 1 if self.string > 1 else None
        return True


def profile_of(channels: Mapping[int, int]) -> Profile | None:
    """Return the profile for strings on these channels (1-16); None where no profile says so."""
    strings = len(channels)
    if strings > 1 and len(set(channels.values())) == 1:
        return Profile(base_channel=channels[1], strings=strings, single_channel=True)
    for made in (
        Profile(base_channel=channels[1], strings=strings),
        Profile(base_channel=channels[strings], strings=strings, reversed=True),
    ):
        if all(made.channel_of(string) == channel for string, channel in channels.items()):
            return made
    return None
