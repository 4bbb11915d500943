"""``coach calibrate``: the thin edge, and what becomes of a learnt profile."""

from __future__ import annotations

import contextlib
import queue
import tomllib
from dataclasses import replace
from types import SimpleNamespace

import pytest

from coach.app import calibrate, first_calibrate
from coach.app.calibrate import lead, run_calibrate, told
from coach.app.first import First
from coach.cli import main
from coach.core.calibration import Calibration, Click, Say
from coach.core.errors import CoachError
from coach.core.pitch import STANDARD
from coach.core.profile import Profile
from coach.devices.messages import Heard, PortState
from coach.files.settings import keep_profile, kept_profile, load_settings
from coach.files.shelf import Shelf
from coach.screen.first_model import Act, Choice, FirstModel, Key
from tests.harness import until
from tests.pupil import Pupil

NS = 1_000_000_000


class Studio:
    """Inbox, clicker and clock in one: the pupil answers what is said and clicked; no time really passes.

    Its ``get`` either hands on the next message that is due, or lets the time-out pass.
    """

    def __init__(
        self, seed: int, *, gone_after_s: float | None = None, interrupt_after_s: float = 1e9
    ) -> None:
        self.pupil = Pupil(seed, jitter_ms=4.0)
        self.pupil.prepare()
        self.now_ns, self.gone_after_s, self.interrupt_after_s = 50 * NS, gone_after_s, interrupt_after_s
        self.begun_ns = self.now_ns
        self.first = True
        self.started: dict[int, int] = {}
        self.said: list[str] = []

    def clock_ns(self) -> int:
        return self.now_ns

    def say(self, text: str) -> None:
        self.said.append(text)
        self.pupil.now_us = self.now_ns // 1000
        self.pupil.answer_say(Say(text))

    def play(self, track, *, at_ns=None) -> int:
        token = len(self.started) + 1
        self.started[token] = at_ns
        self.pupil.answer_click(Click(track), at_ns // 1000)
        return token

    def start_ns(self, token):
        return self.started[token]

    def get(self, block=True, timeout=None):
        if self.first:
            self.first = False
            return PortState("open", "Listening.", "box:out")
        passed_s = (self.now_ns - self.begun_ns) / NS
        if self.gone_after_s is not None and passed_s > self.gone_after_s:
            return PortState("lost", "It is no longer there.", "box:out")
        if passed_s > self.interrupt_after_s:
            raise KeyboardInterrupt
        due = self.pupil.queue
        until_ns = self.now_ns + round(timeout * NS)
        if due and due[0][0] * 1000 <= until_ns:
            at_us, data = due.pop(0)
            self.now_ns = max(self.now_ns, at_us * 1000)
            return Heard(at_us * 1000, data)
        self.now_ns = until_ns
        raise queue.Empty


def test_the_edge_leads_to_the_same_profile_in_about_the_time_that_is_said():
    studio = Studio(1)
    found, name = lead(
        Calibration(STANDARD.open_pitches), studio, studio, studio.say, clock_ns=studio.clock_ns
    )
    assert name == "box:out"
    true_ms = [studio.pupil.converter.on_delay_us(pitch) / 1e3 for pitch in STANDARD.open_pitches]
    assert found.profile.on_delay_ms == pytest.approx(true_ms, abs=6.0)
    assert found.profile.fade_s == pytest.approx(studio.pupil.converter.fade_s, abs=0.5)
    assert 5 < (studio.now_ns - studio.begun_ns) / NS / 60 < 9  # "about seven minutes"


def test_a_port_that_goes_ends_it_in_one_line():
    studio = Studio(1, gone_after_s=30)
    with pytest.raises(CoachError, match=r"box:out: the guitar's port went away; .*nothing was kept"):
        lead(Calibration(STANDARD.open_pitches), studio, studio, studio.say, clock_ns=studio.clock_ns)


@pytest.fixture
def room(tmp_path, monkeypatch):
    """``run_calibrate`` with a studio in place of port and sound; call it with the studio."""

    def run(studio, **options):
        monkeypatch.setattr(calibrate, "choose_port", lambda *_: None)
        monkeypatch.setattr(calibrate, "guitar_in", lambda *_: contextlib.nullcontext())
        monkeypatch.setattr(calibrate, "sound", lambda _: contextlib.nullcontext(studio))
        usual = lead

        def led(lesson, inbox, clicker, say):
            def both(text):
                say(text)
                studio.say(text)

            return usual(lesson, studio, studio, both, clock_ns=studio.clock_ns)

        monkeypatch.setattr(calibrate, "lead", led)
        settings = load_settings(tmp_path)
        try:
            return run_calibrate(settings, **options)
        finally:
            monkeypatch.setattr(calibrate, "lead", usual)

    return SimpleNamespace(run=run, folder=tmp_path)


def test_what_is_learnt_is_kept_and_the_next_time_compared(room, capsys):
    assert room.run(Studio(1)) == 0
    first = kept_profile(room.folder)
    assert first is not None
    assert load_settings(room.folder).last_port == "box:out"
    assert "before:" not in capsys.readouterr().out
    assert room.run(Studio(2)) == 0
    out = capsys.readouterr().out
    last = first.on_delay_ms[5]
    assert f"(before: {last:.0f} ms, {first.off_delay_ms[5]:.0f} ms, {first.fade_s[5]:.1f} s)." in out
    assert "String 6: note-on" in out
    assert kept_profile(room.folder) != first
    before = tomllib.loads((room.folder / "pickup.before.toml").read_text())
    assert Profile.from_plain(before) == first


def test_a_dry_run_and_ctrl_c_leave_all_as_it_was(room, capsys):
    keep_profile(Profile(base_channel=3), room.folder)
    kept = (room.folder / "pickup.toml").read_bytes()
    assert room.run(Studio(1), dry=True) == 0
    assert "Nothing is kept (--dry-run)." in capsys.readouterr().out
    assert room.run(Studio(1, interrupt_after_s=200)) == 130
    assert "Left; nothing was kept." in capsys.readouterr().out
    assert (room.folder / "pickup.toml").read_bytes() == kept


def test_a_broken_profile_is_named_and_a_new_one_replaces_it(room, capsys):
    (room.folder / "pickup.toml").write_text("strings = 99\n")
    with pytest.raises(CoachError, match=r"pickup.toml: is no pickup profile .*run `coach calibrate` again"):
        kept_profile(room.folder)
    assert room.run(Studio(1)) == 0
    assert "is not compared: is no pickup profile" in capsys.readouterr().err
    assert kept_profile(room.folder) is not None
    assert (room.folder / "pickup.before.toml").read_text() == "strings = 99\n"


def test_no_profile_is_kept_at_first(tmp_path):
    assert kept_profile(tmp_path) is None


def test_a_kept_profile_is_what_a_sitting_gets_unless_another_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr("coach.files.settings.platformdirs.user_config_dir", lambda *_, **__: str(tmp_path))
    keep_profile(Profile(base_channel=11, name="calibrated"), None)
    given: list[tuple[Profile | None, bool]] = []

    def stand_in(piece, asked, **_):
        given.append((asked.profile, asked.kept))
        return 0

    monkeypatch.setattr("coach.app.play.run_play", stand_in)
    score = "scores/02-a-borrowed-umbrella.musicxml"
    assert main(["play", score]) == 0
    named = tmp_path / "named.toml"
    named.write_text("base_channel = 5\n")
    assert main(["play", score, "--profile", str(named)]) == 0
    assert [(p.base_channel, kept) for p, kept in given if p is not None] == [(11, True), (5, False)]


def test_errors_and_fades_of_a_profile_by_hand():
    """3 and 4 ms make 5; a velocity of 80e is one e-fold above 80."""
    profile = Profile(
        on_error_ms=(3.0,) * 6, off_error_ms=(4.0,) * 6, fade_s=(5.0,) * 6, fade_slope_s=(1.5,) * 6,
        fade_spread_s=(0.2,) * 6,
    )  # fmt: skip
    assert profile.error_us(1, 6) == 5_000
    assert profile.fade_us(2) == 5_000_000
    assert profile.fade_us(2, 217) == pytest.approx(6_500_000, abs=4_000)
    assert profile.fade_spread_us(2) == 200_000
    plain = Profile()
    assert (plain.error_us(1, 6), plain.fade_us(1), plain.fade_spread_us(1)) == (0, None, 0)


def test_a_player_ahead_and_touched_strings_are_told():
    pupil = Pupil(3, ahead_ms=60.0, touches=frozenset({2}))
    pupil.play()
    assert pupil.learnt is not None
    lines = told(pupil.learnt.fit, None)
    assert len(lines) == 8
    assert "ms ahead of the click" in lines[6]
    assert lines[7].startswith("1 of the fades ended early")


def test_the_page_s_calibration_can_be_left_and_then_nothing_is_kept(tmp_path, monkeypatch):
    monkeypatch.setattr(first_calibrate, "sound", lambda _: contextlib.nullcontext(Studio(1)))
    said: list[str] = []
    lesson = first_calibrate.PageLesson(load_settings(tmp_path), "box:out", said.append)
    lesson.hear(Heard(1, bytes([0x95, 40, 80])))
    lesson.leave()
    assert until(lambda: not lesson.running)
    assert said[0] == "The calibration begins; Esc leaves it." or said[0].startswith("6 strings are learnt")
    assert said[-1] == "The calibration was left; nothing was kept."
    assert list(tmp_path.iterdir()) == []


def test_the_page_s_calibration_keeps_what_was_learnt_and_says_how_far_it_moved(tmp_path, monkeypatch):
    studio = Studio(1)
    found, _ = lead(Calibration(STANDARD.open_pitches), studio, studio, studio.say, clock_ns=studio.clock_ns)
    monkeypatch.setattr(first_calibrate, "sound", lambda _: contextlib.nullcontext(studio))
    monkeypatch.setattr(first_calibrate, "lead", lambda *_: (found, "box:out"))
    old = [delay - 7.0 for delay in found.profile.on_delay_ms]
    keep_profile(replace(found.profile, on_delay_ms=tuple(old)), tmp_path)
    said: list[str] = []
    lesson = first_calibrate.PageLesson(load_settings(tmp_path), "box:out", said.append)
    assert until(lambda: not lesson.running)
    assert said[-1].startswith("The guitar is learnt: note-ons come up to 7 ms otherwise than before")
    assert kept_profile(tmp_path) == found.profile


def test_while_the_page_calibrates_no_key_does_anything_but_leave_it():
    page = FirstModel()
    assert page.press(Key.CALIBRATE) == Choice(Act.CALIBRATE)
    page.calibrating = True
    page.message = "Pluck string 6"
    assert [page.press(key) for key in (Key.PLAY, Key.ENTER, Key.NEXT, Key.CALIBRATE)] == [None] * 4
    assert page.message == "Pluck string 6"
    assert page.press(Key.ESCAPE) == Choice(Act.LEAVE_CALIBRATION)


def test_the_page_wants_the_guitar_heard_first(tmp_path):
    page = First(load_settings(tmp_path), Shelf(tmp_path / "shelf.toml"))
    page._calibrate()
    assert page.model.message == "No guitar is heard yet: pluck a string, then calibrate."
    assert not page.model.calibrating
