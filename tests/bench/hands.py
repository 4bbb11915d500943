"""One hand alone: how many notes of the other are called missing; run ``python -m tests.bench.hands``.

Simulated students (``tests/bench/follow_material.py``) play the tune or the bass alone, with errors and
hesitations; beside them students of both voices, of whom no missing note is to be overlooked for it.  A row:
how many notes are called missing where a hand alone is found, where that is turned off, and of how many.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace

from coach.core.events import End, NoteOn
from coach.core.groups import Groups
from coach.core.score import Score
from coach.core.session import Session
from coach.core.verdicts import Limits, Stroke, StrokeVerdict
from tests.bench.follow import OPEN_PIECES, ROOT
from tests.bench.follow_material import KINDS, files, plain_pieces, student

SILENT = {"melody alone": (True,), "bass alone": (False,), "student": (True, False)}  # is it the bass?


def missing(score: Score, kind: str, seed: int, *, found: bool) -> tuple[int, int]:
    """Return how many notes of the silent voice (of both, where both play) are missing, and its notes."""
    groups = Groups(score)
    take = student(score, groups, seed, kind=KINDS[kind])
    session = Session(score, limits=replace(Limits(), hands_alone=found), chunk=take.chunk)
    for us, pitch, string, velocity in zip(take.us, take.pitch, take.string, take.velocity, strict=True):
        session.feed(NoteOn(us, pitch, velocity, string))
    session.feed(End(take.us[-1] + 3_000_000))
    bass = score.notes["bass"]
    strokes = [v for v in session.verdicts.values() if isinstance(v, StrokeVerdict)]
    said = [v for v in strokes if v.kind is Stroke.MISSING and bool(bass[v.note]) in SILENT[kind]]
    return len(said), sum(bool(one) in SILENT[kind] for one in bass)


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=9_000_000)
    chosen = parser.parse_args()
    sets = {"generated": plain_pieces(chosen.seed, 6), "etudes": files(ROOT / "scores")[1:]}
    if OPEN_PIECES.is_dir():
        sets["open pieces"] = files(OPEN_PIECES)[::12]
    print(f"{'called missing':28s}{'found':>8s}{'off':>8s}{'notes':>8s}")
    for name, scores in sets.items():
        for kind in SILENT:
            rows = [
                [missing(score, kind, chosen.seed + n, found=found) for n, score in enumerate(scores)]
                for found in (True, False)
            ]
            said = [sum(count for count, _ in row) for row in rows]
            print(
                f"{name + ', ' + kind:28s}{said[0]:8d}{said[1]:8d}{sum(n for _, n in rows[0]):8d}", flush=True
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
