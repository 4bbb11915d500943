"""How much each note says about the harmony: chord notes much, notes that only pass by little.

A note counts by how long it sounds, by its place in the bar, and more in the bass.  It counts less where it
behaves as a note outside the chord does: a short note off the beat between steps (passing, neighbouring,
anticipating), a note held into a new bar or repeated there that steps down (suspended), one on the beat
against its bass that steps down over the same bass, or up a semitone into its octave (appoggiatura).  Common
practice of harmony classes; the figures are our own.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coach.core.score import Bar, Score

BASS = 1.6
DOWNBEAT, HALF_BAR, BEAT, OFF_BEAT = 3, 2, 1, 0
BY_STRENGTH = (0.8, 1.0, 1.1, 1.2)
PASSING = 0.35  # between two steps, on a weaker place than both neighbours
LESS_PASSING = 0.6  # on a weaker place than one of them
ONE_STEP = 0.75  # short and off the beat, a step on one side
ANTICIPATION = 0.4
SUSPENSION = 0.35
APPOGGIATURA = 0.5
SIX_FIVE = 0.3  # the sixth above a bass that falls to its fifth
HELD_OVER = 0.5  # what is left of a note in the bars after its own, if it then steps down
STEP = 2  # semitones: the largest step
FIFTH, LEADING_NOTE = 7, 11  # semitones above the bass
DISSONANT = frozenset((1, 2, 5, 6, 10, 11))  # semitones above the bass


class Weights(NamedTuple):
    """Factors for each row of ``Score.notes``: in its own bar, and in the bars it is held into."""

    own: NDArray[np.float64]
    over: NDArray[np.float64]


class _Tone(NamedTuple):
    """A voice's highest note of one onset."""

    onset: int
    end: int
    pitch: int
    strength: int
    beat: int  # ticks


def strength(bar: Bar, onset: int) -> int:
    """Return how strong a place in the bar is: DOWNBEAT, HALF_BAR, BEAT or OFF_BEAT."""
    at = onset - bar.onset + max(bar.lead, bar.full_length - bar.length if bar.number == 0 else 0)
    at %= max(bar.full_length, 1)
    if at == 0:
        return DOWNBEAT
    if at * 2 == bar.full_length and bar.beats % 2 == 0:
        return HALF_BAR
    return BEAT if at % beat_length(bar) == 0 else OFF_BEAT


def beat_length(bar: Bar) -> int:
    """Return the length of a felt beat in ticks: a dotted one in 6/8, 9/8 and 12/8."""
    compound = bar.beat_unit >= 8 and bar.beats % 3 == 0 and bar.beats > 3
    return bar.beat_ticks * (3 if compound else 1)


def weigh_notes(score: Score) -> Weights:
    """Return how much each note speaks for the harmony."""
    notes = score.notes
    onsets, durations = notes["onset"].tolist(), notes["duration"].tolist()
    pitches, basses, bars = notes["pitch"].tolist(), notes["bass"].tolist(), notes["bar"].tolist()
    strengths = [strength(score.bars[bar], onset) for bar, onset in zip(bars, onsets, strict=True)]
    lines: dict[tuple[int, bool], list[_Tone]] = {}
    places: list[tuple[tuple[int, bool], int]] = []
    for row, (voice, bass) in enumerate(zip(notes["voice"].tolist(), basses, strict=True)):
        line = lines.setdefault((voice, bass), [])
        end = onsets[row] + durations[row]
        if durations[row]:  # grace notes are no part of the line
            tone = _Tone(onsets[row], end, pitches[row], strengths[row], beat_length(score.bars[bars[row]]))
            if line and line[-1].onset == onsets[row]:
                line[-1] = tone
            else:
                line.append(tone)
        places.append(((voice, bass), len(line) - 1))
    own = np.array([BY_STRENGTH[s] for s in strengths]) * np.where(notes["bass"], BASS, 1.0)
    over = np.ones(len(notes))
    under = _bass_under(score)
    for row, (name, at) in enumerate(places):
        if not durations[row]:
            continue
        line = lines[name]
        before = line[at - 1] if at and line[at].onset - line[at - 1].end <= line[at].beat else None
        after = line[at + 1] if at + 1 < len(line) and line[at + 1].onset == line[at].end else None
        tone = line[at]._replace(pitch=pitches[row])
        bass, until = (-1, -1) if basses[row] else under[row]
        own[row] *= _factor(before, tone, after, bass, until)
        if after and 0 < pitches[row] - after.pitch <= STEP:
            over[row] = HELD_OVER
    return Weights(own, over)


def _factor(before: _Tone | None, tone: _Tone, after: _Tone | None, bass: int, until: int) -> float:
    """Return what is left of a note's weight for how it moves over a bass that stands ``until`` a tick."""
    into = before is not None and 0 < abs(tone.pitch - before.pitch) <= STEP
    out = after is not None and 0 < abs(tone.pitch - after.pitch) <= STEP
    short = tone.end - tone.onset <= tone.beat
    down = after is not None and 0 < tone.pitch - after.pitch <= STEP
    weaker = (before is not None and tone.strength < before.strength) + (
        after is not None and tone.strength < after.strength
    )
    if short and into and out and weaker:
        return PASSING if weaker == 2 or tone.strength == OFF_BEAT else LESS_PASSING
    if short and tone.strength == OFF_BEAT:
        if into and after is not None and after.pitch == tone.pitch and after.strength > OFF_BEAT:
            return ANTICIPATION
        if into or out:
            return ONE_STEP
    if after is None or after.onset >= until or tone.strength == OFF_BEAT:
        return 1.0  # no bass, or it moves with the note: a seventh that resolves into the next chord
    interval = (tone.pitch - bass) % 12
    leads = after.pitch - tone.pitch == 1 and interval == LEADING_NOTE
    if (down and interval in DISSONANT) or leads:
        return SUSPENSION if before is not None and before.pitch == tone.pitch else APPOGGIATURA
    if down and (after.pitch - bass) % 12 == FIFTH:
        return SIX_FIVE
    return 1.0


def _bass_under(score: Score) -> list[tuple[int, int]]:
    """Return the bass under each note's onset, sounding or resting: its pitch, and the onset of another.

    (−1, −1) where none has been struck.
    """
    notes = score.notes
    rows = np.flatnonzero(notes["bass"] & (notes["duration"] > 0))
    onsets, pitches = notes["onset"][rows].tolist(), notes["pitch"][rows].tolist()
    until = [score.end] * len(rows)
    for i in range(len(rows) - 2, -1, -1):
        until[i] = until[i + 1] if pitches[i + 1] == pitches[i] else onsets[i + 1]
    at = (np.searchsorted(notes["onset"][rows], notes["onset"], "right") - 1).tolist()
    return [(pitches[i], until[i]) if i >= 0 else (-1, -1) for i in at]
