"""``coach play`` with hands on the guitar: keys, a page-turner, a foot switch, reduced motion.

Offscreen on a clock of our own, and in a real window beside real ports.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import mido
import numpy as np
import pytest

from coach.app import live as live_module
from coach.app.live import Live
from coach.app.piece import Piece, open_piece
from coach.app.sitting import Sitting, limits_of, replay
from coach.app.terms import terms_beside, terms_of
from coach.core.feedback import Amount
from coach.core.pedal import APART_US, Pedal, Switch
from coach.core.profile import Profile
from coach.core.report import report
from coach.core.score import TICKS_PER_QUARTER
from coach.core.summary import summarise
from coach.core.tempo_words import written_tempo
from coach.devices.messages import Heard, PortState
from coach.files.settings import Settings, load_settings
from coach.files.take import read_take
from coach.screen.keys import Action
from coach.screen.stage import HELD_S
from coach.screen.window import UserEvent, Window
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
    sending,
    until,
)

SCORE = ROOT / "scores" / "02-a-borrowed-umbrella.musicxml"
SIZE = (1280, 720)
BEGIN_NS = 10**12
SECOND = 1_000_000_000
QUARTER_NS = SECOND  # the score's tempo is 60
FORWARD, BACK = Switch(80, 1), Switch(81, 1)
PRESS_FORWARD, PRESS_BACK = (b"\xb0\x50\x7f", b"\xb0\x50\x00"), (b"\xb0\x51\x7f", b"\xb0\x51\x00")


def on(string: int, pitch: int) -> bytes:
    return bytes([0x90 | string - 1, pitch, 90])


def off(string: int, pitch: int) -> bytes:
    return bytes([0x80 | string - 1, pitch, 0])


# --- offscreen ----------------------------------------------------------------------------------------


class Music:
    """A live sitting on a clock that is set."""

    def __init__(self, piece: Piece, clock: SimpleNamespace, *, xml: str = "", **how: object) -> None:
        sitting = Sitting(
            piece,
            profile=Profile(),
            limits=limits_of({}),
            folder=None,
            started=datetime(2031, 5, 4, 18, 30, tzinfo=UTC),
            terms=terms_beside(piece, None)[0],
        )
        self.window = Window(piece.score, xml, size=SIZE, offscreen=True)
        self.live = Live(sitting, self.window, tempo=written_tempo(piece.score), **how)  # type: ignore[arg-type]
        self.live.on_message(PortState("open", "Listening to “guitar:out”.", "guitar:out"))
        self._clock = clock

    def at(self, ns: int) -> None:
        """Let it become so late."""
        self._clock.now = BEGIN_NS + ns

    def hear(self, *messages: bytes) -> bool:
        """Hear messages now; return whether the sitting is over."""
        for data in messages:
            self.live.on_message(Heard(self._clock.now, data))
        return self.live._drain()

    def picture(self) -> Picture:
        self.live._drain()
        self.live.sitting.tick(self._clock.now)
        self.live._tell_pass(self._clock.now)
        self.live._show()
        return picture_of(self.window.surface)

    def said(self, what: str) -> bool:
        """Whether the foot says it now."""
        self.picture()
        return self.live._message == what


@pytest.fixture(scope="module")
def piece() -> Piece:
    return open_piece(SCORE)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    found = SimpleNamespace(now=BEGIN_NS)
    monkeypatch.setattr(live_module, "time", SimpleNamespace(perf_counter_ns=lambda: found.now))
    return found


def test_forward_shows_less_step_by_step_then_all_again_and_says_each(piece: Piece, clock: SimpleNamespace):
    music = Music(piece, clock, fixed=False)
    assert music.live.viewer.amount is Amount.EVERYTHING
    for amount, sentence in (
        (Amount.LARGE, "Only large faults show as you play."),
        (Amount.AFTER, "The marks come after each pass."),
        (Amount.SECOND, "The marks come after every second pass."),
        (Amount.EVERYTHING, "Every mark shows as you play."),
    ):
        assert not music.live.act(Action.NEXT_BAR)
        assert music.live.viewer.amount is amount
        assert music.live.viewer.fixed  # what a person chose stays
        assert music.said(sentence)


@pytest.mark.parametrize(("between_ns", "ends"), [(1, True), (2_999_999_999, True), (3 * SECOND, False)])
def test_back_ends_when_it_comes_twice_within_three_seconds(
    piece: Piece, clock: SimpleNamespace, between_ns: int, ends: bool
):
    music = Music(piece, clock)
    assert not music.live.act(Action.PREV_BAR)
    assert music.said("Once more to end.")
    music.at(between_ns)
    assert music.live.act(Action.PREV_BAR) is ends
    if not ends:  # it was a first press again
        music.at(between_ns + SECOND)
        assert music.live.act(Action.PREV_BAR)


def test_a_switch_through_the_guitars_port_begins_no_take(piece: Piece, clock: SimpleNamespace):
    music = Music(piece, clock, pedal=Pedal(FORWARD, BACK))
    assert not music.hear(*PRESS_FORWARD)
    assert music.said("Only large faults show as you play.")
    assert not music.live.sitting.begun
    music.hear(on(3, 57))
    assert music.live.sitting.begun
    music.at(SECOND)
    assert not music.hear(*PRESS_FORWARD)  # nor is it kept out of the take that runs
    assert music.live.viewer.amount is Amount.AFTER
    assert not music.hear(*PRESS_BACK)
    music.at(2 * SECOND)
    assert music.hear(*PRESS_BACK)


def test_what_is_to_be_said_of_the_foot_switch_stands_at_the_foot(piece: Piece, clock: SimpleNamespace):
    music = Music(piece, clock)
    music.live.on_notice("The foot switch is unplugged; the keys still work.")
    assert music.said("The foot switch is unplugged; the keys still work.")
    music.at(6 * SECOND)
    assert music.said("")


def test_a_switch_of_its_own_port_does_the_same(piece: Piece, clock: SimpleNamespace):
    music = Music(piece, clock)
    music.live.on_press("forward")
    assert music.said("Only large faults show as you play.")
    music.live.on_press("back")
    assert not music.live._drain()
    music.live.on_press("back")
    assert music.live._drain()
    assert not music.live.sitting.begun


PICKUP_NS = QUARTER_NS // 2


def begun(piece: Piece, clock: SimpleNamespace, *, still: bool) -> Music:
    """The pickup, then the first bar's bass, which goes on sounding; it is played at beat 1."""
    music = Music(piece, clock, still=still)
    notes = piece.score.notes
    pickup = notes[0]
    bass = next(note for note in notes if note["bass"])
    assert (int(pickup["onset"]), int(bass["onset"])) == (0, TICKS_PER_QUARTER // 2)
    music.hear(on(int(pickup["string"]), int(pickup["pitch"])))
    music.at(PICKUP_NS)
    music.hear(off(int(pickup["string"]), int(pickup["pitch"])), on(int(bass["string"]), int(bass["pitch"])))
    return music


def pictures(music: Music, *after: float) -> list[Picture]:
    """What is seen so many beats after the bass was played."""
    found = []
    for beats in after:
        music.at(PICKUP_NS + round(beats * QUARTER_NS))
        found.append(music.picture())
    return found


def test_still_nothing_slides_between_two_beats(piece: Piece, clock: SimpleNamespace):
    one, two, three, next_beat, end = pictures(begun(piece, clock, still=True), 0.1, 0.5, 0.9, 1.1, 1.9)
    assert np.array_equal(one, two)
    assert np.array_equal(two, three)
    assert not np.array_equal(three, next_beat)
    assert np.array_equal(next_beat, end)


def test_otherwise_what_sounds_grows_all_the_time(piece: Piece, clock: SimpleNamespace):
    one, two, three = pictures(begun(piece, clock, still=False), 0.1, 0.5, 0.9)
    assert not np.array_equal(one, two)
    assert not np.array_equal(two, three)


# --- in a real window ---------------------------------------------------------------------------------


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


def learnt(folder: Path, *, port: str = "") -> None:
    """Write settings with two foot switches learnt."""
    (folder / "coach").mkdir()
    settings = Settings(folder / "coach" / "settings.toml", pedal_port=port)
    settings.pedal_forward, settings.pedal_back = FORWARD, BACK
    settings.save()
    assert load_settings(folder / "coach").pedal_back == BACK


def shows(running: Program, wanted: Picture, name: str) -> None:
    if not running.comes(lambda shown: np.array_equal(shown, wanted), 10):
        raise AssertionError(differs(running.shown, wanted, running.folder, name) + running.said)


def takes(folder: Path) -> list[Path]:
    return list(folder.glob("*.mid"))


PLAY = ("play", str(SCORE), "--port", "guitar")


def test_a_key_that_is_held_is_pressed_once(display: Display, piece: Piece, monkeypatch: pytest.MonkeyPatch):
    """A foot that rests on the pedal's back switch must not end the sitting."""
    for key, value in display.env.items():
        monkeypatch.setenv(key, value)

    pressed: list[UserEvent] = []
    with Window(piece.score, "", size=SIZE) as window:
        display.ask("windowfocus", "--sync", display.ask("search", "--onlyvisible", "--class", "coach"))
        display.ask("keydown", "Left")
        end = time.monotonic() + 2 * HELD_S
        while time.monotonic() < end:
            pressed += window.wait(20)
        assert pressed == [UserEvent(Action.PREV_BAR)]
        display.ask("keyup", "Left", "key", "Left")
        assert until(lambda: len(pressed.__iadd__(window.wait(20))) == 2)
        display.ask("key", "Left")  # let go while something else took long
        pressed.clear()
        time.sleep(2 * HELD_S)
        assert until(lambda: bool(pressed.__iadd__(window.wait(20))))
        pressed += window.wait(20)
        assert pressed == [UserEvent(Action.PREV_BAR)]


def test_keys_and_page_turner(
    display: Display, guitar: Plug, piece: Piece, clock: SimpleNamespace, tmp_path: Path
):
    mirror = Music(piece, clock, xml=piece.xml, fixed=False)
    with program(display, tmp_path, *PLAY, size=SIZE) as running:
        shows(running, mirror.picture(), "opened")
        for forward in ("Right", "Next"):
            running.press(forward)
            mirror.live.act(Action.NEXT_BAR)
            shows(running, mirror.picture(), "less")
        running.press("Left")
        mirror.live.act(Action.PREV_BAR)
        shows(running, mirror.picture(), "once more")
        assert running.process.poll() is None
        assert "Nothing was played" in running.leave("Prior")
    assert takes(tmp_path) == []


def test_back_twice_ends_with_the_summary(display: Display, guitar: Plug, piece: Piece, tmp_path: Path):
    def heard() -> int:
        return len(read_take(takes(tmp_path)[0]).messages) if takes(tmp_path) else 0

    with program(display, tmp_path, *PLAY, size=SIZE) as running:
        for note in piece.score.notes[:4]:
            string, pitch = int(note["string"]), int(note["pitch"])
            guitar.send(on(string, pitch), off(string, pitch))
        assert until(lambda: heard() == 8), running.said
        running.press("Left", "Left")
        assert until(lambda: read_take(takes(tmp_path)[0]).complete)
        take = read_take(takes(tmp_path)[0])
        session, ignored = replay(
            take, piece, profile=None, limits=limits_of(take.meta.tolerances), terms=terms_of(take.meta)
        )
        summary = summarise(report(session, ignored), piece.title)
        with Window(piece.score, piece.xml, size=SIZE, offscreen=True) as window:
            window.show_summary(summary)
            shows(running, picture_of(window.surface), "summary")
        said = running.leave("z")  # "Esc or any key: leave"
    assert summary.sentences[0] in said


@pytest.mark.parametrize("own_port", [False, True], ids=["the guitar's port", "its own port"])
def test_a_learnt_foot_switch(
    display: Display, guitar: Plug, piece: Piece, clock: SimpleNamespace, tmp_path: Path, own_port: bool
):
    learnt(tmp_path, port="pedal:out" if own_port else "")
    mirror = Music(piece, clock, xml=piece.xml, fixed=False)
    with (
        Plug("pedal") if own_port else contextlib.nullcontext(guitar) as plug,
        program(display, tmp_path, *PLAY, size=SIZE) as running,
    ):
        shows(running, mirror.picture(), "opened")
        plug.send(*PRESS_FORWARD)
        mirror.live.act(Action.NEXT_BAR)
        shows(running, mirror.picture(), "less")
        plug.send(*PRESS_BACK)
        mirror.live.act(Action.PREV_BAR)
        shows(running, mirror.picture(), "once more")
        time.sleep(APART_US / 1e6)  # no foot is faster
        plug.send(*PRESS_BACK)
        assert running.process.wait(20) == 0, running.said
        assert "Nothing was played" in running.said
        assert "Traceback" not in running.said
    assert takes(tmp_path) == []


def test_still_a_held_bass_is_drawn_by_the_beat(
    display: Display, jack: JackServer, cache: Path, piece: Piece, tmp_path: Path
):
    """Every picture is counted that is shown while a bass sounds for two beats."""
    pickup, bass = piece.score.notes[0], next(note for note in piece.score.notes if note["bass"])
    track = mido.MidiTrack()
    for note, beats in ((pickup, 0.5), (bass, 2.0)):
        channel, pitch = int(note["string"]) - 1, int(note["pitch"])
        ticks = round(
            beats * QUARTER_NS / SECOND * 2 * 480
        )  # a file without a tempo counts two quarters a second
        track.append(mido.Message("note_on", channel=channel, note=pitch, velocity=90))
        track.append(mido.Message("note_off", channel=channel, note=pitch, time=ticks))
    held = tmp_path / "held" / "two-notes.mid"
    held.parent.mkdir()
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(held)
    Music(piece, SimpleNamespace(now=0), xml=piece.xml).picture()  # so that it is engraved beforehand
    seen: list[Picture] = []
    with (
        sending("guitar", held, jack.env) as guitar,
        program(display, tmp_path, *PLAY, "--still", size=SIZE, env=jack.env) as running,
    ):

        def look(shown: Picture) -> bool:
            if not seen or not np.array_equal(seen[-1], shown):
                seen.append(shown)
            return guitar.poll() is not None

        assert running.comes(look, 30), running.said
        running.leave("Escape", "Escape")
    # It was heard, and grew beat by beat; what slides is drawn anew forty times a second and more.
    assert 4 <= len(seen) <= 16
