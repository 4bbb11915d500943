"""A track as MIDI messages for a synthesizer: one channel a string, and the click on the percussion channel.

Pitches are rounded to whole semitones.  A string sounds one note: the next on it ends it.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from coach.core.sounding import BAR_ACCENT, BEAT_ACCENT, SUBDIVISION, Tone, Track

# General MIDI level 1 (from memory): percussion is channel 10; 37 side stick, 42 closed hi-hat.
PERCUSSION = 9  # counted from 0
STICK, HAT = 37, 42
CLICKS = {BAR_ACCENT: (STICK, 112), BEAT_ACCENT: (STICK, 84), SUBDIVISION: (HAT, 56)}  # loudness: own figures
CLICK_S = 0.05  # percussion does not mind when it ends (own figure)
UNKNOWN_STRING = 15  # the channel, counted from 0, of tones whose string is not known


@dataclass(frozen=True, slots=True)
class Row:
    """One message and its time in seconds from the track's beginning."""

    at_s: float
    data: bytes


def channel_of(string: int) -> int:
    """Return a string's channel, counted from 0: strings 1 to 9 on the first nine, 10 on the eleventh."""
    if not 1 <= string <= 14:
        return UNKNOWN_STRING
    return string - 1 if string <= PERCUSSION else string


def round_of(track: Track, number: int) -> list[Row]:
    """Return the messages of a track's round (from 0) in order of time; of equal times note-offs first.

    What rings over the end of the round is ended in time by a row of this one (a synthesizer's string needs
    no warning), so a round's last rows may lie at the beginning of the next: with a period they are cut to
    its end.  Each time is reckoned from the track's beginning by itself, so that no error adds up.
    """
    begin_s = number * (track.period_s or 0.0)
    length_s = track.length_s if track.period_s is None else track.period_s
    rows: list[tuple[float, int, bytes]] = []
    strings: dict[int, list[Tone]] = defaultdict(list)
    for tone in track.tones:
        strings[channel_of(tone.string)].append(tone)
    for channel, tones in strings.items():
        tones.sort(key=lambda tone: tone.start_s)
        for at, tone in enumerate(tones):
            note = min(max(round(tone.pitch), 0), 127)
            ends_s = [length_s]
            if tone.stop_s is not None:
                ends_s.append(tone.stop_s)
            if channel != UNKNOWN_STRING and at + 1 < len(tones):
                ends_s.append(tones[at + 1].start_s)
            if min(ends_s) <= tone.start_s:
                continue
            velocity = min(max(tone.velocity, 1), 127)
            rows.append((begin_s + tone.start_s, 1, bytes((0x90 | channel, note, velocity))))
            rows.append((begin_s + min(ends_s), 0, bytes((0x80 | channel, note, 0))))
    for tick in track.ticks:
        if tick.start_s < length_s:
            note, velocity = CLICKS[tick.accent]
            end_s = min(tick.start_s + CLICK_S, length_s)
            rows.append((begin_s + tick.start_s, 1, bytes((0x90 | PERCUSSION, note, velocity))))
            rows.append((begin_s + end_s, 0, bytes((0x80 | PERCUSSION, note, 0))))
    return [Row(at_s, data) for at_s, _order, data in sorted(rows)]
