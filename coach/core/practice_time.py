"""How long somebody has practised without a pause, and when a break is due.

Hands are better for short breaks that come early (common practice, no source); the figures are the rules'.
"""

from __future__ import annotations


class PracticeTime:
    """The time since the first pass after the last long pause.  Times are in µs and never run back."""

    def __init__(self, rest_us: int, pause_us: int) -> None:
        """``rest_us``: practice to a break; ``pause_us``: a longer pause has been a break already."""
        self.rest_us, self.pause_us = rest_us, pause_us
        self._began_us: int | None = None
        self._last_us = 0  # of the last pass

    def played(self, now_us: int) -> None:
        """Take note of a pass that has ended."""
        now_us = max(now_us, self._last_us)
        if self._began_us is None or now_us - self._last_us > self.pause_us:
            self._began_us = now_us
        self._last_us = now_us

    def due(self, now_us: int) -> bool:
        """Tell whether a break is due; it is told once, and again after as long a time."""
        now_us = max(now_us, self._last_us)
        if self._began_us is not None and now_us - self._last_us > self.pause_us:
            self._began_us = None
        if self._began_us is None or now_us - self._began_us < self.rest_us:
            return False
        self._began_us = now_us
        return True

    def stop(self) -> None:
        """Begin anew at the next pass."""
        self._began_us = None
