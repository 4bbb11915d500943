"""The research libraries' environments, and a child in each that runs them (``tests.bench.libraries``)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import threading
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import IO

from coach.core.score import TICKS_PER_QUARTER
from tests.bench.library_count import Answer, Played, places_of

CHILD = Path(__file__).with_name("library_child.py")
CPU_WHEELS = ("--extra-index-url", "https://download.pytorch.org/whl/cpu")
ROOMS = {
    "parangonar": (
        "parangonar==3.4.0",
        "partitura==1.9.0",
        "numpy==2.4.6",
        "scipy==1.17.1",
        "tqdm==4.70.1",
        "torch==2.13.0",
        *CPU_WHEELS,
    ),
    "pymatchmaker": (
        "pymatchmaker==0.3.0",
        "parangonar==3.4.0",
        "partitura==1.9.0",
        "numpy==1.26.4",
        "scipy==1.17.1",
    ),
}
MATCHERS = {
    "oltw": "parangonar",
    "oltw-own": "parangonar",
    "toltw": "parangonar",
    "transformer-own": "parangonar",
    "transformer-jumps": "parangonar",
    "dual-dtw": "parangonar",
    "outer-hmm": "pymatchmaker",
    "outer-hmm-wide": "pymatchmaker",  # chords of 80 ms, where the library's own are of 35
    "pitch-tempo-hmm": "pymatchmaker",
    "pitch-tempo-hmm-plain": "pymatchmaker",  # without states for extra notes
    "pitch-hmm": "pymatchmaker",
    "pitch-hmm-plain": "pymatchmaker",
    "dtw-arzt": "pymatchmaker",
    "dtw-dixon": "pymatchmaker",
}
OFFLINE = {"dual-dtw"}  # reads the whole take first
LONGEST_S = 900.0  # that one matcher may take over one row
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
Said = tuple[list[Answer] | None, str]  # the answers, and what is to be said of them


def material(played: list[Played]) -> dict[str, list[dict[str, object]]]:
    """Return what the child is given: a score for each take.

    Strings are not told: no library takes them.  Of a take of which our follower is told the bars that are
    being practised, a library is given these bars alone.
    """
    scores, takes = [], []
    for index, one in enumerate(played):
        begin, end = one.groups.span(one.take.chunk) if one.take.chunk else (0, one.groups.count)
        rows = range(int(one.groups.starts[begin]), int(one.groups.starts[end]))
        first = int(one.groups.onsets[begin])
        notes = [
            [
                str(row),
                (int(one.score.notes["onset"][row]) - first) / TICKS_PER_QUARTER,
                int(one.score.notes["duration"][row]) / TICKS_PER_QUARTER,
                int(one.score.notes["pitch"][row]),
                bool(one.score.notes["grace"][row]),
            ]
            for row in rows
        ]
        scores.append({"qpm": one.score.qpm(first), "notes": notes})
        heard = zip(one.take.us, one.take.pitch, one.take.velocity, strict=True)
        events = [[us / 1e6, pitch, velocity] for us, pitch, velocity in heard]
        takes.append({"score": index, "first": int(places_of(one.groups)[begin]), "events": events})
    return {"scores": scores, "takes": takes}


def install(rooms: Path) -> None:
    """Make the environments that are absent."""
    for room, wanted in ROOMS.items():
        if not (rooms / room).exists():
            print(f"making {rooms / room} …", flush=True)
            subprocess.run([sys.executable, "-m", "venv", rooms / room], check=True)
            pip = [str(rooms / room / "bin" / "python"), "-m", "pip", "install", "-q", *wanted]
            subprocess.run(pip, check=False)  # what is missing shows as one line a matcher


class Room:
    """One environment: does its jobs one after another, in a child that is started anew if it dies."""

    def __init__(self, folder: Path) -> None:
        self.python = folder / "bin" / "python"
        self._child: subprocess.Popen[str] | None = None
        self._said: IO[str] = tempfile.TemporaryFile("w+")  # noqa: SIM115
        self._one_at_a_time = ThreadPoolExecutor(max_workers=1)

    def ask(self, matcher: str, given: Path) -> Future[Said]:
        """Follow the takes of a file with a matcher, when its turn comes."""
        return self._one_at_a_time.submit(self._follow, matcher, given)

    def close(self) -> None:
        """End the child."""
        self._one_at_a_time.shutdown(cancel_futures=True)
        if self._child is not None:
            self._child.kill()
            self._child.communicate()
        self._said.close()

    def _follow(self, matcher: str, given: Path) -> Said:
        if not self.python.exists():
            return None, f"no environment {self.python.parent.parent}; give --install"
        got = given.with_suffix(f".{matcher}")
        if self._child is None or self._child.poll() is not None:
            self._child = subprocess.Popen(
                [self.python, CHILD],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._said,
                text=True,
                env={**os.environ, **ONE_THREAD},
            )
        child = self._child
        assert child.stdin is not None
        assert child.stdout is not None
        too_long = threading.Timer(LONGEST_S, child.kill)
        too_long.start()
        try:
            child.stdin.write(json.dumps([matcher, str(given), str(got)]) + "\n")
            child.stdin.flush()
            reply = child.stdout.readline().strip()
        except BrokenPipeError:
            reply = ""
        finally:
            too_long.cancel()
        if reply == "done":
            return _read(got)
        if not reply:
            self._said.seek(0)
            last = (self._said.read().strip().splitlines() or ["it said nothing"])[-1]
            reply = f"its child died, or took longer than {LONGEST_S:.0f} s ({last})"
        return None, reply


def _read(got: Path) -> Said:
    answers = json.loads(got.read_text())
    failed = sum(answer["failed"] for answer in answers)
    why = next((answer["why"] for answer in answers if answer["failed"]), "")
    read = [
        Answer(
            [-1 if name is None else int(name) for name in answer["notes"]],
            answer["groups"],
            answer["cost_us"],
        )
        for answer in answers
    ]
    return read, f"broke down at {failed} events ({why})" if failed else ""
