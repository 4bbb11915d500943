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
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from coach.app.quiet import Collector, quiet_collector
from coach.app.sitting import Sitting
from coach.app.telling import Said, Telling
from coach.core import words
from coach.core.feedback import STEPS, Amount
from coach.core.lens import Lens
from coach.core.pedal import BACK, FORWARD, Pedal
from coach.core.shapes import Foot, Summary, View
from coach.core.verdicts import Change
from coach.core.view import Viewer
from coach.devices.messages import Finished, Heard, PortState
from coach.screen.window import Action, Window

FRAME_MS = 16  # while something sounds
CALM_MS = 250  # while nothing does: time enough for deadlines to be met and seen
MESSAGE_NS = 6_000_000_000  # the sentence after a pass gives way to the next stop after this long
TWICE_NS = 3_000_000_000  # within so long the pedal's second switch is pressed again to end
PEDAL_ACTIONS = {FORWARD: Action.NEXT_BAR, BACK: Action.PREV_BAR}
OnMessage = Callable[[Heard | PortState | Finished], None]


@dataclass(frozen=True, slots=True)
class Notice:
    """A sentence for the foot of the page, from another thread."""

    text: str


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
        pedal: Pedal | None = None,
        still: bool = False,
    ) -> None:
        """``amount``: how much is shown while playing; unless ``fixed`` it fades as passes become clean.

        ``pedal``: a foot switch that comes through the guitar's own port.  ``still``: nothing slides.
        """
        self.window, self._tempo, self._still = window, tempo, still
        self._pedal, self._leave_until_ns = pedal, 0
        self.left_behind = False  # a sitting and its pages were given up
        self.seat(sitting, amount=amount, fixed=fixed)
        self._queue: queue.SimpleQueue[Heard | PortState | Finished | Action | Notice] = queue.SimpleQueue()
        self.port_text, self.port_open = "", True
        self.port_name = ""
        self._message, self._message_until_ns = "", 0
        self._next_messages: list[str] = []  # to be said when the present one has stood long enough

    def seat(self, sitting: Sitting, *, amount: Amount = Amount.EVERYTHING, fixed: bool = True) -> None:
        """Go on with another sitting."""
        self.sitting = sitting
        self.lens = Lens(sitting.session.score, still=self._still)
        self.viewer = Viewer(sitting.session, amount=amount, fixed=fixed)
        self._telling = Telling(self.viewer)

    def on_message(self, message: Heard | PortState | Finished) -> None:
        """Take a message on any thread."""
        self._queue.put(message)
        self.window.wake()

    def on_press(self, switch: str) -> None:
        """Take a press of the foot switch, on any thread."""
        self._queue.put(PEDAL_ACTIONS[switch])
        self.window.wake()

    def on_notice(self, text: str) -> None:
        """Take a sentence for the foot of the page, on any thread."""
        self._queue.put(Notice(text))
        self.window.wake()

    def run(self, source: Source, screenshot: Path | None, *, linger: bool) -> Summary | None:
        """Play until the source is finished or the player leaves; then show the summary.

        ``linger`` keeps the summary up until a key is pressed.  Returns None when nothing was heard.
        """
        source.start()
        try:
            try:
                with quiet_collector() as collector:
                    finished = self._until_finished(collector)
            except KeyboardInterrupt:  # Ctrl-C in the terminal ends the sitting, not the report
                finished = False
            self._drain()
            self.sitting.end(time.perf_counter_ns())
            summary = self.summary()
            if summary is None:
                return None
            self._show()
            if screenshot is not None:
                self.window.screenshot(screenshot)
            if linger and finished:
                self._linger(summary)
            return summary
        finally:
            source.close()

    def summary(self) -> Summary | None:
        """Return what is said at the end; None when nothing was heard."""
        return self.sitting.summary() if self.sitting.begun else None

    def _until_finished(self, collector: Collector) -> bool:
        """Return True when the source ended or the player asked for the summary, False on a closed window."""
        self._show()
        while True:
            sounding = bool(self.sitting.session.ringing.sounding())
            for event in self.window.wait(FRAME_MS if sounding else CALM_MS):
                if event.closed:
                    return False
                if event.action is not None and self.act(event.action):
                    return True
            if self._drain():
                return True
            self.step(time.perf_counter_ns())
            if self.left_behind:
                self.left_behind = False
                collector.start_anew()
            self._show()
            if self._queue.empty():
                collector.rest()
            else:
                collector.keep_down()

    def step(self, now_ns: int) -> None:
        """Let time pass: settle what is due, and say what there is to say."""
        self.taken(self.sitting.tick(now_ns), now_ns)
        self._tell_pass(now_ns)

    def taken(self, changes: list[Change], now_ns: int) -> None:
        """Look at what was judged just now."""

    def _drain(self) -> bool:
        """Take in everything queued; return whether it is over: the source finished, or somebody left."""
        finished = False
        while True:
            try:
                message = self._queue.get_nowait()
            except queue.Empty:
                return finished
            match message:
                case Heard():
                    finished |= self._hear(message)
                case Action():
                    finished |= self.act(message)
                case PortState():
                    self.port_text, self.port_open = message.text, message.state == "open"
                    self.port_name = message.port or self.port_name
                case Notice():
                    self.tell(message.text)
                case Finished():
                    finished = True

    def _hear(self, message: Heard) -> bool:
        """Take in one message; return whether a press in it ended the sitting."""
        pedal, finished = self._pedal, False
        pressed = pedal is not None and pedal.owns(message.data)  # a press begins no take
        if self.sitting.begun or (not pressed and self.begins(message)):
            self.taken(self.sitting.hear(message), message.stamp_ns)
            if news := self.sitting.news():
                self.tell(news)
        for press in pedal.hear(message.stamp_ns // 1000, message.data) if pedal else ():
            finished |= self.act(PEDAL_ACTIONS[press.switch])
        return finished

    def begins(self, message: Heard) -> bool:
        """Whether a message, the first of a sitting, begins it."""
        return True

    def act(self, action: Action) -> bool:
        """Do what a key or the pedal asks for; return whether the sitting is to end."""
        if action is Action.QUIT:
            return True
        if action is Action.PREV_BAR:  # the pedal's second switch: twice, for a foot can slip
            now_ns = time.perf_counter_ns()
            if now_ns < self._leave_until_ns:
                return True
            self._leave_until_ns = now_ns + TWICE_NS
            self.tell(words.ONCE_MORE)
        elif action is Action.NEXT_BAR:
            self._show_less()
        return False

    def _show_less(self) -> None:
        """Show less while playing, after the least everything again; what a person chose stays."""
        viewer = self.viewer
        now = viewer.course(self.sitting.session.now_us).amount
        viewer.amount, viewer.fixed = STEPS[(STEPS.index(now) + 1) % len(STEPS)], True
        self._telling.begin_again()
        self.tell(words.SHOWN_NOW[viewer.amount.value])

    def tell(self, sentence: str) -> None:
        """Say a sentence at the foot of the page, at once."""
        self._next_messages.insert(0, sentence)
        self._message_until_ns = 0

    def _tell_pass(self, now_ns: int) -> None:
        """Say what is due for a while, one sentence after the other."""
        said = self.said(now_ns)
        if said.of_pass:
            self.speak(said.of_pass)
        if said.sentences:
            self._next_messages, self._message_until_ns = list(said.sentences), now_ns
        if now_ns >= self._message_until_ns:
            self._message = self._next_messages.pop(0) if self._next_messages else ""
            self._message_until_ns = now_ns + MESSAGE_NS

    def said(self, now_ns: int) -> Said:
        """Return what is to be said now."""
        return self._telling.due(self.sitting.now_us(now_ns))

    def _show(self) -> None:
        now_us = self.sitting.now_us(time.perf_counter_ns())
        recorder = self.sitting.recorder
        failed = recorder.failed if recorder is not None else None
        port, alarm = failed or self.port_text, bool(failed) or not self.port_open
        # That the guitar is heard need not be said any more when it is not known where the player is.
        stale = self._message == self.port_text and self.sitting.session.follower.lost
        message = "" if stale else self._message
        foot = Foot(tempo=self._tempo, port=port, alarm=alarm, message=message)
        self.draw(self.lens.see(self.viewer.view(now_us, foot=foot)))

    def draw(self, view: View) -> None:
        """Draw a view as this sitting shows it."""
        self.window.show(view)

    def speak(self, sentence: str) -> None:
        """Say a sentence to whoever does not see the page: in the window's caption and in the terminal."""
        self.window.say(sentence)
        print(sentence, flush=True)

    def _linger(self, summary: Summary) -> None:
        self.window.show_summary(summary)
        with contextlib.suppress(KeyboardInterrupt):
            while (
                not any(event.action is not None or event.other for event in self.window.wait(CALM_MS))
                and not self._pressed()
            ):
                pass

    def _pressed(self) -> bool:
        """Return whether the foot switch was pressed; what else came is passed over."""
        found = False
        with contextlib.suppress(queue.Empty):
            while True:
                message = self._queue.get_nowait()
                if isinstance(message, Heard) and self._pedal is not None:
                    found |= bool(self._pedal.hear(message.stamp_ns // 1000, message.data))
                found |= isinstance(message, Action)
        return found
