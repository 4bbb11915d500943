"""Two passes beside one another, of one take or of two: what is mended, what is new, what stays."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed from the first pass to the second; sentences ready to print."""

    mended: tuple[str, ...]  # "bar 3, beat 1: the A on string 5 stops in time now (was +240 ms)"
    new: tuple[str, ...]
    still: tuple[str, ...]
    sentence: str  # all of it in one: "3 stops mended, 1 new fault; bar 3 still rings on."
