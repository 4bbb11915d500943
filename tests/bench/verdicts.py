"""How right the verdicts are on simulated takes: five études and generated pieces, seeds fixed.

Run: ``python -m tests.bench.verdicts [SEEDS]``.  One row for each converter and number of restarts:

- F1: macro-F1 of bass verdicts over the kinds that occur, by pass and note;
- F1 equal: the same where a bass end may be named in any exactly equal bar and in whichever pass;
- over: error of the overhang in ms, median and 95th percentile, of ends named alike and not replaced;
- blame: share of clean ends that were called late, ringing or cut;
- withdrawn: verdicts that were shown and did not hold, in per cent of all shown.
"""

import sys
from collections import Counter
from pathlib import Path

import numpy as np

from coach.app.piece import open_piece
from coach.core.events import End
from coach.core.report import report
from coach.core.session import Session
from coach.core.wire import Decoder
from tests.converter import Converter
from tests.pieces import generated_piece
from tests.player import Faults, Player

SCORES = Path(__file__).parents[2] / "scores"
CONVERTERS = {
    "none": Converter.ideal(),
    "usual": Converter(),
    "one channel": Converter(single_channel=True),
    "double triggers": Converter(double_rate=0.2, ghost_rate=0.1),
    "base channel 11": Converter(base_channel=11),
}
RATES = {
    "wrong": 0.03,
    "missing": 0.03,
    "extra": 0.02,
    "stray": 0.02,
    "late": 0.1,
    "ringing": 0.05,
    "cut": 0.05,
}
BLAME = {"late", "ringing", "cut"}


def pieces():
    """Name -> score."""
    found = {path.stem[:2]: open_piece(path).score for path in sorted(SCORES.glob("*.musicxml"))}
    found |= {f"made {seed}": generated_piece(seed, bars=16) for seed in range(3)}
    return found | {"short": generated_piece(7, bars=4), "long": generated_piece(8, bars=60)}


def played(score, seed, restarts, converter):
    """Return what was true, and the judge's report."""
    faults = Faults(**RATES, restarts=restarts)
    performance = Player(score, seed=seed, faults=faults, converter=converter).play()
    session = Session(score, profile=performance.profile)
    decoder = Decoder(performance.profile)
    for time_us, data in performance.messages:
        for event in decoder.decode(time_us, data):
            session.feed(event)
    session.feed(End(performance.end_us))
    return performance.truth, report(session), session


class Tally:
    """What was meant and what was said, over many takes."""

    def __init__(self):
        self.right, self.meant, self.said = Counter(), Counter(), Counter()
        self.equal_right, self.equal_said = Counter(), Counter()
        self.errors_ms, self.clean, self.blamed, self.withdrawn, self.shown = [], 0, 0, 0, 0

    def add(self, truth, result, session):
        meant = {(end.pass_number, end.note): end for end in truth.ends}
        said = {(row.verdict.pass_number, row.verdict.note): row.verdict for row in result.damps}
        self.meant.update(end.verdict for end in meant.values())
        self.said.update(v.kind.value for v in said.values())
        for key, end in meant.items():
            verdict = said.get(key)
            kind = verdict.kind.value if verdict else None
            self.right[end.verdict] += kind == end.verdict
            if end.verdict == "clean":
                self.clean += 1
                self.blamed += kind in BLAME
            timed = kind == end.verdict and kind != "replaced" and end.reason != "end"
            if timed and end.overhang_ms is not None and verdict.overhang_ms is not None:
                self.errors_ms.append(abs(verdict.overhang_ms - end.overhang_ms))
        twins = session.groups.twins
        loose = [Counter((int(twins[note]), kind) for note, kind in kinds) for kinds in (
            [(end.note, end.verdict) for end in meant.values()],
            [(v.note, v.kind.value) for v in said.values()],
        )]  # fmt: skip
        for (_, kind), count in (loose[0] & loose[1]).items():
            self.equal_right[kind] += count
        self.withdrawn += session.ledger.withdrawn
        self.shown += session.ledger.withdrawn + len(session.verdicts)

    def f1(self, right):
        scores = [2 * right[k] / (self.meant[k] + self.said[k]) for k in self.meant | self.said]
        return sum(scores) / len(scores)

    def row(self):
        errors = np.array(self.errors_ms)
        blame, withdrawn = 100 * self.blamed / self.clean, 100 * self.withdrawn / self.shown
        return (
            f"{sum(self.meant.values()):7d}{self.f1(self.right):9.4f}{self.f1(self.equal_right):10.4f}"
            f"{np.median(errors):9.1f}{np.percentile(errors, 95):7.1f}{blame:8.2f}{withdrawn:11.2f}"
        )


def main(arguments):
    seeds = range(int(arguments[0]) if arguments else 4)
    found = pieces()
    print(f"{'converter':18}restarts   ends       F1  F1 equal  over ms    95 %  blame%  withdrawn%")
    worst = Counter()
    for name, converter in CONVERTERS.items():
        for restarts in (0, 3):
            tally = Tally()
            for piece, score in found.items():
                for seed in seeds:
                    before = sum(tally.right.values()), sum(tally.meant.values())
                    tally.add(*played(score, seed, restarts, converter))
                    lost = sum(tally.meant.values()) - before[1] - sum(tally.right.values()) + before[0]
                    worst[piece, restarts] += lost
            print(f"{name:18}{restarts:8d}{tally.row()}")
    print("ends not named right, by piece and restarts:")
    print("  " + ", ".join(f"{p} ({r}): {n}" for (p, r), n in worst.most_common() if n))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
