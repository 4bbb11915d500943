"""What several tests need: a private JACK server, a private X display, and a box for what a port says."""

from __future__ import annotations

import contextlib
import mmap
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pygame
from numpy.typing import NDArray

from coach.devices.messages import Finished, Heard, PortState

ROOT = Path(__file__).resolve().parents[1]


class Inbox:
    """Collects what MidiIn or TakePlayer hands on; ``wait`` until it holds what is looked for."""

    def __init__(self) -> None:
        self.messages: list[Heard | PortState | Finished] = []
        self._changed = threading.Condition()

    def __call__(self, message: Heard | PortState | Finished) -> None:
        with self._changed:
            self.messages.append(message)
            self._changed.notify_all()

    @property
    def heard(self) -> list[Heard]:
        return [m for m in list(self.messages) if isinstance(m, Heard)]

    @property
    def states(self) -> list[PortState]:
        return [m for m in list(self.messages) if isinstance(m, PortState)]

    def kinds(self) -> list[str]:
        return [state.state for state in self.states]

    def wait(self, found: Callable[[Inbox], bool], timeout_s: float = 20.0) -> None:
        with self._changed:
            if not self._changed.wait_for(lambda: found(self), timeout_s):
                raise AssertionError(
                    f"not within {timeout_s} s; so far {self.kinds()}, {len(self.heard)} heard"
                )


TOO_MANY, WAIT_FOR_SERVER_S = "Too many servers", 30.0


class JackServer:
    """A jackd of our own on the dummy driver; it can be killed and started again under the same name."""

    _made = 0

    def __init__(self, period: int = 128) -> None:
        JackServer._made += 1
        self.name = f"coach{os.getpid()}n{JackServer._made}"
        self.period = period
        self.env = {"JACK_DEFAULT_SERVER": self.name, "JACK_NO_START_SERVER": "1"}
        self._process: subprocess.Popen[bytes] | None = None
        self._log = tempfile.TemporaryFile()  # noqa: SIM115 (closed by stop)

    def start(self) -> None:
        """Start it and wait until it answers.  Synchronous (-S): the other way loses notes on overruns.

        A machine has eight servers at most: where other test runs hold them all, one is waited for.
        """
        until = time.monotonic() + WAIT_FOR_SERVER_S
        while TOO_MANY in (said := self._try()):
            if time.monotonic() > until:
                break
            time.sleep(1.0)
        if said:
            raise RuntimeError(f"jackd did not start: {said}")

    def _try(self) -> str:
        """Start it and wait; return what it said where it did not come up."""
        driver = ["-d", "dummy", "-r", "48000", "-p", str(self.period)]
        self._process = subprocess.Popen(
            ["jackd", "-n", self.name, "-r", "-S", *driver], stdout=self._log, stderr=self._log
        )
        wait = ["jack_wait", "-s", self.name, "-w", "-t", "10"]
        done = subprocess.run(wait, capture_output=True, timeout=20, check=False)
        if b"is available" in done.stdout:
            return ""
        self._log.seek(0)
        said = self._log.read().decode("utf-8", "replace")
        self._log.seek(0)
        self._log.truncate()
        self.kill()
        return said or "nothing"

    def kill(self) -> None:
        """Kill it without any warning to its clients."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def stop(self) -> None:
        """End it in good order."""
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(10)
            except subprocess.TimeoutExpired:
                self.kill()
            self._process = None
        self._log.close()


def missing(*programs: str) -> str | None:
    """Return why a test must be skipped, or None where all programs are installed."""
    absent = [program for program in programs if shutil.which(program) is None]
    return f"not installed: {', '.join(absent)}" if absent else None


@contextlib.contextmanager
def xvfb(width: int = 1920, height: int = 1080, *, frames: Path | None = None) -> Iterator[str]:
    """Yield the DISPLAY of an X server of our own without a screen.

    It keeps what it shows in the file ``Xvfb_screen0`` of the folder ``frames``, if one is given.
    """
    read, write = os.pipe()
    process = subprocess.Popen(
        [
            "Xvfb",
            "-displayfd",
            str(write),
            "-screen",
            "0",
            f"{width}x{height}x24",
            "-nolisten",
            "tcp",
            "-noreset",
            *(["-fbdir", str(frames)] if frames is not None else []),
        ],
        pass_fds=[write],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(write)
    try:
        with os.fdopen(read) as said:
            number = said.readline().strip()
        if not number:
            raise RuntimeError(f"Xvfb did not start (exit code {process.wait()})")
        yield f":{number}"
    finally:
        process.terminate()
        process.wait()


@contextlib.contextmanager
def sending(
    name: str, take: Path, env: dict[str, str], speed: float = 1.0
) -> Iterator[subprocess.Popen[bytes]]:
    """Run ``tests.send_take`` in another process for the while."""
    command = [sys.executable, "-m", "tests.send_take", "--port", name, "--speed", str(speed), str(take)]
    process = subprocess.Popen(
        command, cwd=ROOT, env={**os.environ, **env}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        yield process
    finally:
        process.terminate()
        process.wait()


def until(true: Callable[[], bool], timeout_s: float = 20.0) -> bool:
    """Return whether ``true()`` came about within the time."""
    end = time.monotonic() + timeout_s
    while not true():
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True


# --- a program in a window, met from outside ----------------------------------------------------------

STEADY_LOOKS = 5  # 0.02 s and more apart; what moves is drawn every 0.016 s
Picture = NDArray[np.uint32]  # shape (height, width), one number 0xRRGGBB a pixel


def picture_of(surface: pygame.Surface) -> Picture:
    """Return what is drawn on a surface, as a screen would show it."""
    width, height = surface.get_size()
    pixels = np.frombuffer(pygame.image.tobytes(surface, "BGRA"), "<u4").reshape(height, width)
    return pixels & 0xFFFFFF


def differs(shown: Picture, wanted: Picture, folder: Path, name: str) -> str:
    """Keep both pictures in a folder; return in how far and where they differ."""
    if shown.shape != wanted.shape:
        return f"{name}: {shown.shape} is not {wanted.shape}"
    for picture, kind in ((shown, "shown"), (wanted, "wanted")):
        rows = np.stack([picture >> 16 & 255, picture >> 8 & 255, picture & 255], axis=2).astype(np.uint8)
        drawn = pygame.image.frombuffer(rows.tobytes(), picture.shape[::-1], "RGB")
        pygame.image.save(drawn, str(folder / f"{name}-{kind}.png"))
    ys, xs = (shown != wanted).nonzero()
    place = f"x {xs.min()}-{xs.max()}, y {ys.min()}-{ys.max()}" if len(xs) else "nowhere by now"
    return f"{name}: {len(xs)} pixels differ, {place}; pictures in {folder}"


class Display:
    """An X server of ours with its frame buffer: keys, pointer, and what stands on the screen.

    The frame buffer is what the screen would light up, drawn pointer and all; it is read without asking the
    server (``import``, an X client, takes 0.2 s a picture and never sees the pointer).
    """

    def __init__(self, name: str, frames: Path) -> None:
        """``frames``: the folder given to ``xvfb``."""
        self.env = {"DISPLAY": name, "SDL_VIDEODRIVER": "x11"}
        with (frames / "Xvfb_screen0").open("rb") as opened:  # X window dump: header, colours, pixels
            kept = mmap.mmap(opened.fileno(), 0, access=mmap.ACCESS_READ)
        head = np.frombuffer(kept, ">u4", 25)
        size, width, height, stride, colours = (int(head[i]) for i in (0, 4, 5, 12, 19))
        pixels = np.frombuffer(kept, "<u4", height * stride // 4, size + colours * 12)
        self._pixels = pixels.reshape(height, stride // 4)[:, :width]

    def shown(self, width: int, height: int) -> Picture:
        """Return a copy of the upper left part of the screen."""
        return self._pixels[:height, :width] & 0xFFFFFF

    def ask(self, *words: str) -> str:
        """Let xdotool do or find something."""
        done = subprocess.run(
            ["xdotool", *words],
            env={**os.environ, **self.env},
            capture_output=True,
            text=True,
            timeout=20,
            check=False,
        )
        return done.stdout.strip()

    def size_of(self, window: str) -> tuple[int, int]:
        """Return a window's width and height."""
        told = dict(line.split("=") for line in self.ask("getwindowgeometry", "--shell", window).split())
        return int(told.get("WIDTH", 0)), int(told.get("HEIGHT", 0))


class Program:
    """``coach`` in a process and a window of its own, at the upper left of a display."""

    def __init__(
        self, display: Display, folder: Path, *words: str, size: tuple[int, int], env: dict[str, str]
    ) -> None:
        """Start ``coach`` with these words; its settings, takes and output are in ``folder``."""
        self.display, self.folder, self.size = display, folder, size
        places = {name: str(folder) for name in ("COACH_TAKES", "XDG_CONFIG_HOME", "XDG_DATA_HOME")}
        with (folder / "out").open("wb") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "coach", *words, "--size", f"{size[0]}x{size[1]}"],
                cwd=ROOT,
                env={**os.environ, **display.env, **places, **env},
                stdout=out,
                stderr=subprocess.STDOUT,
            )
        self.window = ""

    def wait_open(self) -> None:
        """Wait for the window, and put it into the corner."""
        ask = self.display.ask

        def found() -> bool:
            self.window = ask("search", "--onlyvisible", "--class", "^coach$").partition("\n")[0]
            assert self.process.poll() is None, self.said
            return bool(self.window)

        assert until(found, 30), self.said
        self.to_corner()
        ask("mousemove", "99999", "99999")  # of a pointer in the far corner only the tip is seen
        ask("windowfocus", "--sync", self.window)

    def to_corner(self) -> None:
        """Put the window into the upper left corner: without a window manager SDL puts it in the middle."""
        self.display.ask("windowmove", self.window, "0", "0")

    @property
    def said(self) -> str:
        """What it wrote to the terminal."""
        return (self.folder / "out").read_text("utf-8", "replace")

    @property
    def shown(self) -> Picture:
        """What stands on the screen where the window is."""
        return self.display.shown(*self.size)

    def press(self, *keys: str) -> None:
        """Press keys, one after the other, by their X names; as the keyboard does, to who has the focus."""
        # Less than 2 ms apart, SDL takes two presses of one key for one that is held.
        self.display.ask("key", "--delay", "12", *keys)

    def point(self, x: float, y: float, *words: str) -> None:
        """Put the pointer somewhere on the window, then let xdotool do more."""
        self.display.ask("mousemove", "--sync", str(round(x)), str(round(y)), *words)

    def resize(self, width: int, height: int) -> None:
        """Give the window another size."""
        self.size = width, height
        self.display.ask("windowsize", "--sync", self.window, str(width), str(height))

    def comes(self, true: Callable[[Picture], bool], timeout_s: float = 20.0, *, fetch: bool = False) -> bool:
        """Return whether the screen came to be as looked for, within the time.

        ``fetch``: put the window back into its corner as long as it is looked at.
        """

        def found() -> bool:
            if fetch:
                self.to_corner()
            return true(self.shown)

        return until(found, timeout_s)

    def turned(self, width: int, height: int) -> None:
        """Expect another size, and the window wherever SDL puts it without a window manager."""
        assert until(lambda: self.display.size_of(self.window) == (width, height)), (width, height)
        self.size = width, height

    def changes(self, before: Picture, timeout_s: float = 20.0) -> Picture:
        """Wait until the screen is another than before; return it."""
        assert self.comes(lambda shown: not np.array_equal(shown, before), timeout_s), "nothing changed"
        return self.shown

    def steady(self, timeout_s: float = 20.0) -> Picture:
        """Wait until the screen stands still for a few frames; return what it shows."""
        last, seen = self.shown, 0

        def stands() -> bool:
            nonlocal last, seen
            now = self.shown
            seen = seen + 1 if np.array_equal(now, last) else 0
            last = now
            return seen >= STEADY_LOOKS

        assert until(stands, timeout_s), "it never stood still"
        return last

    def leave(self, *keys: str) -> str:
        """Press keys that end the program; return what it has said by then.

        The last is pressed again while the program is still there: two presses may come so close together
        that the second belongs to the sheet the first one ended.
        """
        self.press(*keys)
        for _ in range(15):
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(2)
                break
            self.press(keys[-1])
        code = self.process.wait(1)
        assert code == 0, f"exit code {code}: {self.said}"
        assert "Traceback" not in self.said, self.said
        return self.said


@contextlib.contextmanager
def program(
    display: Display,
    folder: Path,
    *words: str,
    size: tuple[int, int],
    env: dict[str, str] | None = None,
) -> Iterator[Program]:
    """Yield a running ``coach`` whose window is there."""
    running = Program(display, folder, *words, size=size, env=env or {})
    try:
        running.wait_open()
        yield running
    finally:
        if running.process.poll() is None:
            running.process.kill()
        running.process.wait()


@contextlib.contextmanager
def display_of(folder: Path, width: int, height: int) -> Iterator[Display]:
    """Yield an X server of our own whose frame buffer is a file in ``folder``."""
    with xvfb(width, height, frames=folder) as name:
        yield Display(name, folder)


class Plug:
    """An instrument at a JACK port of this process, called ``NAME:out``; it sends what a test says."""

    def __init__(self, name: str) -> None:
        """The server is the one that the environment names."""
        import rtmidi  # no wheel of it for every Python

        self._port, self._listened = f"{name}:out", False
        self._out = rtmidi.MidiOut(rtapi=rtmidi.API_UNIX_JACK, name=name)
        self._out.open_virtual_port("out")

    def send(self, *messages: bytes) -> None:
        """Send messages at once; the first time when somebody listens."""
        from tests.send_take import SETTLE_S, listener_count  # it needs rtmidi, too

        if not self._listened:
            with listener_count(self._port) as listeners:
                assert until(lambda: listeners() > 0), f"nobody listens to {self._port}"
            time.sleep(SETTLE_S)  # JACK's own
            self._listened = True
        for message in messages:
            self._out.send_message(list(message))

    def __enter__(self) -> Plug:
        return self

    def __exit__(self, *_: object) -> None:
        self._out.close_port()
        self._out.delete()
