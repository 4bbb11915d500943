"""Notes that no string can play: which, why, and what would help."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from coach.core.pitch import HIGHEST_FRET, name
from coach.core.score import Score

LOWERED = {40: (38, 36), 45: (43,)}  # usual scordatura of strings 6 and 5: D2 or C2, G2 (common practice)


class Why(Enum):
    """Why a note has no place."""

    TOO_LOW = "too-low"
    TOO_HIGH = "too-high"
    NO_STRING = "no-string"  # every string that has it plays another note of the same moment
    NO_REACH = "no-reach"  # no left hand holds it together with the rest of its chord
    GIVEN = "given"  # the string or fret that the score names does not exist or has no such note


@dataclass(frozen=True, slots=True)
class Impossible:
    """One note without a place: it is followed, its string is not known."""

    row: int  # in Score.notes
    why: Why
    other: int = -1  # row of the note that has the string it needs, where there is one
    string: int = 0  # the string that is named or contended for; 0 where none is
    fret: int = -1  # the fret that is named


def sentence(score: Score, found: Impossible) -> str:
    """Return the fault in one line: where, what, and a remedy."""
    note = score.notes[found.row]
    bar = score.bars[int(note["bar"])] if score.bars else None
    place = ""
    if bar is not None:
        place = f"bar {bar.number}, beat {_beat(score.beat(int(note['onset']), int(note['bar'])))}: "
    fifths = bar.fifths if bar is not None else 0
    tone = name(int(note["pitch"]), fifths)
    tuning = score.tuning
    lowest = min(tuning.open_pitches) + tuning.capo
    match found.why:
        case Why.TOO_LOW:
            what = f"{tone} lies below the lowest string ({name(lowest, fifths)}) in this tuning"
            remedy = _lower(score, int(note["pitch"]), fifths)
        case Why.TOO_HIGH:
            frets = HIGHEST_FRET - tuning.capo
            above = " above the capo" if tuning.capo else ""
            what = f"{tone} lies above the last fret ({frets}{above}) of every string"
            remedy = "play it an octave lower, or as a harmonic"
        case Why.NO_STRING:
            other = name(int(score.notes["pitch"][found.other]), fifths) if found.other >= 0 else "the others"
            what = f"{tone} has no string left: string {found.string} plays {other}"
            remedy = "leave one of the two out, or play them one after the other"
        case Why.NO_REACH:
            what = f"{tone} is out of the hand's reach with the rest of its chord"
            remedy = "leave it out, or spread the chord"
        case Why.GIVEN:
            at = f"string {found.string}" if found.string else f"fret {found.fret}"
            if found.string and found.fret >= 0:
                at += f", fret {found.fret}"
            what = f"{tone} is not to be had at {at}, as the score says"
            remedy = "correct the score, or give the tuning it is meant for"
    return f"{place}{what}; {remedy}"


def _lower(score: Score, pitch: int, fifths: int) -> str:
    """Return a tuning that would hold a note below the lowest string."""
    opens = score.tuning.open_pitches
    low = min(opens)
    string = opens.index(low) + 1
    for target in LOWERED.get(low, ()):
        if target + score.tuning.capo <= pitch:
            return f"tune string {string} down to {name(target, fifths)}"
    if score.tuning.capo and low <= pitch:
        return "take the capo off"
    return "play it an octave higher"


def _beat(beat: float) -> str:
    return f"{beat:.2f}".rstrip("0").rstrip(".")
