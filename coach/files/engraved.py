"""The score as MusicXML of our own for the engraver: what is known to be sound, and nothing else.

Engravers hang or crash on some damaged files (measured: 6 of 600), so none ever sees the file itself.  Only
elements, attributes and values listed here are written; lengths are whole ticks; every bar, note and rest
has its id.  Bars stand in written order.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from xml.etree.ElementTree import Element

from coach.core.score import TICKS_PER_QUARTER
from coach.files.engraved_fill import accidentals, beams
from coach.files.engraved_marks import (
    attributes_of,
    attributes_xml,
    barline_xml,
    direction_xml,
    quoted,
    words,
)
from coach.files.perform import SLACK
from coach.files.tablature import notation_staves
from coach.files.written import Part, WrittenBar, WrittenNote
from coach.files.xml_tree import decimal, text_of, whole

TYPES = {  # note shapes and their lengths in ticks; the shortest that come out whole
    "breve": 80640, "whole": 40320, "half": 20160, "quarter": 10080, "eighth": 5040, "16th": 2520,
    "32nd": 1260, "64th": 630, "128th": 315,
}  # fmt: skip
ACCIDENTALS = frozenset(
    ("sharp", "flat", "natural", "double-sharp", "sharp-sharp", "flat-flat", "natural-sharp", "natural-flat")
)
NOTEHEADS = frozenset(("normal", "x", "diamond", "slash", "cross", "triangle", "square", "circle-x", "none"))
BEAMS = frozenset(("begin", "continue", "end", "forward hook", "backward hook"))
STEM_WORDS = frozenset(("up", "down", "none"))
FERMATAS = frozenset(("normal", "angled", "square", ""))
SPANS = {  # notations that lead from note to note, and their types
    "tied": ("start", "stop", "continue", "let-ring"), "slur": ("start", "stop", "continue"),
    "glissando": ("start", "stop"), "slide": ("start", "stop"), "tuplet": ("start", "stop"),
}  # fmt: skip
MARKS = {
    "articulations": ("accent", "strong-accent", "staccato", "staccatissimo", "tenuto", "breath-mark"),
    "ornaments": ("trill-mark", "turn", "inverted-turn", "mordent", "inverted-mordent"),
}
PLUCK_LETTERS = " pima"


@dataclass(slots=True)
class Engraving:
    """What the writer knows beyond the part itself."""

    title: str
    creators: list[tuple[str, str]]
    rights: list[str]
    octave_clef: bool  # draw plain G clefs with an 8 below
    below: set[str] = field(default_factory=set)  # ids of notes whose fingering belongs below the staff


def engraved_xml(part: Part, engraving: Engraving) -> str:
    """Return the MusicXML text for the engraver."""
    return "".join(_Writer(part, engraving).score())


class _Writer:
    def __init__(self, part: Part, engraving: Engraving) -> None:
        self._part, self._engraving = part, engraving
        self._staves = {staff: i for i, staff in enumerate(notation_staves(part), 1)}
        self._kept = {id(note.element): note for bar in part.bars for note in bar.notes}
        self._signs, self._beams = accidentals(part), beams(part)
        self._cursor = 0
        self._out: list[str] = []

    def score(self) -> list[str]:
        engraving = self._engraving
        self._out = ['<?xml version="1.0" encoding="UTF-8"?>\n<score-partwise version="4.0">']
        if engraving.title:
            self._out.append(f"<work><work-title>{words(engraving.title)}</work-title></work>")
        if engraving.creators or engraving.rights:
            credit = [
                f"<creator type={quoted(kind)}>{words(name)}</creator>" for kind, name in engraving.creators
            ]
            credit += [f"<rights>{words(text)}</rights>" for text in engraving.rights]
            self._out.append(f"<identification>{''.join(credit)}</identification>")
        self._out.append('<part-list><score-part id="P1"><part-name/></score-part></part-list>\n')
        self._out.append('<part id="P1">\n')
        for index, bar in enumerate(self._part.bars):
            self._bar(index, bar)
        self._out.append("</part>\n</score-partwise>\n")
        return self._out

    def _bar(self, index: int, bar: WrittenBar) -> None:
        implicit = ' implicit="yes"' if bar.implicit or (bar.lead and index == 0) else ""
        self._out.append(f'<measure number="{bar.number}" id="{bar.id}"{implicit}>\n')
        self._cursor = 0
        first = index == 0
        if first and all(element.tag != "attributes" or tick for tick, element in bar.content):
            self._out.append(self._first_attributes("<attributes></attributes>", bar) + "\n")
            first = False
        head_kept = False
        for tick, element in bar.content:
            if element.tag == "note":
                note = self._kept.get(id(element))
                if note is not None and (head_kept or not note.chord):
                    self._note(note)
                head_kept = note is not None and (head_kept or not note.chord)
            elif element.tag == "attributes":
                text = attributes_xml(element, bar, self._staves, self._engraving.octave_clef)
                if first and tick == 0:
                    text, first = self._first_attributes(text or "<attributes></attributes>", bar), False
                if text:
                    self._move(tick)
                    self._out.append(text + "\n")
            elif element.tag == "direction":
                self._out.append(direction_xml(element, tick - self._cursor, self._staves))
            else:
                self._out.append(barline_xml(element))
        self._out.append("</measure>\n")

    def _first_attributes(self, text: str, bar: WrittenBar) -> str:
        """Return the first bar's attributes with our divisions, and a clef for each staff without one."""
        given = {
            whole(clef.get("number", "1")) or 1
            for _, element in bar.content if element.tag == "attributes" for clef in element.findall("clef")
        }  # fmt: skip
        octave = "<clef-octave-change>-1</clef-octave-change>" if self._engraving.octave_clef else ""
        numbers = [f' number="{new}"' for old, new in self._staves.items() if old not in given]
        if len(self._staves) == 1:
            numbers = ["" for _ in numbers]
        clefs = "".join(f"<clef{number}><sign>G</sign><line>2</line>{octave}</clef>" for number in numbers)
        text = text.replace("<attributes>", f"<attributes><divisions>{TICKS_PER_QUARTER}</divisions>", 1)
        if len(self._staves) > 1:  # engravers take the number of staves from here alone, and crash on more
            at = text.find("<clef")
            at = at if at >= 0 else text.index("</attributes>")
            text = f"{text[:at]}<staves>{len(self._staves)}</staves>{text[at:]}"
        return text.replace("</attributes>", clefs + "</attributes>")

    def _move(self, tick: int) -> None:
        """Bring the cursor to ``tick``."""
        if abs(tick - self._cursor) <= SLACK:
            return
        way = "forward" if tick > self._cursor else "backup"
        self._out.append(f"<{way}><duration>{abs(tick - self._cursor)}</duration></{way}>\n")
        self._cursor = tick

    def _note(self, note: WrittenNote) -> None:
        if not note.chord:
            self._move(note.onset)
        element = note.element
        hidden = ' print-object="no"' if element.get("print-object") == "no" else ""
        out = [f'<note id="{note.id}"{hidden}>']
        if note.grace:
            slash = element.find("grace[@slash='yes']") is not None
            out.append('<grace slash="yes"/>' if slash else "<grace/>")
        elif element.find("cue") is not None:
            out.append("<cue/>")
        out.append("<chord/>" if note.chord else "")
        out.append(_what(note))
        if not note.grace:
            out.append(f"<duration>{note.duration}</duration>")
            self._cursor += 0 if note.chord else note.duration
        ties = [kind for kind, tied in (("stop", note.tie_stop), ("start", note.tie_start)) if tied]
        out += [f'<tie type="{kind}"/>' for kind in ties]
        out.append(f"<voice>{note.voice}</voice>{_shape(note)}")
        sign = text_of(element, "accidental")
        sign = sign if sign in ACCIDENTALS else self._signs.get(note.id, "")
        out.append(f"<accidental>{sign}</accidental>" if sign else "")
        out.append(_ratio(element))
        stem, head = text_of(element, "stem"), text_of(element, "notehead")
        out.append(f"<stem>{stem}</stem>" if stem in STEM_WORDS else "")
        out.append(f"<notehead>{head}</notehead>" if head in NOTEHEADS else "")
        out.append(f"<staff>{self._staves[note.staff]}</staff>" if len(self._staves) > 1 else "")
        for level, beam in enumerate(self._beams.get(note.id, []) or _own_beams(element), 1):
            out.append(f'<beam number="{level}">{beam}</beam>')
        if note.let_ring:
            ties.append("let-ring")
        notations = "".join(f'<tied type="{kind}"/>' for kind in ties) + self._notations(note)
        out.append(f"<notations>{notations}</notations></note>\n" if notations else "</note>\n")
        self._out.append("".join(out))

    def _notations(self, note: WrittenNote) -> str:
        out: list[str] = []
        technical: list[str] = []
        for notations in note.element.iterfind("notations"):
            for child in notations:
                tag = child.tag
                if tag in SPANS and tag != "tied" and child.get("type") in SPANS[tag]:
                    number = whole(child.get("number", "1")) or 1
                    names = ("type", "placement", "orientation", "bracket", "show-number")
                    out.append(f'<{tag} number="{max(1, min(number, 16))}"{attributes_of(child, names)}/>')
                elif tag == "fermata" and text_of(child) in FERMATAS:
                    turned = ' type="inverted"' if child.get("type") == "inverted" else ""
                    out.append(f"<fermata{turned}>{text_of(child)}</fermata>")
                elif tag == "arpeggiate":
                    out.append("<arpeggiate/>")
                elif tag in MARKS:
                    marks = "".join(f"<{mark.tag}/>" for mark in child if mark.tag in MARKS[tag])
                    out.append(f"<{tag}>{marks}</{tag}>" if marks else "")
                elif tag == "technical":
                    technical += [self._fingering(note, mark) for mark in child.iterfind("fingering")]
        if note.pluck:
            technical.append(f"<pluck>{PLUCK_LETTERS[note.pluck]}</pluck>")
        if note.string:
            technical.append(f"<string>{note.string}</string>")
            technical.append(f"<fret>{note.fret}</fret>" if note.fret >= 0 else "")
        marks = "".join(technical)
        return "".join(out) + (f"<technical>{marks}</technical>" if marks else "")

    def _fingering(self, note: WrittenNote, mark: Element) -> str:
        text = text_of(mark)
        if text not in ("0", "1", "2", "3", "4"):
            return ""
        placement = mark.get("placement", "below" if note.id in self._engraving.below else "")
        where = f' placement="{placement}"' if placement in ("above", "below") else ""
        return f"<fingering{where}>{text}</fingering>"


def _what(note: WrittenNote) -> str:
    """Return the ``pitch`` as written, or the ``rest``."""
    element = note.element
    if note.rest:
        rest = element.find("rest")
        return '<rest measure="yes"/>' if rest is not None and rest.get("measure") == "yes" else "<rest/>"
    pitch = element.find("pitch")
    if pitch is None:
        return "<unpitched/>"
    alter = round(decimal(text_of(pitch, "alter") or "0") or 0)
    altered = f"<alter>{alter}</alter>" if alter else ""
    octave = whole(text_of(pitch, "octave"))
    return f"<pitch><step>{text_of(pitch, 'step')}</step>{altered}<octave>{octave}</octave></pitch>"


def _shape(note: WrittenNote) -> str:
    """Return ``type`` and dots: as written, or else what the length says."""
    element = note.element
    name = text_of(element, "type")
    if name in TYPES:
        return f"<type>{name}</type>" + "<dot/>" * min(len(element.findall("dot")), 3)
    for name, ticks in TYPES.items():
        for dots, parts in enumerate((2, 3, 3.5)):
            if note.duration * 2 == ticks * parts:
                return f"<type>{name}</type>" + "<dot/>" * dots
    return "<type>eighth</type>" if note.grace else ""


def _ratio(element: Element) -> str:
    """Return the ``time-modification`` of a tuplet."""
    found = element.find("time-modification")
    if found is None:
        return ""
    actual, normal = whole(text_of(found, "actual-notes")) or 0, whole(text_of(found, "normal-notes")) or 0
    if not (1 <= actual <= 64 and 1 <= normal <= 64):
        return ""
    return (
        f"<time-modification><actual-notes>{actual}</actual-notes><normal-notes>{normal}</normal-notes>"
        "</time-modification>"
    )


def _own_beams(element: Element) -> list[str]:
    """Return the beams the file gives a note, outermost first."""
    found = {whole(beam.get("number", "1")): text_of(beam) for beam in element.findall("beam")}
    levels: list[str] = []
    for level in range(1, 7):
        if found.get(level) not in BEAMS:
            break
        levels.append(found[level])
    return levels
