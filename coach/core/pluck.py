"""A plucked string by the digital waveguide of Karplus & Strong (Computer Music Journal 7(2), 1983, 43-55),
with the fractional delay of Jaffe & Smith (the same issue, 56-69).

The loop is y[n] = x[n] + rho * (h * y)[n - N]: N whole samples of delay, and a short filter h of a loss
filter (higher partials die sooner) and a Lagrange interpolator (the fraction of a sample that tunes it).  rho
is solved so that the loop's pole at the wanted frequency has the decay that is asked for.

While the string is free the loop is linear, so its whole ring is computed at once in the frequency domain:
Y = X / (1 - L).  The transform is taken on a circle outside the unit circle, where the ring has died away
before the transform's end; what would fold back is ``FOLDED`` down.  A finger that stops the string lowers
the loop's gain within a few milliseconds; the filter is much shorter than that glide, so a sample's level is
the product of the gains at all its passages through the loop, again computed for all samples at once.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from coach.core.pitch import frequency

Samples = NDArray[np.float32]
Floats = NDArray[np.float64]

# Every figure here that names no source is our own.
GLIDE_S = 0.008  # in which the finger's gain takes hold
DAMPED_T60_S = 0.1  # of a string with a finger on it: no measured value is known to us
TAIL_S = 0.18  # after a stop nothing is heard any more
THUMP_S, THUMP = 0.03, 10 ** (-41 / 20)  # the finger's touch: noise, far under the tone it stops
LOSS_HZ, LOSS_T60_S = 4000.0, 0.9  # how long partials far up sound, where the loss filter can give it
MOST_LOSS = 0.5  # beyond this the loss filter turns partials over
NOISE = 10 ** (-30 / 20)  # the fingertip's noise in the attack
SOFT_S, HARD_S = 0.00075, 0.00030  # how long the string takes to leave the finger, softest to hardest
GRADES = 8  # grades of hardness, so that tones of nearly equal velocity are one tone at two levels
LOUDNESS = 1.5  # amplitude grows with this power of the velocity
FOLDED = 1e-7  # -140 dB
FADED_DB = 80.0  # a free tone is over when it has fallen so far

# What the bridge is given, the body gives off brighter: a first-order shelf from the first frequency to the
# second.  Without it a low E is nearly all fundamental, which no small loudspeaker gives.
BODY_HZ = (160.0, 800.0)

# T60 of the fundamental in s by open pitch.  Woodhouse 2004 (Acta Acustica 90, table I and eq. 8) gives for
# the strings' own losses 11.4, 14.6, 11.1, 7.4, 7.6 and 5.9 s, E2 to E4.  On the instrument the body takes
# its share, 2 Z Re(Y) / pi of a loss factor (Z the string's impedance, Y the bridge's admittance), which is
# most near its lowest modes.  How much of Y there is, is our own figure, and so is everything above E4.
T60_S = {40: 7.5, 45: 7.5, 50: 7.0, 55: 4.2, 59: 4.4, 64: 3.6, 76: 1.9, 88: 0.8}
OPEN = (64, 59, 55, 50, 45, 40)


def open_t60_s(string_or_pitch: float) -> float:
    """Return how long a nylon string's fundamental takes to fall by 60 dB on an instrument, in s.

    Whole numbers from 1 to 6 are the open strings of the standard tuning, anything else a MIDI pitch.
    """
    pitch = (
        float(OPEN[int(string_or_pitch) - 1]) if string_or_pitch in (1, 2, 3, 4, 5, 6) else string_or_pitch
    )
    return float(np.exp(np.interp(pitch, list(T60_S), np.log(list(T60_S.values())))))


def hardness(velocity: int) -> int:
    """Return the grade of hardness of a velocity, 0 softest; tones of one grade differ in level alone."""
    return min(max(velocity, 1), 127) * GRADES // 128


def level(velocity: float) -> float:
    """Return the amplitude of a velocity; 1 is the loudest."""
    return float((min(max(velocity, 0), 127) / 127) ** LOUDNESS)


def pluck(
    pitch: float,
    seconds: float,
    rate: int,
    *,
    t60_s: float,
    stop_s: float | None = None,
    velocity: int = 80,
    position: float = 0.15,
    seed: int = 0,
) -> Samples:
    """Return ``seconds`` of a plucked string, float32 of shape (round(seconds * rate),), of about ±level.

    ``t60_s`` is the fundamental's; ``stop_s`` when a finger stops the string; ``position`` where it is
    plucked, as a part of its length from the bridge.

    Raises ValueError for a pitch too high for the rate, and for figures outside their range.
    """
    frames = round(seconds * rate)
    tone = ring(pitch, frames, rate, t60_s=t60_s, grade=hardness(velocity), position=position, seed=seed)
    tone = tone * np.float32(level(velocity))
    stop = frames if stop_s is None else round(stop_s * rate)
    if stop >= frames:
        return tone
    stop = max(stop, 0)
    tail, swell = tone[stop : stop + round(TAIL_S * rate)], touch(rate)
    loud = touch_level(tone, stop, pitch, rate)
    tail *= damping(pitch, rate)[: len(tail)]
    tail[: len(swell)] += swell[: len(tail)] * loud
    tone[stop + len(tail) :] = 0
    return tone


def ring(
    pitch: float,
    frames: int,
    rate: int,
    *,
    t60_s: float,
    grade: int = 5,
    position: float = 0.15,
    seed: int = 0,
) -> Samples:
    """Return the first ``frames`` samples of a free string of level 1; see ``pluck``."""
    f0 = frequency(pitch)
    if not can_sound(pitch, rate):
        raise ValueError(f"pitch {pitch} cannot be plucked at {rate} samples a second")
    if not t60_s > 0 or not 0 < position < 1:
        raise ValueError(f"no string decays in {t60_s} s, plucked at {position} of its length")
    if frames <= 0:
        return np.zeros(0, np.float32)
    whole, taps = _loop(f0, rate, t60_s)
    given = _excitation(rate / f0, rate, grade, position, seed)
    size = fast_size(frames + len(given))
    shrink = np.exp(np.arange(size) * (np.log(FOLDED) / size))  # R ** -n
    loop, drive = np.zeros(size), np.zeros(size)
    loop[whole : whole + len(taps)] = taps * shrink[whole : whole + len(taps)]
    drive[: len(given)] = given * shrink[: len(given)]
    spectrum = np.fft.rfft(drive) / (1.0 - np.fft.rfft(loop))
    tone: Floats = np.fft.irfft(spectrum, size)[:frames] / shrink[:frames]
    return tone.astype(np.float32)


def can_sound(pitch: float, rate: int) -> bool:
    """Return whether a pitch lies within what the loop can give at ``rate``: 20 Hz to a sixteenth of it."""
    return 20.0 <= frequency(pitch) <= rate / 16


def ring_frames(t60_s: float, rate: int) -> int:
    """Return after how many samples a free tone of this decay is over."""
    return round(t60_s * FADED_DB / 60 * rate)


@lru_cache(maxsize=256)
def damping(pitch: float, rate: int) -> Samples:
    """Return what a finger leaves of a free tone, sample by sample from the stop on: from 1 to silence.

    Shape (round(TAIL_S * rate),), read-only.
    """
    f0, frames = frequency(pitch), round(TAIL_S * rate)
    period, glide = max(round(rate / f0), 1), round(GLIDE_S * rate)
    # Base-10 logarithm of the loop's gain against the free one, at each sample from the stop on.
    gain = np.full(-(-frames // period) * period, -3.0 / (f0 * DAMPED_T60_S))
    gain[:glide] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(1, glide + 1) / glide)
    passed = np.cumsum(gain.reshape(-1, period), axis=0).reshape(-1)[:frames]
    left = (10.0**passed).astype(np.float32)
    fade = rate // 100
    left[-fade:] *= np.linspace(1, 0, fade, dtype=np.float32)
    left.flags.writeable = False
    return left


def touch_level(tone: Samples, stop: int, pitch: float, rate: int) -> np.float32:
    """Return how loud the finger's ``touch`` is that stops a tone at a frame."""
    before = tone[max(stop - 4 * round(rate / frequency(pitch)), 0) : stop].astype(np.float64)
    return np.float32(THUMP * np.sqrt(np.mean(before**2))) if len(before) else np.float32(0)


@lru_cache(maxsize=4)
def touch(rate: int) -> Samples:
    """Return the sound of a finger's touch, read-only; the noise under its swell has an rms of 1."""
    frames = round(THUMP_S * rate)
    noise = np.random.default_rng(1).standard_normal(frames + 64)
    noise = np.convolve(noise, np.hanning(round(rate / 1500)), "same")[32 : 32 + frames]
    noise /= np.sqrt(np.mean(noise**2))
    shaped = (noise * np.hanning(frames)).astype(np.float32)
    shaped.flags.writeable = False
    return np.asarray(shaped, np.float32)


def fast_size(least: int) -> int:
    """Return the smallest even transform length of at least ``least`` without prime factors above 5."""
    odd = [3**a * 5**b for a in range(8) for b in range(6)]
    return int(min(n << max((-(-least // n) - 1).bit_length(), 1) for n in odd))


@lru_cache(maxsize=512)
def _loop(f0: float, rate: int, t60_s: float) -> tuple[int, Floats]:
    """Return the loop's whole delay N and its filter, rho included."""
    omega = 2 * np.pi * f0 / rate
    gain = 10 ** (-3 / (f0 * t60_s))  # of the fundamental, a period
    loss = _loss(omega, gain, f0, rate)
    pole = np.exp(-3 * np.log(10) / (t60_s * rate) + 1j * omega)  # where the fundamental is to be
    # The loss filter delays by two samples, the interpolator by 1 to 2.  Far below half the rate that is so
    # to a ten-thousandth of a cent for every pitch of a guitar.
    delay = rate / f0 - 2
    whole = int(delay - 1)
    taps = np.convolve(loss, _lagrange(delay - whole))
    taps = taps / np.abs(_answer(taps, pole) * pole**-whole)
    taps.flags.writeable = False
    return whole, taps


def _loss(omega: float, gain: float, f0: float, rate: int) -> Floats:
    """Return the loss filter, symmetric about its third tap, of shape (5,)."""
    far = 2 * np.pi * LOSS_HZ / rate
    wanted = 10 ** (-3 / (f0 * LOSS_T60_S)) / gain
    share = (1 - np.sqrt(min(wanted, 1.0))) / (1 - np.cos(far))
    # The loop's gain at frequency 0 must stay under 1, however long the fundamental is to sound.
    most = 0.8 * (1 - np.sqrt(gain)) / (1 - np.cos(omega))
    share = min(share, most, MOST_LOSS)
    once = np.array([share / 2, 1 - share, share / 2])
    return np.convolve(once, once)


def _lagrange(delay: float) -> Floats:
    """Return the interpolator of third order for a delay of 1 to 2 samples, shape (4,)."""
    taps = np.ones(4)
    for tap in range(4):
        for other in range(4):
            if other != tap:
                taps[tap] *= (delay - other) / (tap - other)
    return taps


def _answer(taps: Floats, at: complex) -> complex:
    return complex(np.sum(taps * at ** -np.arange(len(taps))))


def _excitation(period: float, rate: int, grade: int, position: float, seed: int) -> Floats:
    """Return what the finger gives: the force at the bridge of a string let go, about one period long.

    An ideal string let go at a point gives a pulse as wide as the point is far from the bridge; the finger
    rounds its edges, less when it is hard.  Its mean is taken out, so that nothing stands still in the loop.
    """
    ease = (SOFT_S + (HARD_S - SOFT_S) * grade / (GRADES - 1)) * rate
    ease = min(max(ease, 6.0), 0.5 * period)
    frames = int(np.ceil(period + ease)) + 1
    at = np.arange(frames, dtype=np.float64)
    width = position * period
    wave = _edge(at, ease) - _edge(at - width, ease)
    wave -= position * (_edge(at, ease) - _edge(at - period, ease))
    noise = np.random.default_rng(seed).standard_normal(frames)
    soft = np.hanning(max(round(ease), 3) + 2)
    noise = np.convolve(noise, soft / soft.sum(), "same") * np.hanning(frames)
    noise -= np.hanning(frames) * (noise.sum() / np.hanning(frames).sum())
    wave /= np.abs(wave).max()
    wave += noise * (NOISE / max(float(np.abs(noise).max()), 1e-12))
    wave = np.convolve(wave, _body(rate))
    return np.asarray(wave / np.abs(wave).max(), np.float64)


@lru_cache(maxsize=4)
def _body(rate: int) -> Floats:
    """Return the body's answer to an impulse, up to where it is over: a shelf by the bilinear transform."""
    zero, pole = (float(np.tan(np.pi * hz / rate)) for hz in BODY_HZ)
    kept = (1 - pole) / (1 + pole)  # of a sample by the next
    first = pole / zero * (1 + zero) / (1 + pole)
    second = pole / zero * (zero - 1) / (1 + pole)
    answer = (second + kept * first) * kept ** np.arange(-1.0, np.ceil(np.log(FOLDED) / np.log(kept)))
    answer[0] = first
    # Nothing stands still in the loop: what is cut off is given back at frequency 0, where the gain is 1.
    answer[-1] += 1.0 - answer.sum()
    return np.asarray(answer, np.float64)


def _edge(at: Floats, ease: float) -> Floats:
    """Return a step from 0 to 1 that takes ``ease`` samples, smooth in its first two derivatives."""
    turn = np.clip(at / ease, 0.0, 1.0)
    return np.asarray(turn - np.sin(2 * np.pi * turn) / (2 * np.pi), np.float64)
