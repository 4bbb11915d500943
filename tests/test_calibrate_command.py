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
from coach.core.calibration import Calibration
from coach.core.calibration_steps import Click, Say
from coach.core.errors import CoachError
from coach.core.pitch import STANDARD
from coach.core.profile import Profile
from coach.devices.messages import Finished, Heard, PortState
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
        self,
        seed: int,
        *,
        gone_after_s: float | None = None,
        back_after_s: float = 1e9,
        how: str = "lost",
        finish_after_s: float = 1e9,
        interrupt_after_s: float = 1e9,
        **pupil,
    ) -> None:
        self.pupil = Pupil(seed, jitter_ms=4.0, **pupil)
        self.pupil.prepare()
        self.now_ns, self.gone_after_s, self.interrupt_after_s = 50 * NS, gone_after_s, interrupt_after_s
        self.begun_ns = self.now_ns
        self.back_after_s, self.how, self.finish_after_s = back_after_s, how, finish_after_s
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
            self.gone_after_s = None
            self.pupil.queue.clear()
            return PortState(self.how, "It is no longer there.", "box:out")
        if passed_s > self.back_after_s:
            self.back_after_s = 1e9
            return PortState("open", "Listening again.", "box:out")
        if passed_s > self.finish_after_s:
            return Finished(0)
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


def test_while_the_port_is_away_it_waits_and_then_goes_on():
    studio = Studio(1, gone_after_s=30, back_after_s=90)
    found, _ = lead(Calibration(STANDARD.open_pitches), studio, studio, studio.say, clock_ns=studio.clock_ns)
    assert found.delays == found.fades == frozenset(range(1, 7))
    gone = studio.said.index("It is no longer there.")
    assert studio.said[gone + 1].startswith("It goes on where it was once the port is back")
    assert studio.said[gone + 2 : gone + 4] == ["Listening again.", "It goes on."]


def test_a_midi_system_that_ends_in_the_middle_keeps_what_was_learnt(room, capsys):
    with pytest.raises(CoachError, match=r"the guitar's port went away; .*what was learnt so far is kept"):
        room.run(Studio(1, gone_after_s=120, how="no-backend"))
    kept = kept_profile(room.folder)
    assert kept is not None
    assert kept.fade_us(6) is not None
    assert "String 6: fades in" in capsys.readouterr().out


def led_in(studio):
    """Return ``lead`` with a studio in place of the inbox and the clock, which hears what is said."""

    def led(lesson, _inbox, clicker, say):
        def both(text):
            say(text)
            studio.say(text)

        return lead(lesson, studio, clicker, both, clock_ns=studio.clock_ns)

    return led


@pytest.fixture
def room(tmp_path, monkeypatch):
    """``run_calibrate`` with a studio in place of port and sound; call it with the studio."""

    def run(studio, *, sounds=True, **options):
        monkeypatch.setattr(calibrate, "choose_port", lambda *_: None)
        monkeypatch.setattr(calibrate, "guitar_in", lambda *_: contextlib.nullcontext())
        monkeypatch.setattr(calibrate, "sound", lambda *_: contextlib.nullcontext(studio if sounds else None))
        monkeypatch.setattr(calibrate, "lead", led_in(studio))
        settings = load_settings(tmp_path)
        try:
            return run_calibrate(settings, **options)
        finally:
            monkeypatch.setattr(calibrate, "lead", lead)

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


def test_a_dry_run_leaves_all_as_it_was(room, capsys):
    keep_profile(Profile(base_channel=3), room.folder)
    kept = (room.folder / "pickup.toml").read_bytes()
    assert room.run(Studio(1), dry=True) == 0
    assert room.run(Studio(1, interrupt_after_s=200), dry=True) == 130
    assert capsys.readouterr().out.count("Nothing is kept (--dry-run).") == 2
    assert (room.folder / "pickup.toml").read_bytes() == kept


def test_ctrl_c_keeps_what_was_learnt_by_then_and_says_so(room, capsys):
    assert room.run(Studio(1, interrupt_after_s=10)) == 130
    assert "Nothing was learnt yet; all is as it was." in capsys.readouterr().out
    assert kept_profile(room.folder) is None
    assert room.run(Studio(1, interrupt_after_s=200)) == 130
    out = capsys.readouterr().out
    assert "Left early." in out
    assert "String 6: fades in" in out
    assert "Delays are not measured: overhangs are taken to be known within ± 20 ms." in out
    assert f"Kept: {room.folder / 'pickup.toml'}" in out
    kept = kept_profile(room.folder)
    assert kept is not None
    assert kept.fade_us(6) is not None
    assert kept.fade_us(1) is None


def test_ctrl_c_before_the_sound_is_there_is_no_traceback(room, monkeypatch, capsys):
    def impatient(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(calibrate, "choose_port", lambda *_: None)
    monkeypatch.setattr(calibrate, "sound", impatient)
    assert run_calibrate(load_settings(room.folder)) == 130
    assert "Nothing was learnt yet; all is as it was." in capsys.readouterr().out


@pytest.mark.parametrize("late_s", [12, 60, 250, 330])
def test_the_page_s_calibration_left_in_the_middle_keeps_what_was_learnt(late_s, tmp_path, monkeypatch):
    """Left while the channels are learnt, in the fades, and in the stops."""
    studio = Studio(1, finish_after_s=late_s)
    monkeypatch.setattr(first_calibrate, "sound", lambda *_: contextlib.nullcontext(studio))
    monkeypatch.setattr(first_calibrate, "lead", led_in(studio))
    said: list[str] = []
    lesson = first_calibrate.PageLesson(load_settings(tmp_path), "box:out", said.append)
    assert until(lambda: not lesson.running)
    kept = kept_profile(tmp_path)
    if late_s == 12:
        assert kept is None
        assert said[-1] == "The calibration was left; nothing was kept, all is as it was."
        return
    assert kept is not None
    assert said[-1].startswith("The calibration was left; what was learnt so far is kept.")
    assert bool(kept.on_delay_ms) is (late_s == 330)
    assert kept.fade_us(6)


def test_without_sound_the_fades_are_kept_and_the_delays_of_before(room, capsys):
    keep_profile(Profile(on_delay_ms=(9.0,) * 6, off_delay_ms=(8.0,) * 6, bend_range=12.0), room.folder)
    assert room.run(Studio(1), sounds=False) == 0
    out = capsys.readouterr().out
    kept = kept_profile(room.folder)
    assert kept is not None
    assert (kept.on_delay_ms, kept.off_delay_ms, kept.bend_range) == ((9.0,) * 6, (8.0,) * 6, 12.0)
    assert all(kept.fade_us(s) for s in range(1, 7))
    assert "note-on" not in out


def test_strings_asked_for_alone_are_put_into_the_kept_profile(room, capsys):
    assert room.run(Studio(1)) == 0
    first = kept_profile(room.folder)
    assert room.run(Studio(2), strings=(4, 5)) == 0
    out = capsys.readouterr().out.rpartition("Learning the guitar")[2]
    again = kept_profile(room.folder)
    assert [line[:9] for line in out.splitlines() if ": note-on" in line] == ["String 5:", "String 4:"]
    same = [a == b for a, b in zip(first.on_delay_ms, again.on_delay_ms, strict=True)]
    assert (same[0], same[1], same[2], same[5]) == (True,) * 4
    assert not (same[3] and same[4])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--strings", "7"], "there is no string 7 on a guitar of 6 strings"),
        (["--strings", "4", "--only", "channels"], "the channels of single strings are not learnt alone"),
        (["sound", "--strings", "4"], "--strings and --only are for the guitar"),
    ],
)
def test_what_cannot_be_meant_is_one_line(words, said, capsys):
    assert main(["calibrate", *words]) == 1
    err = capsys.readouterr().err
    assert said in err
    assert err.count("\n") == 1


def test_without_a_sound_device_a_sentence_says_what_is_not_measured(tmp_path, monkeypatch):
    def none(*_):
        raise CoachError("sound", "no output for sound was found", "plug one in")

    monkeypatch.setattr(calibrate, "await_sound", none)
    monkeypatch.setattr(
        calibrate, "Speaker", lambda **_: contextlib.nullcontext(SimpleNamespace(state="silent"))
    )
    said: list[str] = []
    settings = load_settings(tmp_path)
    with calibrate.sound(settings, ("fades", "delays"), said.append) as speaker:
        assert speaker is None
    assert said == [
        "No sound (no output for sound was found), so no click: channels and fades are learnt, "
        "delays are left as they are."
    ]
    with pytest.raises(CoachError, match="delays are measured against a click"):
        calibrate.sound(settings, ("delays",), said.append).__enter__()
    with calibrate.sound(settings, ("fades",), said.append) as speaker:
        assert speaker is None
    assert len(said) == 1


def test_a_broken_profile_is_named_and_a_new_one_replaces_it(room, capsys):
    (room.folder / "pickup.toml").write_text("strings = 99\n")
    with pytest.raises(CoachError, match=r"pickup.toml: is no pickup profile .*run `coach calibrate` again"):
        kept_profile(room.folder)
    assert room.run(Studio(1)) == 0
    assert "is not used: is no pickup profile" in capsys.readouterr().err
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
    lines = told(pupil.learnt.fit)
    assert len(lines) == 2
    assert "ms ahead of the click" in lines[0]
    assert lines[1].startswith("One of the fades ended early")


def test_the_page_s_calibration_can_be_left_and_then_nothing_is_kept(tmp_path, monkeypatch):
    monkeypatch.setattr(first_calibrate, "sound", lambda *_: contextlib.nullcontext(Studio(1)))
    said: list[str] = []
    lesson = first_calibrate.PageLesson(load_settings(tmp_path), "box:out", said.append)
    lesson.hear(Heard(1, bytes([0x95, 40, 80])))
    lesson.leave()
    assert until(lambda: not lesson.running)
    assert said[0] == "The calibration begins; Esc leaves it."
    assert said[-1] == "The calibration was left; nothing was kept, all is as it was."
    assert list(tmp_path.iterdir()) == []


def test_the_page_s_calibration_keeps_what_was_learnt_and_says_how_far_it_moved(tmp_path, monkeypatch):
    studio = Studio(1)
    found, _ = lead(Calibration(STANDARD.open_pitches), studio, studio, studio.say, clock_ns=studio.clock_ns)
    monkeypatch.setattr(first_calibrate, "sound", lambda *_: contextlib.nullcontext(studio))
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
