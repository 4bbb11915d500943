"""``coach play``: the guitar, live."""

from __future__ import annotations

import contextlib
import signal
import sys
import time
from datetime import datetime
from pathlib import Path
from threading import Event, Lock
from types import FrameType

from coach.app.live import Live
from coach.app.piece import Piece
from coach.app.sitting import Sitting, limits_of
from coach.app.terms import terms_beside
from coach.core import words
from coach.core.errors import CoachError, PortError
from coach.core.feedback import Amount
from coach.core.profile import Profile
from coach.core.shapes import Summary
from coach.devices.messages import Finished, Heard, PortState
from coach.devices.midi_in import MidiIn
from coach.devices.ports import Port, list_ports, pick_port
from coach.files.report import summary_text
from coach.files.settings import Settings, takes_folder
from coach.screen.window import Window

TICK_S = 0.1


def run_play(
    piece: Piece,
    *,
    settings: Settings,
    port: str | None,
    profile: Profile | None,
    tolerance_ms: float | None,
    level: str | None,
    amount: Amount = Amount.EVERYTHING,
    fixed: bool = False,
    headless: bool,
    screenshot: Path | None,
    night: bool,
    size: tuple[int, int] | None,
) -> int:
    """Follow the guitar until the player leaves; print the summary and where the take is.

    ``amount``: how much is shown while playing; unless ``fixed`` it fades as passes become clean.
    """
    terms, notices = terms_beside(piece, level)
    of_score = (f"{piece.path.name}: {notice}" for notice in (*piece.notices, *notices))
    for notice in (*settings.notices, *of_score):
        print(f"coach: {notice}", file=sys.stderr)
    if tolerance_ms is None:
        tolerance_ms = (
            terms.level.tolerance_ms if level else settings.tolerance_ms or terms.level.tolerance_ms
        )
    chosen = choose_port(port, settings)
    sitting = Sitting(
        piece,
        profile=profile or Profile(strings=piece.score.tuning.strings),
        limits=limits_of({}, tolerance_ms),
        terms=terms,
        folder=takes_folder(),
        started=datetime.now().astimezone(),
    )
    remembered = settings.last_port or None
    window = None if headless else open_window(piece, size=size, night=night)
    if window is None:
        summary, name = _play_unseen(sitting, port, remembered)
    else:
        live = Live(sitting, window, tempo=words.tempo_words(piece.score), amount=amount, fixed=fixed)
        if chosen is None:
            live.port_text, live.port_open = words.WAITING_FOR_PORT, False
        try:
            source = MidiIn(port, live.on_message, remembered=remembered)
            summary = live.run(source, screenshot, linger=screenshot is None)
        finally:
            window.close()
        name = live.port_name
    if name and name != settings.last_port:
        settings.last_port = name
        with contextlib.suppress(CoachError):  # remembering is a convenience; the take matters
            settings.save()
    return tell(summary, sitting)


def choose_port(wanted: str | None, settings: Settings) -> Port | None:
    """Return the port that will be used, or None where none is there yet.

    Raises PortError where the choice is not clear, or where no MIDI system answers.
    """
    ports = list_ports()
    try:
        return pick_port(ports, wanted, settings.last_port or None)
    except PortError as error:
        several = len([p for p in ports if not p.loops_back]) > 1
        if several and (wanted is None or "ports fit" in error.what):
            raise
        return None  # the reader waits for it, and says so


def open_window(piece: Piece, *, size: tuple[int, int] | None, night: bool) -> Window | None:
    """Return the window, or None with a line on why there is none."""
    try:
        return Window(piece.score, piece.xml, size=size, night=night)
    except CoachError:
        print(f"coach: {words.NO_DISPLAY}", file=sys.stderr)
        return None


def _play_unseen(sitting: Sitting, port: str | None, remembered: str | None) -> tuple[Summary | None, str]:
    """Follow without a window until interrupted, saying what is settled and how the port stands."""
    stop, lock = Event(), Lock()
    name = [""]

    def on_message(message: Heard | PortState | Finished) -> None:
        with lock:
            if isinstance(message, Heard):
                sitting.hear(message)
            elif isinstance(message, PortState):
                name[0] = message.port or name[0]
                print(message.text, flush=True)

    def leave(signum: int, frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, leave) for number in (signal.SIGINT, signal.SIGTERM)}
    print(words.PLAY_UNSEEN, flush=True)
    source = MidiIn(port, on_message, remembered=remembered)
    source.start()
    try:
        while not stop.wait(TICK_S):
            with lock:
                sitting.tick(time.perf_counter_ns())
    finally:
        source.close()
        for number, handler in before.items():
            signal.signal(number, handler)
    sitting.end(time.perf_counter_ns())
    if not sitting.begun:
        return None, name[0]
    return sitting.summary(), name[0]


def tell(summary: Summary | None, sitting: Sitting) -> int:
    """Print the summary and where the take is; return the exit code."""
    if summary is None:
        print(words.NOTHING_PLAYED)
        return 0
    print(f"{summary.headline}\n\n{summary_text(summary)}")
    recorder = sitting.recorder
    if recorder is not None and recorder.failed:
        print(f"coach: {recorder.failed}", file=sys.stderr)
        return 1
    if recorder is not None:
        print(f"\n{words.TAKE_SAVED.format(path=recorder.path)}")
    return 0
