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

# --- rows of the advance table: how sure the tempo is, or why it is not kept ----------------------

SURE_AFTER = 10  # steps in a pass until the tempo is known as well as it ever is
ROW_GRACE, ROW_FERMATA = SURE_AFTER + 1, SURE_AFTER + 2
ROWS = SURE_AFTER + 3
ROW_AFTER_JUMP = 7  # a restart keeps the old tempo, roughly

# --- tempo: log(interval / expected) ---------------------------------------------------------------

LOOSE, TIGHT = 0.55, 0.13  # spread at first, and when the tempo is known
GRACE_SPREAD, TO_GRACE_SPREAD = 0.7, 0.45  # after a grace note; added before one
PAUSE, PAUSE_MEAN, PAUSE_SPREAD = 0.165, 1.3, 0.8  # a hesitation: its share, how long, how spread
FERMATA_PAUSE = 0.55  # the same share after a fermata
VAGUE, VAGUE_SPREAD = 0.01, 0.95  # neither
GAINS = np.array([0.9, 0.6, 0.5, 0.42, 0.36] + [0.30] * (SURE_AFTER - 4) + [0.0, 0.0], np.float32)  # by row
SHORT_US = 150e3  # shorter intervals teach the tempo less
HESITATION = 1.2  # a longer interval teaches it a third
MOST, MOST_EARLY = 0.35, 1.35  # no interval teaches it more than this
GRACE_US = 80e3  # a grace note takes about this long from what it leads to (appoggiaturas last
#                  130 +- 70 ms in Nakamura's published parameters; plucked ones are quicker)

# --- moves: log shares -----------------------------------------------------------------------------

SKIP_ONE, SKIP_MORE, SKIP_GRACE = np.log(0.0155), np.log(0.17), np.log(0.4)  # groups left out
# From bass to bass, or melody to melody, whatever lies between: the first time, and how much likelier then.
HAND_ALONE, HAND_GOES_ON = np.log(0.01), np.log(0.6 / 0.01)
LEAVE_EACH, LEAVE_MOST = np.log(0.4), 4  # going on without a note of the group; no more are counted
PAST_CHUNK = np.log(0.02)  # going on beyond the chunk that is being practised
STAY, LATE, JUMP = np.log(0.97), np.log(0.015), np.log(0.003)
JUMP_AT_END = np.log(0.6)  # at the end of the piece or the chunk, turning back is what comes next

# --- intervals within chords, before late notes, before jumps ----------------------------------------

STAY_FAST, STAY_FAST_US, STAY_SLOW_US = 0.65, 14e3, 40e3  # two waiting times, the share of the first
LATE_US, LATE_SPREAD = 60e3, 1.0
TURN_US, TURN_BELOW, TURN_ABOVE = 0.6e6, 0.7, 1.4  # the pause before a restart; its spread either way

# --- pitches of notes that are meant -------------------------------------------------------------------

RIGHT, ANYTHING = np.log(0.95), np.log(0.00011)
# By distance in semitones: a neighbouring fret, a neighbouring string, an octave error of the converter.
WRONG = {1: 0.005, 2: 0.005, 3: 0.0015, 4: 0.001, 5: 0.002, 7: 0.0015, 12: 0.0015}
OTHER_STRING = np.log(0.003)  # the right fret of a neighbouring string
STRING_RIGHT, STRING_WRONG = 2.0, -4.0  # the score's string or another, the pitch being right
WRONG_STRING_RIGHT, WRONG_STRING_WRONG = 0.8, -1.2  # the pitch being wrong
SHARED = -2.0  # a note that another voice's stroke plays is seldom struck again

# --- notes that match nothing ----------------------------------------------------------------------------

# The player added one: what it is beside the notes of the group (the same again, a neighbour, anything).
EXTRA = np.log(0.03)
EXTRA_AGAIN, EXTRA_NEAR, EXTRA_LEAP, EXTRA_ELSE = 0.02, 0.04, 0.02, 0.0075
EXTRA_ON_IT, EXTRA_OFF_IT = 0.5, -0.6  # it is on the string of the note it is near, or on another
EXTRA_SOON, EXTRA_SOON_US, EXTRA_SOON_SPREAD, EXTRA_RATE_US = 0.6, 150e3, 1.0, 10e6
# Nobody played it: the same again (a double trigger), octave, twelfth or fifth (a ghost), an open string
# (brushed, or answering), anything.  They come with the note or soon after, and tend to be soft.
FAULTY = np.log(0.05)
FAULTY_AGAIN, FAULTY_GHOST, FAULTY_OPEN, FAULTY_ELSE = 0.20, 0.06, 0.036, 0.002
FAINT_AT, FAINT_SLOPE, FAINT_LEAST, FAINT_MOST = 0.7, 6.0, -1.0, 3.3  # log odds by softness
FAULTY_WITH, FAULTY_WITH_US, FAULTY_US, FAULTY_SPREAD = 0.3, 17e3, 98e3, 0.8

# A string that is brushed, or planted, so shortly before its group begins: log likelihood a µs.
AHEAD_US, AHEAD = 50_000, -12.5

# --- where takes begin and jumps lead -----------------------------------------------------------------------

BEGIN_ANYWHERE = 0.1  # of all takes; the others begin where the piece or the chunk does
TO_SELF = 0.09  # the note or chord just played, once more
TO_STUTTER, STUTTER_GROUPS, STUTTER_FADE = 0.07, 8, 6.0  # a few onsets back: e^-(groups / fade)
TO_BACK, BACK_FADE = 0.67, 3.0  # this bar or one before: e^-(bars / fade)
TO_AHEAD, AHEAD_FADE = 0.13, 2.0
TO_ANY = 0.07
NO_LEAP = 1  # the next group is stepped to, with or without a pause
BAR_START = 0.75  # of the weight of a bar is its first group's
LEARNT = 4.5  # how many times likelier a place is that was turned to once before
OUT_OF_CHUNK = np.log(0.1)  # and so much less to a place outside it
TO_CHUNK = 0.75  # to the beginning of the chunk, where one is being practised


def _normal(x: NDArray[np.float64], mean: float, spread: float) -> NDArray[np.float64]:
    return np.asarray(np.exp(-0.5 * ((x - mean) / spread) ** 2) / (spread * np.sqrt(2 * np.pi)))


def _log(density: NDArray[np.float64]) -> Floats:
    return np.log(np.maximum(density, 1e-30)).astype(np.float32)


def _advance_rows(more_spread: float) -> list[Floats]:
    ratio = np.arange(RATIO_BINS) / BINS_PER_UNIT - RATIO_MAX
    rows = []
    for row in range(ROWS):
        known = min(row, SURE_AFTER) / SURE_AFTER
        spread = float(np.hypot(LOOSE ** (1 - known) * TIGHT**known, more_spread))
        pause = PAUSE
        if row == ROW_GRACE:
            spread = GRACE_SPREAD
        if row == ROW_FERMATA:
            pause = FERMATA_PAUSE
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
    return np.concatenate(_advance_rows(0.0) + _advance_rows(TO_GRACE_SPREAD))


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
