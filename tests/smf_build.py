"""Standard MIDI Files for tests, built byte by byte or through mido (a writer that is not ours)."""

import struct
from pathlib import Path

import mido

# RP-001 (Standard MIDI Files 1.0, MMA) pp. 12-14: the standard's own example, as type 0 and as type 1.
EXAMPLE_0 = bytes.fromhex(
    "4D546864 00000006 0000 0001 0060  4D54726B 0000003B"
    "00FF580404021808 00FF510307A120 00C005 00C12E 00C246 00923060 003C60 60914340 60904C20"
    "8140823040 003C40 00814340 00804C40 00FF2F00"
)
EXAMPLE_1 = bytes.fromhex(
    "4D546864 00000006 0001 0004 0060"
    "4D54726B 00000014  00FF580404021808 00FF510307A120 8300FF2F00"
    "4D54726B 00000010  00C005 8140904C20 81404C00 00FF2F00"
    "4D54726B 0000000F  00C12E 60914340 82204300 00FF2F00"
    "4D54726B 00000015  00C246 00923060 003C60 83003000 003C00 00FF2F00"
)


def smf(*tracks: bytes, division: int = 96, kind: int | None = None) -> bytes:
    """Return a file of raw track bodies, each without its end of track."""
    kind = (len(tracks) > 1) if kind is None else kind
    bodies = [track + b"\x00\xff\x2f\x00" for track in tracks]
    head = struct.pack(">4sIHHH", b"MThd", 6, kind, len(tracks), division)
    return head + b"".join(struct.pack(">4sI", b"MTrk", len(body)) + body for body in bodies)


def music(
    path: Path,
    *voices: list[tuple[float, float, int]],
    division: int = 480,
    gate: float = 1.0,
    meters: tuple[tuple[float, int, int], ...] = (),
    key: str | None = None,
    qpm: float | None = None,
    name: str | None = None,
    one_track: bool = False,
    channels: tuple[int, ...] | None = None,
) -> Path:
    """Write voices of (onset, length, pitch), times in quarters, by mido; each has its channel and track."""
    file = mido.MidiFile(type=0 if one_track else 1, ticks_per_beat=division)
    events: list[tuple[int, int, int, mido.Message]] = []
    for at, beats, unit in meters:
        events.append(
            (
                0,
                round(at * division),
                0,
                mido.MetaMessage("time_signature", numerator=beats, denominator=unit),
            )
        )
    if key:
        events.append((0, 0, 0, mido.MetaMessage("key_signature", key=key)))
    if qpm:
        events.append((0, 0, 0, mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(qpm))))
    if name:
        events.append((0, 0, 0, mido.MetaMessage("track_name", name=name)))
    for number, notes in enumerate(voices):
        track = 0 if one_track else number + 1
        how = {"channel": channels[number] - 1 if channels else number}
        for at, length, pitch in notes:
            on, off = round(at * division), round((at + length * gate) * division)
            events.append((track, on, 2, mido.Message("note_on", note=pitch, velocity=70, **how)))
            events.append((track, off, 1, mido.Message("note_off", note=pitch, **how)))
    events.sort(key=lambda event: event[:3])
    for track in range(1 if one_track else len(voices) + 1):
        made, now = mido.MidiTrack(), 0
        for _, at, _, message in (event for event in events if event[0] == track):
            made.append(message.copy(time=at - now))
            now = at
        file.tracks.append(made)
    file.save(path)
    return path
