"""Which of the notes that came with one chord is which: all of them weighed together.

A token takes each note, as it comes, for the best that is still free.  A note that comes after it may show
that it was something else: a wrong note that took the right one's place, a string brushed just ahead of its
own stroke.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from coach.core import follower_tables as ft
from coach.core.follower_fits import Fits

WEIGHED_US = 250_000  # what came so much later than the chord's first note is not weighed with it
# What came so shortly before it is, after a turn, and in going on: to a chord, which is spread.
EARLY_US, EARLY_STEP_US = 80_000, 45_000
MOST = 7  # notes that are weighed together; what comes after them is left as it was taken
KEPT = 64  # chords whose answer is kept


class Heard(NamedTuple):
    """A note as the follower was fed it."""

    us: int
    pitch: int
    string: int  # 0: unknown
    faint: float  # log odds by its softness that it was not meant


class Choices(NamedTuple):
    """What one note may be, as log likelihoods (of which one a µs)."""

    slots: list[float]  # each note of the group, as the first that is played
    later: float  # what is added to that after the first
    extra: float  # nothing in the score, after the first
    ahead: float  # the same before it


class Chords:
    """Answers for one score."""

    def __init__(self, fits: Fits) -> None:
        self._fits = fits
        self._stay, self._extra, self._faulty = ft.stay_table(), ft.extra_table(), ft.faulty_table()
        self._kept: dict[tuple[int, tuple[Heard, ...]], list[int]] = {}

    def share_out(self, group: int, heard: Sequence[Heard]) -> list[int]:
        """Return, for each note that came while the player was at a group, its slot there, or -1."""
        key = (group, tuple(heard))
        found = self._kept.pop(key, None)
        if found is None:
            found = _likeliest([self._choices(group, heard, number) for number in range(len(heard))])
        self._kept[key] = found
        if len(self._kept) > KEPT:
            self._kept.pop(next(iter(self._kept)))
        return found

    def _choices(self, group: int, heard: Sequence[Heard], number: int) -> Choices:
        note = heard[number]
        fit = self._fits.of(note.pitch, note.string)
        waited = float(np.log(max(note.us - heard[0].us, ft.SHORTEST_US)))
        at = int((waited - ft.LOG_MIN) * ft.BINS_PER_UNIT)
        meant = float(self._extra[at] + fit.extra[group])
        faulty = float(self._faulty[at] + fit.faulty[group]) + note.faint
        next_us = heard[number + 1].us if number + 1 < len(heard) else note.us
        soon = next_us - note.us < ft.AHEAD_US
        return Choices(
            fit.slots[self._fits.kinds[group]].tolist(),
            float(self._stay[at]) + ft.STAY - waited,
            max(meant, faulty) - waited,
            float(fit.faulty[group]) + note.faint + ft.AHEAD if soon else float(ft.NEVER),
        )


def _likeliest(choices: Sequence[Choices]) -> list[int]:
    """Return the slots by the largest sum; no slot twice, and at least one."""
    best: dict[tuple[int, int], tuple[float, list[int]]] = {}

    def rest(at: int, used: int) -> tuple[float, list[int]]:
        if at == len(choices):
            return (0.0 if used else float(ft.NEVER)), []
        if (at, used) not in best:
            note = choices[at]
            score, slots = rest(at + 1, used)
            found = score + (note.extra if used else note.ahead), [-1, *slots]
            for slot, fit in enumerate(note.slots):
                if fit > ft.NEVER / 2 and not used >> slot & 1:
                    score, slots = rest(at + 1, used | 1 << slot)
                    score += fit + (note.later if used else 0.0)
                    if score > found[0]:
                        found = score, [slot, *slots]
            best[at, used] = found
        return best[at, used]

    return rest(0, 0)[1]
