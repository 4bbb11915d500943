"""Python's garbage collector, kept quiet while somebody plays.

Left to itself it goes through every object of the program now and then, wherever the program happens to be:
tens of milliseconds in the middle of a bar.  Here what was made before the music is set aside (frozen), and
what is made during it is gone through in small portions when nothing else is to be done.

Python's own collections are switched off for the while, not only made rare: they may begin in any thread,
and let go of the interpreter in the middle, when nothing may freeze or unfreeze the lists they go through.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Iterator
from contextlib import contextmanager

WORTH = 500  # objects made and not given up since last time; fewer are not worth a look
MANY = 20_000  # … at which a look is due although there was no rest: some 2 ms
PORTION_MS = 1.0  # of young collections, after which their survivors are gone through once more
ROOM_MS = 4.0


class Collector:
    """The collector while somebody plays."""

    def __init__(self) -> None:
        self._owed_ms = 0.0  # what the young collections took since survivors were last gone through

    def rest(self, room_ms: float = ROOM_MS) -> float:
        """Collect a little, in an idle moment of ``room_ms``; return the ms it took, mostly 0.

        Survivors of the young collections are gone through once more, all together, and then set aside.
        That costs about what those collections cost, so it is done while that is little, and put off
        where there is no room for it.  A reference cycle that is given up only after that stays until
        the end of the playing.
        """
        if gc.get_count()[0] < WORTH:
            return 0.0
        took_ms = _timed(0)
        self._owed_ms += took_ms
        if self._owed_ms >= PORTION_MS and room_ms >= took_ms + 2 * self._owed_ms:
            took_ms += _timed(2)
            gc.freeze()
            self._owed_ms = 0.0
        return took_ms

    def keep_down(self) -> None:
        """Collect what is young where there has been no rest for long."""
        if gc.get_count()[0] >= MANY:
            self._owed_ms += _timed(0)

    def start_anew(self) -> None:
        """Give up what a whole part of the playing has left behind: some tens of ms, while nobody plays.

        Without it the pages and sittings of every step of a drill would stay until its end (measured: 5 MiB a
        step at 1080p; with it the memory stands still).
        """
        gc.unfreeze()
        gc.collect()
        gc.freeze()
        self._owed_ms = 0.0


@contextmanager
def quiet_collector() -> Iterator[Collector]:
    """Keep the collector quiet for the while; the loop calls ``rest`` on what this yields when it is idle.

    Everything alive is collected once and set aside at the start (some tens of ms: before the music).  At
    the end, also after an error, the collector is as it was.
    """
    enabled, frozen = gc.isenabled(), gc.get_freeze_count()
    gc.disable()
    _collect_alone()
    gc.freeze()
    try:
        yield Collector()
    finally:
        if not frozen:  # else somebody else set objects aside, and has to fetch them back
            gc.unfreeze()
        if enabled:
            gc.enable()


def _collect_alone() -> None:
    """Collect everything, after a collection that has begun in another thread is over."""
    before = gc.get_stats()[-1]["collections"]
    while True:
        gc.collect()  # does nothing while another one is going on
        if gc.get_stats()[-1]["collections"] > before:
            return
        time.sleep(0.001)


def _timed(generation: int) -> float:
    """Collect a generation and the younger ones; return the ms it took."""
    start = time.perf_counter_ns()
    gc.collect(generation)
    return (time.perf_counter_ns() - start) / 1e6
