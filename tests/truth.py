"""What a simulated player really did: the truth that a judge is compared with.

Times are µs from the take's start and those of the strings themselves, before any converter's delay.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class PlayedNote:
    """One sound of one string."""

    note: int  # row in Score.notes that was meant; -1 for an extra note or a stray
    pass_number: int  # from 1; one more at every restart
    bar: int  # performed bar, index into Score.bars
    string: int
    pitch: int  # as played
    velocity: int
    onset_us: int
    release_us: int  # the string was stopped, plucked anew, or had died away
    kind: str  # right, wrong, extra, stray, lifted


@dataclass(frozen=True, slots=True)
class BassEnd:
    """How one bass note that the player was to end did end, as the player meant it."""

    note: int  # row in Score.notes
    pass_number: int
    string: int
    pitch: int  # as played; as written for a missed one
    verdict: str  # clean late ringing cut faded replaced free missed
    reason: str  # next-bass rest end replaced free (why it had to end)
    on_us: int | None
    due_us: int | None  # None for free and missed
    release_us: int | None

    @property
    def overhang_ms(self) -> float | None:
        """Release minus due; negative is early."""
        if self.due_us is None or self.release_us is None:
            return None
        return (self.release_us - self.due_us) / 1000


@dataclass(frozen=True, slots=True)
class PassTruth:
    """One stretch without turning back."""

    number: int
    first_bar: int  # performed bars, indices into Score.bars
    last_bar: int
    from_us: int
    until_us: int  # onset of its last note
    complete: bool  # went to the end of the piece


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything about one performance."""

    notes: tuple[PlayedNote, ...]  # by onset
    ends: tuple[BassEnd, ...]  # by pass, then note
    missing: tuple[tuple[int, int], ...]  # (pass number, row) strictly inside a pass and not played
    passes: tuple[PassTruth, ...]
    end_us: int  # end of the take

    def to_plain(self) -> dict[str, Any]:
        """Return it as JSON-ready values."""
        plain = asdict(self)
        for row, end in zip(plain["ends"], self.ends, strict=True):
            row["overhang_ms"] = end.overhang_ms
        plain["missing"] = [{"pass_number": number, "note": row} for number, row in self.missing]
        return plain
