"""Recording a take while it is played, so that a crash at any moment loses at most a moment.

The file is a Standard MIDI File that only ever grows.  Header, track 0 and the head of track 1 are
written at once; then whole events are appended, and only after them the four bytes of track 1's length are
brought up to date.  So at any moment the length covers whole events that are in the file: killed there,
the file opens in any reader that does not insist on the end-of-track meta, and ``take.read_take`` finds
what was appended beyond the length as well.  Closing appends the end of track and syncs the file to disk.

What a kill can lose is what was not yet flushed (50 ms).  A power cut can also lose what the operating system
has not put on disk: flushing does not wait for the disk, since a slow one would hold back what follows.
"""

from __future__ import annotations

import os
import struct
import threading
from dataclasses import replace
from datetime import datetime
from itertools import count
from math import isfinite
from pathlib import Path
from types import TracebackType
from typing import Self

from coach.core.errors import TakeError, one_line
from coach.files.smf_bytes import (
    END_OF_TRACK,
    GREATEST_DIVISION,
    GREATEST_VLQ,
    KEY,
    METER,
    SPECIFIC,
    TAKE_LIMITS,
    TEMPO,
    TEXT,
    TRACK_NAME,
    WIRE,
    chunk,
    meta,
    vlq,
)
from coach.files.take import LONGEST_US, Take, TakeMeta, read_take

__all__ = ["Recorder", "Take", "TakeMeta", "new_take_path", "read_take"]

FLUSH_S = 0.05  # a fifth of the 250 ms that may be lost, the rest is for a machine that is busy
RETRY_S = 1.0  # after a failed write
_LONGEST_EVENT = 1_000_000  # bytes; mido refuses longer ones
_TICKS_US = (50, 100)  # at most 0.1 ms; the finer one where the tempo lets it fit a division


class Recorder:
    """Writes one take.  No method raises for a full disk or an unwritable folder: see ``failed``.

    ``write`` may be called from any thread.  Use as a context manager, or ``close`` at the end.
    """

    def __init__(
        self,
        path: Path | str,
        meta: TakeMeta,
        *,
        qpm: float = 120.0,
        meter: tuple[int, int] = (4, 4),
        fifths: int = 0,
    ) -> None:
        """Begin the file ``path``, which must not exist; ``meta.tick_us`` is filled in.

        ``qpm`` (quarter notes a minute), ``meter`` and ``fifths`` are for the reader of the file's bars.
        """
        self.path = Path(path)
        self.tick_us, division = _quantum(qpm)
        self.meta = replace(meta, tick_us=self.tick_us)
        self.messages = 0  # recorded
        self.clamped = 0  # of these, how many came with a time before the one before them
        self.lost = 0  # not recorded: after the end, or past what a take may hold
        self._full = ""
        self._trouble = ""
        self._closed = False
        self._tick = 0  # of the last event
        head = _head(self.meta, division, meter, fifths)
        self._body_at = len(head)
        self._pending = bytearray(head)
        self._size = len(head)  # written and pending
        self._end = self._stated = 0  # how far the file is written; how far the stated length reaches
        self._file: int | None = None
        self._lock = threading.Lock()  # of the pending bytes: never held over a disk access
        self._disk = threading.Lock()  # of the file; taken before _lock, never after
        self._wake, self._done = threading.Event(), threading.Event()
        self.flush()
        if self._trouble:
            self._wake.set()
        self._thread = threading.Thread(target=self._keep_flushing, name="recorder", daemon=True)
        self._thread.start()

    @property
    def failed(self) -> str | None:
        """One line saying why the take, or its end, is not on disk; None while all is well.

        After a failed write the messages are kept and tried again, so the line may go away.
        """
        return self._full or self._trouble or None

    def quantise(self, time_us: int) -> int:
        """Return the nearest time the file can hold.  Feed a session these, and a replay is exactly the same.

        Monotone: quantise the session's ticks as well and no order changes.
        """
        return (time_us + self.tick_us // 2) // self.tick_us * self.tick_us

    def write(self, time_us: int, data: bytes) -> None:
        """Record ``data`` as it came from the port; a time before the last one is taken as the last."""
        with self._lock:
            tick = (time_us + self.tick_us // 2) // self.tick_us
            if not data:
                return
            if self._closed or self._full or self._over(tick, len(data)):
                self.lost += 1
                return
            if tick < self._tick:
                tick = self._tick
                self.clamped += 1
            delta = tick - self._tick
            event = self._silence(delta) if delta > 127 else bytes((delta,))
            event += data if len(data) == 3 and _plain(data) else _wrap(data)
            self._tick = tick
            self._pending += event
            self._size += len(event)
            self.messages += 1
        if not self._wake.is_set():
            self._wake.set()

    def flush(self) -> None:
        """Hand everything written so far to the operating system."""
        with self._disk:
            try:
                if self._file is None:
                    self.path.parent.mkdir(parents=True, exist_ok=True)
                    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
                    self._file = os.open(self.path, flags, 0o666)
                with self._lock:
                    waiting = bytes(self._pending)
                if waiting:
                    _write_at(self._file, self._end, waiting)
                    self._end += len(waiting)
                    with self._lock:
                        del self._pending[: len(waiting)]
                if self._stated != self._end:
                    length = struct.pack(">I", self._end - self._body_at)
                    _write_at(self._file, self._body_at - 4, length)
                    self._stated = self._end
                self._trouble = ""
            except (OSError, ValueError) as fault:  # ValueError: a null byte in the name
                self._trouble = self._explain(fault)

    def close(self, time_us: int | None = None) -> None:
        """End the take, at ``time_us`` or at its last message, and see it onto the disk."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            tick = self._tick
            if time_us is not None and not self._full:
                tick = max(tick, min(self.quantise(time_us), LONGEST_US) // self.tick_us)
            self._pending += self._silence(tick - self._tick) + END_OF_TRACK
        self._done.set()
        self._wake.set()
        self._thread.join()
        self.flush()
        if self._file is not None:
            with self._disk:
                try:
                    os.fsync(self._file)
                except OSError as fault:
                    self._trouble = self._trouble or self._explain(fault)
                finally:
                    os.close(self._file)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _keep_flushing(self) -> None:
        """Flush ``FLUSH_S`` after something came to be flushed; sleep while nothing does."""
        while True:
            self._wake.wait()
            if self._done.wait(RETRY_S if self._trouble else FLUSH_S):
                return
            self._wake.clear()
            if self._done.is_set():  # since it was looked at: the waking just cleared was the last one
                return
            self.flush()
            if self._trouble:
                self._wake.set()

    def _over(self, tick: int, size: int) -> bool:
        """Note, once, that the take has all that a reader will take in (then nothing more is recorded)."""
        if self._size + size + size // _LONGEST_EVENT * 16 > TAKE_LIMITS.size - 4096:
            limit = f"{TAKE_LIMITS.size >> 20} MiB"
        elif self.messages > TAKE_LIMITS.events - 4096:
            limit = f"{TAKE_LIMITS.events} messages"
        elif tick * self.tick_us > LONGEST_US:
            limit = "24 hours"
        else:
            return False
        remedy = "start a new take; what was played until now is recorded"
        what = f"the take has reached {limit}, and recording has stopped"
        self._full = str(TakeError(str(self.path), what, remedy))
        return True

    def _explain(self, fault: OSError | ValueError) -> str:
        reason = fault.strerror if isinstance(fault, OSError) and fault.strerror else str(fault)
        remedy = "free space or choose another folder; playing goes on, and what is played is tried again"
        return str(TakeError(str(self.path), f"the take cannot be written ({reason})", remedy))

    @staticmethod
    def _silence(delta: int) -> bytes:
        """Return a delta time of any length: what four bytes cannot hold goes before empty texts."""
        filler = b""
        while delta > GREATEST_VLQ:
            filler += meta(TEXT, b"", GREATEST_VLQ)
            delta -= GREATEST_VLQ
        return filler + vlq(delta)


def new_take_path(folder: Path | str, title: str, started: datetime) -> Path:
    """Return a path in ``folder`` for a take begun at ``started``, such as ``2031-05-04-183000-title.mid``.

    A number is added where there is such a file; ``Recorder`` refuses one that has come into being since.
    """
    name = "".join(c if c.isalnum() else " " for c in title[:200])
    stem = "-".join([f"{started:%Y-%m-%d-%H%M%S}", *"-".join(name.lower().split())[:40].strip("-").split()])
    for number in count(1):
        path = Path(folder) / f"{stem}{'' if number == 1 else f'-{number}'}.mid"
        if not os.path.lexists(path):
            return path
    raise AssertionError("unreachable")


def _plain(data: bytes) -> bool:
    """Tell whether three bytes are a whole channel message."""
    return (0x80 <= data[0] < 0xC0 or 0xE0 <= data[0] < 0xF0) and data[1] | data[2] < 128


def _wrap(data: bytes) -> bytes:
    """Return events (the first without its delta time) that hold any bytes.

    A whole two-byte channel message and a whole sysex stand as themselves, all else in specific metas.
    """
    status, rest = data[0], data[1:]
    if len(data) == 2 and 0xC0 <= status < 0xE0 and rest[0] < 128:
        return data
    whole = status == 0xF0 and rest[-1:] == b"\xf7" and max(rest[:-1], default=0) < 128
    if whole and len(data) <= _LONGEST_EVENT:
        return b"\xf0" + vlq(len(rest)) + rest
    step = _LONGEST_EVENT - len(WIRE)
    return b"".join(meta(SPECIFIC, WIRE + data[at : at + step]) for at in range(0, len(data), step))[1:]


def _quantum(qpm: float) -> tuple[int, int]:
    """Return a tick's length in µs and the ticks in a quarter note, the tempo being met to half a tick.

    Below 18.3 quarters a minute the division would not fit: the file then states a multiple of the tempo.
    """
    tempo_us = 60e6 / min(max(qpm if isfinite(qpm) else 120.0, 1.0), 1000.0)
    while True:
        for tick_us in _TICKS_US:
            if round(tempo_us / tick_us) <= GREATEST_DIVISION:
                return tick_us, round(tempo_us / tick_us)
        tempo_us /= 2


def _head(take: TakeMeta, division: int, meter: tuple[int, int], fifths: int) -> bytes:
    """Return everything before the first message: header, track 0, and track 1's head with length 0."""
    beats, unit = meter
    track = meta(TRACK_NAME, one_line(take.title).encode("utf-8")) if take.title else b""
    track += meta(TEXT, take.to_json().encode("ascii"))
    track += meta(TEMPO, (division * take.tick_us).to_bytes(3, "big"))
    if 1 <= beats <= 255 and unit in (1, 2, 4, 8, 16, 32, 64):
        # 96 MIDI clocks are a whole note; a compound metre is beaten in threes (RP-001 p. 10: 6/8 has 36).
        clocks = 96 // unit * (3 if beats > 3 and beats % 3 == 0 else 1) or 1
        track += meta(METER, bytes((beats, unit.bit_length() - 1, min(clocks, 255), 8)))
    if -7 <= fifths <= 7:
        track += meta(KEY, bytes((fifths & 0xFF, 0)))
    header = struct.pack(">HHH", 1, 2, division)
    return chunk(b"MThd", header) + chunk(b"MTrk", track + b"\x00" + END_OF_TRACK) + chunk(b"MTrk", b"")


def _write_at(file: int, at: int, data: bytes) -> None:
    """Write all of ``data`` at an offset; raises OSError when only a part of it went in."""
    os.lseek(file, at, os.SEEK_SET)
    view = memoryview(data)
    while view:
        view = view[os.write(file, view) :]
