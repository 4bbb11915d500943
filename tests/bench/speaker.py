"""How well the start of a track is foretold, what the stream costs, and whether it ever has a gap.

    python -m tests.bench.speaker [PERIOD] [TRACKS] [SECONDS]

On a JACK server of its own (dummy driver), heard by an independent client.  The dummy driver's clock
loses time when the machine is busy: where ``lost by the driver`` is more than 1 ms, the other figures say
nothing.  On 2 cores beside other work, period 512: mean 0.16 ms, standard deviation 0.03 ms.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path
from time import perf_counter_ns

import numpy as np

from coach.core.sounding import Tick, Tone, Track
from coach.devices.sound import Speaker
from tests.harness import JackServer, until
from tests.test_sound_jack import NS, RATE, recording

SHORT = Track((), (Tick(0.0, 2), Tick(0.25, 1)), 0.5)


def full(seconds: float) -> Track:
    """Six strings that never rest, and a click with its subdivision."""
    tones = tuple(
        Tone(k * 0.1, 40.0 + 5 * (5 - k % 6) + k % 3, k % 6 + 1, 90, k * 0.1 + (0.35 if k % 2 else 0.6))
        for k in range(int(seconds * 10))
    )
    return Track(tones, tuple(Tick(k * 0.25, (2, 0, 1, 0)[k % 4]) for k in range(int(seconds * 4))), seconds)


def cpu_s(pid: int) -> float:
    """Return the processor time of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def foretold(speaker: Speaker, folder: Path, number: int) -> None:
    """Print how far heard and foretold starts lie apart."""
    said = []
    with recording(folder) as heard:
        time.sleep(1.0)
        for k in range(number):
            at_ns = perf_counter_ns() + NS // 4 + k * 1_234_567
            token = speaker.play(SHORT, at_ns=at_ns)
            until(lambda token=token: speaker.start_ns(token) is not None)
            before = speaker.start_ns(token) or 0
            until(lambda before=before: perf_counter_ns() > before + NS // 10)
            said.append((at_ns, before, speaker.start_ns(token) or 0))
            until(lambda: not speaker.playing)
    onsets = heard.onsets()
    steps = np.diff(onsets)[::2]
    print(
        f"{len(onsets)} clicks; from the first to the second of a track: {sorted(set(steps.tolist()))} frames"
    )
    lost_ms = (heard.ns(len(heard.samples)) - heard.ns(0)) / 1e6 - len(heard.samples) * 1e3 / RATE
    print(f"lost by the driver: {lost_ms:.2f} ms")
    heard_ns = np.array([heard.ns(at) for at in onsets[::2]]) + speaker.latency_ms * 1e6
    asked, before, playing = (heard_ns - np.array(column) for column in zip(*said, strict=True))
    for name, error in (("asked for", asked), ("foretold", before), ("told while playing", playing)):
        ms = error / 1e6
        print(f"heard after {name}: mean {ms.mean():.3f} ms, sd {ms.std():.3f}, worst {np.abs(ms).max():.3f}")


def cost(speaker: Speaker, seconds: float) -> None:
    """Print what silence and full playing cost of one core."""
    pid = speaker.child_pid or 0
    began, used = time.monotonic(), cpu_s(pid)
    time.sleep(4.0)
    print(f"silence: {(cpu_s(pid) - used) / (time.monotonic() - began):.1%} of one core")
    asked_ns, used, gaps = perf_counter_ns(), cpu_s(pid), speaker.underruns
    token = speaker.play(full(seconds))
    until(lambda: speaker.start_ns(token) is not None, 60)
    ready_s = ((speaker.start_ns(token) or 0) - asked_ns) / NS
    print(f"{seconds:g} s of six strings are heard {ready_s:.2f} s after the order (rendered first)")
    print(f"  rendering: {cpu_s(pid) - used:.2f} s of processor time, {speaker.underruns - gaps} gaps")
    began, used, gaps = time.monotonic(), cpu_s(pid), speaker.underruns
    time.sleep(seconds - 1.0)
    share = (cpu_s(pid) - used) / (time.monotonic() - began)
    print(f"  playing: {share:.1%} of one core, {speaker.underruns - gaps} gaps")


def main(period: int = 512, number: int = 20, seconds: float = 20.0) -> None:
    """Measure, and print."""
    server = JackServer(period)
    server.start()
    os.environ.update(server.env)
    try:
        with tempfile.TemporaryDirectory() as folder, Speaker(on_state=print) as speaker:
            if until(lambda: speaker.state == "sound"):
                foretold(speaker, Path(folder), number)
                cost(speaker, seconds)
                print(f"gaps in all: {speaker.underruns}")
    finally:
        server.stop()


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
