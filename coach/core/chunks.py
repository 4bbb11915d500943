"""The chunks to practise: one bar, two, four, eight, the halves, the whole; and the joins of fours.

Common practice, no source: chunks follow the phrases, chunks of four join to eight, the seam between two is
practised by itself, and a chunk is played on to the next note, because its last bass has to stop there.  Only
the first performance of each written bar is cut into chunks; halves and the whole hold the repeats too.
"""

from __future__ import annotations

from bisect import bisect_left

from coach.core.form import Chunk, Phrase
from coach.core.likeness import ComparedBars, is_pickup
from coach.core.score import Score

SIZES = (1, 2, 4, 8)
JOINED = 4  # the size of chunks whose seams are practised
JOIN = 2  # bars across a seam
EVEN = 6  # a half may be off the middle by this part of the piece to end with a phrase

Span = list[int]  # performed bars in order, a pickup before the bar it belongs to


def find_chunks(score: Score, bars: ComparedBars, phrases: tuple[Phrase, ...]) -> tuple[Chunk, ...]:
    """Return the chunks by size, each in order; joins follow the chunks of four."""
    stretches = _stretches(score, bars, phrases)
    if not stretches:
        return ()
    found: list[tuple[int, int, int, bool]] = []  # first, last, size, join
    for size in SIZES:
        spans = [span for stretch in stretches for span in _cut(stretch, size)]
        found += [(first, last, size, False) for first, last in spans]
        if size == JOINED:
            found += [(_bar_before(score, a), _first_bar_end(score, a), JOIN, True) for a, _ in spans if a]
    found += _halves(score, bars, phrases)
    return tuple(_chunk(score, phrases, *chunk) for chunk in found)


def _stretches(score: Score, bars: ComparedBars, phrases: tuple[Phrase, ...]) -> list[list[list[Span]]]:
    """Return the bars to cut up: stretches played without a jump, of phrases, of bars with their pickups."""
    first_time = set(bars.line)
    stretches: list[list[list[Span]]] = []
    at = -2  # the last bar taken
    for phrase in phrases:
        cells: list[Span] = []
        pickups: Span = []
        fresh = True  # a phrase begins
        for index in range(phrase.first, phrase.last + 1):
            if index not in first_time:
                continue
            following = index + 1
            if is_pickup(score.bars[index]) and following <= phrase.last and following in first_time:
                pickups.append(index)
                continue
            begin = pickups[0] if pickups else index
            if at != begin - 1:
                stretches.append([])
            if fresh or at != begin - 1:
                cells = []
                stretches[-1].append(cells)
            cells.append([*pickups, index])
            pickups, fresh, at = [], False, index
    return stretches


def _cut(phrases: list[list[Span]], size: int) -> list[tuple[int, int]]:
    """Return the first and last performed bar of each chunk of a stretch."""
    found: list[list[Span]] = []
    joining = False  # the last chunk is made of whole phrases and may take one more
    for cells in phrases:
        if len(cells) <= size:
            if joining and len(found[-1]) + len(cells) <= size:
                found[-1] = found[-1] + cells
            else:
                found.append(cells)
            joining = True
        else:
            found += [cells[k : k + size] for k in range(0, len(cells), size)]
            joining = False
    return [(chunk[0][0], chunk[-1][-1]) for chunk in found]


def _bar_before(score: Score, first: int) -> int:
    """Return the bar played before a chunk; with its pickup where it has one."""
    before = first - 1
    return before - 1 if before and is_pickup(score.bars[before - 1]) else before


def _first_bar_end(score: Score, first: int) -> int:
    """Return a chunk's first full bar."""
    return first + 1 if is_pickup(score.bars[first]) and first + 1 < len(score.bars) else first


def _halves(
    score: Score, bars: ComparedBars, phrases: tuple[Phrase, ...]
) -> list[tuple[int, int, int, bool]]:
    """Return the halves and the whole of a piece that is longer than the largest chunk."""
    count, end = bars.count, len(score.bars) - 1
    if count <= SIZES[-1] and end + 1 == len(bars.line):
        return []
    found = []
    if count > 2 * SIZES[-1]:
        starts = [p.first for p in phrases[1:] if p.first in bars.line]
        middle = count / 2
        units = bars.units.tolist()
        at = min(starts, key=lambda s: abs(bisect_left(units, s) - middle), default=0)
        if not at or abs(bisect_left(units, at) - middle) > count / EVEN:
            at = units[round(middle)]
            at = at - 1 if is_pickup(score.bars[at - 1]) else at
        half = (count + 1) // 2
        found = [(0, at - 1, half, False), (at, end, half, False)]
    return [*found, (0, end, count, False)]


def _chunk(score: Score, phrases: tuple[Phrase, ...], first: int, last: int, size: int, join: bool) -> Chunk:
    upbeat = next((p.upbeat for p in phrases if p.first == first), 0)
    end = score.bars[last].end
    onsets = score.notes["onset"]
    following = int(onsets.searchsorted(end, "left"))
    while following < len(onsets) and score.notes["grace"][following]:
        following += 1
    lands = int(onsets[following]) if following < len(onsets) else end
    return Chunk(first, last, size, lands, join, upbeat)
