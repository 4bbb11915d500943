"""What the score asks of a string: near the place the player is at, and anywhere at all.

A converter's errors are told from notes by what nobody asked for.  Without a score everything is asked.
"""

from __future__ import annotations

from coach.core.follower import Follower
from coach.core.groups import Groups
from coach.core.pitch import Tuning

BEFORE, AHEAD = 1, 4  # onset groups that are near, counted from the one the player is at
CHORD_US = 100_000  # from the first note of a chord to its last
DUE_AHEAD, DUE_SHARE = 3, 0.6  # onset groups ahead; of the time to it, so much must have gone by


class Asked:
    """Asks one score, as its follower sees the place now."""

    def __init__(self, groups: Groups, follower: Follower) -> None:
        self._groups, self._follower = groups, follower
        notes = groups.score.notes
        self._ever = set(zip(notes["pitch"].tolist(), notes["string"].tolist(), strict=True))
        self._pitches = {pitch for pitch, _ in self._ever}
        self._named = not any(string == 0 for _, string in self._ever)

        self._at, self._since_us = -1, 0  # the onset group the player is at, and when it was begun

    def moved(self, now_us: int) -> None:
        """Note when the player came to another onset group."""
        if self._follower.group != self._at:
            self._at, self._since_us = self._follower.group, now_us

    def due(self, string: int | None, now_us: int, sounding: int) -> bool:
        """Whether a note on a string (None: on any) is due by now, at the player's pace.

        ``sounding`` is the pitch that sounds on it: a note of that pitch has been played.
        """
        groups, at = self._groups, max(self._at, 0)
        for group in range(at, min(at + 1 + DUE_AHEAD, groups.count)):
            notes = groups.score.notes[int(groups.starts[group]) : int(groups.starts[group + 1])]
            here = notes["string"] == string if string and self._named else notes["string"] >= 0
            if group == at:
                here = here & (notes["pitch"] != sounding)
                if here.any() and now_us - self._since_us < CHORD_US:
                    return True
            elif here.any():
                quarters = float(groups.quarters[group] - groups.quarters[at])
                return now_us - self._since_us > DUE_SHARE * quarters * self._follower.beat_us
        return False

    @property
    def tuning(self) -> Tuning:
        """The open strings of the score."""
        return self._groups.score.tuning

    def ever(self, pitch: int, string: int | None) -> bool:
        """Whether a pitch is written on a string (None: on any) anywhere in the score."""
        return (pitch, string) in self._ever if string and self._named else pitch in self._pitches

    def near(self, pitch: int, string: int | None) -> bool:
        """Whether a pitch is written on a string (None: on any) close to where the player is."""
        groups, at = self._groups, max(self._follower.group, 0)
        first, last = max(at - BEFORE, 0), min(at + AHEAD, groups.count)
        if first >= last:
            return False
        rows = slice(int(groups.starts[first]), int(groups.starts[last]))
        notes = groups.score.notes[rows]
        found = notes["pitch"] == pitch
        if string and self._named:
            found &= notes["string"] == string
        return bool(found.any())
