"""The child's side of a process that makes sound: orders come in, reports go out."""

from __future__ import annotations

import os
import queue
import threading
import time
from typing import Protocol

from coach.devices.child_end import CLOSING_S, DONE, LOOK_AGAIN
from coach.devices.sound_wire import Begun, Order, Over, Report, Silent, StillThere, pack_report, unpack_order

REPORT_S = 0.1  # while something plays; the report says how its time lies on the clock
LOOK_S = 0.5  # while nothing does
ALIVE_S = 1.0  # a child that says nothing for long is taken to hang


class Outlet:
    """Writes reports; with the parent gone they are dropped."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    def send(self, report: Report) -> None:
        """Write one report, waiting while the pipe is full."""
        line = memoryview(pack_report(report))
        try:
            while line:
                line = line[os.write(self._descriptor, line) :]
        except BrokenPipeError:
            return  # nobody is left to hear it; standard input has ended too, and ends this process


class Inlet:
    """Reads orders on a thread of its own; after the last comes None."""

    def __init__(self, descriptor: int = 0) -> None:
        self._descriptor = descriptor
        self._orders: queue.SimpleQueue[Order | None] = queue.SimpleQueue()
        threading.Thread(target=self._read, name="orders", daemon=True).start()

    def take(self, wait_s: float) -> Order | None:
        """Return the next order, or None when the parent wants no more; queue.Empty where none came."""
        return self._orders.get(timeout=max(0.0, wait_s))

    def _read(self) -> None:
        rest = b""
        while chunk := os.read(self._descriptor, 1 << 16):
            *lines, rest = (rest + chunk).split(b"\n")
            for line in lines:
                self._orders.put(unpack_order(line))
        self._orders.put(None)
        time.sleep(CLOSING_S)
        os._exit(DONE)  # a driver that hangs while being closed must not keep this process


class Sink(Protocol):
    """Something that plays one track at a time."""

    @property
    def underruns(self) -> int:
        """How many gaps the driver told of."""

    def obey(self, order: Order) -> None:
        """Play or stop."""

    def begun(self) -> tuple[int, int] | None:
        """Return the token of what plays or waits, and when its second 0 is heard; None in silence."""

    def ended(self) -> list[int]:
        """Return the tokens of what came to an end since the last look."""

    def wait_s(self) -> float:
        """Return how long it may be left alone."""

    def lost(self) -> str | None:
        """Return the sentence to say where the device is gone, else None."""

    def close(self) -> None:
        """Fade out and leave the device in good order."""


def serve(sink: Sink, inlet: Inlet, outlet: Outlet) -> int:
    """Obey until told to end or until the device is gone; return the exit code."""
    said: Begun | None = None
    said_s = time.monotonic()
    while True:
        try:
            order = inlet.take(sink.wait_s())
        except queue.Empty:
            pass
        else:
            if order is None:
                sink.close()
                return DONE
            sink.obey(order)
        for token in sink.ended():
            outlet.send(Over(token))
        now = sink.begun()
        report = None if now is None else Begun(*now, sink.underruns)
        now_s = time.monotonic()
        if report is not None and report != said:
            outlet.send(report)
            said_s = now_s
        elif now_s - said_s > ALIVE_S:
            outlet.send(StillThere())
            said_s = now_s
        said = report
        if (text := sink.lost()) is not None:
            outlet.send(Silent(text, True))
            return LOOK_AGAIN
