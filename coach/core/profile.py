"""The pickup profile: how MIDI channels map to strings, and what the converter does to time."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from math import hypot, log
from typing import Any

MOST_STRINGS = 10
FADE_VELOCITY = 80  # the velocity that fade_s belongs to
BY_STRING = (
    "on_delay_ms", "off_delay_ms", "fade_s", "on_error_ms", "off_error_ms", "on_spread_ms", "off_spread_ms",
    "fade_slope_s", "fade_spread_s",
)  # fmt: skip
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
    # What `coach calibrate` learns besides.  Errors are one standard deviation of the delay as learnt,
    # spreads of one stroke from the next, the hand's own included.
    on_error_ms: tuple[float, ...] = ()
    off_error_ms: tuple[float, ...] = ()
    on_spread_ms: tuple[float, ...] = ()
    off_spread_ms: tuple[float, ...] = ()
    fade_slope_s: tuple[float, ...] = ()  # longer by so much for each e-fold of velocity; fade_s is at 80
    fade_spread_s: tuple[float, ...] = ()  # one standard deviation of a fade time
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

    def error_us(self, on_string: int | None, off_string: int | None) -> int:
        """Return one standard deviation, in µs, of an interval from a note-on to a note-off as corrected.

        Each as learnt for its string, independent of one another; 0 where nothing was learnt.
        """
        on, off = _delay_us(self.on_error_ms, on_string), _delay_us(self.off_error_ms, off_string)
        return round(hypot(on, off))

    def fade_us(self, string: int | None, velocity: int = FADE_VELOCITY) -> int | None:
        """Return how long an undamped open string plucked so hard is reported; None where it is not known."""
        if string is None or not 1 <= string <= len(self.fade_s) or self.fade_s[string - 1] <= 0:
            return None
        slope_s = self.fade_slope_s[string - 1] if string <= len(self.fade_slope_s) else 0.0
        longer_s = slope_s * log(max(velocity, 1) / FADE_VELOCITY)
        return max(round(1e6 * (self.fade_s[string - 1] + longer_s)), 0)

    def fade_spread_us(self, string: int | None) -> int:
        """Return one standard deviation of a fade time in µs; 0 where nothing was learnt."""
        return _delay_us(self.fade_spread_s, string) * 1000

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
