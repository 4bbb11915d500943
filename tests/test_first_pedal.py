"""A learnt foot switch on the first page, by its own port or the guitar's; one channel for all strings."""

from __future__ import annotations

from pathlib import Path

import mido
import pytest

from coach.app import first as first_module
from coach.app.first import First
from coach.core.errors import CoachError
from coach.core.pedal import Switch
from coach.devices.messages import Heard, PortState
from coach.devices.ports import Port
from coach.files.settings import Settings, load_settings
from coach.files.shelf import included_scores
from coach.screen.first_model import Act, Column, Key
from coach.screen.first_page import Done
from tests.harness import sending, until
from tests.test_first_window import (
    SIZE,
    asked,
    desk,
    first_page,
    home,
    needs_x,
    press,
    said,
    window,
)

__all__ = ["desk", "home"]  # fixtures

FORWARD, BACK = Switch(64, 1), Switch(65, 1)


def cc(number: int, value: int) -> bytes:
    return bytes([0xB0, number, value])


def learn(settings: Settings, port: str, guitar: str) -> Settings:
    settings.pedal_port, settings.last_port = port, guitar
    settings.pedal_forward, settings.pedal_back = FORWARD, BACK
    return settings


def write(path: Path, *rows: tuple[float, bytes]) -> Path:
    """Write messages at their seconds; 480 ticks are half a second."""
    track, before = mido.MidiTrack(), 0
    for seconds, data in rows:
        at = round(seconds * 960)
        track.append(mido.Message.from_bytes(data, time=at - before))
        before = at
    mido.MidiFile(type=1, ticks_per_beat=480, tracks=[mido.MidiTrack(), track]).save(path)
    return path


@needs_x
@pytest.mark.parametrize("sender", ["steps", "guitar"])
def test_two_switches_choose_and_open(jack, x_display, home, sender):
    config = home / "XDG_CONFIG_HOME" / "coach"
    learn(load_settings(config), f"{sender}:out", "guitar:out").save()
    presses = write(
        home / "presses.mid",
        (0.2, cc(64, 127)), (0.4, cc(64, 0)),
        (0.6, cc(64, 127)), (0.8, cc(64, 0)),
        (1.0, cc(65, 127)), (1.2, cc(65, 0)),
    )  # fmt: skip
    third = included_scores()[2].title
    env = {**jack.env, "DISPLAY": x_display, "SDL_VIDEODRIVER": "x11"}
    with first_page(home, env) as coach:
        window(env, "coach", home)
        with sending(sender, presses, jack.env):
            play = window(env, third, home)
        press(env, play, "Escape")
        page = window(env, "coach", home)
        assert coach.poll() is None
        press(env, page, "Escape")
        assert coach.wait(30) == 0, said(home)
    assert load_settings(config).last_port == "guitar:out"
    assert "Traceback" not in said(home)


@needs_x
def test_the_guitar_is_waited_for_while_only_the_pedals_port_is_there(jack, x_display, home):
    config = home / "XDG_CONFIG_HOME" / "coach"
    learn(load_settings(config), "steps:out", "").save()
    # The back switch opens a score; a minute keeps the pedal's port there, the only one until then.
    presses = write(home / "presses.mid", (0.2, cc(65, 127)), (0.4, cc(65, 0)), (60.0, cc(99, 0)))
    plucked = write(home / "plucked.mid", (0.1, bytes([0x94, 45, 90])), (0.5, bytes([0x94, 45, 0])))
    env = {**jack.env, "DISPLAY": x_display, "SDL_VIDEODRIVER": "x11"}
    with first_page(home, env) as coach:
        window(env, "coach", home)
        with sending("steps", presses, jack.env):
            play = window(env, included_scores()[0].title, home)
            with sending("guitar", plucked, jack.env) as guitar:
                assert guitar.wait(30) == 0, said(home)  # it ends once somebody has listened
            press(env, play, "Escape")  # the summary
            press(env, play, "Escape")
            page = window(env, "coach", home)
            press(env, page, "Escape")
            assert coach.wait(30) == 0, said(home)
    assert load_settings(config).last_port == "guitar:out"
    assert "Traceback" not in said(home)


@needs_x
def test_s_opens_the_studio_on_the_whole_screen_and_comes_back(jack, x_display, home):
    env = {**jack.env, "DISPLAY": x_display, "SDL_VIDEODRIVER": "x11"}
    with first_page(home, env) as coach:
        press(env, window(env, "coach", home), "s")
        studio = window(env, included_scores()[0].title, home)
        assert until(lambda: "1920x1080" in asked(env, "getwindowgeometry", studio), 20)
        press(env, studio, "Escape")
        page = window(env, "coach", home)
        assert "1280x720" in asked(env, "getwindowgeometry", page)
        press(env, page, "Escape")
        assert coach.wait(30) == 0, said(home)
    assert "Traceback" not in said(home)


def hear(desk: First, *messages: bytes) -> list[Done]:
    for n, data in enumerate(messages):
        desk._put(Heard(n * 200_000_000, data))
    return desk._drain()


def test_presses_by_the_guitars_port_become_keys_and_its_notes_still_light(desk):
    desk._pedal = first_module.pedal_of(learn(desk.settings, "box:out", "box:out"))
    desk._put(PortState("open", "Listening.", "box:out"))
    found = hear(desk, cc(64, 127), bytes([0x94, 45, 90]), cc(64, 0), cc(65, 127))
    assert found == [Done(Key.NEXT), Done(Key.OPEN)]
    assert desk.model.sounding == {5}


def test_a_switch_that_sends_notes_is_no_channel_of_strings(desk):
    settings = learn(desk.settings, "box:out", "box:out")
    settings.pedal_forward = Switch(60, 9, 0, "note")
    desk._pedal = first_module.pedal_of(settings)
    desk._put(PortState("open", "Listening.", "box:out"))
    plucked = [bytes([0x90, pitch, 90]) for pitch in (40, 45, 50)]
    assert hear(desk, bytes([0x98, 60, 90]), bytes([0x98, 60, 0]), *plucked) == [Done(Key.NEXT)]
    assert desk.model.one_channel == 1


def test_all_strings_on_one_channel_are_said_and_no_number_lit(desk):
    desk._put(PortState("open", "Listening.", "box:out"))
    hear(desk, bytes([0x90, 40, 90]))
    assert desk.model.sounding == {1}  # so far it may be string 1
    hear(desk, bytes([0x90, 45, 90]), bytes([0x90, 50, 90]))
    assert desk.model.sounding == desk.model.answered == set()
    assert desk.model.port_words.startswith("All strings come on channel 1.")
    hear(desk, bytes([0x91, 59, 90]))
    assert desk.model.one_channel is None
    assert desk.model.sounding == {1, 2}
    hear(desk, bytes([0x90, 50, 0]))
    desk._put(PortState("lost", "Gone.", "box:out"))
    desk._put(PortState("open", "Listening.", "box:out"))
    hear(desk, bytes([0x90, 64, 90]))
    assert (desk.model.one_channel, desk.model.answered) == (None, {1})


def test_g_passes_over_the_pedals_port(desk, monkeypatch):
    ports = [Port("JACK", "steps:out"), Port("JACK", "box:out"), Port("JACK", "keys:out")]
    monkeypatch.setattr(first_module, "list_ports", lambda: ports)
    learn(desk.settings, "steps:out", "")
    names = []
    for _ in range(3):
        desk._other_port()
        names.append(desk.settings.last_port)
    assert names == ["box:out", "keys:out", "box:out"]
    del ports[1:]
    desk._other_port()
    assert desk.settings.last_port == "box:out"
    assert desk.model.message.startswith("Only steps:out is there, which was learnt as the pedal's own")
    desk.settings.last_port = "steps:out"  # taken for the guitar's before the pedal was learnt
    ports.append(Port("JACK", "box:out"))
    desk._other_port()
    assert desk.settings.last_port == "box:out"


def test_the_studio_is_asked_for_the_score_in_the_pages_light(desk, monkeypatch):
    seen = []

    def studio(piece, asked, *, settings, take):
        seen.append((piece.title, asked.look, settings, take))
        return 0

    monkeypatch.setattr(first_module, "run_studio", studio)
    choice = desk.model.press(Key.STUDIO)
    assert choice.act is Act.STUDIO
    desk.go(choice, night=True, size=SIZE)
    ((title, look, settings, take),) = seen
    assert (title, look.night, look.size, settings, take) == (
        desk.model.entries(Column.SCORES)[0].title, True, None, desk.settings, None,
    )  # fmt: skip

    def refuse(*_, **__):
        raise CoachError("window", "no window can be opened", "start it from a desktop")

    monkeypatch.setattr(first_module, "run_studio", refuse)
    desk.go(choice, night=False, size=SIZE)
    assert "no window can be opened" in desk.model.message
