"""The parent's side of a child process that speaks frames on its standard output."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from coach.devices.messages import Alive, Message, Unpacker

# A child that says nothing for two looks in a row hangs.  Counting looks, not seconds, survives a
# suspended machine; 2 x 8 s is well above the 5 s for which a killed client can stop jackd (measured).
LOOK_S = 8.0
STOP_S = 1.5  # to close the port in good order before being killed
PIPE_BYTES = 1 << 20  # some 50,000 messages, for the times this process is stopped (Ctrl-Z)


def python_command(module: str, *arguments: str) -> list[str]:
    """Return the command that runs a module of this package in another interpreter."""
    return [sys.executable, "-m", module, *arguments]


def python_environment() -> dict[str, str]:
    """Return the environment in which that interpreter finds the same package as this one."""
    root = str(Path(__file__).resolve().parents[2])
    path = os.environ.get("PYTHONPATH")
    return {**os.environ, "PYTHONPATH": f"{root}{os.pathsep}{path}" if path else root}


class Child:
    """One child process, from its start to its end; it is told to end by closing its standard input.

    The child's standard error stays ours, so that a bug in it shows its traceback.
    """

    def __init__(self, command: Sequence[str], *, feed: bytes = b"", watched: bool = True) -> None:
        self.hung = False
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            env=python_environment(),
            start_new_session=True,  # Ctrl-C in the terminal is for us; we then close the child
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._stdin, self._stdout = self._process.stdin, self._process.stdout
        _widen(self._stdout.fileno())
        self._said = 0
        self._over = threading.Event()
        if watched:
            threading.Thread(target=self._watch, name="midi-watch", daemon=True).start()
        self._feed(feed)

    @property
    def pid(self) -> int:
        """The process number."""
        return self._process.pid

    def messages(self) -> Iterator[Message]:
        """Yield what the child says until it ends."""
        unpacker = Unpacker()
        with self._stdout:
            while chunk := self._stdout.read(1 << 16):
                self._said += 1
                for message in unpacker.feed(chunk):
                    if not isinstance(message, Alive):
                        yield message

    def wait(self) -> int:
        """Return the exit code once the child is gone (negative: the signal's number)."""
        code = self._process.wait()
        self._over.set()
        return code

    def ask_to_stop(self) -> None:
        """Tell the child to end."""
        self._stdin.close()

    def stop(self) -> None:
        """Tell the child to end, wait a little, then kill it."""
        self.ask_to_stop()
        try:
            self._process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._over.set()

    def _feed(self, data: bytes) -> None:
        view = memoryview(data)
        try:
            while view:
                view = view[self._stdin.write(view) or 0 :]
        except BrokenPipeError:
            return  # it died at once: the end of its messages and its exit code will say so

    def _watch(self) -> None:
        silent, before = 0, -1
        while not self._over.wait(LOOK_S):
            silent = silent + 1 if self._said == before else 0
            before = self._said
            if silent == 2:
                self.hung = True
                self._process.kill()
                return


class ChildReader(ABC):
    """A thread that reads one child after another, until it is closed."""

    def __init__(self, name: str) -> None:
        self._closing = threading.Event()
        self._lock = threading.Lock()  # guards _child against close() from another thread
        self._child: Child | None = None
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Start; to be called once."""
        self._thread.start()

    def close(self) -> None:
        """End the child; afterwards nothing more is handed on."""
        self._closing.set()
        with self._lock:
            child = self._child
        if child is not None:
            child.stop()
        if self._thread.is_alive() and threading.current_thread() is not self._thread:
            self._thread.join()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def child_pid(self) -> int | None:
        """The number of the latest child process."""
        with self._lock:
            return None if self._child is None else self._child.pid

    def _begin(self, command: Sequence[str], *, feed: bytes = b"", watched: bool = True) -> Child | None:
        """Return a new child, or None where everything is being closed."""
        with self._lock:
            if self._closing.is_set():
                return None
            self._child = Child(command, feed=feed, watched=watched)
            return self._child

    @abstractmethod
    def _run(self) -> None:
        """Read children until there is nothing more to read."""


def why_ended(code: int) -> str:
    """Return a child's exit code in words."""
    if code >= 0:
        return f"exit code {code}"
    try:
        return signal.Signals(-code).name
    except ValueError:
        return f"signal {-code}"


def _widen(descriptor: int) -> None:
    if sys.platform == "linux":
        import fcntl

        try:
            fcntl.fcntl(descriptor, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
        except PermissionError:
            return  # the user's pipes are used up; the usual 64 KB still hold 3,000 messages
