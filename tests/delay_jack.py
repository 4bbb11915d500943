"""Joins two JACK clients through a delay line: ``python -m tests.delay_jack FROM TO FRAMES``.

FROM and TO are parts of the clients' names.  Waits for both, joins the first output to the first input,
writes ``ready`` and runs until standard input closes.
"""

from __future__ import annotations

import ctypes
import os
import sys
import time

import numpy as np

from tests.record_jack import AUDIO, IS_INPUT, IS_OUTPUT, NO_START, PROCESS, jack


def ports(client: int, name: bytes, flags: int) -> list[bytes]:
    found = jack.jack_get_ports(client, None, AUDIO, flags)
    names = []
    while found and found[len(names)]:
        names.append(bytes(found[len(names)]))
    return [one for one in names if name in one]


def main(source: str, target: str, frames: str) -> None:
    client = jack.jack_client_open(b"delayer", NO_START, None)
    if not client:
        raise SystemExit("no JACK server")
    into = jack.jack_port_register(client, b"in", AUDIO, IS_INPUT, 0)
    out = jack.jack_port_register(client, b"out", AUDIO, IS_OUTPUT, 0)
    line = np.zeros(int(frames), np.float32)

    @PROCESS
    def process(n: int, _data: object) -> int:
        nonlocal line
        heard = (ctypes.c_float * n).from_address(jack.jack_port_get_buffer(into, n))
        said = (ctypes.c_float * n).from_address(jack.jack_port_get_buffer(out, n))
        whole = np.concatenate((line, np.frombuffer(heard, np.float32)))
        np.frombuffer(said, np.float32)[:] = whole[:n]
        line = whole[n:]
        return 0

    jack.jack_set_process_callback(client, process, None)
    jack.jack_activate(client)
    joined = False
    while not joined:
        sources, targets = ports(client, source.encode(), IS_OUTPUT), ports(client, target.encode(), IS_INPUT)
        if sources and targets:
            joined = not jack.jack_connect(client, sources[0], b"delayer:in")
            joined = joined and not jack.jack_connect(client, b"delayer:out", targets[0])
        time.sleep(0.02)
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    while os.read(0, 4096):
        pass
    jack.jack_client_close(client)


if __name__ == "__main__":
    main(*sys.argv[1:])
