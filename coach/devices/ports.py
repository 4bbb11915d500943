"""Which MIDI input ports there are, and which of them is meant."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from coach.core.errors import PortError, one_line
from coach.devices.child import python_command, python_environment, why_ended

# A client that was killed makes a synchronous jackd stand still for 5 s (measured), so a MIDI system
# counts as hung only well after that.
LIST_TIMEOUT_S = 10.0
CHILD = "coach.devices.midi_child"

_ALSA_NUMBERS = re.compile(r"\s+\d+:\d+$")  # "Box:Box MIDI 1 20:0": client and port number
_BRIDGE_NUMBER = re.compile(r"\s*(?:\[\d+\]|\(\d+\))")  # "a2j:Box [20] (capture): Box MIDI 1"
# "a2j:Box (capture): Box MIDI 1", "Midi-Bridge:Box:(capture_0) Box MIDI 1" (from memory): ALSA's by JACK
_BRIDGED = re.compile(r"^(?:a2j|Midi-Bridge):(.+?):?\s*[(\[]capture(?:_\d+)?[)\]]:?\s*(.+)$")
_WINDOWS_NUMBER = re.compile(r"\s+\d+$")  # RtMidi appends the device's place in the list


@dataclass(frozen=True, slots=True)
class Port:
    """One input port of one MIDI system."""

    backend: str  # "ALSA", "JACK", "CoreMIDI", "WinMM", "PortMidi"
    name: str  # as the MIDI system gives it today

    @property
    def stable_name(self) -> str:
        """The name without the numbers that differ each time the device is plugged in."""
        name = _BRIDGE_NUMBER.sub("", _ALSA_NUMBERS.sub("", self.name))
        return _WINDOWS_NUMBER.sub("", name) if self.backend == "WinMM" else name

    def is_called(self, name: str) -> bool:
        """Whether ``name``, perhaps of an earlier day, is this port's name."""
        return self.stable_name == Port(self.backend, name).stable_name

    @property
    def device(self) -> str:
        """The stable name as ALSA gives it, where the port is ALSA's and bridged to another system."""
        return _BRIDGED.sub(r"\1:\2", self.stable_name)

    @property
    def loops_back(self) -> bool:
        """Whether this is a system's loop-through rather than an instrument."""
        return "midi through" in self.name.casefold()


_HERE = "WinMM" if sys.platform == "win32" else ""  # whose rules a name follows of which no more is known


def same_device(one: str, other: str) -> bool:
    """Whether two names of ports, perhaps of two days or of two systems, are one device's."""
    ones, others = ({name, Port(_HERE, name).device} for name in (one, other))
    return bool(ones & others)


def list_ports(*, backend: str | None = None, timeout_s: float = LIST_TIMEOUT_S) -> list[Port]:
    """Return the input ports, asked for in a child process; possibly none.

    PortError where no MIDI system answers, or where one hangs before it named any port.
    """
    arguments = ["--list"] + (["--backend", backend] if backend else [])
    late = False
    try:
        answer = subprocess.run(
            python_command(CHILD, *arguments),
            env=python_environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            timeout=timeout_s,
            check=False,
        )
        output, code = answer.stdout, answer.returncode
    except subprocess.TimeoutExpired as slow:
        output, code, late = slow.stdout or b"", 0, True
    listing = parse_list(output)
    if listing.ports:
        return list(listing.ports)
    if late:
        raise PortError(
            "MIDI", f"the MIDI system did not answer within {timeout_s:g} s", "restart jackd or plug in again"
        )
    if code:
        raise PortError("MIDI", f"looking for ports ended with {why_ended(code)}", "run `coach ports` again")
    if not listing.answered:  # one is enough: that another is missing is then no trouble
        reasons = "; ".join(listing.troubles)
        raise PortError("MIDI", f"no MIDI system answers ({reasons})", NO_BACKEND_REMEDY)
    return []


NO_BACKEND_REMEDY = "load ALSA's sequencer (modprobe snd-seq) or start a JACK server"


@dataclass(frozen=True, slots=True)
class Listing:
    """What the listing child found."""

    ports: tuple[Port, ...] = ()
    answered: tuple[str, ...] = ()  # the MIDI systems that are there, with ports or without
    troubles: tuple[str, ...] = ()  # why the others are not


def parse_list(output: bytes) -> Listing:
    """Return what the child's lines of JSON say; a last line cut short is passed over."""
    found: dict[str, list[Any]] = {"port": [], "answered": [], "trouble": []}
    for line in output.splitlines(keepends=True):
        if line.endswith(b"\n"):
            for key, value in json.loads(line).items():
                found[key].append(value)
    ports = tuple(Port(backend, name) for backend, name in found["port"])
    return Listing(ports, tuple(found["answered"]), tuple(found["trouble"]))


def pick_port(ports: Sequence[Port], wanted: str | None = None, remembered: str | None = None) -> Port:
    """Return the port that is meant, or raise PortError saying what to do.

    ``wanted`` is a whole name (which wins) or any part of one, upper or lower case alike.  Without it the
    ``remembered`` port is taken where it is present, else the only one there is.
    """
    found = candidates(ports, wanted, remembered)
    if len(found) == 1:
        return found[0]
    raise PortError("MIDI", *no_choice(ports, found, wanted))


def no_choice(ports: Sequence[Port], found: Sequence[Port], wanted: str | None) -> tuple[str, str]:
    """Return what is wrong and the remedy, where not exactly one port was ``found`` among ``ports``."""
    if found:
        if wanted:
            return f"{len(found)} ports fit {wanted!r}: {listed(found)}", "give more of the name after --port"
        return f"there are {len(found)} ports: {listed(found)}", "name one of them after --port"
    if wanted and ports:
        return f"no port has {wanted!r} in its name; there are: {listed(ports)}", "give part of one of these"
    if ports:
        return f"there is only {listed(ports)}", "plug in the guitar's converter, or name a port after --port"
    return "there is no MIDI port", "plug in the guitar's converter and switch it on"


def candidates(
    ports: Sequence[Port],
    wanted: str | None = None,
    remembered: str | None = None,
    only: str | None = None,
    avoid: str | None = None,
) -> list[Port]:
    """Return the ports that fit best: one if the choice is clear, several if not, none if nothing fits.

    ``only`` (the name of a port that was lost) excludes everything else.  ``avoid`` (the foot switch's) is
    taken only where it is ``wanted``.  Of two MIDI systems that both fit, the one first in ``ports`` is
    taken, since one device often shows in both.
    """
    if only is not None:
        return _first_fit(ports, [lambda p: p.is_called(only)])
    if wanted is not None:
        part = wanted.casefold()
        return _first_fit(
            ports,
            [
                lambda p: p.name == wanted,
                lambda p: part in (p.name.casefold(), p.stable_name.casefold()),
                lambda p: part in p.name.casefold(),
            ],
        )
    if avoid is not None:
        ports = [port for port in ports if not same_device(port.name, avoid)]
    tests: list[Callable[[Port], bool]] = [lambda p: not p.loops_back]
    if remembered is not None:
        tests[:0] = [lambda p: p.name == remembered, lambda p: p.is_called(remembered)]
    return _first_fit(ports, tests)


def _first_fit(ports: Sequence[Port], tests: Iterable[Callable[[Port], bool]]) -> list[Port]:
    for test in tests:
        fits = [port for port in ports if test(port)]
        if fits:
            # Some systems give two devices of one make one name; nobody can choose by it, so the first is it.
            return list(dict.fromkeys(port for port in fits if port.backend == fits[0].backend))
    return []


def listed(ports: Sequence[Port]) -> str:
    """Return the ports' names for a sentence."""
    return ", ".join(f"“{one_line(port.name, 80)}”" for port in ports)
