"""Standard MIDI Files (type 0 and 1) as bytes: read with every claim checked, and written.

Source: Standard MIDI Files 1.0 (MMA, RP-001): chunk layout, variable-length quantities of at most four
bytes, division, running status, sysex and escape events, end of track.  Nothing here trusts a length or
a count in the file: cost is bounded by the file's own size and by ``Limits``.

A file's events are wire bytes: ``F0`` and ``F7`` events give what they put on the wire, running status
is spelt out.  Running status is kept over metas and sysex as readers commonly do, though the standard
cancels it there.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from coach.core.errors import CoachError

DEFAULT_TEMPO_US = 500_000  # µs a quarter note where a file gives no tempo (RP-001: 120 a minute)
GREATEST_VLQ = 0x0FFFFFFF  # the greatest number four bytes hold (RP-001)
GREATEST_DIVISION = 32_767  # ticks a quarter: fifteen bits, the sixteenth marks SMPTE time (RP-001)
END_OF_TRACK = b"\xff\x2f\x00"
# A sequencer-specific meta (FF 7F) under the manufacturer number kept for non-commercial use (7D) holds
# wire bytes that are no whole message.  The escape event F7 would be the standard's own way, but mido
# refuses a file whose F7 event holds a byte above 7F, and other programs would send the bytes on.
WIRE = b"\x7dwire"

TEXT, TRACK_NAME, END, TEMPO, METER, KEY, SPECIFIC = 0x01, 0x03, 0x2F, 0x51, 0x58, 0x59, 0x7F


@dataclass(frozen=True, slots=True)
class Limits:
    """What a file may cost at most."""

    size: int  # bytes
    tracks: int
    events: int


SCORE_LIMITS = Limits(size=4 << 20, tracks=256, events=100_000)
# Six strings bending for an hour make about two million messages, which read take 0.4 GB.
TAKE_LIMITS = Limits(size=16 << 20, tracks=256, events=2_000_000)


@dataclass(slots=True)
class Track:
    """One track's events, in file order."""

    number: int
    start: int  # offset of its first event in the file
    events: list[tuple[int, bytes]] = field(default_factory=list)  # (tick, wire bytes)
    metas: list[tuple[int, int, bytes]] = field(default_factory=list)  # (tick, type, payload)
    end_tick: int = 0
    stop: int = 0  # offset behind the last whole event
    finished: bool = False  # an end-of-track meta was met


@dataclass(slots=True)
class Smf:
    """A file's tracks, with the first fault met in them (everything before it is here)."""

    kind: int  # 0 or 1
    division: int  # ticks a quarter note
    tracks: list[Track]
    fault: CoachError | None = None


class _Broken(Exception):
    """The events stop making sense; what was read so far stands."""


def read_bytes(path: Path, limits: Limits, error: type[CoachError]) -> bytes:
    """Return a file's bytes; raises ``error`` when it cannot be read, is no file, is empty or too large."""
    where = str(path)
    try:
        if not path.is_file():
            raise error(where, "there is no such file", "check the name and the folder")
        with path.open("rb") as file:
            data = file.read(limits.size + 1)
    except (OSError, ValueError) as fault:  # ValueError: a null byte in the name
        reason = fault.strerror if isinstance(fault, OSError) and fault.strerror else str(fault)
        raise error(where, f"the file cannot be read ({reason})", "check its permissions") from fault
    if len(data) > limits.size:
        raise error(where, f"the file is larger than {limits.size >> 20} MiB", "give a shorter one")
    if not data:
        raise error(where, "the file is empty", "copy or export it again")
    return data


def parse_smf(data: bytes, where: str, limits: Limits, error: type[CoachError]) -> Smf:
    """Return the tracks of a Standard MIDI File, up to the first fault in them.

    Raises ``error`` (one line beginning with ``where``) when the header leaves nothing to read.  A fault
    in a track is returned in ``Smf.fault``: the caller knows whether a part of the file is of use.
    """
    if data[:4] != b"MThd":
        what = "a RIFF file" if data[:4] == b"RIFF" else "not a Standard MIDI File"
        raise error(where, f"it is {what} (it does not begin with MThd)", "export it as a plain .mid file")
    if len(data) < 14:
        raise error(where, "the header is cut short", "copy or export it again")
    length, kind, count, division = struct.unpack_from(">IHHH", data, 4)
    if length < 6:
        raise error(where, f"the header says it is {length} bytes long, not 6", "export it again")
    if kind == 2:
        raise error(where, "it is of type 2 (separate patterns)", "export it as type 0 or 1")
    if kind > 2:
        raise error(where, f"its type is {kind}, not 0 or 1", "export it as type 0 or 1")
    if division & 0x8000:
        raise error(where, "it counts SMPTE frames, not parts of a beat", "export it with ticks per quarter")
    if division == 0:
        raise error(where, "it has 0 ticks per quarter note", "export it again")
    if count == 0:
        raise error(where, "it has no tracks", "export it again")
    if count > limits.tracks:
        raise error(where, f"it names {count} tracks, more than {limits.tracks}", "export fewer tracks")

    smf, at, room = Smf(kind, division, []), 8 + length, limits.events
    while len(smf.tracks) < count and smf.fault is None:
        number = len(smf.tracks) + 1
        if at + 8 > len(data):
            what = f"the file is cut short: {number - 1} of its {count} tracks are there"
            smf.fault = error(where, what, "copy or export it again")
            break
        name, (length,) = data[at : at + 4], struct.unpack_from(">I", data, at + 4)
        start, stop = at + 8, at + 8 + length
        at = stop
        if name != b"MTrk":  # RP-001: unknown chunks are passed over
            continue
        what = read_track(data, start, min(stop, len(data)), number, room, smf.tracks)
        if not what and stop > len(data) and not smf.tracks[-1].finished:
            what = f"track {number} is cut short"
        room -= len(smf.tracks[-1].events) + len(smf.tracks[-1].metas)
        if what:
            remedy = "copy or export it again" if room > 0 else "give a shorter piece"
            smf.fault = error(where, what, remedy)
    return smf


def read_track(
    data: bytes, start: int, stop: int, number: int, room: int, tracks: list[Track], *, running: bool = True
) -> str:
    """Append the track whose events lie in ``data[start:stop]``; return what broke it off, or "".

    ``room`` is the number of events it may hold, ``running`` whether a status byte may be left out.
    """
    track = Track(number, start, stop=start)
    tracks.append(track)
    body = data[start:stop]
    try:
        _walk(body, track, room, running)
    except IndexError:
        return f"track {number} is cut short"
    except _Broken as fault:
        return f"track {number}, byte {track.stop}: {fault}"
    return ""


def _walk(body: bytes, track: Track, room: int, running: bool) -> None:
    """Read events until the end of track or of ``body``; IndexError means an event is cut short."""
    events, metas, start, length = track.events, track.metas, track.start, len(body)
    at = tick = status = 0
    while at < length:
        byte = body[at]
        at += 1
        if byte >= 0x80:
            byte, at = _vlq(body, at - 1)
        tick += byte
        byte = body[at]
        if byte >= 0xF0:
            payload_at = at + 2 if byte == 0xFF else at + 1
            size, payload_at = _vlq(body, payload_at)
            behind = payload_at + size
            if behind > length:
                raise IndexError
            payload = body[payload_at:behind]
            if byte == 0xFF:
                kind = body[at + 1]
                if kind == END:
                    track.finished, track.end_tick, track.stop = True, tick, start + behind
                    return
                if kind == SPECIFIC and payload.startswith(WIRE) and len(payload) > len(WIRE):
                    events.append((tick, payload[len(WIRE) :]))
                else:
                    metas.append((tick, kind, payload))
            elif byte == 0xF0:
                events.append((tick, b"\xf0" + payload))
            elif byte == 0xF7:
                if payload:
                    events.append((tick, payload))
            else:
                raise _Broken(f"{byte:02X} begins no event of a MIDI file")
            at = behind
        else:
            if byte >= 0x80:
                status = byte
                at += 1
            elif not status or not running:
                raise _Broken("a data byte stands where an event must begin")
            if 0xC0 <= status < 0xE0:
                if body[at] > 127:
                    raise _Broken(f"{body[at]:02X} stands where a data byte must")
                events.append((tick, bytes((status, body[at]))))
                at += 1
            else:
                if (body[at] | body[at + 1]) > 127:
                    raise _Broken(f"{max(body[at], body[at + 1]):02X} stands where a data byte must")
                events.append((tick, bytes((status, body[at], body[at + 1]))))
                at += 2
        room -= 1
        if room < 0:
            raise _Broken("there are more events than this program takes in")
        track.stop, track.end_tick = start + at, tick


def _vlq(body: bytes, at: int) -> tuple[int, int]:
    """Return the variable-length number at an offset, and the offset behind it."""
    value = 0
    for count in range(4):
        byte = body[at + count]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + count + 1
    raise _Broken("a number is longer than four bytes")


def vlq(value: int) -> bytes:
    """Return a number from 0 to ``GREATEST_VLQ`` as a variable-length quantity (RP-001)."""
    if not 0 <= value <= GREATEST_VLQ:
        raise ValueError(f"{value} does not fit a variable-length number of four bytes")
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(0x80 | value & 0x7F)
    return bytes(reversed(out))


def meta(kind: int, payload: bytes, delta: int = 0) -> bytes:
    """Return a meta event, delta time included."""
    return vlq(delta) + bytes((0xFF, kind)) + vlq(len(payload)) + payload


def chunk(name: bytes, body: bytes) -> bytes:
    """Return a chunk: its name, its length and ``body``."""
    return name + struct.pack(">I", len(body)) + body


class TempoMap:
    """Ticks of a file to µs, exactly: the fractions of a microsecond are carried, then rounded once."""

    def __init__(self, smf: Smf) -> None:
        self.division = smf.division
        self.given = False  # the file states a tempo
        changes = [(0, DEFAULT_TEMPO_US)]
        found = [m for track in smf.tracks for m in track.metas if m[1] == TEMPO and len(m[2]) >= 3]
        for tick, _, payload in sorted(found, key=lambda m: m[0]):
            tempo_us = int.from_bytes(payload[:3], "big")
            if tempo_us == 0:
                continue  # no time at all for a quarter note: what was in force goes on
            self.given = True
            if changes[-1][0] == tick:
                changes.pop()
            changes.append((tick, tempo_us))
        self.changes: list[tuple[int, int]] = changes  # (tick, µs a quarter), the first at tick 0
        self._ticks = [tick for tick, _ in changes]
        self._sums = [0]  # µs times division at each change
        for (tick, tempo_us), (following, _) in pairwise(changes):
            self._sums.append(self._sums[-1] + (following - tick) * tempo_us)

    def us(self, tick: int) -> int:
        """Return the time of a tick in µs from the file's start, to the nearest."""
        row = bisect_right(self._ticks, tick) - 1
        total = self._sums[row] + (tick - self._ticks[row]) * self.changes[row][1]
        return (2 * total + self.division) // (2 * self.division)
