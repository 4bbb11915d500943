"""The event clock: ``perf_counter_ns`` stamps become whole µs since the session's start, never backwards.

``perf_counter_ns`` reads one system-wide monotonic clock on Linux, macOS and Windows, so a stamp taken in a
child process compares with one taken here (measured on Linux; the others by their documentation).
"""

from __future__ import annotations

from dataclasses import dataclass, field

# Ticks run this far behind the clock, so that a message still in the pipe is not overtaken by one.  A
# stamped message was seen to wait up to 4 ms (99th percentile) while the window draws; 20 ms is far
# above that and far below what a reader of the page would notice.
TICK_LAG_US = 20_000


@dataclass(slots=True)
class SessionClock:
    """Turns stamps into the session's time and keeps it monotone.

    A message stamped before the last time fed is clamped to that time, and counted in ``clamped``.
    """

    start_ns: int  # perf_counter_ns at the session's start
    speed: float = 1.0  # session time over real time: a take played back faster keeps its own time
    clamped: int = field(default=0, init=False)  # messages that came too late and were moved
    fed_us: int = field(default=0, init=False)  # the last time given out

    def us(self, stamp_ns: int) -> int:
        """Return a message's time in µs since the start, at least the last time given out."""
        time_us = self.elapsed_us(stamp_ns)
        if time_us < self.fed_us:
            self.clamped += 1
            return self.fed_us
        self.fed_us = time_us
        return time_us

    def tick_us(self, now_ns: int, lag_us: int = TICK_LAG_US) -> int:
        """Return the time in µs up to which nothing more should come, for a ``Tick``; counts nothing."""
        self.fed_us = max(self.fed_us, self.elapsed_us(now_ns) - round(lag_us * self.speed))
        return self.fed_us

    def elapsed_us(self, stamp_ns: int) -> int:
        """Return a stamp's time in µs since the start, clamped to nothing."""
        elapsed_ns = stamp_ns - self.start_ns
        return elapsed_ns // 1000 if self.speed == 1.0 else round(elapsed_ns * self.speed / 1000)
