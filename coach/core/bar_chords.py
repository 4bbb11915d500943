"""A chord for each bar, or for its parts where the chord changes."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from coach.core.chords import Chord, Reading, named
from coach.core.score import Bar, Score
from coach.core.spelling import Key
from coach.core.stretches import Stretch, Stretches

SPLIT = 0.12  # how much better (of 1) two halves of a bar must fit than the whole
SPLIT_TRIPLE = 0.25  # the same in a bar of three or five beats, whose parts are unequal
DOMINANT = 1  # fifths above the tonic
NEW_BASS = 0.09  # how much less where the part begins with a bass of its own: basses move with the harmony


def find_chords(score: Score, keys: tuple[Key, ...]) -> tuple[tuple[Chord, ...], tuple[Key, ...]]:
    """Return the chords of a score in order, and the key of each performed bar.

    ``keys``: the keys as the notes of whole bars tell them.  A bar before a change of key belongs to the new
    one where its last chord leads there and is foreign to the old.

    None at all where the piece is one line without a bass.  A bar in which something sounds has a chord, but
    one without a name where there is too little to tell, or nothing fits: a pickup of a note or two, a line
    without a bass that is no broken chord, a cluster.
    """
    heard = Stretches(score, keys)
    if heard.lone_line():
        return (), keys
    finder = _Finder(score, keys, heard)
    return finder.find(), tuple(finder.keys)


def cuts(bar: Bar) -> list[tuple[int, ...]]:
    """Return the ways to divide a bar, as ticks from its onset: not at all, or by its meter."""
    lead = bar.lead or (bar.full_length - bar.length if bar.number == 0 else 0)
    full, beat = bar.full_length, bar.beat_ticks
    if bar.beats == 9 and bar.beat_unit >= 8:
        ways: list[tuple[int, ...]] = [(3 * beat,), (6 * beat,), (3 * beat, 6 * beat)]
    elif bar.beats % 2 == 0:
        ways = [(full // 2,)]
    elif bar.beats in (3, 5) and bar.beat_unit < 8:
        ways = [(bar.beats // 2 * beat,), ((bar.beats // 2 + 1) * beat,)]
    else:
        ways = []
    moved = [tuple(at - max(lead, 0) for at in way) for way in ways]
    return [(), *(way for way in moved if all(0 < at < bar.length for at in way))]


class _Finder:
    """Finds the chords of a score."""

    def __init__(self, score: Score, keys: tuple[Key, ...], heard: Stretches) -> None:
        self.score, self.keys, self.heard = score, list(keys), heard

    def find(self) -> tuple[Chord, ...]:
        """Return the chords in order."""
        first: dict[tuple[int, int], int] = {}  # written bar and length -> the bar it is first played in
        spans: list[tuple[int, int, int]] = []  # (bar, onset, end) of every stretch to weigh
        ways: dict[int, list[list[int]]] = {}  # bar -> for each way to divide it, its stretches
        for index, bar in enumerate(self.score.bars):
            if first.setdefault((bar.written, bar.length), index) != index or not self.heard.rows[index]:
                continue
            known: dict[tuple[int, int], int] = {}
            for way in cuts(bar):
                edges = [bar.onset, *(bar.onset + at for at in way), bar.end]
                for onset, end in pairwise(edges):
                    if (onset, end) not in known:
                        known[onset, end] = len(spans)
                        spans.append((index, onset, end))
                pairs = pairwise(edges)
                ways.setdefault(index, []).append([known[pair] for pair in pairs])
        weighed = self.heard.weigh(spans)
        found = {index: self._bar(index, options, weighed) for index, options in ways.items()}
        self._turn(found)
        named_parts = self._name(found)
        out: list[Chord] = []
        for index, bar in enumerate(self.score.bars):
            source = first[bar.written, bar.length]
            shift = bar.onset - self.score.bars[source].onset
            out += [
                replace(c, bar=index, onset=c.onset + shift, end=c.end + shift)
                for c in named_parts.get(source, ())
            ]
        return tuple(out)

    def _bar(self, index: int, options: list[list[int]], weighed: list[Stretch]) -> list[Stretch]:
        """Return the stretches of a bar, each of one chord."""
        parts = _merged(self._choose(index, options, weighed))
        line = self.heard.alone(index) and not self.heard.broken(index, parts)
        if line or self.heard.bare(index):
            return [Stretch(self.score.bars[index].onset, self.score.bars[index].end, -1, [], 0.0)]
        return parts

    def _choose(self, index: int, options: list[list[int]], weighed: list[Stretch]) -> list[Stretch]:
        """Return the stretches of a bar in the way of dividing it that fits best."""
        bar = self.score.bars[index]
        alone = all(self.heard.basses[row] for row in self.heard.rows[index])
        best, chosen = -np.inf, options[0]
        for option in options:
            price = SPLIT if bar.beats % 2 == 0 or bar.beats == 9 else SPLIT_TRIPLE
            stretches = [weighed[at] for at in option]
            if len(option) > 1 and any(not part.fits for part in stretches):
                continue
            mark = sum(part.mark * (part.end - part.onset) for part in stretches) / bar.length
            for before, part in pairwise(stretches):
                mark -= price - NEW_BASS * (part.bass not in (before.bass, -1))
            if alone and len(option) == 2 and bar.beats % 2 == 0:
                # Nothing but basses: each that stands under half a bar is taken for a root.
                mark += 1.0
            if mark > best + 1e-9:
                best, chosen = mark, option
        return [weighed[at] for at in chosen]

    def _turn(self, found: dict[int, list[Stretch]]) -> None:
        """Give the bar before a change of key the new one, where its last chord leads into it."""
        for index in sorted(found):
            new = self.keys[index + 1] if index + 1 in found else self.keys[index]
            if new == self.keys[index] or not all(part.fits for part in found[index]):
                continue
            follows = self._given(index + 1, found[index + 1][0], new, None)
            to = follows[0].root if follows else None
            *heard, last = [self._given(index, part, new, to) for part in found[index]]
            was = self._given(index, found[index][-1], self.keys[index], None)
            if not last or not was or to is None or not all(heard):
                continue
            leads = last[0].roman.endswith("/V") and to == new.tonic + DOMINANT
            leads |= last[0].roman.startswith(("V", "vii")) and "/" not in last[0].roman and to == new.tonic
            if leads and _foreign(was[0].roman) and not any(_foreign(given[0].roman) for given in heard):
                written = self.score.bars[index].written
                for other, bar in enumerate(self.score.bars):
                    if bar.written == written:
                        self.keys[other] = new

    def _given(self, index: int, part: Stretch, key: Key, to: int | None) -> tuple[Reading, ...]:
        written = self.heard.written(index, part.onset, part.end)
        return named(part.fits, part.bass, key, to, written)

    def _name(self, found: dict[int, list[Stretch]]) -> dict[int, list[Chord]]:
        """Return the chords of each bar, named with an eye to the chord that follows."""
        out: dict[int, list[Chord]] = {}
        to: int | None = None
        for index in sorted(found, reverse=True):
            chords: list[Chord] = []
            for part in reversed(found[index]):
                key = self.keys[index]
                given = self._given(index, part, key, to)
                to = given[0].root if given else None
                classes = given[0].classes if given else frozenset()
                chords.append(Chord(index, part.onset, part.end, key, given, classes))
            out[index] = chords[::-1]
        return out


def _foreign(roman: str) -> bool:
    """Tell whether a numeral is of no chord of its key: applied, or on an altered degree."""
    return "/" in roman or roman.startswith(("b", "#", "N"))


def _merged(parts: list[Stretch]) -> list[Stretch]:
    """Return the stretches with those joined that are one chord, or one chord and its seventh."""
    out: list[Stretch] = []
    for part in parts:
        if out and out[-1].fits and part.fits:
            last, new = out[-1].fits[0], part.fits[0]
            nested = last.classes <= new.classes or new.classes <= last.classes
            if (last.root == new.root and nested) or last.classes == new.classes:
                fuller = part.fits if len(new.classes) > len(last.classes) else out[-1].fits
                out[-1] = out[-1]._replace(end=part.end, fits=fuller)
                continue
        out.append(part)
    return out
