"""The pickup profile: how MIDI channels map to strings, and what the converter does to time."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import Any

MOST_STRINGS = 10
# What an uncalibrated converter is taken to do.  A pitch detector needs about two periods of the string
# (Fonseca & Tavares 2020, RITA 27(4)), so basses are reported later than trebles; with no
# calibration nothing is subtracted, since half the converters report after a fixed time of their own.
DEFAULT_BEND_RANGE = 2.0  # semitones, the General MIDI default (from memory)


@dataclass(frozen=True, slots=True)
class Profile:
    """How one guitar reaches the computer.  Tuples by string run from string 1, missing entries mean 0."""

    name: str = "default"
    base_channel: int = 1  # MIDI channel (1-16) of string 1, or of the lowest string when reversed
    strings: int = 6
    reversed: bool = False  # base channel carries the lowest string
    single_channel: bool = False  # all strings on one channel: the string must be inferred
    bend_range: float = DEFAULT_BEND_RANGE  # semitones for a full pitch-wheel throw
    on_delay_ms: tuple[float, ...] = ()  # how late a note-on comes, by string (calibration)
    off_delay_ms: tuple[float, ...] = ()  # how late a note-off comes after the string was stopped
    fade_s: tuple[float, ...] = ()  # after this long an undamped open string's gate closes by itself
    uncertainty_ms: float = 0.0  # of a corrected time: one standard deviation
    ghost_velocity: int = 24  # a note this weak, an octave, twelfth, … from a sounding one, is a ghost
    ghost_ms: float = 40.0  # an unasked note shorter than this is a ghost, never a stray

    def string_of(self, channel: int) -> int | None:
        """Return the string on a MIDI channel (1-16), or None where it carries none."""
        if self.single_channel:
            return None
        offset = (channel - self.base_channel) % 16
        if offset >= self.strings:
            return None
        return self.strings - offset if self.reversed else offset + 1

    def channel_of(self, string: int) -> int:
        """Return the MIDI channel (1-16) that carries ``string``."""
        if self.single_channel:
            return self.base_channel
        offset = self.strings - string if self.reversed else string - 1
        return (self.base_channel - 1 + offset) % 16 + 1

    def on_delay_us(self, string: int | None) -> int:
        """Return the note-on delay of a string in µs."""
        return _delay_us(self.on_delay_ms, string)

    def off_delay_us(self, string: int | None) -> int:
        """Return the note-off delay of a string in µs."""
        return _delay_us(self.off_delay_ms, string)

    def to_plain(self) -> dict[str, Any]:
        """Return the profile as JSON/TOML-ready values."""
        return {key: list(v) if isinstance(v, tuple) else v for key, v in asdict(self).items()}

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> Profile:
        """Return the profile that ``to_plain`` wrote; unknown keys are passed over.

        Raises ValueError naming the key whose value is of the wrong kind or out of range.
        """
        values: dict[str, Any] = {}
        default = cls()
        for item in fields(cls):
            if item.name not in plain:
                continue
            values[item.name] = _checked(item.name, plain[item.name], getattr(default, item.name))
        made = cls(**values)
        if not 1 <= made.base_channel <= 16:
            raise ValueError(f"base_channel is {made.base_channel}, not 1 to 16")
        if not 1 <= made.strings <= MOST_STRINGS:
            raise ValueError(f"strings is {made.strings}, not 1 to {MOST_STRINGS}")
        if not 0 < made.bend_range <= 96:
            raise ValueError(f"bend_range is {made.bend_range} semitones, not above 0 and up to 96")
        return made


def _delay_us(delays_ms: tuple[float, ...], string: int | None) -> int:
    if string is None or not 1 <= string <= len(delays_ms):
        return 0
    return round(delays_ms[string - 1] * 1000)


def _checked(key: str, value: object, default: object) -> object:
    """Return ``value`` in the kind of ``default``, or raise ValueError."""
    if isinstance(default, tuple):
        if isinstance(value, list | tuple) and all(_number(v) for v in value):
            return tuple(float(v) for v in value)
    elif isinstance(default, bool):
        if isinstance(value, bool):
            return value
    elif isinstance(default, int):
        if isinstance(value, int) and not isinstance(value, bool):
            return value
    elif isinstance(default, float):
        if _number(value):
            return float(value)  # type: ignore[arg-type]
    elif isinstance(value, str):
        return value
    raise ValueError(f"{key} is {value!r}, which is not of the kind it must be")


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e6
