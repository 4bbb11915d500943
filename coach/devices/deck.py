"""What a sound stream's callback does: tracks placed by frame, a fade at a stop, and the frame's clock.

No sound library is used here, so that a test can pull frames as it likes.  ``fill`` runs on the driver's
thread and owns what sounds; the main thread only leaves wishes for it, and reads.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]
NS = 1_000_000_000
FADE_S = 0.008  # a stop must be over within 10 ms; a raised cosine this long makes no click
# The callback is entered late, never early: the earliest of the last two seconds is the truest.  A sound
# card's clock that runs 100 millionths fast or slow (own figure) moves by 0.2 ms in that time.
WINDOW_S, WINDOWS = 0.25, 8
# Where all callbacks of a window come later than before by this much, the driver lost time and did not say
# so (JACK's dummy driver on a busy machine does): the clock is set anew.
SLIP_NS = 1_000_000


class Source(Protocol):
    """What ``coach.core.mixer.Mixer`` offers."""

    def block(self, frame: int, n: int) -> Samples:
        """Return ``n`` frames from ``frame`` on, shape (n,); silence before 0 and after the end."""


class FrameClock:
    """Which frame is heard when: ``heard_ns(frame) = offset_ns + frame / rate``."""

    def __init__(self, rate: int) -> None:
        self.rate = rate
        self.offset_ns: int | None = None  # None before the first callback
        self._lows: deque[int] = deque(maxlen=WINDOWS)
        self._low: int | None = None
        self._window_ends = 0

    def add(self, heard_ns: int, frame: int, *, anew: bool = False) -> None:
        """Take in that ``frame`` is heard at ``heard_ns`` or a little earlier; ``anew``: after a gap."""
        offset = heard_ns - frame * NS // self.rate
        low = offset if self._low is None or anew else min(offset, self._low)
        self._low = low
        if anew:
            self._lows.clear()
        elif frame >= self._window_ends:
            if self._lows and low - min(self._lows) > SLIP_NS:
                self._lows.clear()
            self._lows.append(low)
            self._low = None
            self._window_ends = frame + round(WINDOW_S * self.rate)
        self.offset_ns = min(low, *self._lows) if self._lows else low

    def heard_ns(self, frame: int) -> int | None:
        """Return when a frame is heard."""
        return None if self.offset_ns is None else self.offset_ns + frame * NS // self.rate

    def frame_at(self, at_ns: int) -> int | None:
        """Return the frame that is heard nearest to a time."""
        return None if self.offset_ns is None else round((at_ns - self.offset_ns) * self.rate / NS)


@dataclass(slots=True, eq=False)
class _Sounding:
    token: int
    source: Source
    length: int | None  # frames; None: without end
    start: int | None  # the stream's frame of its frame 0; None: the next
    fade_from: int | None = None  # the stream's frame at which a stop was asked for


class Deck:
    """Mixes what is to be heard into the stream's blocks and knows when it is heard."""

    def __init__(self, rate: int, *, latency_ns: int | None = None) -> None:
        """``latency_ns``: calibrated, from the callback to the ear; None: what the driver says."""
        self.rate, self.frame, self.underruns, self.calls = rate, 0, 0, 0
        self.delay_ns: int | None = None  # from the callback to the ear, by the driver
        self.clock = FrameClock(rate)
        self.ended: deque[int] = deque()  # tokens, for the main thread to take away
        self._latency_ns = latency_ns
        self._wishes: deque[_Sounding | None] = deque()  # None: stop
        self._sounding: tuple[_Sounding, ...] = ()
        half = np.linspace(0.0, np.pi, round(FADE_S * rate), endpoint=False)
        self._fade: Samples = (0.5 + 0.5 * np.cos(half)).astype(np.float32)

    @property
    def busy(self) -> bool:
        """Whether anything sounds or waits for its time."""
        return bool(self._wishes or self._sounding)

    def play(self, token: int, source: Source, *, length: int | None, at_ns: int | None = None) -> None:
        """Fade out what sounds; begin this at its time, or at once where that is over."""
        start = None if at_ns is None else self.clock.frame_at(at_ns)
        self.stop()
        self._wishes.append(_Sounding(token, source, length, start))

    def stop(self) -> None:
        """Fade out what sounds, and forget what waits."""
        self._wishes.append(None)

    def heard_ns(self, token: int) -> int | None:
        """Return when a track's frame 0 is heard; None while it has no place in the stream."""
        for sounding in self._sounding:
            if sounding.token == token and sounding.start is not None:
                return self.clock.heard_ns(sounding.start)
        return None

    def fill(self, out: Samples, stamp_ns: int, delay_ns: int, *, missed: bool = False) -> None:
        """Write the next frames to ``out``, shape (frames, channels).

        ``stamp_ns`` was taken when the driver called; ``delay_ns`` is how much later, by the driver, the
        first of these frames is heard; ``missed``: the driver says that a gap was heard.
        """
        out[:] = 0.0
        frame, n = self.frame, len(out)
        self.calls += 1
        self.underruns += missed
        # Where the driver's own blocks are longer than ours it calls several times at once, and says for
        # each how much later it is heard: the shortest of its delays is the device's.
        shortest_ns = delay_ns if self.delay_ns is None else min(self.delay_ns, delay_ns)
        self.delay_ns = shortest_ns
        latency_ns = delay_ns
        if self._latency_ns is not None:
            latency_ns += self._latency_ns - shortest_ns
        self.clock.add(stamp_ns + latency_ns, frame, anew=missed)
        while self._wishes:
            self._grant(self._wishes[0], frame)
            self._wishes.popleft()  # only now, so that ``busy`` is never wrongly false
        if self._sounding:
            over = [sounding for sounding in self._sounding if self._add(sounding, out, frame, n)]
            np.clip(out, -1.0, 1.0, out=out)  # two tracks may overlap while one fades
            if over:
                self._sounding = tuple(s for s in self._sounding if s not in over)
                self.ended.extend(sounding.token for sounding in over)
        self.frame = frame + n

    def _grant(self, wish: _Sounding | None, frame: int) -> None:
        if wish is None:
            for sounding in self._sounding:
                if sounding.fade_from is None:
                    sounding.fade_from = frame
            return
        wish.start = frame if wish.start is None else max(wish.start, frame)
        self._sounding = (*self._sounding, wish)

    def _add(self, sounding: _Sounding, out: Samples, frame: int, n: int) -> bool:
        """Add one track's frames; return whether it is over."""
        at = frame - (sounding.start or 0)
        if sounding.fade_from is None:
            if at + n > 0:
                out += sounding.source.block(at, n)[:, None]
            return sounding.length is not None and at + n >= sounding.length
        done = frame - sounding.fade_from
        ramp = self._fade[done : done + n]
        if at + n > 0:  # else it had not begun
            out[: len(ramp)] += (sounding.source.block(at, n)[: len(ramp)] * ramp)[:, None]
        return at + n <= 0 or done + n >= len(self._fade)
