"""``coach review --window``: a saved take to look back at, and pictures of it."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable
from pathlib import Path

from coach.app.drill_sound import Player, heard_again
from coach.app.judged import Judged
from coach.app.look_back import LookBack, leaf_named
from coach.app.piece import Piece
from coach.app.rewind import Rewind
from coach.app.terms import Terms
from coach.core.profile import Profile
from coach.core.verdicts import Limits
from coach.devices.sound import Speaker
from coach.files.take import Take
from coach.screen.review_window import DESK, Asked, ReviewWindow
from coach.screen.theme import Reading
from coach.screen.window import Action

FRAME_MS = 16
CALM_MS = 250  # so that Ctrl-C in the terminal is heard while nothing moves


def look_back(
    take: Take,
    piece: Piece,
    *,
    profile: Profile | None,
    limits: Limits,
    terms: Terms | None = None,
    other: Judged | None = None,
    model: bool = False,
    leaf: str = "page",
    number: int | None = None,
) -> LookBack:
    """Return a take to look back at, at a leaf, with a pass chosen; ``other`` may be a ``model``."""
    found = LookBack(Rewind(take, piece, profile=profile, limits=limits, terms=terms), other, model=model)
    found.leaf = leaf_named(leaf)
    if number is not None:
        found.choose(number)
    return found


def run_replay(
    found: LookBack,
    *,
    night: bool = False,
    size: tuple[int, int] | None = None,
    reading: Reading = DESK,
    screenshot: Path | None = None,
) -> int:
    """Look back until the window is closed; with ``screenshot`` write what it shows then."""
    piece = found.rewind.piece
    ear = Ear(found)
    with ReviewWindow(piece.score, piece.xml, found.ruler, size=size, night=night, reading=reading) as window:
        try:
            with contextlib.suppress(KeyboardInterrupt):
                _loop(window, found, ear)
        finally:
            ear.close()
        if screenshot is not None:
            window.screenshot(screenshot)
    return 0


def write_leaf(
    found: LookBack,
    path: Path,
    *,
    night: bool = False,
    size: tuple[int, int] | None = None,
    reading: Reading = DESK,
) -> None:
    """Write a leaf as a PNG, as it stands when nothing moves."""
    piece = found.rewind.piece
    with ReviewWindow(
        piece.score, piece.xml, found.ruler, size=size, night=night, reading=reading, offscreen=True
    ) as window:
        window.show(found.scene())
        window.screenshot(path)


class Ear:
    """Lets the chosen pass be heard; opens the sound only when it is asked for."""

    def __init__(self, found: LookBack, speaker: Callable[[], Player] | None = None) -> None:
        self.found = found
        self._make = speaker or (
            lambda: Speaker(on_state=lambda line: print(f"coach: {line}", file=sys.stderr))
        )
        self._player: Player | None = None

    def press(self, action: Action) -> None:
        """Let hear what was asked for; anything else ends what is heard."""
        found = self.found
        if action not in (Action.LAST_PASS, Action.MENDED) or not found.chosen:
            self.hush()
            return
        self._player = self._player or self._make()
        mended = action is Action.MENDED
        self._player.play(heard_again(found.judged.session, found.chosen, mended=mended))
        if not mended:  # the page goes along
            found.play_pass()

    def hush(self) -> None:
        """End what is heard."""
        if self._player is not None and self._player.playing:
            self._player.stop()

    def close(self) -> None:
        """Close the sound."""
        if self._player is not None:
            self._player.close()


def _loop(window: ReviewWindow, found: LookBack, ear: Ear) -> None:
    window.show(found.scene())
    before_ns = time.perf_counter_ns()
    while True:
        playing = found.playing
        asked = window.wait(FRAME_MS if playing else CALM_MS)
        now_ns = time.perf_counter_ns()
        if playing:
            found.advance((now_ns - before_ns) // 1000)
        before_ns = now_ns
        for one in asked:
            if one.action is Action.QUIT:
                return
            steer(found, one)
            if one.action is not None:
                ear.press(one.action)
        window.show(found.scene())


def steer(found: LookBack, asked: Asked) -> None:
    """Do what a person asked for."""
    if asked.action is not None:
        found.press(asked.action)
    elif asked.choose is not None:
        found.choose(asked.choose)
    elif asked.seek_us is not None:
        found.seek(asked.seek_us)
