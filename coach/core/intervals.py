"""How sure a robust figure is: closed forms for medians and for lines through the medians of slopes.

Every function takes plain arrays and no chance: the same onsets give the same interval.  Sources: the scale
is the median absolute deviation (times 1.4826, for normal errors) of the pseudo-residuals of Gasser, Sroka &
Jennen-Steinmetz 1986 (Biometrika 73:625-633), which no slow drift widens; the rank interval is Sen 1968 (JASA
63:1379-1389); Student's quantile is the expansion 26.7.5 of Abramowitz & Stegun (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SHOWN = 0.90  # what the interval shown covers
MAD_SCALE = 1.4826
LEAST_SCALE_US = 289.0  # time stamps of whole milliseconds: 1 ms / sqrt(12)
# Theil and Sen's slope is as good as least squares' with 3/pi of the points, where errors are normal.
SLOPE_LOSS = sqrt(pi / 3)
# The variance of the median of n standard normal values, n = 1 .. 10 (checked by drawing in the tests).
MEDIAN_VARIANCE = (1.0, 0.5, 0.4487, 0.2982, 0.2868, 0.2147, 0.2104, 0.1682, 0.1661, 0.1383)
# Degrees of freedom of the scale, a point: the median absolute deviation uses 0.37 of its points, and
# pseudo-residuals share theirs.
FREEDOM_SHARE = 0.3
LEAST_FREEDOM = 3.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with one standard error and the 90 % interval, all in the figure's own unit."""

    value: float
    error: float
    low: float
    high: float
    n: int  # what it is made of: onsets, places, bars

    def excludes(self, value: float, level: float, freedom: float) -> bool:
        """Whether ``value`` is outside the two-sided interval that misses with the chance ``level``."""
        return abs(self.value - value) > quantile(level, freedom) * self.error


def quantile(level: float, freedom: float) -> float:
    """Return what Student's |t| exceeds with the chance ``level``, for ``freedom`` degrees of freedom."""
    z, v = NormalDist().inv_cdf(1 - level / 2), max(freedom, LEAST_FREEDOM)
    first = (z**3 + z) / 4
    second = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    third = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    return z + first / v + second / v**2 + third / v**3


def estimate(value: float, error: float, n: int, freedom: float) -> Estimate:
    """Return a figure with the interval of its standard error."""
    wide = quantile(1 - SHOWN, freedom) * error
    return Estimate(value, error, value - wide, value + wide, n)


def median_error(n: int) -> float:
    """Return the standard error of the median of n normal values of unit spread."""
    if n <= len(MEDIAN_VARIANCE):
        return sqrt(MEDIAN_VARIANCE[n - 1])
    return sqrt(pi / (2 * (n + pi / 2 - 1)))


def scale_of(x: Floats, off: Floats) -> float:
    """Return the spread of single values about whatever slow curve they follow, in the unit of ``off``.

    ``x`` (n,) rises.  Each value is set against the line between its neighbours.  Fewer than three: nan.
    """
    if len(x) < 3:
        return float("nan")
    near, far = x[1:-1] - x[:-2], x[2:] - x[1:-1]
    usable = (near > 0) & (far > 0)
    if not usable.any():
        return float("nan")
    near, far = near[usable], far[usable]
    before, after = far / (near + far), near / (near + far)
    left, middle, right = off[:-2][usable], off[1:-1][usable], off[2:][usable]
    rest = (middle - before * left - after * right) / np.sqrt(1 + before**2 + after**2)
    return MAD_SCALE * float(np.median(np.abs(rest)))


def slope_error(x: Floats) -> float:
    """Return the standard error of Theil and Sen's slope over ``x`` for errors of unit spread (inf: none)."""
    spread = float(np.sum((x - x.mean()) ** 2))
    return SLOPE_LOSS / sqrt(spread) if spread > 0 else float("inf")


def rank_interval(x: Floats, y: Floats, level: float) -> tuple[float, float] | None:
    """Return Sen's interval of the slope, which misses with the chance ``level``; None: too few points.

    Distribution-free for errors of one kind.  ``x`` has no equal values.
    """
    i, j = np.triu_indices(len(x), 1)
    slopes = np.sort((y[j] - y[i]) / (x[j] - x[i]))
    n = len(x)
    reach = NormalDist().inv_cdf(1 - level / 2) * sqrt(n * (n - 1) * (2 * n + 5) / 18)
    low, high = int((len(slopes) - reach) // 2) - 1, int(-((len(slopes) + reach) // -2))
    if low < 0 or high >= len(slopes):
        return None
    return float(slopes[low]), float(slopes[high])


def percent_of(log_rate: float) -> float:
    """Return a change of the logarithm of the length of a beat as percent of tempo (longer is slower)."""
    return 100 * float(np.expm1(-log_rate))
