"""How well ``coach calibrate`` learns: figures beside the truth.

    python -m tests.bench.calibrate [--players N]          simulated time, many players
    python -m tests.bench.calibrate --real [WORDS ...]     one player, the whole command, on a real port

The first prints how often the truth lies within what is stated (two standard deviations), by jitter of the
hand.  The second starts a JACK server of its own and the command itself in a process; the player reads what
it prints, hears its clicks as a JACK client, and plucks into a port.  WORDS are handed to the command
(``--strings 4,5``); ``--base``, ``--late`` and ``--keep FOLDER`` (the settings) say more.
"""

from __future__ import annotations

import argparse
import ctypes
import os
import queue
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections.abc import Sequence
from pathlib import Path
from time import perf_counter_ns

import numpy as np

from coach.core.calibration_steps import Click, Say
from coach.core.calibration_turns import ring_click
from coach.core.pitch import STANDARD
from coach.core.profile import Profile
from tests.converter import Converter
from tests.harness import ROOT, JackServer
from tests.pupil import Pupil

STRINGS = range(1, 7)


def truth_ms(pupil: Pupil) -> tuple[list[float], list[float]]:
    """Return the true mean delays of note-ons and of note-offs, from string 1."""
    on = [pupil.converter.on_delay_us(STANDARD.open_pitch(s)) / 1e3 for s in STRINGS]
    return on, [pupil.converter.off_ms] * 6


def coverage(players: int) -> None:
    """Print how often the truth is where it is said to be."""
    print("within 2 sigma, by jitter (ms) of the hand:")
    print("jitter  players  note-on  note-off  off - on of a pair  fade  |on| median ms")
    for jitter_ms in (4.0, 12.0, 25.0):
        rows: dict[str, list[float]] = {"on": [], "off": [], "pair": [], "fade": [], "size": []}
        for seed in range(players):
            pupil = Pupil(seed, jitter_ms=jitter_ms)
            pupil.play()
            assert pupil.learnt is not None
            made = pupil.learnt.fit
            profile, true = made.profile, truth_ms(pupil)
            on = np.array(profile.on_delay_ms) - made.ahead_ms - true[0]
            off = np.array(profile.off_delay_ms) - made.ahead_ms - true[1]
            rows["on"] += list(np.abs(on) <= 2 * np.array(profile.on_error_ms))
            rows["off"] += list(np.abs(off) <= 2 * np.array(profile.off_error_ms))
            rows["size"] += list(np.abs(on))
            # What a verdict needs: the end of one string against the beginning of another.
            rows["pair"] += [
                abs(off[a - 1] - on[b - 1]) <= 2 * profile.error_us(b, a) / 1e3
                for a in STRINGS for b in STRINGS if a != b
            ]  # fmt: skip
            for s in STRINGS:
                wrong_s = abs((profile.fade_us(s) or 0) / 1e6 - pupil.fade_s(s, 80))
                rows["fade"].append(wrong_s <= 2 * profile.fade_spread_us(s) / 1e6)
        shares = "  ".join(f"{np.mean(rows[key]):8.3f}" for key in ("on", "off", "pair", "fade"))
        print(f"{jitter_ms:6.0f}  {players:7d}{shares}  {np.median(rows['size']):12.1f}", flush=True)


class Ear(threading.Thread):
    """Hears when a click begins after silence, as a JACK client; puts its perf_counter_ns into a queue."""

    def __init__(self, heard: queue.SimpleQueue[int]) -> None:
        from tests.record_jack import AUDIO, IS_INPUT, NO_START, PROCESS, jack

        super().__init__(daemon=True)
        self._heard, self._jack = heard, jack
        self._client = jack.jack_client_open(b"ear", NO_START, None)
        port = jack.jack_port_register(self._client, b"in", AUDIO, IS_INPUT, 0)
        self._quiet = 10**9

        @PROCESS
        def process(n: int, _data: object) -> int:
            now_ns = perf_counter_ns()  # JACK's own time of a cycle goes wrong as the dummy driver loses time
            buffer = ctypes.cast(jack.jack_port_get_buffer(port, n), ctypes.POINTER(ctypes.c_float))
            loud = np.flatnonzero(np.ctypeslib.as_array(buffer, (n,)))
            if len(loud):
                if self._quiet > 4800:
                    heard.put(now_ns + int(loud[0]) * 1_000_000_000 // 48_000)
                self._quiet = n - int(loud[-1])
            else:
                self._quiet += n
            return 0

        self._process = process  # the library holds no reference
        jack.jack_set_process_callback(self._client, process, None)
        jack.jack_activate(self._client)

    def run(self) -> None:
        """Join every output that comes, as long as the program lives."""
        from tests.record_jack import AUDIO, IS_OUTPUT

        joined: set[bytes] = set()
        while True:
            found = self._jack.jack_get_ports(self._client, None, AUDIO, IS_OUTPUT)
            at = 0
            while found and found[at]:
                name = bytes(found[at])
                if b"ortAudio" in name and name not in joined and not joined:
                    self._jack.jack_connect(self._client, name, b"ear:in")
                    joined.add(name)
                at += 1
            time.sleep(0.05)


def real(
    words: Sequence[str], *, pupil: Pupil, folder: Path, interrupt_s: float | None, command: Sequence[str]
) -> int:
    """Play through the whole command; print all it says with the time; return its exit code."""
    import rtmidi

    server = JackServer(period=256)
    server.start()
    os.environ.update(server.env)
    out = rtmidi.MidiOut(rtapi=rtmidi.API_UNIX_JACK, name="hexbox")
    out.open_virtual_port("out")
    clicks: queue.SimpleQueue[int] = queue.SimpleQueue()
    Ear(clicks).start()
    process = subprocess.Popen(
        [*command, "calibrate", *words], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        text=True, env={**os.environ, "XDG_CONFIG_HOME": str(folder), "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    lines: queue.SimpleQueue[str] = queue.SimpleQueue()
    assert process.stdout is not None
    said = process.stdout
    threading.Thread(target=lambda: [lines.put(line.rstrip("\n")) for line in said], daemon=True).start()
    pupil.prepare()
    begun_s, asked, asked_ns, beat = time.monotonic(), "", 0, 0
    try:
        while process.poll() is None or not lines.empty():
            passed_s = time.monotonic() - begun_s
            pupil.now_us = perf_counter_ns() // 1000
            while not lines.empty():
                line = lines.get()
                print(f"{passed_s:6.1f}  {line}", flush=True)
                pupil.answer_say(Say(line))
                if "String" in line and "[" in line:
                    asked, asked_ns, beat = line, perf_counter_ns(), 0
            while not clicks.empty():
                at_ns = clicks.get()
                if asked and at_ns > asked_ns:
                    _answer(pupil, asked, beat, at_ns // 1000)
                    beat += 1
            while pupil.queue and pupil.queue[0][0] <= perf_counter_ns() // 1000:
                out.send_message(list(pupil.queue.pop(0)[1]))
            if interrupt_s is not None and passed_s > interrupt_s:
                process.send_signal(2)
                interrupt_s = None
            time.sleep(0.001)
    finally:
        process.kill()
        process.wait()
        out.close_port()
        server.kill()
    kept = folder / "coach" / "pickup.toml"
    print(f"exit code {process.returncode}; {kept} is there: {kept.exists()}")
    if kept.exists():
        _beside(Profile.from_plain(tomllib.loads(kept.read_text("utf-8"))), pupil)
    return process.returncode


def _answer(pupil: Pupil, asked: str, beat: int, at_us: int) -> None:
    """Play what was asked for at one click that was heard: the player follows the click, whatever it does."""
    if "one bar to count" not in asked:
        if beat == 3:
            pupil.answer_click(Click(ring_click()), at_us - 2_400_000)
    elif beat >= 4 and beat % 4 == 0:
        pupil.answer_bar(at_us)


def _beside(profile: Profile, pupil: Pupil) -> None:
    on, off = truth_ms(pupil)
    how = f"reversed {profile.reversed}, single {profile.single_channel}"
    print(f"base channel {profile.base_channel}, {how}")
    learnt = [*profile.on_delay_ms, *profile.off_delay_ms]
    if len(learnt) == 12:  # the hand's, the ear's and the device's own offset, which no calibration can tell
        common_ms = float(np.median(np.subtract(learnt, [*on, *off])))
        print(f"common offset {common_ms:.1f} ms, added to the true delays below")
        on, off = [value + common_ms for value in on], [value + common_ms for value in off]
    print("string  true on  learnt ± 2 sd  true off  learnt ± 2 sd  true fade  learnt ± 2 sd")
    for s in STRINGS:
        figures = [
            f"{row[s - 1]:7.1f} ± {2 * error[s - 1]:4.1f}" if len(row) >= s else "              "
            for row, error in (
                (profile.on_delay_ms, profile.on_error_ms), (profile.off_delay_ms, profile.off_error_ms)
            )
        ]  # fmt: skip
        fade = (profile.fade_us(s) or 0) / 1e6, 2 * profile.fade_spread_us(s) / 1e6
        print(
            f"{s:6d}  {on[s - 1]:7.1f}  {figures[0]}  {off[s - 1]:8.1f}  {figures[1]}  "
            f"{pupil.fade_s(s, 80):9.2f}  {fade[0]:6.2f} ± {fade[1]:4.2f}"
        )


def main() -> int:
    """Run one of the two."""
    parser = argparse.ArgumentParser(description="how well coach calibrate learns")
    parser.add_argument("--players", type=int, default=60)
    parser.add_argument("--real", action="store_true")
    parser.add_argument("--base", type=int, default=1, help="channel of string 1")
    parser.add_argument("--late", type=float, default=0.0, help="ms by which the player is late")
    parser.add_argument("--jitter", type=float, default=8.0, help="ms, of the hand")
    parser.add_argument("--fades", type=float, default=1.0, help="how long strings ring, times the usual")
    parser.add_argument("--keep", type=Path, help="folder for the settings")
    parser.add_argument("--interrupt", type=float, help="Ctrl-C after so many seconds")
    parser.add_argument("--coach", default=f"{sys.executable} -m coach", help="the command")
    options, words = parser.parse_known_args()
    if not options.real:
        coverage(options.players)
        return 0
    usual = Converter()
    pupil = Pupil(
        1, jitter_ms=options.jitter, late_ms=options.late, slope_s=0.5,
        converter=Converter(
            base_channel=options.base, fade_s=tuple(options.fades * fade for fade in usual.fade_s)
        ),
    )  # fmt: skip
    folder = options.keep or Path(tempfile.mkdtemp())
    real(words, pupil=pupil, folder=folder, interrupt_s=options.interrupt, command=options.coach.split())
    return 0


if __name__ == "__main__":
    sys.exit(main())
