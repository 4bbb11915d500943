"""The MIDI systems a child process may read from: python-rtmidi's, and PortMidi where that has no wheel.

Only ever used in a child process (midi_child): these libraries print on the C level, may hang, and
JACK's may crash when its server dies.
"""

from __future__ import annotations

import contextlib
import os
import select
import stat
import sys
import threading
from collections.abc import Callable
from time import perf_counter_ns
from typing import Any, Protocol

# Called with (perf_counter_ns, message) on whatever thread the driver uses.
OnHeard = Callable[[int, bytes], None]
CLIENT_NAME = "coach"
PORT_NAME = "guitar in"


class Unavailable(Exception):
    """This MIDI system does not answer; the message says so in a few words."""


class Backend(Protocol):
    """One MIDI system."""

    name: str
    live: bool  # whether names() follows what is plugged in and out

    def names(self) -> list[str]:
        """Return the input ports' names."""

    def open(self, index: int, heard: OnHeard) -> None:
        """Listen to the port at ``index`` of ``names()``; OSError where it cannot be opened."""

    def run(self, seconds: float, gone: threading.Event) -> None:
        """Let ``seconds`` go by, or less where ``gone`` is set; messages are heard meanwhile."""

    def dead(self) -> bool:
        """Whether the system itself went away since it was found."""

    def close(self) -> None:
        """Stop listening and leave the system in good order (never after ``dead()``)."""


def makers(only: str | None = None) -> list[tuple[str, Callable[[], Backend]]]:
    """Return what can be tried here, in order: (name, function making it or raising Unavailable)."""
    known = _rtmidi_makers()
    if only == "PortMidi" or not known:
        known = [("PortMidi", _portmidi)]
    return [(name, make) for name, make in known if only in (None, name)]


def _rtmidi_makers() -> list[tuple[str, Callable[[], Backend]]]:
    try:
        import rtmidi
    except ImportError:  # no wheel for this Python, or libasound2 is missing
        return []
    apis = (
        ("ALSA", rtmidi.API_LINUX_ALSA),
        ("CoreMIDI", rtmidi.API_MACOSX_CORE),
        ("WinMM", rtmidi.API_WINDOWS_MM),
        ("JACK", rtmidi.API_UNIX_JACK),
    )
    built = rtmidi.get_compiled_api()
    return [(name, _rtmidi_maker(rtmidi, name, api)) for name, api in apis if api in built]


def _rtmidi_maker(rtmidi: Any, name: str, api: int) -> Callable[[], Backend]:
    return lambda: RtMidi(rtmidi, name, api)


class RtMidi:
    """One of python-rtmidi's systems, heard through its callback (polled, it lost 1,977 of 3,000)."""

    live = True

    def __init__(self, rtmidi: Any, name: str, api: int) -> None:
        self.name = name
        before = _sockets() if name == "JACK" else set()
        try:
            self._midi = rtmidi.MidiIn(rtapi=api, name=CLIENT_NAME)
        except OSError as absent:  # rtmidi.SystemError is one
            raise Unavailable(f"{name}: {_ABSENT.get(name, str(absent))}") from absent
        self._links = _sockets() - before if name == "JACK" else set()

    def names(self) -> list[str]:
        """Return the input ports' names."""
        return list(self._midi.get_ports())

    def open(self, index: int, heard: OnHeard) -> None:
        """Listen to the port at ``index`` of the list."""

        def callback(event: tuple[list[int], float], _data: object) -> None:
            stamp_ns = perf_counter_ns()  # before anything else
            heard(stamp_ns, bytes(event[0]))

        # Nothing is filtered here: a filter also spoils the driver's own deltas, and what is not wanted is
        # counted further on.
        self._midi.ignore_types(sysex=False, timing=False, active_sense=False)
        self._midi.set_callback(callback)
        self._midi.open_port(index, PORT_NAME)

    def run(self, seconds: float, gone: threading.Event) -> None:
        """Let time go by; messages are heard meanwhile."""
        gone.wait(seconds)

    def dead(self) -> bool:
        """Whether the system itself went away."""
        # A dead JACK server says nothing, and its list of ports stays as it was.  But libjack's socket
        # to it, opened while the client was made, is closed: by the kernel at once, then by libjack.
        return bool(self._links) and (not self._links <= _sockets() or _hung_up(self._links))

    def close(self) -> None:
        """Stop listening and leave the system in good order."""
        self._midi.cancel_callback()
        self._midi.close_port()
        self._midi.delete()


_ABSENT = {"ALSA": "its sequencer is not there", "JACK": "no server is running"}


def _sockets() -> set[tuple[int, int]]:
    """Return this process's open sockets as (descriptor, inode)."""
    found = set()
    for entry in os.listdir("/dev/fd"):
        with contextlib.suppress(OSError):  # the descriptor of the listing itself is closed by now
            about = os.fstat(int(entry))
            if stat.S_ISSOCK(about.st_mode):
                found.add((int(entry), about.st_ino))
    return found


def _hung_up(sockets: set[tuple[int, int]]) -> bool:
    poll = select.poll()
    for descriptor, _inode in sockets:
        poll.register(descriptor, 0)  # hang-up and error are always reported
    return bool(poll.poll(0))


def _portmidi() -> Backend:
    if sys.platform == "linux":
        if not os.path.exists("/dev/snd/seq"):
            # PortMidi would start all the same, print to the terminal and find nothing, for good.
            raise Unavailable(f"ALSA: {_ABSENT['ALSA']}")
        # The wheel's own ALSA library looks for its settings where they are on no distribution.
        os.environ.setdefault("ALSA_CONFIG_PATH", "/usr/share/alsa/alsa.conf")
    os.environ["PYGAME_HIDE_SUPPORT_PROMPT"] = "1"
    try:
        import pygame.midi as midi
    except ImportError as absent:
        raise Unavailable("neither python-rtmidi nor pygame's MIDI module can be loaded") from absent
    from coach.devices.portmidi import PortMidi

    return PortMidi(midi)
