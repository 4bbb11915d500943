"""The process that owns the sound device: ``python -m coach.devices.sound_child``, started by Speaker.

One PortAudio stream runs from the beginning to the end of this process and plays silence while there is
nothing to be heard, so that the relation of its frames to the clock is always known.  Python's garbage
collector and a track being rendered are kept away from the callback as far as can be.
"""

from __future__ import annotations

import argparse
import gc
import os
import signal
import sys
import time
from collections.abc import Sequence
from importlib import import_module
from time import perf_counter_ns
from typing import Any

from coach.core import sound_words as words
from coach.core.errors import one_line
from coach.core.mixer import CLICK_GAIN, TONE_GAIN, Mixer
from coach.core.sounding import Track
from coach.devices.child_end import DONE, private_output
from coach.devices.deck import FADE_S, NS, Deck, Samples
from coach.devices.mixer_buffer import MixerBuffer
from coach.devices.sound_wire import Opened, Order, Play, Silent
from coach.devices.sounding_end import LOOK_S, REPORT_S, Inlet, Outlet, Sink, serve

BLOCK = 512  # frames; at 128 a Python callback was seen to be late, from 256 on it held
# A client that was killed can make a synchronous jackd stand still for 5 s (measured).
STARTING_S = GONE_S = 7.0  # without any callback: the device does not answer, or is gone
CALLS_FIRST = 8  # callbacks before the clock is trusted
KEPT = 4  # rendered tracks kept, so that two can be compared again and again without waiting
MOST_DELAY_S = 2.0  # a driver that says more than this is not believed
SWITCH_S = 0.0005  # the callback gets the interpreter after at most so long while a track is rendered


class Unusable(Exception):
    """This way to make sound is not there; the message says why in a few words."""


class Stream:
    """A PortAudio stream that plays a deck."""

    def __init__(
        self, sounddevice: Any, device: str | None, latency_ms: float, gains: tuple[float, float]
    ) -> None:
        """Open and start; Unusable where that cannot be.  ``sounddevice`` is the module."""
        self._errors: tuple[type[Exception], ...] = (sounddevice.PortAudioError, ValueError)
        try:
            about = _output(sounddevice, device)
            self.name = one_line(str(about["name"]), 80)
            self.rate = round(about["default_samplerate"])
            self.deck = Deck(self.rate, latency_ns=round(latency_ms * 1e6) if latency_ms > 0 else None)
            self._stream = sounddevice.OutputStream(
                samplerate=self.rate,
                blocksize=BLOCK,
                device=about["index"],
                channels=min(2, about["max_output_channels"]),
                dtype="float32",
                latency="high",
                callback=self._callback,
            )
            self._own_ns = round(self._stream.latency * NS)  # before the first callback needs it
            self._stream.start()
        except self._errors as refused:
            raise Unusable(one_line(str(refused), 120)) from refused
        # Without it JACK counts this client as killed, and a synchronous server stands still for 5 s.
        self._leave = sounddevice._terminate
        self._gains = gains
        self._rendered: dict[Track, Mixer] = {}
        self._token: int | None = None
        self._seen = (0, time.monotonic())
        self._await_callbacks()

    @property
    def underruns(self) -> int:
        """How often the driver said that a gap was heard."""
        return self.deck.underruns

    @property
    def latency_ns(self) -> int:
        """From the callback to the ear, as the driver says it."""
        return self.deck.delay_ns or 0

    def _callback(self, out: Samples, _frames: int, times: Any, status: Any) -> None:
        stamp_ns = perf_counter_ns()  # before anything else
        delay_s = times.outputBufferDacTime - times.currentTime
        # Some drivers give no times here, and JACK's gives no latency of the stream.
        delay_ns = int(delay_s * NS) if 0 < delay_s < MOST_DELAY_S else self._own_ns
        self.deck.fill(out, stamp_ns, delay_ns, missed=bool(status.output_underflow))

    def _await_callbacks(self) -> None:
        ends = time.monotonic() + STARTING_S
        while self.deck.calls < CALLS_FIRST:
            if time.monotonic() > ends:
                raise Unusable(words.NOT_ANSWERING)
            time.sleep(0.005)

    def obey(self, order: Order) -> None:
        """Play or stop."""
        if not isinstance(order, Play):
            self.deck.stop()
            return
        # What sounds stops when it is told to, not when the next track is ready.
        self.deck.stop()
        track = order.track
        mixer = self._rendered.pop(track, None)
        if mixer is None:
            mixer = Mixer(track, self.rate, click_gain=self._gains[0], tone_gain=self._gains[1])
            while len(self._rendered) >= KEPT:
                self._rendered.pop(next(iter(self._rendered)))
        self._rendered[track] = mixer
        self.deck.play(order.token, mixer, length=mixer.frames, at_ns=order.at_ns)
        self._token = order.token

    def begun(self) -> tuple[int, int] | None:
        """Return the token of what plays, and when its second 0 is heard."""
        if self._token is None:
            return None
        heard_ns = self.deck.heard_ns(self._token)
        return None if heard_ns is None else (self._token, heard_ns)

    def ended(self) -> list[int]:
        """Return what came to an end."""
        found = []
        while self.deck.ended:
            found.append(self.deck.ended.popleft())
        return found

    def wait_s(self) -> float:
        """Return how long it may be left alone."""
        if self.deck.busy:
            return REPORT_S if self.begun() is not None else BLOCK / self.rate
        gc.collect()
        return LOOK_S

    def lost(self) -> str | None:
        """Return the sentence where the stream has ended by itself, or stands still."""
        calls, now = self.deck.calls, time.monotonic()
        if calls != self._seen[0]:
            self._seen = (calls, now)
        elif now - self._seen[1] > (GONE_S if self._stream.active else LOOK_S):
            return words.DEVICE_LOST.format(name=self.name)
        return None

    def close(self) -> None:
        """Fade out, and close."""
        if self.deck.busy:
            self.deck.stop()
            time.sleep(FADE_S + 2 * BLOCK / self.rate + min(self.latency_ns, NS // 4) / NS)
        self._stream.close()
        self._leave()


def _output(sounddevice: Any, device: str | None) -> dict[str, Any]:
    """Return what PortAudio knows of an output; Unusable where there is none."""
    found: dict[str, Any]
    try:
        found = dict(sounddevice.query_devices(device, "output"))
    except (ValueError, sounddevice.PortAudioError) as absent:
        raise Unusable(words.NO_OUTPUT) from absent
    return found


def open_sink(device: str | None, latency_ms: float, gains: tuple[float, float]) -> tuple[Sink, Opened]:
    """Return what plays here and what to say about it; Unusable where nothing does."""
    try:
        return _open_stream(device, latency_ms, gains)
    except Unusable as why:
        try:
            simple = MixerBuffer(latency_ms, gains)
        except OSError:
            raise why from None
    return simple, Opened(words.SOUND_SIMPLE.format(ms=simple.either_way_ms), simple.latency_ns)


def _open_stream(device: str | None, latency_ms: float, gains: tuple[float, float]) -> tuple[Stream, Opened]:
    os.environ.setdefault("JACK_NO_START_SERVER", "1")  # looking for sound must start no server
    try:
        sounddevice = import_module("sounddevice")
    except (ImportError, OSError) as absent:  # the Python part, or the C library
        raise Unusable(words.NO_LIBRARY) from absent
    refusals: list[Unusable] = []
    for name in dict.fromkeys((device, None)):  # the one that is meant, then the usual one
        try:
            stream = Stream(sounddevice, name, latency_ms, gains)
        except Unusable as refused:
            refusals.append(refused)
            continue
        text = words.SOUND_TO if name == device else words.SOUND_TO_OTHER
        said = text.format(name=stream.name, wanted=one_line(device or "", 80))
        return stream, Opened(said, round(latency_ms * 1e6) or stream.latency_ns)
    sounddevice._terminate()  # for the reason given in Stream
    raise refusals[-1]


def main(arguments: Sequence[str] | None = None) -> int:
    """Play what standard input orders until it ends."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--device", help="an output's name, or part of it")
    parser.add_argument("--latency-ms", type=float, default=0.0, help="calibrated; 0: what the device says")
    parser.add_argument("--click-gain", type=float, default=CLICK_GAIN)
    parser.add_argument("--tone-gain", type=float, default=TONE_GAIN)
    options = parser.parse_args(arguments)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides when we end
    outlet = Outlet(private_output())
    sys.setswitchinterval(SWITCH_S)
    inlet = Inlet()
    try:
        sink, opened = open_sink(options.device, options.latency_ms, (options.click_gain, options.tone_gain))
    except Unusable as refused:
        outlet.send(Silent(words.NO_DEVICE.format(why=refused), False))
        return DONE
    gc.freeze()
    gc.disable()  # a collection would hold up the callback; it is done by hand in silence
    outlet.send(opened)
    return serve(sink, inlet, outlet)


if __name__ == "__main__":
    code = main()
    sys.stderr.flush()
    os._exit(code)  # no tearing down of a library whose device may be gone
