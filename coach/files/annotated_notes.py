"""Strings, frets and fingers written to the notes of a file that lack them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from xml.etree.ElementTree import Element

import numpy as np

from coach.core.score import Array
from coach.core.voices import mark_bass
from coach.files.written import WrittenNote
from coach.files.xml_part import PLUCKS
from coach.files.xml_splice import Splicer
from coach.files.xml_tree import text_of

LETTERS = {number: letter for letter, number in PLUCKS.items()}
LET_RING = '<tied type="let-ring"/>'
_AFTER_NOTATIONS = ("lyric", "play", "listen")
_TRIES = 4


@dataclass(frozen=True, slots=True)
class Hands:
    """How one note is played; zeros (a fret of -1) where it is not known or not to be written."""

    string: int = 0
    fret: int = -1
    finger: int = 0
    pluck: int = 0


def mark_note(splicer: Splicer, note: WrittenNote, hands: Hands | None, let_ring: bool) -> None:
    """Write what ``hands`` says and the note's element lacks, and a let-ring tie if asked for."""
    found = note.element.findall("notations")
    holder = next((inner for outer in found for inner in outer.findall("technical")), None)
    technical = _technical(note, hands) if hands else ""
    if technical and holder is not None:
        splicer.append(holder, technical)
        technical = ""
    content = (LET_RING if let_ring else "") + (f"<technical>{technical}</technical>" if technical else "")
    if not content:
        return
    if found:
        splicer.append(found[0], content)
        return
    notations = f"<notations>{content}</notations>"
    following = next((child for child in note.element if child.tag in _AFTER_NOTATIONS), None)
    if following is not None:
        splicer.before(following, notations)
    else:
        splicer.append(note.element, notations)


def _technical(note: WrittenNote, hands: Hands) -> str:
    """Return the indications that the note, or a tablature beside it, does not have."""
    given = list(note.element.iterfind("notations/technical/*"))
    tags = {mark.tag for mark in given}
    letters = [mark for mark in given if mark.tag == "fingering" and text_of(mark).lower() in PLUCKS]
    fingerings = sum(mark.tag == "fingering" for mark in given) - len(letters)
    fret_given = bool(tags & {"fret", "open-string"})
    out = ""
    if hands.string and not note.string and not tags & {"string", "fret", "open-string"}:
        out = f"<string>{hands.string}</string>" + _fret(hands)
    elif hands.string and note.string == hands.string and note.fret < 0 and not fret_given:
        out = _fret(hands)
    if hands.finger and not note.finger and not fingerings:
        out += f"<fingering>{hands.finger}</fingering>"
    if hands.pluck and not note.pluck and not letters and "pluck" not in tags:
        out += f"<pluck>{LETTERS[hands.pluck]}</pluck>"
    return out


def _fret(hands: Hands) -> str:
    return f"<fret>{hands.fret}</fret>" if hands.fret >= 0 else ""


def safe_plucks(notes: Array, wanted: Mapping[int, int], bass: Array) -> dict[int, int]:
    """Return which plucking fingers can be written so that the bass voice is read as ``bass`` (a mask).

    ``notes`` are the file's own, ``wanted`` a finger by written note.  A reader takes p for a sign of the
    bass, so a finger that would move a note into that voice, or out of it, is left unwritten.
    """
    chosen = dict(wanted)
    for _ in range(_TRIES):
        tried = notes.copy()
        for row in np.flatnonzero(notes["pluck"] == 0):
            tried["pluck"][row] = chosen.get(int(notes["written"][row]), 0)
        strays = np.flatnonzero(mark_bass(tried)["bass"] != bass)
        moved = {int(written) for written in notes["written"][strays]} & set(chosen)
        if not len(strays):
            return chosen
        if not moved:
            break
        for written in moved:
            del chosen[written]
    return {}


def first_child(element: Element, tags: tuple[str, ...]) -> Element | None:
    """Return the first child with one of the ``tags``."""
    return next((child for child in element if child.tag in tags), None)
