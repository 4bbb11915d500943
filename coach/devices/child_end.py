"""The child's side of the pipe: its way to write frames, and to notice that the parent is gone."""

from __future__ import annotations

import os
import sys
import threading
import time

from coach.devices.messages import Message, pack

DONE, LOOK_AGAIN = 0, 75  # exit codes; 75 is sysexits.h's "temporary failure, try again"
CLOSING_S = 2.0  # a driver that hangs while being closed must not keep this process


class Outlet:
    """The child's end of the pipe; may be used from the driver's thread and the main thread alike."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._lock = threading.Lock()  # a long system-exclusive message may need several writes

    def send(self, message: Message) -> None:
        """Write one frame, waiting while the pipe is full; with the parent gone, drop it."""
        frame = memoryview(pack(message))
        try:
            with self._lock:
                while frame:
                    frame = frame[os.write(self._descriptor, frame) :]
        except BrokenPipeError:
            # Nobody is left to hear it.  Standard input has ended too, and the main thread leaves the MIDI
            # system in good order because of that.
            return


def private_output() -> int:
    """Return a descriptor for our standard output; the C libraries' chatter on 1 and 2 goes nowhere.

    Python's own errors still reach the terminal.
    """
    output, errors = os.dup(1), os.dup(2)
    sys.stderr = os.fdopen(errors, "w", buffering=1, errors="backslashreplace")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    return output


def until_closed(gone: threading.Event) -> None:
    """Set ``gone`` when our standard input ends: the parent closed it, or is no more."""

    def wait() -> None:
        while os.read(0, 4096):
            pass
        gone.set()
        time.sleep(CLOSING_S)
        os._exit(DONE)

    threading.Thread(target=wait, name="parent", daemon=True).start()
