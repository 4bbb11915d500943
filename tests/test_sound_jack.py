"""The computer's own sound on a JACK server, heard by an independent client.

The dummy driver's period is long (512 frames, 10.7 ms), so that a busy machine makes it lose no time.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from time import perf_counter_ns

import numpy as np
import pytest

from coach.core.mixer import render
from coach.core.sounding import Tick, Tone, Track
from coach.devices.sound import Speaker
from tests.harness import ROOT, JackServer, missing, until

try:
    import sounddevice  # noqa: F401
except (ImportError, OSError):  # the Python part, or the C library
    pytest.skip("needs sounddevice and libportaudio2", allow_module_level=True)

CLIENT = "ortAudio"  # PortAudio's name on JACK, great or small P
RATE = 48_000
NS = 1_000_000_000


class Recording:
    """What was heard: ``samples`` by JACK's frames, ``ns(frame)`` when a frame came to the recorder."""

    def __init__(self) -> None:
        self.samples = np.zeros(0, np.float32)
        self._frames = self._called_ns = np.zeros(0, np.int64)
        self.gaps = 0

    def load(self, path: Path) -> None:
        with np.load(path) as kept:
            self.samples, self.gaps = kept["samples"], int(kept["gaps"])
            self._frames, self._called_ns = kept["frames"], kept["called_ns"]

    def ns(self, frame: int) -> float:
        """The earliest of the cycles of half a second around: a cycle is late, never early."""
        near = np.abs(self._frames - frame) < RATE // 4
        return float((self._called_ns[near] - self._frames[near] * NS / RATE).min() + frame * NS / RATE)

    @property
    def lost_ms(self) -> float:
        """The time that the dummy driver's own clock lost: on a busy machine it does."""
        end = len(self.samples)
        return (self.ns(end) - self.ns(0)) / 1e6 - end * 1e3 / RATE

    def onsets(self, quiet: int = 2000) -> list[int]:
        """The frames at which something begins after so many frames of silence."""
        loud = np.flatnonzero(self.samples)
        return [int(at) for at in loud[np.diff(loud, prepend=-quiet - 1) > quiet]]


@contextlib.contextmanager
def recording(folder: Path) -> Iterator[Recording]:
    """Record while in the block; what was heard is there afterwards."""
    path = folder / "heard.npz"
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.record_jack", CLIENT, str(path)],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    heard = Recording()
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        yield heard
        process.communicate(timeout=20)  # closes its standard input
        heard.load(path)
    finally:
        process.kill()
        process.wait()


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[JackServer]:
    if why := missing("jackd", "jack_wait"):
        pytest.skip(f"needs a JACK server: {why} (apt-get install jackd2)")
    jack = JackServer(512)
    jack.start()
    for key, value in jack.env.items():
        monkeypatch.setenv(key, value)
    yield jack
    jack.stop()


@contextlib.contextmanager
def speaking(said: list[str], **wishes: float) -> Iterator[Speaker]:
    with Speaker(on_state=said.append, **wishes) as speaker:  # type: ignore[arg-type]
        assert until(lambda: speaker.state == "sound"), said
        yield speaker


def over(speaker: Speaker) -> None:
    assert until(lambda: not speaker.playing)


def clicks(bpm: float, count: int) -> Track:
    step = 60 / bpm
    return Track((), tuple(Tick(k * step, 2 if k % 3 == 0 else 1) for k in range(count)), count * step)


def test_clicks_are_heard_where_they_belong_and_when_it_is_said(server: JackServer, tmp_path: Path) -> None:
    said: list[str] = []
    tracks = [clicks(137.3, 5), clicks(61.7, 2), clicks(137.3, 5)]
    begun: list[tuple[int | None, int]] = []
    with speaking(said) as speaker, recording(tmp_path) as heard:
        for track in tracks:
            at_ns = perf_counter_ns() + 300_000_000 if len(begun) != 1 else None
            token = speaker.play(track, at_ns=at_ns)
            assert until(lambda token=token: (speaker.start_ns(token) or NS << 32) < perf_counter_ns())
            begun.append((at_ns, speaker.start_ns(token) or 0))
            over(speaker)
        latency_ns = speaker.latency_ms * 1e6
    assert said == ["Sound goes to “system”."]
    onsets = heard.onsets()
    assert heard.gaps == 0
    wanted = [round(tick.start_s * RATE) for track in tracks for tick in track.ticks]
    firsts = [0, 5, 7]
    assert len(onsets) == len(wanted) == 12
    for at, onset in enumerate(onsets):  # exact to the frame against the first of its own track
        first = max(number for number in firsts if number <= at)
        assert onset - onsets[first] == wanted[at]
    assert latency_ns == pytest.approx(512 * NS / RATE, rel=1e-3)  # the dummy driver's own figure
    errors_ms = [
        (heard.ns(onsets[first]) + latency_ns - start_ns) / 1e6
        for first, (_at_ns, start_ns) in zip(firsts, begun, strict=True)
    ]
    # The mean was 0.16 ms and the standard deviation 0.03 ms on a quiet machine; a busy one may spoil one.
    assert sorted(np.abs(errors_ms))[1] < 2.0 + heard.lost_ms, errors_ms
    asked_ms = [(start_ns - at_ns) / 1e6 for at_ns, start_ns in begun if at_ns is not None]
    assert min(np.abs(asked_ms)) < 2.0 + heard.lost_ms, asked_ms


def test_the_samples_are_the_mixers_and_a_stop_makes_no_click(server: JackServer, tmp_path: Path) -> None:
    long = Track((Tone(0.0, 40.0, 6, 100), Tone(0.0, 52.0, 4, 100)), (), 30.0)
    with speaking([]) as speaker, recording(tmp_path) as heard:
        token = speaker.play(long)
        assert until(lambda: (speaker.start_ns(token) or NS << 32) + NS // 2 < perf_counter_ns())
        speaker.stop()
        assert not speaker.playing
        again = speaker.play(clicks(240.0, 2), at_ns=perf_counter_ns() + NS // 2)
        assert until(lambda: (speaker.start_ns(again) or NS << 32) < perf_counter_ns())
        over(speaker)
        underruns = speaker.underruns
    first, second = heard.onsets()[:2]
    part = heard.samples[first:second]
    end = int(np.flatnonzero(part)[-1]) + 1
    # The first samples of a plucked string may be zero themselves, so its place is found by comparing.
    whole = render(long, RATE)
    begin = int(np.flatnonzero(whole)[0])
    untouched = end - round(0.010 * RATE)
    if underruns == 0:
        assert np.array_equal(part[:untouched], whole[begin : begin + untouched])
    assert untouched > 0.3 * RATE
    # Before the fade the string moves this much from sample to sample; the fade itself adds at most
    # half a cosine over 8 ms.
    before = np.abs(np.diff(part[end - RATE // 10 : untouched])).max()
    level = np.abs(part[end - RATE // 10 : untouched]).max()
    fading = np.abs(np.diff(np.append(part[untouched:end], 0.0))).max()
    assert fading <= before * 1.05 + level * np.pi / (2 * 0.008 * RATE)
    assert len(heard.onsets()) == 3  # the tones, and two clicks


def test_a_calibrated_latency_moves_everything_earlier(server: JackServer, tmp_path: Path) -> None:
    with speaking([], latency_ms=80.0) as speaker, recording(tmp_path) as heard:
        assert speaker.latency_ms == 80.0
        at_ns = perf_counter_ns() + NS // 2
        token = speaker.play(clicks(240.0, 1), at_ns=at_ns)
        assert until(lambda: speaker.start_ns(token) is not None)
        start_ns = speaker.start_ns(token) or 0
        over(speaker)
    lost_ns = heard.lost_ms * 1e6
    assert start_ns - at_ns == pytest.approx(0, abs=1e6 + lost_ns)  # nearest frame, the clock's last look
    # A sample's way from the recorder to the ear is then 80 ms; one busy moment is allowed for.
    assert heard.ns(heard.onsets()[0]) - at_ns == pytest.approx(-80e6, abs=3e6 + lost_ns)


def test_a_loop_goes_on_until_it_is_stopped(server: JackServer, tmp_path: Path) -> None:
    loop = Track((), (Tick(0.0, 2), Tick(0.1, 1)), 0.2, period_s=60 / 293.7)
    with speaking([]) as speaker, recording(tmp_path) as heard:
        token = speaker.play(loop)
        assert until(lambda: (speaker.start_ns(token) or NS << 32) + 1.5 * NS < perf_counter_ns())
        assert speaker.playing
        speaker.stop()
    onsets = heard.onsets(1000)
    wanted = [round((k * 60 / 293.7 + at) * RATE) for k in range(40) for at in (0.0, 0.1)]
    assert len(onsets) > 12
    assert [onset - onsets[0] for onset in onsets] == wanted[: len(onsets)]


def test_a_killed_child_is_one_sentence_and_the_next_track_is_heard(
    server: JackServer, tmp_path: Path
) -> None:
    said: list[str] = []
    with speaking(said) as speaker:
        first = speaker.play(clicks(60.0, 60))
        assert until(lambda: speaker.start_ns(first) is not None)
        pid = speaker.child_pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        assert until(lambda: speaker.state == "silent")
        assert not speaker.playing
        token = speaker.play(clicks(240.0, 3))
        # A synchronous server stands still for 5 s after a client was killed.
        assert until(lambda: speaker.start_ns(token) is not None, 30), said
        over(speaker)
        assert speaker.state == "sound"
    assert len(said) == 3
    assert "SIGKILL" in said[1]
    assert said[0] == said[2]


def test_a_server_that_goes_is_one_sentence_and_is_found_again(server: JackServer) -> None:
    said: list[str] = []
    with speaking(said) as speaker:
        first = speaker.play(clicks(60.0, 60))
        assert until(lambda: speaker.start_ns(first) is not None)
        server.kill()
        assert until(lambda: speaker.state == "silent")
        assert not speaker.playing
        server.start()
        token = speaker.play(clicks(240.0, 2))
        assert until(lambda: speaker.start_ns(token) is not None, 30), said
        over(speaker)
    assert len(said) == 3, said
    assert "gone" in said[1]


def test_a_device_that_is_not_there_gives_way_to_the_usual_one(server: JackServer) -> None:
    said: list[str] = []
    with Speaker(device="no such box", on_state=said.append) as speaker:
        assert until(lambda: speaker.state == "sound")
    assert said == ["“no such box” gives no sound now; it goes to “system” instead."]
