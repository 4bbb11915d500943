"""An audio input, recorded with the time of each block: a microphone before the speaker, or a cable.

Only for a few seconds and only while something is measured, so it runs in this process; a block handed over
late does no harm, since the time of a frame is taken from the promptest blocks around it.
"""

from __future__ import annotations

import os
import time
from importlib import import_module
from time import perf_counter_ns
from types import TracebackType
from typing import Any, Self

import numpy as np

from coach.core.errors import CoachError, one_line
from coach.core.sound_latency import Recording

BLOCK = 512  # frames
MOST_DELAY_S = 2.0  # a driver that says more than this is not believed
STARTING_S = 7.0  # without any block: it does not answer (see sound_child)
REMEDY = "plug in a microphone, or set the latency by hand: coach calibrate sound --ms 40"


class Listener:
    """Records one channel of an input while in the block."""

    def __init__(self, device: str | None = None) -> None:
        """``device``: an input's name or part of it; None: the usual one.

        Raises CoachError where there is no input or it cannot be opened.
        """
        os.environ.setdefault("JACK_NO_START_SERVER", "1")  # looking for sound must start no server
        where = "audio input" if device is None else f"audio input {device!r}"
        try:
            sounddevice: Any = import_module("sounddevice")
        except (ImportError, OSError) as absent:
            raise CoachError(where, "the sound library is not installed: libportaudio2", REMEDY) from absent
        while sounddevice._initialized:  # what was plugged in since is only seen by beginning anew
            sounddevice._terminate()
        sounddevice._initialize()
        self._leave = sounddevice._terminate  # without it a JACK server stands still for 5 s
        try:
            about = dict(sounddevice.query_devices(device, "input"))
        except (ValueError, sounddevice.PortAudioError) as absent:
            self._leave()
            raise CoachError(where, "there is none", REMEDY) from absent
        self.name = one_line(str(about["name"]), 80)
        self.rate = round(about["default_samplerate"])
        self._blocks: list[tuple[int, np.ndarray[Any, np.dtype[np.float32]]]] = []
        try:
            self._stream = sounddevice.InputStream(
                samplerate=self.rate,
                blocksize=BLOCK,
                device=about["index"],
                channels=1,
                dtype="float32",
                latency="high",
                callback=self._callback,
            )
            self._own_ns = int(float(self._stream.latency) * 1e9)
            self._stream.start()
        except (ValueError, sounddevice.PortAudioError) as refused:
            self._leave()
            raise CoachError(where, f"cannot be opened ({one_line(str(refused), 120)})", REMEDY) from refused
        ends = time.monotonic() + STARTING_S
        while not self._blocks:
            if time.monotonic() > ends:
                self.close()
                raise CoachError(where, "it gives nothing", REMEDY)
            time.sleep(0.005)

    def _callback(self, samples: Any, _frames: int, times: Any, _status: Any) -> None:
        stamp_ns = perf_counter_ns()  # before anything else
        ago_s = times.currentTime - times.inputBufferAdcTime
        # Some drivers give no times here; then the stream's own latency has to do.
        ago_ns = int(ago_s * 1e9) if 0 < ago_s < MOST_DELAY_S else self._own_ns
        self._blocks.append((stamp_ns - ago_ns, samples[:, 0].copy()))

    @property
    def latency_ms(self) -> float:
        """From the microphone to us, as the driver says it; it is taken off already."""
        return self._own_ns / 1e6

    def recording(self) -> Recording:
        """Return what was recorded so far."""
        blocks = list(self._blocks)
        lengths = [len(samples) for _, samples in blocks]
        return Recording(
            np.concatenate([samples for _, samples in blocks]),
            self.rate,
            np.cumsum([0, *lengths[:-1]]).astype(np.int64),
            np.array([time_ns for time_ns, _ in blocks], np.int64),
        )

    def close(self) -> None:
        """Record no more."""
        self._stream.close()
        self._leave()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
