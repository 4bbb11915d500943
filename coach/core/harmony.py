"""The harmony of a piece: its key, its melody's scale, and a chord for each bar or half bar."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coach.core.chords import Fit, Reading, best_fits, fit, named
from coach.core.figuration import weigh_notes
from coach.core.keys import bar_keys, find_key
from coach.core.scales import Scale, melody_scale
from coach.core.score import Bar, Score
from coach.core.spelling import Key, place_name, spell

__all__ = ["Chord", "Harmony", "Reading", "Scale", "analyse"]

SPLIT = 0.12  # how much better (of 1) two halves of a bar must fit than the whole
SPLIT_TRIPLE = 0.25  # the same in a bar of three or five beats, whose parts are unequal
NEW_BASS = 0.09  # how much less where the part begins with a bass of its own: basses move with the harmony
REST_BASS = 0.3  # a bass that rests still stands under its bar, with this share


@dataclass(frozen=True, slots=True)
class Chord:
    """What sounds over a stretch of a bar."""

    bar: int  # performed bar
    onset: int  # ticks
    end: int  # ticks
    key: Key
    readings: tuple[Reading, ...]  # the best first; a second where two fit the same notes; none if unclear
    classes: frozenset[int]  # pitch classes that belong to the chord

    @property
    def name(self) -> str | None:
        """The best reading's name."""
        return self.readings[0].name if self.readings else None

    @property
    def roman(self) -> str | None:
        """The best reading's Roman numeral."""
        return self.readings[0].roman if self.readings else None


@dataclass(frozen=True, slots=True)
class Harmony:
    """The harmony of a whole piece."""

    key: Key
    bar_keys: tuple[Key, ...]  # of each performed bar
    scale: Scale | None
    chords: tuple[Chord, ...]  # in order, without overlaps
    _onsets: tuple[int, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_onsets", tuple(chord.onset for chord in self.chords))

    def at(self, tick: int) -> Chord | None:
        """Return the chord that holds a tick."""
        index = bisect_right(self._onsets, tick) - 1
        return self.chords[index] if index >= 0 and tick < self.chords[index].end else None

    def in_bar(self, bar: int) -> tuple[Chord, ...]:
        """Return the chords of a performed bar."""
        first = bisect_left(self.chords, bar, key=lambda chord: chord.bar)
        return self.chords[first : bisect_right(self.chords, bar, key=lambda chord: chord.bar)]

    def place(self, pitch: int, tick: int, bar: int) -> int:
        """Return a note's place on the line of fifths: as its chord spells it, or else its bar's key."""
        chord = self.at(tick)
        for reading in chord.readings[:1] if chord else ():
            for place in reading.places:
                if place * 7 % 12 == pitch % 12:
                    return place
        return spell(pitch, self.bar_keys[bar] if bar < len(self.bar_keys) else self.key)

    def spelt(self, pitch: int, tick: int, bar: int) -> str:
        """Return a note's name as its chord or key spells it, such as ``G♯``."""
        return place_name(self.place(pitch, tick, bar))


def analyse(score: Score) -> Harmony:
    """Return the harmony of a piece.  Performed bars of one written bar have the same key and chords."""
    key = find_key(score)
    keys = _alike(score, bar_keys(score, key))
    chords = _Chords(score, keys).find()
    return Harmony(key, keys, melody_scale(score, key), chords)


def _alike(score: Score, keys: tuple[Key, ...]) -> tuple[Key, ...]:
    first: dict[int, Key] = {}
    return tuple(first.setdefault(bar.written, key) for bar, key in zip(score.bars, keys, strict=True))


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


class _Part(NamedTuple):
    """A stretch of a bar and what fits it."""

    onset: int
    end: int
    bass: int  # pitch class, −1 for none
    fits: list[Fit]
    mark: float


class _Chords:
    """Finds the chords of a score, all stretches weighed at once."""

    def __init__(self, score: Score, keys: tuple[Key, ...]) -> None:
        self.score, self.keys = score, keys
        self.weights = weigh_notes(score)
        notes = score.notes
        self.onsets: list[int] = notes["onset"].tolist()
        self.ends: list[int] = (notes["onset"] + notes["duration"]).tolist()
        self.classes: list[int] = (notes["pitch"] % 12).tolist()
        self.pitches: list[int] = notes["pitch"].tolist()
        self.basses: list[bool] = notes["bass"].tolist()
        self.any_bass = any(self.basses)
        self.rows: list[list[int]] = [[] for _ in score.bars]  # that sound in each bar
        for row, bar in enumerate(notes["bar"].tolist()):
            at = bar if self.ends[row] > self.onsets[row] else len(score.bars)  # no grace notes
            while at < len(score.bars) and self.ends[row] > score.bars[at].onset:
                self.rows[at].append(row)
                at += 1
        self.own: list[float] = self.weights.own.tolist()
        self.over: list[float] = self.weights.over.tolist()

    def find(self) -> tuple[Chord, ...]:
        """Return the chords in order."""
        first: dict[tuple[int, int], int] = {}  # written bar and length -> the bar it is first played in
        spans: list[tuple[int, int, int]] = []  # (bar, onset, end) of every stretch to weigh
        ways: dict[int, list[list[int]]] = {}  # bar -> for each way to divide it, its stretches
        for index, bar in enumerate(self.score.bars):
            if first.setdefault((bar.written, bar.length), index) != index or not self.rows[index]:
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
        parts = self._weigh(spans)
        found = {index: self._merged(self._choose(index, options, parts)) for index, options in ways.items()}
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

    def _weigh(self, spans: list[tuple[int, int, int]]) -> list[_Part]:
        weights = np.zeros((len(spans), 12))
        basses = np.full(len(spans), -1)
        for at, (bar, onset, end) in enumerate(spans):
            weights[at], basses[at] = self._span(bar, onset, end)
        marks = np.zeros((len(spans), 0))
        groups: dict[Key, list[int]] = {}
        for at, (bar, _, _) in enumerate(spans):
            groups.setdefault(self.keys[bar], []).append(at)
        parts: list[_Part | None] = [None] * len(spans)
        for key, members in groups.items():
            marks = fit(weights[members], basses[members], key)
            for row, at in enumerate(members):
                _, onset, end = spans[at]
                silent = not weights[at].any()
                fits = [] if silent else best_fits(marks[row], int(basses[at]), key)
                mark = 0.0 if silent else float(marks[row].max())
                parts[at] = _Part(onset, end, int(basses[at]), fits, mark)
        return [part for part in parts if part is not None]

    def _span(self, bar: int, onset: int, end: int) -> tuple[NDArray[np.float64], int]:
        """Return what sounds in a stretch, by pitch class, and its bass."""
        weights = np.zeros(12)
        bar_onset = self.score.bars[bar].onset
        held = struck = rested = lowest = -1  # rows
        for row in self.rows[bar]:
            over = min(self.ends[row], end) - max(self.onsets[row], onset)
            bass = self.basses[row]
            if bass and self.ends[row] <= onset and self.onsets[row] >= bar_onset:
                rested = row
            if over <= 0:
                continue
            factor = self.own[row] * (self.over[row] if self.onsets[row] < bar_onset else 1.0)
            weights[self.classes[row]] += over * factor
            if lowest < 0 or self.pitches[row] < self.pitches[lowest]:
                lowest = row
            if bass and self.onsets[row] < onset:
                if over * 2 > end - onset:
                    held = row
            elif bass and (struck < 0 or self._lower(row, struck)):
                struck = row
        low = held if held >= 0 else struck
        if low < 0 and rested >= 0 and weights.any():
            low = rested
            weights[self.classes[low]] += REST_BASS * (end - onset)
        if low < 0 and not self.any_bass:
            low = lowest
        return weights, self.classes[low] if low >= 0 else -1

    def _lower(self, row: int, other: int) -> bool:
        """Tell whether a bass note stands before another: struck with it, and lower."""
        return self.onsets[row] == self.onsets[other] and self.pitches[row] < self.pitches[other]

    def _choose(self, index: int, options: list[list[int]], parts: list[_Part]) -> list[_Part]:
        """Return the stretches of a bar in the way of dividing it that fits best."""
        bar = self.score.bars[index]
        alone = all(self.basses[row] for row in self.rows[index])
        best, chosen = -np.inf, options[0]
        for option in options:
            price = SPLIT if bar.beats % 2 == 0 or bar.beats == 9 else SPLIT_TRIPLE
            stretches = [parts[at] for at in option]
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
        return [parts[at] for at in chosen]

    @staticmethod
    def _merged(parts: list[_Part]) -> list[_Part]:
        """Return the stretches with those joined that are one chord, or one chord and its seventh."""
        out: list[_Part] = []
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

    def _name(self, found: dict[int, list[_Part]]) -> dict[int, list[Chord]]:
        """Return the chords of each bar, named with an eye to the chord that follows."""
        out: dict[int, list[Chord]] = {}
        to: int | None = None
        for index in sorted(found, reverse=True):
            chords: list[Chord] = []
            for part in reversed(found[index]):
                key = self.keys[index]
                given = named(part.fits, part.bass, key, to)
                to = given[0].root if given else None
                classes = given[0].classes if given else frozenset()
                chords.append(Chord(index, part.onset, part.end, key, given, classes))
            out[index] = chords[::-1]
        return out
