"""How each mark on the printed page looks, drawn around the origin; millimetres, black and grey only.

Sizes are for a music stand: 60 to 90 cm from the eye.  No letter is smaller than 7 point.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from coach.core.clash import Clash
from coach.core.damping import Stop
from coach.core.words import WAY_SHORT
from coach.screen.paper_ink import BLACK, Ink, Rect, Shape, around, letters, line, moved, sign
from coach.screen.paper_type import EM, NOTES, POINT, face

DAMP = "\ue638"  # SMuFL pluckedDamp
CIRCLED = 0xE833  # SMuFL guitarString0; the numbers follow
FINGERING = 0xED10  # SMuFL fingering0
PIMA_SIGNS = {"p": "\ued17", "i": "\ued19", "m": "\ued1a", "a": "\ued1b"}

QUIET_GREY = 0.42  # contrast 5.6 to white paper: still above the 4.5 that WCAG asks for text
FIRM_GREY = 0.25
DAMP_MM = 2.7
HEAVY_DAMP_MM = 3.2  # of a stop that clashes
CIRCLE_MM = 3.1
STRING_MM = 2.9  # a string number at a note
FINGER_EM = 7.6  # digits 1.9 mm high
PLUCK_EM = 6.2  # small letters 1.6 mm high
LABEL = 9 * POINT
CHORD = 11 * POINT
ROMAN = 9.5 * POINT
FIGURE = 7 * POINT
PHRASE = 11 * POINT
NUMBER = 8 * POINT
UNDERLINE_MM = 0.35
THIN_MM = 0.2
ARC_MM = 6.5  # length of a let-ring arc
_NUMERAL = re.compile(r"^([♭♯]?(?:[ivIV]+|N|It|Ger|Fr))(%|o|\+)?(\d{0,3})(/.+)?$")
_QUALITY = {"%": "ø", "o": "°", "+": "+"}


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark in its place.  ``about`` says of what: a note's id, a stop's index, a performed bar."""

    kind: str  # stop, ring, finger, string, pluck, chord, roman, phrase, number, tempo
    about: str | int
    x: float  # what it points at
    ink: tuple[Ink, ...]
    rect: Rect

    def moved(self, x: float, y: float) -> Mark:
        """Return it elsewhere."""
        return replace(self, x=self.x + x, ink=moved(self.ink, x, y), rect=self.rect.moved(x, y))


def mark(kind: str, about: str | int, ink: tuple[Ink, ...], x: float = 0.0) -> Mark:
    """Return a mark around the origin; its rectangle is that of its ink."""
    return Mark(kind, about, x, ink, around(rect for one in ink for rect in one.rects()))


def stop_mark(index: int, stop: Stop, *, beside: bool = False, at_right: bool = False) -> Mark:
    """Return a damp sign whose middle is at x 0 and whose top is at y 0, its string and its way.

    How bad ringing on would be is told by weight: a clash is larger, bold and underlined, what only muddies
    is plain, what blends is grey.  The way stands under the sign, or ``beside`` the string's number.
    ``at_right``: number and words stand to the left, ending with the sign.
    """
    clashes, blends = stop.clash is Clash.HIGH, stop.clash is Clash.LOW
    grey = QUIET_GREY if blends else BLACK
    size = HEAVY_DAMP_MM if clashes else DAMP_MM
    box = face(NOTES).glyph(DAMP).bounds
    assert box is not None
    damp = sign(DAMP, size / (box.right - box.left) * EM, grey=grey).moved(-size / 2, (CIRCLE_MM + size) / 2)
    ink: list[Ink] = [damp]
    side = -1 if at_right else 1
    if stop.string:
        circle = _circled(stop.string, CIRCLE_MM, grey)
        middle = side * (size / 2 + 0.4 + CIRCLE_MM / 2)
        ink.append(circle.moved(middle - CIRCLE_MM / 2, CIRCLE_MM))
    if stop.way is not None:
        words, width = letters(WAY_SHORT[stop.way], LABEL, grey=grey, bold=clashes)
        left = size / 2 - width if at_right else -size / 2
        baseline = CIRCLE_MM + 0.5 + 0.66 * LABEL
        if beside:
            left = size / 2 + (0.4 + CIRCLE_MM if stop.string else 0.0) + 0.9
            baseline = CIRCLE_MM / 2 + 0.25 * LABEL
        ink.append(words.moved(left, baseline))
        if clashes:
            under = baseline + 1.15
            ink.append(line(left, under, left + width, under, UNDERLINE_MM))
    return mark("stop", index, tuple(ink))


def _circled(number: int, size: float, grey: float = BLACK) -> Ink:
    box = face(NOTES).glyph(chr(CIRCLED + number)).bounds
    assert box is not None
    return sign(chr(CIRCLED + number), size / (box.right - box.left) * EM, grey=grey)


def string_mark(note: str, string: int) -> Mark:
    """Return a circled string number."""
    return _centred("string", note, _circled(string, STRING_MM))


def finger_mark(note: str, finger: int) -> Mark:
    """Return a left-hand finger."""
    return _centred("finger", note, sign(chr(FINGERING + finger), FINGER_EM))


def pluck_mark(note: str, letter: str) -> Mark:
    """Return a right-hand letter."""
    return _centred("pluck", note, sign(PIMA_SIGNS[letter], PLUCK_EM))


def _centred(kind: str, about: str, ink: Ink) -> Mark:
    found = mark(kind, about, (ink,))
    return replace(found.moved(-found.rect.middle, -found.rect.top), x=0.0)


def ring_mark(note: str) -> Mark:
    """Return a let-ring arc that begins at the origin, open to the right."""
    end, deep, thick = ARC_MM, 1.3, 0.3
    outline = (
        ("M", (0.0, 0.0)),
        ("C", (end * 0.3, deep, end * 0.7, deep, end, 0.0)),
        ("C", (end * 0.7, deep + thick, end * 0.3, deep + thick, 0.0, 0.0)),
        ("Z", ()),
    )
    return mark("ring", note, (Shape(outline, BLACK, BLACK, 0.1),))


def chord_mark(bar: int, name: str) -> Mark:
    """Return a chord's name; its first letter begins at the origin, on the baseline."""
    text, _ = letters(name, CHORD)
    return mark("chord", bar, (text,))


def roman_mark(bar: int, roman: str) -> Mark:
    """Return a Roman numeral in grey italics, its figures one above the other.

    A key's sign may stand before it, as in ``F: IV``.
    """
    key, turn, bare = roman.rpartition(": ")
    found = _NUMERAL.match(bare)
    if found is None:
        text, _ = letters(roman, ROMAN, grey=QUIET_GREY, italic=True)
        return mark("roman", bar, (text,))
    numeral, quality, figures, of = found.groups(default="")
    first, at = letters(key + turn + numeral + _QUALITY.get(quality, ""), ROMAN, grey=QUIET_GREY, italic=True)
    ink: list[Ink] = [first]
    at += 0.5
    wide = 0.0
    for i, figure in enumerate(figures):
        text, width = letters(figure, FIGURE, grey=QUIET_GREY)
        pitch = 0.8 * FIGURE
        ink.append(text.moved(at, -1.35 + (i - (len(figures) - 1) / 2) * pitch + 0.3))
        wide = max(wide, width)
    if of:
        text, _ = letters(of, ROMAN, grey=QUIET_GREY, italic=True)
        ink.append(text.moved(at + wide + (0.2 if figures else 0.0), 0))
    return mark("roman", bar, tuple(ink))


def phrase_mark(bar: int, letter: str, left: float, right: float, begins: bool, ends: bool) -> Mark:
    """Return a phrase's thin bracket and, where it begins, its letter, at height 0."""
    ink: list[Ink] = []
    hook, start = 1.6, left
    if begins:
        text, width = letters(letter, PHRASE, bold=True)
        ink += [text.moved(left + 0.5, 0.33 * PHRASE)]
        start = left + width + 1.7
    ink.append(line(start, 0, right, 0, THIN_MM, FIRM_GREY))
    if ends:
        ink.append(line(right, -THIN_MM / 2, right, hook, THIN_MM, FIRM_GREY))
    return mark("phrase", bar, tuple(ink), left)


def number_mark(bar: int, number: int) -> Mark:
    """Return a bar's number."""
    text, _ = letters(str(number), NUMBER, grey=QUIET_GREY, italic=True)
    return mark("number", bar, (text,))
