"""Accidentals and beams for files that write none at all (converters from other formats often do not).

A file that has a single accidental, or a single beam, of its own is left as it is.
"""

from __future__ import annotations

from coach.core.pitch import STEPS
from coach.core.score import TICKS_PER_QUARTER
from coach.files.written import Part, WrittenBar, WrittenNote
from coach.files.xml_tree import decimal, text_of

ORDER_OF_SHARPS = "FCGDAEB"
SIGNS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
FLAGS = {"eighth": 1, "16th": 2, "32nd": 3, "64th": 4}


def accidentals(part: Part) -> dict[str, str]:
    """Return the sign to write before each note (by id), or nothing for a part that has its own signs."""
    if any(note.element.find("accidental") is not None for bar in part.bars for note in bar.notes):
        return {}
    found: dict[str, str] = {}
    for bar in part.bars:
        key = _key_alters(bar.fifths)
        held: dict[tuple[int, str, str], int] = {}  # staff, step, octave -> alteration so far in this bar
        for note in sorted(bar.notes, key=lambda n: (n.onset, not n.grace)):
            pitch = note.element.find("pitch")
            if pitch is None:
                continue
            step, octave = text_of(pitch, "step"), text_of(pitch, "octave")
            alter = round(decimal(text_of(pitch, "alter") or "0") or 0)
            place = (note.staff, step, octave)
            if note.tie_stop and held.get(place) is None and key.get(step, 0) != alter:
                continue  # the sign is before the note it is tied to
            if held.get(place, key.get(step, 0)) != alter and alter in SIGNS:
                found[note.id] = SIGNS[alter]
            held[place] = alter
    return found


def _key_alters(fifths: int) -> dict[str, int]:
    count = min(abs(fifths), len(STEPS))
    steps = ORDER_OF_SHARPS[:count] if fifths > 0 else ORDER_OF_SHARPS[::-1][:count]
    return dict.fromkeys(steps, 1 if fifths > 0 else -1)


def beams(part: Part) -> dict[str, list[str]]:
    """Return the beams of each note (by id), outermost first, or nothing for a part that has its own."""
    if any(note.element.find("beam") is not None for bar in part.bars for note in bar.notes):
        return {}
    found: dict[str, list[str]] = {}
    for bar in part.bars:
        for group in _groups(bar):
            flags = [FLAGS[text_of(note.element, "type")] for note in group]
            for i, note in enumerate(group):
                found[note.id] = [_beam(flags, i, level) for level in range(1, flags[i] + 1)]
    return found


def _groups(bar: WrittenBar) -> list[list[WrittenNote]]:
    """Return runs of two and more flagged notes of one voice within one beat."""
    beat = 4 * TICKS_PER_QUARTER // bar.beat_unit
    if bar.beat_unit >= 8 and bar.beats % 3 == 0:
        beat *= 3  # compound meters, and 3/8 as one beat
    groups: list[list[WrittenNote]] = []
    run: list[WrittenNote] = []
    for note in sorted((n for n in bar.notes if not n.chord), key=lambda n: (n.voice, n.staff, n.onset)):
        flagged = not note.rest and not note.grace and text_of(note.element, "type") in FLAGS
        follows = bool(run) and (note.voice, note.staff, note.onset) == (
            run[-1].voice, run[-1].staff, run[-1].onset + run[-1].duration
        )  # fmt: skip
        if run and follows:
            follows = (note.onset + bar.lead) // beat == (run[0].onset + bar.lead) // beat
        if not (flagged and follows):
            if len(run) > 1:
                groups.append(run)
            run = []
        if flagged:
            run.append(note)
    return [*groups, run] if len(run) > 1 else groups


def _beam(flags: list[int], i: int, level: int) -> str:
    """Return what the beam of ``level`` does at note ``i`` of a group with these numbers of flags."""
    before = i > 0 and flags[i - 1] >= level
    after = i + 1 < len(flags) and flags[i + 1] >= level
    if before and after:
        return "continue"
    if before or after:
        return "end" if before else "begin"
    return "backward hook" if i else "forward hook"
