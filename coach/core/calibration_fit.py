"""From strokes to a pickup profile: medians, how well they are known, and fade times by velocity.

A stroke minus its click is the converter's delay, and what the sound is later than told, and the player's own
asynchrony.  The last is common to all strings and cannot be told apart from the converter's, but for one
thing: no detector answers within less than one period of the string.  Where a string seems to, the player was
ahead of the click by at least that much, and all delays, the note-offs' too, are put back by it.  So
differences between strings, and between a note-on and a note-off, are as the strokes say; a common offset is
known only from below.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import log, sqrt

import numpy as np

from coach.core.pitch import frequency
from coach.core.profile import FADE_VELOCITY, Profile

DEVIATION = 1.4826  # times the median absolute deviation: one standard deviation of a normal distribution
MEDIAN_ERROR = 1.2533  # a median of n is known to so many deviations over the root of n (normal, n large)
# Strokes lie closer to their own median than to the true middle: the median of |stroke - median|, of n
# strokes a string and many strings together, is too small by this factor (own simulation, normal samples).
LOST = {1: 1.0, 2: 1.41, 3: 2.15, 4: 1.39, 5: 1.37, 6: 1.28, 7: 1.22, 8: 1.20, 9: 1.16}
POOLED_AS = 8  # the spread of all strings counts as so many strokes in the spread of one
TOUCHED = 0.5  # of the usual fade: what ended sooner was touched
RANGE = 0.4  # of ln(velocity), before a slope is believed
LEAST_FADE_S = 0.1  # no fade time is known better


@dataclass(frozen=True, slots=True)
class Stroke:
    """One pluck as received, against its click; times in ms and s."""

    string: int
    velocity: int
    on_ms: float  # note-on minus click
    off_ms: float | None = None  # note-off minus the click to stop at
    fade_s: float | None = None  # note-on to note-off, of a string that was let alone


@dataclass(frozen=True, slots=True)
class Fit:
    """What the strokes say.  ``ahead_ms``: by how much the player is ahead of the click at least."""

    profile: Profile
    ahead_ms: float
    touched: int  # fades that were left out


def fit(strokes: Sequence[Stroke], wired: Profile, open_pitches: Sequence[int]) -> Fit:
    """Return ``wired`` with delays, their errors and spreads, and fades.

    Every string needs a stroke of each kind.  ``open_pitches``: from string 1.
    """
    strings = range(1, wired.strings + 1)
    ons = {s: [k.on_ms for k in strokes if k.string == s] for s in strings}
    offs = {s: [k.off_ms for k in strokes if k.string == s and k.off_ms is not None] for s in strings}
    on, on_spread = _delays(ons)
    off, off_spread = _delays(offs)
    floors = [1e3 / frequency(open_pitches[s - 1]) for s in strings]
    ahead = max(0.0, *(floor - on[s] for floor, s in zip(floors, strings, strict=True)))
    on = {s: value + ahead for s, value in on.items()}
    off = {s: max(value + ahead, 0.0) for s, value in off.items()}
    on_error = {s: MEDIAN_ERROR * on_spread[s] / sqrt(len(ons[s])) for s in strings}
    off_error = {s: MEDIAN_ERROR * off_spread[s] / sqrt(len(offs[s])) for s in strings}
    fades = {
        s: [
            (log(k.velocity), k.fade_s + (on[s] - off[s]) / 1e3)
            for k in strokes
            if k.string == s and k.fade_s is not None
        ]
        for s in strings
    }
    fade, slope, fade_spread, touched = _fades(fades)
    errors = [*on_error.values(), *off_error.values()]
    profile = replace(
        wired,
        name="calibrated",
        on_delay_ms=_row(on, 1),
        off_delay_ms=_row(off, 1),
        on_error_ms=_row(on_error, 1),
        off_error_ms=_row(off_error, 1),
        on_spread_ms=_row(on_spread, 1),
        off_spread_ms=_row(off_spread, 1),
        uncertainty_ms=round(sqrt(sum(e * e for e in errors) / len(errors)), 1),
        fade_s=_row(fade, 2),
        fade_slope_s=_row(slope, 2),
        fade_spread_s=_row(fade_spread, 2),
    )
    return Fit(profile, round(ahead, 1), touched)


def _row(values: Mapping[int, float], decimals: int) -> tuple[float, ...]:
    return tuple(round(values[string], decimals) for string in sorted(values))


def _delays(strokes: Mapping[int, Sequence[float]]) -> tuple[dict[int, float], dict[int, float]]:
    """Return medians and standard deviations by string.

    A string's own spread, of a few strokes, is drawn towards that of all strings.
    """
    middle = {s: float(np.median(values)) for s, values in strokes.items()}
    away = {s: np.abs(np.array(values) - middle[s]) for s, values in strokes.items()}
    everywhere = np.concatenate([LOST.get(len(v), 1.14) * v for v in away.values()])
    pooled = max(DEVIATION * float(np.median(everywhere)), 0.1)
    spread = {}
    for s, values in away.items():
        n = len(values)
        own = DEVIATION * sqrt(n / max(n - 1, 1)) * float(np.median(values))
        spread[s] = sqrt((n * own**2 + POOLED_AS * pooled**2) / (n + POOLED_AS))
    return middle, spread


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
