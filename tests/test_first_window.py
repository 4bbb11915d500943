"""The first page as a person meets it: a window under Xvfb, keys from xdotool, a guitar at a JACK port."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import mido
import numpy as np
import pygame
import pytest

from coach.app import first as first_module
from coach.app.first import First
from coach.app.first_today import next_step, print_marked
from coach.core.errors import CoachError, PortError
from coach.devices.messages import Heard, PortState
from coach.devices.ports import Port
from coach.files.history import History, history_path
from coach.files.history_rows import PassRow
from coach.files.settings import Settings
from coach.files.shelf import included_scores, kept_take, read_shelf
from coach.screen.first_layout import lay_out
from coach.screen.first_model import Act, Column, FirstModel, Key, Spot
from coach.screen.first_page import Done, FirstPage, measured
from coach.screen.theme import DAY, Sizes
from tests.harness import ROOT, missing, sending, until

SIZE = (1280, 720)
TAKE = ROOT / "recordings" / "02-a-borrowed-umbrella-evening.mid"
TITLE = "A Borrowed Umbrella"
RUN = "import sys; from coach.app.first import run_first; sys.exit(run_first(size=(1280, 720)))"
needs_x = pytest.mark.skipif(bool(missing("xdotool", "import")), reason="needs xdotool and imagemagick")


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user's folders of our own, with one take."""
    for name in ("XDG_CONFIG_HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME", "XDG_DOCUMENTS_DIR"):
        monkeypatch.setenv(name, str(tmp_path / name))
    takes = tmp_path / "takes"
    takes.mkdir()
    monkeypatch.setenv("COACH_TAKES", str(takes))
    shutil.copy(TAKE, takes / "2026-11-24-191200-a-borrowed-umbrella.mid")
    return tmp_path


@contextlib.contextmanager
def first_page(folder: Path, env: dict[str, str]) -> Iterator[subprocess.Popen[bytes]]:
    with (folder / "out").open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-c", RUN], cwd=ROOT, env={**os.environ, **env}, stdout=out, stderr=out
        )
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()
            process.wait()


def said(folder: Path) -> str:
    return (folder / "out").read_text("utf-8", "replace")


def asked(env: dict[str, str], *words: str) -> str:
    done = subprocess.run(
        ["xdotool", *words],
        env={**os.environ, **env}, capture_output=True, text=True, timeout=20, check=False,
    )  # fmt: skip
    return done.stdout.strip()


def windows(env: dict[str, str], title: str) -> list[str]:
    """The program's visible windows of a title (xdotool's search by title finds none without a manager)."""
    found = asked(env, "search", "--onlyvisible", "--class", "^coach$").split()
    return [one for one in found if asked(env, "getwindowname", one) == title]


def window(env: dict[str, str], name: str, folder: Path) -> str:
    assert until(lambda: bool(windows(env, name)), 40), f"no window {name!r}: {said(folder)}"
    return windows(env, name)[0]


def press(env: dict[str, str], window_id: str, *keys: str) -> None:
    asked(env, "windowfocus", "--sync", window_id, "key", *keys)  # so that its key-up finds the window too


def picture(env: dict[str, str], window_id: str, folder: Path) -> np.ndarray:
    """What another X client sees of a window, shape (width, height, 3)."""
    shot = folder / "window.png"
    subprocess.run(
        ["import", "-window", window_id, "-depth", "8", f"png24:{shot}"],
        env={**os.environ, **env}, timeout=30, check=True, capture_output=True,
    )  # fmt: skip
    return pygame.surfarray.array3d(pygame.image.load(str(shot))).astype(int)


def inked(shown: np.ndarray, box: tuple[float, float, float, float]) -> float:
    left, top, right, bottom = (round(value) for value in box)
    return float((np.abs(shown[left:right, top:bottom] - DAY.ink).max(axis=2) < 60).mean())


@needs_x
def test_open_move_look_back_and_leave(x_display, home):
    env = {"DISPLAY": x_display, "SDL_VIDEODRIVER": "x11", "JACK_NO_START_SERVER": "1"}
    titles = lay_out(FirstModel(), Sizes.of(*SIZE), measured)
    middle, top = SIZE[0] / 2, titles.strokes[0].one[1]
    with first_page(home, env) as coach:
        page = window(env, "coach", home)

        def focus_right() -> bool:
            """Whether the thick underline stands in the right column: its longest run of ink is there."""
            shown = picture(env, page, home)
            dark = np.abs(shown[:, round(top) + 40 : round(SIZE[1] * 0.4)] - DAY.ink).max(axis=2) < 60
            return dark[round(middle) :].sum(axis=0).max() > 1.5 * dark[: round(middle)].sum(axis=0).max()

        assert until(lambda: not focus_right(), 20)
        press(env, page, "Down", "Up", "Tab")
        assert until(focus_right, 20), said(home)
        press(env, page, "Return")
        replay = window(env, TITLE, home)
        press(env, replay, "Escape")
        page = window(env, "coach", home)
        assert coach.poll() is None
        press(env, page, "Escape")
        assert coach.wait(30) == 0, said(home)
    assert "Traceback" not in said(home)


@needs_x
def test_a_plucked_string_is_ringed_while_it_sounds(jack, x_display, home):
    held = mido.MidiFile(tracks=[mido.MidiTrack()])
    held.tracks[0] += [
        mido.Message("note_on", channel=4, note=45, velocity=90, time=0),
        mido.Message("note_off", channel=4, note=45, time=held.ticks_per_beat * 6),  # 3 s at 120 a minute
    ]
    held.save(home / "held.mid")
    env = {**jack.env, "DISPLAY": x_display, "SDL_VIDEODRIVER": "x11"}
    numbers = lay_out(FirstModel(), Sizes.of(*SIZE), measured).numbers

    def ringed() -> set[int]:
        """The strings with much ink just outside their circle: a strip above the number is in the ring."""
        shown = picture(env, page, home)
        return {
            n.string
            for n in numbers
            if inked(
                shown, (n.x - n.size * 0.1, n.y - n.size * 0.75, n.x + n.size * 0.1, n.y - n.size * 0.52)
            )
            > 0.3
        }

    with first_page(home, env) as coach:
        page = window(env, "coach", home)
        assert until(lambda: ringed() == set(), 20)
        with sending("guitar", home / "held.mid", jack.env) as sender:
            assert until(lambda: ringed() == {5}, 30), said(home)
            assert sender.wait(30) == 0
            assert until(lambda: ringed() == set(), 20)
            press(env, page, "p")
            play = window(env, "Lamps On", home)
            press(env, play, "Escape")
            page = window(env, "coach", home)
            assert coach.poll() is None
        press(env, page, "Escape")
        assert coach.wait(30) == 0, said(home)


@pytest.fixture
def desk(home: Path) -> First:
    first = First(Settings(home / "settings.toml"), read_shelf(home / "shelf"))
    first.refill()
    return first


def test_it_lists_included_scores_and_takes_in_plain_words(desk):
    assert [one.title for one in desk.model.entries(Column.SCORES)][:2] == ["Lamps On", TITLE]
    (take,) = desk.model.entries(Column.TAKES)
    assert take.title == TITLE
    assert take.note


def test_what_to_practise_is_the_last_takes_next_step(desk, home):
    kept = [kept_take(path) for path in (home / "takes").iterdir()]
    advice, title = next_step(kept, included_scores(), [])
    assert advice.startswith("Play bar")  # the take has planted faults, so there is a stop to mend
    assert title == TITLE
    assert until(lambda: desk._drain() or bool(desk.model.today), 30)
    assert desk.model.today == advice


def test_without_a_take_the_first_etude_is_to_begin_with():
    assert next_step([], included_scores(), []) == (
        "Begin with “Lamps On”: play it through once, slowly.",
        "",
    )
    lost = kept_take(ROOT / "scores" / "README.md")
    assert next_step([lost], included_scores(), [])[0].startswith("Begin with")
    assert next_step([], [], [])[0]


def test_a_dropped_score_joins_the_scores_and_is_remembered(desk, home):
    path = home / "my own.musicxml"
    shutil.copy(ROOT / "scores" / "04-pages-turning.musicxml", path)
    assert desk.drop(path) is None
    assert desk.model.focus.path == path
    assert "“Pages Turning”" in desk.model.message
    assert read_shelf(home / "shelf").at_hand[0].path == path


def test_a_dropped_take_is_opened_and_a_dropped_midi_score_is_not(desk, home):
    choice = desk.drop(TAKE)
    assert (choice.act, choice.entry.path) == (Act.LOOK_BACK, TAKE)
    score = mido.MidiFile(tracks=[mido.MidiTrack()])
    score.tracks[0] += [
        mido.Message("note_on", note=45, time=0), mido.Message("note_off", note=45, time=480),
    ]  # fmt: skip
    score.save(home / "score.mid")
    assert desk.drop(home / "score.mid") is None
    assert desk.model.focus.path == home / "score.mid"


def test_a_dropped_file_of_no_use_is_one_plain_sentence(desk, home):
    (home / "letter.xml").write_text("Dear guitar,", "utf-8")
    before = desk.model.entries(Column.SCORES)
    assert desk.drop(home / "letter.xml") is None
    assert desk.model.message.startswith("letter.xml")
    assert desk.model.entries(Column.SCORES) == before
    assert desk.drop(home / "nothing.xml") is None
    assert "there is no such file" in desk.model.message


def test_faults_elsewhere_come_back_as_a_sentence(desk, home):
    take = next(iter((home / "takes").iterdir()))
    desk.model.press(Key.TAB)
    choice = desk.model.press(Key.ENTER)
    take.write_bytes(b"nothing")
    desk.go(choice, night=False, size=SIZE)
    assert desk.model.message.startswith(take.name)
    assert desk.model.message.endswith(".")


def test_where_the_port_is_not_clear_the_page_says_which_key_chooses(desk, monkeypatch):
    def refuse(*_: object, **__: object) -> int:
        raise PortError("MIDI", "2 ports are there", "name one with --port")

    monkeypatch.setattr(first_module, "run_play", refuse)
    desk.go(desk.model.press(Key.ENTER), night=False, size=SIZE)
    assert desk.model.message == "MIDI: 2 ports are there; press g until the guitar's port is named."


def test_g_goes_from_port_to_port_and_is_remembered(desk, home, monkeypatch):
    ports = [Port("JACK", "Midi Through"), Port("JACK", "box:out"), Port("JACK", "keys:out")]
    monkeypatch.setattr(first_module, "list_ports", lambda: ports)
    names = []
    for _ in range(3):
        desk._other_port()
        names.append(desk.settings.last_port)
        assert names[-1] in desk.model.message
    assert names == ["box:out", "keys:out", "box:out"]
    assert 'last_port = "box:out"' in (home / "settings.toml").read_text("utf-8")
    ports.clear()
    desk._other_port()
    assert "No MIDI port" in desk.model.message


def test_what_a_port_sends_lights_and_darkens_strings(desk):
    def heard(*data: int) -> frozenset[int]:
        desk._put(Heard(0, bytes(data)))
        desk._drain()
        return desk.model.sounding

    desk._put(PortState("open", "Listening.", "box"))
    assert heard(0x94, 45, 90) == {5}  # channel 5: string 5
    assert heard(0x90, 64, 80) == {1, 5}
    assert heard(0x94, 47, 90, 0x84, 45, 0) == {1, 5}  # the new note before the old one's end
    assert heard(0x94, 47, 0) == {1}  # velocity 0 is a note-off
    assert heard(0x9F, 60, 90) == {1}  # channel 16 carries no string
    assert heard(0xB0, 123, 0) == set()  # all notes off
    assert desk.model.answered == {1, 5}
    assert heard(0x90, 64, 80) == {1}
    desk._put(PortState("lost", "The port went away.", "box"))
    desk._drain()
    assert desk.model.sounding == set()


def test_the_marked_page_is_printed_and_never_over_another(home):
    if missing_engraver():
        pytest.skip("needs verovio and resvg")
    one = print_marked(ROOT / "scores" / "01-lamps-on.musicxml", home / "pages")
    two = print_marked(ROOT / "scores" / "01-lamps-on.musicxml", home / "pages")
    assert [one.name, two.name] == ["01-lamps-on-marked.pdf", "01-lamps-on-marked-2.pdf"]
    assert one.read_bytes().startswith(b"%PDF-")
    (home / "file").write_text("", "utf-8")
    with pytest.raises(CoachError, match="cannot be made"):
        print_marked(ROOT / "scores" / "01-lamps-on.musicxml", home / "file")


def missing_engraver() -> bool:
    from coach.screen.engraving import can_engrave

    return not can_engrave()


def test_drops_clicks_and_the_lamp_reach_the_page(x_display, home, monkeypatch):
    monkeypatch.setenv("DISPLAY", x_display)
    monkeypatch.setenv("SDL_VIDEODRIVER", "x11")
    model = FirstModel()
    with FirstPage(model, size=SIZE) as page:
        page.wait(50)
        event = pygame.event.Event
        pygame.event.post(event(pygame.DROPFILE, file="/a/b.xml"))
        pygame.event.post(event(pygame.KEYDOWN, key=pygame.K_PAGEDOWN, unicode=""))
        pygame.event.post(event(pygame.KEYDOWN, key=pygame.K_SLASH, unicode="?"))
        place = next(place for place in page.layout.places if place.spot == Spot(key=Key.ESCAPE))
        pygame.event.post(event(pygame.MOUSEBUTTONDOWN, button=1, pos=(place.box[0] + 3, place.box[1] + 3)))
        pygame.event.post(event(pygame.KEYDOWN, key=pygame.K_l, unicode="l"))
        found: list[Done] = []
        assert until(lambda: found.extend(page.wait(50)) or len(found) >= 4, 20)
        assert found == [
            Done(dropped=Path("/a/b.xml")), Done(Key.NEXT), Done(Key.HELP), Done(spot=Spot(key=Key.ESCAPE)),
        ]  # fmt: skip
        assert page.show()
        assert page.night
        page.wake()
        assert page.wait(20_000) == []


def test_without_a_display_there_is_one_line(monkeypatch):
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.delenv("SDL_VIDEODRIVER", raising=False)
    with pytest.raises(CoachError, match="no window can be opened"):
        FirstPage(FirstModel(), size=SIZE)


def test_what_was_clean_on_an_earlier_day_is_checked_first(home):
    history = History(history_path())
    day = (datetime.now().astimezone() - timedelta(days=1)).isoformat(timespec="seconds")
    row = PassRow(
        when=day, title="Lamps On", digest="ab" * 32, take="yesterday.mid", number=1, part="bass",
        first_bar=1, last_bar=2, first=0, last=1, speed=0.8, clean=True, complete=True, faults=0,
        drift_ms=None, right=6, notes=6,
    )  # fmt: skip
    for number in (1, 2, 3):
        history.add(replace(row, number=number))
    advice, title = next_step([], included_scores(), [])
    assert title == "Lamps On"
    assert "1–2" in advice
    assert "Lamps On" in advice
