"""The process that owns a MIDI output: ``python -m coach.devices.midi_out_child``, started by MidiSpeaker.

It sends each message when its time has come, and takes every sounding note back at a stop and at the end.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
from collections.abc import Sequence
from time import monotonic, perf_counter_ns

from coach.core import sound_words as words
from coach.core.errors import one_line
from coach.core.sounding import Track
from coach.devices.child_end import DONE, private_output
from coach.devices.midi_notes import Row, round_of
from coach.devices.midi_outputs import Out, Unusable, choose, systems
from coach.devices.ports import Port
from coach.devices.sound_wire import Opened, Order, Play, Silent
from coach.devices.sounding_end import LOOK_S, REPORT_S, Inlet, Outlet, Sink, serve

NS = 1_000_000_000
AHEAD_NS = 2_000_000  # an order takes about so long to come through the pipe and be sorted (own figure)
ALL_NOTES_OFF = 123  # controller (MIDI 1.0 Detailed Specification 4.2.1)


class Player:
    """Sends one track's messages at their times."""

    underruns = 0

    def __init__(self, out: Out, port: Port, latency_ns: int) -> None:
        """``latency_ns``: from a message to the synthesizer's sound, calibrated."""
        self._out, self._port, self._latency_ns = out, port, latency_ns
        self._track: Track | None = None
        self._token = self._begin_ns = 0
        self._round = self._next = 0
        self._rows: list[Row] = []
        self._sounding: set[tuple[int, int]] = set()  # channel from 0, note
        self._ended: list[int] = []
        self._looked_s = monotonic()

    def obey(self, order: Order) -> None:
        """Play or stop."""
        self._stop()
        if not isinstance(order, Play):
            return
        self._track, self._token = order.track, order.token
        soonest_ns = perf_counter_ns() + AHEAD_NS
        wanted_ns = soonest_ns if order.at_ns is None else order.at_ns - self._latency_ns
        self._begin_ns = max(soonest_ns, wanted_ns)
        self._round = self._next = 0
        self._rows = round_of(order.track, 0)

    def _stop(self) -> None:
        for channel, note in sorted(self._sounding):
            self._out.send(bytes((0x80 | channel, note, 0)))
        for channel in sorted({channel for channel, _note in self._sounding}):
            self._out.send(bytes((0xB0 | channel, ALL_NOTES_OFF, 0)))
        self._sounding.clear()
        if self._track is not None:
            self._track = None
            self._ended.append(self._token)

    def begun(self) -> tuple[int, int] | None:
        """Return the token of what plays, and when its second 0 is heard."""
        return None if self._track is None else (self._token, self._begin_ns + self._latency_ns)

    def ended(self) -> list[int]:
        """Return what came to an end."""
        found, self._ended = self._ended, []
        return found

    def wait_s(self) -> float:
        """Send what is due; return how long it may be left alone."""
        while self._track is not None:
            if self._next == len(self._rows):
                if self._track.period_s is None:
                    left_ns = self._begin_ns + round(self._track.length_s * NS) - perf_counter_ns()
                    if left_ns > 0:
                        return min(left_ns / NS, REPORT_S)
                    self._stop()
                    break
                self._round, self._next = self._round + 1, 0
                self._rows = round_of(self._track, self._round)
                if not self._rows:
                    return REPORT_S
            row = self._rows[self._next]
            left_ns = self._begin_ns + round(row.at_s * NS) - perf_counter_ns()
            if left_ns > 0:
                return min(left_ns / NS, REPORT_S)
            self._send(row.data)
            self._next += 1
        return 0.0 if self._ended else LOOK_S

    def _send(self, data: bytes) -> None:
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0x90:
            self._sounding.add((channel, data[1]))
        elif kind == 0x80:
            self._sounding.discard((channel, data[1]))
        self._out.send(data)

    def lost(self) -> str | None:
        """Return the sentence where the output is gone."""
        if monotonic() - self._looked_s < LOOK_S:
            return None
        self._looked_s = monotonic()
        if self._out.dead() or self._port.name not in self._out.names():
            return words.SYNTH_LOST.format(name=one_line(self._port.name, 80))
        return None

    def close(self) -> None:
        """Take every note back, and close."""
        self._stop()
        self._out.close()


def open_sink(wanted: str | None, latency_ms: float) -> tuple[Sink, Opened]:
    """Return what plays here and what to say about it; Unusable where nothing does."""
    found = systems()
    unused = list(found)
    try:
        out, port = choose(found, wanted)
        name = one_line(port.name, 80)
        try:
            out.open_out(out.names().index(port.name))
        except OSError as refused:
            raise Unusable(words.SYNTH_REFUSED.format(name=name)) from refused
        unused.remove(out)
    finally:
        for system in unused:  # JACK counts a client that just ends as killed, and may stand still for 5 s
            system.close()
    latency_ns = round(latency_ms * 1e6)
    return Player(out, port, latency_ns), Opened(words.SYNTH_TO.format(name=name), latency_ns)


def main(arguments: Sequence[str] | None = None) -> int:
    """Play what standard input orders until it ends."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--port", help="an output's name, or part of it")
    parser.add_argument("--latency-ms", type=float, default=0.0)
    options = parser.parse_args(arguments)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides when we end
    outlet = Outlet(private_output())
    inlet = Inlet()
    try:
        sink, opened = open_sink(options.port, options.latency_ms)
    except Unusable as refused:
        outlet.send(Silent(words.NO_SYNTH.format(why=refused), False))
        return DONE
    outlet.send(opened)
    return serve(sink, inlet, outlet)


if __name__ == "__main__":
    code = main()
    sys.stderr.flush()
    os._exit(code)  # no tearing down of clients whose server may be dead
