"""Passages that come again: exactly, transposed, the tune alone, or the rhythm alone.

Every bar is compared with every earlier one in each aspect (``likeness``); a run of alike bars along one
diagonal is a candidate.  Which candidates are told is the cheapest description of the piece from its first
bar to its last: a bar that is new costs 1, a statement costs a little, and a bar that it explains costs
the less the more literal the likeness (minimum description length in the sense of Rissanen, *Automatica* 14,
1978, from memory; the prices are our own).  So no bar is explained twice, and the longest and most literal
explanation wins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coach.core.form import Likeness, Phrase, Repeat
from coach.core.likeness import Aspect, ComparedBars

NEW_BAR = 1.0
OPEN_END = 0.05  # price of leaving the upbeat of what follows out of the comparison
LONGER_FIRST = 1e-4  # of two descriptions as cheap, the one with the longer passage
FEWEST_NOTES = 3  # in a single bar that is told to come again
LEADING_BITS = 1.5  # what it tells that one more bar keeps the same interval of transposition
MARGIN_BITS = 1.0  # by which a likeness that is not literal has to be rarer than chance
RHYTHM_BITS = 2.0  # more of them where the rhythm alone is alike


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of likeness and its price."""

    aspect: str  # attribute of ComparedBars
    how: Likeness
    tune: bool  # the tune alone
    statement: float  # price of telling it
    bar: float  # price of each bar it explains
    fewest: int  # bars


KINDS = (
    Kind("exact", Likeness.EXACT, False, 0.8, 0.0, 1),
    Kind("transposed", Likeness.TRANSPOSED, False, 1.0, 0.1, 2),
    Kind("diatonic", Likeness.TRANSPOSED, False, 1.0, 0.2, 2),
    Kind("tune", Likeness.EXACT, True, 1.0, 0.25, 2),
    Kind("tune_transposed", Likeness.TRANSPOSED, True, 1.0, 0.4, 2),
    Kind("tune_diatonic", Likeness.TRANSPOSED, True, 1.0, 0.45, 2),
    Kind("rhythm", Likeness.RHYTHM, False, 0.7, 0.6, 2),
    Kind("tune_rhythm", Likeness.RHYTHM, True, 0.7, 0.62, 2),
)
SHORTEST = {(kind.how, not kind.tune): kind.fewest for kind in reversed(KINDS)}
LONG_RHYTHM = 6  # bars; a shorter likeness of rhythm has to begin with a phrase in both places


@dataclass(frozen=True, slots=True)
class _Runs:
    """Runs of one kind: ``lengths[j, i]`` bars end alike at bars j and i < j and do not overlap."""

    kind: Kind
    open_end: bool
    lengths: NDArray[np.int16]
    telling: NDArray[np.float64]  # bits that bars 0 to j − 1 tell, shape (bars + 1,)
    plain: NDArray[np.int64]  # number of the last bars up to j that have one token, shape (bars,)


@dataclass(frozen=True, slots=True)
class _Found:
    runs: _Runs
    last: int  # unit
    length: int


def find_repeats(bars: ComparedBars) -> tuple[Repeat, ...]:
    """Return the passages that are an earlier one again, in order; no bar is in two of them."""
    tables = [runs for kind in KINDS if bars.has_tune or not kind.tune for runs in _runs(bars, kind)]
    return tuple(_repeat(bars, found) for found in _cheapest(bars, tables))


def settle(
    bars: ComparedBars, repeats: tuple[Repeat, ...], phrases: tuple[Phrase, ...]
) -> tuple[Repeat, ...]:
    """Return the repeats that hold once the phrases are known.

    Only at a phrase's end may the upbeat of what follows be left out; elsewhere the last bar is no part of
    the repeat.  A likeness of rhythm has to begin with a phrase: in both places, or in one where it is long.
    """
    place = {int(index): unit for unit, index in enumerate(bars.units)}
    starts = {bars.units[place_of].item() for p in phrases if (place_of := _first_unit(place, p)) is not None}
    ends = {p.last for p in phrases}
    found: list[Repeat] = []
    for repeat in repeats:
        if repeat.open_end and not ends & {repeat.last, repeat.of_last}:
            last, of_last = (int(bars.units[place[end] - 1]) for end in (repeat.last, repeat.of_last))
            if place[repeat.last] - place[repeat.first] < SHORTEST[repeat.how, repeat.inner]:
                continue
            if last == repeat.first and bars.counts[place[last]] < FEWEST_NOTES:
                continue
            repeat = replace(repeat, last=last, of_last=of_last, open_end=0)
        if repeat.how is Likeness.RHYTHM:
            count = place[repeat.last] - place[repeat.first] + 1
            at_starts = len({repeat.first, repeat.of_first} & starts)
            if at_starts == 0 or (at_starts == 1 and count < LONG_RHYTHM):
                continue
        found.append(repeat)
    return tuple(found)


def _first_unit(place: dict[int, int], phrase: Phrase) -> int | None:
    return next((place[i] for i in range(phrase.first, phrase.last + 1) if i in place), None)


def _runs(bars: ComparedBars, kind: Kind) -> list[_Runs]:
    aspect: Aspect = getattr(bars, kind.aspect)
    count = bars.count
    silent = bars.tuneless if kind.tune else np.zeros(count, bool)
    earlier = np.tri(count, k=-1, dtype=bool) & ~silent
    alike = earlier & _same(aspect.token, kind, aspect.base)
    rise = np.diff(aspect.base, prepend=0)  # the shift stays what it was where both bars rise alike
    follows = bars.joined[:, None] & bars.joined & (rise[:, None] == rise)
    run = np.zeros((count, count), np.int16)  # [j, i]: bars that end alike at j and i
    for j in range(count):
        run[j] = alike[j]
        if j:
            run[j, 1:] *= 1 + follows[j, 1:] * run[j - 1, :-1]
    room = np.maximum(np.arange(count)[:, None] - np.arange(count), 0).astype(np.int16)  # no overlapping
    plain = np.ones(count, np.int64)
    for j in range(1, count):
        if aspect.token[j] == aspect.token[j - 1]:
            plain[j] = plain[j - 1] + 1
    _, place, often = np.unique(aspect.token, return_inverse=True, return_counts=True)
    bits = np.log2(max(count - 1, 1) / np.maximum(often[place] - 1, 1))
    if kind.how is Likeness.TRANSPOSED:
        bits = bits + LEADING_BITS
    telling = np.concatenate(([0.0], np.cumsum(bits)))
    found = [_Runs(kind, False, np.minimum(run, room), telling, plain)]
    if bars.upbeat:
        last = earlier & _same(aspect.head, kind, aspect.base_head) & (aspect.head >= 0)
        rise[1:] = aspect.base_head[1:] - aspect.base[:-1]
        follows = bars.joined[:, None] & bars.joined & (rise[:, None] == rise)
        opened = last.astype(np.int16)
        opened[1:, 1:] *= 1 + follows[1:, 1:] * run[:-1, :-1]
        found.append(_Runs(kind, True, np.minimum(opened, room), telling, plain))
    return found


def _same(token: NDArray[np.int64], kind: Kind, base: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return for each two bars whether their tokens are alike, shape (bars, bars)."""
    same = token[:, None] == token
    if kind.how is Likeness.TRANSPOSED:
        same &= base[:, None] != base
    return np.asarray(same, bool)


def _cheapest(bars: ComparedBars, tables: list[_Runs]) -> list[_Found]:
    """Return the statements of the cheapest description, in order."""
    count = bars.count
    best = np.zeros(count + 1)
    said: list[_Found | None] = [None] * (count + 1)
    needed = math.log2(max(count, 1)) + MARGIN_BITS
    longest = [runs.lengths.max(axis=1, initial=0) for runs in tables]
    for j in range(count):
        best[j + 1] = best[j] + NEW_BAR
        for runs, most in zip(tables, longest, strict=True):
            kind, top = runs.kind, int(most[j])
            if top < kind.fewest:
                continue
            sizes = np.arange(kind.fewest, top + 1)
            price = best[j + 1 - sizes] + kind.statement + kind.bar * sizes + OPEN_END * runs.open_end
            price -= LONGER_FIRST * sizes**2
            price[~_worth_telling(bars, runs, j, sizes, needed)] = np.inf
            at = int(price.argmin())
            if price[at] < best[j + 1] - 1e-9:
                best[j + 1] = price[at]
                said[j + 1] = _Found(runs, j, int(sizes[at]))
    found: list[_Found] = []
    j = count
    while j > 0:
        one = said[j]
        if one is None:
            j -= 1
        else:
            found.append(one)
            j -= one.length
    return found[::-1]


def _worth_telling(
    bars: ComparedBars, runs: _Runs, last: int, sizes: NDArray[np.int64], needed: float
) -> NDArray[np.bool_]:
    """Return which lengths of a run say something: shape of ``sizes``.

    A single bar needs some notes; a likeness that is not literal has to be rarer than chance: as many bits
    (by how many other bars of the piece have the same tokens) as would find it once in the piece, and a
    margin; a rhythm must not be one bar's over and over.
    """
    if runs.kind.how is Likeness.EXACT and not runs.kind.tune:
        return np.asarray((sizes > 1) | ((bars.counts[last] >= FEWEST_NOTES) & ~np.bool_(runs.open_end)))
    bits = runs.telling[last + 1] - runs.telling[last + 1 - sizes]
    if runs.kind.how is Likeness.TRANSPOSED:
        bits = bits - LEADING_BITS
    if runs.kind.how is Likeness.RHYTHM:
        return np.asarray((bits >= needed + RHYTHM_BITS) & (sizes > runs.plain[last]))
    return np.asarray(bits >= needed)


def _repeat(bars: ComparedBars, found: _Found) -> Repeat:
    runs, last, length = found.runs, found.last, found.length
    kind = runs.kind
    of_last = int(np.flatnonzero(runs.lengths[last] >= length)[0])  # the earliest
    first, of_first = last - length + 1, of_last - length + 1
    aspect: Aspect = getattr(bars, kind.aspect)
    shift = int(aspect.base[first] - aspect.base[of_first])
    if runs.open_end and length == 1:
        shift = int(aspect.base_head[first] - aspect.base_head[of_first])
    same_bass = bars.bass[first : last + 1] == bars.bass[of_first : of_last + 1]
    bass_alike = not kind.tune or (kind.how is Likeness.EXACT and bool(same_bass.all()))
    return Repeat(
        first=int(bars.units[first]),
        last=int(bars.units[last]),
        of_first=int(bars.units[of_first]),
        of_last=int(bars.units[of_last]),
        how=kind.how,
        shift=0 if kind.aspect.endswith("diatonic") else shift,
        bass=bass_alike,
        steps=shift if kind.aspect.endswith("diatonic") else 0,
        inner=not kind.tune,
        new_bass=kind.tune and not same_bass.any(),
        open_end=bars.upbeat if runs.open_end else 0,
    )
