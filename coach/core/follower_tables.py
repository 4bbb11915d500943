"""What the follower believes about players, as log-density tables that one look-up answers.

Times are compared as natural logarithms of microseconds.  A density is always one of the log interval, so
that the moves of the follower can be weighed against each other.  The figures were found on simulated
students over generated and open pieces (``tests/bench/follow.py`` measures them); where a figure follows a
published model the source stands beside it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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
RATIO_ZERO = int(RATIO_MAX * BINS_PER_UNIT)
RATIO_BINS = 2 * RATIO_ZERO + 1
RATIO_LOW, RATIO_HIGH = 5.5, 19.5  # log µs: what an interval at the written tempo is taken to lie between

# --- rows of the advance table: how sure the tempo is, or why it is not kept -----------------------

SURE_AFTER = 10  # steps in a pass until the tempo is known as well as it ever is
ROW_GRACE, ROW_FERMATA = SURE_AFTER + 1, SURE_AFTER + 2
ROWS = SURE_AFTER + 3
ROW_AFTER_JUMP = 3  # a restart keeps the old tempo, roughly
GAINS = np.array([0.9, 0.6, 0.5, 0.42, 0.36] + [0.30] * (ROWS - 5), np.float32)
GAINS[ROW_GRACE] = 0.0
GAINS[ROW_FERMATA] = 0.0

SHORT_US, HESITATION, MOST, MOST_EARLY = 150e3, 1.2, 0.35, 1.35  # what the tempo learns from, and how much
LOOSE, TIGHT = 1.0, 0.22  # spread of log(interval / expected): at first, and when the tempo is known
GRACE_US = 80_000.0  # a grace note takes about this long from what it leads to (appoggiaturas last
#                      130 +- 70 ms in Nakamura's published parameters; plucked ones are quicker)

# --- moves --------------------------------------------------------------------------------------

HAND_ALONE = np.log(0.007)  # from bass to bass, or melody to melody, whatever lies between
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
PAUSE, PAUSE_MEAN, PAUSE_SPREAD, VAGUE, VAGUE_SPREAD = 0.11, 0.9, 0.8, 0.03, 1.4
TURN_US, TURN_BELOW, TURN_ABOVE = 0.6e6, 0.7, 1.3
BEGIN_ANYWHERE = 0.3  # of all takes; the others begin where the piece or the chunk does
# Where a jump leads.
TO_STUTTER, STUTTER_GROUPS, STUTTER_FADE = 0.15, 8, 4.0
TO_SELF = 0.05  # the note or chord just played, once more
TO_BACK, BACK_FADE = 0.65, 4.0
TO_AHEAD, AHEAD_FADE = 0.10, 3.0
TO_ANY = 0.10
BAR_START = 0.6  # of the weight of a bar is its first group's
LEARNT = 3.0
TO_CHUNK = 0.6


def _normal(x: NDArray[np.float64], mean: float, spread: float) -> NDArray[np.float64]:
    return np.asarray(np.exp(-0.5 * ((x - mean) / spread) ** 2) / (spread * np.sqrt(2 * np.pi)))


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
