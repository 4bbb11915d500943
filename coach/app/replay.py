"""``coach review --window``: a saved take on the page, at any speed."""

from __future__ import annotations

import contextlib
import time
from pathlib import Path

from coach.app.piece import Piece
from coach.app.rewind import Rewind
from coach.app.terms import Terms
from coach.core import words
from coach.core.profile import Profile
from coach.core.shapes import Foot
from coach.core.summary import other_sentence, summarise
from coach.core.verdicts import Limits
from coach.files.take import Take
from coach.screen.window import Action, Window

FRAME_MS = 16
CALM_MS = 250  # so that Ctrl-C in the terminal is heard while nothing moves


def run_replay(
    take: Take,
    piece: Piece,
    *,
    profile: Profile | None,
    limits: Limits,
    screenshot: Path | None,
    terms: Terms | None = None,
) -> int:
    """Replay a take until the window is closed; with ``screenshot`` write its last page then."""
    rewind = Rewind(take, piece, profile=profile, limits=limits, terms=terms)
    with Window(piece.score, piece.xml) as window, contextlib.suppress(KeyboardInterrupt):
        _loop(window, rewind)
    if screenshot is not None:
        write_page(take, piece, profile=profile, limits=limits, path=screenshot, terms=terms)
    return 0


def write_page(
    take: Take,
    piece: Piece,
    *,
    profile: Profile | None,
    limits: Limits,
    path: Path,
    terms: Terms | None = None,
) -> None:
    """Write the page as it stands at the end of a take, as a PNG."""
    rewind = Rewind(take, piece, profile=profile, limits=limits, terms=terms)
    rewind.seek(rewind.end_us)
    with Window(piece.score, piece.xml, offscreen=True) as window:
        _show(window, rewind)
        window.screenshot(path)


def _loop(window: Window, rewind: Rewind) -> None:
    _show(window, rewind)
    before_ns = time.perf_counter_ns()
    summarised = False
    while True:
        running = not (rewind.paused or rewind.ended)
        events = window.wait(FRAME_MS if running else CALM_MS)
        now_ns = time.perf_counter_ns()
        if running:
            rewind.advance((now_ns - before_ns) // 1000)
        before_ns = now_ns
        for event in events:
            if event.action is Action.QUIT:
                return
            if event.action is not None:
                steer(rewind, event.action)
                summarised = False
        if rewind.ended and not summarised and not rewind.paused:
            window.show_summary(summarise(rewind.result, rewind.piece.title))
            summarised = True
        elif not summarised:
            _show(window, rewind)


def steer(rewind: Rewind, action: Action) -> None:
    """Do what a key asks of a replay."""
    match action:
        case Action.PAUSE:
            if rewind.ended:
                rewind.seek(0)
                rewind.paused = False
            else:
                rewind.paused = not rewind.paused
        case Action.NEXT_BAR:
            rewind.step_bar(1)
        case Action.PREV_BAR:
            rewind.step_bar(-1)
        case Action.NEXT_FAULT:
            rewind.paused = rewind.next_fault() or rewind.paused
        case Action.FASTER:
            rewind.change_speed(1)
        case Action.SLOWER:
            rewind.change_speed(-1)
        case Action.RESTART:
            rewind.seek(0)


def _show(window: Window, rewind: Rewind) -> None:
    at = rewind.now_us
    state = words.replay_words(at, rewind.end_us, rewind.speed, rewind.paused)
    foot = Foot(tempo=words.tempo_words(rewind.piece.score), port=state, message=_fault_now(rewind))
    window.show(rewind.viewer.view(at, foot=foot))


def _fault_now(rewind: Rewind) -> str:
    """Return the sentence of the fault that was judged last, while it is fresh."""
    fresh = None
    for one in rewind.result.passes:
        for fault in one.faults:
            if 0 <= rewind.now_us - fault.verdict.time_us < words.FAULT_SHOWN_US:
                fresh = fault
    return other_sentence(fresh) if fresh is not None else ""
