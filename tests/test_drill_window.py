"""``coach drill`` as a player meets it: a real window, a real MIDI port, keys, and what is left."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from coach.app.drill import Wanted, ladder_of, maker, rules_of
from coach.app.drill_live import DrillLive
from coach.app.sitting import limits_of
from coach.app.terms import Terms
from coach.core import drill_words, sound_words, tempo_words
from coach.core.drill import Drill
from coach.core.sounding import Track
from coach.devices.messages import PortState
from coach.files.take import read_take
from coach.screen.keys import DRILL_KEYS, Action
from coach.screen.page_words import DRILL_KEYS as KEY_LINES
from coach.screen.window import Window
from tests.drill_room import EVEN, etude
from tests.harness import (
    ROOT,
    Display,
    JackServer,
    Picture,
    Plug,
    Program,
    differs,
    display_of,
    missing,
    picture_of,
    program,
    until,
)
from tests.player import Converter, Player

SIZE = (1280, 720)
NUMBER = 4  # of the étude, in 6/8
SCORE = ROOT / "scores" / "04-pages-turning.musicxml"
AT = 2  # "melody alone, bar 1": the shortest step
FAST = Wanted(start=72, goal=72)  # beats a minute: half as fast again as written
DRILL = ("drill", str(SCORE), "--port", "guitar", "--at", str(AT), "--from", "72", "--goal", "72")
NO_SOUND = "raise OSError('PortAudio library not found')\n"


@pytest.fixture(scope="module")
def display(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Display]:
    if why := missing("xdotool", "Xvfb"):
        pytest.skip(f"needs a window: {why} (apt-get install xdotool xvfb)")
    with display_of(tmp_path_factory.mktemp("frames"), *SIZE) as shown:
        yield shown


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Engraved pages are kept in one place, also the test's own."""
    kept = tmp_path_factory.mktemp("cache")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(kept))
        yield kept


@pytest.fixture
def guitar(jack: JackServer, cache: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Plug]:
    pytest.importorskip("rtmidi")
    for key, value in jack.env.items():
        monkeypatch.setenv(key, value)
    with Plug("guitar") as plug:
        yield plug


class Mute:
    """A loudspeaker that is not there, and says so."""

    trouble = sound_words.NO_DEVICE.format(why=sound_words.NO_LIBRARY)
    playing = False

    def play(self, track: Track, *, at_ns: int | None = None) -> int:
        return 0

    def start_ns(self, token: int) -> int | None:
        return None

    def stop(self) -> None: ...

    def close(self) -> None: ...


@pytest.fixture
def mirror() -> Iterator[DrillLive]:
    """What the program should show, drawn here: without sound, on a clock that stands."""
    with mirror_of(None) as live:
        yield live


@contextmanager
def mirror_of(player: Mute | None) -> Iterator[DrillLive]:
    piece = etude(NUMBER)
    drill = Drill(ladder_of(piece, Terms(), Wanted()), rules_of(piece, FAST), at=AT - 1)
    drill.tempo_words = lambda speed: tempo_words.beats_a_minute(piece.score, speed)
    with Window(
        piece.score,
        piece.xml,
        size=SIZE,
        offscreen=True,
        title=piece.title,
        keys=DRILL_KEYS,
        key_lines=KEY_LINES,
    ) as window:
        live = DrillLive(
            drill, maker(piece, Terms(), None, limits_of({})), window, player=player, listen=False
        )
        window.turn_to(live.sitting.piece.score, live.sitting.piece.xml)
        live.speak = lambda sentence: None  # type: ignore[method-assign]
        live.on_message(PortState("open", "Listening to “guitar:out”.", "guitar:out"))
        yield live


def seen(live: DrillLive) -> Picture:
    live._drain()
    live.step(time.perf_counter_ns())
    live._show()
    return picture_of(live.window.surface)


def shows(running: Program, wanted: Picture, name: str) -> None:
    if not running.comes(lambda shown: np.array_equal(shown, wanted), 10):
        raise AssertionError(differs(running.shown, wanted, running.folder, name) + running.said)


def says(running: Program, line: str) -> None:
    assert until(lambda: line in running.said.splitlines(), 10), (line, running.said)


def takes(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.mid"))


def play(plug: Plug, live: DrillLive, seed: int) -> None:
    """Play the mirror's step once, cleanly, in its own time."""
    made = Player(
        live.sitting.piece.score, seed=seed, tempo=live.speed, manner=EVEN, converter=Converter.ideal()
    ).play()
    plug.send()  # waits for a listener
    begin = time.perf_counter()
    for time_us, data in made.messages:
        left = begin + time_us / 1e6 - time.perf_counter()
        if left > 0:
            time.sleep(left)
        plug.send(data)


def strokes_box(live: DrillLive, count: int) -> tuple[slice, slice]:
    """Where so many strokes are drawn and one fewer are not."""
    seen(live)
    view = live.window._view  # the last that was shown
    assert view is not None
    pictures = []
    for tally in (count, count - 1):
        live.window.show(replace(view, foot=replace(view.foot, tally=tally, message="")))
        pictures.append(picture_of(live.window.surface).copy())
    rows, columns = (pictures[0] != pictures[1]).nonzero()
    return slice(rows.min(), rows.max() + 1), slice(columns.min(), columns.max() + 1)


def test_passes_are_heard_and_counted_in_strokes(
    display: Display, guitar: Plug, mirror: DrillLive, tmp_path: Path
):
    """Two clean passes from the port; then the summary, the take, and the history."""
    with program(display, tmp_path, *DRILL, size=SIZE) as running:
        play(guitar, mirror, 1)
        says(running, "Clean, 1 of 3.")
        play(guitar, mirror, 2)
        says(running, "Clean, 2 of 3.")
        box = strokes_box(mirror, 2)
        view = mirror.window._view
        assert view is not None
        mirror.window.show(replace(view, foot=replace(view.foot, tally=2, message="")))
        wanted = picture_of(mirror.window.surface)[box].copy()
        assert running.comes(lambda shown: np.array_equal(shown[box], wanted), 20), running.said
        running.press("Escape")
        assert until(lambda: bool(takes(tmp_path)) and read_take(takes(tmp_path)[0]).complete)
        said = running.leave("Escape")
    assert "2 passes played, 2 clean. You stand at: melody alone, bar 1, at 72 beats a minute." in said
    (take,) = takes(tmp_path)
    meta = read_take(take).meta
    assert (meta.part, meta.chunk, meta.speed) == ("melody", (0, 0), 1.5)
    assert (tmp_path / "ladders").is_dir()
    places = {name: str(tmp_path) for name in ("COACH_TAKES", "XDG_CONFIG_HOME", "XDG_DATA_HOME")}
    told = subprocess.run(
        [sys.executable, "-m", "coach", "history", str(SCORE)],
        cwd=ROOT, env={**os.environ, **places}, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    assert etude(NUMBER).title in told.stdout
    assert told.stderr == ""
    listed = subprocess.run(
        [sys.executable, "-m", "coach", "drill", str(SCORE), "--list"],
        cwd=ROOT, env={**os.environ, **places}, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    assert "→   2  melody alone, bar 1" in listed.stdout.splitlines()


def test_keys_without_any_sound_device(display: Display, guitar: Plug, tmp_path: Path):
    with mirror_of(Mute()) as mirror:
        keys_without_any_sound_device(display, mirror, tmp_path)


def keys_without_any_sound_device(display: Display, mirror: DrillLive, tmp_path: Path) -> None:
    (tmp_path / "hidden").mkdir()
    (tmp_path / "hidden" / "sounddevice.py").write_text(NO_SOUND)
    env = {"PYTHONPATH": str(tmp_path / "hidden"), "SDL_AUDIODRIVER": "nothing-of-that-name"}
    with program(display, tmp_path, *DRILL, "--no-model", size=SIZE, env=env) as running:
        shows(running, seen(mirror), "opened")
        running.press("c")
        mirror.act(Action.CLICK)
        shows(running, seen(mirror), "click")
        running.press("c")
        mirror.act(Action.CLICK)
        shows(running, seen(mirror), "no click")
        for key, action, line in (
            ("Down", Action.SLOWER, "Slower, at 67 beats a minute."),
            ("Up", Action.FASTER, "Faster, at 72 beats a minute."),
            ("n", Action.HARDER, "Next: melody alone, bar 2, at 72 beats a minute."),
            ("b", Action.EASIER, "Slower, at 67 beats a minute."),
        ):
            running.press(key)
            says(running, line)
            mirror.act(action)
            shows(running, seen(mirror), key)
        running.press("F1")
        opened = running.changes(seen(mirror))
        running.press("F1")
        shows(running, seen(mirror), "help away")
        assert not np.array_equal(opened, seen(mirror))
        running.press("space")
        mirror.act(Action.LISTEN)
        shows(running, seen(mirror), "no sound")
        running.press("a", "d", "t", "m")  # nothing of it is heard, and nothing breaks
        running.press("x")
        says(running, drill_words.HURT)
        assert "Nothing was played" in running.leave("Escape")
    assert takes(tmp_path) == []
    assert len([line for line in running.said.splitlines() if line.startswith("coach: ")]) == 1  # no sound


def test_silent_says_so_at_the_foot(display: Display, guitar: Plug, mirror: DrillLive, tmp_path: Path):
    with program(display, tmp_path, *DRILL, "--silent", size=SIZE) as running:
        shows(running, seen(mirror), "opened")
        running.press("space")
        mirror.act(Action.LISTEN)
        shows(running, seen(mirror), "no sound")
        running.leave("q")
