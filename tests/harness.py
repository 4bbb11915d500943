"""What several tests need: a private JACK server, a private X display, and a box for what a port says."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

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
        """Start it and wait until it answers.  Synchronous (-S): the other way loses notes on overruns."""
        driver = ["-d", "dummy", "-r", "48000", "-p", str(self.period)]
        self._process = subprocess.Popen(
            ["jackd", "-n", self.name, "-r", "-S", *driver], stdout=self._log, stderr=self._log
        )
        wait = ["jack_wait", "-s", self.name, "-w", "-t", "10"]
        done = subprocess.run(wait, capture_output=True, timeout=20, check=False)
        if b"is available" not in done.stdout:
            self._log.seek(0)
            said = self._log.read().decode("utf-8", "replace")
            self.kill()
            raise RuntimeError(f"jackd did not start: {said}")

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
