"""The parent's side of a child process that makes sound: orders out, what is heard when comes back."""

from __future__ import annotations

import itertools
import queue
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Literal, Self

from coach.core import sound_words as words
from coach.core.sounding import Track
from coach.devices.child import STOP_S, Child, why_ended
from coach.devices.child_end import DONE, LOOK_AGAIN
from coach.devices.sound_wire import (
    Begun,
    Opened,
    Order,
    Over,
    Play,
    Report,
    Silent,
    Stop,
    pack_order,
    unpack_report,
)

State = Literal["sound", "silent"]
# Where no device was found, the next thing to be heard looks again, but not more often than this: a
# drill plays every few seconds, and each look is a process of 0.3 s (own figure).
LOOK_AGAIN_S = 10.0
KEPT = 8  # tokens whose beginning is remembered


class _SoundChild(Child):
    """One child that is spoken to in lines."""

    over = False  # it has ended, or said that it is about to; nothing more is ordered
    ordered: Play | None = None  # the last track that it was given

    def running(self) -> bool:
        """Whether the process has not ended."""
        return self._process.poll() is None

    def order(self, order: Order) -> None:
        """Hand on an order; what comes of it is only known by the reports."""
        self._feed(pack_order(order))

    def reports(self) -> Iterator[Report]:
        """Yield what the child says until it ends."""
        rest = b""
        with self._stdout:
            while chunk := self._stdout.read(1 << 16):
                self._said += 1
                *lines, rest = (rest + chunk).split(b"\n")
                yield from map(unpack_report, lines)

    def kill(self) -> None:
        """End it at once."""
        self._process.kill()


class Sounder:
    """Plays tracks in a child process that may die, and that may find no device.

    No method waits for the child; all may be called from any thread.  ``on_state`` is called, on a thread
    of this object's own, with one sentence whenever there is something new to say.
    """

    def __init__(
        self,
        command: Sequence[str],
        on_state: Callable[[str], None],
        *,
        look_again_s: float = LOOK_AGAIN_S,
    ) -> None:
        """``command`` runs the child."""
        self._command, self._on_state, self._look_again_s = command, on_state, look_again_s
        self._orders: queue.SimpleQueue[Order | None] = queue.SimpleQueue()
        self._lock = threading.Lock()  # guards all below
        self._tokens = itertools.count(1)
        self._playing: int | None = None
        self._begun: dict[int, int] = {}
        self._state: State = "silent"
        self._said = ""
        self._latency_ns = 0
        self._underruns = self._underruns_before = 0
        self._child: _SoundChild | None = None
        self._again: int | None = None  # the token that was ordered a second time
        self._looked_s: float | None = None  # when no device was found
        self._closing = False
        self._started = False
        self._thread = threading.Thread(target=self._run, name="sound", daemon=True)

    # --- what the program uses ---

    def start(self) -> None:
        """Open the device now rather than when the first track is to be heard."""
        with self._lock:
            if self._started or self._closing:
                return
            self._started = True
        self._thread.start()

    def play(self, track: Track, *, at_ns: int | None = None) -> int:
        """Play this instead of what plays now; return its token.

        ``at_ns`` (``perf_counter_ns``) is when its second 0 is to be heard; without it, or where that is too
        soon, as soon as possible.  What played before fades out at once.
        """
        with self._lock:
            token = next(self._tokens)
            if self._closing:
                return token
            self._playing = token
            self._orders.put(Play(token, at_ns, track))
        self.start()
        return token

    def start_ns(self, token: int) -> int | None:
        """Return the time (``perf_counter_ns``) at which a track's second 0 was or will be heard.

        None while that is not known, and in silence.  The value follows the sound card's clock, so that
        ``start_ns + t`` fits second t of what is heard now; after a gap in the sound it is later by that
        gap.  Ask again whenever it is used.
        """
        with self._lock:
            return self._begun.get(token)

    def stop(self) -> None:
        """Fade out what plays, within 10 ms and without a click."""
        with self._lock:
            self._playing = None
            self._orders.put(Stop())

    @property
    def playing(self) -> bool:
        """Whether a track plays, or is about to, and can be heard."""
        with self._lock:
            return self._playing is not None

    @property
    def state(self) -> State:
        """``sound`` while there is a device that plays, else ``silent``."""
        with self._lock:
            return self._state

    @property
    def trouble(self) -> str:
        """Why nothing is heard, as it was said last; "" while there is sound, or nothing is known yet."""
        with self._lock:
            return self._said if self._state == "silent" else ""

    @property
    def underruns(self) -> int:
        """How many gaps the driver told of."""
        with self._lock:
            return self._underruns_before + self._underruns

    @property
    def latency_ms(self) -> float:
        """The output latency that ``start_ns`` reckons with: the calibrated one, else the device's own."""
        with self._lock:
            return self._latency_ns / 1e6

    @property
    def child_pid(self) -> int | None:
        """The number of the latest child process."""
        with self._lock:
            return None if self._child is None else self._child.pid

    def close(self) -> None:
        """End the sound and the child; afterwards nothing more is said."""
        with self._lock:
            already, self._closing = self._closing, True
            started, child = self._started, self._child
            self._playing, self._state = None, "silent"
        if already or not started:
            return
        self._orders.put(None)
        self._thread.join(2 * STOP_S)
        if self._thread.is_alive() and child is not None:
            child.kill()  # it reads no more, and our writing waits for it
            self._thread.join(STOP_S)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- the thread that starts children and writes to them ---

    def _run(self) -> None:
        reader: threading.Thread | None = None
        child, reader = self._open()
        while (order := self._orders.get()) is not None:
            if self._closing:
                continue
            if not self._give(child, order) and isinstance(order, Play):
                reader.join()  # its sentence comes first
                if self._may_look():
                    child, reader = self._open()
                if not self._give(child, order):
                    self._over(order.token)
        child.stop()
        reader.join(STOP_S)

    def _give(self, child: _SoundChild, order: Order) -> bool:
        """Hand on an order; return whether the child, or what becomes of its death, will see to it."""
        with self._lock:
            if child.over or not child.running():
                return False
            if isinstance(order, Play):
                child.ordered = order
        child.order(order)
        return True

    def _open(self) -> tuple[_SoundChild, threading.Thread]:
        child = _SoundChild(self._command)
        with self._lock:
            self._child = child
            self._underruns_before, self._underruns = self._underruns_before + self._underruns, 0
        reader = threading.Thread(target=self._read, args=(child,), name="sound-reports", daemon=True)
        reader.start()
        return child, reader

    def _may_look(self) -> bool:
        with self._lock:
            return self._looked_s is None or time.monotonic() - self._looked_s >= self._look_again_s

    # --- the thread that reads one child ---

    def _read(self, child: _SoundChild) -> None:
        for report in child.reports():
            if isinstance(report, Silent):
                self._forget(child, report.lost)
            self._take(report)
        code = child.wait()
        self._bury(child)
        if code not in (DONE, LOOK_AGAIN) or child.hung:
            how = words.NOT_ANSWERING if child.hung else why_ended(code)
            self._tell("silent", words.SOUND_DIED.format(how=how))

    def _forget(self, child: _SoundChild, lost: bool) -> None:
        """The child makes no sound: what it was to play is not heard."""
        with self._lock:
            child.over = True
            self._looked_s = None if lost else time.monotonic()
            if child.ordered is not None and child.ordered.token == self._playing:
                self._playing = None
            self._begun.clear()

    def _bury(self, child: _SoundChild) -> None:
        """The child has ended: a track that it did not live to read is for the next one.

        But once only, since it may be what the child died of.
        """
        with self._lock:
            child.over = True
            order = child.ordered
            if order is not None and order.token == self._playing:
                if order.token in self._begun or order.token == self._again:
                    self._playing = None
                else:
                    self._again = order.token
                    self._orders.put(order)
            self._begun.clear()

    def _take(self, report: Report) -> None:
        match report:
            case Opened(text, latency_ns):
                with self._lock:
                    self._latency_ns, self._looked_s = latency_ns, None
                self._tell("sound", text)
            case Silent(text):
                self._tell("silent", text)
            case Begun(token, heard_ns, underruns):
                with self._lock:
                    self._begun[token] = heard_ns
                    self._underruns = underruns
                    for old in list(self._begun)[:-KEPT]:
                        del self._begun[old]
            case Over(token):
                self._over(token)

    def _over(self, token: int) -> None:
        with self._lock:
            if self._playing == token:
                self._playing = None

    def _tell(self, state: State, text: str) -> None:
        with self._lock:
            if self._closing:
                return
            same = text == self._said
            self._state, self._said = state, text
        if not same:
            self._on_state(text)
