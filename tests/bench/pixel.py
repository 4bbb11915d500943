"""From the guitar's message to the pixel: ``python -m tests.bench.pixel``.

This process sends a little piece into a JACK port, in time, and looks into the X server's frame buffer;
``coach play`` runs as it does for a player, in a window of 1920x1080.  Taken is the time from just before a
bass note is handed to JACK until the sign of its pluck stands in the frame buffer (seen to 0.3 ms): JACK's
period, the reader's process, the follower, the page, and the X server are all in it; the way from a
computer to its panel is not.
"""

from __future__ import annotations

import argparse
import mmap
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np
import rtmidi

from tests.harness import ROOT, JackServer, missing, until, xvfb
from tests.send_take import listener_count
from tests.xml_scores import attributes, back, document, note, technical

SIZE = (1920, 1080)
BARS, QPM = 32, 160
BASSES = {"A2": (5, 0), "D3": (4, 0), "E2": (6, 0)}
BASS_BARS = ("A2 D3 E2 D3", "A2 E2 D3 E2", "D3 A2 E2 A2", "D3 E2 A2 E2")
MELODY_BARS = ("C4 E4", "D4 F4", "B3 G4", "E4 A4", "F4 D4", "G4 C4", "A4 B3")
TUNE = {"B3": (2, 0), "C4": (2, 1), "D4": (2, 3), "E4": (1, 0), "F4": (1, 1), "G4": (1, 3), "A4": (1, 5)}
LATE_MS = 1000  # after this long a note counts as not seen


class Due(NamedTuple):
    """A message to be sent."""

    at_s: float
    message: list[int]
    note: int  # the bass note whose pluck is looked for, else -1


class Look(NamedTuple):
    """A place of the frame buffer that is watched, as it was when its note was sent."""

    sent_s: float
    where: tuple[slice, slice]
    before: np.ndarray


def score_xml() -> bytes:
    """Return a piece of quarter notes on three bass strings under a tune, all fretted at sight."""
    bars = []
    for bar in range(BARS):
        head = attributes() if bar == 0 else ""
        if bar == 0:
            head += f'<direction><sound tempo="{QPM}"/></direction>'
        tune = MELODY_BARS[bar * 3 % 7].split()
        basses = BASS_BARS[(bar + bar // 4) % 4].split()
        bars.append(
            head
            + "".join(note(name, 2, 1, inside="<stem>up</stem>" + placed(TUNE[name])) for name in tune)
            + back(4)
            + "".join(note(name, 1, 2, inside="<stem>down</stem>" + placed(BASSES[name])) for name in basses)
        )
    return document(*bars)


def placed(place: tuple[int, int]) -> str:
    return technical(f"<string>{place[0]}</string><fret>{place[1]}</fret>")


def schedule(score) -> list[Due]:
    """Return what a player sends who plays the piece as written: one channel a string, a little detached."""
    from coach.core.score import TICKS_PER_QUARTER

    tick_s = 60 / QPM / TICKS_PER_QUARTER
    found = []
    for row, one in enumerate(score.notes):
        start, length = int(one["onset"]) * tick_s, int(one["duration"]) * tick_s
        channel, pitch = int(one["string"]) - 1, int(one["pitch"])
        found.append(Due(start, [0x90 | channel, pitch, 80], row if one["bass"] else -1))
        found.append(Due(start + length * 0.97, [0x80 | channel, pitch, 0], -1))
    return sorted(found, key=lambda due: due.at_s)


class Screen:
    """The X server's frame buffer, as a picture of shape (height, width), one number a pixel."""

    def __init__(self, file: Path) -> None:
        """``file`` is in the X window dump format: a header of big-endian numbers, colours, pixels."""
        with file.open("rb") as opened:
            self._map = mmap.mmap(opened.fileno(), 0, access=mmap.ACCESS_READ)
        head = np.frombuffer(self._map, ">u4", 25)
        size, width, height, stride, colours = (int(head[i]) for i in (0, 4, 5, 12, 19))
        pixels = np.frombuffer(self._map, "<u4", height * stride // 4, size + colours * 12)
        self.pixels = pixels.reshape(height, stride // 4)[:, :width]


def places(path: Path, score):
    """Return a function from a note's row to where the sign of its pluck will stand."""
    from coach.app.piece import open_piece
    from coach.core.session import Session
    from coach.core.view import Viewer
    from coach.screen.window import Window

    piece = open_piece(path)
    window = Window(piece.score, piece.xml, size=SIZE, offscreen=True)
    window.show(Viewer(Session(piece.score)).view(0))
    page, layout = window.page, window.page.layout

    def place(row: int) -> tuple[slice, slice]:
        one = score.notes[row]
        bar, string = int(one["bar"]), int(one["string"])
        system, x = layout.places.x_of(float(one["onset"]), bar)
        slot = layout.spread(bar, float(one["onset"])).index(system)
        strings = layout.strings[system]
        y = layout.row_y(slot, strings.index(string), len(strings))
        half, x = max(round(page.sizes.row * 0.15), 2), round(layout.left + x)
        return slice(y - half, y + half + 1), slice(x - half, x + half + 1)

    return place


def run(path: Path, folder: Path, jack: JackServer, frames: Path, display: str) -> tuple[list[float], int]:
    """Let ``coach play`` follow the piece once; return the ms of each bass note, and how many went unseen."""
    from coach.app.piece import open_piece

    score = open_piece(path).score
    place = places(path, score)
    output = rtmidi.MidiOut(rtapi=rtmidi.API_UNIX_JACK, name="pixel")
    output.open_virtual_port("out")
    command = [
        sys.executable,
        "-m",
        "coach",
        "play",
        str(path),
        "--port",
        "pixel",
        "--size",
        "x".join(map(str, SIZE)),
    ]
    environment = {**os.environ, **jack.env, "DISPLAY": display, "SDL_VIDEODRIVER": "x11"}
    with (folder / "said").open("wb") as said:
        coach = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=said, stderr=said)
        try:
            with listener_count("pixel:out") as listeners:
                if not until(lambda: listeners() > 0, 20):
                    raise RuntimeError((folder / "said").read_text("utf-8", "replace"))
            time.sleep(1.5)
            return play(schedule(score), output, Screen(frames), place)
        finally:
            coach.terminate()
            coach.wait()
            output.close_port()
            output.delete()


def play(rows: list[Due], output: rtmidi.MidiOut, screen: Screen, place) -> tuple[list[float], int]:
    """Send every message at its time, and watch for what it does."""
    looks: list[Look] = []
    found_ms: list[float] = []
    unseen = 0
    begin = time.perf_counter()
    for due in [*rows, Due(rows[-1].at_s + 1.2, [], -1)]:
        while True:
            now = time.perf_counter()
            for look in list(looks):
                if not np.array_equal(screen.pixels[look.where], look.before):
                    found_ms.append((now - look.sent_s) * 1e3)
                    looks.remove(look)
                elif (now - look.sent_s) * 1e3 > LATE_MS:
                    unseen += 1
                    looks.remove(look)
            left = begin + due.at_s - time.perf_counter()
            if left <= 0:
                break
            time.sleep(min(left, 0.0002))
        if due.note >= 0:
            where = place(due.note)
            looks.append(Look(time.perf_counter(), where, screen.pixels[where].copy()))
        if due.message:
            output.send_message(due.message)
    return found_ms, unseen


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--runs", type=int, default=3, help="times the piece is played")
    runs = options.parse_args().runs
    if why := missing("jackd", "jack_wait", "Xvfb"):
        raise SystemExit(why)
    jack = JackServer()
    os.environ.update(jack.env)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for variable in ("COACH_TAKES", "XDG_CONFIG_HOME", "XDG_CACHE_HOME"):
            os.environ[variable] = str(folder)
        path = folder / "pixel.musicxml"
        path.write_bytes(score_xml())
        jack.start()
        try:
            with xvfb(*SIZE, frames=folder) as display:
                everything, missed = list[float](), 0
                print(f"ms from message to pixel, {BARS * 4} bass notes a run at {QPM} a minute, 1080p")
                print("run    seen  not seen    least   median      p99      max")
                for number in range(1, runs + 1):
                    ms, unseen = run(path, folder, jack, folder / "Xvfb_screen0", display)
                    everything, missed = everything + ms, missed + unseen
                    print(line(str(number), ms, unseen), flush=True)
                print(line("all", everything, missed))
        finally:
            jack.stop()


def line(name: str, ms: list[float], unseen: int) -> str:
    found = np.array(ms or [np.nan])
    figures = (found.min(), np.median(found), np.percentile(found, 99), found.max())
    return f"{name:4}{len(ms):7}{unseen:10}" + "".join(f"{one:9.2f}" for one in figures)


if __name__ == "__main__":
    main()
