"""Whether bass and melody come together: the bass's onset minus the melody's, by bar and over a pass."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import hypot
from statistics import median

import numpy as np

from coach.core.intervals import LEAST_SCALE_US, MAD_FREEDOM, MAD_SCALE, Estimate, estimate, median_error
from coach.core.matching import Match
from coach.core.profile import Profile
from coach.core.score import Score

# Two notes this far apart are heard one after the other (Hirsh 1959, about 20 ms; from memory).
ORDER_MS = 20.0
APART_MS = 250.0  # a bass further from its melody than this is another stroke.  Our own figure


def together(
    score: Score, claims: Mapping[int, Match], profile: Profile
) -> tuple[dict[int, Estimate], Estimate | None, bool]:
    """Return bass minus melody in ms by performed bar and over all, and whether the pickup is calibrated.

    Taken where both voices have an onset at one tick and both were played; of several melody notes the
    middle one counts.  Times are corrected by the profile's note-on delays: without them a converter reports
    low notes later, and the figure is of the pickup as much as of the hand.
    """
    sides: dict[int, tuple[list[Match], list[Match]]] = {}
    for row, match in claims.items():
        note = score.notes[row]
        if match.label.right and not note["grace"]:
            sides.setdefault(int(note["onset"]), ([], []))[0 if note["bass"] else 1].append(match)
    found: dict[int, list[float]] = {}
    strings: list[tuple[int | None, int | None]] = []
    for tick, (low, high) in sorted(sides.items()):
        if not low or not high:
            continue
        late_us = median(m.played.on_us for m in low) - median(m.played.on_us for m in high)
        if abs(late_us) <= 1000 * APART_MS:
            found.setdefault(score.bar_index(tick), []).append(late_us / 1000)
            strings.append((low[0].played.string, high[0].played.string))
    calibrated = any(profile.on_delay_ms)
    error_ms = median(_error_ms(profile, one) for one in strings) if strings else 0.0
    by_bar, whole = together_of(found, error_ms)
    return by_bar, whole, calibrated


def together_of(
    found: Mapping[int, Sequence[float]], error_ms: float = 0.0
) -> tuple[dict[int, Estimate], Estimate | None]:
    """Return the medians, by bar and over all, of differences in ms by bar.

    ``error_ms`` is one standard deviation of what all of them share: the pickup's correction.
    """
    every = np.array([value for values in found.values() for value in values])
    if len(every) < 3:
        return {}, None
    middle = float(np.median(every))
    scale = max(MAD_SCALE * float(np.median(np.abs(every - middle))), LEAST_SCALE_US / 1000)
    freedom = MAD_FREEDOM * (len(every) - 1)

    def told(values: Iterable[float]) -> Estimate:
        some = list(values)
        error = hypot(scale * median_error(len(some)), error_ms)
        return estimate(float(np.median(some)), error, len(some), freedom)

    return {bar: told(values) for bar, values in found.items() if len(values) >= 2}, told(every.tolist())


def _error_ms(profile: Profile, strings: tuple[int | None, int | None]) -> float:
    errors = profile.on_error_ms
    known = [errors[s - 1] for s in strings if s is not None and 1 <= s <= len(errors)]
    return hypot(*known)
