"""A plain engraving source (MusicXML 4.0) for a score that has none of its own: from an SMF, or our own.

Voices on one staff, treble clef sounding an octave lower: melody stems up, bass stems down, unless the score
gives stems.  Only the picture is simplified: places are drawn on the nearest 32nd or triplet of their
beat, and within a voice a chord ends where the next begins unless voices are kept apart.  The score itself
keeps its own times.  Pitches are sounding ones, which is what ``pitch`` holds under a clef with an octave
change.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from xml.sax.saxutils import escape

import numpy as np

from coach.core.cues import Cue, Section
from coach.core.errors import one_line
from coach.core.pitch import STANDARD, Tuning
from coach.core.score import ANCHOR, Array, Bar, Score
from coach.core.spelling import Key, written_places
from coach.core.words import string_sign
from coach.files.plain_layout import UNIT, Piece, lay_graces, lay_lines, to_units
from coach.files.plain_note import (
    SIGNS,
    Head,
    Spelt,
    grace_xml,
    in_signature,
    note_xml,
    signs,
    spell,
    spell_in,
    spelt_at,
)

__all__ = ["lay_out", "spell", "to_musicxml"]

ALTERS = {-2: "♭♭", -1: "♭", 0: "", 1: "♯", 2: "♯♯"}
MINOR_TONIC = 3  # fifths from a signature to the tonic of its minor key


def to_musicxml(
    score: Score,
    *,
    cues: Sequence[Cue] = (),
    sections: Sequence[Section] = (),
    keys: Sequence[Key] = (),
    apart: bool = False,
) -> str:
    """Return MusicXML text; ids of notes and bars are ``score.ids`` and ``score.bar_ids``.

    ``cues`` are words below the staff.  ``sections`` get a heading, a line of their own, and repeat signs
    or else a double barline between them.  Notes are spelt as ``score.places`` tells, else by ``keys`` (one a
    bar), else by the key signature and its mode.  ``apart`` keeps the written voices of the melody apart.
    """
    return _Writer(score, cues, sections, keys, apart).write()


def lay_out(score: Score) -> tuple[str, tuple[str, ...], Array]:
    """Return the MusicXML text with the ids and places (dtype ANCHOR) of all it draws.

    ``score`` must have no repeats: each of its bars is written once.
    """
    writer = _Writer(score, (), (), (), False)
    return writer.write(), tuple(writer.ids), np.array(writer.anchors, ANCHOR)


class _Writer:
    """Writes a score, bar by bar."""

    def __init__(
        self, score: Score, cues: Sequence[Cue], sections: Sequence[Section], keys: Sequence[Key], apart: bool
    ) -> None:
        self.score, self.sections, self.apart = score, sections, apart
        self.lines = lay_lines(score, apart=apart)
        self.ids: list[str] = []
        self.anchors: list[tuple[int, int, int]] = []
        self.parts: dict[int, int] = defaultdict(int)  # how many pieces of each tie chain are drawn
        self.graces = lay_graces(score, self.lines)
        self.spelling = self._spelling(keys)
        self.beside: dict[int, list[tuple[int, str]]] = defaultdict(
            list
        )  # bar -> (units from its start, text)
        for cue in cues:
            words = f'<words font-style="italic">{_text(cue.text)}</words>'
            self._direct(cue.tick, f"<direction-type>{words}</direction-type>")
        for mark in score.damps:
            kind = "<damp-all/>" if mark.everything else "<damp/>"
            named = (
                ""
                if mark.string is None
                else f"<direction-type><words>{mark.string}</words></direction-type>"
            )
            self._direct(mark.onset, f"<direction-type>{kind}</direction-type>{named}")

    def _grace_notes(self, index: int, piece: Piece, voice: int, bar: Bar) -> list[str]:
        """Return the grace notes before a piece, those of one moment one after the other."""
        if not piece.rows or piece.tied_from:
            return []
        out = []
        for row in self.graces.get((voice, piece.rows[0]), []):
            spelt = self.spelling[row]
            sign = SIGNS[spelt[1]] if spelt[1] != in_signature(bar.fifths).get(spelt[0], 0) else ""
            name = self._name(index, piece, row)
            head = Head(row=row, name=name, spelt=spelt, sign=sign, chord=False, voice=voice, stem="up")
            out.append(grace_xml(self.score, head))
        return out

    def _direct(self, tick: int, text: str) -> None:
        bar = self.score.bar_index(tick)
        place = round((tick - self.score.bars[bar].onset) / UNIT)
        self.beside[bar].append((min(max(place, 0), to_units(self.score.bars[bar].length)), text))

    def _spelling(self, keys: Sequence[Key]) -> dict[int, Spelt]:
        """Return the spelling of each row."""
        out: dict[int, Spelt] = {}
        if places := written_places(self.score):
            pitches = self.score.notes["pitch"].tolist()
            return {row: spelt_at(pitches[row], place) for row, place in enumerate(places)}
        modes = {"major": 0, "minor": MINOR_TONIC}
        for row, (pitch, index) in enumerate(self.score.notes[["pitch", "bar"]].tolist()):
            fifths = self.score.bars[index].fifths
            if keys:
                out[row] = spell_in(pitch, keys[index])
            elif self.score.mode in modes:
                minor = self.score.mode == "minor"
                out[row] = spell_in(pitch, Key(fifths + modes[self.score.mode], minor))
            else:
                out[row] = spell(pitch, fifths)
        return out

    def write(self) -> str:
        """Return the text."""
        score = self.score
        out = [
            '<?xml version="1.0" encoding="UTF-8"?>\n<score-partwise version="4.0">'
            f"<work><work-title>{_text(score.title)}</work-title></work>"
            '<part-list><score-part id="P1"><part-name/></score-part></part-list>\n<part id="P1">'
        ]
        for index, bar in enumerate(score.bars):
            implicit = ' implicit="yes"' if bar.number == 0 else ""
            out.append(f'<measure number="{bar.number}" id="{score.bar_ids[bar.written]}"{implicit}>')
            out += self._bar(index, bar)
            out.append("</measure>\n")
        out.append("</part></score-partwise>\n")
        return "".join(out)

    def _bar(self, index: int, bar: Bar) -> list[str]:
        before = self.score.bars[index - 1] if index else None
        begins = next((s for s in self.sections if s.bar == index), None)
        ends = next((s for s in self.sections if s.last == index), None)
        out = []
        if begins is not None:
            out.append('<print new-system="yes"/>' if index else "")
            if begins.twice:
                out.append(_barline("left", "heavy-light", "forward"))
        out.append(_attributes(self.score, bar, before))
        if index == 0:
            out.append(_tempo(self.score, bar) + _tuning(self.score.tuning))
        if begins is not None:
            out.append(_heading(begins.name))
        lines = [(voice, line[index]) for voice, line in enumerate(self.lines, 1)]
        if self.apart:  # a voice that is silent all through the bar is left out of it
            lines = [item for item in lines if any(piece.rows for piece in item[1])] or lines[:1]
        drawn = signs([(p.start, voice, p) for voice, line in lines for p in line], self.spelling, bar.fifths)
        beside: list[tuple[int, str]] = []
        for voice, line in lines:
            if voice != lines[0][0]:
                out.append(f"<backup><duration>{to_units(bar.length)}</duration></backup>")
            if voice == lines[-1][0]:
                beside = sorted(self.beside.pop(index, []), key=lambda item: item[0])
            for piece in line:
                out += self._directions(beside, piece.start, piece.start + piece.length)
                out += self._grace_notes(index, piece, voice, bar)
                for position, row in enumerate(piece.rows or (-1,)):
                    head = Head(
                        row=row,
                        name=self._name(index, piece, row),
                        spelt=self.spelling.get(row),
                        sign=drawn.get((voice, piece.start, row), ""),
                        chord=position > 0,
                        voice=voice,
                        stem=self._stem(row, voice),
                        hidden=voice > 2,
                    )
                    out.append(note_xml(self.score, bar, piece, head))
        out += self._directions(beside, to_units(bar.length), to_units(bar.length) + 1)
        last = index == len(self.score.bars) - 1
        if ends is not None or last:
            again = ends is not None and ends.twice
            style = "light-heavy" if again or last else "light-light"
            out.append(_barline("right", style, "backward" if again else ""))
        return out

    @staticmethod
    def _directions(beside: list[tuple[int, str]], start: int, end: int) -> list[str]:
        """Take out and return the directions that stand from one place to another, ahead of what is there."""
        out = []
        while beside and beside[0][0] < end:
            place, text = beside.pop(0)
            moved = f"<offset>{place - start}</offset>" if place > start else ""
            out.append(f'<direction placement="below">{text}{moved}</direction>')
        return out

    def _name(self, bar: int, piece: Piece, row: int) -> str:
        """Return the id of a note or rest, and keep its place."""
        if row < 0:
            found = f"r{len(self.ids) + 1}"
        else:
            self.parts[row] += 1
            found = self.score.ids[self.score.notes["written"][row]]
            found += f"-{self.parts[row]}" if self.parts[row] > 1 else ""
        self.anchors.append((bar, piece.start * UNIT, len(self.ids)))
        self.ids.append(found)
        return found

    def _stem(self, row: int, voice: int) -> str:
        """Return the direction of a stem: as given, else up for the first of several voices."""
        if len(self.lines) == 1:
            return ""
        given = int(self.score.notes["stem"][row]) if row >= 0 else 0
        if given:
            return "up" if given > 0 else "down"
        bass = row >= 0 and bool(self.score.notes["bass"][row])
        return "down" if bass or voice > 1 else "up"


def _text(text: str) -> str:
    return escape(one_line(text))


def _barline(location: str, style: str, repeat: str) -> str:
    sign = f'<repeat direction="{repeat}"/>' if repeat else ""
    return f'<barline location="{location}"><bar-style>{style}</bar-style>{sign}</barline>'


def _heading(name: str) -> str:
    words = f'<words font-weight="bold">{_text(name)}</words>'
    return f'<direction placement="above"><direction-type>{words}</direction-type></direction>'


def _attributes(score: Score, bar: Bar, before: Bar | None) -> str:
    """Return what changes at a bar's start."""
    out = ""
    if before is None or before.fifths != bar.fifths:
        mode = f"<mode>{score.mode}</mode>" if before is None and score.mode in ("major", "minor") else ""
        out += f"<key><fifths>{bar.fifths}</fifths>{mode}</key>"
    if before is None or (before.beats, before.beat_unit) != (bar.beats, bar.beat_unit):
        out += f"<time><beats>{bar.beats}</beats><beat-type>{bar.beat_unit}</beat-type></time>"
    if before is None:
        clef = "<clef><sign>G</sign><line>2</line><clef-octave-change>-1</clef-octave-change></clef>"
        out = f"<divisions>24</divisions>{out}{clef}{_capo(score.tuning)}"
    return f"<attributes>{out}</attributes>" if out else ""


def _capo(tuning: Tuning) -> str:
    return f"<staff-details><capo>{tuning.capo}</capo></staff-details>" if tuning.capo else ""


def _tuning(tuning: Tuning) -> str:
    """Return the strings that are tuned unusually, as scordatura with the usual words (⑥ = D).

    ``staff-tuning`` would say the same, but engravers take it for a staff of tablature.
    """
    accords, told = "", []
    for string, pitch in enumerate(tuning.open_pitches, 1):
        if string <= STANDARD.strings and pitch == STANDARD.open_pitches[string - 1]:
            continue
        step, alter, octave = spell(pitch, 0)
        altered = f"<tuning-alter>{alter}</tuning-alter>" if alter else ""
        accords += (
            f'<accord string="{string}"><tuning-step>{step}</tuning-step>{altered}'
            f"<tuning-octave>{octave}</tuning-octave></accord>"
        )
        told.append(f"{string_sign(string)} = {step}{ALTERS[alter]}")
    if not accords:
        return ""
    scordatura = f"<direction-type><scordatura>{accords}</scordatura></direction-type>"
    words = f"<direction-type><words>{', '.join(told)}</words></direction-type>"
    return f'<direction placement="above">{scordatura}{words}</direction>'


def _tempo(score: Score, bar: Bar) -> str:
    """Return the first tempo mark, where the score has one, in the meter's own beat."""
    if not score.tempo_given:
        return ""
    qpm = score.qpm(0)
    dotted = bar.beat_unit == 8 and bar.beats % 3 == 0 and bar.beats > 3
    unit = "<beat-unit>quarter</beat-unit>" + ("<beat-unit-dot/>" if dotted else "")
    mark = f"<metronome>{unit}<per-minute>{qpm / 1.5 if dotted else qpm:.4g}</per-minute></metronome>"
    sound = f'<sound tempo="{qpm:.6g}"/>'
    return f'<direction placement="above"><direction-type>{mark}</direction-type>{sound}</direction>'
