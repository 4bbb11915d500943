"""The way to make sound without PortAudio: the whole track rendered beforehand, played by pygame's mixer.

Within the buffer every click is exact.  Only where the buffer begins is known no better than half a block,
since the mixer starts a sound with its next block and does not say when that is.
"""

from __future__ import annotations

import os
import time
from time import perf_counter_ns
from typing import Any

import numpy as np

from coach.core.mixer import Mixer
from coach.core.sounding import Track
from coach.devices.deck import NS
from coach.devices.sound_wire import Order, Play
from coach.devices.sounding_end import LOOK_S, REPORT_S

RATE, BLOCK = 48_000, 512
MOST_S = 300.0  # of a track that comes again and again (own figure): 58 MB in two channels
PIECE = 1 << 14  # frames rendered at a time
FADE_MS = 10


class MixerBuffer:
    """Plays one rendered buffer after another."""

    underruns = 0  # SDL tells of none

    def __init__(self, latency_ms: float, gains: tuple[float, float]) -> None:
        """OSError where pygame has no sound either."""
        os.environ["PYGAME_HIDE_SUPPORT_PROMPT"] = "1"
        try:
            from pygame import error as Refused
            from pygame import mixer
        except ImportError as absent:
            raise OSError(str(absent)) from absent
        try:
            mixer.init(frequency=RATE, size=-16, channels=2, buffer=BLOCK, allowedchanges=0)
        except (Refused, NotImplementedError) as absent:  # the second where pygame has no mixer
            raise OSError(str(absent)) from absent
        self._mixer: Any = mixer
        self._gains = gains
        # From the order to the next block half a block on the average, and one block is being played.
        self.latency_ns = round(latency_ms * 1e6) if latency_ms > 0 else 3 * BLOCK * NS // (2 * RATE)
        self.either_way_ms = BLOCK / 2 / RATE * 1e3
        self._channel: Any = None
        self._begun: tuple[int, int] | None = None
        self._ended: list[int] = []

    def obey(self, order: Order) -> None:
        """Play or stop."""
        self._stop()
        if not isinstance(order, Play):
            return
        samples = rendered(order.track, self._gains)
        ahead_ns = 0
        if order.at_ns is not None:
            ahead_ns = max(0, order.at_ns - perf_counter_ns() - self.latency_ns)
        silence = bytes(4 * (ahead_ns * RATE // NS))
        sound = self._mixer.Sound(buffer=silence + samples)
        self._channel = sound.play()
        heard_ns = perf_counter_ns() + ahead_ns * RATE // NS * NS // RATE + self.latency_ns
        self._begun = (order.token, heard_ns)

    def _stop(self) -> None:
        if self._channel is not None:
            self._channel.fadeout(FADE_MS)
            self._channel = None
        if self._begun is not None:
            self._ended.append(self._begun[0])
            self._begun = None

    def begun(self) -> tuple[int, int] | None:
        """Return the token of what plays, and when its second 0 is heard."""
        return self._begun

    def ended(self) -> list[int]:
        """Return what came to an end."""
        if self._channel is not None and not self._channel.get_busy():
            self._stop()
        found, self._ended = self._ended, []
        return found

    def wait_s(self) -> float:
        """Return how long it may be left alone."""
        return LOOK_S if self._begun is None else REPORT_S

    def lost(self) -> str | None:
        """Return None: SDL goes on without telling where a device is pulled out."""
        return None

    def close(self) -> None:
        """Fade out, and close."""
        if self._channel is not None:
            self._stop()
            time.sleep((FADE_MS + 2e3 * BLOCK / RATE) / 1e3)
        self._mixer.quit()


def rendered(track: Track, gains: tuple[float, float], rate: int = RATE) -> bytes:
    """Return a track as 16-bit frames of two channels; one with a period for ``MOST_S``."""
    mixer = Mixer(track, rate, click_gain=gains[0], tone_gain=gains[1])
    seconds = track.length_s if track.period_s is None else MOST_S
    frames = round(seconds * rate)
    whole = np.zeros((frames, 2), "<i2")
    for at in range(0, frames, PIECE):
        block = mixer.block(at, min(PIECE, frames - at))
        whole[at : at + len(block)] = np.rint(np.clip(block, -1.0, 1.0) * 32_767)[:, None]
    return whole.tobytes()
