"""What the core is fed.  Times are integer microseconds since the session's start, from no clock."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NoteOn:
    """A string began to sound."""

    time_us: int
    pitch: int  # sounding MIDI pitch
    velocity: int = 64  # 1..127
    string: int | None = None  # 1 = highest-pitched; None where the pickup does not tell


@dataclass(frozen=True, slots=True)
class NoteOff:
    """A string was heard to stop: the converter's gate closed, by damping or by fading."""

    time_us: int
    pitch: int
    string: int | None = None


@dataclass(frozen=True, slots=True)
class AllOff:
    """Everything on one string (or on all of them, when None) is silent by order of the sender."""

    time_us: int
    string: int | None = None


@dataclass(frozen=True, slots=True)
class Bend:
    """The string's sounding pitch left its note by so many cents (vibrato, a pulled string)."""

    time_us: int
    cents: float
    string: int | None = None


@dataclass(frozen=True, slots=True)
class Tick:
    """Nothing earlier than ``time_us`` is coming."""

    time_us: int


@dataclass(frozen=True, slots=True)
class End:
    """The take is over."""

    time_us: int


Event = NoteOn | NoteOff | AllOff | Bend | Tick | End
