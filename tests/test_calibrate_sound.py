"""``coach calibrate sound`` on a JACK server whose output reaches the input after a known time."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import pytest

from coach.app.calibrate_sound import run_calibrate_sound
from coach.cli import main
from coach.core.errors import CoachError
from coach.core.sound_latency import Fault, Measured
from coach.files.settings import load_settings
from tests.harness import ROOT, JackServer, missing

RATE = 48_000
PERIOD = 512


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[JackServer]:
    pytest.importorskip("sounddevice")
    if why := missing("jackd", "jack_wait"):
        pytest.skip(f"needs a JACK server: {why} (apt-get install jackd2)")
    jack = JackServer(PERIOD)
    jack.start()
    for key, value in jack.env.items():
        monkeypatch.setenv(key, value)
    yield jack
    jack.stop()


@pytest.mark.parametrize("frames", [2_400, 9_600])
def test_a_known_delay_is_measured_and_kept(server, tmp_path, capfd, frames):
    """The loop leaves out the input's latency of one period, so what is heard is that much earlier."""
    settings = load_settings(tmp_path)
    settings.sound_latency_ms = 38.0
    delayer = subprocess.Popen(
        [sys.executable, "-m", "tests.delay_jack", "ortAudio", "ortAudio", str(frames)],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        assert run_calibrate_sound(settings) == 0
    finally:
        delayer.kill()
        delayer.wait()
    kept = load_settings(tmp_path).sound_latency_ms
    assert kept is not None
    truth_ms = (frames - PERIOD) * 1e3 / RATE
    assert kept == pytest.approx(truth_ms, abs=2.0)
    out = capfd.readouterr().out
    print(out)
    assert f"heard {kept:.0f} ms ± " in out
    assert "of 16 clicks heard" in out
    assert "Before, 38 ms were reckoned with." in out


def test_where_nothing_is_heard_nothing_is_kept(server, tmp_path):
    settings = load_settings(tmp_path)
    with pytest.raises(CoachError, match=r"gives nothing at all; switch the microphone on.*nothing was kept"):
        run_calibrate_sound(settings)
    assert not settings.path.exists()


def test_without_an_input_the_way_by_hand_is_named(server, tmp_path):
    with pytest.raises(CoachError, match=r"audio input 'no such box': there is none; .* --ms 40"):
        run_calibrate_sound(load_settings(tmp_path), source="no such box")


def test_by_hand(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("coach.files.settings.platformdirs.user_config_dir", lambda *_, **__: str(tmp_path))
    assert main(["calibrate", "sound", "--ms", "40", "--dry-run"]) == 0
    assert load_settings().sound_latency_ms is None
    assert main(["calibrate", "sound", "--ms", "40"]) == 0
    assert load_settings().sound_latency_ms == 40.0
    assert main(["calibrate", "sound", "--ms", "41.5"]) == 0
    out = capsys.readouterr().out
    assert "set by hand to 40 ms" in out
    assert "Before, 40 ms were reckoned with." in out
    assert load_settings().sound_latency_ms == 41.5


@pytest.mark.parametrize("fault", list(Fault))
def test_every_fault_is_one_line_and_keeps_nothing(tmp_path, monkeypatch, fault):
    found = Measured(30.0, 7.0, 5, 16, fault)
    monkeypatch.setattr("coach.app.calibrate_sound.listen", lambda *_: (11.0, found))
    with pytest.raises(CoachError, match="nothing was kept"):
        run_calibrate_sound(load_settings(tmp_path))
    assert not list(tmp_path.iterdir())


def test_a_sound_heard_before_its_order_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("coach.app.calibrate_sound.listen", lambda *_: (11.0, Measured(-20.0, 0.1, 16, 16)))
    with pytest.raises(CoachError, match="-9 ms after its order, which cannot be"):
        run_calibrate_sound(load_settings(tmp_path))
    assert not list(tmp_path.iterdir())
