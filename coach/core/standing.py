"""Where a drill stands, and the same as plain data to be kept until the next day.

Plain data are dictionaries, lists, numbers, strings and booleans alone.  Data that are damaged raise
ValueError, naming the key; data that fit another ladder or other rules are brought to what is there now.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import isfinite

from coach.core.drill_rules import Rules, Visit
from coach.core.ladder import Part, Rung

Place = tuple[str, int, int]  # Rung.place


@dataclass(slots=True)
class Standing:
    """Where a drill stands; owned by ``Drill``."""

    at: int  # step of the ladder
    speed: float  # share of the written tempo
    count: int = 0  # clean passes in a row, fewer than are needed
    passes: int = 0  # since the ladder was begun, of all steps
    finished: bool = False
    faults: int = 0  # passes with faults in a row
    same: int = 0  # passes at this step and speed
    stumbled: bool = False  # there was a fault since this step was come to
    recent: list[tuple[bool, int]] = field(default_factory=list)  # last passes here: clean, bar of the fault
    visits: list[Visit] = field(default_factory=list)  # the first is played now
    climbed: set[Place] = field(default_factory=set)  # clean at the goal
    left: dict[Place, float] = field(default_factory=dict)  # speeds at which steps were left

    def settle(self, speed: float) -> None:
        """Begin anew at a speed: whatever was counted at the one before counts no more."""
        self.speed = round(speed, 4)
        self.count = self.faults = self.same = 0
        self.recent.clear()

    def to_plain(self, rungs: Sequence[Rung]) -> dict[str, object]:
        """Return it as plain data."""
        return {
            "at": list(rungs[self.at].place),
            "speed": self.speed,
            "count": self.count,
            "passes": self.passes,
            "finished": self.finished,
            "faults": self.faults,
            "same": self.same,
            "stumbled": self.stumbled,
            "recent": [list(one) for one in self.recent],
            "visits": [_visit_to_plain(visit) for visit in self.visits],
            "climbed": [list(place) for place in sorted(self.climbed)],
            "left": [[*place, speed] for place, speed in sorted(self.left.items())],
        }


def from_plain(plain: object, rungs: Sequence[Rung], rules: Rules) -> Standing:
    """Return where a drill stood.

    A ladder that has changed since is entered where the same part and bars are; if they are gone, where most
    of them are, with nothing counted.  Raises ValueError, naming the key, for anything that ``to_plain``
    does not give.
    """
    if not isinstance(plain, Mapping):
        raise ValueError("drill: is no table")
    place = _place(_list(plain, "at"), "at")
    at, there = find_rung(rungs, place)
    speed = _speed(plain.get("speed"), "speed")
    standing = Standing(
        at,
        speed,
        count=_count(plain, "count"),
        passes=_count(plain, "passes"),
        finished=_flag(plain, "finished") and there,
        faults=_count(plain, "faults"),
        same=_count(plain, "same"),
        stumbled=_flag(plain, "stumbled"),
        recent=[_recent(one) for one in _list(plain, "recent")][-rules.window :],
        visits=[_visit(one) for one in _list(plain, "visits")],
        climbed={_place(one, "climbed") for one in _list(plain, "climbed")},
        left=dict(_left(one) for one in _list(plain, "left")),
    )
    within = min(max(standing.speed, rules.slowest), rules.fastest)
    if not there:
        standing.visits.clear()
        within = rules.start_speed
    if not there or within != standing.speed or standing.count >= rules.needed:
        standing.settle(within)
    standing.visits = [
        replace(visit, speed=min(max(visit.speed, rules.slowest), rules.fastest)) for visit in standing.visits
    ]
    return standing


def find_rung(rungs: Sequence[Rung], place: Place) -> tuple[int, bool]:
    """Return the step at a place and True; else the one of its part that shares most bars, and False."""
    part, first, last = place
    for index, rung in enumerate(rungs):
        if rung.place == place:
            return index, True

    def likeness(index: int) -> tuple[int, int]:
        rung = rungs[index]
        shared = min(rung.last, last) - max(rung.first, first) + 1
        foreign = (rung.last - rung.first + 1) - shared
        return shared, -foreign

    alike = [index for index, rung in enumerate(rungs) if rung.part.value == part]
    return max(alike, key=likeness, default=0), False


def _visit_to_plain(visit: Visit) -> dict[str, object]:
    rung = visit.rung
    return {
        "place": list(rung.place),
        "size": rung.size,
        "join": rung.join,
        "lands": rung.lands,
        "upbeat": rung.upbeat,
        "name": rung.name,
        "speed": visit.speed,
        "check": visit.check,
    }


def _visit(plain: object) -> Visit:
    if not isinstance(plain, Mapping):
        raise ValueError("visits: holds something that is no step")
    part, first, last = _place(plain.get("place"), "visits")
    name = plain.get("name")
    if not isinstance(name, str):
        raise ValueError("visits: a name is missing")
    rung = Rung(
        Part(part),
        first,
        last,
        _whole(plain.get("size"), "visits"),
        _flag(plain, "join", "visits"),
        _whole(plain.get("lands"), "visits"),
        _whole(plain.get("upbeat"), "visits"),
        name,
    )
    return Visit(rung, _speed(plain.get("speed"), "visits"), _flag(plain, "check", "visits"))


def _recent(plain: object) -> tuple[bool, int]:
    match plain:
        case [bool(clean), int(bar)] if not isinstance(bar, bool):
            return clean, bar
    raise ValueError("recent: holds something that is no pass")


def _left(plain: object) -> tuple[Place, float]:
    match plain:
        case [part, first, last, speed]:
            return _place([part, first, last], "left"), _speed(speed, "left")
    raise ValueError("left: holds something that is no speed")


def _place(plain: object, key: str) -> Place:
    match plain:
        case [str(part), first, last] if part in {one.value for one in Part}:
            return part, _whole(first, key), _whole(last, key)
    raise ValueError(f"{key}: names no part and bars")


def _list(plain: Mapping[object, object], key: str) -> list[object]:
    found = plain.get(key)
    if not isinstance(found, list):
        raise ValueError(f"{key}: is missing or no list")
    return found


def _whole(found: object, key: str) -> int:
    if isinstance(found, bool) or not isinstance(found, int):
        raise ValueError(f"{key}: {found!r} is no whole number")
    return found


def _count(plain: Mapping[object, object], key: str) -> int:
    found = _whole(plain.get(key), key)
    if found < 0:
        raise ValueError(f"{key}: must not be less than 0")
    return found


def _flag(plain: Mapping[object, object], key: str, where: str = "") -> bool:
    found = plain.get(key)
    if not isinstance(found, bool):
        raise ValueError(f"{where or key}: {found!r} is neither true nor false")
    return found


def _speed(found: object, key: str) -> float:
    if isinstance(found, bool) or not isinstance(found, int | float) or not isfinite(found) or found <= 0:
        raise ValueError(f"{key}: {found!r} is no speed")
    return float(found)
