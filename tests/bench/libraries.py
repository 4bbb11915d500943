"""Research libraries beside our follower, on the same takes: ``python -m tests.bench.libraries --install``.

Each library runs in an environment of its own under ``--rooms`` (default ``~/.cache/coach-bench``; made where
``--install`` is given, some 2.5 GB), and is fed by ``tests/bench/library_child.py``, which knows nothing of
us; a library that cannot be run is one line.  ``--quick``: two pieces of each set; ``--kind`` and ``--set``
name one; ``--markdown FILE`` keeps the table.

Columns: note-match F1 (exact, and with exactly equal bars counted as equal), how far the place is off in
onset groups in the mean (of events that were meant), events until back on track after a jump (median and
95 %; a jump with fewer than 12 events left is not counted), and µs of a call (median and 99 %).  The
libraries are told nothing of strings, so "one channel" is the like comparison for ours; their place becomes
a note by a rule that is said in the child.  Those that read chords decide up to 35 ms late and are counted
as at once.  Seeds from 7,000,000; ours was tuned on others (below 100).
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from coach.core.follower import Follower
from coach.core.groups import Groups
from coach.core.score import TICKS_PER_QUARTER, Score
from tests.bench.follow import NEVER_BACK, OPEN_PIECES, ROOT, counts, follow, recoveries
from tests.bench.follow_material import KINDS, Take, files, plain_pieces, repeated_pieces, student

CHILD = Path(__file__).with_name("library_child.py")
SEED = 7_000_000
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
    "toltw": "parangonar",
    "transformer-own": "parangonar",
    "transformer-jumps": "parangonar",
    "dual-dtw": "parangonar",  # offline: reads the whole take first
    "outer-hmm": "pymatchmaker",
    "outer-hmm-notes": "pymatchmaker",
    "pitch-tempo-hmm": "pymatchmaker",
    "pitch-tempo-hmm-plain": "pymatchmaker",  # without states for extra notes
    "pitch-hmm": "pymatchmaker",
    "dtw-arzt": "pymatchmaker",
    "dtw-dixon": "pymatchmaker",
}
WANTED = {
    "generated": ("artefacts", "student", "one channel", "chunks", "skips"),
    "etudes": ("artefacts", "student"),
    "repeated": ("student",),
    "open pieces": ("artefacts", "student", "chunks"),
}
HEAD = ("matcher", "F1", "equal", "off", "back", "µs")


@dataclass(frozen=True, slots=True)
class Played:
    """One take of one score."""

    score: Score
    groups: Groups
    take: Take


def sets(few: bool) -> dict[str, list[Score]]:
    """Return the scores, by the name of their set."""
    found = {
        "generated": plain_pieces(SEED, 2 if few else 6),
        "etudes": files(ROOT / "scores")[:: 3 if few else 1],
        "repeated": repeated_pieces(SEED, 2 if few else 6),
    }
    if OPEN_PIECES.is_dir():
        found["open pieces"] = files(OPEN_PIECES)[:: 24 if few else 12]
    return found


def material(played: list[Played]) -> dict[str, list[dict[str, object]]]:
    """Return what the child is given: a score for each take."""
    scores = [
        {
            "qpm": one.score.qpm(0),
            "notes": [
                [str(row), int(n["onset"]) / TICKS_PER_QUARTER, int(n["duration"]) / TICKS_PER_QUARTER,
                 int(n["pitch"]), bool(n["grace"])]
                for row, n in enumerate(one.score.notes)
            ],
        }
        for one in played
    ]  # fmt: skip
    takes = [
        {
            "score": index,
            "events": [
                [us / 1e6, pitch, velocity]
                for us, pitch, velocity in zip(one.take.us, one.take.pitch, one.take.velocity, strict=True)
            ],
        }
        for index, one in enumerate(played)
    ]
    return {"scores": scores, "takes": takes}


def row(name: str, played: list[Played], labels: list[list[int]], cost_us: list[float]) -> list[str]:
    """Return one line of the table; ``labels``: rows of the score, one list a take."""
    sums, off, back = np.zeros((2, 3)), [], []
    for one, found in zip(played, labels, strict=True):
        truth, of_note = one.take.truth, one.groups.of_note
        sums += [counts(found, truth), counts(found, truth, one.groups.twins)]
        pairs = [(a, b) for a, b in zip(found, truth, strict=True) if a >= 0 and b >= 0]
        off += [abs(int(of_note[a]) - int(of_note[b])) for a, b in pairs]
        back += recoveries(found, one.take)
    f1 = 2 * sums[:, 0] / np.maximum(sums[:, 1] + sums[:, 2], 1)
    recovered = "–"
    if back:
        at = (np.percentile(back, q, method="nearest") for q in (50, 95))
        recovered = "/".join("never" if value >= NEVER_BACK else f"{value:.0f}" for value in at)
    cost = "/".join(f"{np.percentile(cost_us, q):.0f}" for q in (50, 99)) if cost_us else "–"
    return [name, f"{f1[0]:.3f}", f"{f1[1]:.3f}", f"{np.mean(off):.2f}" if off else "–", recovered, cost]


def our_cost(one: Played) -> list[float]:
    """Return the µs that each event of a take costs us, fed and labelled at once."""
    follower, spent = Follower(one.score, chunk=one.take.chunk, groups=one.groups), []
    events = zip(one.take.us, one.take.pitch, one.take.string, one.take.velocity, strict=True)
    for us, pitch, string, velocity in events:
        began = time.perf_counter_ns()
        follower.feed(us, pitch, string, velocity)
        follower.trace(1)
        spent.append((time.perf_counter_ns() - began) / 1000)
    return spent


def ours(played: list[Played]) -> list[list[str]]:
    """Return our lines."""
    found = [follow(one.score, one.groups, one.take) for one in played]
    cost = [us for one in played for us in our_cost(one)]
    return [
        row("ours, at once", played, [labels.once for labels in found], cost),
        row("ours, settled", played, [labels.settled for labels in found], []),
        row("ours, hindsight", played, [labels.hindsight for labels in found], []),
    ]


def theirs(matcher: str, python: Path, played: list[Played], folder: Path) -> tuple[list[str] | None, str]:
    """Return a library's line, or None, and what is to be said of it."""
    given, got = folder / "material.json", folder / "answers.json"
    given.write_text(json.dumps(material(played)))
    done = subprocess.run(
        [python, CHILD, matcher, given, got], capture_output=True, text=True, check=False, timeout=1800
    )
    if done.returncode:
        return None, (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
    answers = json.loads(got.read_text())
    labels = [[-1 if name is None else int(name) for name in answer["notes"]] for answer in answers]
    failed = sum(answer["failed"] for answer in answers)
    why = next((answer["why"] for answer in answers if answer["failed"]), "")
    cost = [us for answer in answers for us in answer["cost_us"]]
    return row(matcher, played, labels, cost), f"broke down at {failed} events ({why})" if failed else ""


def make_room(room: str, folder: Path) -> None:
    """Make a library's environment."""
    print(f"making {folder} …", flush=True)
    subprocess.run([sys.executable, "-m", "venv", folder], check=True)
    pip = [folder / "bin" / "python", "-m", "pip", "install", "-q", *ROOMS[room]]
    subprocess.run(pip, check=False)  # what is missing shows as one line a matcher


def main() -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rooms", type=Path, default=Path.home() / ".cache" / "coach-bench")
    parser.add_argument("--install", action="store_true", help="make the environments that are absent")
    parser.add_argument("--quick", action="store_true", help="two pieces of each set")
    parser.add_argument("--set", dest="only", help="only this set")
    parser.add_argument("--kind", help="only this kind of take")
    parser.add_argument("--markdown", type=Path, help="keep the tables in this file")
    chosen = parser.parse_args()
    for room in ROOMS if chosen.install else ():
        if not (chosen.rooms / room).exists():
            make_room(room, chosen.rooms / room)
    kept: list[str] = []
    for name, scores in sets(chosen.quick).items():
        for kind in WANTED[name]:
            if chosen.only not in (None, name) or chosen.kind not in (None, kind):
                continue
            played = [
                Played(score, groups := Groups(score), student(score, groups, SEED + n, kind=KINDS[kind]))
                for n, score in enumerate(scores)
            ]
            events = sum(len(one.take.us) for one in played)
            title = f"{name}, {kind}: {len(played)} takes, {events} events"
            print(f"\n{title}\n{HEAD[0]:24s}" + "".join(f"{cell:>12s}" for cell in HEAD[1:]), flush=True)
            kept += [f"\n### {title}\n", "| " + " | ".join(HEAD) + " |", "|---|" + "---:|" * (len(HEAD) - 1)]
            for line in ours(played):
                _show(line, kept)
            with tempfile.TemporaryDirectory() as folder:
                for matcher, room in MATCHERS.items():
                    python = chosen.rooms / room / "bin" / "python"
                    line, said = None, f"no environment {python.parent.parent}; give --install"
                    if python.exists():
                        line, said = theirs(matcher, python, played, Path(folder))
                    if line is not None:
                        _show(line, kept)
                    if said:
                        print(f"  {matcher}: {said}", flush=True)
    if chosen.markdown:
        chosen.markdown.write_text("\n".join(kept) + "\n")
    return 0


def _show(cells: list[str], kept: list[str]) -> None:
    print(f"{cells[0]:24s}" + "".join(f"{cell:>12s}" for cell in cells[1:]), flush=True)
    kept.append("| " + " | ".join(cells) + " |")


if __name__ == "__main__":
    sys.exit(main())
