"""A child that speaks MidiIn's frames without any MIDI system: one open port, then what the arguments say.

    fake_midi_child.py FILE [exit-code | stay | hang]

FILE counts the starts, one byte each; the n-th start sends one message whose second byte is n.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path

from coach.devices.child_end import Outlet, private_output, until_closed
from coach.devices.messages import Heard, PortState


def main() -> None:
    starts, then = Path(sys.argv[1]), sys.argv[2]
    with starts.open("ab") as file:
        file.write(b"+")
    outlet = Outlet(private_output())
    gone = threading.Event()
    until_closed(gone)
    outlet.send(PortState("open", "Listening to “pretence”.", "pretence"))
    outlet.send(Heard(time.perf_counter_ns(), bytes((0x90, starts.stat().st_size, 64))))
    if then == "stay":
        gone.wait()
    elif then == "hang":
        time.sleep(3600)
    else:
        os._exit(int(then))


if __name__ == "__main__":
    main()
