"""The live loop: wait for something, take it in, draw what changed.

Messages arrive on a thread of the reader's and are only queued there; everything else happens here, in the
order in which it was heard.  Nothing polls: the loop sleeps until a message, a key, or, while a string
sounds or a verdict is due, the next frame.
"""

from __future__ import annotations

import contextlib
import queue
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from coach.app.quiet import Collector, quiet_collector
from coach.app.sitting import Sitting
from coach.core.feedback import Amount
from coach.core.report import report
from coach.core.shapes import Foot, Summary
from coach.core.summary import pass_sentence
from coach.core.view import Viewer
from coach.devices.messages import Finished, Heard, PortState
from coach.screen.window import Action, Window

FRAME_MS = 16  # while something sounds
CALM_MS = 250  # while nothing does: time enough for deadlines to be met and seen
MESSAGE_NS = 6_000_000_000  # the sentence after a pass gives way to the next stop after this long
OnMessage = Callable[[Heard | PortState | Finished], None]


class Source(Protocol):
    """Where messages come from: a port, or a recorded take."""

    def start(self) -> None:
        """Begin to hand on messages."""

    def close(self) -> None:
        """Hand on nothing more."""


class Live:
    """One live sitting in a window."""

    def __init__(
        self,
        sitting: Sitting,
        window: Window,
        *,
        tempo: str = "",
        amount: Amount = Amount.EVERYTHING,
        fixed: bool = True,
    ) -> None:
        """``amount``: how much is shown while playing; unless ``fixed`` it fades as passes become clean."""
        self.sitting, self.window, self._tempo = sitting, window, tempo
        self.viewer = Viewer(sitting.session, amount=amount, fixed=fixed)
        self._queue: queue.SimpleQueue[Heard | PortState | Finished] = queue.SimpleQueue()
        self.port_text, self.port_open = "", True
        self.port_name = ""
        self._message, self._message_until_ns = "", 0
        self._next_messages: list[str] = []  # to be said when the present one has stood long enough
        self._told = self._changes_told = 0  # passes that have had their sentence, changes of the amount

    def on_message(self, message: Heard | PortState | Finished) -> None:
        """Take a message on any thread."""
        self._queue.put(message)
        self.window.wake()

    def run(self, source: Source, screenshot: Path | None, *, linger: bool) -> Summary | None:
        """Play until the source is finished or the player leaves; then show the summary.

        ``linger`` keeps the summary up until a key is pressed.  Returns None when nothing was heard.
        """
        source.start()
        try:
            with quiet_collector() as collector:
                finished = self._until_finished(collector)
        except KeyboardInterrupt:  # Ctrl-C in the terminal ends the sitting, not the report
            finished = False
        finally:
            source.close()
        self._drain()
        self.sitting.end(time.perf_counter_ns())
        if not self.sitting.begun:
            return None
        self._show()
        if screenshot is not None:
            self.window.screenshot(screenshot)
        summary = self.sitting.summary()
        if linger and finished:
            self._linger(summary)
        return summary

    def _until_finished(self, collector: Collector) -> bool:
        """Return True when the source ended or the player asked for the summary, False on a closed window."""
        self._show()
        while True:
            sounding = bool(self.sitting.session.ringing.sounding())
            for event in self.window.wait(FRAME_MS if sounding else CALM_MS):
                if event.action is Action.QUIT:
                    return not event.closed
            if self._drain():
                return True
            now_ns = time.perf_counter_ns()
            self.sitting.tick(now_ns)
            self._tell_pass(now_ns)
            self._show()
            if self._queue.empty():
                collector.rest()

    def _drain(self) -> bool:
        """Take in everything queued; return whether the source has finished."""
        finished = False
        while True:
            try:
                message = self._queue.get_nowait()
            except queue.Empty:
                return finished
            match message:
                case Heard():
                    self.sitting.hear(message)
                case PortState():
                    self.port_text, self.port_open = message.text, message.state == "open"
                    self.port_name = message.port or self.port_name
                case Finished():
                    finished = True

    def _tell_pass(self, now_ns: int) -> None:
        """When a pass is over and settled, say its worst fault for a while; before it what shows from now on.

        Nothing is said of a pass whose marks are still kept back.
        """
        session = self.sitting.session
        now = self.viewer.course(self.sitting.now_us(now_ns))
        said = list(now.changes[self._changes_told :])
        self._changes_told = max(self._changes_told, len(now.changes))
        if now.final > self._told:
            self._told = now.final
            result = report(session)
            clean = result.passes[now.final - 1].clean
            if now.shown >= now.final and not (said and clean):  # "three clean passes" has said it
                said.append(pass_sentence(result, now.final))
        if said:
            self._next_messages, self._message_until_ns = said, now_ns
        if now_ns >= self._message_until_ns:
            self._message = self._next_messages.pop(0) if self._next_messages else ""
            self._message_until_ns = now_ns + MESSAGE_NS

    def _show(self) -> None:
        now_us = self.sitting.now_us(time.perf_counter_ns())
        recorder = self.sitting.recorder
        failed = recorder.failed if recorder is not None else None
        port, alarm = failed or self.port_text, bool(failed) or not self.port_open
        self.window.show(
            self.viewer.view(
                now_us, foot=Foot(tempo=self._tempo, port=port, alarm=alarm, message=self._message)
            )
        )

    def _linger(self, summary: Summary) -> None:
        self.window.show_summary(summary)
        with contextlib.suppress(KeyboardInterrupt):
            while not any(event.action is not None for event in self.window.wait(CALM_MS)):
                pass
