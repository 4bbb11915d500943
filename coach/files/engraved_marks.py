"""Attributes, directions and barlines as the engraver is to see them: only what is listed here."""

from __future__ import annotations

import re
from collections.abc import Mapping
from xml.etree.ElementTree import Element
from xml.sax.saxutils import escape, quoteattr

from coach.core.words import WAY_SHORT
from coach.files.limits import MAX_TEXT
from coach.files.written import WrittenBar
from coach.files.xml_marks import BEAT_UNITS
from coach.files.xml_tree import decimal, text_of, whole

WAYS = frozenset(WAY_SHORT.values())
CLEF_LINES = {"G": 2, "F": 4, "C": 3, "percussion": 2}
BAR_STYLE = re.compile(
    "regular|dotted|dashed|heavy|light-light|light-heavy|heavy-light|heavy-heavy|tick|none"
)
DYNAMIC = re.compile("p{1,4}|f{1,4}|mp|mf|sf|sfp|fp|rf|rfz|sfz|fz")
MODE = re.compile("major|minor|dorian|phrygian|lydian|mixolydian|aeolian|ionian|locrian")
BEATS = re.compile(r"\d{1,3}(\s*\+\s*\d{1,3}){0,5}", re.ASCII)
_SAFE = re.compile(r"[A-Za-z0-9.# ,_-]{1,40}")


def attributes_of(element: Element, names: tuple[str, ...]) -> str:
    """Return the listed attributes of ``element``, where their values are harmless."""
    found = ((name, element.get(name, "")) for name in names)
    return "".join(f' {name}="{value}"' for name, value in found if _SAFE.fullmatch(value))


def words(text: str) -> str:
    """Return text that is safe to print: one line, no control characters, escaped."""
    return escape("".join(c if c.isprintable() else " " for c in text[:MAX_TEXT]))


def attributes_xml(element: Element, bar: WrittenBar, staves: Mapping[int, int], octave_clef: bool) -> str:
    """Return what an ``attributes`` element says of key, meter and clefs.

    ``staves``: old staff number -> new; others are left out.  ``octave_clef``: draw a G clef with an 8 below.
    """
    out: list[str] = []
    key = element.find("key")
    if key is not None and key.get("number", "1") == "1" and (whole(text_of(key, "fifths")) is not None):
        fifths = max(-7, min(whole(text_of(key, "fifths")) or 0, 7))
        mode = text_of(key, "mode").lower()
        told = f"<mode>{mode}</mode>" if MODE.fullmatch(mode) else ""
        out.append(f"<key><fifths>{fifths}</fifths>{told}</key>")
    time = element.find("time")
    if time is not None and time.find("beats") is not None:
        symbol = attributes_of(time, ("symbol",)) if time.get("symbol") in ("common", "cut") else ""
        upper, lower = str(bar.beats), bar.beat_unit
        if len(time.findall("beats")) == 1 and BEATS.fullmatch(text_of(time, "beats")):
            upper, lower = text_of(time, "beats"), whole(text_of(time, "beat-type")) or bar.beat_unit
        out.append(f"<time{symbol}><beats>{upper}</beats><beat-type>{lower}</beat-type></time>")
    for clef in element.findall("clef"):
        staff = staves.get(whole(clef.get("number", "1")) or 1)
        if staff is not None:
            out.append(_clef(clef, staff if len(staves) > 1 else 0, octave_clef))
    return f"<attributes>{''.join(out)}</attributes>" if out else ""


def _clef(element: Element, number: int, octave_clef: bool) -> str:
    sign = text_of(element, "sign")
    tab = sign.upper() == "TAB"  # tablature without notation is drawn on a staff
    sign = "G" if tab or sign not in CLEF_LINES else sign
    line = whole(text_of(element, "line")) or 0
    line = line if 1 <= line <= 5 and not tab else CLEF_LINES[sign]
    octaves = whole(text_of(element, "clef-octave-change")) or 0
    if sign == "G" and octave_clef:
        octaves = -1
    change = f"<clef-octave-change>{octaves}</clef-octave-change>" if 0 < abs(octaves) <= 2 else ""
    where = f' number="{number}"' if number else ""
    return f"<clef{where}><sign>{sign}</sign><line>{line}</line>{change}</clef>"


def barline_xml(element: Element) -> str:
    """Return a ``barline`` with its style, repeat sign, bracket and signs."""
    location = element.get("location", "right")
    if location not in ("left", "right"):
        return ""  # inside a bar: engravers disagree, and nothing of ours depends on it
    out: list[str] = []
    style = text_of(element, "bar-style")
    if BAR_STYLE.fullmatch(style):
        out.append(f"<bar-style>{style}</bar-style>")
    for child in element:
        if child.tag in ("segno", "coda"):
            out.append(f"<{child.tag}/>")
        elif child.tag == "fermata":
            out.append(f"<fermata{attributes_of(child, ('type',))}/>")
    ending = element.find("ending")
    if ending is not None and ending.get("type") in ("start", "stop", "discontinue"):
        rounds = ", ".join(re.findall(r"\d{1,3}", ending.get("number", "")[:40]))
        out.append(f'<ending number="{rounds or 1}" type="{ending.get("type")}"/>')
    repeat = element.find("repeat")
    if repeat is not None and repeat.get("direction") in ("forward", "backward"):
        out.append(f'<repeat direction="{repeat.get("direction")}"/>')
    return f'<barline location="{location}">{"".join(out)}</barline>' if out else ""


def direction_xml(element: Element, offset: int, staves: Mapping[int, int]) -> str:
    """Return a ``direction``: words, dynamics, hairpins, tempo and signs; "" where nothing of these is left.

    Damping marks, the string numbers and the ways after them are left out: the screen draws them itself.
    """
    staff = whole(text_of(element, "staff")) or min(staves)
    if staff not in staves:
        return ""
    out: list[str] = []
    after_damp = 0  # elements since a damp, counted from 1
    for kind in element.iterfind("direction-type/*"):
        named = after_damp == 1 and kind.tag == "words"
        way = after_damp == 2 and kind.tag == "words" and text_of(kind) in WAYS
        if kind.tag in ("damp", "damp-all"):
            after_damp = 1
            continue
        if not (named or way):
            out.append(_direction_type(kind))
        after_damp = 2 if named else 0
    kept = "".join(f"<direction-type>{kind}</direction-type>" for kind in out if kind)
    if not kept:
        return ""
    place = attributes_of(element, ("placement",)) if element.get("placement") in ("above", "below") else ""
    moved = f"<offset>{offset}</offset>" if offset else ""
    where = f"<staff>{staves[staff]}</staff>" if len(staves) > 1 else ""
    return f"<direction{place}>{kept}{moved}{where}</direction>"


def _direction_type(kind: Element) -> str:
    tag = kind.tag
    if tag in ("words", "rehearsal") and text_of(kind):
        style = attributes_of(kind, ("font-style", "font-weight")) if tag == "words" else ""
        return f"<{tag}{style}>{words(text_of(kind))}</{tag}>"
    if tag == "dynamics":
        marks = "".join(f"<{child.tag}/>" for child in kind if DYNAMIC.fullmatch(child.tag))
        return f"<dynamics>{marks}</dynamics>" if marks else ""
    if tag == "wedge" and kind.get("type") in ("crescendo", "diminuendo", "stop"):
        return f"<wedge{attributes_of(kind, ('type', 'number'))}/>"
    if tag in ("segno", "coda"):
        return f"<{tag}/>"
    if tag == "octave-shift" and kind.get("type") in ("up", "down", "stop"):
        return f"<octave-shift{attributes_of(kind, ('type', 'number', 'size'))}/>"
    if tag == "metronome":
        unit, figure = text_of(kind, "beat-unit"), text_of(kind, "per-minute")
        if unit in BEAT_UNITS and decimal(figure) is not None:
            dots = "<beat-unit-dot/>" * min(len(kind.findall("beat-unit-dot")), 2)
            value = f"<beat-unit>{unit}</beat-unit>{dots}<per-minute>{figure}</per-minute>"
            return f"<metronome>{value}</metronome>"
    return ""


def quoted(text: str) -> str:
    """Return ``text`` as a quoted attribute value."""
    return quoteattr("".join(c for c in text[:MAX_TEXT] if c.isprintable()))
