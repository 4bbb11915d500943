"""How right the verdicts are on simulated takes: five études and generated pieces, seeds fixed.

Run: ``python -m tests.bench.verdicts [SEEDS]`` or ``FIRST END``, and names of scenes.
One row a scene and number of restarts:

- F1: macro-F1 of bass verdicts over the kinds that occur, by pass and note;
- F1 equal: the same where a bass end may be named in any exactly equal bar and in whichever pass;
- over: error of the overhang in ms, median and 95th percentile, of ends named alike and not replaced;
- blame: share of clean ends that were called late, ringing or cut;
- unsaid: bass ends of which nothing was said, in per cent;
- invented: notes called wrong, missing or extra, and strays, that were none, for each 100 notes played;
- overlooked: those that were, and were not found;
- withdrawn: verdicts that were shown and did not hold, in per cent of all shown;
- moved: those that held, but in another of some equal bars or in another pass (a turn was understood later).
"""

import sys
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from coach.app.piece import open_piece
from coach.core.events import End
from coach.core.profile import Profile
from coach.core.report import report
from coach.core.session import Session
from coach.core.wire import Decoder
from tests.converter import Converter
from tests.pieces import generated_piece
from tests.player import Faults, Manner, Player

SCORES = Path(__file__).parents[2] / "scores"
QUICK_GATE = {"fade_s": (1.6, 1.8, 2.0, 2.4, 2.8, 2.6), "fade_slope_s": 0.9}


@dataclass(frozen=True)
class Scene:
    """What is between the strings and the judge."""

    converter: Converter = field(default_factory=Converter)
    manner: Manner = field(default_factory=Manner)
    lifted: float = 0.0
    calibrated: bool = True  # else the judge knows the channels alone
    misled: bool = False  # and not even those: it takes strings 1 to 6 to be on channels 1 to 6


SCENES = {
    "no converter": Scene(Converter.ideal()),
    "usual": Scene(),
    "not calibrated": Scene(calibrated=False),
    "one channel": Scene(Converter(single_channel=True)),
    "base channel 11": Scene(Converter(base_channel=11)),
    "11 to 16, not told": Scene(Converter(base_channel=11), misled=True),
    "2 to 7, not told": Scene(Converter(base_channel=2), misled=True),
    "reversed, not told": Scene(Converter(reversed=True), misled=True),
    "one, not told": Scene(Converter(single_channel=True), misled=True),
    "double triggers": Scene(Converter(double_rate=0.2, ghost_rate=0.1)),
    "octave errors": Scene(Converter(octave_rate=0.06)),
    "lost note-offs": Scene(Converter(lost_off_rate=0.03)),
    "quick gate": Scene(Converter(**QUICK_GATE), Manner(soft=0.3)),
    "quick, uncalibrated": Scene(Converter(**QUICK_GATE), Manner(soft=0.3), calibrated=False),
    "pulled strings": Scene(Converter(pull_rate=0.2)),
    "pulls as notes": Scene(Converter(split_rate=0.1)),
    "sympathetic": Scene(Converter(sympathetic_rate=0.2)),
    "legato": Scene(manner=Manner(legato=0.5)),
    "fingers that lift": Scene(lifted=0.1),
    "all at once": Scene(Converter.troubled(), Manner(soft=0.15, legato=0.2), lifted=0.02),
    "all, one channel": Scene(
        Converter.troubled(single_channel=True), Manner(soft=0.15, legato=0.2), lifted=0.02
    ),
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


def played(score, seed, restarts, scene):
    """Return what was true, and the judge's report."""
    faults = Faults(**RATES, restarts=restarts, lifted=scene.lifted)
    player = Player(score, seed=seed, faults=faults, manner=scene.manner, converter=scene.converter)
    performance = player.play()
    profile = performance.profile
    if scene.misled:
        profile = replace(profile, base_channel=1, reversed=False, single_channel=False)
    if not scene.calibrated:
        profile = Profile(base_channel=profile.base_channel, bend_range=profile.bend_range)
    session = Session(score, profile=profile)
    decoder = Decoder(profile, session.channels)
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
        self.invented, self.overlooked, self.notes, self.unsaid = 0, 0, 0, 0
        self.errors_ms, self.clean, self.blamed, self.withdrawn, self.moved, self.shown = [], 0, 0, 0, 0, 0

    def add(self, truth, result, session):
        meant = {(end.pass_number, end.note): end for end in truth.ends}
        said = {(row.verdict.pass_number, row.verdict.note): row.verdict for row in result.damps}
        self.meant.update(end.verdict for end in meant.values())
        self.said.update(v.kind.value for v in said.values())
        for key, end in meant.items():
            verdict = said.get(key)
            kind = verdict.kind.value if verdict else None
            self.right[end.verdict] += kind == end.verdict
            self.unsaid += kind is None
            if end.verdict == "clean":
                self.clean += 1
                self.blamed += kind in BLAME
            timed = kind == end.verdict and kind != "replaced" and end.reason != "end"
            if timed and end.overhang_ms is not None and verdict.overhang_ms is not None:
                self.errors_ms.append(abs(verdict.overhang_ms - end.overhang_ms))
        self._strokes(truth, result)
        twins = session.groups.twins
        loose = [Counter((int(twins[note]), kind) for note, kind in kinds) for kinds in (
            [(end.note, end.verdict) for end in meant.values()],
            [(v.note, v.kind.value) for v in said.values()],
        )]  # fmt: skip
        for (_, kind), count in (loose[0] & loose[1]).items():
            self.equal_right[kind] += count
        self.withdrawn += session.ledger.withdrawn - session.ledger.moved
        self.moved += session.ledger.moved
        self.shown += session.ledger.withdrawn + len(session.verdicts)

    def _strokes(self, truth, result):
        """Compare the faults that are no bass ends: notes by pass and note, the rest by their time."""
        meant = Counter((n.pass_number, n.note, "wrong") for n in truth.notes if n.kind == "wrong")
        meant += Counter((number, row, "missing") for number, row in truth.missing)
        asked = ("wrong", "missing")
        kinds = ((r.verdict.pass_number, r.verdict.note, r.verdict.kind.value) for r in result.notes)
        said = Counter(key for key in kinds if key[2] in asked)
        unasked = [n for n in truth.notes if n.note < 0]
        added = [r.verdict.on_us for r in result.notes if r.verdict.kind.value == "extra"]
        added += [r.verdict.from_us for r in result.strays]
        for note in unasked:
            near = [us for us in added if abs(us - note.onset_us) < 60_000]
            if near:
                added.remove(near[0])
            self.overlooked += not near
        self.invented += (said - meant).total() + len(added)
        self.overlooked += (meant - said).total()
        self.notes += len(truth.notes)

    def f1(self, right):
        scores = [2 * right[k] / (self.meant[k] + self.said[k]) for k in self.meant | self.said]
        return sum(scores) / len(scores)

    def row(self):
        errors = np.array(self.errors_ms)
        invented, overlooked = 100 * self.invented / self.notes, 100 * self.overlooked / self.notes
        blame, withdrawn = 100 * self.blamed / self.clean, 100 * self.withdrawn / self.shown
        moved = 100 * self.moved / self.shown
        return (
            f"{sum(self.meant.values()):7d}{self.f1(self.right):9.4f}{self.f1(self.equal_right):10.4f}"
            f"{np.median(errors):9.1f}{np.percentile(errors, 95):7.1f}{blame:8.2f}"
            f"{100 * self.unsaid / sum(self.meant.values()):8.2f}"
            f"{invented:10.2f}{overlooked:12.2f}{withdrawn:11.2f}{moved:7.2f}"
        )


def main(arguments):
    numbers = [int(one) for one in arguments if one.isdigit()]
    first, *more = numbers or [4]
    chosen = {name: scene for name, scene in SCENES.items() if name in arguments} or SCENES
    seeds = range(first, more[0]) if more else range(first)
    found = pieces()
    print(
        f"{'scene':20}restarts   ends       F1  F1 equal  over ms    95 %  blame%"
        "  unsaid%  invented%  overlooked%  withdrawn%  moved%"
    )
    worst = Counter()
    for name, scene in chosen.items():
        for restarts in (0, 3):
            tally = Tally()
            for piece, score in found.items():
                for seed in seeds:
                    before = sum(tally.right.values()), sum(tally.meant.values())
                    tally.add(*played(score, seed, restarts, scene))
                    lost = sum(tally.meant.values()) - before[1] - sum(tally.right.values()) + before[0]
                    worst[name, piece, restarts] += lost
            print(f"{name:20}{restarts:8d}{tally.row()}", flush=True)
    print("ends not named right, by scene, piece and restarts:")
    print("  " + ", ".join(f"{s}: {p} ({r}): {n}" for (s, p, r), n in worst.most_common(12) if n))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
