"""Sound without a device: the callback's work frame by frame, the pipe, and a child that misbehaves."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
import types
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.mixer import Mixer, render
from coach.core.sounding import Tick, Tone, Track
from coach.devices import sound_child
from coach.devices.deck import FADE_S, NS, Deck, FrameClock, Samples
from coach.devices.mixer_buffer import rendered
from coach.devices.sound import Speaker
from coach.devices.sound_wire import (
    Begun,
    Opened,
    Over,
    Play,
    Silent,
    StillThere,
    Stop,
    pack_order,
    pack_report,
    unpack_order,
    unpack_report,
)
from coach.devices.sounder import Sounder
from tests.harness import until

RATE = 48_000
MS = 1_000_000
TWO = Track((), (Tick(0.0, 2), Tick(0.1, 1)), 0.2)


class Steps:
    """A source whose sample k is (k + 1) / 1e6 up to its end: each sample tells its own place."""

    def __init__(self, length: int) -> None:
        self.length = length

    def block(self, frame: int, n: int) -> Samples:
        at = np.arange(frame, frame + n)
        return np.where((at >= 0) & (at < self.length), (at + 1) / 1e6, 0.0).astype(np.float32)


class Hum:
    """A source that sounds for ever: a sine of 220 Hz at half of full scale."""

    def block(self, frame: int, n: int) -> Samples:
        at = np.arange(frame, frame + n)
        return np.where(at >= 0, 0.5 * np.sin(2 * np.pi * 220 * at / RATE), 0.0).astype(np.float32)


def pull(deck: Deck, frames: int, block: int = 256, channels: int = 1) -> Samples:
    """Let the deck fill so many frames, called on time; return what comes out."""
    got = []
    while frames > 0:
        out = np.ones((min(block, frames), channels), np.float32)
        deck.fill(out, deck.frame * NS // deck.rate, 10 * MS)
        got.append(out)
        frames -= len(out)
    return np.concatenate(got)


# --- the callback -------------------------------------------------------------------------------------


def test_a_deck_with_nothing_to_play_gives_silence_and_counts_its_frames() -> None:
    deck = Deck(RATE)
    assert not pull(deck, 1000).any()
    assert deck.frame == 1000
    assert not deck.busy


def test_a_track_begins_with_the_next_block_and_every_sample_is_in_its_place() -> None:
    deck = Deck(RATE)
    pull(deck, 512)
    deck.play(7, Steps(1000), length=1000)
    assert deck.busy
    out = pull(deck, 2000, channels=2)
    assert np.array_equal(out[:, 0], Steps(1000).block(0, 2000))
    assert np.array_equal(out[:, 0], out[:, 1])
    assert list(deck.ended) == [7]
    assert not deck.busy


@given(st.lists(st.integers(1, 700), min_size=1, max_size=12), st.integers(0, 900))
@settings(max_examples=60, deadline=None)
def test_any_blocks_give_the_same_samples_at_the_same_time(blocks: list[int], at_frame: int) -> None:
    deck = Deck(RATE)
    pull(deck, 100)
    deck.play(1, Steps(500), length=500, at_ns=10 * MS + (100 + at_frame) * NS // RATE)
    out = np.concatenate([pull(deck, n, n) for n in blocks])[:, 0]
    assert np.array_equal(out, Steps(500).block(-at_frame, len(out)))


def test_a_time_that_is_over_means_at_once() -> None:
    deck = Deck(RATE)
    pull(deck, 1000)
    deck.play(1, Steps(100), length=100, at_ns=0)
    assert pull(deck, 256)[0, 0] == np.float32(1e-6)
    assert deck.heard_ns(1) is None  # it is over


def test_a_stop_is_over_within_ten_milliseconds_and_has_no_step() -> None:
    deck = Deck(RATE)
    deck.play(1, Hum(), length=None)
    before = pull(deck, 5 * 256 + 13, 256)[:, 0]
    deck.stop()
    after = pull(deck, 4096, 256)[:, 0]
    assert list(deck.ended) == [1]
    assert np.flatnonzero(after)[-1] < 0.010 * RATE
    assert np.abs(before).max() == pytest.approx(0.5, abs=1e-3)
    # No sample differs from the one before by more than the sine's steepest place and the fade's together.
    steepest = 0.5 * 2 * np.pi * 220 / RATE + 0.5 * np.pi / (2 * FADE_S * RATE)
    assert np.abs(np.diff(np.concatenate([before, after]))).max() < steepest
    # Nor does it bend more: the second difference of a cut would be that of a step.
    bend = np.abs(np.diff(np.concatenate([before, after]), n=2)).max()
    assert bend < 2.5 * 0.5 * (2 * np.pi * 220 / RATE) ** 2


def test_a_new_track_takes_over_while_the_old_one_fades() -> None:
    deck = Deck(RATE)
    deck.play(1, Hum(), length=None)
    pull(deck, 1024)
    deck.play(2, Steps(3000), length=3000)
    out = pull(deck, 3072)[:, 0]
    fade = round(FADE_S * RATE)
    assert np.array_equal(out[fade:3000], Steps(3000).block(0, 3000)[fade:])
    assert list(deck.ended) == [1, 2]


def test_a_track_that_waits_is_forgotten_at_a_stop() -> None:
    deck = Deck(RATE)
    pull(deck, 256)
    deck.play(1, Hum(), length=None, at_ns=500 * MS)
    pull(deck, 256)
    deck.stop()
    assert not pull(deck, RATE).any()
    assert list(deck.ended) == [1]
    assert not deck.busy


def test_two_loud_tracks_never_leave_full_scale() -> None:
    class Loud:
        def block(self, _frame: int, n: int) -> Samples:
            return np.full(n, 0.9, np.float32)

    deck = Deck(RATE)
    deck.play(1, Loud(), length=None)
    pull(deck, 256)
    deck.play(2, Loud(), length=None)
    assert pull(deck, 256).max() == 1.0


def test_a_mixers_track_comes_out_as_it_is_rendered() -> None:
    track = Track((Tone(0.0, 40.0, 6, 90, 0.15),), (Tick(0.0, 2), Tick(0.1, 0)), 0.3)
    mixer = Mixer(track, RATE)
    deck = Deck(RATE)
    pull(deck, 64)
    deck.play(1, mixer, length=mixer.frames)
    assert np.array_equal(pull(deck, round(0.3 * RATE), 512)[:, 0], render(track, RATE))


# --- the clock ----------------------------------------------------------------------------------------


def test_the_clock_keeps_to_the_earliest_of_late_callbacks() -> None:
    clock, dice = FrameClock(RATE), np.random.default_rng(5)
    start = 77_000_000_000
    for call in range(400):
        late = 0 if call % 20 == 0 else int(dice.integers(0, 4 * MS))
        clock.add(start + call * 256 * NS // RATE + late, call * 256)
    assert clock.heard_ns(0) == pytest.approx(start, abs=10)
    assert clock.frame_at(start + NS) == RATE


@pytest.mark.parametrize("speed", [1.00005, 0.99995])
def test_the_clock_follows_a_card_that_runs_fast_or_slow(speed: float) -> None:
    clock = FrameClock(RATE)
    for call in range(20_000):  # 107 s at 50 millionths
        clock.add(round(call * 256 * NS / (RATE * speed)), call * 256)
    last = 19_999 * 256
    # The two seconds that are looked back over: 0.1 ms and a window.
    assert clock.heard_ns(last) == pytest.approx(last * NS / (RATE * speed), abs=0.12 * MS)


@pytest.mark.parametrize("told", [True, False])
def test_the_clock_follows_a_gap_told_or_not(told: bool) -> None:
    clock = FrameClock(RATE)
    for call in range(520):  # 0.6 s after the gap, while what lies before it is still looked back on
        gap = 30 * MS if call >= 400 else 0
        clock.add(call * 256 * NS // RATE + gap, call * 256, anew=told and call == 400)
        if told and call == 400:
            assert clock.heard_ns(0) == pytest.approx(30 * MS, abs=10)
    assert clock.heard_ns(0) == pytest.approx(30 * MS, abs=10)


def test_a_deck_reckons_with_the_drivers_delay_or_with_the_calibrated_one() -> None:
    for calibrated_ms, heard_ms in ((None, 20), (35, 35)):
        deck = Deck(RATE, latency_ns=None if calibrated_ms is None else calibrated_ms * MS)
        deck.play(1, Hum(), length=None)
        for call in range(100):  # the driver takes two blocks of 480 at once, every 20 ms
            delay_ms = 20 + 10 * (call % 2)
            deck.fill(np.zeros((480, 1), np.float32), call // 2 * 20 * MS, delay_ms * MS)
        assert deck.delay_ns == 20 * MS
        assert deck.heard_ns(1) == pytest.approx(heard_ms * MS, abs=10)
    assert deck.underruns == 0
    deck.fill(np.zeros((480, 1), np.float32), 3 * NS, 20 * MS, missed=True)
    assert deck.underruns == 1


# --- the pipe -----------------------------------------------------------------------------------------

times = st.floats(0, 1e4, allow_nan=False)
tones = st.builds(Tone, times, st.floats(20, 100), st.integers(0, 6), st.integers(1, 127), st.none() | times)
tracks = st.builds(
    Track,
    st.lists(tones, max_size=4).map(tuple),
    st.lists(st.builds(Tick, times, st.integers(0, 2)), max_size=4).map(tuple),
    times,
    st.none() | st.floats(0.01, 1e3),
)


@given(st.builds(Play, st.integers(1, 10**6), st.none() | st.integers(0, 2**62), tracks))
@settings(max_examples=60, deadline=None)
def test_an_order_comes_through_the_pipe_to_the_last_bit(order: Play) -> None:
    line = pack_order(order)
    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    assert unpack_order(line) == order


def test_the_other_lines_come_through_too() -> None:
    assert unpack_order(pack_order(Stop())) == Stop()
    for report in (
        Opened("Zürich\nout", 5), Silent("“x” is gone", True), Begun(3, 2**60, 1), Over(9), StillThere(),
    ):  # fmt: skip
        line = pack_report(report)
        assert line.count(b"\n") == 1
        assert unpack_report(line) == report


# --- a child that misbehaves --------------------------------------------------------------------------


def fake(mode: str, said: list[str], log: Path | None = None, look_again_s: float = 60.0) -> Sounder:
    command = [sys.executable, "-m", "tests.fake_sound_child", mode, *([str(log)] if log else [])]
    return Sounder(command, said.append, look_again_s=look_again_s)


def starts(log: Path) -> int:
    return len(log.read_text().splitlines()) if log.exists() else 0


def test_no_device_is_one_sentence_and_nothing_waits(tmp_path: Path) -> None:
    said: list[str] = []
    log = tmp_path / "log"
    with fake("none", said, log) as sounder:
        assert until(lambda: said == ["Nothing to hear with."])
        tokens = [sounder.play(TWO) for _ in range(5)]
        assert until(lambda: not sounder.playing)
        assert tokens == [1, 2, 3, 4, 5]
        assert sounder.state == "silent"
        assert sounder.trouble == "Nothing to hear with."
        assert sounder.start_ns(tokens[-1]) is None
        sounder.stop()
    assert said == ["Nothing to hear with."]
    assert starts(log) == 1  # not one process for each track


def test_where_no_device_was_it_is_looked_for_again_after_a_while(tmp_path: Path) -> None:
    said: list[str] = []
    log = tmp_path / "log"
    with fake("none", said, log, look_again_s=0.0) as sounder:
        assert until(lambda: len(said) == 1)
        sounder.play(TWO)
        assert until(lambda: starts(log) == 2)
        assert until(lambda: not sounder.playing)
    assert said == ["Nothing to hear with."]


def test_a_track_has_a_beginning_and_an_end() -> None:
    said: list[str] = []
    with fake("plays", said) as sounder:
        first = sounder.play(TWO, at_ns=1000)
        assert sounder.playing
        assert until(lambda: sounder.start_ns(first) is not None)
        assert sounder.start_ns(first) == NS + 1000
        assert (sounder.state, sounder.underruns, sounder.latency_ms) == ("sound", 3, 5.0)
        assert sounder.trouble == ""
        second = sounder.play(TWO)
        assert until(lambda: sounder.start_ns(second) is not None)
        assert sounder.playing  # that the first is over says nothing of the second
        sounder.stop()
        assert not sounder.playing
    assert said == ["Open."]
    with fake("ends", said) as sounder:
        sounder.play(TWO)
        assert until(lambda: not sounder.playing)


def test_a_child_that_was_killed_is_one_sentence_and_the_next_track_starts_another(tmp_path: Path) -> None:
    said: list[str] = []
    log = tmp_path / "log"
    with fake("plays", said, log) as sounder:
        first = sounder.play(TWO)
        assert until(lambda: sounder.start_ns(first) is not None)
        pid = sounder.child_pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        assert until(lambda: sounder.state == "silent")
        assert len(said) == 2
        assert "SIGKILL" in said[1]
        assert not sounder.playing
        assert sounder.start_ns(first) is None
        second = sounder.play(TWO)
        assert until(lambda: sounder.start_ns(second) is not None)
        assert sounder.state == "sound"
        assert sounder.underruns == 6  # of both children
    assert [text for text in said if "SIGKILL" not in text] == ["Open.", "Open."]
    assert starts(log) == 2


def test_a_track_that_the_killed_child_had_not_read_goes_to_the_next_child() -> None:
    said: list[str] = []
    with fake("plays", said) as sounder:
        assert until(lambda: sounder.state == "sound")
        for _ in range(5):
            os.kill(sounder.child_pid or 0, signal.SIGKILL)
            token = sounder.play(TWO)  # into the pipe of a process that just ends
            assert until(lambda token=token: sounder.start_ns(token) is not None)
            assert sounder.playing


def test_a_track_of_which_the_child_dies_is_tried_twice_and_no_more(tmp_path: Path) -> None:
    said: list[str] = []
    log = tmp_path / "log"
    with fake("dies", said, log) as sounder:
        sounder.play(TWO)
        assert until(lambda: sounder.state == "silent" and not sounder.playing and len(said) == 4)
        assert starts(log) == 2
        sounder.play(TWO)
        assert until(lambda: starts(log) == 4 and not sounder.playing)
    assert len(said) >= 6


def test_a_device_that_goes_is_looked_for_at_the_next_track_at_once(tmp_path: Path) -> None:
    said: list[str] = []
    log = tmp_path / "log"
    with fake("gone", said, log) as sounder:
        sounder.play(TWO)
        assert until(lambda: said == ["Open.", "Gone."])
        assert until(lambda: not sounder.playing)
        sounder.play(TWO)
        assert until(lambda: starts(log) == 2)
        assert until(lambda: said == ["Open.", "Gone.", "Open.", "Gone."])


def test_a_child_that_never_reads_holds_up_nobody() -> None:
    # More than a pipe holds.
    long = Track(tuple(Tone(k * 0.01, 40.0, 6, 90, None) for k in range(5000)), (), 60.0)
    sounder = fake("deaf", [])
    sounder.start()
    assert until(lambda: sounder.state == "sound")
    began = time.monotonic()
    for _ in range(3):
        sounder.play(long)
    assert time.monotonic() - began < 1.0  # writing would wait for ever
    pid = sounder.child_pid
    sounder.close()
    assert pid is not None
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    assert not [t.name for t in threading.enumerate() if t.name.startswith("sound")]


def test_closing_is_possible_at_any_time() -> None:
    never = fake("plays", [])
    never.close()
    never.close()
    said: list[str] = []
    sounder = fake("plays", said)
    first = sounder.play(TWO)
    assert until(lambda: sounder.start_ns(first) is not None)
    sounder.close()
    assert sounder.play(TWO) == 2
    assert not sounder.playing
    assert sounder.state == "silent"
    assert said == ["Open."]


# --- the ways to make sound ---------------------------------------------------------------------------


def test_with_no_library_and_no_mixer_there_is_no_sound_and_it_says_why(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def absent(_name: str) -> None:
        raise OSError("PortAudio library not found")

    monkeypatch.setattr(sound_child, "import_module", absent)
    monkeypatch.setenv("SDL_AUDIODRIVER", "nonesuch")
    with pytest.raises(sound_child.Unusable, match="libportaudio2"):
        sound_child.open_sink(None, 0.0, (0.5, 0.5))


def test_the_simple_way_is_taken_where_the_library_is_missing(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """SDL's disk driver writes what would be heard to a file: the clicks lie in it to the sample."""
    heard = tmp_path / "heard.raw"

    def absent(_name: str) -> None:
        raise OSError("PortAudio library not found")

    monkeypatch.setattr(sound_child, "import_module", absent)
    monkeypatch.setenv("SDL_AUDIODRIVER", "disk")
    monkeypatch.setenv("SDL_DISKAUDIOFILE", str(heard))
    sink, opened = sound_child.open_sink(None, 0.0, (0.5, 0.5))
    try:
        assert "5 ms early or late" in opened.text
        sink.obey(Play(4, None, TWO))
        token, _heard_ns = sink.begun() or (0, 0)
        assert token == 4
        assert until(lambda: sink.ended() == [4])
        assert sink.begun() is None
    finally:
        sink.close()
    got = np.frombuffer(heard.read_bytes(), "<i2").reshape(-1, 2)
    want = np.frombuffer(rendered(TWO, (0.5, 0.5)), "<i2").reshape(-1, 2)
    begin = int(np.flatnonzero(got[:, 0])[0] - np.flatnonzero(want[:, 0])[0])
    assert np.array_equal(got[begin : begin + len(want)], want)
    clicks = np.flatnonzero(want[:, 0])
    assert clicks[np.flatnonzero(np.diff(clicks, prepend=-RATE) > 1000)].tolist() == [0, 4800]


# A sound library of paper: its one device calls as long as the file ``plugged`` is there.
LIBRARY = """
import pathlib, threading, time, types
PLUGGED = pathlib.Path(__file__).with_name("plugged")
class PortAudioError(Exception): pass
def query_devices(device, kind):
    if device is not None: raise ValueError("no such device")
    return {"name": "Paper", "index": 0, "default_samplerate": 44100.0, "max_output_channels": 1}
def _terminate(): pass
class OutputStream:
    latency, active = 0.02, True
    def __init__(self, *, samplerate, blocksize, channels, callback, **_rest):
        assert (samplerate, channels) == (44100, 1)
        self.block, self.callback = blocksize, callback
    def start(self):
        threading.Thread(target=self.run, daemon=True).start()
    def run(self):
        import numpy
        out = numpy.zeros((self.block, 1), "f4")
        times = types.SimpleNamespace(outputBufferDacTime=0.0, currentTime=0.0)  # as some drivers do
        begin, frames = time.perf_counter(), 0
        while PLUGGED.exists():
            self.callback(out, self.block, times, types.SimpleNamespace(output_underflow=frames == 0))
            frames += self.block
            time.sleep(max(0.0, begin + frames / 44100 - time.perf_counter()))
        self.active = False
    def close(self): pass
"""


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """The folder in which the child finds its sound library; pygame has no sound either."""
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setenv("SDL_AUDIODRIVER", "nonesuch")
    (tmp_path / "sounddevice.py").write_text(LIBRARY)
    return tmp_path


def test_a_computer_without_the_library_is_silent_and_says_what_is_missing(library: Path) -> None:
    (library / "sounddevice.py").write_text("raise OSError('PortAudio library not found')")
    said: list[str] = []
    with Speaker(on_state=said.append) as speaker:
        assert until(lambda: bool(said))
        speaker.play(TWO)
        assert until(lambda: not speaker.playing)
        assert speaker.state == "silent"
    assert said == [
        "No sound here (libportaudio2 is not installed): mend that and ask again; all else works in silence."
    ]


def test_a_device_that_is_unplugged_is_one_sentence_and_is_found_when_it_is_back(library: Path) -> None:
    plugged = library / "plugged"
    plugged.touch()
    said: list[str] = []
    loop = Track((), (Tick(0.0, 2),), 0.1, period_s=0.1)
    with Speaker(on_state=said.append) as speaker:
        token = speaker.play(loop, at_ns=time.perf_counter_ns() + NS)
        assert until(lambda: speaker.start_ns(token) is not None)
        assert speaker.latency_ms == pytest.approx(20.0)
        assert speaker.underruns == 1
        plugged.unlink()
        assert until(lambda: speaker.state == "silent")
        assert not speaker.playing
        plugged.touch()
        token = speaker.play(TWO)
        assert until(lambda: speaker.start_ns(token) is not None)
        assert until(lambda: not speaker.playing)
        assert speaker.state == "sound"
    lost = "The sound stopped: “Paper” is gone. The next thing to be heard looks for it again."
    assert said == ["Sound goes to “Paper”.", lost, "Sound goes to “Paper”."]


def test_a_device_that_never_calls_is_no_device(library: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    module = types.ModuleType("paper")
    module.__file__ = str(library / "sounddevice.py")
    exec(LIBRARY, vars(module))
    monkeypatch.setattr(sound_child, "import_module", lambda _name: module)
    monkeypatch.setattr(sound_child, "STARTING_S", 0.1)
    with pytest.raises(sound_child.Unusable, match="it did not answer any more"):
        sound_child.open_sink(None, 0.0, (0.5, 0.5))


def test_the_speakers_command_carries_its_wishes() -> None:
    speaker = Speaker(device="Loud\0speaker", latency_ms=12.5, on_state=print, click_gain=0.25)
    assert list(speaker._command)[-3:] == ["--latency-ms=12.5", "--click-gain=0.25", "--device=Loudspeaker"]
    assert speaker.state == "silent"
    speaker.close()
