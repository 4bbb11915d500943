"""The corpus of music21 as our own scores, for comparisons (music21 comes with the test extra).

``FILES``: the twenty chorales whose harmony people have analysed in the corpus (RomanText files by Jones,
Tymoczko and Robb, numbered after Riemenschneider), by number.
"""

from fractions import Fraction
from functools import cache

import numpy as np

from coach.core.score import NOTE, TICKS_PER_QUARTER, Bar, make_score
from coach.core.spelling import LINE, Key

FILES = (
    "269", "347", "153.1", "86.6", "267", "281", "17.7", "40.8", "248.12-2", "38.6", "41.6", "65.2", "33.6",
    "184.5", "277", "311", "145.5", "318", "351", "302",
)  # fmt: skip


@cache
def stream_of(number):
    """Return a chorale, by its place in FILES counted from 1."""
    from music21 import corpus

    return corpus.parse(f"bach/bwv{FILES[number - 1]}")


@cache
def analysis_of(number):
    """Return people's analysis of a chorale, a stream of Roman numerals."""
    from music21 import corpus

    return corpus.parse(f"bach/choraleAnalyses/riemenschneider{number:03d}")


def ticks(quarters):
    return int(Fraction(quarters).limit_denominator(96) * TICKS_PER_QUARTER)


def score_of(stream, mode=""):
    """Return a music21 score in the written order, without repeats: the last part is the bass."""
    parts = list(stream.parts)
    rows = []
    for number, part in enumerate(parts, 1):
        for note in part.flatten().stripTies().notes:
            for pitch in note.pitches:
                at, length = ticks(note.offset), ticks(note.quarterLength)
                bass = number == len(parts)
                rows.append(
                    (at, length, pitch.midi, 0, -1, 0, 0, number, 0, bass, False, False, length == 0, 0, 0)
                )
    notes = np.array(rows, NOTE)
    notes["written"] = np.arange(len(notes))
    fifths = key_signature(stream)
    bars, meter = [], None
    for index, measure in enumerate(parts[0].getElementsByClass("Measure")):
        meter = measure.timeSignature or meter
        length = ticks(measure.highestTime)
        full = ticks(meter.barDuration.quarterLength)
        lead = full - length if index == 0 or measure.paddingLeft else 0
        onset = bars[-1].end if bars else 0
        bar = Bar(measure.number, onset, length, meter.numerator, meter.denominator, fifths, index, 1, lead)
        bars.append(bar)
    return make_score(notes, tuple(bars), mode=mode)


def key_signature(stream):
    found = stream.recurse().getElementsByClass("KeySignature").first()
    return found.sharps if found else 0


def place_of(pitch):
    """Return a music21 pitch's place on the line of fifths."""
    return LINE.index(pitch.step) - 1 + 7 * int(pitch.alter)


def key_of_music21(key):
    return Key(place_of(key.tonic), key.mode == "minor")


def key_in_music21(key):
    from music21 import key as keys
    from music21 import pitch

    sign = key.name.split()[0].replace("♯", "#").replace("♭", "-")
    return keys.Key(pitch.Pitch(sign), "minor" if key.minor else "major")


def classes(pitches):
    return np.bincount([p.pitchClass for p in pitches], minlength=12).astype(float)


def numerals_of(number):
    """Yield the Roman numerals of people's analysis, in order."""
    yield from analysis_of(number).recurse().getElementsByClass("RomanNumeral")
