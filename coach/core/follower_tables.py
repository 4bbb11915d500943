"""What the follower believes about players, as log-density tables that one look-up answers.

Times are compared as natural logarithms of microseconds.  A density is always one of the log interval, so
that the moves of the follower can be weighed against each other.  The figures were found on simulated
students over generated and open pieces (``tests/bench/follow.py`` measures them); where a figure follows a
published model the source stands beside it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coach.core.groups import Groups

Floats = NDArray[np.float32]
Ints = NDArray[np.int64]

BAND = 6  # groups a player can be ahead after one step: five left out
NEVER = np.float32(-1e9)  # a log likelihood that nothing comes back from

# --- bins ---------------------------------------------------------------------------------------

BINS_PER_UNIT = 50  # of log time: steps of 2 %
SHORTEST_US, LONGEST_US = 1_000.0, 120e6  # intervals are taken to lie between these
LOG_MIN = float(np.log(SHORTEST_US))
LOG_BINS = int(np.ceil((np.log(LONGEST_US) - LOG_MIN) * BINS_PER_UNIT)) + 2
RATIO_MAX = 13.0  # of log(interval / expected), either way
RATIO_BINS = int(2 * RATIO_MAX * BINS_PER_UNIT) + 1

# --- rows of the advance table: how sure the tempo is, or why it is not kept -----------------------

SURE_AFTER = 10  # steps in a pass until the tempo is known as well as it ever is
ROW_GRACE, ROW_FERMATA = SURE_AFTER + 1, SURE_AFTER + 2
ROWS = SURE_AFTER + 3
ROW_AFTER_JUMP = 3  # a restart keeps the old tempo, roughly
GAINS = np.array([0.9, 0.6, 0.5, 0.42, 0.36] + [0.30] * (ROWS - 5), np.float32)
GAINS[ROW_GRACE] = 0.0
GAINS[ROW_FERMATA] = 0.0

LOOSE, TIGHT = 1.0, 0.22  # spread of log(interval / expected): at first, and when the tempo is known
GRACE_US = 80_000.0  # a grace note takes about this long from what it leads to (appoggiaturas last
#                      130 +- 70 ms in Nakamura's published parameters; plucked ones are quicker)

# --- moves --------------------------------------------------------------------------------------

SKIP_ONE, SKIP_MORE, SKIP_GRACE = np.log(0.015), np.log(0.35), np.log(0.4)
LEAVE_EACH, LEAVE_MOST = np.log(0.2), 4  # for each note of a group that was not played
STAY, EXTRA, LATE, JUMP = np.log(0.97), np.log(0.03), np.log(0.015), np.log(0.001)
JUMP_AT_END = np.log(0.3)  # the last group of the piece or of the chunk: turning back is what comes next
PAST_CHUNK = np.log(0.1)
RIGHT, ANYTHING = np.log(0.95), np.log(0.0004)
SHARED = -2.0  # a note that another voice's stroke plays is seldom struck again
# A wrong pitch by its distance in semitones: a neighbouring fret, a neighbouring string, an octave error
# of the converter.
WRONG = {1: 0.010, 2: 0.010, 3: 0.003, 4: 0.002, 5: 0.004, 7: 0.003, 12: 0.003}
STRING_RIGHT, STRING_WRONG = 1.6, -2.3
WRONG_STRING_RIGHT, WRONG_STRING_WRONG = 0.8, -0.8
# A note that matches nothing, by what it is beside a note of the group: the same again (double trigger),
# a neighbour, a ghost (octave, twelfth, fifth); an open string that was brushed; anything.
FAULTY_AGAIN, FAULTY_GHOST, FAULTY_OPEN, FAULTY_ELSE = 0.20, 0.06, 0.05, 0.002
EXTRA_AGAIN, EXTRA_NEAR, EXTRA_ELSE = 0.06, 0.04, 0.012
FAULTY, FAULTY_WITH, FAULTY_WITH_US, FAULTY_US, FAULTY_SPREAD = np.log(0.05), 0.3, 12e3, 70e3, 0.8
EXTRA_SOON, EXTRA_SOON_US, EXTRA_SOON_SPREAD, EXTRA_RATE_US = 0.6, 150e3, 1.0, 10e6
OTHER_STRING = np.log(0.003)  # the right fret of a neighbouring string
FAULTY_FAINT = 1.0
STAY_FAST, STAY_FAST_US, STAY_SLOW_US = 0.75, 14e3, 60e3
LATE_US, LATE_SPREAD = 40e3, 1.0
FAINT_AT, FAINT_SLOPE, FAINT_LEAST, FAINT_MOST = 0.6, 4.0, -0.3, 1.8
PAUSE, PAUSE_MEAN, PAUSE_SPREAD, VAGUE, VAGUE_SPREAD = 0.11, 0.9, 0.8, 0.03, 1.4
TURN_US, TURN_BELOW, TURN_ABOVE = 0.6e6, 0.7, 1.3
# Where a jump leads.
TO_STUTTER, STUTTER_GROUPS, STUTTER_FADE = 0.15, 8, 4.0
TO_BACK, BACK_FADE = 0.65, 4.0
TO_AHEAD, AHEAD_FADE = 0.10, 3.0
TO_ANY = 0.10
BAR_START = 0.6  # of the weight of a bar is its first group's
LEARNT = 3.0
TO_CHUNK = 0.6


def _normal(x: NDArray[np.float64], mean: float, spread: float) -> NDArray[np.float64]:
    return np.exp(-0.5 * ((x - mean) / spread) ** 2) / (spread * np.sqrt(2 * np.pi))


def _log(density: NDArray[np.float64]) -> Floats:
    return np.log(np.maximum(density, 1e-30)).astype(np.float32)


def _advance_rows(extra_spread: float) -> list[Floats]:
    ratio = np.arange(RATIO_BINS) / BINS_PER_UNIT - RATIO_MAX
    rows = []
    for row in range(ROWS):
        known = min(row, SURE_AFTER) / SURE_AFTER
        spread = float(np.hypot(LOOSE ** (1 - known) * TIGHT**known, extra_spread))
        pause = PAUSE
        if row == ROW_GRACE:
            spread = 0.7
        if row == ROW_FERMATA:
            pause = 0.55
        on_time = 1.0 - pause - VAGUE
        rows.append(
            _log(
                on_time * _normal(ratio, 0.0, spread)
                + pause * _normal(ratio, PAUSE_MEAN, PAUSE_SPREAD)
                + VAGUE * _normal(ratio, 0.0, VAGUE_SPREAD)
            )
        )
    return rows


def advance_table() -> Floats:
    """Return the log density of log(interval / expected), shape (2 * ROWS * RATIO_BINS,).

    The second half is for steps on to grace notes, which keep time loosely.
    """
    return np.concatenate(_advance_rows(0.0) + _advance_rows(0.45))


def _log_times() -> NDArray[np.float64]:
    return LOG_MIN + np.arange(LOG_BINS) / BINS_PER_UNIT


def _waiting(mean_us: float) -> NDArray[np.float64]:
    """Return the density of the log of an exponential waiting time."""
    share = np.exp(_log_times()) / mean_us
    return np.asarray(share * np.exp(-share))


def stay_table() -> Floats:
    """Return the log density of the log interval within a chord, shape (LOG_BINS,)."""
    return _log(STAY_FAST * _waiting(STAY_FAST_US) + (1 - STAY_FAST) * _waiting(STAY_SLOW_US))


def extra_table() -> Floats:
    """Return the log density of the log interval before a note that matches nothing, shape (LOG_BINS,)."""
    soon = _normal(_log_times(), np.log(EXTRA_SOON_US), EXTRA_SOON_SPREAD)
    return _log(EXTRA_SOON * soon + (1 - EXTRA_SOON) * _waiting(EXTRA_RATE_US))


def faulty_table() -> Floats:
    """Return the log density of the log interval before a note that nobody played, shape (LOG_BINS,)."""
    later = _normal(_log_times(), np.log(FAULTY_US), FAULTY_SPREAD)
    return _log(FAULTY_WITH * _waiting(FAULTY_WITH_US) + (1 - FAULTY_WITH) * later)


def late_table() -> Floats:
    """Return the log density of how late a note of the group just left comes, shape (LOG_BINS,)."""
    return _log(_normal(_log_times(), np.log(LATE_US), LATE_SPREAD))


def jump_table() -> Floats:
    """Return the log density of the pause before a restart or a leap, shape (LOG_BINS,)."""
    x = _log_times() - np.log(TURN_US)
    whole = (TURN_BELOW + TURN_ABOVE) / 2  # makes the two halves meet, and one in all
    below, above = _normal(x, 0, TURN_BELOW) * TURN_BELOW, _normal(x, 0, TURN_ABOVE) * TURN_ABOVE
    return _log(np.where(x < 0, below, above) / whole)


class Fit(NamedTuple):
    """How one pitch (on one string) fits each onset group: log likelihoods, one entry a group."""

    note: Floats  # as the group's note it fits best
    slot: NDArray[np.int16]  # that note's place in the group
    right: NDArray[np.bool_]  # it has that pitch
    extra: Floats  # as a note that the player added
    faulty: Floats  # as one that nobody played: a ghost, a double trigger, a brushed string


class PitchTerms:
    """How well a pitch (and a string) fits each onset group; worked out once and kept.

    Groups of the same notes share their figures, so a new pitch costs as much as there are different
    groups.
    """

    MOST_COLUMNS = 24  # notes of one group that are told apart

    def __init__(self, groups: Groups) -> None:
        notes = groups.score.notes
        sizes = np.minimum(np.diff(groups.starts), self.MOST_COLUMNS)
        width = int(sizes.max(initial=1))
        kinds: dict[tuple[bytes, ...], int] = {}
        of_group = np.zeros(groups.count, np.int64)
        rows = []
        for g, (start, size) in enumerate(zip(groups.starts[:-1].tolist(), sizes.tolist(), strict=True)):
            part = slice(start, start + size)
            key = (
                *(notes[name][part].tobytes() for name in ("pitch", "string", "grace")),
                groups.needed[part].tobytes(),
            )
            if key not in kinds:
                kinds[key] = len(rows)
                rows.append(part)
            of_group[g] = kinds[key]
        self.of_group = of_group
        self.pitch = np.full((max(len(rows), 1), width), -999, np.int16)
        self.string = np.zeros((max(len(rows), 1), width), np.int8)
        for kind, part in enumerate(rows):
            self.pitch[kind, : part.stop - part.start] = notes["pitch"][part]
            self.string[kind, : part.stop - part.start] = notes["string"][part]
        self.log_size = np.log(np.maximum((self.pitch > -999).sum(axis=1), 1)).astype(np.float32)
        self.needed = np.zeros((max(len(rows), 1), width), bool)
        for kind, part in enumerate(rows):
            self.needed[kind, : part.stop - part.start] = groups.needed[part] | notes["grace"][part]
        self._by_distance = np.full(2000, ANYTHING, np.float32)
        for distance, share in WRONG.items():
            self._by_distance[distance] = np.log(share)
        self._by_distance[0] = RIGHT
        tuning = groups.score.tuning
        self._tuned = {s: tuning.open_pitch(s) for s in range(1, tuning.strings + 1)}
        self._open = set(self._tuned.values())
        self._kept: dict[tuple[int, int], Fit] = {}
        self._most_kept = max(16, min(256, 16_000_000 // (11 * max(groups.count, 1))))

    def of_slots(self, kinds: NDArray[np.int64], pitch: int, string: int) -> Floats:
        """Return the log likelihood of a pitch for each note of some groups, shape (len(kinds), width)."""
        pitches, strings = self.pitch[kinds], self.string[kinds]
        fits = self._by_distance[np.abs(pitches - pitch)]
        fits[pitches == -999] = NEVER
        fits[~self.needed[kinds]] += np.float32(SHARED)
        if string:
            right, named, same = pitches == pitch, strings > 0, strings == string
            on_it = np.where(right, np.float32(STRING_RIGHT), np.float32(WRONG_STRING_RIGHT))
            off_it = np.where(right, np.float32(STRING_WRONG), np.float32(WRONG_STRING_WRONG))
            fits += np.where(named, np.where(same, on_it, off_it), np.float32(0))
            if string in self._tuned:
                strayed = np.float32(OTHER_STRING) + np.zeros_like(fits)
                fret = pitch - self._tuned[string]
                for neighbour in (string - 1, string + 1):
                    if neighbour in self._tuned:
                        meant = (strings == neighbour) & (pitches == self._tuned[neighbour] + fret)
                        fits = np.where(meant, np.maximum(fits, strayed), fits)
        fits -= self.log_size[kinds][:, None]
        return fits

    def of(self, pitch: int, string: int) -> Fit:
        """Return how a pitch and a string (0: unknown) fit every group."""
        key = (pitch, string)
        found = self._kept.pop(key, None)
        if found is None:
            kinds = np.arange(len(self.pitch))
            slots = self.of_slots(kinds, pitch, string)
            best = slots.argmax(axis=1)
            extra, faulty = self._as_extra(pitch)
            found = Fit(
                slots[kinds, best].take(self.of_group),
                best.astype(np.int16).take(self.of_group),
                (self.pitch[kinds, best] == pitch).take(self.of_group),
                self._or_before(extra),
                self._or_before(faulty),
            )
        self._kept[key] = found  # last in, last out
        if len(self._kept) > self._most_kept:
            self._kept.pop(next(iter(self._kept)))
        return found

    def _or_before(self, by_kind: Floats) -> Floats:
        """Spread a figure over the groups; what fits the group before counts a little less."""
        found = by_kind.take(self.of_group)
        found[1:] = np.maximum(found[1:], found[:-1] - np.float32(0.5))
        return found

    def _as_extra(self, pitch: int) -> tuple[Floats, Floats]:
        distance = np.abs(self.pitch - pitch)
        again = (distance == 0).any(axis=1)
        near = ((distance == 1) | (distance == 2)).any(axis=1)
        ghost = np.isin(distance, (7, 12, 19)).any(axis=1)
        extra = np.where(again, EXTRA_AGAIN, np.where(near, EXTRA_NEAR, EXTRA_ELSE))
        faulty = np.full(len(distance), FAULTY_OPEN if pitch in self._open else FAULTY_ELSE)
        faulty = np.maximum(faulty, np.where(again, FAULTY_AGAIN, np.where(ghost, FAULTY_GHOST, 0)))
        return (EXTRA + np.log(extra)).astype(np.float32), (FAULTY + np.log(faulty)).astype(np.float32)
