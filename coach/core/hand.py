"""What a left hand can hold at once, and how gladly.

A hand lies in a *position*: the fret under its first finger, one finger a fret from there (common practice,
no source).  What is costed follows Heijink & Meulenbroek 2002 (Journal of Motor Behavior 34, 339-351: the
distance the hand travels, its position, the spread of the fingers; players keep their joints in mid-range)
and Radicioni, Anselma & Lombardo 2004 (cost along the neck and across it); every weight is our own.  Units:
1 is about as unwelcome as moving the hand by two frets with time to spare.

- A finger one fret off its own: 0.4 drawn in towards the nut, 3 stretched out; two: 1 and 6.
- The first finger a fret below the position: 2.5; the fourth on a fifth fret: 3 (an extension).
- Two fingers farther apart than one fret a finger: see ``SPREAD``, a fret.
- The fourth finger where another would do: 0.2.  But in the first two positions it is at home on the third
  finger's fret too, on the two highest strings: there the frets are wide and the hand lies aslant, so that
  D on string 2 and G on string 1 fall to the fourth finger; the third has 0.1 (common practice, no source).
- A barre: 1.5.
- Frets narrow by a twelfth root of two from one to the next, and extensions with them.
"""

from __future__ import annotations

from functools import lru_cache

Place = tuple[int, int]  # string, fret

FINGERS = (1, 2, 3, 4)
LOWEST_REACH, HIGHEST_REACH = -1, 4  # frets from the position that some finger can reach
DRAWN_IN = {1: 0.4, 2: 1.0}  # by frets
STRETCHED = {1: 3.0, 2: 6.0}
BACK, FORTH = 2.5, 3.0  # extensions of the first and of the fourth finger
LITTLE = 0.2
BARRE = 1.5
LEAN_STRINGS, LEAN_UP_TO, LEAN = 2, 2, 0.1
SPREAD = {(1, 2): 1.0, (1, 3): 1.0, (1, 4): 2.0, (2, 3): 2.0, (2, 4): 1.5, (3, 4): 2.5}
NARROWING = 2.0 ** (-1 / 12)

Fingering = tuple[float, tuple[int, ...]]


def in_order(places: tuple[Place, ...]) -> tuple[Place, ...]:
    """Return stopped places in the order of the fingers: by fret, on one fret from the bass side."""
    return tuple(sorted((p for p in places if p[1] > 0), key=lambda p: (p[1], -p[0])))


@lru_cache(maxsize=1 << 16)
def fingerings(stopped: tuple[Place, ...], opens: frozenset[int], position: int) -> tuple[Fingering, ...]:
    """Return (cost, a finger for each place) for every way to hold ``stopped`` (``in_order``) at once.

    ``opens`` are the strings that sound open meanwhile: no barre may cover one.  A higher fret never has a
    lower finger; on one fret the string on the bass side has the lower finger.  Empty where no hand can.
    """
    found = [(cost, fingers) for fingers, cost in _separate(stopped, position, 0)]
    lowest = [p for p in stopped if p[1] == stopped[0][1]] if stopped else []
    if len(lowest) >= 2 and _barre_lies(lowest, opens):
        rest = stopped[len(lowest) :]
        for fingers, cost in _separate((lowest[0], *rest), position, 0):
            if fingers[0] == 1:
                found.append((cost + BARRE, (1,) * (len(lowest) - 1) + fingers))
    return tuple(sorted(found))


def hold_cost(stopped: tuple[Place, ...], opens: frozenset[int], position: int) -> float | None:
    """Return the least cost of holding ``stopped`` (``in_order``) at once, or None where no hand can."""
    ways = fingerings(stopped, opens, position)
    return ways[0][0] if ways else None


def _barre_lies(lowest: list[Place], opens: frozenset[int]) -> bool:
    first, last = min(s for s, _ in lowest), max(s for s, _ in lowest)
    return not any(first <= string <= last for string in opens)


def _separate(
    stopped: tuple[Place, ...], position: int, below: int, taken: tuple[tuple[int, int], ...] = ()
) -> list[tuple[tuple[int, ...], float]]:
    """Return (fingers, cost) of the ways with a finger of its own for each place, all above ``below``."""
    if not stopped:
        return [((), 0.0)]
    away = stopped[0][1] - position
    narrow = NARROWING ** (position - 1)
    found = []
    for finger in FINGERS[below:]:
        reach = _reach(finger, away, stopped[0][0], position)
        if reach is None:
            continue
        for other, there in taken:
            reach += SPREAD[other, finger] * max(0, away - there - (finger - other)) * narrow
        for fingers, cost in _separate(stopped[1:], position, finger, (*taken, (finger, away))):
            found.append(((finger, *fingers), reach + cost))
    return found


def _reach(finger: int, away: int, string: int, position: int) -> float | None:
    """Return the cost of a finger so many frets from the position, or None where it cannot be."""
    off = away - (finger - 1)
    little = LITTLE if finger == 4 else 0.0
    if string <= LEAN_STRINGS and position <= LEAN_UP_TO and finger >= 3 and away == 2:
        return LEAN if finger == 3 else 0.0
    if off == 0:
        return little
    if finger == 1 and off < 0:
        return BACK if off == -1 else None
    if finger == 4 and off > 0:
        return FORTH if off == 1 else None
    cost = DRAWN_IN.get(-off) if off < 0 else STRETCHED.get(off)
    return None if cost is None else cost + little
