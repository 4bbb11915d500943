"""PortMidi, by way of pygame's MIDI module, polled every millisecond: the way in without python-rtmidi.

PortMidi lists the devices once, when it starts.  So while nothing is played, a fresh process is asked now
and then whether the port is still there.
"""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Sequence
from time import perf_counter_ns
from typing import Any

from coach.devices.backends import OnHeard, Unavailable
from coach.devices.child import python_command, python_environment
from coach.devices.ports import CHILD, parse_list

POLL_S = 0.001
BUFFER = 1024  # messages PortMidi holds for us between two polls
QUIET_NS = 5_000_000_000  # nobody plays: only then is the port looked for


class PortMidi:
    """All of PortMidi's inputs; ``midi`` is the module ``pygame.midi``."""

    name = "PortMidi"
    live = False

    def __init__(self, midi: Any) -> None:
        self._midi = midi
        try:
            midi.init()
        except Exception as absent:  # pygame's own C code raises nothing narrower than this here
            raise Unavailable(f"PortMidi: {absent}") from absent
        self._input: Any = None
        self._heard: OnHeard | None = None
        self._sorter = Sorter()
        self._last_ns = perf_counter_ns()
        self._look: subprocess.Popen[bytes] | None = None
        self._seen: list[str] | None = None  # by a fresh process, since the port was opened

    def _inputs(self) -> list[int]:
        count = self._midi.get_count()
        return [index for index in range(count) if self._midi.get_device_info(index)[2]]

    def names(self) -> list[str]:
        """Return the input ports' names."""
        if self._seen is not None:
            return self._seen
        return [self._midi.get_device_info(index)[1].decode("utf-8", "replace") for index in self._inputs()]

    def open(self, index: int, heard: OnHeard) -> None:
        """Listen to the port at ``index`` of the list."""
        try:
            self._input = self._midi.Input(self._inputs()[index], BUFFER)
        except self._midi.MidiException as refused:
            raise OSError(str(refused)) from refused
        self._heard, self._last_ns = heard, perf_counter_ns()

    def run(self, seconds: float, gone: threading.Event) -> None:
        """Let time go by; messages are heard meanwhile."""
        if self._input is None:
            gone.wait(seconds)
            return
        end_ns = perf_counter_ns() + round(seconds * 1e9)
        while not gone.wait(POLL_S) and perf_counter_ns() < end_ns:
            self.poll()
        self._look_when_quiet()

    def poll(self) -> None:
        """Hand on all that has come since the last poll."""
        assert self._heard is not None
        while self._input.poll():
            stamp_ns = perf_counter_ns()
            self._last_ns = stamp_ns
            for raw, _time_ms in self._input.read(16):
                for data in self._sorter.sort(raw):
                    self._heard(stamp_ns, data)

    def _look_when_quiet(self) -> None:
        if self._look is None:
            if perf_counter_ns() - self._last_ns > QUIET_NS:
                command = python_command(CHILD, "--list", "--backend", self.name)
                self._look = subprocess.Popen(
                    command, env=python_environment(), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE
                )
        elif self._look.poll() is not None:
            output, _ = self._look.communicate()
            self._look, self._last_ns = None, perf_counter_ns()
            listing = parse_list(output)
            if listing.answered:  # else the look itself failed, which says nothing about the port
                self._seen = [port.name for port in listing.ports]

    def dead(self) -> bool:
        """Whether PortMidi itself went away: it never says."""
        return False

    def close(self) -> None:
        """Stop listening and leave the system in good order."""
        if self._input is not None:
            self._input.close()
        self._midi.quit()


_LENGTHS = {0x80: 3, 0x90: 3, 0xA0: 3, 0xB0: 3, 0xC0: 2, 0xD0: 2, 0xE0: 3}
_SYSTEM_LENGTHS = {0xF1: 2, 0xF2: 3, 0xF3: 2}


class Sorter:
    """PortMidi's four-byte words become whole messages; system-exclusive ones come in pieces of four."""

    def __init__(self) -> None:
        self._sysex = bytearray()

    def sort(self, word: Sequence[int]) -> list[bytes]:
        """Return the messages that this word completes."""
        status = word[0]
        if status >= 0xF8:  # real-time: may come in the midst of a system-exclusive message
            return [bytes((status,))]
        if status == 0xF0 or (status < 0x80 and self._sysex):
            if status == 0xF0:
                self._sysex.clear()
            return self._piece(word)
        if status == 0xF7 and self._sysex:
            return self._piece(word)
        self._sysex.clear()  # any other status byte ends one that was cut short
        length = _SYSTEM_LENGTHS.get(status, 1) if status >= 0xF0 else _LENGTHS.get(status & 0xF0, 1)
        return [bytes(word[:length])]

    def _piece(self, word: Sequence[int]) -> list[bytes]:
        found = []
        for byte in word:
            if byte >= 0xF8:
                found.append(bytes((byte,)))
                continue
            self._sysex.append(byte)
            if byte == 0xF7:
                found.append(bytes(self._sysex))
                self._sysex.clear()
                break
        return found
