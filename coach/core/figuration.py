"""How much each note says about the harmony: chord notes much, notes that only pass by little.

A note counts by how long it sounds, by its place in the bar, and more in the bass.  It counts less where it
behaves as a note outside the chord does: a short note off the beat between steps (passing, neighbouring,
anticipating), a note held into a new bar or repeated there that steps down (suspended), one on the beat
against its bass that steps down over the same bass, or up a semitone into its octave (appoggiatura; so is a
seventh above the tonic that does either).  The note it steps to is the chord's and keeps its weight, however
weak its place.  Common practice of harmony classes; the figures are our own.
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
BROKEN = frozenset((0, 3, 4, 7, 12, 15, 16, 19))  # semitones up from the foot of a chord broken in the bass
DISSONANT = frozenset((1, 2, 5, 6, 10, 11))  # semitones above the bass


Shares = dict[int, int]  # pitch class -> ticks


class Weights(NamedTuple):
    """Factors for each row of ``Score.notes``: in its own bar, and in the bars it is held into."""

    own: NDArray[np.float64]
    over: NDArray[np.float64]


class _Tone(NamedTuple):
    """A note of a voice, and the others it strikes with it."""

    onset: int
    end: int
    pitch: int
    strength: int
    beat: int  # ticks
    chord: tuple[int, ...]  # all pitches of the voice at this onset


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


def strengths(score: Score) -> list[int]:
    """Return how strong a place in its bar each note has."""
    notes = score.notes
    pairs = zip(notes["bar"].tolist(), notes["onset"].tolist(), strict=True)
    return [strength(score.bars[bar], onset) for bar, onset in pairs]


def weigh_notes(score: Score) -> Weights:
    """Return how much each note speaks for the harmony."""
    notes = score.notes
    pitches, durations, basses = notes["pitch"].tolist(), notes["duration"].tolist(), notes["bass"].tolist()
    strong = strengths(score)
    lines, places = _lines(score, strong)
    own = np.array([BY_STRENGTH[s] for s in strong]) * np.where(notes["bass"], BASS, 1.0)
    over = np.ones(len(notes))
    under = _bass_under(score, strong)
    shares = _shares(score)
    resolved: set[tuple[int, bool, int, int]] = set()  # line, onset and pitch that a dissonance leads to
    for row, (name, at) in enumerate(places):
        if not durations[row]:
            continue
        line = lines[name]
        tone = line[at]._replace(pitch=pitches[row])
        before = _partner(line[at - 1], tone) if at and tone.onset - line[at - 1].end <= tone.beat else None
        after = _follower(line, at, tone)
        then = _follower(line, at + 1, after) if after is not None else None
        factor = 1.0
        if after is not None and not basses[row] and not _turns(tone, after, then):
            factor = _accented(before, tone, after, *under[row])
            if factor == 1.0 and under[row][0] < 0 and _leans(tone, after, shares[int(notes["bar"][row])]):
                factor = APPOGGIATURA
            if factor in (SUSPENSION, APPOGGIATURA) and not _goes_on(tone, after, then):
                resolved.add((*name, after.onset, after.pitch))
        if factor == 1.0 and (*name, tone.onset, tone.pitch) not in resolved:
            factor = _unaccented(before, tone, after)
        own[row] *= factor
        if after and 0 < pitches[row] - after.pitch <= STEP:
            over[row] = HELD_OVER
    return Weights(own, over)


def _lines(
    score: Score, strong: list[int]
) -> tuple[dict[tuple[int, bool], list[_Tone]], list[tuple[tuple[int, bool], int]]]:
    """Return the voices, basses apart, as lines of tones; and each row's line and its place in it."""
    notes = score.notes
    lines: dict[tuple[int, bool], list[_Tone]] = {}
    places: list[tuple[tuple[int, bool], int]] = []
    for row, (onset, duration, pitch, voice, bass, bar) in enumerate(
        notes[["onset", "duration", "pitch", "voice", "bass", "bar"]].tolist()
    ):
        line = lines.setdefault((voice, bass), [])
        if duration:  # grace notes are no part of the line
            chord = line.pop().chord if line and line[-1].onset == onset else ()
            beat = beat_length(score.bars[bar])
            line.append(_Tone(onset, onset + duration, pitch, strong[row], beat, (*chord, pitch)))
        places.append(((voice, bass), len(line) - 1))
    return lines, places


def _partner(other: _Tone, tone: _Tone) -> _Tone:
    """Return another onset's note that a tone moves from or to: of as many the same, else the nearest."""
    if len(other.chord) == len(tone.chord):
        return other._replace(pitch=other.chord[tone.chord.index(tone.pitch)])
    return other._replace(pitch=min(other.chord, key=lambda pitch: abs(pitch - tone.pitch)))


def _together(tone: _Tone, other: _Tone | None) -> bool:
    """Tell whether all notes struck with a tone move by step as it may; one alone always does."""
    if len(tone.chord) == 1:
        return True
    if other is None or len(other.chord) != len(tone.chord):
        return False
    return all(0 < abs(b - a) <= STEP for a, b in zip(tone.chord, other.chord, strict=True))


def _follower(line: list[_Tone], at: int, tone: _Tone) -> _Tone | None:
    """Return what a tone, struck at a place of its line, moves to; None where it rests or overlaps."""
    joined = at + 1 < len(line) and line[at + 1].onset == line[at].end
    return _partner(line[at + 1], tone) if joined else None


def _turns(tone: _Tone, after: _Tone, then: _Tone | None) -> bool:
    """Tell whether what follows is only a neighbour on a weaker place, and the note comes again."""
    again = then is not None and then.pitch == tone.pitch
    return again and after.strength < tone.strength


def _goes_on(tone: _Tone, after: _Tone, then: _Tone | None) -> bool:
    """Tell whether a line runs on by step in the same direction."""
    step = after.pitch - tone.pitch
    return (
        then is not None
        and 0 < abs(then.pitch - after.pitch) <= STEP
        and (then.pitch > after.pitch) == (step > 0)
    )


def _unaccented(before: _Tone | None, tone: _Tone, after: _Tone | None) -> float:
    """Return what is left of a note's weight for passing, turning or anticipating on a weak place."""
    if tone.end - tone.onset > tone.beat or not all(_together(tone, other) for other in (before, after)):
        return 1.0
    into = before is not None and 0 < abs(tone.pitch - before.pitch) <= STEP
    out = after is not None and 0 < abs(tone.pitch - after.pitch) <= STEP
    weaker = (before is not None and tone.strength < before.strength) + (
        after is not None and tone.strength < after.strength
    )
    if into and out and weaker:
        return PASSING if weaker == 2 or tone.strength == OFF_BEAT else LESS_PASSING
    if tone.strength == OFF_BEAT:
        if into and after is not None and after.pitch == tone.pitch and after.strength > OFF_BEAT:
            return ANTICIPATION
        if into or out:
            return ONE_STEP
    return 1.0


def _accented(before: _Tone | None, tone: _Tone, after: _Tone, bass: int, until: int) -> float:
    """Return what is left of a note on the beat, dissonant over a bass that stands ``until`` a tick."""
    if bass < 0 or after.onset >= until or tone.strength == OFF_BEAT:
        return 1.0  # no bass, or it moves with the note: a seventh that resolves into the next chord
    down = 0 < tone.pitch - after.pitch <= STEP
    interval = (tone.pitch - bass) % 12
    leads = after.pitch - tone.pitch == 1 and interval == LEADING_NOTE
    if (down and interval in DISSONANT) or leads:
        return SUSPENSION if before is not None and before.pitch == tone.pitch else APPOGGIATURA
    if down and (after.pitch - bass) % 12 == FIFTH:
        return SIX_FIVE
    return 1.0


def _leans(tone: _Tone, after: _Tone, shares: Shares) -> bool:
    """Tell whether a short note on the beat, without a bass, leans on a note the bar is full of.

    It is heard in its bar this once, and the note it steps to at least as long elsewhere.
    """
    step = after.pitch - tone.pitch
    length = tone.end - tone.onset
    if length > tone.beat or not tone.strength > after.strength or not (-STEP <= step < 0 or step == 1):
        return False
    elsewhere = shares.get(after.pitch % 12, 0) - (after.end - after.onset)
    return shares.get(tone.pitch % 12, 0) <= length and elsewhere >= length


def _shares(score: Score) -> list[Shares]:
    """Return for each bar how long each pitch class that begins in it lasts, in ticks."""
    out: list[Shares] = [{} for _ in score.bars]
    for pitch, duration, bar in score.notes[["pitch", "duration", "bar"]].tolist():
        out[bar][pitch % 12] = out[bar].get(pitch % 12, 0) + duration
    return out


def _bass_under(score: Score, strong: list[int]) -> list[tuple[int, int]]:
    """Return the bass under each note, sounding or resting: its pitch, and the onset of another.

    A bass that enters while the note sounds, after the one before has ended, is the note's; a bass broken
    upwards on weak places of its bar stands under all of it.  (−1, −1) where none has been struck, or none
    since the bar before.
    """
    notes = score.notes
    rows = np.flatnonzero(notes["bass"] & (notes["duration"] > 0)).tolist()
    onsets, pitches, bars = ([int(notes[name][row]) for row in rows] for name in ("onset", "pitch", "bar"))
    ends = [int(notes["onset"][row] + notes["duration"][row]) for row in rows]
    foot = list(range(len(rows)))  # of the broken chord that each bass belongs to
    for i in range(1, len(rows)):
        under = foot[i - 1]
        weak = strong[rows[i]] < HALF_BAR and bars[i] == bars[under]
        if weak and pitches[i] - pitches[under] in BROKEN:
            foot[i] = under
    until = [score.end] * len(rows)
    for i in range(len(rows) - 2, -1, -1):
        same = pitches[foot[i + 1]] == pitches[foot[i]]
        until[i] = until[i + 1] if same else onsets[i + 1]
    out: list[tuple[int, int]] = []
    struck = (np.searchsorted(np.array(onsets), notes["onset"], "right") - 1).tolist()
    for i, (onset, duration, bar) in zip(struck, notes[["onset", "duration", "bar"]].tolist(), strict=True):
        over = i < 0 or ends[i] <= onset
        if over and i + 1 < len(rows) and onsets[i + 1] < onset + duration:
            out.append((pitches[foot[i + 1]], until[i + 1]))
        elif i < 0 or (over and bars[i] != bar):
            out.append((-1, -1))
        else:
            out.append((pitches[foot[i]], until[i]))
    return out
