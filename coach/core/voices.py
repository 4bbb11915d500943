"""Which notes are the bass voice.

What is done (common practice of guitar engraving, no source):

*Several voices.* Where every note of some voices is marked p and no note of the others is, those are the
bass, and nothing below is asked. Else the bass voice is the one that lies lowest most often where voices
sound together. Between two that cross and lie alike, the one plucked by the thumb, then the one with stems
down, then the later-numbered one is taken. In a bar where another voice lies lowest twice as often, and low
throughout, that one is the bass of the bar (voices change roles in some files). Where the bass is silent
the lowest note of another voice stands in if it is on a wound string, lies nearer to the bass than to the
top voice and is not marked for another finger than the thumb. Inner voices are not bass.

*One voice.*  First the thumb: where p is written on some notes and another finger on others, each note
with a mark follows it, and so where every note has its mark: a line plucked by i and m has no bass, one
plucked by p is all bass.  Then stems, if they tell voices apart: both directions met, and those down lie
lower than those up (with stems drawn by height alone it is the other way round).  Then register: the lowest
note of its onset on a wound string (below G3), unless it is the next step up of an arpeggio on a
bass just struck.

*Always.*  In a chord of the bass voice only the lowest note and others below G3 are bass.  A p below G3 is
bass where the bass voice itself strikes nothing, and so is the lowest note, if below G3, of a chord of
three notes or more over an octave or wider while no bass sounds (a last chord written in the upper voice).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coach.core.score import TICKS_PER_QUARTER, Array

G3 = 55  # open third string: basses are strings 4 to 6, wound, which ring longest
ALIKE = 2.0  # semitones: voices whose middles are nearer than this lie alike
ARPEGGIO_STEP = 5  # semitones: from one open string to the next
WIDE_CHORD = 12  # semitones
FEW = 0.1  # share of notes below which a stem direction or a finger is an exception, not a rule
THUMB = 1  # NOTE.pluck
FEWEST = 3  # plucking marks that characterise a voice
SILENT = 999  # above any pitch

Mask = NDArray[np.bool_]


def mark_bass(notes: Array) -> Array:
    """Return a copy of ``notes`` (dtype NOTE, any order, performed times) with ``bass`` set."""
    marked = notes.copy()
    marked["bass"] = False
    main = np.flatnonzero(~notes["grace"])
    if len(main) == 0:
        return marked
    main = main[np.lexsort((notes["pitch"][main], notes["onset"][main]))]
    sounding = notes[main]
    if len(np.unique(sounding["voice"])) > 1:
        thumbed = _thumbed_voices(sounding)
        if thumbed is not None:
            marked["bass"][main] = thumbed
            return marked
        bass = _lowest_voice(sounding)
    else:
        bass = _one_voice(sounding)
    bass = _only_the_foot_of_chords(sounding, bass)
    marked["bass"][main] = _wide_chords(sounding, bass)
    return marked


def _thumbed_voices(notes: Array) -> Mask | None:
    """Return which notes belong to voices plucked by the thumb alone, None where marks do not part voices."""
    thumb = notes["pluck"] == THUMB
    of_thumb = np.isin(notes["voice"], notes["voice"][thumb])
    if thumb.sum() < FEWEST or of_thumb.all() or (of_thumb & ~thumb).any():
        return None
    return np.asarray(of_thumb)


def _lowest_voice(notes: Array) -> Mask:
    """Return which notes (sorted by onset, pitch) belong to the lowest voice."""
    voices = np.unique(notes["voice"])
    index = np.searchsorted(voices, notes["voice"])
    onsets, first = np.unique(notes["onset"], return_index=True)
    sounding = np.array([_lowest_sounding(notes[index == v], onsets) for v in range(len(voices))])
    together = (sounding < SILENT).sum(axis=0) > 1
    middle = np.array([np.median(notes["pitch"][index == v]) for v in range(len(voices))])
    preferred = sorted(range(len(voices)), key=lambda v: _tie_break(notes[index == v]))
    lowest = np.array(preferred)[np.argmin(sounding[preferred], axis=0)]  # by onset; unisons as preferred
    counts = np.bincount(lowest[together], minlength=len(voices))
    bass_voice = int(np.lexsort((middle, -counts))[0])
    alike = (counts * 2 >= counts[bass_voice]) & (np.abs(middle - middle[bass_voice]) <= ALIKE)
    bass_voice = next(v for v in preferred if alike[v])
    top = max(range(len(voices)), key=lambda v: (middle[v], v != bass_voice))
    border = (middle[bass_voice] + middle[top]) / 2

    bars, bar_of_note = np.unique(notes["bar"], return_inverse=True)
    per_bar = np.zeros((len(bars), len(voices)), np.int64)
    np.add.at(per_bar, (bar_of_note[first[together]], lowest[together]), 1)
    rival = np.argmax(per_bar, axis=1)
    ours, theirs = per_bar[:, bass_voice], per_bar[np.arange(len(bars)), rival]
    ranges = np.full((len(bars), len(voices)), -np.inf)  # highest note of each voice in each bar
    np.maximum.at(ranges, (bar_of_note, index), notes["pitch"])
    low = ranges[np.arange(len(bars)), rival] < border
    voice_of_bar = np.where((theirs >= 2 * np.maximum(ours, 1)) & low, rival, bass_voice)
    bass = index == voice_of_bar[bar_of_note]

    silent = ~_covered(notes["onset"], notes[bass])
    shared = together[np.searchsorted(onsets, notes["onset"])]
    stand_in = silent & shared & (index != top) & (notes["pitch"] < min(border, G3)) & _lowest_of_onset(notes)
    stand_in &= (notes["pluck"] == 0) | (notes["pluck"] == THUMB)
    thumb = (notes["pluck"] == THUMB) & (notes["pitch"] < G3)
    thumb &= ~np.isin(notes["onset"], notes["onset"][bass])
    return np.asarray(bass | stand_in | thumb)


def _tie_break(notes: Array) -> tuple[bool, float, int]:
    """Return what makes one voice more of a bass than another that lies alike: smaller is more so."""
    plucked = notes["pluck"][notes["pluck"] > 0]
    thumb = len(plucked) >= FEWEST and bool((plucked == THUMB).mean() > 0.5)
    return not thumb, float(notes["stem"].mean()), -int(notes["voice"][0])


def _lowest_sounding(voice: Array, onsets: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the lowest pitch of a voice's last attack where it still sounds at ``onsets``, else SILENT."""
    starts, first = np.unique(voice["onset"], return_index=True)
    ends = np.maximum.reduceat(voice["onset"] + voice["duration"], first)
    row = np.searchsorted(starts, onsets, "right") - 1
    held = (row >= 0) & (ends[np.maximum(row, 0)] > onsets)
    return np.where(held, voice["pitch"][first][np.maximum(row, 0)], SILENT).astype(np.int64)


def _one_voice(notes: Array) -> Mask:
    """Return which notes (sorted by onset, pitch) of a single written voice are the bass."""
    bass = _by_stem(notes)
    if bass is None:
        bass = _by_register(notes)
    plucked = notes["pluck"] > 0
    thumb = notes["pluck"] == THUMB
    if plucked.all() or (thumb.any() and (plucked & ~thumb).any()):
        bass = np.where(plucked, thumb, bass)
    return np.asarray(bass | (thumb & (notes["pitch"] < G3)))


def _by_stem(notes: Array) -> Mask | None:
    """Return which notes have stems down, or None where stems say nothing about voices."""
    up, down = notes["stem"] > 0, notes["stem"] < 0
    if min(up.mean(), down.mean()) < FEW:
        return None
    if np.median(notes["pitch"][down]) >= np.median(notes["pitch"][up]):
        return None
    return np.asarray(down)


def _by_register(notes: Array) -> Mask:
    """Return which notes are the lowest of their onset, on a wound string, and no arpeggio's next step."""
    bass = _lowest_of_onset(notes) & (notes["pitch"] < G3)
    rows = np.flatnonzero(_lowest_of_onset(notes))
    last_onset, last_pitch = -TICKS_PER_QUARTER, 0
    for here, following in zip(rows, np.append(rows[1:], -1), strict=True):
        onset, pitch = int(notes["onset"][here]), int(notes["pitch"][here])
        rises_on = following >= 0 and int(notes["pitch"][following]) > pitch
        if onset - last_onset < TICKS_PER_QUARTER and pitch - last_pitch >= ARPEGGIO_STEP and rises_on:
            bass[here] = False
        elif bass[here]:
            last_onset, last_pitch = onset, pitch
    return bass


def _only_the_foot_of_chords(notes: Array, bass: Mask) -> Mask:
    """Return ``bass`` without the upper notes of its chords on the treble strings."""
    rows = np.flatnonzero(bass)
    if len(rows) == 0:
        return bass
    foot = np.concatenate(([True], np.diff(notes["onset"][rows]) != 0))
    kept = bass.copy()
    kept[rows] = foot | (notes["pitch"][rows] < G3)
    return kept


def _wide_chords(notes: Array, bass: Mask) -> Mask:
    """Return ``bass`` with the lowest notes of full chords struck while no bass sounds."""
    onsets, first, counts = np.unique(notes["onset"], return_index=True, return_counts=True)
    last = first + counts - 1
    wide = (counts >= 3) & (notes["pitch"][first] < G3)
    wide &= notes["pitch"][last] - notes["pitch"][first] >= WIDE_CHORD
    wide &= ~_covered(onsets, notes[bass])
    found = bass.copy()
    found[first[wide]] = True
    return found


def _lowest_of_onset(notes: Array) -> Mask:
    """Return which notes (sorted by onset, pitch) are the first of their onset."""
    return np.concatenate(([True], np.diff(notes["onset"]) != 0))


def _covered(onsets: NDArray[np.int64], notes: Array) -> Mask:
    """Return which ``onsets`` fall on or within one of ``notes``."""
    if len(notes) == 0:
        return np.zeros(len(onsets), bool)
    order = np.argsort(notes["onset"], kind="stable")
    starts = notes["onset"][order]
    ends = np.maximum.accumulate((notes["onset"] + notes["duration"])[order])
    row = np.searchsorted(starts, onsets, "right") - 1
    return np.asarray((row >= 0) & (ends[np.maximum(row, 0)] > onsets))
