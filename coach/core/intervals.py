"""How sure a robust figure is: closed forms for medians and for lines through the medians of slopes.

Every function takes plain arrays and no chance: the same onsets give the same interval.  Sources: the scale
is the spread of the pseudo-residuals of Gasser, Sroka & Jennen-Steinmetz 1986 (Biometrika 73:625-633), which
no slow drift widens, without those that stand far off; the middle of pairs' means is Hodges & Lehmann 1963
(Ann. Math. Stat. 34:598-611; from memory); the rank interval is Sen 1968 (JASA 63:1379-1389); Student's
quantile is the expansion 26.7.5 of Abramowitz & Stegun (from memory).
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
# By how much the variance of Theil and Sen's slope exceeds least squares', where errors are normal: pi / 3
# with many points; with 4 to 10, as bars have, 1.12 to 1.22 by how they are spaced (drawn in the tests).
FEW_POINTS, FEW_LOSS = 10, 1.17
# The variance of the median of n standard normal values, n = 1 .. 10 (checked by drawing in the tests).
MEDIAN_VARIANCE = (1.0, 0.5, 0.4487, 0.2982, 0.2868, 0.2147, 0.2104, 0.1682, 0.1661, 0.1383)
# Of the median of all pairs' means, n = 4 .. 10 (checked likewise); with more it nears pi / 3n.
LEAST_PAIRED = 4  # of fewer values one far off would move it: there the plain median is taken
PAIRED_VARIANCE = (0.2728, 0.2143, 0.1798, 0.1538, 0.1332, 0.1196, 0.1067)
# The scale is the root mean square of the pseudo-residuals within so many of their median absolute deviations
# (scaled); 0.9733 is the variance of a normal value cut off there.
CUT_OFF, CUT_VARIANCE = 3.0, 0.9733
# Degrees of freedom of the scale, a point: pseudo-residuals share theirs (checked by drawing in the tests).
FREEDOM_SHARE = 0.45
MAD_FREEDOM = 0.37  # of the median absolute deviation of independent values
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


def centre_of(values: Floats) -> tuple[float, float]:
    """Return the middle of some values, shape (n,), n >= 1, and its standard error for unit spread.

    Hodges and Lehmann's: the median of the means of all pairs, each value paired with itself too.  Its
    variance is up to 9 % above the mean's where the median's is up to a half, and one value in
    four may be far off.
    """
    n = len(values)
    if n < LEAST_PAIRED:
        return float(np.median(values)), median_error(n)
    i, j = np.triu_indices(n)
    at = n - LEAST_PAIRED
    variance = PAIRED_VARIANCE[at] if at < len(PAIRED_VARIANCE) else pi / (3 * n)
    return float(np.median((values[i] + values[j]) / 2)), sqrt(variance)


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
    far_off = CUT_OFF * MAD_SCALE * float(np.median(np.abs(rest)))
    kept = rest[np.abs(rest) <= far_off]
    return sqrt(float(np.mean(kept**2)) / CUT_VARIANCE)


def slope_error(x: Floats) -> float:
    """Return the standard error of Theil and Sen's slope over ``x`` for errors of unit spread (inf: none)."""
    spread = float(np.sum((x - x.mean()) ** 2))
    if spread <= 0:
        return float("inf")
    n = len(x)
    loss = 1.0 if n < 4 else FEW_LOSS if n <= FEW_POINTS else pi / 3 + 1 / n
    return sqrt(loss / spread)


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
