"""Plays a MIDI file into a JACK port of its own, as a guitar's converter would: real time, real port.

    python -m tests.send_take --port NAME [--speed X] FILE.mid

Opens the output ``NAME:out``, waits until somebody listens to it, sends the channel messages, and ends.
Ended by a signal it leaves JACK in good order (a client that is killed stops a synchronous server for 5 s).
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import signal
import sys
import time
from collections.abc import Callable, Iterator

import mido
import rtmidi

SETTLE_S = 0.2  # JACK takes a few periods to make a new connection run, and to send the last message


def channel_messages(path: str) -> list[tuple[float, list[int]]]:
    """Return (seconds from the start, bytes) of the channel messages of all tracks, in order."""
    rows, seconds = [], 0.0
    for message in mido.MidiFile(path):
        seconds += message.time
        if not message.is_meta and message.type != "sysex":
            rows.append((seconds, message.bytes()))
    return rows


@contextlib.contextmanager
def listener_count(port: str) -> Iterator[Callable[[], int]]:
    """Yield a function that counts the connections of a JACK port.

    rtmidi cannot tell; a second client through the C library can.
    """
    library = ctypes.CDLL("libjack.so.0")
    library.jack_client_open.restype = ctypes.c_void_p
    library.jack_client_open.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.c_void_p]
    library.jack_port_by_name.restype = ctypes.c_void_p
    library.jack_port_by_name.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    library.jack_port_get_all_connections.restype = ctypes.POINTER(ctypes.c_char_p)
    library.jack_port_get_all_connections.argtypes = [ctypes.c_void_p, ctypes.c_void_p]
    library.jack_free.argtypes = [ctypes.c_void_p]
    library.jack_client_close.argtypes = [ctypes.c_void_p]
    no_start = 1
    client = library.jack_client_open(b"sender-looks", no_start, None)
    handle = library.jack_port_by_name(client, port.encode())
    if not client or not handle:
        raise RuntimeError(f"JACK does not know the port {port}")

    def count() -> int:
        names = library.jack_port_get_all_connections(client, handle)
        if not names:
            return 0
        number = 0
        while names[number]:
            number += 1
        library.jack_free(names)
        return number

    try:
        yield count
    finally:
        library.jack_client_close(client)


def send(rows: list[tuple[float, list[int]]], output: rtmidi.MidiOut, speed: float) -> None:
    """Send every row at its time from now on."""
    begin = time.perf_counter()
    for seconds, message in rows:
        left = begin + seconds / speed - time.perf_counter()
        if left > 0:
            time.sleep(left)
        output.send_message(message)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--port", required=True, help="the JACK client's name")
    parser.add_argument("--speed", type=float, default=1.0, help="2 is twice as fast")
    parser.add_argument("--wait", type=float, default=60.0, help="seconds to wait for a listener")
    parser.add_argument("file", help="a Standard MIDI File")
    options = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    rows = channel_messages(options.file)
    output = rtmidi.MidiOut(rtapi=rtmidi.API_UNIX_JACK, name=options.port)
    output.open_virtual_port("out")
    try:
        with listener_count(f"{options.port}:out") as listeners:
            end = time.monotonic() + options.wait
            while not listeners():
                if time.monotonic() > end:
                    print(f"nobody listened within {options.wait:g} s", file=sys.stderr)
                    return 1
                time.sleep(0.02)
        time.sleep(SETTLE_S)
        send(rows, output, options.speed)
        time.sleep(SETTLE_S)
    finally:
        output.close_port()
        output.delete()
    return 0


if __name__ == "__main__":
    sys.exit(main())
