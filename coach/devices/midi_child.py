"""The process that owns the MIDI port: ``python -m coach.devices.midi_child``, started by MidiIn.

The driver's callback takes the stamp and writes it with the message to the pipe; nothing else happens on
its thread.  The main thread meanwhile looks every half second whether the port is still there.

On any doubt this process ends and is started afresh: making a new JACK client after a server died has
been seen to crash (segmentation fault), and a fresh process costs 0.1 s.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from coach.devices.backends import Backend, Unavailable, makers
from coach.devices.child_end import DONE, LOOK_AGAIN, Outlet, private_output, until_closed
from coach.devices.messages import Alive, Heard, PortState, State
from coach.devices.ports import NO_BACKEND_REMEDY, Port, candidates, no_choice

LOOK_S = 0.5  # between two looks at the list of ports
# While a MIDI system is missing that might yet be started, a fresh process looks again after so long.
PATIENCE_LOOKS = 4


@dataclass(frozen=True, slots=True)
class Wish:
    """Which port is meant; as in ports.candidates."""

    wanted: str | None = None
    remembered: str | None = None
    only: str | None = None
    avoid: str | None = None

    def among(self, ports: Sequence[Port]) -> list[Port]:
        """Return the ports that fit."""
        return candidates(ports, self.wanted, self.remembered, self.only, self.avoid)


class Reader:
    """Finds the port, listens to it, and says how it stands."""

    def __init__(self, wish: Wish, outlet: Outlet, gone: threading.Event) -> None:
        self._wish, self._outlet = wish, outlet
        self._gone = gone  # set when the parent wants no more
        self._said: PortState | None = None

    def run(self, known: Sequence[tuple[str, Callable[[], Backend]]]) -> int:
        """Return the exit code: DONE when told to end, LOOK_AGAIN when a fresh process should go on."""
        backends: list[Backend] = []
        troubles: list[str] = []
        for _name, make in known:
            try:
                backends.append(make())
            except Unavailable as absent:
                troubles.append(str(absent))
            self._outlet.send(Alive())
        if not backends:
            reasons = "; ".join(troubles) or "this system has none that is known"
            self._say("no-backend", f"No MIDI system answers ({reasons}): {NO_BACKEND_REMEDY}.")
            return LOOK_AGAIN
        code = self._seek(backends, patient=not troubles and all(b.live for b in backends))
        if not any(backend.dead() for backend in backends):
            for backend in backends:
                backend.close()
        return code

    def _seek(self, backends: list[Backend], patient: bool) -> int:
        looks = 0
        while not self._gone.is_set():
            if any(backend.dead() for backend in backends):
                return LOOK_AGAIN
            ports = [Port(backend.name, name) for backend in backends for name in backend.names()]
            found = self._wish.among(ports)
            if len(found) == 1:
                backend = next(b for b in backends if b.name == found[0].backend)
                return self._listen(backend, found[0])
            what, remedy = no_choice(ports, found, self._wish.wanted)
            self._say("ambiguous" if found else "waiting", f"{what[0].upper()}{what[1:]}; {remedy}.")
            looks += 1
            if not patient and looks >= PATIENCE_LOOKS:
                return LOOK_AGAIN
            self._gone.wait(LOOK_S)
            self._outlet.send(Alive())
        return DONE

    def _listen(self, backend: Backend, port: Port) -> int:
        before = backend.names()
        if port.name not in before:
            return LOOK_AGAIN
        send = self._outlet.send
        try:
            backend.open(before.index(port.name), lambda stamp_ns, data: send(Heard(stamp_ns, data)))
        except OSError as refused:
            self._say("waiting", f"“{port.name}” cannot be opened ({refused}); it may be in use.", port.name)
            return LOOK_AGAIN
        if backend.names() != before:  # the list moved under our index
            return LOOK_AGAIN
        self._say("open", f"Listening to “{port.name}”.", port.name)
        while not self._gone.is_set():
            backend.run(LOOK_S, self._gone)
            self._outlet.send(Alive())
            if backend.dead():
                what = f"{backend.name} has stopped, and “{port.name}” with it"
                self._say("lost", f"{what}; {_KEPT}", port.name)
                return LOOK_AGAIN
            if port.name not in backend.names():
                self._say("lost", f"“{port.name}” is no longer there; {_KEPT}", port.name)
                return LOOK_AGAIN
        return DONE

    def _say(self, state: State, text: str, port: str | None = None) -> None:
        said = PortState(state, text, port)
        if said != self._said:
            self._said = said
            self._outlet.send(said)


_KEPT = "what was played is kept, and listening goes on when it is back."


def list_all(known: Sequence[tuple[str, Callable[[], Backend]]], write: Callable[[bytes], object]) -> None:
    """Write one line of JSON for each port, each system and each trouble, as soon as it is known."""

    def row(key: str, value: object) -> None:
        write(json.dumps({key: value}).encode() + b"\n")

    for name, make in known:
        try:
            backend = make()
        except Unavailable as absent:
            row("trouble", str(absent))
            continue
        row("answered", name)
        for port in backend.names():
            row("port", [name, port])
        backend.close()


def main(arguments: Sequence[str] | None = None) -> int:
    """Read the port named by the arguments until told to end."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--list", action="store_true", help="write the ports as JSON and end")
    parser.add_argument("--backend", help="use only this MIDI system")
    parser.add_argument("--port", help="a port's name, or part of it")
    parser.add_argument("--remembered", help="the port to take where none is named")
    parser.add_argument("--only", help="take this port and no other")
    parser.add_argument("--avoid", help="take this port only where --port names it")
    options = parser.parse_args(arguments)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides when we end
    output = private_output()
    known = makers(options.backend)
    if options.list:
        list_all(known, lambda line: os.write(output, line))
        return DONE
    gone = threading.Event()
    until_closed(gone)
    wish = Wish(options.port, options.remembered, options.only, options.avoid)
    return Reader(wish, Outlet(output), gone).run(known)


if __name__ == "__main__":
    code = main()
    sys.stderr.flush()
    os._exit(code)  # no tearing down of clients whose server may be dead
