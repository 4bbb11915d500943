"""What the form of a piece is made of: passages that come again, phrases, and the chunks to practise."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Likeness(Enum):
    """How a passage is like an earlier one."""

    EXACT = "exact"
    TRANSPOSED = "transposed"
    RHYTHM = "rhythm"


@dataclass(frozen=True, slots=True)
class Repeat:
    """A passage that is an earlier one again.  Bars are performed indices, first to last inclusive.

    Pickup bars are left out of the comparison, so neither passage begins with one.
    """

    first: int
    last: int
    of_first: int
    of_last: int
    how: Likeness
    shift: int = 0  # semitones up, where transposed by one interval throughout
    bass: bool = True  # the bass is alike too, not the melody alone
    steps: int = 0  # steps of the scale up, where transposed within the key and no one ``shift`` holds
    inner: bool = True  # what lies between melody and bass is alike too
    new_bass: bool = False  # the bass is alike in none of its bars
    open_end: int = 0  # ticks at its end that are not compared: the upbeat of what follows

    @property
    def length(self) -> int:
        """Number of performed bars from first to last."""
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True)
class Phrase:
    """A phrase: performed bars, first to last inclusive, and its letter (A, A′, B …)."""

    first: int
    last: int
    letter: str
    upbeat: int = 0  # ticks by which it starts before its first bar; 0 where a pickup bar is its first bar


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bars to practise together."""

    first: int  # performed bar
    last: int
    size: int  # 1, 2, 4, 8 … as meant; a last chunk may be shorter
    lands: int  # tick of the bass or melody note it runs into; its own end at the piece's end
    join: bool = False  # lies across the seam of two chunks of four
    upbeat: int = 0  # ticks by which to start before its first bar: the upbeat of its phrase


@dataclass(frozen=True, slots=True)
class Form:
    """The form of a piece."""

    repeats: tuple[Repeat, ...] = ()
    phrases: tuple[Phrase, ...] = ()
    chunks: tuple[Chunk, ...] = ()

    def phrase_of(self, bar: int) -> Phrase | None:
        """Return the phrase that holds a performed bar."""
        return next((p for p in self.phrases if p.first <= bar <= p.last), None)
