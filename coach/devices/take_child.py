"""The process that plays a take back: ``python -m coach.devices.take_child``, started by TakePlayer.

Reads the take as frames from standard input (stamps are ns from its beginning), then writes each when
its time has come.  It ends after the last one, or when standard input is closed.
"""

from __future__ import annotations

import os
import sys
import threading
from time import perf_counter_ns

from coach.devices.child_end import Outlet, private_output, until_closed
from coach.devices.messages import Finished, Heard, Message, Unpacker


def read_take(descriptor: int) -> list[Heard | Finished]:
    """Return the rows up to and with ``Finished``; an empty list where the input ends before that."""
    unpacker, rows = Unpacker(), list[Heard | Finished]()
    while chunk := os.read(descriptor, 1 << 16):
        found: list[Message] = unpacker.feed(chunk)
        rows += [row for row in found if isinstance(row, Heard | Finished)]
        if rows and isinstance(rows[-1], Finished):
            return rows
    return []


def play(rows: list[Heard | Finished], outlet: Outlet, gone: threading.Event) -> None:
    """Send the rows at their times from now on, until ``gone`` is set."""
    begin_ns = perf_counter_ns()
    for row in rows:
        due_ns = begin_ns + row.stamp_ns
        while (left_ns := due_ns - perf_counter_ns()) > 0:
            if gone.wait(left_ns / 1e9):
                return
        outlet.send(Heard(due_ns, row.data) if isinstance(row, Heard) else Finished(due_ns))


def main() -> None:
    """Play the take that standard input holds."""
    outlet = Outlet(private_output())
    rows = read_take(0)
    gone = threading.Event()
    until_closed(gone)
    play(rows, outlet, gone)


if __name__ == "__main__":
    main()
    sys.stderr.flush()
    os._exit(0)
