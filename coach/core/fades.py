"""How long a string is heard when nobody stops it: from calibration, else learnt from the take itself.

A converter closes a string's gate when it has faded so far; that is later the harder it was plucked
(``Profile.fade_us``).  Where no calibration tells, the take does: a string that was heard for so long proves
that one plucked no more softly is not closed sooner, and what ends at no onset of the player's and longer
than anything heard before may as well have faded as been stopped: nobody is blamed for it.
"""

from __future__ import annotations

from math import log

from coach.core.profile import FADE_VELOCITY, Profile
from coach.core.ringing import Played
from coach.core.verdicts import FADE_S

# Woodhouse 2004 (Acustica 90, table I): strings alone lose 4 to 5.5 dB a second, so that a gate 30 dB down
# does not close by itself within this time after a usual pluck.
LEAST_S = 1.5
LONGEST_S = 12.0  # nor is one heard for longer: 60 dB take 14.6 s, without the body's share
SOFTER = 1.15  # as a usual pluck is so much louder than one that faded sooner for its softness
OTHER_STRING = 1.6  # two basses of one guitar do not differ by more in how long they are heard.  Our own
LOUDER_BY, LEAST_LOUD = 0.35, 0.3
BASSES_FROM = 4  # strings 4 to 6 are wound


class Fades:
    """Answers whether a sound may have ended by itself."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self._longest: dict[int, float] = {}  # by string

    def hear(self, note: Played) -> None:
        """Take in a sound that ended, or that still sounds after so long."""
        if note.string is None or note.off_us is None:
            return
        us = (note.off_us - note.on_us) / _louder(note.velocity)
        self._longest[note.string] = max(self._longest.get(note.string, 0.0), us)

    def us(self, note: Played, *, alone: bool = False) -> int:
        """Return how long a note is heard when nobody stops it, in µs.

        ``alone``: nothing else was played as it ended; then, without a calibration, it may have faded.
        """
        known = self.profile.fade_us(note.string, note.velocity)
        if known is not None:
            return known
        if not alone or note.off_us is None or note.string is None:
            return round(1e6 * FADE_S)
        sounded_us = note.off_us - note.on_us
        usual_us = sounded_us / _louder(note.velocity)
        proven_us = self._longest.get(note.string, 0.0)
        if note.string >= BASSES_FROM:
            others = (us for s, us in self._longest.items() if s >= BASSES_FROM and s != note.string)
            proven_us = max(proven_us, max(others, default=0.0) / OTHER_STRING)
        if sounded_us < 1e6 * LEAST_S * _louder(note.velocity) or proven_us > SOFTER * usual_us:
            return round(1e6 * FADE_S)
        return sounded_us

    def limit_us(self, note: Played) -> int:
        """Return after how long a note that is still reported cannot sound any more."""
        known = self.profile.fade_us(note.string, note.velocity)
        spread_us = 4 * self.profile.fade_spread_us(note.string)
        return round(1.3 * known) + spread_us if known is not None else round(1e6 * LONGEST_S)


def _louder(velocity: int) -> float:
    """Return how much longer than at the usual velocity a string is heard.

    Where velocity is amplitude an e-fold is 8.7 dB, and at 4 to 5.5 dB a second about 2 of 6 seconds.
    """
    return max(1.0 + LOUDER_BY * log(max(velocity, 1) / FADE_VELOCITY), LEAST_LOUD)
