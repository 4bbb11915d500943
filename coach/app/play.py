"""``coach play``: the guitar, live."""

from __future__ import annotations

import contextlib
import signal
import sys
import time
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from threading import Event, Lock
from types import FrameType

from coach.app.history import remember_sitting
from coach.app.live import Live
from coach.app.look import USUAL_LOOK, Look
from coach.app.pedal import PedalReader, Presence, own_port, pedal_of
from coach.app.piece import Piece
from coach.app.sitting import Sitting, limits_of
from coach.app.telling import Telling
from coach.app.terms import Terms, terms_beside
from coach.core import tempo_words, words
from coach.core.errors import CoachError, PortError
from coach.core.feedback import Amount
from coach.core.profile import Profile
from coach.core.shapes import Summary
from coach.core.verdicts import Limits
from coach.core.view import Viewer
from coach.devices.messages import Finished, Heard, PortState
from coach.devices.midi_in import MidiIn, OnMessage
from coach.devices.ports import Port, candidates, list_ports, no_choice
from coach.files.report import summary_text
from coach.files.settings import Settings, takes_folder
from coach.screen.theme import Reading
from coach.screen.window import Window

TICK_S = 0.1


@dataclass(frozen=True, slots=True)
class Asked:
    """What a sitting was asked for; None where nothing was."""

    port: str | None = None
    profile: Profile | None = None
    kept: bool = False  # that profile was not asked for but learnt: another guitar's take does not have it
    tolerance_ms: float | None = None
    level: str | None = None
    all_strings: bool = False  # the melody's strings are judged too
    headless: bool = False
    screenshot: Path | None = None
    look: Look = USUAL_LOOK

    def profile_for(self, piece: Piece) -> Profile:
        """Return the pickup's profile; one that was learnt on another number of strings is no help."""
        strings = piece.score.tuning.strings
        if self.profile is None or (self.kept and self.profile.strings != strings):
            return Profile(strings=strings)
        return self.profile


def run_play(
    piece: Piece,
    asked: Asked,
    *,
    settings: Settings,
    amount: Amount = Amount.EVERYTHING,
    fixed: bool = False,
) -> int:
    """Follow the guitar until the player leaves; print the summary and where the take is.

    ``amount``: how much is shown while playing; unless ``fixed`` it fades as passes become clean.
    """
    sitting, chosen = sit_down(piece, asked, settings)
    look = asked.look
    window = None if asked.headless else open_window(piece, look, look.reading(settings))
    if window is None:
        summary, name = _play_unseen(sitting, asked.port, settings)
        remember_port(settings, name)
        return tell(summary, sitting)
    live = Live(
        sitting,
        window,
        tempo=tempo_words.written_tempo(piece.score),
        amount=amount,
        fixed=fixed,
        pedal=pedal_of(settings, asked.port, sitting.session.profile),
        still=look.still or settings.still,
    )
    return run_live(live, chosen, asked, settings)


def sit_down(piece: Piece, asked: Asked, settings: Settings) -> tuple[Sitting, Port | None]:
    """Return a new sitting, and the port it will hear; say on stderr what there is to notice.

    Raises CoachError where a port or the taste file cannot be used.
    """
    terms, limits = terms_asked(piece, asked, settings)
    chosen = choose_port(asked.port, settings)
    sitting = Sitting(
        piece,
        profile=asked.profile_for(piece),
        limits=limits,
        terms=terms,
        folder=takes_folder(),
        started=datetime.now().astimezone(),
    )
    return sitting, chosen


def terms_asked(piece: Piece, asked: Asked, settings: Settings) -> tuple[Terms, Limits]:
    """Return what is asked for in a sitting, and how exactly; say on stderr what there is to notice.

    Raises CoachError where the taste file cannot be used.
    """
    terms, notices = terms_beside(piece, asked.level)
    of_score = (f"{piece.path.name}: {notice}" for notice in (*piece.notices, *notices))
    for notice in (*settings.notices, *of_score):
        print(f"coach: {notice}", file=sys.stderr)
    tolerance_ms = asked.tolerance_ms
    if tolerance_ms is None:
        kept_ms = None if asked.level else settings.tolerance_ms
        tolerance_ms = kept_ms or terms.level.tolerance_ms
    return terms, replace(limits_of({}, tolerance_ms), all_strings=asked.all_strings)


def run_live(
    live: Live, chosen: Port | None, asked: Asked, settings: Settings, *, remember: bool = True
) -> int:
    """Run a live sitting in its window to the end; return the exit code.

    ``remember``: its passes go into the history, unless the caller sees to that.
    """
    if chosen is None:
        live.port_text, live.port_open = words.WAITING_FOR_PORT, False
    told = Presence(live.on_notice)
    pedal = PedalReader(settings, live.on_press, guitar_port=asked.port, on_state=told.take)
    try:
        source = guitar_in(asked.port, live.on_message, settings)
        pedal.start()
        summary = live.run(source, asked.screenshot, linger=asked.screenshot is None)
    finally:
        pedal.close()
        live.window.close()
    remember_port(settings, live.port_name)
    return tell(summary, live.sitting, remember=remember)


def remember_port(settings: Settings, name: str) -> None:
    """Remember the port that was heard."""
    if name and name != settings.last_port:
        settings.last_port = name
        with contextlib.suppress(CoachError):  # remembering is a convenience; the take matters
            settings.save()


def choose_port(wanted: str | None, settings: Settings) -> Port | None:
    """Return the port that will be used, or None where none is there yet.

    The learnt pedal's own port is used only where it is ``wanted``.  Raises PortError where the choice is not
    clear, or where no MIDI system answers.
    """
    ports = list_ports()
    found = candidates(ports, wanted, settings.last_port or None, avoid=own_port(settings))
    if len(found) > 1:
        raise PortError("MIDI", *no_choice(ports, found, wanted))
    return found[0] if found else None  # the reader waits for it, and says so


def guitar_in(wanted: str | None, on_message: OnMessage, settings: Settings) -> MidiIn:
    """Return a reader, to be started, of the guitar's port as ``choose_port`` means it, once it is there."""
    remembered, avoid = settings.last_port or None, own_port(settings)
    return MidiIn(wanted, on_message, remembered=remembered, avoid=avoid)


def open_window(piece: Piece, look: Look, reading: Reading) -> Window | None:
    """Return the window, or None with a line on why there is none."""
    try:
        return Window(piece.score, piece.xml, size=look.size, night=look.night, reading=reading)
    except CoachError:
        print(f"coach: {words.NO_DISPLAY}", file=sys.stderr)
        return None


def _play_unseen(sitting: Sitting, port: str | None, settings: Settings) -> tuple[Summary | None, str]:
    """Follow without a window until interrupted, saying what is settled and how the port stands."""
    stop, lock = Event(), Lock()
    name = [""]

    def on_message(message: Heard | PortState | Finished) -> None:
        with lock:
            if isinstance(message, Heard):
                sitting.hear(message)
                if news := sitting.news():
                    print(news, flush=True)
            elif isinstance(message, PortState):
                name[0] = message.port or name[0]
                print(message.text, flush=True)

    def leave(signum: int, frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, leave) for number in (signal.SIGINT, signal.SIGTERM)}
    print(words.PLAY_UNSEEN, flush=True)
    telling = Telling(Viewer(sitting.session))
    source = guitar_in(port, on_message, settings)
    source.start()
    try:
        while not stop.wait(TICK_S):
            with lock:
                sitting.tick(time.perf_counter_ns())
                said = telling.due(sitting.now_us(time.perf_counter_ns()))
            if said.of_pass:
                print(said.of_pass, flush=True)
    finally:
        source.close()
        for number, handler in before.items():
            signal.signal(number, handler)
    sitting.end(time.perf_counter_ns())
    if not sitting.begun:
        return None, name[0]
    return sitting.summary(), name[0]


def tell(summary: Summary | None, sitting: Sitting, *, remember: bool = True) -> int:
    """Print the summary and where the take is, and remember the passes; return the exit code."""
    if summary is None:
        print(words.NOTHING_PLAYED)
        return 0
    print(f"{summary.headline}\n\n{summary_text(summary)}")
    for line in remember_sitting(sitting) if remember else ():
        print(f"coach: {line}", file=sys.stderr)
    recorder = sitting.recorder
    if recorder is not None and recorder.failed:
        print(f"coach: {recorder.failed}", file=sys.stderr)
        return 1
    if recorder is not None:
        print(f"\n{words.TAKE_SAVED.format(path=recorder.path)}")
    return 0
