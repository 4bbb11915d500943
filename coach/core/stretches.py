"""What sounds in a stretch of a bar: how much of each pitch class, over which bass, spelt how.

The bass of a chord is the bass note held into it, or else the one struck at its beginning, or the first after
it; a later note of a broken chord does not turn the chord round, nor does a bass that enters in the middle of
a bar.  Where the bass enters late and goes on down to the root, or does so at the close, the root may be the
real bass: both are weighed.  A tonic that stays under the dominant (a pedal) is weighed as no part of the
chord as well.  Common practice; the figures are our own.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from coach.core.chord_fit import Fit, Vector, best_fits, fit
from coach.core.figuration import OFF_BEAT, STEP, strengths, weigh_notes
from coach.core.numerals import LEADING, LEADING_NOTE
from coach.core.score import Score
from coach.core.spelling import Key, pitch_class, written_places

REST_BASS = 0.3  # a bass that rests still stands under its bar, with this share
PEDAL = 0.1  # against a chord over a pedal: the plainer reading of as good a fit is preferred
CHORD_NOTES = 3  # pitch classes that make a chord: in a line without a bass, above a pedal
FIFTH, OCTAVE = 7, 12  # semitones


class Stretch(NamedTuple):
    """A stretch of a bar and what fits it."""

    onset: int
    end: int
    bass: int  # pitch class, −1 for none
    fits: list[Fit]
    mark: float


class _Way(NamedTuple):
    """One way to hear a stretch."""

    weights: Vector
    bass: int  # pitch class as the chord is weighed over it, −1 for none
    named: int  # the bass that is told
    pedal: bool = False
    first: int = -1  # the bass heard first: then only with this one in the chord, and its own the root


class Stretches:
    """The notes of a score, by bars, and how much each says."""

    def __init__(self, score: Score, keys: tuple[Key, ...]) -> None:
        self.score, self.keys = score, keys
        notes = score.notes
        self.onsets: list[int] = notes["onset"].tolist()
        self.ends: list[int] = (notes["onset"] + notes["duration"]).tolist()
        self.classes: list[int] = (notes["pitch"] % 12).tolist()
        self.pitches: list[int] = notes["pitch"].tolist()
        self.basses: list[bool] = notes["bass"].tolist()
        self.any_bass = any(self.basses)
        self.places = written_places(score)
        self.strengths = strengths(score)
        self.rows: list[list[int]] = [[] for _ in score.bars]  # that sound in each bar
        for row, bar in enumerate(notes["bar"].tolist()):
            at = bar if self.ends[row] > self.onsets[row] else len(score.bars)  # no grace notes
            while at < len(score.bars) and self.ends[row] > score.bars[at].onset:
                self.rows[at].append(row)
                at += 1
        weights = weigh_notes(score)
        self.own: list[float] = weights.own.tolist()
        self.over: list[float] = weights.over.tolist()
        low = notes["bass"] & (notes["duration"] > 0)
        self.bass_onsets = notes["onset"][low]
        self.bass_classes = notes["pitch"][low] % 12
        self.last_bass = int(self.bass_onsets[-1]) if len(self.bass_onsets) else -1

    # --- too little to tell ---

    def lone_line(self) -> bool:
        """Tell whether the piece is one line without a bass: a tune, or a scale whatever its low notes."""
        rows = [row for row in range(len(self.onsets)) if self.ends[row] > self.onsets[row]]
        if not self._one_by_one(rows):
            return False
        steps = all(abs(self.pitches[b] - self.pitches[a]) <= STEP for a, b in pairwise(rows))
        mixed = self.any_bass and not all(self.basses[row] for row in rows)
        return not self.any_bass or (mixed and steps)

    def bare(self, bar: int) -> bool:
        """Tell whether a bar has too little for a chord: one note of a pickup, or two without a bass."""
        rows = self.rows[bar]
        if self.score.bars[bar].number:
            return False
        few = len({self.classes[row] for row in rows}) < CHORD_NOTES
        return len(rows) == 1 or (few and not any(self.basses[row] for row in rows))

    def alone(self, bar: int) -> bool:
        """Tell whether a bar of a piece with basses is a line without one."""
        rows = self.rows[bar]
        return self.any_bass and not any(self.basses[row] for row in rows) and self._one_by_one(rows)

    def broken(self, bar: int, parts: list[Stretch]) -> bool:
        """Tell whether each part of a line is a broken chord: three notes at least, and none outside it."""
        for part in parts:
            heard = {self.classes[r] for r in self.rows[bar] if self._within(r, part.onset, part.end) > 0}
            if not part.fits or len(heard) < CHORD_NOTES or not heard <= part.fits[0].classes:
                return False
        return True

    def _one_by_one(self, rows: list[int]) -> bool:
        ends = 0
        for row in rows:
            if self.onsets[row] < ends:
                return False
            ends = self.ends[row]
        return True

    # --- what fits ---

    def weigh(self, spans: list[tuple[int, int, int]]) -> list[Stretch]:
        """Return what fits each stretch, given as (bar, onset, end): all are weighed at once."""
        ways = [(at, way) for at, span in enumerate(spans) for way in self._ways(*span)]
        weights = np.array([way.weights for _, way in ways]).reshape(-1, 12)
        basses = np.array([way.bass for _, way in ways], int)
        groups: dict[Key, list[int]] = {}
        for row, (at, _) in enumerate(ways):
            groups.setdefault(self.keys[spans[at][0]], []).append(row)
        best = [Stretch(onset, end, -1, [], 0.0) for _, onset, end in spans]
        known = [False] * len(spans)
        for key, members in groups.items():
            marks = fit(weights[members], basses[members], key)
            for mark, row in zip(marks, members, strict=True):
                at, way = ways[row]
                if not way.weights.any():
                    continue
                top = float(mark.max()) - (PEDAL if way.pedal else 0.0)
                if known[at] and top <= best[at].mark:
                    continue
                fits = best_fits(mark, way.bass, key)
                if way.pedal and not _over_pedal(fits, way, key):
                    continue
                if way.first >= 0 and not (
                    fits and fits[0].root == way.bass and way.first in fits[0].classes
                ):
                    continue
                best[at], known[at] = best[at]._replace(bass=way.named, fits=fits, mark=top), True
        return best

    def written(self, bar: int, onset: int, end: int) -> dict[int, int]:
        """Return how the score spells each pitch class of a stretch; of two spellings, the longer."""
        if not self.places:
            return {}
        lasts: dict[int, int] = {}
        for row in self.rows[bar]:
            over = self._within(row, onset, end)
            if over > 0:
                place = self.places[row]
                lasts[place] = lasts.get(place, 0) + over
        return {pitch_class(place): place for place in sorted(lasts, key=lambda place: lasts[place])}

    def _within(self, row: int, onset: int, end: int) -> int:
        return min(self.ends[row], end) - max(self.onsets[row], onset)

    def _ways(self, bar: int, onset: int, end: int) -> list[_Way]:
        """Return the ways to hear a stretch: over its bass; over its last bass; over a pedal."""
        weights = np.zeros(12)
        upper = np.zeros(12)
        bar_onset = self.score.bars[bar].onset
        held = struck = rested = lowest = last = -1  # rows
        for row in self.rows[bar]:
            over = self._within(row, onset, end)
            bass = self.basses[row]
            if bass and self.ends[row] <= onset and self.onsets[row] >= bar_onset:
                rested = row
            if over <= 0:
                continue
            weight = over * self.own[row] * (self.over[row] if self.onsets[row] < bar_onset else 1.0)
            weights[self.classes[row]] += weight
            upper[self.classes[row]] += 0.0 if bass else weight
            if lowest < 0 or self.pitches[row] < self.pitches[lowest]:
                lowest = row
            if bass and self.onsets[row] < onset:
                if over * 2 > end - onset:
                    held = row
            elif bass:
                together = struck >= 0 and self.onsets[row] == self.onsets[struck]
                if struck < 0 or (together and self.pitches[row] < self.pitches[struck]):
                    struck = row
                if last < 0 or self.onsets[row] > self.onsets[last] or self.pitches[row] < self.pitches[last]:
                    last = row
        low = held if held >= 0 else struck
        if low < 0 and rested >= 0 and weights.any():
            low = rested
            weights[self.classes[low]] += REST_BASS * (end - onset)
        if low < 0 and not self.any_bass:
            low = lowest
        if low < 0:
            return [_Way(weights, -1, -1)]
        told = self.classes[low]
        out = [_Way(weights, told, told)]
        length = self.score.bars[bar].length
        if low == struck and end - onset == length and (self.onsets[struck] - onset) * 2 >= length:
            # What enters so late does not turn the chord round; it may be its root.
            out = [_Way(weights, -1, -1), _Way(weights, told, told, first=told)]
        if low == struck != last and self._goes_down(struck, last, onset):
            out.append(_Way(weights, self.classes[last], self.classes[last], first=told))
        tonic = self.keys[bar].pitch_class
        if told == tonic and low != rested and self._stays(told, end):
            above = weights.copy()
            above[tonic] = upper[tonic]
            out.append(_Way(above, -1, told, pedal=True))
        return out

    def _goes_down(self, first: int, last: int, onset: int) -> bool:
        """Tell whether the last bass may be the real one: lower, after a late entry or at the close."""
        closing = self.onsets[last] == self.last_bass
        on_beat = self.strengths[last] > OFF_BEAT
        lower = self.pitches[last] < self.pitches[first]
        return lower and on_beat and (closing or self.onsets[first] > onset)

    def _stays(self, bass: int, end: int) -> bool:
        """Tell whether the next bass to be struck is the same note."""
        at = int(np.searchsorted(self.bass_onsets, end))
        return at < len(self.bass_onsets) and int(self.bass_classes[at]) == bass


def _over_pedal(fits: list[Fit], way: _Way, key: Key) -> bool:
    """Tell whether what sounds above a tonic is its dominant, or the chord of its leading note."""
    if not fits:
        return False
    root = (fits[0].root - key.pitch_class) % 12
    heard = {int(at) for at in way.weights.nonzero()[0]}
    leading = (key.pitch_class + FIFTH * LEADING_NOTE) % OCTAVE
    dominant = (root == FIFTH and fits[0].quality in ("", "7")) or (root == 11 and fits[0].quality in LEADING)
    return dominant and leading in heard and len(heard) >= CHORD_NOTES and heard <= fits[0].classes
