"""Tracks turned into samples: everything is placed by frame, whatever the blocks in which it is asked for.

All that is heard is rendered when the mixer is made; ``block`` only adds finished samples, so that it may be
called from a sound device.  Tones of one pitch and one hardness share their free ring, at two levels if need
be; a stop is a factor laid over the ring (see ``pluck``).  Every sum is made in the same order and the
limit looks at single samples, so a frame has the same value in any block.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from coach.core import pluck
from coach.core.sounding import BAR_ACCENT, BEAT_ACCENT, MEASURING, SUBDIVISION, Tone, Track

Samples = NDArray[np.float32]
Ints = NDArray[np.int64]

# Every figure here is our own.
TONE_GAIN, CLICK_GAIN = 0.35, 0.45  # the model of two voices and its click stay under the limit's knee
KNEE = 0.85  # up to here nothing is limited; beyond it all is bent to stay under 1
CLICK_HZ = {
    BAR_ACCENT: 2093.0,
    BEAT_ACCENT: 1397.0,
    SUBDIVISION: 1047.0,
}  # a fifth and an octave: three sounds
CLICK_LEVEL = {BAR_ACCENT: 1.0, BEAT_ACCENT: 0.64, SUBDIVISION: 0.36}  # 4 and 5 dB apart
# A tone's peak says little of how loud it is: at one peak the basses are softer.  In dB by pitch.
BALANCE_DB = {40: 3.5, 64: 0.0}
CLICK_S, CLICK_RISE_S, CLICK_DECAY_S = 0.05, 0.0012, 0.007
# A sweep that small loudspeakers and microphones carry; its matched filter's peak is 0.1 ms wide.
SWEEP_S, SWEEP_HZ = 0.02, (700.0, 9_000.0)
END_FADE_S = 0.03  # what still sounds at a track's end goes within so long


class Mixer:
    """One track, ready to be heard.  Frame 0 is the track's beginning."""

    def __init__(
        self, track: Track, rate: int, *, click_gain: float = CLICK_GAIN, tone_gain: float = TONE_GAIN
    ) -> None:
        """Render everything that ``track`` needs at ``rate`` samples a second."""
        self.track, self.rate = track, rate
        self._end = None if track.period_s is not None else round(track.length_s * rate)
        self.left_out = 0  # tones of a pitch that no string gives
        self._parts: list[_Part] = []
        self._place_tones(tone_gain)
        for tick in track.ticks:
            sound = click(tick.accent, rate)
            self._parts.append(_Part(tick.start_s, 0, sound, np.float32(click_gain)))
        # A part's place is the rounded start of what it belongs to, and a whole number of frames after it.
        self._starts = np.array([part.start_s for part in self._parts], np.float64)
        self._shifts = np.array([part.shift for part in self._parts], np.int64)
        self._lengths = np.array([len(part.samples) for part in self._parts], np.int64)
        self._once = self._rounded(0)
        reach = self._once + self._lengths
        self._reach = int(reach.max()) if len(reach) else 0  # frames of one round, its tails included
        fade = min(round(END_FADE_S * rate), self._end or 0)
        self._fade = np.linspace(1, 0, fade + 1, dtype=np.float32)[1:]

    @property
    def frames(self) -> int | None:
        """Frames up to the end, or None for a track that comes again for ever."""
        return self._end

    def block(self, frame: int, n: int) -> Samples:
        """Return ``n`` samples from ``frame`` on, float32 within ±1; silence outside the track."""
        out = np.zeros(n, np.float32)
        for round_number in self._rounds(frame, n):
            begins = self._rounded(round_number) if round_number else self._once
            heard = np.flatnonzero((begins < frame + n) & (begins + self._lengths > frame))
            for index in heard.tolist():
                part, begin = self._parts[index], int(begins[index])
                first, last = max(begin, frame), min(begin + len(part.samples), frame + n)
                sound = part.samples[first - begin : last - begin] * part.gain
                if part.damping is not None:
                    sound *= part.damping[first - begin : last - begin]
                out[first - frame : last - frame] += sound
        self._close(out, frame)
        return _limit(out)

    def _rounds(self, frame: int, n: int) -> range:
        """Return the rounds that may be heard in a block."""
        if frame + n <= 0 or not self._parts:
            return range(0)
        if self.track.period_s is None:
            return range(1)
        period = self.track.period_s * self.rate
        first = int((frame - self._reach - 1) // period)  # a frame to spare: starts are rounded
        return range(max(first, 0), int((frame + n + 1) // period) + 1)

    def _rounded(self, round_number: int) -> Ints:
        """Return the first frame of every part in a round."""
        period_s = self.track.period_s or 0.0
        at = (round_number * period_s + self._starts) * self.rate
        return np.rint(at).astype(np.int64) + self._shifts

    def _close(self, out: Samples, frame: int) -> None:
        """Let everything end at the track's end."""
        if self._end is None:
            return
        fading = self._end - len(self._fade)
        first, last = max(fading, frame), min(self._end, frame + len(out))
        if first < last:
            out[first - frame : last - frame] *= self._fade[first - fading : last - fading]
        out[max(self._end - frame, 0) :] = 0

    def _place_tones(self, gain: float) -> None:
        rate = self.rate
        tones = tuple(tone for tone in self.track.tones if pluck.can_sound(tone.pitch, rate))
        self.left_out = len(self.track.tones) - len(tones)
        lengths = _sounding_frames(tones, self.track.period_s, rate)
        needed: dict[tuple[float, int], int] = defaultdict(int)
        tail = round(pluck.TAIL_S * rate)
        for tone, length in zip(tones, lengths, strict=True):
            whole = pluck.ring_frames(pluck.open_t60_s(tone.pitch), rate)
            kind = tone.pitch, pluck.hardness(tone.velocity)
            needed[kind] = max(needed[kind], whole if length is None else min(length + tail, whole))
        rings = {kind: _free(*kind, frames, rate) for kind, frames in needed.items()}
        for tone, length in zip(tones, lengths, strict=True):
            free = rings[tone.pitch, pluck.hardness(tone.velocity)]
            loud = np.float32(gain * balance(tone.pitch) * pluck.level(tone.velocity))
            if length == 0:
                continue  # another tone takes its string at once
            if length is None or length >= len(free):
                self._parts.append(_Part(tone.start_s, 0, free, loud))
                continue
            touched = loud * pluck.touch_level(free, length, tone.pitch, rate)
            left = free[length : length + tail]
            self._parts += [
                _Part(tone.start_s, 0, free[:length], loud),
                _Part(tone.start_s, length, left, loud, pluck.damping(tone.pitch, rate)[: len(left)]),
                _Part(tone.start_s, length, pluck.touch(rate), touched),
            ]


@dataclass(frozen=True, slots=True)
class _Part:
    """Samples at a place: a tone up to its stop, what a finger leaves of it, its touch, or a click."""

    start_s: float
    shift: int
    samples: Samples
    gain: np.float32
    damping: Samples | None = None  # what is left of each sample


def balance(pitch: float) -> float:
    """Return the factor that makes tones of one velocity about equally loud on every string."""
    return float(10 ** (np.interp(pitch, list(BALANCE_DB), list(BALANCE_DB.values())) / 20))


def render(
    track: Track, rate: int, *, click_gain: float = CLICK_GAIN, tone_gain: float = TONE_GAIN
) -> Samples:
    """Return a whole track, float32 of shape (round(length_s * rate),); one round where it has a period."""
    frames = round(track.length_s * rate)
    return Mixer(track, rate, click_gain=click_gain, tone_gain=tone_gain).block(0, frames)


@lru_cache(maxsize=16)
def click(accent: int, rate: int) -> Samples:
    """Return the sound of one click; its first sample is already heard, and it ends in silence."""
    if accent == MEASURING:
        return sweep(rate)
    at = np.arange(round(CLICK_S * rate)) / rate
    rise = np.sin(0.5 * np.pi * np.minimum((at + 1 / rate) / CLICK_RISE_S, 1.0)) ** 2
    fall = np.exp(-at / CLICK_DECAY_S) * np.cos(0.5 * np.pi * at / CLICK_S) ** 2
    hz = CLICK_HZ[accent]
    tone = np.cos(2 * np.pi * hz * at) + 0.3 * np.cos(2 * np.pi * 2.76 * hz * at)
    sound = rise * fall * tone
    made = (sound * (CLICK_LEVEL[accent] / np.abs(sound).max())).astype(np.float32)
    made.flags.writeable = False
    return np.asarray(made, np.float32)


@lru_cache(maxsize=4)
def sweep(rate: int) -> Samples:
    """Return the measuring click: a rising sweep of ``SWEEP_S``, gently faded at both ends, peak near 1."""
    frames = round(SWEEP_S * rate)
    at = np.arange(frames) / rate
    low, high = SWEEP_HZ[0], min(SWEEP_HZ[1], 0.4 * rate)
    phase = 2 * np.pi * (low * at + (high - low) * at**2 / (2 * SWEEP_S))
    made = (np.cos(phase) * np.sin(np.pi * (np.arange(frames) + 0.5) / frames) ** 2).astype(np.float32)
    made.flags.writeable = False
    return np.asarray(made, np.float32)


def _sounding_frames(tones: Sequence[Tone], period_s: float | None, rate: int) -> list[int | None]:
    """Return for each tone how many frames it sounds freely: to its stop, or to the next on its string.

    In a track that comes again, the first tone of a string ends the last one of the round before.
    """
    lengths = [_frames_between(tone.start_s, tone.stop_s, rate) for tone in tones]
    strings: dict[tuple[int, float], list[int]] = defaultdict(list)
    for index, tone in enumerate(tones):
        strings[_place(tone)].append(index)
    for indices in strings.values():
        indices.sort(key=lambda i: tones[i].start_s)
        ends = [(now, tones[later].start_s) for now, later in pairwise(indices)]
        if period_s is not None:
            ends.append((indices[-1], tones[indices[0]].start_s + period_s))
        for index, end_s in ends:
            until = _frames_between(tones[index].start_s, end_s, rate) or 0
            own = lengths[index]
            lengths[index] = until if own is None else min(own, until)
    return lengths


def _place(tone: Tone) -> tuple[int, float]:
    return (tone.string, 0.0) if tone.string else (0, tone.pitch)


def _frames_between(start_s: float, end_s: float | None, rate: int) -> int | None:
    return None if end_s is None else max(round(end_s * rate) - round(start_s * rate), 0)


def _free(pitch: float, grade: int, frames: int, rate: int) -> Samples:
    """Return the ring of a free string; one that is never stopped goes to nothing at its end, far down."""
    t60_s = pluck.open_t60_s(pitch)
    tone = pluck.ring(pitch, frames, rate, t60_s=t60_s, grade=grade)
    if frames >= pluck.ring_frames(t60_s, rate):
        fade = min(rate // 20, frames)
        tone[frames - fade :] *= np.linspace(1, 0, fade, dtype=np.float32)
    return tone


def _limit(out: Samples) -> Samples:
    """Bend what is over the knee so that it stays under 1; its slope has no step."""
    over = np.abs(out) > KNEE
    if over.any():
        loud = out[over]
        beyond = np.abs(loud) - np.float32(KNEE)
        room = np.float32(1 - KNEE)
        out[over] = np.sign(loud) * (np.float32(KNEE) + beyond / (1 + beyond / room))
    return out
