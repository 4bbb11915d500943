"""A score from a Standard MIDI File of type 0 or 1.

What a file of sounds leaves out is settled so: bars come from its time signatures (4/4 without one,
RP-001 p. 5), a first time signature that holds for one short bar makes that bar a pickup, voices are its
tracks, or in a single track its channels, and a single voice is parted into bass and melody as in any score.
Six channels that hold what the six strings can play, one note at a time, are the strings.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_right
from collections import Counter, defaultdict
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from coach.core.errors import ScoreError, one_line
from coach.core.pitch import HIGHEST_FRET, STANDARD, Tuning
from coach.core.score import NOTE, TEMPO, TICKS_PER_QUARTER, Array, Bar, make_score
from coach.core.voices import mark_bass
from coach.files import plain_xml, smf_bytes
from coach.files.score_file import ScoreFile
from coach.files.smf_bytes import SCORE_LIMITS, Smf, TempoMap
from coach.files.smf_notes import Sound, place, sounds_of, to_ticks
from coach.files.take import read_raw_take

__all__ = ["read_raw_take", "read_smf_score"]

MOST_BARS = 10_000
_MOST_VOICES = 100
_GREATEST_FIGURE = 64  # of a time signature
_SLOWEST, _FASTEST = 5.0, 1000.0  # quarters a minute: beyond them a tempo is a slip
_BASES = (0, 10)  # channels (from 0) of string 1: the two ways a six-string converter is commonly set


def read_smf_score(path: Path | str) -> ScoreFile:
    """Return the score in a file, in which everything that had to be guessed or mended has a notice.

    Raises ScoreError, one line, when the file cannot be read as a score.
    """
    path = Path(path)
    where = str(path)
    data = smf_bytes.read_bytes(path, SCORE_LIMITS, ScoreError)
    smf = smf_bytes.parse_smf(data, where, SCORE_LIMITS, ScoreError)
    if smf.fault is not None:
        raise smf.fault
    oddities: Counter[str] = Counter()
    sounds, total = sounds_of(smf.tracks, oddities)
    if not sounds:
        raise ScoreError(where, "it has no notes", "choose a file with a part for guitar")
    fifths, mode, notices = _keys(smf)
    last_on = to_ticks(max(sound.onset for sound in sounds), smf.division)[0]
    last_off = to_ticks(max(sound.end for sound in sounds), smf.division)[0]
    bars = _bars(smf, max(last_on + 1, last_off), fifths, where)
    place(sounds, smf.division, bars, oddities)
    last = max(sound.end for sound in sounds)  # a last note a little long may have asked for one bar more
    bars = tuple(bar for bar in bars if bar.onset < last)
    notices = _lower(sounds) + notices
    if bars[0].lead:
        notices.append("The first bar is shorter by its own time signature: it is counted as a pickup, bar 0")

    strings, tuning = _strings(sounds)
    voices = [1] * len(sounds) if strings else _voices(sounds)
    notes = np.zeros(len(sounds), NOTE)
    for row, sound in enumerate(sounds):
        string = strings.get(sound.channel, 0)
        notes[row]["onset"], notes[row]["duration"] = sound.onset, sound.end - sound.onset
        notes[row]["pitch"], notes[row]["voice"] = sound.pitch, voices[row]
        notes[row]["string"] = string
        notes[row]["fret"] = sound.pitch - tuning.open_pitch(string) if string else -1
        notes[row]["written"] = row
    if strings:
        order = ", ".join(f"{channel + 1}" for channel in sorted(strings, key=lambda c: strings[c]))
        names = ", ".join(map(str, sorted(strings.values())))
        notices.append(f"Channels {order} are taken as strings {names}")
    if tuning != STANDARD:
        notices.append("The music goes below E, so the sixth string is taken as tuned to D")
    outside = sum(not tuning.positions(sound.pitch) for sound in sounds)
    if outside:
        notices.append(f"{outside} of its {len(sounds)} notes are on no string of a guitar in this tuning")
    notices += [f"{count} of its {total} notes {what}" for what, count in oddities.items()]
    tempo, tempo_given, left_out = _tempo(smf)
    if left_out:
        notices.append(f"Tempo marks below {_SLOWEST:g} or above {_FASTEST:g} are left out: {left_out}")
    score = make_score(
        mark_bass(notes),
        bars,
        title=_title(smf) or one_line(path.stem),
        digest=hashlib.sha256(data).hexdigest(),
        tuning=tuning,
        tempo=tempo,
        tempo_given=tempo_given,
        mode=mode,
        ids=tuple(f"n{row + 1}" for row in range(len(sounds))),
        bar_ids=tuple(f"b{row + 1}" for row in range(len(bars))),
    )
    xml, anchor_ids, anchors = plain_xml.lay_out(score)
    anchors.flags.writeable = False
    score = replace(score, anchor_ids=anchor_ids, anchors=anchors)
    return ScoreFile(score, xml, tuple(notices))


def _metas(smf: Smf, kind: int, size: int) -> list[tuple[int, bytes]]:
    """Return (score tick, payload) of one kind of meta in order of time."""
    found = [(m[0], m[2]) for track in smf.tracks for m in track.metas if m[1] == kind and len(m[2]) >= size]
    found.sort(key=lambda m: m[0])
    return [(to_ticks(tick, smf.division)[0], payload) for tick, payload in found]


def _title(smf: Smf) -> str:
    """Return the name of the sequence: that of the first track (RP-001 p. 8)."""
    names = [m[2] for m in smf.tracks[0].metas if m[1] == smf_bytes.TRACK_NAME]
    return one_line(names[0][:200].decode("utf-8", "replace")).strip() if names else ""


def _keys(smf: Smf) -> tuple[list[tuple[int, int]], str, list[str]]:
    """Return key signatures as (tick, fifths), the first one's mode, and notices."""
    keys, mode, notices = [], "", []
    for tick, payload in _metas(smf, smf_bytes.KEY, 2):
        fifths = payload[0] - 256 if payload[0] > 127 else payload[0]
        if abs(fifths) > 7 or payload[1] > 1:
            notices.append(f"A key signature of {fifths} sharps or flats is left out")
            continue
        mode = mode or ("major", "minor")[payload[1]]
        keys.append((tick, fifths))
    return keys, mode, notices[:1]


def _tempo(smf: Smf) -> tuple[Array, bool, int]:
    """Return rows of TEMPO from tick 0, whether the file gives any, and how many were left out."""
    tempo, left_out = TempoMap(smf), 0
    rows: dict[int, float] = {0: 60e6 / smf_bytes.DEFAULT_TEMPO_US}
    for tick, tempo_us in tempo.changes:
        qpm = 60e6 / tempo_us
        if _SLOWEST <= qpm <= _FASTEST:
            rows[to_ticks(tick, smf.division)[0]] = qpm
        else:
            left_out += 1
    return np.array(sorted(rows.items()), TEMPO), tempo.given, left_out


def _bars(smf: Smf, last: int, keys: list[tuple[int, int]], where: str) -> tuple[Bar, ...]:
    """Return bars from tick 0 up to the one that holds ``last``; raises ScoreError for impossible ones."""
    meters = [(0, 4, 4)]
    for tick, payload in _metas(smf, smf_bytes.METER, 2):
        beats, unit = payload[0], 1 << min(payload[1], 31)
        if not 1 <= beats <= _GREATEST_FIGURE or unit > _GREATEST_FIGURE:
            text = f"{beats}/2^{payload[1]}" if unit > 1 << 16 else f"{beats}/{unit}"
            raise ScoreError(where, f"a time signature of {text}", "correct it and export the file again")
        if tick == meters[-1][0]:
            meters[-1] = (tick, beats, unit)
        elif (beats, unit) != meters[-1][1:]:
            meters.append((tick, beats, unit))
    spans: list[tuple[int, int, int, int]] = []  # onset, length, beats, unit
    stops = [tick for tick, _, _ in meters[1:]] + [last]
    for (onset, beats, unit), stop in zip(meters, stops, strict=True):
        full = beats * 4 * TICKS_PER_QUARTER // unit
        while onset < min(stop, last):
            if len(spans) == MOST_BARS:
                raise ScoreError(where, f"it has more than {MOST_BARS} bars", "give a shorter piece")
            length = full if stop == last else min(full, stop - onset)
            spans.append((onset, length, beats, unit))
            onset += length
    pickup = 0
    if len(spans) > 1 and spans[1][0] == meters[1 % len(meters)][0]:  # the first meter holds for one bar
        _, _, beats, unit = spans[1]
        if spans[0][1] < beats * 4 * TICKS_PER_QUARTER // unit:
            spans[0], pickup = (0, spans[0][1], beats, unit), 1
    starts = [tick for tick, _ in keys]
    bars = []
    for row, (onset, length, beats, unit) in enumerate(spans):
        key = bisect_right(starts, onset) - 1
        fifths = keys[key][1] if key >= 0 else 0
        lead = beats * 4 * TICKS_PER_QUARTER // unit - length if row < pickup else 0
        bars.append(Bar(row + 1 - pickup, onset, length, beats, unit, fifths, row, lead=lead))
    return tuple(bars)


def _lower(sounds: list[Sound]) -> list[str]:
    """Take a part written an octave above its sound down to where the strings are; return the notice."""
    pitches = [sound.pitch for sound in sounds]
    dropped = STANDARD.open_pitches[-1] - 2
    if max(pitches) <= STANDARD.open_pitches[0] + HIGHEST_FRET or min(pitches) - 12 < dropped:
        return []
    for sound in sounds:
        sound.pitch -= 12
    return ["The music lies too high for the strings, and is taken an octave lower"]


def _voices(sounds: list[Sound]) -> list[int]:
    """Return the voice of each note, 1 the highest: its track, or its channel where one track has all."""
    by_track = len({sound.track for sound in sounds}) > 1
    lines = [sound.track if by_track else sound.channel for sound in sounds]
    pitches: dict[int, list[int]] = defaultdict(list)
    for line, sound in zip(lines, sounds, strict=True):
        pitches[line].append(sound.pitch)
    order = sorted(pitches, key=lambda line: -sum(pitches[line]) / len(pitches[line]))
    voice = {line: min(row + 1, _MOST_VOICES) for row, line in enumerate(order)}
    return [voice[line] for line in lines]


def _strings(sounds: list[Sound]) -> tuple[dict[int, int], Tuning]:
    """Return which channel is which string, where that is clearly what channels are, and the tuning.

    Clearly: four channels or more of the six, a bass string among them, each one note at a time, all
    within its string's range, and each string lower on average than the one before.
    """
    low = min(sound.pitch for sound in sounds)
    tuning = STANDARD
    if STANDARD.open_pitches[-1] - 2 <= low < STANDARD.open_pitches[-1]:
        tuning = Tuning((*STANDARD.open_pitches[:-1], STANDARD.open_pitches[-1] - 2))
    by_channel: dict[int, list[Sound]] = defaultdict(list)
    for sound in sounds:
        by_channel[sound.channel].append(sound)
    for base in _BASES:
        if len(by_channel) < 4 or not all(base <= channel < base + 6 for channel in by_channel):
            continue
        for strings in (
            {channel: channel - base + 1 for channel in by_channel},
            {channel: base + 6 - channel for channel in by_channel},
        ):
            if max(strings.values()) >= 5 and _fit(by_channel, strings, tuning):
                return strings, tuning
    return {}, tuning


def _fit(by_channel: dict[int, list[Sound]], strings: dict[int, int], tuning: Tuning) -> bool:
    """Tell whether each channel's notes can be played on its string, one at a time."""
    means = []
    for channel in sorted(by_channel, key=lambda c: strings[c]):
        sounds = by_channel[channel]
        if any(tuning.fret(strings[channel], sound.pitch) is None for sound in sounds):
            return False
        overlap = TICKS_PER_QUARTER // 16
        if any(following.onset < sound.end - overlap for sound, following in pairwise(sounds)):
            return False
        means.append(sum(sound.pitch for sound in sounds) / len(sounds))
    return means == sorted(means, reverse=True)
