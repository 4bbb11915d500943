"""How much speaks for a new phrase at each barline: pauses, fermatas, passages that begin again, signs.

Pauses are found in the tune and, more lightly, in the bass, in two ways: the local boundary detection model
(Cambouropoulos, "The local boundary detection model", Proc. ICMC 2001: changes of interval, of time between
onsets and of rests, weighted 1 : 2 : 1) and the gap score (Temperley, *The Cognition of Basic Musical
Structures*, 2001: the time from onset to onset and from the end of a note to the next onset, against the
mean).  Both are from memory.  Ours: the scaling to 0–1, the prices, and that an upbeat of at most half a bar
belongs to the phrase after it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from coach.core.form import Likeness, Repeat
from coach.core.likeness import ComparedBars, is_pickup, tune_rows
from coach.core.score import Score

PITCH_WEIGHT, TIME_WEIGHT, REST_WEIGHT = 0.25, 0.5, 0.25  # of the local boundary detection model
STRONG = 95.0  # percentile that counts as 1: one long pause must not hide the others
LONG_GAP = 3.0  # a gap of 1 + this many means counts as 1
TUNE_WEIGHT, BASS_WEIGHT = 1.3, 0.4
SHARPEN = 1.5  # power: one clear pause says more than several slight ones
FERMATA = 1.2
NEW_SIGNATURE = 0.5  # key or meter changes
BEGINS_AGAIN = {Likeness.EXACT: 1.0, Likeness.TRANSPOSED: 0.6, Likeness.RHYTHM: 0.2}
TUNE_ALONE = 0.6  # times as much where only the tune is alike
ITS_MODEL = 0.5  # times as much where the earlier passage begins
AS_THE_SECTION = 0.5  # it begins as a section does
AFTER_REPEAT = 0.3  # a long passage that came again is over
SHORT_REPEAT = {Likeness.EXACT: 2, Likeness.TRANSPOSED: 3, Likeness.RHYTHM: 4}
# bars; a shorter passage that comes again says nothing of phrases: it may be a sequence within one
LONG_REPEAT = 4  # bars; a shorter one says nothing of where a phrase ends
UPBEAT_PRICE = 0.05  # a pause at the barline itself comes first
LIKE_THE_FIRST = 0.1  # an upbeat as long as the piece's pickup
LEAST_UPBEAT = 0.3  # evidence below which no upbeat is told


@dataclass(frozen=True, slots=True)
class Evidence:
    """What speaks for a phrase that begins with each performed bar; one entry a bar.

    ``weight`` float64, about 0 to 2; ``upbeat`` int64, ticks by which it would start before its barline;
    ``forced`` bool, a repeat sign or a jump back lies there; ``barred`` bool, no phrase may begin there.
    """

    weight: NDArray[np.float64]
    upbeat: NDArray[np.int64]
    forced: NDArray[np.bool_]
    barred: NDArray[np.bool_]


def weigh(score: Score, bars: ComparedBars, repeats: tuple[Repeat, ...]) -> Evidence:
    """Return what speaks for a phrase's beginning at each performed bar."""
    count = len(score.bars)
    weight, upbeat = _pauses(score, tune_rows(score))
    weight = TUNE_WEIGHT * weight**SHARPEN
    if bars.has_tune:
        bass = np.flatnonzero(score.notes["bass"] & ~score.notes["grace"])
        weight = weight + BASS_WEIGHT * _pauses(score, bass)[0] ** SHARPEN
    barred = np.array([i > 0 and is_pickup(score.bars[i - 1]) for i in range(count)], bool)
    forced = _forced(score) & ~barred
    for repeat in repeats:
        at_once = repeat.length < LONG_REPEAT and repeat.first == repeat.of_last + 1  # within one phrase
        if repeat.length < SHORT_REPEAT[repeat.how] or at_once:
            continue
        again, model = _with_pickup(score, repeat.first), _with_pickup(score, repeat.of_first)
        says = BEGINS_AGAIN[repeat.how] * (1.0 if repeat.inner else TUNE_ALONE)
        weight[again] += says
        weight[model] += says * ITS_MODEL
        if repeat.how is Likeness.EXACT and forced[model]:
            weight[again] += AS_THE_SECTION
        for last in (repeat.last, repeat.of_last):
            if last + 1 < count and repeat.length >= LONG_REPEAT:
                weight[last + 1] += AFTER_REPEAT
    for index in np.unique(score.notes["bar"][score.notes["fermata"]]).tolist():
        if index + 1 < count:
            weight[index + 1] += FERMATA
    for index in range(1, count):
        old, new = score.bars[index - 1], score.bars[index]
        if (old.fifths, old.beats, old.beat_unit) != (new.fifths, new.beats, new.beat_unit):
            weight[index] += NEW_SIGNATURE
    # A bar played again is judged as it was the first time, so that it is divided alike.
    same = np.array([score.first_performed[bar.written] for bar in score.bars], np.int64)
    upbeat = np.where(forced | barred, 0, upbeat[same])
    return Evidence(weight[same], upbeat, forced, barred)


def _with_pickup(score: Score, first: int) -> int:
    return first - 1 if first and is_pickup(score.bars[first - 1]) else first


def _forced(score: Score) -> NDArray[np.bool_]:
    """Return where the order of playing jumps back, at every performance of that barline."""
    written = [bar.written for bar in score.bars]
    back = [(a, b) for a, b in pairwise(written) if b <= a]
    left, reached = {a for a, _ in back}, {b for _, b in back}
    found = np.zeros(len(written), bool)
    for index, here in enumerate(written):
        found[index] = index == 0 or here in reached or written[index - 1] in left
    return found


def _pauses(score: Score, rows: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the strongest pause at or just before each barline (0–1), and the upbeat after it in ticks."""
    count = len(score.bars)
    weight, upbeat = np.zeros(count), np.zeros(count, np.int64)
    onset, strength = _strengths(score, rows)
    if not len(onset):
        return weight, upbeat
    usual = score.bars[0].length if score.bars and is_pickup(score.bars[0]) else -1
    for index in range(1, count):
        bar, before = score.bars[index], score.bars[index - 1]
        reach = 0 if is_pickup(bar) else min(before.full_length, before.length) // 2
        begin = int(np.searchsorted(onset, bar.onset - reach, "left"))
        end = int(np.searchsorted(onset, bar.onset, "right"))
        best = 0.0
        for at in range(begin, end):
            early = bar.onset - int(onset[at])
            found = float(strength[at]) - UPBEAT_PRICE * (early > 0) + LIKE_THE_FIRST * (early == usual)
            if early and found < LEAST_UPBEAT:
                continue
            if found > best + 1e-9:
                best = found
                upbeat[index] = early
        weight[index] = best
    return weight, upbeat


def _strengths(score: Score, rows: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the onsets of a line and how strong a boundary lies before each (0–1)."""
    notes = score.notes[rows]
    onset, first = np.unique(notes["onset"], return_index=True)
    if len(onset) < 3:
        return onset.astype(np.int64), np.zeros(len(onset))
    pitch = np.maximum.reduceat(notes["pitch"].astype(float), first)
    off = np.maximum.reduceat(notes["onset"] + notes["duration"], first)
    time = np.diff(onset).astype(float)
    rest = np.maximum(onset[1:] - off[:-1], 0).astype(float)
    local = (
        PITCH_WEIGHT * _changes(np.abs(np.diff(pitch)))
        + TIME_WEIGHT * _changes(time)
        + REST_WEIGHT * _changes(rest)
    )
    gap = np.clip(((time + rest) / time.mean() - 1) / LONG_GAP, 0, 1)
    return onset.astype(np.int64), np.concatenate(([0.0], 0.5 * local + 0.5 * gap))


def _changes(interval: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the boundary strength of each interval of one kind (0–1): its size times its changes."""
    total = interval[1:] + interval[:-1]
    change = np.divide(np.abs(np.diff(interval)), total, out=np.zeros(len(total)), where=total > 0)
    strength = interval * (np.concatenate(([0.0], change)) + np.concatenate((change, [0.0])))
    strong = float(np.percentile(strength[strength > 0], STRONG)) if (strength > 0).any() else 1.0
    return np.asarray(np.clip(strength / strong, 0, 1), np.float64)
