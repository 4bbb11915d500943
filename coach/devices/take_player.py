"""Plays a take back in real time as if it were being heard: same pipe, same messages, same thread."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from coach.devices.child import ChildReader, python_command, why_ended
from coach.devices.messages import Finished, Heard, PortState, pack
from coach.devices.midi_in import OnMessage

CHILD = "coach.devices.take_child"


class TakePlayer(ChildReader):
    """Sends (time in µs, MIDI message) rows to ``on_message`` when their time comes.

    Stamps are the times at which the messages were due (start + time / speed), never later than now, so
    that a busy machine changes no verdict.  At the end comes ``Finished``; should the child die before
    that, a ``PortState`` of state ``failed``.
    """

    def __init__(
        self,
        messages: Iterable[tuple[int, bytes]],
        on_message: OnMessage,
        *,
        speed: float = 1.0,
        name: str = "a recorded take",
    ) -> None:
        """``messages`` are in order of time; ``speed`` 2 plays twice as fast; ``name`` is for sentences.

        ValueError where the speed is not above 0 or a time lies before the one before it.
        """
        super().__init__("take-player")
        if not speed > 0:
            raise ValueError(f"speed is {speed}, not above 0")
        self._rows = [Heard(round(time_us * 1000 / speed), data) for time_us, data in messages]
        if any(b.stamp_ns < a.stamp_ns for a, b in pairwise(self._rows)):
            raise ValueError("the messages are not in order of time")
        self._on_message, self._name = on_message, name

    def _run(self) -> None:
        end_ns = self._rows[-1].stamp_ns if self._rows else 0
        feed = b"".join(map(pack, self._rows)) + pack(Finished(end_ns))
        child = self._begin(python_command(CHILD), feed=feed, watched=False)
        if child is None:
            return
        finished = False
        try:
            self._on_message(PortState("open", f"Playing back {self._name}.", self._name))
            for message in child.messages():
                if self._closing.is_set():
                    return
                if isinstance(message, Heard | Finished):
                    finished = isinstance(message, Finished)
                    self._on_message(message)
        finally:
            child.stop()
        if not finished and not self._closing.is_set():
            text = f"Playing back {self._name} stopped by itself ({why_ended(child.wait())})."
            self._on_message(PortState("failed", text, self._name))
