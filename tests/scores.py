"""Small scores written down by hand, for tests.

``piece("4/4", "A2 1, D3 1, - 2")`` is one voice of basses; lengths are in quarter notes, ``-`` is a rest.
A second line of notes is the melody.  ``@5`` names a string, ``~`` a let-ring tie, ``^`` a fermata.
"""

from fractions import Fraction

import numpy as np

from coach.core.pitch import STANDARD, Tuning, parse_name
from coach.core.score import NOTE, TEMPO, TICKS_PER_QUARTER, Bar, DampMark, Score, make_score


def voice(line: str, number: int, *, bass: bool, tuning: Tuning, start: int = 0) -> list[tuple]:
    rows, at = [], start
    for item in filter(None, (part.strip() for part in line.split(","))):
        pitch_text, length_text = item.split()
        length = int(Fraction(length_text) * TICKS_PER_QUARTER)
        if pitch_text != "-":
            let_ring, fermata = "~" in pitch_text, "^" in pitch_text
            pitch_text = pitch_text.replace("~", "").replace("^", "")
            for one in pitch_text.split("+"):
                name, _, string = one.partition("@")
                pitch = parse_name(name)
                places = tuning.positions(pitch)
                on = int(string) if string else next((s for s, f in places if f <= 4), places[0][0])
                fret = tuning.fret(on, pitch)
                assert fret is not None
                rows.append(
                    (at, length, pitch, on, fret, 0, 0, number, 0, bass, let_ring, fermata, False, 0, 0)
                )
        at += length
    return rows


def piece(
    meter: str,
    bass: str,
    melody: str = "",
    *,
    qpm: float = 60.0,
    pickup: str = "0",
    tuning: Tuning = STANDARD,
    damps: tuple[DampMark, ...] = (),
) -> Score:
    """Return a score; ``pickup`` is the length of a first, incomplete bar in quarter notes."""
    beats, unit = (int(part) for part in meter.split("/"))
    rows = voice(bass, 2, bass=True, tuning=tuning) + voice(melody, 1, bass=False, tuning=tuning)
    notes = np.array(rows, NOTE)
    notes["written"] = np.arange(len(notes))
    end = int((notes["onset"] + notes["duration"]).max()) if len(notes) else 0
    bars, at, number = [], 0, 1
    lead = int(Fraction(pickup) * TICKS_PER_QUARTER)
    if lead:
        bars.append(Bar(0, 0, lead, beats, unit, 0, 0))
        at = lead
    full = beats * 4 * TICKS_PER_QUARTER // unit
    while at < end or not bars:
        bars.append(Bar(number, at, full, beats, unit, 0, len(bars)))
        at += full
        number += 1
    ids = tuple(f"n{i}" for i in range(len(notes)))
    tempo = np.array([(0, qpm)], TEMPO)
    return make_score(notes, tuple(bars), tuning=tuning, tempo=tempo, tempo_given=True, ids=ids, damps=damps)


Q = TICKS_PER_QUARTER
