"""Which part and which staff is read, and what a tablature beside the notation adds to it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from coach.files.written import Part, WrittenNote
from coach.files.xml_tree import text_of, whole

_GUITAR = re.compile(
    r"guit|gtr\b|\bgit\.|gitarr|kitar|chitarra|viol[aã]o|\blute\b|vihuela|laúd|ukulele", re.IGNORECASE
)
_OTHER = re.compile(
    r"piano|organ|klavier|clavier|cembalo|harpsichord|harp\b|violin|viol[ae]\b|cell|contrabass|double bass"
    r"|flute|flauto|oboe|clarinet|bassoon|recorder|horn|trumpet|trombone|tuba|sax|voice|vocal|choir|chorus"
    r"|soprano|mezzo|alto|tenor|baritone|cant(o|us|or)|tiple|superius|drum|perc|timpani|marimba|vibraphone"
    r"|xylophone|celesta|banjo|mandolin|bass$|string quartet|accordion|bandoneon|whistle|fiddle|bagpipe",
    re.IGNORECASE,
)
GUITAR_PROGRAMS = range(25, 33)  # General MIDI, counted from 1 as MusicXML does
SAME = 0.8  # share of equal notes that makes a tablature part the twin of a notation part


@dataclass(frozen=True, slots=True)
class Candidate:
    """A part and how much it looks like a guitar's."""

    element: Element
    id: str
    name: str
    guitar: bool  # the file says it is a guitar, or a relative
    other: bool  # the file says it is something else
    tab_only: bool
    notes: int
    rank: int


def candidates(root: Element) -> list[Candidate]:
    """Return the parts of a partwise score, in file order."""
    listed = {entry.get("id", ""): entry for entry in root.iterfind("part-list/score-part")}
    return [_candidate(part, listed.get(part.get("id", ""))) for part in root.findall("part")]


def _candidate(part: Element, entry: Element | None) -> Candidate:
    names = " ".join(
        text_of(entry, path)
        for path in ("part-name", "part-name-display/display-text", "score-instrument/instrument-name")
    ).strip()
    sound = text_of(entry, "score-instrument/instrument-sound")
    program = whole(text_of(entry, "midi-instrument/midi-program")) or 0
    signs = {text_of(sign).upper() for sign in part.iterfind("measure/attributes/clef/sign")}
    changes = part.iterfind("measure/attributes/clef/clef-octave-change")
    octave = any(text_of(change) == "-1" for change in changes)
    notes = sum(1 for _ in part.iterfind("measure/note/pitch"))
    strings = part.find("measure/note/notations/technical/string") is not None or "TAB" in signs
    named = bool(_GUITAR.search(names))
    elsewhere = not named and bool(_OTHER.search(names))
    guitar = named or (not elsewhere and ("guitar" in sound or program in GUITAR_PROGRAMS or strings))
    other = elsewhere or (not guitar and sound != "" and not names)
    rank = 8 * guitar - 8 * other + 4 * strings + 2 * octave
    return Candidate(
        part, part.get("id", ""), text_of(entry, "part-name"), guitar, other, signs == {"TAB"}, notes, rank
    )


def notation_staves(part: Part) -> list[int]:
    """Return the staves that are read as notation: those without tablature, or all if there is no other."""
    used = sorted({note.staff for bar in part.bars for note in bar.notes} or {1})
    plain = [staff for staff in used if staff not in part.tab_staves]
    with_heads = {note.staff for note in part.heads()}
    return plain if with_heads & set(plain) else used


def take_strings(part: Part, tab: Part | None) -> None:
    """Drop tablature staves from ``part`` where it has notation, giving its notes their strings and frets.

    ``tab``: a tablature part that writes the same notes, if there is one.
    """
    staves = set(notation_staves(part))
    dropped = [n for bar in part.bars for n in bar.notes if n.staff not in staves]
    if dropped:
        for bar in part.bars:
            bar.notes = [note for note in bar.notes if note.staff in staves]
        _match(part.heads(), [note for note in dropped if not note.rest and not note.silent])
    if tab is not None:
        _match(part.heads(), tab.heads())
        part.tuning_lines = part.tuning_lines or tab.tuning_lines
        part.accords = part.accords or tab.accords
        part.lines = part.lines or tab.lines
        part.capo = part.capo or tab.capo


def same_music(part: Part, tab: Part) -> bool:
    """Return whether a tablature part writes (nearly) the same notes as ``part``, in any octave."""
    ours = {(note.bar, note.onset, note.pitch % 12) for note in part.heads()}
    theirs = {(note.bar, note.onset, note.pitch % 12) for note in tab.heads()}
    return bool(ours) and bool(theirs) and len(ours & theirs) >= SAME * max(len(ours), len(theirs))


def _match(notation: list[WrittenNote], tab: list[WrittenNote]) -> None:
    """Give each notation note the string, fret and plucking finger of the tablature note at its place."""
    exact: dict[tuple[int, int, int], list[WrittenNote]] = {}
    for note in tab:
        exact.setdefault((note.bar, note.onset, note.pitch), []).append(note)
    for note in notation:
        for octave in (0, 12, -12):
            twins = exact.get((note.bar, note.onset, note.pitch + octave))
            if twins:
                twin = twins.pop(0)
                if note.string == 0 and twin.string:
                    note.string, note.fret = twin.string, twin.fret
                note.finger = note.finger or twin.finger
                note.pluck = note.pluck or twin.pluck
                note.let_ring |= twin.let_ring
                break
