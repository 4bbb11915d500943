"""How the strings are tuned, and in which octave the pitches are written.

Sounding pitch = written pitch + ``transpose``, as MusicXML says; a clef with an octave sign changes only
where a note is drawn.  What the file leaves unsaid is inferred, each time with a notice: the octave from
strings and frets, else from the range; the tuning from words, from strings and frets, or from notes below E2.
"""

from __future__ import annotations

from collections import Counter

from coach.core.pitch import STANDARD, Tuning, name
from coach.files.written import Notices, Part, WrittenNote

OCTAVE = 12
LOWEST_E, LOW_D = 40, 38
MANY = 0.6  # share of the notes with string and fret that must agree before they overrule the pitches
FEWEST = 3  # notes with string and fret that are evidence at all
FARTHEST = 5  # semitones that a string is tuned away from its usual pitch
EXTRA_STRINGS = (38, 36, 35, 33, 31, 29)  # D2 C2 B1 A1 G1 F1: a usual order of strings 7 to 12


def settle_pitches(part: Part, notices: Notices, other_instrument: bool) -> Tuning:
    """Bring the part's pitches to sounding pitch, and return the tuning.

    ``other_instrument``: the file says the part is for something other than a guitar, whose range is no
    reason to move it.  Strings that cannot hold their note are taken off it.
    """
    heads = part.heads()
    said = _said_tuning(part, notices)
    tuning = said or Tuning(STANDARD.open_pitches, part.capo)
    shift = _octave(part, heads, tuning, notices, other_instrument)
    if shift:
        for bar in part.bars:
            for note in bar.notes:
                if not note.rest:
                    note.pitch += shift
    if said is None:
        tuning = _inferred_tuning(heads, part.capo, notices)
    _check_strings(part, heads, tuning, notices)
    return tuning


def _said_tuning(part: Part, notices: Notices) -> Tuning | None:
    """Return the tuning that the file states, or None."""
    if not (part.tuning_lines or part.accords or part.worded or part.lines > 6):
        return None
    opens = dict(enumerate(STANDARD.open_pitches + EXTRA_STRINGS, 1))
    lines = part.tuning_lines
    if lines and min(lines.values()) >= 50 and len(lines) >= 6:  # stated an octave up, as written
        lines = {string: pitch - OCTAVE for string, pitch in lines.items()}
    opens.update(lines)
    opens.update(part.accords)
    if not lines and not part.accords:
        for string, step in part.worded.items():
            if 1 <= string <= 6:
                usual = opens[string]
                opens[string] = usual + (step - usual + 6) % OCTAVE - 6
                notices.add(f"String {string} is tuned to {name(opens[string])}, from the words in the score")
    strings = max(part.lines or 6, *part.accords, *lines, 1)
    return Tuning(tuple(opens[string] for string in range(1, strings + 1)), part.capo)


def _octave(
    part: Part, heads: list[WrittenNote], tuning: Tuning, notices: Notices, other_instrument: bool
) -> int:
    """Return the semitones to add to every pitch so that it sounds where the strings can play it."""
    placed = [n for n in heads if n.string and n.fret >= 0 and n.string <= tuning.strings]
    if len(placed) >= min(FEWEST, len(heads)) and placed:
        gaps = Counter(n.pitch - tuning.pitch(n.string, n.fret) for n in placed)
        gap, count = gaps.most_common(1)[0]
        if count < MANY * len(placed):
            return 0
        if gap in (OCTAVE, -OCTAVE):
            way = "lower" if gap > 0 else "higher"
            notices.add(f"Strings and frets put the notes an octave {way}: they are read so")
            return -gap
        if tuning.capo and gap in (-tuning.capo, OCTAVE - tuning.capo):
            notices.add("Pitches are written without the capo: they are read with it")
            return -gap
        return 0
    if not heads:
        return 0
    low = min(note.pitch for note in heads)
    lowest = min(tuning.open_pitches) + tuning.capo
    if part.octave_said:
        if part.transposed == -OCTAVE and low < lowest - 2 and low + OCTAVE >= lowest - 2:
            notices.add("Transposed down an octave no string could play it: pitches are read as sounding")
            return OCTAVE
        return 0
    if not other_instrument and part.plain_treble and low >= lowest + OCTAVE:
        notices.add("No octave clef or transposition is given: read an octave lower, as guitars sound")
        return -OCTAVE
    return 0


def _inferred_tuning(heads: list[WrittenNote], capo: int, notices: Notices) -> Tuning:
    """Return the standard tuning, changed where strings with frets, or low notes, say otherwise."""
    opens = list(STANDARD.open_pitches)
    low = min((note.pitch for note in heads), default=LOWEST_E)
    for string in range(1, 7):
        found = Counter(n.pitch - n.fret - capo for n in heads if n.string == string and n.fret >= 0)
        if not found:
            continue
        pitch, count = found.most_common(1)[0]
        changed = 0 < abs(pitch - opens[string - 1]) <= FARTHEST
        if changed and count >= MANY * found.total():
            opens[string - 1] = pitch
            notices.add(f"String {string} is tuned to {name(pitch)}, from the frets in the score")
    if LOW_D <= low < LOWEST_E and opens[5] == LOWEST_E:
        opens[5] = LOW_D
        notices.add("String 6 is read as tuned to D2, from the notes below E2")
    return Tuning(tuple(opens), capo)


def _check_strings(part: Part, heads: list[WrittenNote], tuning: Tuning, notices: Notices) -> None:
    """Take impossible string numbers off, and tell of notes that no string reaches."""
    lowest = min(tuning.open_pitches) + tuning.capo
    opens = [pitch + tuning.capo for pitch in tuning.open_pitches]
    for note in heads:
        token = part.bars[note.bar].token
        if note.string == 0 and note.fret == 0 and note.pitch in opens:  # marked as an open string
            note.string = opens.index(note.pitch) + 1
        if note.string == 0:
            note.fret = -1
        if note.string and (note.string > tuning.strings or tuning.fret(note.string, note.pitch) is None):
            notices.add("A string number that cannot play its note is passed over", token)
            note.string, note.fret = 0, -1
        elif note.pitch < lowest:
            notices.add("A note lies below the lowest string", token)
