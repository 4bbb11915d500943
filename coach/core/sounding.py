"""What is to be heard: tones, ticks of the click, and the track they make together.

Times are seconds from the track's own beginning, as exact as a float holds them; frames come in only where
a mixer turns them into samples, and then each time is rounded by itself, so that no error adds up.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

BAR_ACCENT, BEAT_ACCENT, SUBDIVISION = 2, 1, 0
MEASURING = 9  # not music: a wide-band sound whose place in a recording can be found exactly


@dataclass(frozen=True, slots=True)
class Tone:
    """One plucked note.  A string sounds one tone: the next on the same string ends it in any case."""

    start_s: float
    pitch: float  # sounding MIDI pitch; fractions are allowed
    string: int  # 1 = highest-pitched; 0 = unknown: then only the same pitch takes it over
    velocity: int  # 1..127
    stop_s: float | None = None  # when a finger stops it; None: it rings on


@dataclass(frozen=True, slots=True)
class Tick:
    """One stroke of the click."""

    start_s: float
    accent: int = BEAT_ACCENT  # 2 first beat of a bar, 1 beat, 0 subdivision, 9 for measuring


@dataclass(frozen=True, slots=True)
class Track:
    """Everything that is heard, and for how long.

    Without a period all is silent from ``length_s`` on.  With one the whole comes again for ever: what falls
    on ``start_s`` in the first round falls on ``k * period_s + start_s`` in the round k (from 0), and what
    rings over the end of a round rings into the next.

    Raises ValueError for times before the beginning, or that are no times, and for a period of nothing.
    """

    tones: tuple[Tone, ...] = ()
    ticks: tuple[Tick, ...] = ()
    length_s: float = 0.0
    period_s: float | None = None

    def __post_init__(self) -> None:
        for tick in self.ticks:
            if not (isfinite(tick.start_s) and tick.start_s >= 0):
                raise ValueError(f"{tick} does not come at or after the track's beginning")
            if tick.accent not in (BAR_ACCENT, BEAT_ACCENT, SUBDIVISION, MEASURING):
                raise ValueError(f"{tick} has an accent that no click has")
        for tone in self.tones:
            if not (isfinite(tone.start_s) and tone.start_s >= 0):
                raise ValueError(f"{tone} does not begin at or after the track's beginning")
            if not isfinite(tone.pitch) or (tone.stop_s is not None and not isfinite(tone.stop_s)):
                raise ValueError(f"{tone} has no pitch or no end")
        if not (isfinite(self.length_s) and self.length_s >= 0):
            raise ValueError(f"a track cannot last {self.length_s} s")
        if self.period_s is not None and not (isfinite(self.period_s) and self.period_s > 0):
            raise ValueError(f"a track cannot come again every {self.period_s} s")
