"""How long a stamped message takes to reach the parent's ``on_message``, on a real JACK port.

    python -m tests.bench.midi_latency

The stamp itself is taken in the child, so this delay moves no verdict: it is only when the page can show one.
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import mido
import numpy as np

from coach.devices.messages import Finished, Heard, PortState
from coach.devices.midi_in import MidiIn
from tests.harness import JackServer, missing, sending

NOTES = 1000
GAP_MS = 5


def idle() -> None:
    time.sleep(0.01)


def busy() -> None:
    """A Python loop that never lets go of the interpreter by itself."""
    sum(range(200_000))


def drawing() -> Callable[[], None]:
    """Redraw 1920x1080 sixty times a second, on SDL's dummy driver."""
    os.environ.update(SDL_VIDEODRIVER="dummy", PYGAME_HIDE_SUPPORT_PROMPT="1")
    import pygame

    screen = pygame.display.set_mode((1920, 1080))
    page = pygame.Surface((1920, 1080)).convert()
    page.fill("white")
    clock = pygame.time.Clock()

    def frame() -> None:
        screen.blit(page, (0, 0))
        for line in range(200):
            pygame.draw.line(screen, "black", (0, 5 * line), (1920, 5 * line))
        pygame.display.flip()
        clock.tick(60)

    return frame


def measure(work: Callable[[], None], take: Path, server: JackServer) -> np.ndarray:
    """Return the delays in ms, one for each message, while this thread does ``work``."""
    delays_ns: list[int] = []

    def on_message(message: Heard | PortState | Finished) -> None:
        now_ns = time.perf_counter_ns()
        if isinstance(message, Heard):
            delays_ns.append(now_ns - message.stamp_ns)

    end = time.monotonic() + 60
    with MidiIn("bench", on_message), sending("bench", take, server.env):
        while len(delays_ns) < NOTES:
            work()
            if time.monotonic() > end:
                raise RuntimeError(f"only {len(delays_ns)} of {NOTES} messages came")
    return np.array(delays_ns) / 1e6


def main() -> None:
    """Print the table."""
    if why := missing("jackd", "jack_wait"):
        raise SystemExit(why)
    server = JackServer()
    os.environ.update(server.env)
    server.start()
    try:
        with tempfile.TemporaryDirectory() as folder:
            take = Path(folder) / "take.mid"
            notes = [mido.Message("note_on", note=60, velocity=64, time=GAP_MS) for _ in range(NOTES)]
            tempo = mido.MetaMessage("set_tempo", tempo=500_000)  # 500 ticks a quarter: 1 ms a tick
            mido.MidiFile(ticks_per_beat=500, tracks=[mido.MidiTrack([tempo, *notes])]).save(take)
            print("parent          median ms   p99 ms   max ms")
            for name, work in (("idle", idle), ("drawing 1080p", drawing()), ("busy loop", busy)):
                ms = measure(work, take, server)
                print(f"{name:14}{np.median(ms):11.3f}{np.percentile(ms, 99):9.3f}{ms.max():9.3f}")
    finally:
        server.stop()


if __name__ == "__main__":
    main()
