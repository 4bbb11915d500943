"""One bar to true time: what each string sounded, beside what is written, in the player's own time."""

from __future__ import annotations

from dataclasses import dataclass

from coach.core.verdicts import Damping, Stroke


@dataclass(frozen=True, slots=True)
class Sound:
    """One sound of one string.  Times in ms from the bar's first beat, as it was played."""

    string: int  # 0: not known
    pitch: int
    name: str  # as it is read: ``A``, ``F♯``
    on_ms: float
    off_ms: float | None  # None: never heard to stop
    kind: Damping | Stroke | None  # of a bass its end, of any other note how it was struck; None: a stray
    words: str = ""  # by how much its end missed, such as "+240 ms"; "" where there is nothing to say


@dataclass(frozen=True, slots=True)
class Wanted:
    """One written note, in the player's own time, in ms from the bar's first beat."""

    string: int
    pitch: int
    name: str
    on_ms: float
    off_ms: float  # where its stop is due; of a melody note where it is written to end
    stop: bool  # a stop is asked for there


@dataclass(frozen=True, slots=True)
class Lane:
    """One string."""

    string: int
    wanted: tuple[Wanted, ...]
    sounds: tuple[Sound, ...]


@dataclass(frozen=True, slots=True)
class Lanes:
    """One bar of one pass, with what reaches into it and out of it."""

    pass_number: int
    bar: int  # performed bar
    number: int  # as a musician counts
    first_ms: float  # the stretch shown: from a beat before the bar to a beat behind it
    last_ms: float
    beats: tuple[tuple[float, str], ...]  # (ms, "1"), … where the player's beats fell
    barlines: tuple[float, ...]  # ms
    lanes: tuple[Lane, ...]  # the higher-sounding string first
    said: tuple[str, ...]  # the exact figures, a sentence each, the worst first
