"""From strokes to a pickup profile: medians, how well they are known, and fade times by velocity.

A stroke minus its click is the converter's delay, and what the sound is later than told, and the player's own
asynchrony.  The last is common to all strings and cannot be told apart from the converter's, but for one
thing: no detector answers within less than one period of the string.  Where a string seems to, the player was
ahead of the click by at least that much, and all delays, the note-offs' too, are put back by it.  So
differences between strings, and between a note-on and a note-off, are as the strokes say; a common offset is
known only from below.

Where only some strings are learnt anew, a string that was known before and was plucked with the click again
tells how the common offset differs from the one before.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, log, sqrt

import numpy as np

from coach.core.calibration_turns import has_delays
from coach.core.pitch import frequency
from coach.core.profile import FADE_VELOCITY, Profile

DEVIATION = 1.4826  # times the median absolute deviation: one standard deviation of a normal distribution
MEDIAN_ERROR = 1.2533  # a median of n is known to so many deviations over the root of n (normal, n large)
# Strokes lie closer to their own median than to the true middle: the median of |stroke - median|, of n
# strokes a string and many strings together, is too small by this factor (own simulation, normal samples).
LOST = {2: 1.41, 3: 2.15, 4: 1.39, 5: 1.37, 6: 1.28, 7: 1.22, 8: 1.20, 9: 1.16}
POOLED_AS = 8  # the spread of all strings counts as so many strokes in the spread of one
TOUCHED = 0.5  # of the usual fade: what ended sooner was touched
RANGE = 0.4  # of ln(velocity), before a slope is believed
LEAST_FADE_S = 0.1  # no fade time is known better


LEAST_STOPS = 3  # stopped strokes, before the delays of a string are believed
LEAST_TIE = 3  # strokes of a known string that tie new delays to the kept ones
UNTIED_MS = 15.0  # one standard deviation of the common offset from one day to another.  Our own figure
GUESSED_MS = 15.0  # the same of a string's delay that the other strings tell.  Our own figure
UNMEASURED_MS = 10.0  # the same of a corrected time where delays were never measured.  Our own figure
LINE = 3  # strings, before a line over the period is drawn through their delays


@dataclass(frozen=True, slots=True)
class Stroke:
    """One pluck as received; times in ms and s."""

    string: int
    velocity: int
    on_ms: float | None  # note-on minus click; None: there was no click
    off_ms: float | None = None  # note-off minus the click to stop at
    fade_s: float | None = None  # note-on to note-off, of a string that was let alone


@dataclass(frozen=True, slots=True)
class Fit:
    """What the strokes say, put into what was known.  The strings of each kind are named."""

    profile: Profile
    ahead_ms: float  # by how much the player is ahead of the click at least
    touched: int  # fades that were left out
    delays: frozenset[int] = frozenset()  # strings whose delays were measured
    guessed: frozenset[int] = frozenset()  # strings never measured: their delays are as the others' tell
    fades: frozenset[int] = frozenset()  # strings whose fade was measured
    tied: bool = False  # the delays are on the scale of the kept ones


def fit(
    strokes: Sequence[Stroke],
    wired: Profile,
    open_pitches: Sequence[int],
    anew: Collection[int] | None = None,
) -> Fit:
    """Return ``wired`` with the delays, errors, spreads and fades that the strokes tell.

    ``wired`` has what was known before; what the strokes do not tell stays.  ``anew``: the strings to learn
    (default all); strokes of others only tie.  ``open_pitches``: from string 1.
    """
    strings = range(1, wired.strings + 1)
    ons = {s: [k.on_ms for k in strokes if k.string == s and k.on_ms is not None] for s in strings}
    offs = {s: [k.off_ms for k in strokes if k.string == s and k.off_ms is not None] for s in strings}
    wanted = set(strings if anew is None else anew)
    delays = {s for s in wanted if len(offs[s]) >= LEAST_STOPS}
    made, ahead, guessed, tied = wired, 0.0, set[int](), False
    if delays:
        made, ahead, guessed, tied = _with_delays(
            ons, offs, wired, open_pitches, delays, whole=len(wanted) == wired.strings
        )
    sounded = {
        s: [
            (log(k.velocity), k.fade_s + (made.on_delay_us(s) - made.off_delay_us(s)) / 1e6)
            for k in strokes
            if k.string == s and k.fade_s is not None and s in wanted
        ]
        for s in strings
    }
    fade, slope, fade_spread, touched = _fades(sounded)
    fades = {s for s in strings if fade[s] > 0}
    if fades:
        made = replace(
            made,
            fade_s=_row(fade, 2, fades, made.fade_s, wired.strings),
            fade_slope_s=_row(slope, 2, fades, made.fade_slope_s, wired.strings),
            fade_spread_s=_row(fade_spread, 2, fades, made.fade_spread_s, wired.strings),
        )
    if not any(made.on_delay_ms) and not made.uncertainty_ms:
        made = replace(made, uncertainty_ms=UNMEASURED_MS)
    if delays or fades:
        made = replace(made, name="calibrated")
    frozen = (frozenset(delays), frozenset(guessed), frozenset(fades))
    return Fit(made, round(ahead, 1), touched, *frozen, tied=tied)


def _with_delays(
    ons: Mapping[int, list[float]],
    offs: Mapping[int, list[float]],
    wired: Profile,
    open_pitches: Sequence[int],
    delays: set[int],
    *,
    whole: bool,
) -> tuple[Profile, float, set[int], bool]:
    """Return the profile with ``delays``, by how much the player is ahead, the guessed strings, if tied."""
    strings = range(1, wired.strings + 1)
    heard = {s for s in strings if ons[s]}
    on, on_spread, on_error = _delays({s: ons[s] for s in heard})
    off, off_spread, off_error = _delays({s: offs[s] for s in strings if offs[s]})
    kept = {s for s in strings if s not in delays and has_delays(wired, s)}
    period_ms = {s: 1e3 / frequency(open_pitches[s - 1]) for s in strings}
    tie = _tie(wired, kept, ons, offs)
    # New delays are put on the scale of the kept ones; but where all were to be learnt, and most were, the
    # few that were not are put on the new scale.
    few = not whole or len(delays) < len(kept)
    more = tie[1] if tie is not None else UNTIED_MS
    ahead = 0.0
    if tie is not None and few:
        shift = tie[0]
    else:
        shift = ahead = max(0.0, *(period_ms[s] - on[s] for s in delays))
    guessed = {s for s in strings if s not in delays and s not in kept}
    # A string that came with the click but was never stopped: its note-on is known, its note-off guessed.
    known = np.array([(period_ms[s], on[s]) for s in sorted(delays)])
    line = np.polyfit(known[:, 0], known[:, 1], 1) if len(known) >= LINE else None
    for s in guessed:
        near = float(np.median([on_spread[k] for k in delays]))
        if s not in heard:
            middle = float(np.median([on[k] for k in delays]))
            on[s] = middle if line is None else float(np.polyval(line, period_ms[s]))
            on_spread[s], on_error[s] = near, GUESSED_MS
        off[s] = float(np.median([off[k] for k in delays]))
        off_spread[s], off_error[s] = float(np.median([off_spread[k] for k in delays])), GUESSED_MS
    new = delays | guessed
    more_of = dict.fromkeys(new, more if few else 0.0)
    if not few:
        back = ahead - tie[0] if tie is not None else 0.0
        for s in kept:
            on[s], off[s] = (row[s - 1] + back - shift for row in (wired.on_delay_ms, wired.off_delay_ms))
            rows = (wired.on_error_ms, wired.off_error_ms, wired.on_spread_ms, wired.off_spread_ms)
            on_error[s], off_error[s], on_spread[s], off_spread[s] = (
                row[s - 1] if len(row) >= s else 0.0 for row in rows
            )
        new |= kept
        more_of |= dict.fromkeys(kept, more)
    on = {s: max(on[s] + shift, 0.1) for s in new}
    off = {s: max(off[s] + shift, 0.0) for s in new}
    made = replace(
        wired,
        on_delay_ms=_row(on, 1, new, wired.on_delay_ms, wired.strings),
        off_delay_ms=_row(off, 1, new, wired.off_delay_ms, wired.strings),
        on_error_ms=_row(
            {s: hypot(on_error[s], more_of[s]) for s in new}, 1, new, wired.on_error_ms, wired.strings
        ),
        off_error_ms=_row(
            {s: hypot(off_error[s], more_of[s]) for s in new}, 1, new, wired.off_error_ms, wired.strings
        ),
        on_spread_ms=_row(on_spread, 1, new, wired.on_spread_ms, wired.strings),
        off_spread_ms=_row(off_spread, 1, new, wired.off_spread_ms, wired.strings),
    )
    errors = [*made.on_error_ms, *made.off_error_ms]
    usual_ms = round(sqrt(sum(e * e for e in errors) / len(errors)), 1)
    return replace(made, uncertainty_ms=usual_ms), ahead, guessed, tie is not None


def _tie(
    wired: Profile, kept: set[int], ons: Mapping[int, list[float]], offs: Mapping[int, list[float]]
) -> tuple[float, float] | None:
    """Return what is to be added to new delays so that they fit the kept ones, and its error in ms."""
    found: list[tuple[float, float]] = []
    for strokes, delays_ms, errors_ms in (
        (ons, wired.on_delay_ms, wired.on_error_ms),
        (offs, wired.off_delay_ms, wired.off_error_ms),
    ):
        known = {s: strokes[s] for s in kept if len(strokes[s]) >= LEAST_TIE}
        if not known:
            continue
        middle, _, error = _delays({s: values for s, values in strokes.items() if values})
        for s in known:
            before = errors_ms[s - 1] if len(errors_ms) >= s else 0.0
            found.append((delays_ms[s - 1] - middle[s], max(hypot(error[s], before), 0.1)))
    if not found:
        return None
    weights = np.array([1 / error**2 for _, error in found])
    shift = float(np.average([value for value, _ in found], weights=weights))
    return shift, float(1 / np.sqrt(weights.sum()))


def _row(
    values: Mapping[int, float], decimals: int, new: Collection[int], kept: Sequence[float], strings: int
) -> tuple[float, ...]:
    """Return a row of ``strings``: ``values`` of the ``new`` ones, what was ``kept`` of others, else 0."""
    return tuple(
        round(values[s], decimals) if s in new else kept[s - 1] if s <= len(kept) else 0.0
        for s in range(1, strings + 1)
    )


def _delays(
    strokes: Mapping[int, Sequence[float]],
) -> tuple[dict[int, float], dict[int, float], dict[int, float]]:
    """Return by string medians, standard deviations of a stroke, and of the median.

    A string's own spread, of a few strokes, is drawn towards that of all strings.
    """
    middle = {s: float(np.median(values)) for s, values in strokes.items()}
    away = {s: np.abs(np.array(values) - middle[s]) for s, values in strokes.items()}
    several = [LOST.get(len(v), 1.14) * v for v in away.values() if len(v) > 1]  # one tells no spread
    pooled = max(DEVIATION * float(np.median(np.concatenate(several))), 0.1) if several else UNTIED_MS
    spread, error = {}, {}
    for s, values in away.items():
        n = len(values)
        own = DEVIATION * sqrt(n / max(n - 1, 1)) * float(np.median(values))
        spread[s] = sqrt((n * own**2 + POOLED_AS * pooled**2) / (n + POOLED_AS))
        error[s] = MEDIAN_ERROR * spread[s] / sqrt(n)
    return middle, spread, error


def _fades(
    fades: Mapping[int, Sequence[tuple[float, float]]],
) -> tuple[dict[int, float], dict[int, float], dict[int, float], int]:
    """Return by string fade at FADE_VELOCITY, slope and spread, and how many were left out.

    A straight line over ln(velocity): levels fall exponentially, so the time until a fixed gate closes grows
    with the logarithm of the start (Theil-Sen slope).  0 where a string's fade was never heard.
    """
    kept: dict[int, list[tuple[float, float]]] = {}
    for s, pairs in fades.items():
        usual = float(np.median([y for _, y in pairs])) if pairs else 0.0
        kept[s] = [(x, y) for x, y in pairs if y >= TOUCHED * usual]
    pooled = _slope([pair for pairs in kept.values() for pair in _pairs(pairs)])
    middle, slope, spread = {}, {}, {}
    for s, pairs in kept.items():
        x = np.array([a for a, _ in pairs])
        y = np.array([b for _, b in pairs])
        own = len(pairs) >= 3 and float(np.ptp(x)) >= RANGE
        slope[s] = _slope(_pairs(pairs)) if own else pooled
        level = y - slope[s] * (x - log(FADE_VELOCITY))
        middle[s] = float(np.median(level)) if len(level) else 0.0
        off = DEVIATION * float(np.median(np.abs(level - middle[s]))) if len(level) > 1 else 0.0
        lost = sqrt(len(level) / max(len(level) - 2, 1))  # two figures were fitted
        spread[s] = max(lost * off, LEAST_FADE_S) if len(level) else 0.0
    return middle, slope, spread, sum(map(len, fades.values())) - sum(map(len, kept.values()))


def _pairs(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return (slope, weight) of every two points that lie apart."""
    return [
        ((b[1] - a[1]) / (b[0] - a[0]), abs(b[0] - a[0]))
        for k, a in enumerate(points)
        for b in points[k + 1 :]
        if abs(b[0] - a[0]) > 0.1
    ]


def _slope(pairs: Sequence[tuple[float, float]]) -> float:
    """Return the weighted median of slopes, none below 0: louder never fades sooner."""
    if not pairs:
        return 0.0
    ordered = sorted(pairs)
    half, so_far = sum(weight for _, weight in ordered) / 2, 0.0
    for value, weight in ordered:
        so_far += weight
        if so_far >= half:
            return max(value, 0.0)
    return max(ordered[-1][0], 0.0)
