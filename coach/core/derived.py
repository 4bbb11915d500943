"""Scores made out of a piece, to be played before it: its melody alone, its bass line alone, its scale.

Bars, pickup, key, tuning and tempo are the piece's.  Each written bar stands once, in written order, as it is
played the first time; repeats are not unfolded.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from coach.core.excerpts import lead_of
from coach.core.harmony import Harmony, Scale
from coach.core.score import NOTE, TEMPO, TICKS_PER_QUARTER, Array, Bar, DampMark, Score, make_score
from coach.core.spelling import Key, pitch_class, spell

FIRST_POSITION = 4  # highest fret
OCTAVE = 12
PULGAR, INDEX, MIDDLE = 1, 2, 3  # NOTE.pluck: p, i, m
MAJOR = (0, 2, 4, -1, 1, 3, 5)  # steps of a scale, in fifths from the tonic
NATURAL_MINOR = (0, 2, -3, -1, 1, -4, -2)
MELODIC_MINOR = (0, 2, -3, -1, 1, 3, 5)  # upwards; downwards it is the natural one
DARK = ("minor", "dorian", "phrygian", "aeolian", "locrian")  # words of scales with a minor third


def melody_alone(score: Score) -> Score:
    """Return the highest voice above the bass, one note at a time, plucked i and m in turn where not given.

    The notes' ``written`` indices are still the piece's.  Without a melody the score has no notes.
    """
    made = replace(_written_once(score, melody_mask(score)), damps=())
    notes = made.notes.copy()
    notes["bass"] = False
    notes["pluck"][notes["pluck"] == PULGAR] = 0
    return _with_notes(made, _alternated(notes))


def bass_alone(score: Score) -> Score:
    """Return the bass voice, plucked by the thumb.  Without a bass the score has no notes."""
    made = _written_once(score, score.notes["bass"] & ~score.notes["grace"])
    notes = made.notes.copy()
    notes["pluck"] = PULGAR
    return _with_notes(made, notes)


def melody_mask(score: Score) -> NDArray[np.bool_]:
    """Return the rows of the melody: of the highest voice above the bass the highest note of each onset."""
    notes = score.notes
    upper: NDArray[np.bool_] = ~notes["bass"] & ~notes["grace"]
    if not upper.any():
        return upper
    voices = np.unique(notes["voice"][upper]).tolist()
    middles = [float(np.median(notes["pitch"][upper & (notes["voice"] == voice)])) for voice in voices]
    rows = np.flatnonzero(upper & (notes["voice"] == voices[int(np.argmax(middles))]))
    highest = np.append(np.diff(notes["onset"][rows]) != 0, True)  # rows lie by onset, then pitch
    mask = np.zeros(len(notes), bool)
    mask[rows[highest]] = True
    return mask


def bar_sources(score: Score) -> list[int]:
    """Return for each bar of ``melody_alone`` and ``bass_alone`` which performed bar of the piece it is."""
    out: list[int] = []
    filled = 0
    for index in _order(score):
        bar = score.bars[index]
        if out and bar.lead and bar.lead == filled:  # the other half of a divided bar
            filled += bar.length
        else:
            filled = lead_of(bar) + bar.length
            out.append(index)
    return out


def _order(score: Score) -> list[int]:
    """Return the first performance of each written bar, in written order."""
    return [score.first_performed[written] for written in sorted(score.first_performed)]


def _with_notes(score: Score, notes: Array) -> Score:
    return replace(score, notes=make_score(notes, score.bars).notes)


def _alternated(notes: Array) -> Array:
    """Return notes in order with i and m in turn where no finger is given."""
    last = MIDDLE
    for note in notes:
        if note["pluck"] == 0:
            note["pluck"] = MIDDLE if last == INDEX else INDEX
        last = int(note["pluck"])
    return notes


def _written_once(score: Score, mask: NDArray[np.bool_]) -> Score:
    """Return the notes of a mask with every written bar once, as it is performed the first time."""
    order, heads = _order(score), set(bar_sources(score))
    bars: list[Bar] = []
    parts: list[Array] = []
    damps: list[DampMark] = []
    tempo: list[tuple[int, float]] = []
    at = 0
    for place, index in enumerate(order):
        bar = score.bars[index]
        if index not in heads:
            bars[-1] = replace(bars[-1], length=bars[-1].length + bar.length)
        elif bars:  # a pickup in the middle is filled up with the rest that leads to it
            before, full = lead_of(bar), lead_of(bar) + bar.length
            bars.append(replace(bar, onset=at, length=full, written=len(bars), round=1, lead=0))
            at += before
        else:
            bars.append(replace(bar, onset=at, written=0, round=1, lead=lead_of(bar)))
        rows = np.flatnonzero(mask & (score.notes["bar"] == index))
        notes = score.notes[rows].copy()
        notes["onset"] += at - bar.onset
        if place + 1 == len(order) or order[place + 1] != index + 1:  # what follows is not what it leads to
            notes["duration"] = np.minimum(notes["duration"], at + bar.length - notes["onset"])
        parts.append(notes)
        shift = at - bar.onset
        damps += [replace(m, onset=m.onset + shift) for m in score.damps if bar.onset < m.onset <= bar.end]
        changes = [row for row in score.tempo.tolist() if bar.onset < row[0] < bar.end]
        tempo += [(at, score.qpm(bar.onset)), *((tick + shift, qpm) for tick, qpm in changes)]
        at += bar.length
        whole = bars[-1]
        missing = whole.full_length - whole.lead - whole.length
        if missing > 0 and place + 1 < len(order) and order[place + 1] in heads:
            bars[-1] = replace(whole, length=whole.length + missing)  # a short bar that a pickup completes
            at += missing
    kept = [
        row for row, before in zip(tempo, [None, *tempo], strict=False) if not before or row[1] != before[1]
    ]
    return make_score(
        np.concatenate(parts) if parts else np.zeros(0, NOTE),
        tuple(bars),
        title=score.title,
        tuning=score.tuning,
        tempo=np.array(kept, TEMPO),
        tempo_given=score.tempo_given,
        mode=score.mode,
        damps=tuple(damps),
        places=score.places,
        ids=score.ids,
        bar_ids=tuple(f"b{row + 1}" for row in range(len(bars))),
    )


# --- the scale --------------------------------------------------------------------------------------


def scale_of(harmony: Harmony) -> Scale:
    """Return the melody's scale, or that of the key where it is not known."""
    if harmony.scale is not None:
        return harmony.scale
    key = harmony.key
    kind, steps = ("natural minor", NATURAL_MINOR) if key.minor else ("major", MAJOR)
    return Scale(key.tonic, kind, tuple(key.tonic + step for step in steps), key.name)


def scale_key(scale: Scale, harmony: Harmony) -> Key:
    """Return a key that spells the scale's notes as they are meant."""
    dark = any(word in scale.kind for word in DARK)
    parents = [Key(tonic) for tonic in range(scale.tonic - 5, scale.tonic + 2)]  # modes: of their major key
    for key in (Key(scale.tonic, dark), Key(scale.tonic, not dark), harmony.key, *reversed(parents)):
        if all(spell(pitch_class(place), key) == place for place in scale.places):
            return key
    return Key(scale.tonic, dark)


def melody_scale_score(score: Score, harmony: Harmony) -> Score:
    """Return the melody's scale: from its lowest tonic up, down to its lowest note and up to the tonic again.

    The range is the melody's own, or an octave where first position has one.  Notes are quarters (eighths in
    meters of eighths), the last one held to the end of its bar; strings are left to be chosen.
    """
    scale = scale_of(harmony)
    meter = next((bar for bar in score.bars if bar.length == bar.full_length), score.bars[0])
    step = meter.beat_ticks if meter.beat_unit >= 8 else TICKS_PER_QUARTER
    pitches = _up_and_down(scale, *_range(score, pitch_class(scale.tonic)))
    full = max(meter.full_length, step)
    count = -(-len(pitches) * step // full)
    notes = np.zeros(len(pitches), NOTE)
    notes["onset"] = np.arange(len(pitches)) * step
    notes["duration"] = step
    notes["duration"][-1] = count * full - notes["onset"][-1]
    notes["pitch"], notes["fret"], notes["voice"] = pitches, -1, 1
    notes["written"] = np.arange(len(pitches))
    bars = tuple(
        replace(meter, number=n + 1, onset=n * full, length=full, written=n, round=1, lead=0)
        for n in range(count)
    )
    return make_score(
        _alternated(notes),
        bars,
        title=score.title,
        tuning=score.tuning,
        tempo=np.array([(0, score.qpm(0))], TEMPO),
        tempo_given=score.tempo_given,
        mode=score.mode,
        ids=tuple(f"n{row + 1}" for row in range(len(pitches))),
        bar_ids=tuple(f"b{row + 1}" for row in range(count)),
    )


def _range(score: Score, tonic_class: int) -> tuple[int, int]:
    """Return the lowest and highest pitch: the melody's own, if that is an octave at least.

    A smaller range is stretched, as little as can be, to hold the octave from tonic to tonic, where first
    position has one.
    """
    tuning = score.tuning
    mask = melody_mask(score)
    used = score.notes["pitch"][mask if mask.any() else ~score.notes["grace"]]
    low, high = int(used.min()), int(used.max())
    if high - low >= OCTAVE:
        return low, high
    floor, ceiling = tuning.open_pitch(tuning.strings), tuning.pitch(1, FIRST_POSITION)
    tonics = [p for p in range(floor, ceiling - OCTAVE + 1) if p % OCTAVE == tonic_class]
    stretched = [(min(low, tonic), max(high, tonic + OCTAVE)) for tonic in tonics]
    return min(stretched, key=lambda ends: ends[1] - ends[0], default=(low, high))


def _up_and_down(scale: Scale, low: int, high: int) -> list[int]:
    """Return the pitches in the order they are played."""
    rising = {pitch_class(place) for place in scale.places}
    falling = rising
    if scale.kind == "melodic minor":
        rising = {pitch_class(scale.tonic + step) for step in MELODIC_MINOR}
        falling = {pitch_class(scale.tonic + step) for step in NATURAL_MINOR}
    inside = [pitch for pitch in range(low, high + 1) if pitch % OCTAVE in rising & falling]
    tonic_class = pitch_class(scale.tonic)
    tonic = next((p for p in inside if p % OCTAVE == tonic_class), None)
    if tonic is None:  # less than an octave, and no tonic in it: up to the next one
        tonic = next(p for p in range(low, low + OCTAVE) if p % OCTAVE == tonic_class)
        inside = sorted({*inside, tonic})
    low, high = inside[0], inside[-1]  # where the way turns, both forms of a melodic minor agree
    up = [p for p in range(tonic, high + 1) if p % OCTAVE in rising]
    down = [p for p in range(high - 1, low - 1, -1) if p % OCTAVE in falling]
    back = [p for p in range(low + 1, tonic + 1) if p % OCTAVE in rising]
    return [*up, *down, *back] if len(up) + len(down) > 1 else [tonic]
