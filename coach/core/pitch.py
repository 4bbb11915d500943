"""Pitches, tunings and places on the fingerboard.

Pitches are *sounding* MIDI numbers (60 is middle C, MIDI 1.0 specification p. 10; A4 = 69 = 440 Hz,
ISO 16).  Guitar music is written an octave above its sound.  Strings count from 1, the highest-pitched,
as in MusicXML ``technical/string``; string 6 of a standard guitar is the low E.
"""

from __future__ import annotations

from dataclasses import dataclass

STEPS = "CDEFGAB"
STEP_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
SHARP_NAMES = ("C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B")
FLAT_NAMES = ("C", "D♭", "D", "E♭", "E", "F", "G♭", "G", "A♭", "A", "B♭", "B")
HIGHEST_FRET = 20  # classical guitars have 19 or 20 frets


@dataclass(frozen=True, slots=True)
class Tuning:
    """Open strings as sounding MIDI pitches, string 1 first, before the capo is put on."""

    open_pitches: tuple[int, ...] = (64, 59, 55, 50, 45, 40)
    capo: int = 0

    @property
    def strings(self) -> int:
        """Number of strings."""
        return len(self.open_pitches)

    def open_pitch(self, string: int) -> int:
        """Return the sounding pitch of an open string, capo included."""
        return self.open_pitches[string - 1] + self.capo

    def pitch(self, string: int, fret: int) -> int:
        """Return the sounding pitch of ``string`` stopped at ``fret`` (counted from the capo)."""
        return self.open_pitch(string) + fret

    def fret(self, string: int, pitch: int) -> int | None:
        """Return the fret that gives ``pitch`` on ``string``, or None where the string has no such note."""
        fret = pitch - self.open_pitch(string)
        return fret if 0 <= fret <= HIGHEST_FRET - self.capo else None

    def positions(self, pitch: int) -> list[tuple[int, int]]:
        """Return every (string, fret) for a pitch, highest-pitched string first."""
        found = ((string, self.fret(string, pitch)) for string in range(1, self.strings + 1))
        return [(string, fret) for string, fret in found if fret is not None]

    def rank(self, string: int) -> int:
        """Return how many strings are tuned lower than ``string``: 0 for the lowest-sounding."""
        return sum(other < self.open_pitches[string - 1] for other in self.open_pitches)


STANDARD = Tuning()


def frequency(pitch: float) -> float:
    """Return the frequency in Hz of a MIDI pitch in equal temperament on A4 = 440 Hz (ISO 16:1975)."""
    return float(440.0 * 2.0 ** ((pitch - 69) / 12))


def name(pitch: int, fifths: int = 0, octave: bool = True) -> str:
    """Return a sounding pitch's name, with sharps or flats as the key signature leans."""
    names = FLAT_NAMES if fifths < 0 else SHARP_NAMES
    return f"{names[pitch % 12]}{pitch // 12 - 1}" if octave else names[pitch % 12]


def parse_name(text: str) -> int:
    """Return the MIDI pitch of a name such as ``E2``, ``Bb3``, ``F♯4``.

    Raises ValueError when the text is no such name.
    """
    body = text.strip().replace("♯", "#").replace("♭", "b")
    step, rest = body[:1].upper(), body[1:]
    alter = 0
    while rest[:1] in ("#", "b"):
        alter += 1 if rest[0] == "#" else -1
        rest = rest[1:]
    if step not in STEP_SEMITONES or not rest.lstrip("-").isdecimal():
        raise ValueError(f"{text!r} is no pitch name")
    return STEP_SEMITONES[step] + alter + 12 * (int(rest) + 1)
