"""What crosses the pipe from a child process that reads (or plays back) MIDI, and how it is framed.

A frame is one byte of kind, four bytes of length (little-endian) and the payload: no pickle, so that a
broken child can do no more than end the conversation.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Literal, get_args

State = Literal["open", "waiting", "ambiguous", "lost", "no-backend", "failed"]
_STATES = {name: name for name in get_args(State)}


@dataclass(frozen=True, slots=True)
class Heard:
    """One MIDI message as the driver gave it."""

    stamp_ns: int  # perf_counter_ns, taken first thing when the driver handed it over
    data: bytes


@dataclass(frozen=True, slots=True)
class PortState:
    """How the port stands.

    ``open``: listening.  ``waiting``: no port that fits is there yet.  ``ambiguous``: several fit, and
    the text names them.  ``lost``: the port went away and is being looked for.  ``no-backend``: no MIDI
    system answers.  ``failed``: the reading process itself stopped; it is started again.
    """

    state: State
    text: str  # one plain sentence for the page
    port: str | None = None  # the port's full name where one is meant


@dataclass(frozen=True, slots=True)
class Finished:
    """A played-back take has come to its end."""

    stamp_ns: int


@dataclass(frozen=True, slots=True)
class Alive:
    """Nothing to say, but the child still runs; never handed on."""


Message = Heard | PortState | Finished | Alive

_HEADER = struct.Struct("<BI")
_STAMP = struct.Struct("<q")
_HEARD, _STATE, _FINISHED, _ALIVE = range(1, 5)


def pack(message: Message) -> bytes:
    """Return the frame of one message."""
    match message:
        case Heard(stamp_ns, data):
            kind, payload = _HEARD, _STAMP.pack(stamp_ns) + data
        case PortState(state, text, port):
            parts = [state, text] if port is None else [state, text, port]
            kind, payload = _STATE, "\0".join(parts).encode("utf-8", "backslashreplace")
        case Finished(stamp_ns):
            kind, payload = _FINISHED, _STAMP.pack(stamp_ns)
        case Alive():
            kind, payload = _ALIVE, b""
    return _HEADER.pack(kind, len(payload)) + payload


class Unpacker:
    """Takes the pipe's bytes in any pieces and gives whole messages."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, chunk: bytes) -> list[Message]:
        """Return the messages that ``chunk`` completes; ValueError where the bytes are no frame of ours."""
        held, at, found = self._rest + chunk, 0, list[Message]()
        while len(held) - at >= _HEADER.size:
            kind, length = _HEADER.unpack_from(held, at)
            if not _HEARD <= kind <= _ALIVE:
                raise ValueError(f"byte {kind} begins no frame")
            start, end = at + _HEADER.size, at + _HEADER.size + length
            if len(held) < end:
                break
            found.append(_unpack(kind, held[start:end]))
            at = end
        self._rest = held[at:]
        return found


def _unpack(kind: int, payload: bytes) -> Message:
    if kind == _ALIVE:
        return Alive()
    if kind == _STATE:
        state, text, *port = payload.decode("utf-8").split("\0", 2)
        return PortState(_STATES[state], text, port[0] if port else None)
    (stamp_ns,) = _STAMP.unpack_from(payload)
    return Heard(stamp_ns, payload[_STAMP.size :]) if kind == _HEARD else Finished(stamp_ns)
