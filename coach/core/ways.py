"""The ways to stop a string, and which of them a hand can do at a given moment.

The names are words of the trade.  Which way serves which pair of strings is common practice, no source: a
returning thumb always; the side of the thumb when the ringing string is the next lower-sounding neighbour
of the one the thumb now plays; a rest stroke when it is the next higher-sounding neighbour; the thumb
plants where it plays nothing; the left hand releases a fretted note (an open string has nothing to
release: it does not stop when a finger lifts).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from coach.core.pitch import Tuning

PLANT_MS = 120.0  # laying the thumb on a string, before its next stroke or after its last
BRISK_MS = 500.0  # a returning thumb with less time than this is harder than the side of the thumb
MOST_FRETTED = 2  # left-hand fingers down that leave one free to touch a string
MOST_PLUCKED = 2  # right-hand fingers at work that leave one free to stop a string


class Way(Enum):
    """How a string is stopped."""

    RETURNING_THUMB = "returning-thumb"
    SIDE_OF_THUMB = "side-of-thumb"
    REST_STROKE = "rest-stroke"
    PLANTED_THUMB = "planted-thumb"
    LEFT_HAND_RELEASE = "left-hand-release"
    LEFT_HAND_TOUCH = "left-hand-touch"
    FINGER = "finger"


class Hindrance(Enum):
    """Why a way does not serve."""

    NO_TIME = "no-time"  # the thumb's next stroke comes too soon, or its last was only just now
    NOT_NEXT_LOWER = "not-next-lower"  # side of the thumb: the ringing string is no lower-sounding neighbour
    NOT_NEXT_HIGHER = "not-next-higher"  # rest stroke: it is no higher-sounding neighbour
    NO_STROKE = "no-stroke"  # the thumb plays nothing at that moment
    OPEN_STRING = "open-string"  # no finger is on it
    HAND_BUSY = "hand-busy"  # no finger is free
    FINGER_HELD = "finger-held"  # the finger on it holds another note that must sound on
    LATER = "later"  # the level does not ask for this way yet


# Easiest first: common practice, no source.
ORDER = (
    Way.LEFT_HAND_RELEASE,
    Way.PLANTED_THUMB,
    Way.REST_STROKE,
    Way.RETURNING_THUMB,
    Way.SIDE_OF_THUMB,
    Way.LEFT_HAND_TOUCH,
    Way.FINGER,
)


@dataclass(frozen=True, slots=True)
class Moment:
    """What the hands have to do with a string when it is due to stop."""

    string: int  # the ringing one; 0 where unknown
    fret: int  # -1 where unknown
    thumb_on: int | None  # string the thumb plays at that moment; 0 unknown, None nothing
    time_ms: float | None  # until the thumb's next stroke; None when there is none
    since_ms: float  # since the thumb's last stroke before this moment
    fretted: int  # left-hand notes that sound on after this moment, on other strings
    plucked: int  # notes struck at this moment by other fingers than the thumb
    held: bool = False  # the finger on the ringing string holds another sounding note, too


@dataclass(frozen=True, slots=True)
class Ways:
    """The ways that serve, easiest first, and why the others do not."""

    feasible: tuple[Way, ...]
    barred: tuple[tuple[Way, Hindrance], ...]


def ways_at(moment: Moment, tuning: Tuning, taught: frozenset[Way], return_ms: float) -> Ways:
    """Return the ways that serve at a moment.

    ``taught`` are those a level asks for, ``return_ms`` the time a returning thumb needs.
    """
    feasible: list[Way] = []
    barred: list[tuple[Way, Hindrance]] = []
    for way in ORDER:
        hindrance = _hindrance(way, moment, tuning, return_ms)
        if hindrance is None and way not in taught:
            hindrance = Hindrance.LATER
        if hindrance is None:
            feasible.append(way)
        else:
            barred.append((way, hindrance))
    brisk = moment.time_ms is not None and moment.time_ms < BRISK_MS
    if brisk and Way.SIDE_OF_THUMB in feasible and Way.RETURNING_THUMB in feasible:
        feasible.remove(Way.RETURNING_THUMB)
        feasible.insert(feasible.index(Way.SIDE_OF_THUMB) + 1, Way.RETURNING_THUMB)
    return Ways(tuple(feasible), tuple(barred))


def _hindrance(way: Way, moment: Moment, tuning: Tuning, return_ms: float) -> Hindrance | None:
    match way:
        case Way.RETURNING_THUMB:
            if moment.thumb_on is None:
                return Hindrance.NO_STROKE
            return None if _enough(moment.time_ms, return_ms) else Hindrance.NO_TIME
        case Way.PLANTED_THUMB:
            if moment.thumb_on is not None:
                return Hindrance.HAND_BUSY
            free = _enough(moment.time_ms, PLANT_MS) and moment.since_ms >= PLANT_MS
            return None if free else Hindrance.NO_TIME
        case Way.SIDE_OF_THUMB | Way.REST_STROKE:
            if moment.thumb_on is None:
                return Hindrance.NO_STROKE
            return _neighbour(way, moment.string, moment.thumb_on, tuning)
        case Way.LEFT_HAND_RELEASE:
            if moment.fret <= 0:
                return Hindrance.OPEN_STRING
            return Hindrance.FINGER_HELD if moment.held else None
        case Way.LEFT_HAND_TOUCH:
            return None if moment.fretted <= MOST_FRETTED else Hindrance.HAND_BUSY
        case Way.FINGER:
            return None if moment.plucked <= MOST_PLUCKED else Hindrance.HAND_BUSY


def _enough(time_ms: float | None, needed_ms: float) -> bool:
    return time_ms is None or time_ms >= needed_ms


def _neighbour(way: Way, string: int, thumb_on: int, tuning: Tuning) -> Hindrance | None:
    """Return whether the ringing string lies beside the thumb's on the side that ``way`` asks for."""
    side = way is Way.SIDE_OF_THUMB
    hindrance = Hindrance.NOT_NEXT_LOWER if side else Hindrance.NOT_NEXT_HIGHER
    if not (0 < string <= tuning.strings and 0 < thumb_on <= tuning.strings):
        return hindrance
    if string != thumb_on + (1 if side else -1):
        return hindrance
    lower = tuning.open_pitch(string) < tuning.open_pitch(thumb_on)
    return None if lower is side else hindrance
