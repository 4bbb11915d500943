"""The guitar's MIDI port, read in a child process that may die and is started again."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from coach.devices.child import Child, ChildReader, python_command, why_ended
from coach.devices.child_end import DONE, LOOK_AGAIN
from coach.devices.messages import Finished, Heard, PortState
from coach.devices.ports import CHILD

OnMessage = Callable[[Heard | PortState | Finished], None]
# Before the first, second, … start since a port was last open.  A lost port is looked for at once.
BACK_OFF_S = (0.05, 0.25, 0.5, 1.0, 2.0)


class MidiIn(ChildReader):
    """Listens to one port and finds it again whenever it was lost.

    ``on_message`` is called, on a thread of this object's own, with every ``Heard`` in the order the driver
    gave them and with a ``PortState`` whenever there is something new to say.

    ``port`` is a name or part of one; without it the ``remembered`` port is taken, else the only one, but
    never the one to ``avoid`` (the foot switch's own).  Once a port has been open, only a port of the same
    name is taken again.
    """

    def __init__(
        self,
        port: str | None,
        on_message: OnMessage,
        *,
        remembered: str | None = None,
        avoid: str | None = None,
        backend: str | None = None,
        command: Sequence[str] | None = None,
        back_off_s: Sequence[float] = BACK_OFF_S,
    ) -> None:
        """``backend`` forces one MIDI system; ``command`` runs another child that speaks the same frames."""
        super().__init__("midi-in")
        self._on_message = on_message
        self._port, self._remembered, self._avoid, self._backend = port, remembered, avoid, backend
        self._command = command
        self._back_off_s = back_off_s
        self._only: str | None = None
        self._state: PortState | None = None
        self._starts = 0  # since a port was last open

    @property
    def state(self) -> PortState | None:
        """The last ``PortState`` handed on."""
        return self._state

    def _run(self) -> None:
        while (child := self._begin(self._command or self._own_command())) is not None:
            try:
                self._relay(child)
            finally:
                child.stop()
            code = child.wait()
            if not self._closing.is_set():
                if code not in (DONE, LOOK_AGAIN):
                    self._tell_failure(child.hung, code)
                last = len(self._back_off_s) - 1
                self._closing.wait(self._back_off_s[min(self._starts, last)])
                self._starts += 1

    def _own_command(self) -> list[str]:
        options = {
            "--backend": self._backend,
            "--port": self._port,
            "--remembered": self._remembered,
            "--only": self._only,
            "--avoid": self._avoid,
        }
        # No port has a NUL in its name, and no command line can carry one.
        given = {key: value.replace("\0", "") for key, value in options.items() if value}
        return python_command(CHILD, *(f"{key}={value}" for key, value in given.items()))

    def _relay(self, child: Child) -> None:
        for message in child.messages():
            if self._closing.is_set():
                continue  # read on to the end, so that the child can close its port in good order
            if isinstance(message, PortState):
                self._tell(message)
            elif isinstance(message, Heard | Finished):
                self._on_message(message)

    def _tell(self, state: PortState) -> None:
        if state.state == "open" and state.port is not None:
            self._only = state.port
            self._starts = 0
        before = self._state
        if before is not None and (
            # What a fresh child finds while a lost port is away adds nothing: one sentence is enough.
            (before.state == "lost" and state.state in ("lost", "waiting", "no-backend"))
            or (before == state and state.state != "open")
        ):
            return
        self._state = state
        self._on_message(state)

    def _tell_failure(self, hung: bool, code: int) -> None:
        if self._state is not None and self._state.state in ("lost", "failed"):
            return
        how = "did not answer any more" if hung else f"stopped by itself ({why_ended(code)})"
        text = f"The reader of the MIDI port {how}; it is started again, and what was played is kept."
        port = self._state.port if self._state is not None else None
        self._tell(PortState("failed", text, port))
