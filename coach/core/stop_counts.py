"""How often each stop of a piece comes off: all passes of a take laid over one another."""

from __future__ import annotations

from dataclasses import dataclass

from coach.core.verdicts import Damping


@dataclass(frozen=True, slots=True)
class StopCount:
    """One written stop in all passes that came to it."""

    note: int  # row in Score.notes, where it is first performed
    string: int
    bar: int  # as a musician counts, of the bass note
    beat: float
    due_tick: int  # of that first performance
    kinds: tuple[Damping, ...]  # pass by pass, in order
    overhang_ms: float | None  # median of the late ones; None where none was late
    stop: str  # the way, in a few letters of the trade

    @property
    def asked(self) -> int:
        """In how many passes it was judged."""
        return len(self.kinds)
