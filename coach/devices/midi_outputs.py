"""The MIDI outputs that a child process may send to: python-rtmidi's, and PortMidi where that has no wheel.

Only ever used in a child process (midi_out_child), for the reasons that ``backends`` gives.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, Protocol

from coach.core import sound_words as words
from coach.core.errors import one_line
from coach.devices.backends import RtMidi, Unavailable
from coach.devices.ports import Port, candidates, listed

PORT_NAME = "guitar out"


class Unusable(Exception):
    """No output is there, or none fits; the message says why in a few words."""


class Out(Protocol):
    """One MIDI system's outputs."""

    name: str

    def names(self) -> list[str]:
        """Return the outputs' names."""

    def open_out(self, index: int) -> None:
        """Open the output at ``index``; OSError where it cannot be."""

    def send(self, message: bytes) -> None:
        """Send one message now."""

    def dead(self) -> bool:
        """Whether the system itself went away."""

    def close(self) -> None:
        """Leave the system in good order."""


class RtMidiOut(RtMidi):
    """One of python-rtmidi's systems, for sending."""

    def __init__(self, rtmidi: Any, name: str, api: int) -> None:
        # All that an input does to find its system and to see it die is wanted here too.
        super().__init__(SimpleNamespace(MidiIn=rtmidi.MidiOut), name, api)

    def open_out(self, index: int) -> None:
        """Open the output at ``index`` of the list."""
        self._midi.open_port(index, PORT_NAME)

    def send(self, message: bytes) -> None:
        """Send one message now."""
        self._midi.send_message(list(message))

    def close(self) -> None:
        """Leave the system in good order."""
        self._midi.close_port()
        self._midi.delete()


class PortMidiOut:
    """PortMidi's outputs, where python-rtmidi has no wheel; ``midi`` is the module ``pygame.midi``."""

    name = "PortMidi"

    def __init__(self, midi: Any) -> None:
        self._midi = midi
        try:
            midi.init()
        except Exception as absent:  # pygame's own C code raises nothing narrower than this here
            raise Unavailable(f"PortMidi: {absent}") from absent
        self._out: Any = None

    def _outputs(self) -> list[int]:
        return [index for index in range(self._midi.get_count()) if self._midi.get_device_info(index)[3]]

    def names(self) -> list[str]:
        """Return the outputs' names."""
        return [self._midi.get_device_info(index)[1].decode("utf-8", "replace") for index in self._outputs()]

    def open_out(self, index: int) -> None:
        """Open the output at ``index`` of the list."""
        try:
            self._out = self._midi.Output(self._outputs()[index], 0)
        except self._midi.MidiException as refused:
            raise OSError(str(refused)) from refused

    def send(self, message: bytes) -> None:
        """Send one message now."""
        self._out.write_short(*message)

    def dead(self) -> bool:
        """Whether PortMidi itself went away: it never says."""
        return False

    def close(self) -> None:
        """Leave the system in good order."""
        if self._out is not None:
            self._out.close()
        self._midi.quit()


def systems() -> list[Out]:
    """Return every MIDI system that answers."""
    try:
        import rtmidi
    except ImportError:  # no wheel for this Python
        return _portmidi()
    apis = (
        ("ALSA", rtmidi.API_LINUX_ALSA),
        ("CoreMIDI", rtmidi.API_MACOSX_CORE),
        ("WinMM", rtmidi.API_WINDOWS_MM),
        ("JACK", rtmidi.API_UNIX_JACK),
    )
    built, found = rtmidi.get_compiled_api(), list[Out]()
    for name, api in apis:
        if api in built:
            try:
                found.append(RtMidiOut(rtmidi, name, api))
            except Unavailable:
                continue  # that another answers is enough; that none does is said
    return found


def _portmidi() -> list[Out]:
    if sys.platform == "linux" and not os.path.exists("/dev/snd/seq"):
        return []  # PortMidi would start all the same and find nothing, for good
    os.environ["PYGAME_HIDE_SUPPORT_PROMPT"] = "1"
    os.environ.setdefault("ALSA_CONFIG_PATH", "/usr/share/alsa/alsa.conf")
    try:
        import pygame.midi as midi

        return [PortMidiOut(midi)]
    except (ImportError, Unavailable):
        return []


def choose(found: Sequence[Out], wanted: str | None) -> tuple[Out, Port]:
    """Return the output that is meant; Unusable where not exactly one is."""
    if not found:
        raise Unusable(words.NO_SYNTH_SYSTEM)
    ports = [Port(system.name, name) for system in found for name in system.names()]
    fits = candidates(ports, wanted)
    if len(fits) == 1:
        return next(system for system in found if system.name == fits[0].backend), fits[0]
    if fits:
        raise Unusable(words.MANY_SYNTHS.format(count=len(fits), names=listed(fits)))
    if wanted and ports:
        shown = one_line(wanted, 80)
        raise Unusable(words.NO_SYNTH_FITS.format(wanted=shown, names=listed(ports)))
    raise Unusable(words.NO_SYNTH_PORT)
