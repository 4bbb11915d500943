"""What a frame costs, and how soon the first one is there: ``python -m tests.bench.frame``.

On an X server of its own where Xvfb is installed (what a player's window does, without the screen), else
offscreen.  The page is a whole included take, one view every 60th of a second.
"""

from __future__ import annotations

import argparse
import gc
import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from coach.core.shapes import Foot
from tests.harness import missing, xvfb

ROOT = Path(__file__).resolve().parents[2]
TAKE = "05-the-last-one-out-evening.mid"
SIZES = ((1280, 720), (1920, 1080), (3840, 2160))
JUMPS = 600
FRAME_US = 1_000_000 // 60
FIRST = """
import sys, time
from tests.bench.frame import open_included
window, view = open_included((1920, 1080))
window.show(view)
print(time.time())
window.close()
"""


def open_included(size: tuple[int, int], offscreen: bool = False):
    """Open the window on the bench's piece; return it with the view before the first note."""
    from coach.app.piece import open_piece
    from coach.core.session import Session
    from coach.core.view import Viewer
    from coach.screen.window import Window

    piece = open_piece(ROOT / "scores" / "05-the-last-one-out.musicxml")
    window = Window(piece.score, piece.xml, size=size, offscreen=offscreen)
    return window, Viewer(Session(piece.score)).view(0)


def views():
    """Yield every view of the take, a frame apart."""
    from coach.app.piece import open_piece
    from coach.core.events import Tick
    from coach.core.session import Session
    from coach.core.view import Viewer
    from coach.core.wire import Decoder
    from coach.files.take import read_take

    take = read_take(ROOT / "recordings" / TAKE)
    piece = open_piece(ROOT / "scores" / "05-the-last-one-out.musicxml")
    session, at = Session(piece.score, profile=take.meta.profile), 0
    decoder, viewer = Decoder(session.profile), Viewer(session)
    for now_us in range(0, take.end_us, FRAME_US):
        while at < len(take.messages) and take.messages[at][0] <= now_us:
            for event in decoder.decode(*take.messages[at]):
                session.feed(event)
            at += 1
        session.feed(Tick(now_us))
        yield viewer.view(now_us, foot=Foot(port="guitar heard", tempo="♩ = 84"))


def engraved(size: tuple[int, int], offscreen: bool):
    """Return a window that shows the engraved page, and its view."""
    window, first = open_included(size, offscreen)
    window.show(first)
    until = time.monotonic() + 20
    while window.page.engraved.plain and time.monotonic() < until:
        window.wait(50)
    return window, first


def frames(size: tuple[int, int], offscreen: bool, moments) -> dict[str, np.ndarray]:
    """Return the milliseconds of every frame, by what happened, and of every job done in idle time."""
    window, first = engraved(size, offscreen)
    page, jobs = window.page, list[float]()
    ready = False
    while not ready:
        start = time.perf_counter()
        ready = not page.prepare(first)
        jobs.append((time.perf_counter() - start) * 1e3)
    took: dict[str, list[float]] = {"changed": [], "turned": [], "same": [], "jobs": jobs}
    gc.collect()
    gc.freeze()
    base = page.base(first)

    def shown(view, other: str) -> None:
        nonlocal base
        start = time.perf_counter()
        window.show(view)
        ms = (time.perf_counter() - start) * 1e3
        turned = page.base(view) is not base
        base = page.base(view)
        took.setdefault(
            "turned" if turned and other == "changed" else other if turned else "changed", []
        ).append(ms)

    for number, view in enumerate(moments):
        shown(view, "changed")
        again = replace(view)
        start = time.perf_counter()
        window.show(again)
        took["same"].append((time.perf_counter() - start) * 1e3)
        if number % 8 == 0:
            window.wait(1)
    # Begun again anywhere: from every moment's page into any other's, in no order.
    for number in np.random.default_rng(1).permutation(len(moments))[:JUMPS]:
        shown(moments[number], "jumped")
        window.wait(1)
    window.close()
    took["cold"] = cold(size, offscreen, moments)
    return {kind: np.array(found or [0.0]) for kind, found in took.items()}


def cold(size: tuple[int, int], offscreen: bool, moments) -> list[float]:
    """Return the milliseconds of turns for which nothing was prepared, the first of each page."""
    window, first = engraved(size, offscreen)
    found, base = list[float](), window.page.base(first)
    for number in np.random.default_rng(2).permutation(len(moments))[:40]:
        start = time.perf_counter()
        window.show(moments[number])
        if window.page.base(moments[number]) is not base:
            found.append((time.perf_counter() - start) * 1e3)
            base = window.page.base(moments[number])
    window.close()
    return found


def first_frame(environment: dict[str, str]) -> float:
    """Return the ms from starting a Python process to its first frame on the screen."""
    start = time.time()
    done = subprocess.run(
        [sys.executable, "-c", FIRST], cwd=ROOT, env=environment, capture_output=True, text=True, check=True
    )
    return (float(done.stdout.strip().splitlines()[-1]) - start) * 1e3


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--offscreen", action="store_true", help="without an X server")
    offscreen = options.parse_args().offscreen or missing("Xvfb") is not None
    print("offscreen" if offscreen else "Xvfb, SDL_FRAMEBUFFER_ACCELERATION=0")
    moments = list(views())
    print(f"{len(moments)} frames; ms: median / p99 / max")
    if offscreen:
        table(offscreen, moments)
        return
    for number, size in enumerate(SIZES):
        with xvfb(*size) as display:
            os.environ["DISPLAY"], os.environ["SDL_VIDEODRIVER"] = display, "x11"
            table(offscreen, moments, (size,))
            if number == 1:
                found = [first_frame(dict(os.environ)) for _ in range(5)]
                print(f"start to first frame: {min(found):.0f} to {max(found):.0f} ms of {len(found)} starts")


def table(offscreen: bool, moments, sizes=SIZES) -> None:
    for size in sizes:
        found = frames(size, offscreen, moments)
        for kind, label in (
            ("changed", "something changed"),
            ("turned", "page turned"),
            ("jumped", "begun elsewhere"),
            ("cold", "same, unprepared"),
            ("jobs", "a job when idle"),
            ("same", "nothing changed"),
        ):
            ms = found[kind]
            line = f"{np.median(ms):7.3f} / {np.percentile(ms, 99):7.3f} / {ms.max():7.3f}"
            print(f"{size[0]}x{size[1]}  {label:18} {line}  (n = {len(ms)})", flush=True)


if __name__ == "__main__":
    main()
