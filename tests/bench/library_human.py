"""Human performances with a known alignment, for the benchmark beside research libraries.

parangonar carries one, a piano variation as a ``.match`` file (partitura reads it); any folder of such files
can be given besides.  Only what the follower uses is taken: bars, onsets, durations, pitches.  Strings are
unknown (0) and the lower staff is the bass; pitches beyond a guitar's are kept, since nothing in the follower
hangs on the tuning.  The file gives no tempo but that of its own clock, which all followers are told.

``practised`` makes a student of the performer: the same hands, broken off and begun again, notes wrong, left
out and added, and slower or faster.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from math import exp, log
from pathlib import Path

import numpy as np

from coach.core.groups import Groups
from coach.core.score import NOTE, TEMPO, TICKS_PER_QUARTER, Bar, Score, make_score
from tests.bench.follow_material import Take
from tests.dice import Dice

CLOCK_QPM = 120.0  # a Standard MIDI File's where none is given


@dataclass(frozen=True, slots=True)
class Performance:
    """What a human played, and the score note that each event was."""

    name: str
    score: Score
    take: Take


def found(rooms: Path, more: Path | None) -> list[Path]:
    """Return the match files that parangonar's environment carries and those of another folder."""
    carried = sorted(rooms.glob("parangonar/lib/python*/site-packages/parangonar/assets/*.match"))
    return [*carried, *(sorted(more.glob("**/*.match")) if more else [])]


def read(path: Path) -> Performance:
    """Read a match file; ``ImportError`` where partitura is not installed."""
    import partitura

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        performance, alignment, parts = partitura.load_match(path, create_score=True)
        part = parts[0]
        written = part.note_array(include_grace_notes=True, include_staff=True)
        played = performance.note_array()
    first = min(float(written["onset_quarter"].min()), 0.0)
    notes = np.zeros(len(written), NOTE)
    notes["onset"] = _ticks(written["onset_quarter"] - first)
    notes["duration"] = np.where(written["is_grace"], 0, _ticks(written["duration_quarter"]))
    notes["pitch"], notes["grace"] = written["pitch"], written["is_grace"]
    notes["fret"], notes["voice"], notes["bass"] = -1, written["voice"], written["staff"] == 2
    notes["written"] = np.arange(len(written))
    bars = []
    for index, measure in enumerate(part.measures):
        start, end = (int(_ticks(part.quarter_map(at.t) - first)) for at in (measure.start, measure.end))
        beats, unit = (int(value) for value in part.time_signature_map(measure.start.t)[:2])
        bars.append(Bar(index + 1, start, end - start, beats, unit, 0, index))
    score = make_score(notes, tuple(bars), title=path.stem, tempo=np.array([(0, CLOCK_QPM)], TEMPO))
    row_of = {int(note["written"]): row for row, note in enumerate(score.notes)}
    by_id = {str(name): row_of[index] for index, name in enumerate(written["id"])}
    meant = {
        str(pair["performance_id"]): by_id.get(str(pair["score_id"]), -1)
        for pair in alignment
        if pair["label"] == "match"
    }
    take = Take(jumps=[0])
    for note in np.sort(played, order=("onset_sec", "pitch")):
        take.us.append(round(float(note["onset_sec"]) * 1e6))
        take.pitch.append(int(note["pitch"]))
        take.string.append(None)
        take.velocity.append(int(note["velocity"]))
        take.truth.append(meant.get(str(note["id"]), -1))
    return Performance(path.stem, score, take)


def _ticks(quarters: np.ndarray) -> np.ndarray:
    return np.round(np.asarray(quarters, float) * TICKS_PER_QUARTER).astype(np.int64)


def practised(
    human: Performance,
    groups: Groups,
    seed: int,
    *,
    errors: float = 0.0,
    restarts: int = 0,
    tempo: tuple[float, float] = (1.0, 1.0),
) -> Take:
    """Return the performance broken off and begun again, with so many notes wrong, left out and added."""
    dice, n = Dice(f"practised {seed}"), groups.count
    factor = exp(dice.between(log(tempo[0]), log(tempo[1])))
    where, at = [], 0  # the group of each event; one that was not meant goes with the one before
    for row in human.take.truth:
        at = groups.group_of(row) if row >= 0 else at
        where.append(at)
    first_of = np.searchsorted(groups.bars, np.arange(int(groups.bars[-1]) + 2))
    stretches, begin = [], 0
    for _ in range(restarts):
        end = min(begin + dice.whole(8, max(2 * n // (restarts + 1), 9)), n)
        stretches.append((begin, end))
        begin = int(first_of[max(int(groups.bars[end - 1]) - dice.whole(0, 4), 0)])
    heard: list[tuple[float, int, int, int, int]] = []
    now = 1e6
    stretches.append((begin, n))
    for number, (first, end) in enumerate(stretches):
        own = [index for index, group in enumerate(where) if first <= group < end]
        if not own:  # the performer left all of it out
            continue
        now += 0.8e6 * exp(dice.bell(0.5)) if number else 0.0
        start, last = now, human.take.us[own[0]]
        for index in own:
            us, row = human.take.us[index], human.take.truth[index]
            now = start + (us - last) * factor
            pitch, velocity = human.take.pitch[index], human.take.velocity[index]
            omitted, wrong, added = (dice.chance(errors) for _ in range(3))
            if added:
                near = pitch + dice.one_of((-5, -2, -1, 0, 1, 2, 5, 7))
                heard.append((now + dice.between(5e4, 3e5), near, velocity, -1, number))
            if not omitted:
                pitch += dice.one_of((-2, -1, 1, 2)) if wrong else 0
                heard.append((now, pitch, velocity, row, number))
    take, stretch = Take(), -1
    for at_us, pitch, velocity, row, number in sorted(heard, key=lambda event: event[0]):
        if number > stretch and row >= 0:
            take.jumps.append(len(take.us))
            stretch = number
        take.us.append(round(at_us))
        take.pitch.append(pitch)
        take.string.append(None)
        take.velocity.append(velocity)
        take.truth.append(row)
    return take
