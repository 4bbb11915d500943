"""The takes of the benchmark beside research libraries, row by row (``tests.bench.libraries``).

A row is a set of pieces and a way of practising: the grid of errors by restarts, then one trouble more.  The
students are those of ``tests.bench.follow_material``; ``pickup`` rows are takes of ``tests.player`` through
``tests.converter``, ``human`` rows a human's (``tests.bench.library_human``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from math import exp, log, pi, sin
from pathlib import Path

from coach.core.groups import Groups
from coach.core.score import Score
from tests.bench import library_human
from tests.bench.follow import OPEN_PIECES, PICKUPS, ROOT, ROUGH, played
from tests.bench.follow_material import (
    GRID,
    KINDS,
    NOTHING_BUT,
    Kind,
    Take,
    files,
    plain_pieces,
    repeated_pieces,
    student,
)
from tests.bench.library_count import Played
from tests.converter import Converter

Make = Callable[[Score, Groups, int], Take]
ERRORS, RESTARTS = (0.0, 0.02, 0.05, 0.10), (0, 3, 5)
SOME = replace(NOTHING_BUT, errors=0.05, restarts=3)
OPEN_STEP = 9  # every ninth of the open pieces
TAKES = {"open pieces": 6, "human": 6}
USUAL_TAKES = 10
SWING_S = 20.0
FASTEST, SLOWEST = 0.5, 2.5  # factors of the written times: 2 and 0.4 times the marking


def student_of(kind: Kind) -> Make:
    """Return the maker of a kind of student."""
    return partial(student, kind=kind)


def swinging(score: Score, groups: Groups, seed: int) -> Take:
    """Return a take with some errors and restarts whose tempo swings between 2 and 0.4 times the marking."""
    take = student(score, groups, seed, kind=replace(SOME, tempo=(1.0, 1.0)))
    middle, span = (log(SLOWEST) + log(FASTEST)) / 2, (log(SLOWEST) - log(FASTEST)) / 2
    now, last = 0.0, 0
    us = []
    for at in take.us:
        now += (at - last) * exp(middle + span * sin(2 * pi * now / (SWING_S * 1e6) + seed))
        last = at
        us.append(round(now))
    return replace(take, us=us)


def _grid(errors: tuple[float, ...] = ERRORS, restarts: tuple[int, ...] = RESTARTS) -> dict[str, Make]:
    return {
        f"{errors_:.0%} errors, {turns} restarts": student_of(
            replace(NOTHING_BUT, errors=errors_, restarts=turns)
        )
        for turns in restarts
        for errors_ in errors
    }


TEMPI: dict[str, Make] = {
    "tempo 0.4, some errors": student_of(replace(SOME, tempo=(SLOWEST, SLOWEST))),
    "tempo 2, some errors": student_of(replace(SOME, tempo=(FASTEST, FASTEST))),
    "tempo changing, some errors": swinging,
}
TROUBLES: dict[str, Make] = {
    "3 skips": student_of(GRID["3 skips"]),
    "skips, errors": student_of(KINDS["skips"]),
    "to any bar, errors": student_of(GRID["5 turns to any bar, 5 %"]),
    **TEMPI,
}
STUDENTS: dict[str, Make] = {
    "artefacts": student_of(KINDS["artefacts"]),
    "student": student_of(KINDS["student"]),
    "student, one channel": student_of(KINDS["one channel"]),
    "student, no converter": student_of(GRID["no converter"]),
    "chunks": student_of(KINDS["chunks"]),
    "stutters": student_of(KINDS["stutters"]),
    "drill, told": student_of(KINDS["drill, known"]),
    "wild": student_of(KINDS["wild"]),
}
# All but octave errors, which ``pickup_take`` cannot tell from notes that were not heard.
TROUBLED = (ROUGH, Converter.troubled(octave_rate=0.0))
PICKUP: dict[str, Make] = {
    f"pickup, {name}": partial(played, faults=faults, converter=converter)
    for name, (faults, converter) in {**PICKUPS, "most troubles": TROUBLED}.items()
}
ALL: dict[str, Make] = {**_grid(), **TROUBLES, **STUDENTS, **PICKUP}
ROWS: dict[str, dict[str, Make]] = {
    "generated": ALL,
    "etudes": ALL,
    "repeated": {
        **_grid((0.0, 0.05), (0, 5)),
        **{name: ALL[name] for name in ("3 skips", "student", "student, one channel", "chunks")},
        "drill, told": ALL["drill, told"],
    },
    "open pieces": {**_grid(restarts=(0,)), **_grid((0.0, 0.05), (3, 5)), **TROUBLES, **STUDENTS},
}
HUMAN: dict[str, dict[str, object]] = {
    "straight": {},
    "5% errors": {"errors": 0.05},
    "5 restarts": {"restarts": 5},
    "5% errors, 5 restarts": {"errors": 0.05, "restarts": 5, "tempo": (1.0, 1.7)},
    "10% errors, 5 restarts": {"errors": 0.10, "restarts": 5, "tempo": (1.0, 1.7)},
}


@dataclass(frozen=True, slots=True)
class Row:
    """One row: its set, its name and how its takes are made."""

    set: str
    name: str
    make: Callable[[], list[Played]]

    @property
    def title(self) -> str:
        """The name by which it is chosen and printed."""
        return f"{self.set}: {self.name}"


def rows(seed: int, takes: int | None, match_files: list[Path]) -> Iterator[Row]:
    """Yield every row; the number of takes, where it is not given, is the set's own."""
    made: dict[str, list[Score]] = {}

    def scores(name: str, count: int) -> list[Score]:
        if name not in made:
            made[name] = {
                "generated": lambda: plain_pieces(seed, count),
                "etudes": lambda: files(ROOT / "scores"),
                "repeated": lambda: repeated_pieces(seed, count),
                "open pieces": lambda: files(OPEN_PIECES)[::OPEN_STEP],
            }[name]()
        return made[name]

    if match_files:
        count = takes or TAKES["human"]
        for name, how in HUMAN.items():
            yield Row("human", name, partial(_human, match_files, how, seed, count))
    for set_, kinds in ROWS.items():
        if set_ == "open pieces" and not OPEN_PIECES.is_dir():
            continue
        count = takes or TAKES.get(set_, USUAL_TAKES)
        for name, make in kinds.items():
            yield Row(set_, name, partial(_takes, partial(scores, set_, count), make, seed, count))


def _takes(scores: Callable[[], list[Score]], make: Make, seed: int, count: int) -> list[Played]:
    """Return takes of the pieces in turn, with the seeds that ``tests.bench.follow`` would give them."""
    found, pieces = [], scores()
    for number in range(count):
        score = pieces[number % len(pieces)]
        groups = Groups(score)
        at = 1000 * (seed + number // len(pieces)) + number % len(pieces)
        found.append(Played(score, groups, make(score, groups, at), score.title, at))
    return found


def _human(paths: list[Path], how: dict[str, object], seed: int, count: int) -> list[Played]:
    found = []
    for path in paths:
        human = library_human.read(path)
        groups = Groups(human.score)
        if not how:
            found.append(Played(human.score, groups, human.take, human.name, 0))
            continue
        for number in range(count):
            at = 1000 * (seed + number)
            take = library_human.practised(human, groups, at, **how)  # type: ignore[arg-type]
            found.append(Played(human.score, groups, take, human.name, at))
    return found
