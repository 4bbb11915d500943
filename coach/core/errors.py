"""Faults of the input (not of the program): one line each, saying where, what, and the remedy.

Anything that is *not* a ``CoachError`` is a bug and keeps its traceback.
"""

from __future__ import annotations


class CoachError(Exception):
    """Something outside the program is unusable; the message is one line for the person at the keyboard."""

    def __init__(self, where: str, what: str, remedy: str) -> None:
        self.where, self.what, self.remedy = where, what, remedy
        super().__init__(one_line(f"{where}: {what}; {remedy}"))


class ScoreError(CoachError):
    """A score file cannot be read as a score."""


class TakeError(CoachError):
    """A recorded take cannot be read."""


class PortError(CoachError):
    """A MIDI port cannot be found or opened."""


def one_line(text: str, limit: int = 300) -> str:
    """Return ``text`` as a single printable line of at most ``limit`` characters (bad bytes escaped)."""
    flat = " ".join(text.encode("utf-8", "backslashreplace").decode("utf-8").split())
    flat = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in flat)
    return flat if len(flat) <= limit else flat[: limit - 1] + "…"
