"""The whole program on a real MIDI port and in a real window: another process sends a take, faster than life.

The port is JACK's on its dummy driver, the window an X11 one under Xvfb; another X client takes the
picture.
"""

import contextlib
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pygame
import pytest

from coach.app.piece import open_piece
from coach.app.sitting import limits_of, replay
from coach.core.report import report
from coach.core.shapes import RingState
from coach.core.view import Viewer
from coach.files.take import read_take
from coach.screen.window import Window
from tests.harness import ROOT, missing, sending, until

SCORE = ROOT / "scores" / "02-a-borrowed-umbrella.musicxml"
TAKE = ROOT / "recordings" / "02-a-borrowed-umbrella-evening.mid"
SPEED = 4.0  # so the tolerance is a quarter too
SIZE = (1280, 720)


@contextlib.contextmanager
def playing(folder: Path, env: dict, *options: str):
    """Run ``coach play`` in another process; its output goes to ``folder/out``."""
    places = {name: str(folder) for name in ("COACH_TAKES", "XDG_CONFIG_HOME", "XDG_CACHE_HOME")}
    with (folder / "out").open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "coach", "play", str(SCORE), "--tolerance", "30", *options],
            cwd=ROOT,
            env={**os.environ, **env, **places},
            stdout=out,
            stderr=subprocess.STDOUT,
        )
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()
            process.wait()


def said(folder: Path) -> str:
    return (folder / "out").read_text("utf-8", "replace")


def recorded(folder: Path) -> Path | None:
    return next(iter(folder.glob("*.mid")), None)


def judged(path: Path):
    take, piece = read_take(path), open_piece(SCORE)
    assert take.complete
    assert take.meta.digest == piece.score.digest
    session, ignored = replay(take, piece, profile=None, limits=limits_of(take.meta.tolerances))
    return piece, session, report(session, ignored)


FAULTS = [  # pass, bar, verdict: what the simulated player planted in this take
    (1, 2, "late"), (1, 4, "ringing"), (2, 7, "late"), (2, 8, "cut"), (2, 10, "late"),
]  # fmt: skip


def close_to(picture: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    """Where a picture, shape (width, height, 3), has a colour, give or take antialiasing."""
    return np.abs(picture.astype(int) - np.array(colour)).max(axis=2) < 48


@pytest.mark.skipif(bool(missing("xdotool", "import")), reason="needs xdotool and imagemagick")
def test_a_take_from_a_port_reaches_the_page_the_file_and_the_review(jack, x_display, tmp_path):
    env = {**jack.env, "DISPLAY": x_display, "SDL_VIDEODRIVER": "x11"}
    size = f"{SIZE[0]}x{SIZE[1]}"
    options = ("--port", "guitar", "--size", size, "--screenshot", str(tmp_path / "own.png"))
    with sending("guitar", TAKE, jack.env, SPEED) as sender, playing(tmp_path, env, *options) as coach:
        found = subprocess.run(
            ["xdotool", "search", "--sync", "--onlyvisible", "--class", "^coach$"],
            env={**os.environ, **env}, capture_output=True, timeout=60, check=True,
        )  # fmt: skip
        window_id = found.stdout.split()[0].decode()
        assert sender.wait(60) == 0
        path = recorded(tmp_path)
        assert path is not None, said(tmp_path)
        # Settled two seconds after the last note; only then nothing is grey any more.
        stable = _settled_picture(window_id, env, tmp_path)
        subprocess.run(
            ["xdotool", "key", "--window", window_id, "Escape"],
            env={**os.environ, **env}, timeout=20, check=True,
        )  # fmt: skip
        assert coach.wait(30) == 0, said(tmp_path)
    piece, session, result = judged(path)
    faults = [(r.verdict.pass_number, r.bar, r.verdict.kind.value) for r in result.damps if r.faulty]
    assert faults == FAULTS
    assert "17 of 22 stops came in time" in said(tmp_path)

    # The same page drawn here, offscreen, from the replayed file: where it has ink of a colour, the picture
    # that the other X client took has it too.
    with Window(piece.score, piece.xml, size=SIZE, offscreen=True) as window:
        view = replace(Viewer(session).view(session.now_us), finished=False)
        window.show(view)
        mine = pygame.surfarray.array3d(window.surface)
        palette = window.palette
        page = window.page
    shown = pygame.surfarray.array3d(pygame.image.load(str(stable)))
    assert shown.shape == mine.shape
    for colour in (palette.rang, palette.written):
        places = close_to(mine, colour)
        assert places.sum() > 200
        assert close_to(shown, colour)[places].mean() > 0.9
    standing = page.layout.spread(view.bar, view.tick)
    late = [ring for ring in view.rings if ring.state is RingState.LATE]
    places = [page.layout.places.x_of(ring.slot_end_tick) for ring in late]
    dues = [x + page.layout.left for system, x in places if system in standing]
    assert dues
    for x in dues:
        assert close_to(shown, palette.rang)[round(x) : round(x) + 40].any(), f"nothing rang on past x = {x}"


def _settled_picture(window_id: str, env: dict, folder: Path) -> Path:
    """Take pictures of the window until it has stood still for longer than anything takes to settle."""
    shot, last, since = folder / "window.png", b"", time.monotonic()

    def calm() -> bool:
        nonlocal last, since
        subprocess.run(
            ["import", "-window", window_id, "-depth", "8", f"png24:{shot}"],
            env={**os.environ, **env}, timeout=30, check=True,
        )  # fmt: skip
        now = pygame.image.tobytes(pygame.image.load(str(shot)), "RGB")
        if now != last:
            last, since = now, time.monotonic()
        return time.monotonic() - since > 3.0

    assert until(calm, 60)
    return shot


def test_without_a_window_it_follows_and_records_too(jack, tmp_path):
    options = ("--port", "guitar", "--headless")
    with sending("guitar", TAKE, jack.env, SPEED) as sender, playing(tmp_path, jack.env, *options) as coach:
        assert sender.wait(60) == 0
        coach.send_signal(signal.SIGINT)
        assert coach.wait(30) == 0, said(tmp_path)
    path = recorded(tmp_path)
    _, _, result = judged(path)
    faults = [(r.verdict.pass_number, r.bar, r.verdict.kind.value) for r in result.damps if r.faulty]
    assert faults == FAULTS
    assert "The take is kept" in said(tmp_path)
    assert 'last_port = "guitar' in (tmp_path / "coach" / "settings.toml").read_text("utf-8")


def test_a_guitar_unplugged_in_the_middle_loses_nothing(jack, tmp_path):
    with playing(tmp_path, jack.env, "--port", "guitar", "--headless") as coach:
        with sending("guitar", TAKE, jack.env, 2.0):
            assert until(lambda: recorded(tmp_path) is not None, 30), said(tmp_path)
            assert until(lambda: len(read_take(recorded(tmp_path)).messages) > 20, 30)
        assert until(lambda: "no longer there" in said(tmp_path), 30), said(tmp_path)
        before = len(read_take(recorded(tmp_path)).messages)
        with sending("guitar", TAKE, jack.env, 2.0):
            assert until(lambda: len(read_take(recorded(tmp_path)).messages) > before + 20, 40), said(
                tmp_path
            )
        coach.send_signal(signal.SIGINT)
        assert coach.wait(30) == 0, said(tmp_path)
    take = read_take(recorded(tmp_path))
    assert take.complete
    assert len(list(tmp_path.glob("*.mid"))) == 1
