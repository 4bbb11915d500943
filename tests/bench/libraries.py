"""Research libraries beside our follower, on the same takes: ``python -m tests.bench.libraries --install``.

Each library runs in an environment of its own under ``--rooms`` (default ``~/.cache/coach-bench``; made where
``--install`` is given, some 2.5 GB), and is fed by ``tests/bench/library_child.py``, which knows nothing of
us; a library that cannot be run is one line.  Two libraries run at a time.  ``--quick``: two takes a row;
``--rows NAME …``: the rows whose names hold one of these; ``--list`` names them all; ``--markdown FILE``
keeps the tables, row by row.

``tests.bench.library_count`` says what the columns are, ``tests.bench.library_rows`` what the rows are.  The
libraries are told nothing of strings, so "ours, no strings" is the like comparison for ours; their place
becomes a note by a rule that is said in the child.  Those that read chords decide up to 35 ms late (one of
them 80 ms) and are counted as at once; ``dual-dtw`` reads the whole take first.

Under each row stands whether ours as settled is ahead of the best library, tied with it (within one note or
.002) or behind it, by exact F1 and by that of equal passages; and, where we are behind, the same for ours
without strings, for ours at once beside the libraries that read note by note, for the distance from the true
place and for how soon a jump is found, with the takes and their seeds.  At the end: in how many rows we are
ahead, tied and behind.  Ours was tuned on seeds below 100.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import sys
import tempfile
from collections import Counter, deque
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

from tests.bench import library_human, library_ours
from tests.bench.follow import NEVER_BACK
from tests.bench.library_count import HEAD, Line, Played, count, standing
from tests.bench.library_rooms import MATCHERS, OFFLINE, ROOMS, Room, Said, install, material
from tests.bench.library_rows import Row, rows

SEED = 7100
MEASURES = {
    "exact": "exact F1",
    "equal": "F1 by equal passages",
    "off": "onsets off in the mean",
    "back 50": "notes until back, median",
    "back 90": "notes until back, 90 %",
}
NO_NOTES = 1_000_000  # where one note more or less is no measure of noise
WIDTHS = (24, 9, 9, 9, 9, 9, 19, 19, 12)


@dataclass(slots=True)
class Asked:
    """One row that the libraries are at work on."""

    row: Row
    played: list[Played]
    ours: list[Line]
    theirs: dict[str, Future[Said]]


class Report:
    """Prints the rows and keeps them, and how we stand in each."""

    def __init__(self, kept: Path | None) -> None:
        self.kept = kept
        self.text: list[str] = []
        self.stood: dict[str, Counter[str]] = {}
        self.behind: list[str] = []

    def show(self, asked: Asked) -> None:
        """Print one row of the benchmark."""
        events = sum(len(one.take.us) for one in asked.played)
        self._say(f"\n{asked.row.title}: {len(asked.played)} takes, {events} events\n\n```")
        self._cells(list(HEAD))
        for line in asked.ours:
            self._cells(line.cells())
        theirs = []
        for matcher, answered in asked.theirs.items():
            answers, said = answered.result()
            if answers is not None:
                theirs.append(count(matcher, asked.played, answers))
                self._cells(theirs[-1].cells())
            if said:
                self._say(f"  {matcher}: {said}")
        self._say("```\n")
        if theirs:
            self._judge(asked, theirs)
        if self.kept:
            self.kept.write_text("\n".join(self.text) + "\n")

    def sum_up(self) -> None:
        """Print in how many rows we are ahead, tied and behind."""
        self._say("\nrows ahead / tied within a note or .002 / behind, against the best library of each row")
        for what, stood in self.stood.items():
            self._say(f"  {what:44s}{stood['ahead']:4d} /{stood['tied']:4d} /{stood['behind']:4d}")
        for line in self.behind:
            self._say(f"  behind: {line}")
        if self.kept:
            self.kept.write_text("\n".join(self.text) + "\n")

    def _judge(self, asked: Asked, theirs: list[Line]) -> None:
        settled, untold, once, _ = asked.ours
        online = [line for line in theirs if line.name not in OFFLINE]
        for what in ("exact", "equal"):
            self._beside(asked, settled, theirs, what, always=True)
            self._beside(asked, untold, theirs, what)
            self._beside(asked, once, online, what)
        self._beside(asked, settled, theirs, "off")
        for what in ("off", "back 50", "back 90"):
            self._beside(asked, once, online, what)

    def _beside(
        self, asked: Asked, ours: Line, others: list[Line], what: str, *, always: bool = False
    ) -> None:
        """Say how a line of ours stands beside the best of others, where we are behind or ``always``."""
        if not others or (what.startswith("back") and not ours.back):
            return
        best = max(others, key=lambda line: line.worth(what))
        mine, other = ours.worth(what), best.worth(what)
        stands = standing(mine, other, ours.notes if what in ("exact", "equal") else NO_NOTES)
        self.stood.setdefault(f"{ours.name}: {MEASURES[what]}", Counter())[stands] += 1
        shown = [_in_notes(-v) if what.startswith("back") else f"{abs(v):.4f}" for v in (mine, other)]
        said = f"{ours.name}, {MEASURES[what]}: {shown[0]}, {best.name} {shown[1]}: {stands}"
        if what in ("exact", "equal"):
            said += f", {mine - other:+.4f}"
        if always or stands == "behind":
            self._say(f"  {said}")
        if stands == "behind":
            self.behind.append(f"{asked.row.title}: {said}")
            if what == "exact":
                self._takes(asked.played, ours, best)

    def _takes(self, played: list[Played], ours: Line, best: Line) -> None:
        for one, mine, other in zip(played, ours.by_take, best.by_take, strict=True):
            if mine < other:
                self._say(f"    {one.name}, seed {one.seed}: {mine:.4f}, {best.name} {other:.4f}")

    def _cells(self, cells: list[str]) -> None:
        width = WIDTHS[0]
        self._say(
            f"{cells[0]:{width}s}" + "".join(f"{c:>{w}s}" for c, w in zip(cells[1:], WIDTHS[1:], strict=True))
        )

    def _say(self, text: str) -> None:
        print(text, flush=True)
        self.text.append(text)


def _in_notes(value: float) -> str:
    return "never" if value >= NEVER_BACK else f"{value:.0f}"


def chosen_rows(options: argparse.Namespace) -> list[Row]:
    """Return the rows that were asked for."""
    paths = library_human.found(options.rooms, options.performances)
    if paths and importlib.util.find_spec("partitura") is None:
        print("no human performances: partitura is not installed (the test extra has it)")
        paths = []
    found = rows(options.seed, 2 if options.quick else options.takes, paths)
    wanted = options.rows or [""]
    return [row for row in found if any(name.lower() in row.title.lower() for name in wanted)]


def run(argv: list[str]) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0], prog="tests.bench.libraries")
    parser.add_argument("--rooms", type=Path, default=Path.home() / ".cache" / "coach-bench")
    parser.add_argument("--install", action="store_true", help="make the environments that are absent")
    parser.add_argument("--seed", type=int, default=SEED, help="first seed")
    parser.add_argument("--takes", type=int, help="takes a row (10; 6 of open pieces and a human)")
    parser.add_argument("--quick", action="store_true", help="two takes a row")
    parser.add_argument("--rows", nargs="+", metavar="NAME", help="only rows whose names hold one of these")
    parser.add_argument("--list", action="store_true", help="name the rows and end")
    parser.add_argument("--performances", type=Path, help="a folder of .match files: humans, aligned")
    parser.add_argument("--markdown", type=Path, help="keep the tables in this file")
    options = parser.parse_args(argv)
    wanted = chosen_rows(options)
    if not wanted:
        parser.error("no row has such a name; --list names them all")
    if options.list:
        print("\n".join(row.title for row in wanted))
        return 0
    if options.install:
        install(options.rooms)
    rooms = {name: Room(options.rooms / name) for name in ROOMS}
    report, waiting = Report(options.markdown), deque[Asked]()
    try:
        with tempfile.TemporaryDirectory() as folder:
            for number, row in enumerate(wanted):
                given, played = Path(folder) / f"{number}.json", row.make()
                given.write_text(json.dumps(material(played)))
                theirs = {matcher: rooms[room].ask(matcher, given) for matcher, room in MATCHERS.items()}
                waiting.append(Asked(row, played, library_ours.lines(played), theirs))
                if len(waiting) > 2:  # so many rows are ahead of the slower room, no more
                    report.show(waiting.popleft())
            while waiting:
                report.show(waiting.popleft())
    finally:
        for room in rooms.values():
            room.close()
    report.sum_up()
    return 0


def main() -> int:
    """Print the tables."""
    return run(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
