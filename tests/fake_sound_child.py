"""Stands in for the process that makes sound: ``python -m tests.fake_sound_child MODE``.

``none``: no device.  ``plays``: plays everything for ever, beginning 1 s after its order.  ``ends``: ends
each track at once.  ``dies``: is killed by the first track.  ``gone``: the device goes with the first track.
``deaf``: opens, then never reads.  A second argument is a file that gets one line at each start.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from pathlib import Path

from coach.devices.child_end import DONE, LOOK_AGAIN
from coach.devices.sound_wire import Begun, Opened, Over, Play, Silent
from coach.devices.sounding_end import Inlet, Outlet

SECOND_NS = 1_000_000_000


def main(mode: str, log: str | None = None) -> int:
    if log is not None:
        with Path(log).open("a") as written:
            written.write(f"{os.getpid()}\n")
    outlet = Outlet(1)
    if mode == "none":
        outlet.send(Silent("Nothing to hear with.", False))
        return DONE
    outlet.send(Opened("Open.", 5_000_000))
    if mode == "deaf":
        threading.Event().wait()
    inlet = Inlet()
    playing: int | None = None
    while (order := inlet.take(60)) is not None:
        if playing is not None:
            outlet.send(Over(playing))
            playing = None
        if not isinstance(order, Play):
            continue
        if mode == "dies":
            os.kill(os.getpid(), signal.SIGKILL)
        if mode == "gone":
            outlet.send(Silent("Gone.", True))
            time.sleep(0.2)  # what is ordered now is lost
            return LOOK_AGAIN
        playing = order.token
        outlet.send(Begun(playing, (order.at_ns or 0) + SECOND_NS, 3))
        if mode == "ends":
            outlet.send(Over(playing))
            playing = None
    return DONE


if __name__ == "__main__":
    code = main(*sys.argv[1:])
    sys.stdout.flush()
    os._exit(code)
