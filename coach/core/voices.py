"""Which notes are the bass voice.

What is done (common practice of guitar engraving, no source):

*Several voices.*  The bass voice is the one that lies lowest where voices sound together.  Where two lie
alike, the one plucked by the thumb, then the one with stems down, then the later-numbered one is taken.
Where that voice is silent a voice that is not the top one may take over, if it lies nearer to the bass
than to the top voice there.  Inner voices are not bass.

*One voice.*  First the thumb: where p is written on some notes and another finger on others, each note
with a mark follows it.  Then stems, if they tell voices apart: both directions met, and those down lie lower
than those up (with stems drawn by height alone it is the other way round).  Then register: the lowest note
of its onset on a wound string (below G3), unless it is the next step up of an arpeggio on a bass just struck.

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
        bass = _lowest_voice(sounding)
    else:
        bass = _one_voice(sounding)
    bass = _only_the_foot_of_chords(sounding, bass)
    marked["bass"][main] = _wide_chords(sounding, bass)
    return marked


def _lowest_voice(notes: Array) -> Mask:
    """Return which notes (sorted by onset, pitch) belong to the lowest voice."""
    voices = np.unique(notes["voice"])
    shared = _sounds_with_others(notes)
    middle, tie_break = {}, {}
    for voice in voices:
        own = notes["voice"] == voice
        where = own & shared if (own & shared).any() else own
        middle[voice] = float(np.median(notes["pitch"][where]))
        plucked = notes[own & (notes["pluck"] > 0)]
        thumb = len(plucked) > 2 and bool((plucked["pluck"] == THUMB).mean() > 0.5)
        tie_break[voice] = (not thumb, float(notes["stem"][own].mean()), -int(voice))
    lowest = min(middle.values())
    alike = [voice for voice in voices if middle[voice] - lowest <= ALIKE]
    bass_voice = min(alike, key=lambda voice: tie_break[voice])
    top_voice = max(voices, key=lambda voice: (middle[voice], voice != bass_voice))
    bass = notes["voice"] == bass_voice
    silent = ~_covered(notes["onset"], notes[bass])
    border = (middle[bass_voice] + middle[top_voice]) / 2
    stand_in = silent & (notes["voice"] != top_voice) & shared & (notes["pitch"] < border)
    stand_in &= _lowest_of_onset(notes)
    thumb = (notes["pluck"] == THUMB) & (notes["pitch"] < G3)
    thumb &= ~np.isin(notes["onset"], notes["onset"][bass])
    return np.asarray(bass | stand_in | thumb)


def _one_voice(notes: Array) -> Mask:
    """Return which notes (sorted by onset, pitch) of a single written voice are the bass."""
    bass = _by_stem(notes)
    if bass is None:
        bass = _by_register(notes)
    plucked = notes["pluck"] > 0
    thumb = notes["pluck"] == THUMB
    if thumb.any() and (plucked & ~thumb).any():
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


def _sounds_with_others(notes: Array) -> Mask:
    """Return which notes begin while another voice sounds, or are sounding when one begins."""
    shared = np.zeros(len(notes), bool)
    for voice in np.unique(notes["voice"]):
        own = notes["voice"] == voice
        others = notes[~own]
        begins_under = _covered(notes["onset"][own], others)
        starts = np.sort(others["onset"])
        onsets, ends = notes["onset"][own], (notes["onset"] + notes["duration"])[own]
        met = np.searchsorted(starts, ends, "left") > np.searchsorted(starts, onsets, "left")
        shared[own] = begins_under | met
    return shared
