"""Which bars share a line on the printed page."""

from __future__ import annotations

from collections.abc import Sequence

from coach.screen.lines import MOST_BARS

FEWEST = 3  # bars on a line, where they fit
TIGHTEST = 1.0  # share of the line that the music may need by itself
LINE = 0.25  # cost of a line
LOOSE = 6.0  # weight of a line's blank
UNEVEN = 0.3  # … of a bar more or fewer than four
AT_PHRASE = 0.5  # reward of a line that begins with a phrase


def break_lines(
    widths: Sequence[float],
    width: float,
    head: float,
    counted: Sequence[int],
    starts: frozenset[int] = frozenset(),
) -> tuple[int, ...]:
    """Return the bars with which the lines begin.

    ``widths`` are the bars' natural widths, ``width`` the line's and ``head`` that of clef and key, all in
    staff spaces; ``counted`` is 0 for bars that are none to a reader, else 1; ``starts`` are the bars at
    which a line had better begin.  A bar wider than the line stands alone.
    """
    count = len(widths)
    best: list[tuple[float, int]] = [(0.0, 0)]
    for end in range(1, count + 1):
        found: tuple[float, int] | None = None
        for first in range(end - 1, -1, -1):
            bars = sum(counted[first:end])
            fill = (head + sum(widths[first:end])) / width
            if first < end - 1 and (fill > TIGHTEST or bars > MOST_BARS):
                break
            cost = best[first][0] + LINE + LOOSE * max(0.75 - fill, 0.0) ** 2 + UNEVEN * (bars - 4) ** 2 / 4
            if bars < FEWEST and end < count:
                cost += UNEVEN
            if first in starts:
                cost -= AT_PHRASE
            if found is None or cost < found[0]:
                found = (cost, first)
        assert found is not None
        best.append(found)
    firsts: list[int] = []
    at = count
    while at:
        at = best[at][1]
        firsts.append(at)
    return tuple(reversed(firsts))
