"""A real window on an X server of its own: drawing, keys, waking, resizing, and no display at all."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pygame
import pytest

from coach.core.errors import CoachError
from coach.core.shapes import Foot, Ring, RingState, Summary, SummaryRow, View
from coach.files.score_file import ScoreFile, read_score
from coach.screen.engraving import Engraver, can_engrave
from coach.screen.keys import Action
from coach.screen.theme import DAY, NIGHT
from coach.screen.window import UserEvent, Window
from tests.harness import missing
from tests.views import blank_view

SCORES = Path(__file__).parents[1] / "scores"
SIZE = (1280, 720)
SUMMARY = Summary(
    headline="An Evening",
    sentences=("20 of 21 notes were right.", "Mend bar 2 first.", "Play bars 1–2 slowly."),
    rows=(SummaryRow("2", "3", 5, "rang on", "+240 ms", "lay the thumb back on string 5"),),
)


@pytest.fixture(scope="module")
def read() -> ScoreFile:
    return read_score(SCORES / "01-lamps-on.musicxml")


@pytest.fixture
def on_x(x_display: str, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("DISPLAY", x_display)
    monkeypatch.setenv("SDL_VIDEODRIVER", "x11")
    return x_display


def failing(folder: Path) -> Engraver:
    """An engraver that can do nothing."""
    return Engraver(lambda *_: None, folder=folder, command=(sys.executable, "-c", "raise SystemExit(1)"))


@pytest.fixture
def window(on_x: str, read: ScoreFile, tmp_path: Path) -> Iterator[Window]:
    with Window(read.score, "", size=SIZE, engraver=failing(tmp_path)) as opened:
        yield opened


def view(read: ScoreFile, **more: object) -> View:
    return blank_view(read.score, **{"foot": Foot(port="guitar heard"), **more})


def sounding(read: ScoreFile, quarters: float) -> View:
    note = read.score.notes[0]
    due = float(note["onset"] + note["duration"])
    ring = Ring(int(note["string"]), 0.0, quarters * 10_080, due, RingState.SOUNDING, True, True, 0, "", 0)
    return view(read, rings=(ring,))


def waited(
    window: Window, found: Callable[[list[UserEvent]], bool], seconds: float = 10.0
) -> list[UserEvent]:
    """Return everything that happened until it holds what is looked for."""
    events: list[UserEvent] = []
    end = time.monotonic() + seconds
    while not found(events):
        assert time.monotonic() < end, f"so far {events}"
        events += window.wait(50)
    return events


def xdotool(display: str, *words: str) -> str:
    done = subprocess.run(
        ["xdotool", *words],
        env={**os.environ, "DISPLAY": display},
        capture_output=True,
        text=True,
        check=True,
        timeout=20,
    )
    return done.stdout.strip()


def our_window(display: str) -> str:
    return xdotool(display, "search", "--sync", "--onlyvisible", "--class", "^coach$").splitlines()[0]


def pressed(display: str, window: Window, key: str) -> None:
    xdotool(display, "windowfocus", "--sync", our_window(display), "key", key)


needs_xdotool = pytest.mark.skipif(
    missing("xdotool") is not None, reason="needs xdotool (apt-get install xdotool)"
)


# --- drawing ----------------------------------------------------------------------------------------


def test_the_window_is_there_with_paper_and_title_before_any_view(window: Window):
    assert pygame.display.get_driver() == window.driver == "x11"
    assert window.surface.get_size() == SIZE
    assert tuple(window.surface.get_at((5, 5)))[:3] == DAY.paper
    written = pygame.surfarray.array3d(window.surface)
    assert (written.sum(axis=2) < 200).any()


@needs_xdotool
def test_the_window_is_found_by_its_class(window: Window, on_x: str):
    assert our_window(on_x).isdecimal()


def test_a_view_is_drawn_once_and_then_only_what_changed(window: Window, read: ScoreFile):
    assert window.show(sounding(read, 0.2))
    assert not window.show(sounding(read, 0.2))
    before = pygame.surfarray.array3d(window.surface)
    assert window.show(sounding(read, 0.5))
    xs, ys, _ = (before != pygame.surfarray.array3d(window.surface)).nonzero()
    assert window.page is not None
    row = window.page.sizes.row
    assert len(xs) > 0
    assert ys.max() - ys.min() <= row
    assert window.show(sounding(read, 0.2))
    assert (before == pygame.surfarray.array3d(window.surface)).all()


@pytest.mark.skipif(
    missing("import", "xdotool") is not None,
    reason="needs import and xdotool (apt-get install imagemagick xdotool)",
)
def test_what_the_server_shows_is_what_was_drawn(window: Window, read: ScoreFile, on_x: str, tmp_path: Path):
    window.show(sounding(read, 0.9))
    window.wait(50)
    shot = tmp_path / "shot.png"
    subprocess.run(
        ["import", "-window", our_window(on_x), str(shot)],
        env={**os.environ, "DISPLAY": on_x},
        check=True,
        timeout=30,
    )
    found = pygame.image.load(str(shot))
    assert window.page is not None
    layout = window.page.layout
    place = layout.places.x_of(0.5 * 10_080)
    assert place is not None
    strings = layout.strings[0]
    string = int(read.score.notes["string"][0])
    y = layout.row_y(0, strings.index(string), len(strings))
    red, green, blue = tuple(found.get_at((round(layout.left + place[1]), y)))[:3]
    assert blue > red + 60, (red, green, blue)  # the colour of "as written"
    assert tuple(found.get_at((3, y)))[:3] == DAY.paper


def test_a_screenshot_is_the_windows_picture(window: Window, read: ScoreFile, tmp_path: Path):
    window.show(view(read))
    window.screenshot(tmp_path / "page.png")
    saved = pygame.image.load(str(tmp_path / "page.png"))
    assert pygame.image.tobytes(saved, "RGB") == pygame.image.tobytes(window.surface, "RGB")


def test_a_screenshot_that_cannot_be_written_is_one_sentence(window: Window, read: ScoreFile, tmp_path: Path):
    with pytest.raises(CoachError, match="cannot be written"):
        window.screenshot(tmp_path / "no" / "such" / "folder.png")


# --- waiting ----------------------------------------------------------------------------------------


def test_wait_ends_when_another_thread_wakes_it(window: Window):
    waited_ms: list[float] = []

    def wait() -> None:
        start = time.monotonic()
        window.wait(20_000)
        waited_ms.append((time.monotonic() - start) * 1000)

    window.wait(100)  # whatever opening the window brought
    timer = threading.Timer(0.2, window.wake)
    timer.start()
    wait()
    timer.join()
    assert waited_ms[0] < 15_000


def test_many_wakes_are_one_event(window: Window):
    window.wait(100)
    for _ in range(70_000):  # SDL's queue holds 65,535 events and then refuses
        window.wake()
    window.wait(1000)
    window.wake()
    assert window.wait(1000) == []


def test_wait_returns_in_time_when_nothing_happens(window: Window):
    window.wait(100)
    assert window.wait(1) == []


@needs_xdotool
@pytest.mark.parametrize(
    ("key", "action"),
    [
        ("space", Action.PAUSE),
        ("Right", Action.NEXT_BAR),
        ("Next", Action.NEXT_BAR),
        ("Left", Action.PREV_BAR),
        ("n", Action.NEXT_FAULT),
        ("Up", Action.FASTER),
        ("Down", Action.SLOWER),
        ("r", Action.RESTART),
        ("Escape", Action.QUIT),
    ],
)
def test_keys_are_actions(window: Window, read: ScoreFile, on_x: str, key: str, action: Action):
    window.show(view(read))
    pressed(on_x, window, key)
    assert UserEvent(action) in waited(window, bool)


@needs_xdotool
def test_help_night_and_full_screen_are_the_windows_own_affair(window: Window, read: ScoreFile, on_x: str):
    window.show(view(read))
    day = pygame.image.tobytes(window.surface, "RGB")
    pressed(on_x, window, "l")
    waited(window, lambda _: window.palette is NIGHT)
    assert tuple(window.surface.get_at((5, 5)))[:3] == NIGHT.paper
    pressed(on_x, window, "l")
    waited(window, lambda _: window.palette is DAY)
    assert pygame.image.tobytes(window.surface, "RGB") == day
    pressed(on_x, window, "F1")
    waited(window, lambda _: pygame.image.tobytes(window.surface, "RGB") != day)
    assert not window.show(sounding(read, 0.5))  # the sheet stays on top
    pressed(on_x, window, "Escape")  # closes the sheet, not the window
    events = waited(window, lambda _: pygame.image.tobytes(window.surface, "RGB") != day)
    assert events == []
    assert not window.show(sounding(read, 0.5))  # drawn when the sheet was taken away


@needs_xdotool
def test_a_resized_window_is_laid_out_anew(window: Window, read: ScoreFile, on_x: str):
    window.show(sounding(read, 0.5))
    xdotool(on_x, "windowsize", "--sync", our_window(on_x), "1600", "900")
    waited(window, lambda _: window.surface.get_size() == (1600, 900))
    assert window.page is not None
    assert (window.page.sizes.width, window.page.sizes.height) == (1600, 900)
    drawn = pygame.surfarray.array3d(window.surface)
    assert (drawn[:, -60:].sum(axis=2) < 300).any()  # the foot stands at the new lower edge


def test_the_summary_covers_the_page_until_a_view_is_shown(window: Window, read: ScoreFile):
    window.show(view(read))
    page = pygame.image.tobytes(window.surface, "RGB")
    window.show_summary(SUMMARY)
    assert pygame.image.tobytes(window.surface, "RGB") != page
    assert window.show(view(read))
    assert pygame.image.tobytes(window.surface, "RGB") == page


# --- engraving arrives ------------------------------------------------------------------------------


@pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")
def test_the_engraved_page_takes_the_plain_ones_place(
    on_x: str, read: ScoreFile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("coach.screen.engraving.cache_folder", lambda: tmp_path)
    with Window(read.score, read.xml, size=SIZE) as window:
        window.show(view(read))
        assert window.page is not None
        assert window.page.engraved.plain
        waited(window, lambda _: window.page is not None and not window.page.engraved.plain, 30)
        arrived = pygame.image.tobytes(window.surface, "RGB")
    with Window(read.score, read.xml, size=SIZE) as again:  # from the cache: at once
        again.show(view(read))
        assert again.page is not None
        assert not again.page.engraved.plain
        assert pygame.image.tobytes(again.surface, "RGB") == arrived


def test_where_engraving_fails_the_plain_staff_stays_and_says_why(on_x: str, read: ScoreFile, tmp_path: Path):
    with Window(read.score, read.xml, size=SIZE) as window:
        window.binder._engraver = Engraver(
            window.binder._on_engraved, folder=tmp_path, command=(sys.executable, "-c", "raise SystemExit(7)")
        )
        window.show(view(read))
        waited(window, lambda _: window.notice != "", 30)
        assert window.page is not None
        assert window.page.engraved.plain
        assert window.show(sounding(read, 0.5))


# --- without a display ------------------------------------------------------------------------------


def test_no_display_is_one_sentence(read: ScoreFile, monkeypatch: pytest.MonkeyPatch):
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"):
        monkeypatch.delenv(name, raising=False)
    if sys.platform != "linux":
        pytest.skip("other systems have no DISPLAY to take away")
    with pytest.raises(CoachError, match="without the window") as caught:
        Window(read.score, "")
    assert "\n" not in str(caught.value)


def test_a_display_that_is_gone_is_one_sentence(read: ScoreFile, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("DISPLAY", ":7654")
    monkeypatch.setenv("SDL_VIDEODRIVER", "x11")
    with pytest.raises(CoachError, match="without the window"):
        Window(read.score, "")


@pytest.mark.parametrize("size", [(1024, 600), (1280, 720), (1920, 1080), (3840, 2160)])
@pytest.mark.parametrize("night", [False, True], ids=["day", "night"])
def test_offscreen_needs_no_display(
    read: ScoreFile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: tuple[int, int], night: bool
):
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"):
        monkeypatch.delenv(name, raising=False)
    with Window(read.score, "", size=size, night=night, offscreen=True, engraver=failing(tmp_path)) as window:
        assert window.show(view(read))
        assert window.driver == ""
        window.screenshot(tmp_path / "page.png")
        assert window.wait(1) == []
    saved = pygame.image.load(str(tmp_path / "page.png"))
    assert saved.get_size() == size
    assert tuple(saved.get_at((2, 2)))[:3] == (NIGHT if night else DAY).paper
