"""Records what another JACK client sends out, sample by sample, with JACK's own time of each sample.

    python -m tests.record_jack CLIENT OUT.npz

An independent client through the C library.  Waits until CLIENT (a part of its name) has an audio output,
joins it, writes ``ready``, and records until standard input closes.  The file then holds

    samples   float32, at the place of JACK's frame number less the first one
    zero_ns   CLOCK_MONOTONIC (perf_counter_ns on Linux) of sample 0, by jack_frames_to_time of its cycle
    times_us  of each cycle, likewise
    called_ns perf_counter_ns when the cycle reached us
    frames    of each cycle
    gaps      cycles that did not follow on the one before
"""

from __future__ import annotations

import ctypes
import os
import sys
import time

import numpy as np

MOST_S = 120
AUDIO = b"32 bit float mono audio"
IS_INPUT, IS_OUTPUT, NO_START = 1, 2, 1

jack = ctypes.CDLL("libjack.so.0")
for name, result, arguments in (
    ("jack_client_open", ctypes.c_void_p, [ctypes.c_char_p, ctypes.c_int, ctypes.c_void_p]),
    (
        "jack_port_register",
        ctypes.c_void_p,
        [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p, ctypes.c_ulong, ctypes.c_ulong],
    ),
    ("jack_port_get_buffer", ctypes.c_void_p, [ctypes.c_void_p, ctypes.c_uint32]),
    ("jack_get_sample_rate", ctypes.c_uint32, [ctypes.c_void_p]),
    ("jack_last_frame_time", ctypes.c_uint32, [ctypes.c_void_p]),
    ("jack_frames_to_time", ctypes.c_uint64, [ctypes.c_void_p, ctypes.c_uint32]),
    ("jack_activate", ctypes.c_int, [ctypes.c_void_p]),
    ("jack_client_close", ctypes.c_int, [ctypes.c_void_p]),
    ("jack_connect", ctypes.c_int, [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p]),
    (
        "jack_get_ports",
        ctypes.POINTER(ctypes.c_char_p),
        [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p, ctypes.c_ulong],
    ),
):
    function = getattr(jack, name)
    function.restype, function.argtypes = result, arguments
PROCESS = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_uint32, ctypes.c_void_p)
jack.jack_set_process_callback.argtypes = [ctypes.c_void_p, PROCESS, ctypes.c_void_p]


def main(client_name: str, path: str) -> None:
    client = jack.jack_client_open(b"recorder", NO_START, None)
    if not client:
        raise SystemExit("no JACK server")
    port = jack.jack_port_register(client, b"in", AUDIO, IS_INPUT, 0)
    rate = jack.jack_get_sample_rate(client)
    samples = np.zeros(MOST_S * rate, np.float32)
    base = samples.ctypes.data
    frames = np.zeros(MOST_S * rate // 32, np.int64)
    times_us = np.zeros(len(frames), np.int64)
    called_ns = np.zeros(len(frames), np.int64)
    state = {"cycles": 0, "on": False}

    @PROCESS
    def process(n: int, _data: object) -> int:
        if not state["on"]:
            return 0
        cycle = state["cycles"]
        called_ns[cycle] = time.perf_counter_ns()
        now = jack.jack_last_frame_time(client)
        frames[cycle] = now
        times_us[cycle] = jack.jack_frames_to_time(client, now)
        at = now - int(frames[0])
        if at + n <= len(samples):
            ctypes.memmove(base + 4 * at, jack.jack_port_get_buffer(port, n), 4 * n)
            state["cycles"] = cycle + 1
            state["n"] = n
        return 0

    jack.jack_set_process_callback(client, process, None)
    jack.jack_activate(client)
    source = None
    while source is None:
        found = jack.jack_get_ports(client, None, AUDIO, IS_OUTPUT)
        at = 0
        while found and found[at]:
            if client_name.encode() in found[at] and source is None:
                source = bytes(found[at])
            at += 1
        time.sleep(0.02)
    if jack.jack_connect(client, source, b"recorder:in"):
        raise SystemExit(f"cannot join {source!r}")
    time.sleep(0.1)  # a new connection takes a few periods to run
    state["on"] = True
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    while os.read(0, 4096):
        pass
    state["on"] = False
    time.sleep(0.05)
    jack.jack_client_close(client)
    cycles = state["cycles"]
    frames, times_us = frames[:cycles], times_us[:cycles]
    end = int(frames[-1] - frames[0]) + state["n"]
    np.savez(
        path,
        samples=samples[:end],
        zero_ns=int(times_us[0]) * 1000,
        times_us=times_us,
        called_ns=called_ns[:cycles],
        frames=frames - frames[0],
        gaps=int(np.count_nonzero(np.diff(frames) != state["n"])),
        rate=rate,
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
