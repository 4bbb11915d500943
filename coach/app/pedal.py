"""``coach pedal`` learns the foot switches; PedalReader and pedal_of hear them while somebody plays.

A pedal with a port of its own is read there (PedalReader); one that is plugged into the guitar's converter
comes through the guitar's port (pedal_of).  Exactly one of the two hears any pedal.
"""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from coach.app import pedal_words as words
from coach.core.errors import PortError
from coach.core.pedal import Learner, Pedal, Switch, cannot_be_learnt
from coach.core.profile import Profile
from coach.devices.messages import Finished, Heard, PortState
from coach.devices.midi_in import MidiIn
from coach.devices.ports import Port, list_ports, listed, pick_port, same_device
from coach.files.settings import Settings

WAIT_S = 20.0  # for a press
OPEN_S = 8.0  # for all ports to be open: a JACK server may stand still for 5 s (see devices.ports)
LOOK_S = 0.1
GRACE_S = 2.0  # for a switch that was pressed at the last moment, and has not been let go yet


@dataclass(frozen=True, slots=True)
class _Line:
    """A person pressed Enter."""


_Said = tuple[Port, Heard | PortState | Finished] | _Line


def run_pedal(
    settings: Settings,
    *,
    port: str | None = None,
    forget: bool = False,
    profile: Profile | None = None,
    wait_s: float = WAIT_S,
    enter: Callable[[Callable[[], None]], None] | None = None,
) -> int:
    """Ask for one press of each switch, save what they send, and return the exit code.

    ``port``: listen only there, not at all ports at once.  ``profile``: whose strings cannot be switches.
    ``enter`` is given what to call when Enter is pressed (default: the terminal's).  Raises PortError where
    there is no port or no press, CoachError where the settings cannot be written; the old file is then kept.
    """
    for notice in settings.notices:
        print(f"coach: {notice}", file=sys.stderr)
    if forget:
        _keep(settings, "", None, None)
        print(words.FORGOTTEN)
        return 0
    ports = _ports(port)
    said: queue.SimpleQueue[_Said] = queue.SimpleQueue()
    (enter or _terminal)(lambda: said.put(_Line()))
    with contextlib.ExitStack() as stack:
        for one in ports:
            stack.enter_context(MidiIn(one.name, _putter(said, one), backend=one.backend))
        lesson = _Lesson(said, profile or Profile(), wait_s)
        lesson.wait_open(ports)
        print(f"{words.LISTENING.format(ports=listed(ports))}\n{words.PRESS_FIRST}", flush=True)
        first = lesson.learn()
        if first is None:
            if lesson.left:
                print(words.NOTHING_LEARNT)
                return 0
            raise PortError(
                "foot switch", f"none was pressed within {wait_s:g} s", "plug the pedal in and try again"
            )
        at, forward = first
        print(f"{words.HEARD.format(switch=forward)}\n{words.PRESS_SECOND}", flush=True)
        second = lesson.learn(at, forward)
    back = second[1] if second is not None else None
    if at in lesson.guitars and not settings.last_port:
        settings.last_port = at.name  # else it would be taken for the pedal's own port
    _keep(settings, at.stable_name, forward, back)
    learnt = words.LEARNT_ONE if back is None else words.LEARNT_TWO
    print(learnt.format(port=at.stable_name, forward=forward, back=back))
    if own_port(settings) and not settings.last_port:
        print(words.ITS_OWN_PORT.format(port=at.stable_name))
    print(words.SAVED.format(path=settings.path))
    return 0


def pedal_of(
    settings: Settings, guitar_port: str | None = None, profile: Profile | None = None
) -> Pedal | None:
    """Return the pedal to be heard in the guitar's own messages; None where it has its own port, or is none.

    ``guitar_port``: the port in use, by name or part of it, as after --port (default: the remembered one).  A
    note that ``profile`` gives to a string is left to the string.
    """
    if not _through_guitar(settings, guitar_port):
        return None
    forward, back = (
        switch if switch and cannot_be_learnt(switch.address, profile or Profile()) is None else None
        for switch in (settings.pedal_forward, settings.pedal_back)
    )
    return Pedal(forward, back) if forward or back else None


def own_port(settings: Settings) -> str | None:
    """Return the port that is the learnt pedal's alone, never the guitar's; None where there is none."""
    learnt = settings.pedal_forward or settings.pedal_back
    return None if learnt is None or _through_guitar(settings, None) else settings.pedal_port


class PedalReader:
    """Reads the pedal's own port; does nothing where no switch was learnt or the guitar's port carries it."""

    def __init__(
        self,
        settings: Settings,
        on_press: Callable[[str], None],
        *,
        guitar_port: str | None = None,
        on_state: Callable[[PortState], None] | None = None,
    ) -> None:
        """``on_press`` gets FORWARD or BACK, on a thread of the reader's; ``on_state`` how its port is."""
        self._on_press, self._on_state = on_press, on_state
        self._pedal = Pedal(settings.pedal_forward, settings.pedal_back)
        self._reader: MidiIn | None = None
        if self._pedal.switches and not _through_guitar(settings, guitar_port):
            self._reader = MidiIn(settings.pedal_port, self._on_message)

    @property
    def reads(self) -> bool:
        """Whether there is a port of the pedal's own to read."""
        return self._reader is not None

    def start(self) -> None:
        """Begin to hand on presses; to be called once."""
        if self._reader is not None:
            self._reader.start()

    def close(self) -> None:
        """Hand on nothing more."""
        if self._reader is not None:
            self._reader.close()

    def _on_message(self, message: Heard | PortState | Finished) -> None:
        if isinstance(message, Heard):
            for press in self._pedal.hear(message.stamp_ns // 1000, message.data):
                self._on_press(press.switch)
        elif isinstance(message, PortState) and self._on_state is not None:
            self._on_state(message)


class Presence:
    """Says once that the foot switch is away, and once that it is there again."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        """``tell`` gets the sentence, on the thread that calls ``take``."""
        self._tell, self._there = tell, True  # one that is there from the beginning is not spoken of

    def take(self, state: PortState) -> None:
        """Take in how the pedal's own port stands."""
        there = state.state == "open"
        if there != self._there:
            self._there = there
            self._tell(words.BACK if there else words.AWAY.get(state.state, words.UNHEARD))


class _Lesson:
    """Hears all ports until a switch is known."""

    def __init__(self, said: queue.SimpleQueue[_Said], profile: Profile, wait_s: float) -> None:
        self._said, self._profile, self._wait_s = said, profile, wait_s
        self._told: set[str] = set()  # sentences, once each
        self.guitars: set[Port] = set()  # where a guitar was heard meanwhile
        self.left = False  # whether Enter ended the last wait

    def wait_open(self, ports: Sequence[Port]) -> None:
        """Wait until every port is open or has said why not."""
        waited, end = set(ports), time.monotonic() + OPEN_S
        while waited and time.monotonic() < end:
            match self._next():
                case (port, PortState(state, text)):
                    waited.discard(port)
                    if state != "open":
                        self._tell(text)
                case _:
                    pass  # nobody has been asked to press anything yet

    def learn(self, at: Port | None = None, taken: Switch | None = None) -> tuple[Port, Switch] | None:
        """Return the next switch that is pressed (only ``at`` a port, and not the one ``taken``), or None."""
        learners: dict[Port, Learner] = {}
        self.left, end = False, time.monotonic() + self._wait_s
        while (left_s := end - time.monotonic()) > -GRACE_S:
            match self._next():
                case _Line():
                    self.left = True
                    return None
                case (port, Heard(stamp_ns, data)):
                    learner = learners.setdefault(port, Learner(self._profile, [taken] if taken else []))
                    learner.hear(stamp_ns // 1000, data)
                    self.guitars |= {port} if learner.guitar else set()
                    self._tell(learner.refused)
                case (port, PortState(state, text)) if state != "open":
                    self._tell(text)
                case _:
                    pass
            now_us = time.perf_counter_ns() // 1000
            known = {port: learner.learnt(now_us) for port, learner in learners.items()}
            for port in sorted(known, key=lambda port: port != at):
                if (switch := known[port]) is not None:
                    if at is None or port == at:
                        return port, switch
                    self._tell(words.ONE_PORT.format(port=at.name))
                    del learners[port]
            if left_s <= 0 and not any(learner.pending for learner in learners.values()):
                break
        return None

    def _next(self) -> _Said | None:
        with contextlib.suppress(queue.Empty):
            return self._said.get(timeout=LOOK_S)
        return None

    def _tell(self, sentence: str) -> None:
        if sentence and sentence not in self._told:
            self._told.add(sentence)
            print(sentence, flush=True)


def _ports(wanted: str | None) -> list[Port]:
    """Return the ports to listen to; PortError where there are none."""
    ports = list_ports()
    if wanted is not None:
        return [pick_port(ports, wanted)]
    ports = list(dict.fromkeys(port for port in ports if not port.loops_back))
    if not ports:
        raise PortError("MIDI", "there is no MIDI port", "plug in the pedal and switch it on")
    return ports


def _through_guitar(settings: Settings, guitar_port: str | None) -> bool:
    """Return whether the learnt switches come by the guitar's port."""
    pedal, guitar = settings.pedal_port, guitar_port or settings.last_port
    if not pedal or not guitar:
        return not pedal
    part = bool(guitar_port) and guitar.casefold() in pedal.casefold()
    return part or same_device(guitar, pedal)


def _keep(settings: Settings, port: str, forward: Switch | None, back: Switch | None) -> None:
    settings.pedal_port, settings.pedal_forward, settings.pedal_back = port, forward, back
    settings.save()


def _putter(said: queue.SimpleQueue[_Said], port: Port) -> Callable[[Heard | PortState | Finished], None]:
    return lambda message: said.put((port, message))


def _terminal(entered: Callable[[], None]) -> None:
    """Call ``entered`` for every line typed, from a thread that ends with the program."""

    def read() -> None:
        # Not through sys.stdin: its lock, held while waiting, would disturb the end of the program.
        with contextlib.suppress(OSError):  # there is no terminal: nobody will press Enter
            while os.read(0, 4096):
                entered()

    threading.Thread(target=read, name="enter", daemon=True).start()
