"""How well a pitch (and a string) fits each onset group; worked out once a pitch and kept."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coach.core import follower_tables as ft
from coach.core.follower_tables import Floats, Ints
from coach.core.groups import Groups

MOST_NOTES = 10  # notes of one group that are told apart: no guitar here has more strings
KEPT_BYTES = 24_000_000
NO_PITCH = -999


class Fit(NamedTuple):
    """How one pitch (on one string) fits each onset group: log likelihoods, one entry a group."""

    note: Floats  # as the group's note it fits best
    slot: NDArray[np.int16]  # that note's place in the group
    right: NDArray[np.bool_]  # it has that pitch
    extra: Floats  # as a note that the player added
    faulty: Floats  # as one that nobody played: a ghost, a double trigger, a brushed string
    slots: Floats  # as each note of a kind of group, shape (kinds, width)


class Fits:
    """Answers for one score.  Groups of the same notes are of one kind and share their figures.

    Which notes of a group were played is a bit mask, bit 0 for its first note:

    ``all``    of each group, all of its notes
    ``need``   of each group, those that have to be played, shape (3, groups): by both hands' parts
               together, by the bass alone, by the melody alone
    ``bass``   of each group, those of the bass
    ``leave``  by the mask of notes that are missing: log likelihood of going on without them
    ``taken``  by the mask of notes that were played, for each place: 0, or NEVER where it was played
    """

    def __init__(self, groups: Groups) -> None:
        notes = groups.score.notes
        self.sizes: Ints = np.minimum(np.diff(groups.starts), MOST_NOTES)
        self.width = int(self.sizes.max(initial=1))
        kinds: dict[tuple[bytes, ...], int] = {}
        parts: list[slice] = []
        self.kinds = np.zeros(groups.count, np.int64)  # of each group
        for g, (start, size) in enumerate(zip(groups.starts.tolist(), self.sizes.tolist(), strict=False)):
            part = slice(start, start + size)
            key = (*(notes[n][part].tobytes() for n in ("pitch", "string")), groups.needed[part].tobytes())
            if key not in kinds:
                kinds[key] = len(parts)
                parts.append(part)
            self.kinds[g] = kinds[key]
        shape = (max(len(parts), 1), self.width)
        self._pitch = np.full(shape, NO_PITCH, np.int16)
        self._string = np.zeros(shape, np.int8)
        cost = np.zeros(shape, np.float32)
        for kind, part in enumerate(parts):
            size = part.stop - part.start
            self._pitch[kind, :size] = notes["pitch"][part]
            self._string[kind, :size] = notes["string"][part]
            cost[kind, :size] = np.where(groups.needed[part] | notes["grace"][part], 0, ft.SHARED)
        cost -= np.log(np.maximum((self._pitch != NO_PITCH).sum(axis=1), 1))[:, None]
        cost[self._pitch == NO_PITCH] = ft.NEVER
        self._cost = cost.astype(np.float32)
        self._by_distance = np.full(1200, ft.ANYTHING, np.float32)
        for distance, share in ft.WRONG.items():
            self._by_distance[distance] = np.log(share)
        self._by_distance[0] = ft.RIGHT
        self.all: Ints = (1 << self.sizes) - 1
        need, self.bass = np.zeros(groups.count, np.int64), np.zeros(groups.count, np.int64)
        for slot in range(self.width):
            rows = np.minimum(groups.starts[:-1] + slot, len(groups.needed) - 1)
            need |= np.where((slot < self.sizes) & groups.needed[rows], 1 << slot, 0)
            self.bass |= np.where((slot < self.sizes) & notes["bass"][rows], 1 << slot, 0)
        self.need: Ints = np.stack((need, need & self.bass, need & ~self.bass))
        bits = (np.arange(1 << self.width)[:, None] >> np.arange(self.width)) & 1
        self.leave = (np.minimum(bits.sum(axis=1), ft.LEAVE_MOST) * ft.LEAVE_EACH).astype(np.float32)
        self.taken = np.where(bits > 0, ft.NEVER, np.float32(0))
        tuning = groups.score.tuning
        self._tuned = {s: tuning.open_pitch(s) for s in range(1, tuning.strings + 1)}
        self._open = set(self._tuned.values())
        self._kept: dict[tuple[int, int], Fit] = {}
        self._most_kept = max(16, min(256, KEPT_BYTES // (15 * groups.count + 4 * self._pitch.size + 1)))

    def of(self, pitch: int, string: int) -> Fit:
        """Return how a pitch and a string (0: unknown) fit every group."""
        key = (pitch, string)
        found = self._kept.pop(key, None)
        if found is None:
            slots = self._of_slots(pitch, string)
            best = slots.argmax(axis=1)
            kinds = np.arange(len(slots))
            extra, faulty = self._as_extra(pitch, string)
            found = Fit(
                slots[kinds, best].take(self.kinds),
                best.astype(np.int16).take(self.kinds),
                (self._pitch[kinds, best] == pitch).take(self.kinds),
                self._or_before(extra),
                self._or_before(faulty),
                slots,
            )
        self._kept[key] = found  # what was asked for last is dropped last
        if len(self._kept) > self._most_kept:
            self._kept.pop(next(iter(self._kept)))
        return found

    def _of_slots(self, pitch: int, string: int) -> Floats:
        pitches, strings = self._pitch, self._string
        fits = self._by_distance.take(np.minimum(np.abs(pitches - pitch), 1199))
        if string:
            right, named, same = pitches == pitch, strings > 0, strings == string
            on_it = np.where(right, ft.STRING_RIGHT, ft.WRONG_STRING_RIGHT)
            off_it = np.where(right, ft.STRING_WRONG, ft.WRONG_STRING_WRONG)
            fits += np.where(named, np.where(same, on_it, off_it), 0).astype(np.float32)
            if string in self._tuned:
                fret = pitch - self._tuned[string]
                for neighbour in (string - 1, string + 1):
                    if neighbour in self._tuned:
                        meant = (strings == neighbour) & (pitches == self._tuned[neighbour] + fret)
                        fits[meant] = np.maximum(fits[meant], np.float32(ft.OTHER_STRING))
        fits += self._cost
        return fits

    def _or_before(self, by_kind: Floats) -> Floats:
        """Spread a figure over the groups; what fits the group before counts a little less."""
        found = by_kind.take(self.kinds)
        found[1:] = np.maximum(found[1:], found[:-1] - np.float32(0.5))
        return found

    def _as_extra(self, pitch: int, string: int) -> tuple[Floats, Floats]:
        distance = np.abs(self._pitch - pitch)
        told = (self._string > 0) & bool(string)
        here = np.where(self._string == string, ft.EXTRA_ON_IT, ft.EXTRA_OFF_IT)
        by_string = np.exp(np.where(told, here, 0.0))
        again = np.where(distance == 0, ft.EXTRA_AGAIN, 0)
        near = np.where((distance == 1) | (distance == 2), ft.EXTRA_NEAR, 0)
        leap = np.where((distance == 5) | (distance == 7), ft.EXTRA_LEAP, 0)
        kind = np.maximum(np.maximum(again, near), leap) * by_string
        extra = np.maximum(kind.max(axis=1), ft.EXTRA_ELSE)
        twice = np.where(distance == 0, ft.FAULTY_AGAIN, 0)
        ghost = np.where((distance == 7) | (distance == 12) | (distance == 19), ft.FAULTY_GHOST, 0)
        kind = np.maximum(twice, ghost) * by_string
        is_open = pitch in self._open and self._tuned.get(string, pitch) == pitch
        faulty = np.maximum(kind.max(axis=1), ft.FAULTY_OPEN if is_open else ft.FAULTY_ELSE)
        return (ft.EXTRA + np.log(extra)).astype(np.float32), (ft.FAULTY + np.log(faulty)).astype(np.float32)
