"""Whether the strings are on the channels that the profile says, by the pitches heard on each.

Every arrangement of strings on channels is a guess: as the profile has it, or from another base channel, one
way round or the other.  A note counts for a guess when the score asks for that pitch on that string, and
against it when the string has no such pitch or the channel would carry no string.  Where another guess is
far ahead of the profile's, the channels are *off*: what they tell of strings is not believed any more, the
strings are inferred from the score instead, and the better guess is proposed.  The same holds as long as
nothing at all was heard on the profile's own channels.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from coach.core.pitch import HIGHEST_FRET
from coach.core.profile import Profile
from coach.core.score import Score

LEAST_NOTES = 5
AHEAD = 5.0  # points by which a guess must lead.  Our own figure
AGREES, POSSIBLE, IMPOSSIBLE = 1.0, 0.0, -2.0
MOST_NOTES = 200  # a guitar does not move its strings; after so many nothing more is looked at


class Channels:
    """Takes every note-on with its channel; the only owner of what is believed of channels."""

    def __init__(self, profile: Profile, score: Score) -> None:
        self.profile, self._tuning = profile, score.tuning
        self.off = False  # the profile's channels are not the strings'
        self.proposed: Profile | None = None
        notes = score.notes
        self._asked = set(zip(notes["string"].tolist(), notes["pitch"].tolist(), strict=True))
        self._own = False  # something was heard on the profile's channels
        self._heard: set[int] = set()
        self._count = 0
        self._guesses = [] if profile.single_channel else list(_guesses(profile))
        self._points = [0.0] * len(self._guesses)

    def string_of(self, channel: int) -> int | None:
        """Return the string on a channel (1-16), or None where it is not known or carries none."""
        return None if self.off else self.profile.string_of(channel)

    def carries(self, channel: int) -> bool:
        """Whether what comes on a channel is taken for the guitar."""
        if self.profile.single_channel:
            return channel == self.profile.base_channel
        return self.off or not self._own or self.profile.string_of(channel) is not None

    def note_on(self, channel: int, pitch: int, velocity: int) -> bool:
        """Take in one note-on; return whether the channels have just turned out to be off."""
        if velocity <= self.profile.ghost_velocity or self._count >= MOST_NOTES or not self._guesses:
            return False
        self._count += 1
        self._heard.add(channel)
        self._own = self._own or self.profile.string_of(channel) is not None
        for at, guess in enumerate(self._guesses):
            self._points[at] += self._counts(guess.string_of(channel), pitch)
        best = max(range(len(self._guesses)), key=self._points.__getitem__)
        if self.off:
            if best and len(self._heard) > 1:
                self.proposed = self._guesses[best]
            return False
        if self._count < LEAST_NOTES:
            return False
        if len(self._heard) == 1:
            if self._points[0] <= -AHEAD:  # one string has no such pitches: all strings are on one channel
                self.off = True
                self.proposed = replace(self.profile, base_channel=channel, single_channel=True)
        elif self._points[best] > 0 and self._points[best] - self._points[0] >= AHEAD:
            self.off, self.proposed = True, self._guesses[best]
        return self.off

    def _counts(self, string: int | None, pitch: int) -> float:
        if string is None or string > self._tuning.strings:
            return IMPOSSIBLE
        if (string, pitch) in self._asked:
            return AGREES
        return POSSIBLE if 0 <= pitch - self._tuning.open_pitch(string) <= HIGHEST_FRET else IMPOSSIBLE


def _guesses(profile: Profile) -> Iterator[Profile]:
    """Yield the arrangement of the profile first, then every other."""
    yield profile
    for backwards in (profile.reversed, not profile.reversed):
        for base in range(1, 17):
            if (base, backwards) != (profile.base_channel, profile.reversed):
                yield replace(profile, base_channel=base, reversed=backwards)
