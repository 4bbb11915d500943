"""The notes of a Standard MIDI File as a score has them: paired, put on the beat's parts, ended where meant.

A file's times are what its writer made of notated ones: rounded to its ticks, notes often a little
short so that repeated ones are heard.  A written score has neither, and a damping coach must not take
the gap for a rest.  So onsets within half a tick of a part of the beat are that part, and an end that falls
a little short of, or beyond, the next onset is that onset.  Whatever else is changed is counted.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from coach.core.score import TICKS_PER_QUARTER, Bar
from coach.files.smf_bytes import Track

# Parts of a quarter note that are written: to 64th notes and their triplets, then quintuplets, septuplets and
# nonuplets of sixteenths or so.  In doubt the earlier ones.
_PARTS = (48, 20, 28, 36)
_NEAR = TICKS_PER_QUARTER // 192  # a quarter of a 48th: moved that far, with a notice
# Ends commonly stand on these: 32nds and triplet sixteenths.  Such an end is meant.
_END_PARTS = (TICKS_PER_QUARTER // 8, TICKS_PER_QUARTER // 6)
_GAP = 0.12  # of a note's length: exporters commonly play 90 to 99 % of it (from memory)
PERCUSSION = 9  # channel 10 of General MIDI, counted from 0


@dataclass(slots=True)
class Sound:
    """A note-on with its note-off.  ``onset`` and ``end`` in file ticks, then in score ticks."""

    onset: int
    end: int  # -1 where no note-off came
    pitch: int
    track: int
    channel: int  # from 0


def sounds_of(tracks: list[Track], oddities: Counter[str]) -> tuple[list[Sound], int]:
    """Return the notes sorted by onset and the number of note-ons; odd ones are counted by a plain phrase.

    Where a pitch is struck again while it sounds, the first note ends there; note-offs are taken in order.
    """
    found, total = [], 0
    for track in tracks:
        waiting: dict[tuple[int, int], list[Sound]] = defaultdict(list)
        struck: dict[tuple[int, int], list[Sound]] = defaultdict(list)
        for tick, data in track.events:
            kind, channel = data[0] & 0xF0, data[0] & 0x0F
            if kind not in (0x80, 0x90) or len(data) != 3:
                continue
            key = (channel, data[1])
            if kind == 0x90 and data[2]:
                total += 1
                sound = Sound(tick, -1, data[1], track.number, channel)
                if struck[key] and struck[key][-1].onset == tick:
                    oddities["are written twice at one moment: each is kept once"] += 1
                    continue
                waiting[key].append(sound)
                struck[key].append(sound)
                found.append(sound)
            elif waiting[key]:
                waiting[key].pop(0).end = tick
        for sounds in struck.values():
            _part(sounds, oddities)
    found.sort(key=lambda sound: (sound.onset, sound.track, sound.channel, sound.pitch))
    melodic = [sound for sound in found if sound.channel != PERCUSSION]
    if melodic and len(melodic) < len(found):
        oddities["are percussion (channel 10): they are left out"] += len(found) - len(melodic)
        found = melodic
    return found, total


def _part(sounds: list[Sound], oddities: Counter[str]) -> None:
    """End each note of one pitch and channel where the next begins, if it had not ended."""
    last_off = -1
    for sound in sounds:  # a note left hanging because its note-off went to the one it cut short
        if sound.end < 0 and last_off > sound.onset:
            sound.end = last_off
        last_off = max(last_off, sound.end)
    for sound, following in pairwise(sounds):
        if sound.end < 0 or sound.end > following.onset:
            sound.end = following.onset
            oddities["are struck again while they sound: they end there"] += 1


def to_ticks(tick: int, division: int) -> tuple[int, str]:
    """Return a file's tick in score ticks, and if it was ``moved`` to a part of the beat or is ``off`` any.

    The word is empty where the place is exact within half a tick of the file.
    """
    number = tick * TICKS_PER_QUARTER  # score ticks times the division: exact
    best, distance = 0, -1
    for parts in _PARTS:
        step = TICKS_PER_QUARTER // parts
        near = (2 * number + division * step) // (2 * division * step) * step
        away = abs(near * division - number)
        if away == 0:
            return near, ""
        if 2 * away <= TICKS_PER_QUARTER and (distance < 0 or away < distance):
            best, distance = near, away
    if distance >= 0:
        return best, ""
    step = TICKS_PER_QUARTER // _PARTS[0]
    near = (2 * number + division * step) // (2 * division * step) * step
    if abs(near * division - number) <= _NEAR * division:
        return near, "moved"
    return (2 * number + division) // (2 * division), "off"


def place(sounds: list[Sound], division: int, bars: Sequence[Bar], oddities: Counter[str]) -> None:
    """Turn file ticks into score ticks, ends into the written ones where they can be told.

    ``bars`` reach to the last note-on and note-off at least.
    """
    for sound in sounds:
        sound.onset, how = to_ticks(sound.onset, division)
        if how == "moved":
            oddities["are moved a little, to the nearest 48th of a beat"] += 1
        elif how:
            oddities["are on no written part of the beat: they are left as they are"] += 1
    onsets = sorted({sound.onset for sound in sounds})
    starts = [bar.onset for bar in bars]
    lines: dict[tuple[int, int], list[int]] = defaultdict(list)
    for sound in sounds:
        lines[sound.track, sound.channel].append(sound.onset)
    for line in lines.values():
        line.sort()
    for sound in sounds:
        end, how = to_ticks(sound.end, division)
        line = lines[sound.track, sound.channel]
        if sound.end < 0 or end <= sound.onset:
            bar = bars[bisect_right(starts, sound.onset) - 1]
            row = bisect_right(line, sound.onset)
            what = "never end" if sound.end < 0 else "have no length"
            oddities[f"{what}: they are held to the next of their voice or the end of the bar"] += 1
            sound.end = min([bar.end, *line[row : row + 1]])
            continue
        bar = bars[bisect_left(starts, end) - 1]  # an end on a barline belongs to the bar before it
        meant = not how and any((end - bar.onset) % part == 0 for part in _END_PARTS)
        sound.end = end if meant else _meant_end(sound.onset, end, (line, onsets), bar)
        if sound.end > end:
            oddities["are a little short: they are carried on to the next note or beat"] += 1
        elif sound.end < end:
            oddities["are a little long: they are ended at the next note"] += 1


def _meant_end(onset: int, end: int, lines: tuple[list[int], list[int]], bar: Bar) -> int:
    """Return the onset, barline or part of the beat that an end just misses; ``end`` if there is none.

    ``lines`` are the onsets of the note's own track and channel, and those of all notes.
    """
    slack = _GAP * (end - onset)
    for onsets in lines:
        row = bisect_left(onsets, end)
        if row and max(onset, end - 2 * _NEAR) < onsets[row - 1]:
            return onsets[row - 1]
        if row < len(onsets) and onsets[row] - end <= slack:
            return onsets[row]
    for part in (bar.length, TICKS_PER_QUARTER, TICKS_PER_QUARTER // 2, TICKS_PER_QUARTER // 3, *_END_PARTS):
        beyond = (end - bar.onset) % part
        if beyond <= 2 * _NEAR and end - beyond > onset:
            return end - beyond
        if part - beyond <= slack:
            return min(end - beyond + part, bar.end)
    return end
