"""``coach demo``: an included take through the whole live path, from the driver's bytes to the page."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from coach.app.live import Live
from coach.app.look import USUAL_LOOK, Look
from coach.app.piece import Piece, find_score, open_piece
from coach.app.play import open_window, tell
from coach.app.sitting import Sitting, limits_of
from coach.core import tempo_words, words
from coach.core.errors import CoachError
from coach.core.shapes import Foot
from coach.core.view import Viewer
from coach.devices.messages import Heard
from coach.devices.take_player import TakePlayer
from coach.files.settings import included, load_settings
from coach.files.take import Take, read_take
from coach.screen.theme import Reading
from coach.screen.window import Window

DEMO_TAKE = "02-a-borrowed-umbrella-evening.mid"


def run_demo(*, headless: bool, screenshot: Path | None, look: Look = USUAL_LOOK, speed: float = 1.0) -> int:
    """Play the included take in a window, or at once where there is none; print the summary."""
    settings = load_settings()
    path = included("recordings", DEMO_TAKE)
    take = read_take(path)
    score = find_score(take.meta.digest, [])
    if score is None:
        raise CoachError(path.name, "its score is not installed", "install the program again")
    piece = open_piece(score)
    sitting = Sitting(
        piece,
        profile=take.meta.profile,
        limits=limits_of(take.meta.tolerances),
        folder=None,
        started=datetime.now().astimezone(),
        speed=1.0 if headless else speed,
    )
    reading = look.reading(settings)
    window = None if headless else open_window(piece, look, reading)
    print(words.DEMO_INTRO.format(title=piece.score.title), flush=True)
    if window is None:
        _at_once(take, piece, sitting, screenshot, look, reading)
        return tell(sitting.summary(), sitting)
    live = Live(
        sitting,
        window,
        tempo=tempo_words.written_tempo(piece.score),
        still=look.still or settings.still,
    )
    try:
        source = TakePlayer(take.messages, live.on_message, speed=speed, name=words.DEMO_SOURCE)
        summary = live.run(source, screenshot, linger=screenshot is None)
    finally:
        window.close()
    return tell(summary, sitting)


def _at_once(
    take: Take,
    piece: Piece,
    sitting: Sitting,
    screenshot: Path | None,
    look: Look,
    reading: Reading,
) -> None:
    """The same path without waiting: stamps are the take's own times."""
    for time_us, data in take.messages:
        sitting.hear(Heard(time_us * 1000, data))
    sitting.end(take.end_us * 1000)
    if screenshot is not None:
        window = Window(
            piece.score, piece.xml, size=look.size, night=look.night, offscreen=True, reading=reading
        )
        try:
            foot = Foot(tempo=tempo_words.written_tempo(piece.score))
            window.show(Viewer(sitting.session).view(sitting.session.now_us, foot=foot))
            window.screenshot(screenshot)
        finally:
            window.close()
