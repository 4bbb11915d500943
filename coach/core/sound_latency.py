"""How much later a speaker is heard than its device says: clicks found in a recording of them.

The recording is held against the known sound of a click (matched filter: cross-correlation, its envelope, and
a parabola through the peak for the place between two frames).  First all clicks are laid over one another,
which finds the delay they share even in noise; then each is looked for near it.  Times are ns of one clock.

The thresholds are our own.  Noise gives the envelope a Rayleigh distribution, whose median is 1.18 of its
scale: six medians are passed by noise alone once in 10^10 looks.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from coach.core.mixer import sweep
from coach.core.sounding import MEASURING, Tick, Track

Samples = NDArray[np.float32]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CLICKS = 16
LEAD_S = 0.3
# Uneven steps, each longer than the span searched, so that no click can be taken for its neighbour.
STEPS_S = (0.71, 0.83, 0.77, 0.89, 0.73, 0.81, 0.79, 0.87)
EARLIEST_S, LATEST_S = -0.15, 0.5  # against the told start; wireless speakers are some 0.2 s late
NEAR_S = 0.012  # a click is looked for so near the delay that all share
ABOVE_NOISE = 6.0  # medians of the noise
FIRST_OF = 0.5  # of two arrivals the earlier is the direct one, if at least half as strong
LEAST_SHARE = 0.5  # of the clicks must be found
MOST_SPREAD_MS = 4.0
BLUR_S = 0.001
CLOCK_MS = 1.0  # what the two clocks may be wrong by in any case: never said to be better known
SILENT = 1e-6  # of full scale: an input that gives no more is switched off
WINDOW_S = 0.5  # the time of a frame is that of the promptest block in so long
DEVIATION = 1.4826  # times the median absolute deviation is one standard deviation of a normal distribution


class Fault(Enum):
    """Why nothing was measured."""

    SILENT = "silent"  # the input gives nothing at all
    UNHEARD = "unheard"  # it gives something, but no clicks
    FEW = "few"  # clicks, but not enough
    SPREAD = "spread"  # enough, but not together


@dataclass(frozen=True, slots=True)
class Measured:
    """What a recording of the clicks says.  With a ``fault`` the times are not to be used."""

    late_ms: float  # median of heard minus told; positive: later than told
    spread_ms: float  # one standard deviation, from the median absolute deviation
    found: int
    played: int
    fault: Fault | None = None

    @property
    def uncertainty_ms(self) -> float:
        """One standard deviation of what a single click may be off by, the clocks' own doubt included."""
        return float(np.hypot(self.spread_ms, CLOCK_MS))


@dataclass(frozen=True, slots=True)
class Recording:
    """What an input gave: ``samples`` (n,), and when the first frame of each block came to its microphone."""

    samples: Samples
    rate: int
    frames: Ints  # of each block, its first frame, rising, shape (b,)
    times_ns: Ints  # of that frame, shape (b,); too late where the system was busy, never early

    def frames_at(self, at_ns: Ints) -> Floats:
        """Return the frame heard at each time; a sample clock that runs fast or slow is allowed for."""
        beyond = self.times_ns - self.frames * (1e9 / self.rate)
        window = self.frames // round(WINDOW_S * self.rate)
        firsts = np.flatnonzero(np.diff(window, prepend=-1))
        low = [
            piece.argmin() + first for piece, first in zip(np.split(beyond, firsts[1:]), firsts, strict=True)
        ]
        frames = self.frames[low].astype(np.float64)
        times = frames * (1e9 / self.rate) + beyond[low]
        # Straight on outside the first and the last, by the nominal rate.
        step = 1e9 * WINDOW_S * 10
        frames = np.concatenate(
            ([frames[0] - step * self.rate / 1e9], frames, [frames[-1] + step * self.rate / 1e9])
        )
        times = np.concatenate(([times[0] - step], times, [times[-1] + step]))
        return np.asarray(np.interp(at_ns.astype(np.float64), times, frames))


def click_train(clicks: int = CLICKS) -> Track:
    """Return the train that is played."""
    starts = LEAD_S + np.cumsum([0.0, *(STEPS_S[k % len(STEPS_S)] for k in range(clicks - 1))])
    ticks = tuple(Tick(float(start), MEASURING) for start in starts)
    return Track((), ticks, float(starts[-1]) + 0.1)


def measure(recording: Recording, told_ns: Ints) -> Measured:
    """Return how late the clicks were heard.  ``told_ns``, shape (k,): when each was told to be heard."""
    played = len(told_ns)
    nothing = Measured(0.0, 0.0, 0, played, Fault.UNHEARD)
    if not len(recording.frames) or not np.any(np.abs(recording.samples) > SILENT):
        return Measured(0.0, 0.0, 0, played, Fault.SILENT)
    rate = recording.rate
    expected = recording.frames_at(told_ns)
    begin, length = round(EARLIEST_S * rate), round((LATEST_S - EARLIEST_S) * rate)
    likeness = [_envelope(recording, round(at) + begin, length) for at in expected]
    # Each by its own highest, so that one loud knock does not outweigh all clicks; a little blurred, so that
    # clicks that are not heard quite together still meet.
    highest = [max(float(row.max()), 1e-12) for row in likeness]
    noise = [max(float(np.median(row)), high / 200) for row, high in zip(likeness, highest, strict=True)]
    shared = np.mean([row / high for row, high in zip(likeness, highest, strict=True)], axis=0)
    blur = round(BLUR_S * rate)
    shared = np.convolve(shared, np.full(blur, 1 / blur), "same")
    usual = float(np.median(shared))
    doubt = DEVIATION * float(np.median(np.abs(shared - usual)))
    if shared.max() < usual + 8.0 * doubt:
        return nothing
    at = _first_peak(shared, usual + FIRST_OF * (float(shared.max()) - usual))
    near = round(NEAR_S * rate)
    late_ms = []
    for row, level, where in zip(likeness, noise, expected, strict=True):
        first = max(at - near, 0)
        part = row[first : at + near + 1]
        if part.max() < ABOVE_NOISE * level:
            continue
        peak = first + _first_peak(part, max(ABOVE_NOISE * level, FIRST_OF * float(part.max())))
        if not 0 < peak < len(row) - 1:
            continue
        frame = round(where) + begin + peak + _between(row[peak - 1 : peak + 2])
        late_ms.append((frame - where) * 1e3 / rate)
    if not late_ms:
        return nothing
    middle = float(np.median(late_ms))
    spread = DEVIATION * float(np.median(np.abs(np.array(late_ms) - middle)))
    fault = (
        Fault.FEW
        if len(late_ms) < LEAST_SHARE * played
        else Fault.SPREAD
        if spread > MOST_SPREAD_MS
        else None
    )
    return Measured(middle, spread, len(late_ms), played, fault)


def _envelope(recording: Recording, begin: int, length: int) -> Floats:
    """Return how like a click is what begins at each of ``length`` frames from ``begin``, shape (length,)."""
    click = sweep(recording.rate).astype(np.float64)
    piece = np.zeros(length + len(click))
    first, last = max(begin, 0), min(begin + len(piece), len(recording.samples))
    if first < last:
        piece[first - begin : last - begin] = recording.samples[first:last]
    size = 1 << (len(piece) + len(click)).bit_length()
    product = np.fft.fft(piece, size) * np.conj(np.fft.fft(click, size))
    product[size // 2 + 1 :] = 0.0  # the analytic signal: its absolute value has no sign of its own
    product[1 : size // 2] *= 2.0
    return np.asarray(np.abs(np.fft.ifft(product))[:length])


def _first_peak(values: Floats, enough: float) -> int:
    """Return the earliest peak that is high enough: what comes later is an echo."""
    inner = values[1:-1]
    tops = np.flatnonzero((inner >= values[:-2]) & (inner > values[2:]) & (inner >= enough)) + 1
    return int(tops[0]) if len(tops) else int(values.argmax())


def _between(three: Floats) -> float:
    """Return where between -0.5 and 0.5 the parabola through three values has its top."""
    left, middle, right = (float(value) for value in three)
    bend = left - 2 * middle + right
    return 0.0 if bend >= 0 else max(-0.5, min(0.5, 0.5 * (left - right) / bend))
