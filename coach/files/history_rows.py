"""Rows of the history, and what they add up to: per chunk, per stop, per piece.

A stop counts as *asked* when it can be told whether it came off: its string was stopped in time, late, not at
all, or too soon.  A bass that was left out, died away by itself or was played again tells nothing, and is not
counted.  Days are the player's own local dates.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from statistics import median

from coach.core.verdicts import DAMPING_FAULTS, Damping

TOGETHER = "together"  # the part that is practised where nothing else is said
CLEAN, CUT = Damping.CLEAN.value, Damping.CUT.value
FAILED = frozenset(kind.value for kind in DAMPING_FAULTS)
ASKED = FAILED | {CLEAN}


@dataclass(frozen=True, slots=True)
class PassRow:
    """One pass.  Raises ValueError where ``when`` is no date and time."""

    when: str  # local date and time at which it began, ISO 8601
    title: str
    digest: str  # of the score; "" where it has none
    take: str  # file name of its take; "" where none was recorded
    number: int  # of the pass within its take, from 1
    part: str  # scale, melody, bass or together
    first_bar: int  # as a musician counts
    last_bar: int
    first: int  # performed bars; 0 and -1 for a scale
    last: int
    speed: float | None  # times the written tempo; None where it cannot be told
    clean: bool
    complete: bool  # of the chunk or piece that was practised
    faults: int
    drift_ms: float | None  # median of the bars' drifts without their signs
    right: int  # notes that were right …
    notes: int  # … of so many that were asked for
    bpm: float | None = None  # beats a minute, in the metre's beat (dotted in 6/8)
    # What it was judged by: the overhang that passes, and how far a bar might stray at its tempo.  None in
    # rows of an older program, which let any drift pass, until they are read anew from their takes.
    tolerance_ms: float | None = None
    drift_limit_ms: float | None = None

    def __post_init__(self) -> None:
        datetime.fromisoformat(self.when)

    @property
    def day(self) -> str:
        """The date, ISO 8601."""
        return self.when[:10]

    @property
    def piece(self) -> str:
        """What the piece is known by: its score's digest, or its title."""
        return self.digest or self.title

    @property
    def chunk(self) -> tuple[str, str, int, int]:
        """What was practised."""
        return self.piece, self.part, self.first, self.last


@dataclass(frozen=True, slots=True)
class StopRow:
    """One wanted stop in one pass."""

    note: int  # the written note, index into Score.ids
    bar: int  # as a musician counts
    beat: float
    string: int
    kind: str  # a ``Damping``'s value
    overhang_ms: float | None  # None while it was never heard to stop, or nothing was played
    way: str = ""  # the way the plan proposes, a ``Way``'s value


@dataclass(frozen=True, slots=True)
class StopDay:
    """One stop on one day: how it ended each time it was asked, in order."""

    day: str
    kinds: tuple[str, ...]
    overhang_ms: float | None  # median; see ``StopHistory``

    @property
    def asked(self) -> int:
        """How often it was asked."""
        return len(self.kinds)

    @property
    def clean(self) -> int:
        """How often it came off."""
        return self.kinds.count(CLEAN)

    @property
    def mostly(self) -> str:
        """How it mostly ended; of ends that were as frequent, the one that is a fault."""
        order = (Damping.RINGING.value, Damping.LATE.value, CUT, CLEAN)
        return max(order, key=lambda kind: (self.kinds.count(kind), -order.index(kind)))


@dataclass(frozen=True, slots=True)
class StopHistory:
    """One written stop over all days on which it was asked."""

    note: int
    bar: int
    beat: float
    string: int
    way: str
    kinds: tuple[str, ...]  # each time it was asked, in order
    # Median of those not cut short; None where it mostly was not heard to stop, or was always cut short.
    overhang_ms: float | None
    days: tuple[StopDay, ...]  # in order

    @property
    def asked(self) -> int:
        """How often it was asked."""
        return len(self.kinds)

    @property
    def clean(self) -> int:
        """How often it came off."""
        return self.kinds.count(CLEAN)


@dataclass(frozen=True, slots=True)
class ChunkHistory:
    """Some bars of a part, over all days on which they were practised as one chunk."""

    part: str
    first_bar: int
    last_bar: int
    first: int
    last: int
    passes: int
    clean: int
    speed: float | None  # the highest at which it was clean; None while it never was
    bpm: float | None  # the same in beats a minute
    days: tuple[str, ...]  # in order


@dataclass(frozen=True, slots=True)
class PieceHistory:
    """One piece."""

    title: str
    digest: str
    passes: int
    clean: int
    days: tuple[str, ...]
    chunks: tuple[ChunkHistory, ...]  # the longest first, within a part in order
    stops: tuple[StopHistory, ...]  # in order of the score


def chunk_histories(rows: Iterable[PassRow]) -> tuple[ChunkHistory, ...]:
    """Return the chunks of one piece's passes (given in order of time): the longest first."""
    groups: dict[tuple[str, int, int], list[PassRow]] = defaultdict(list)
    for row in rows:
        groups[row.part, row.first, row.last].append(row)
    found = [_chunk(group) for group in groups.values()]
    return tuple(
        sorted(found, key=lambda one: (one.part != TOGETHER, one.part, one.first - one.last, one.first))
    )


def _chunk(rows: Sequence[PassRow]) -> ChunkHistory:
    last = rows[-1]
    clean = [row for row in rows if row.clean]
    best = max(clean, key=lambda row: row.speed or 0.0, default=None)
    return ChunkHistory(
        part=last.part,
        first_bar=last.first_bar,
        last_bar=last.last_bar,
        first=last.first,
        last=last.last,
        passes=len(rows),
        clean=len(clean),
        speed=best.speed if best else None,
        bpm=best.bpm if best else None,
        days=days_of(rows),
    )


def stop_histories(rows: Iterable[tuple[str, StopRow]]) -> tuple[StopHistory, ...]:
    """Return the stops of one piece's rows (day, row), given in order of time: in order of the score."""
    groups: dict[int, list[tuple[str, StopRow]]] = defaultdict(list)
    for day, row in rows:
        if row.kind in ASKED:
            groups[row.note].append((day, row))
    found = [_stop(group) for group in groups.values()]
    return tuple(sorted(found, key=lambda one: (one.bar, one.beat, one.note)))


def _stop(rows: Sequence[tuple[str, StopRow]]) -> StopHistory:
    by_day: dict[str, list[StopRow]] = defaultdict(list)
    for day, row in rows:
        by_day[day].append(row)
    last = rows[-1][1]
    return StopHistory(
        note=last.note,
        bar=last.bar,
        beat=last.beat,
        string=last.string,
        way=last.way,
        kinds=tuple(row.kind for _, row in rows),
        overhang_ms=_median(row for _, row in rows),
        days=tuple(
            StopDay(day, tuple(row.kind for row in of_day), _median(of_day))
            for day, of_day in sorted(by_day.items())
        ),
    )


def _median(rows: Iterable[StopRow]) -> float | None:
    """Return the median overhang; a string that was never heard to stop rang longer than any other."""
    rung = [row.overhang_ms for row in rows if row.kind != CUT]
    middle = median(math.inf if ms is None else ms for ms in rung) if rung else math.inf
    return middle if math.isfinite(middle) else None


def days_of(rows: Iterable[PassRow]) -> tuple[str, ...]:
    """Return the days of some passes, each once, in order."""
    return tuple(sorted({row.day for row in rows}))


def days_between(day: str, today: date) -> int:
    """Return how many days a day lies before today."""
    return (today - date.fromisoformat(day)).days
