"""The collector's pauses and the memory over ten minutes of playing: ``python -m tests.bench.pauses``.

Included takes are played one after another into a session, with a view every 60th of a second drawn at
1080p; the clock is simulated, the drawing is real.  Once as Python comes, once with the collector kept quiet.
"""

from __future__ import annotations

import gc
import subprocess
import sys
import time
from contextlib import ExitStack
from dataclasses import replace

from tests.bench.frame import FRAME_US, ROOT, TAKE, open_included

MINUTES = 10
PAGE = 4096


def resident_mb() -> float:
    """Return the memory the process holds."""
    with open("/proc/self/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * PAGE / 1e6


def play(quiet: bool) -> tuple[list[tuple[float, float]], list[float], float]:
    """Play; return each pause (ms by clock, of the processor), the memory by the minute, the ms of rests."""
    from coach.app.quiet import quiet_collector
    from coach.core.events import Tick
    from coach.core.session import Session
    from coach.core.view import Viewer
    from coach.core.wire import Decoder
    from coach.files.take import read_take

    window, first = open_included((1920, 1080), offscreen=True)
    window.show(first)
    while window.page.prepare(first):
        pass
    take = read_take(ROOT / "recordings" / TAKE)
    pauses: list[tuple[float, float]] = []
    started = 0.0, 0.0

    def told(phase: str, info: dict[str, int]) -> None:
        nonlocal started
        now = time.perf_counter(), time.thread_time()
        if phase == "start":
            started = now
        else:
            pauses.append(((now[0] - started[0]) * 1e3, (now[1] - started[1]) * 1e3))

    score = window.binder.score
    session = Session(score, profile=take.meta.profile)
    decoder, viewer = Decoder(session.profile), Viewer(session)
    messages, at, offset_us, rested_ms = take.messages, 0, 0, 0.0
    memory: list[float] = []
    gc.collect()
    left = ExitStack()
    rest = left.enter_context(quiet_collector()).rest if quiet else None
    gc.callbacks.append(told)
    for now_us in range(0, MINUTES * 60_000_000, FRAME_US):
        while at < len(messages) and messages[at][0] + offset_us <= now_us:
            when_us, data = messages[at]
            for event in decoder.decode(when_us + offset_us, data):
                session.feed(event)
            at += 1
        if at == len(messages):
            at, offset_us = 0, now_us + 1_000_000
        session.feed(Tick(now_us))
        window.show(replace(viewer.view(now_us)))
        if rest is not None:
            rested_ms += rest()
        if now_us % 60_000_000 < FRAME_US:
            memory.append(resident_mb())
    memory.append(resident_mb())
    gc.callbacks.remove(told)
    left.close()
    window.close()
    return pauses, memory, rested_ms


def run(quiet: bool) -> None:
    pauses, memory, rested_ms = play(quiet)
    clock, processor = zip(*pauses, strict=True)
    print(
        f"{'kept quiet' if quiet else 'as it comes':12} {len(pauses):5} pauses, the longest "
        f"{max(clock):.2f} ms by the clock, {max(processor):.2f} ms of the processor, "
        f"{sum(1 for ms in clock if ms > 5)} over 5 ms, together {sum(clock):.0f} ms "
        f"({rested_ms:.0f} ms in rests); memory at each minute, MB: {' '.join(f'{mb:.0f}' for mb in memory)}",
        flush=True,
    )


if __name__ == "__main__":
    if len(sys.argv) > 1:
        run(sys.argv[1] == "quiet")
    else:
        for way in ("plain", "quiet"):
            subprocess.run([sys.executable, "-m", "tests.bench.pauses", way], cwd=ROOT, check=True)
