"""Scores made up by rule, of any length, for stress tests: plausible two-voice guitar music, bar by bar.

Bass on strings 4 to 6 (open and fretted, half notes, quarters and rests), melody on strings 1 to 3, chord
notes on the beats and steps between.  Every note has its string and fret in first position.
"""

from __future__ import annotations

import numpy as np

from coach.core.score import NOTE, TEMPO, TICKS_PER_QUARTER, Bar, Score, make_score
from tests.dice import Dice

Q = TICKS_PER_QUARTER
SCALE = (0, 2, 4, 5, 7, 9, 11)  # C major, A minor
CHORDS = {  # name: (bass notes as (string, fret), pitch classes)
    "Am": (((5, 0), (6, 0)), (9, 0, 4)),
    "Dm": (((4, 0), (5, 0)), (2, 5, 9)),
    "G": (((6, 3), (4, 0), (5, 2)), (7, 11, 2)),
    "C": (((5, 3), (6, 0), (6, 3)), (0, 4, 7)),
    "Em": (((6, 0), (5, 2), (4, 2)), (4, 7, 11)),
    "F": (((6, 1), (5, 0), (4, 3)), (5, 9, 0)),
}
FOLLOWS = {
    "Am": ("Dm", "G", "F", "Em", "C"), "Dm": ("G", "Am", "Em"), "G": ("C", "Em", "Am"),
    "C": ("F", "G", "Am", "Dm"), "Em": ("Am", "F", "C"), "F": ("C", "G", "Dm"),
}  # fmt: skip
BASS_LENGTHS = {  # quarter notes; negative is a rest
    4: ((2, 2), (2, -2), (1, -1, 1, -1), (4,), (1, 1, 2), (3, -1)),
    3: ((3,), (2, -1), (1, 1, 1), (1, -1, -1), (1, 2)),
    2: ((2,), (1, 1), (1, -1)),
}
STRINGS = {1: 64, 2: 59, 3: 55}
Place = tuple[int, int, int, int, int]  # tick in the bar, length, pitch, string, fret; string 4 to 6 is bass


def generated_piece(
    seed: int,
    bars: int = 16,
    *,
    beats: int = 4,
    distinct: int | None = None,
    groups: int | None = None,
    qpm: float = 72.0,
    eighths: float = 0.4,
) -> Score:
    """Return a piece of ``bars`` bars of ``beats`` quarters, or of as many as give ``groups`` onset groups.

    ``distinct``: the piece consists of so few bars, repeated exactly in a drawn order (the hard case for a
    follower).  ``eighths``: share of the beats that are split.
    """
    dice = Dice(f"piece {seed}")
    chord, onsets = "Am", 0
    made: list[list[Place]] = []
    stock: list[list[Place]] = []
    while len(made) < bars if groups is None else onsets < groups:
        if distinct is not None and len(stock) == distinct:
            content = dice.one_of(stock)
        else:
            content = _bar(chord, beats, eighths, dice)
            stock.append(content)
        chord = dice.one_of(FOLLOWS[chord])
        made.append(content)
        onsets += len({tick for tick, *_ in content})
    return _score(made, beats, qpm, f"Invented piece {seed}")


def _bar(chord: str, beats: int, eighths: float, dice: Dice) -> list[Place]:
    basses, classes = CHORDS[chord]
    low = {6: 40, 5: 45, 4: 50}
    content: list[Place] = []
    at, turn = 0, 0
    for length in dice.one_of(BASS_LENGTHS[beats]):
        if length > 0:
            string, fret = basses[turn % len(basses)]
            content.append((at * Q, length * Q, low[string] + fret, string, fret))
            turn += 1
        at += abs(length)
    pitch = dice.one_of([p for p in range(57, 68) if p % 12 in classes])
    for beat in range(beats):
        if dice.chance(eighths):
            content.append((beat * Q, Q // 2, pitch, *_place(pitch)))
            pitch = _step(pitch, dice)
            content.append((beat * Q + Q // 2, Q // 2, pitch, *_place(pitch)))
        else:
            content.append((beat * Q, Q, pitch, *_place(pitch)))
        near = [p for p in range(max(pitch - 5, 55), min(pitch + 5, 67) + 1) if p % 12 in classes]
        near = [p for p in near if p != pitch]
        pitch = dice.one_of(near) if near else _step(pitch, dice)
    return content


def _step(pitch: int, dice: Dice) -> int:
    up = dice.chance(0.5)
    for step in (1, 2) if up else (-1, -2):
        if (pitch + step) % 12 in SCALE and 55 <= pitch + step <= 67:
            return pitch + step
    return pitch


def _place(pitch: int) -> tuple[int, int]:
    string = min((s for s, low in STRINGS.items() if pitch >= low), key=lambda s: pitch - STRINGS[s])
    return string, pitch - STRINGS[string]


def _score(made: list[list[Place]], beats: int, qpm: float, title: str) -> Score:
    length = beats * Q
    notes = np.zeros(sum(map(len, made)), NOTE)
    row = 0
    for bar, content in enumerate(made):
        for tick, duration, pitch, string, fret in content:
            bass = string >= 4
            notes[row] = (
                bar * length + tick, duration, pitch, string, fret, 0, 1 if bass else 0, 2 if bass else 1,
                -1 if bass else 1, bass, False, False, False, bar, row,
            )  # fmt: skip
            row += 1
    bars = tuple(Bar(i + 1, i * length, length, beats, 4, 0, i) for i in range(len(made)))
    return make_score(
        notes,
        bars,
        title=title,
        tempo=np.array([(0, qpm)], TEMPO),
        tempo_given=True,
        ids=tuple(f"n{i}" for i in range(len(notes))),
        bar_ids=tuple(f"bar{i + 1}" for i in range(len(made))),
    )
