"""How each mark on the printed page looks, drawn around the origin; millimetres, black and grey only.

Sizes are for a music stand: 60 to 90 cm from the eye.  No letter is smaller than 7 point.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from itertools import pairwise

from coach.core.clash import Clash
from coach.core.damping import Stop
from coach.core.words import WAY_SHORT
from coach.screen.paper_ink import BLACK, Ink, Rect, Shape, around, letters, line, moved, sign
from coach.screen.paper_type import EM, NOTES, POINT, face

DAMP = "\ue638"  # SMuFL pluckedDamp
CIRCLED = 0xE833  # SMuFL guitarString0; the numbers follow
FINGERING = 0xED10  # SMuFL fingering0

QUIET_GREY = 0.42  # contrast 5.3 to white paper: above the 4.5 that WCAG 2.2 (1.4.3) asks for text
FIRM_GREY = 0.25
DAMP_MM = 2.7
HEAVY_DAMP_MM = 3.2  # of a stop that clashes
CIRCLE_MM = 3.1
STRING_MM = 2.9  # a string number at a note
FINGER_EM = 7.6  # digits 1.9 mm high
PLUCK = 10 * POINT  # small letters 1.5 mm high, of the text's weight: a heavy p would be the dynamic
LABEL = 9 * POINT
CHORD = 11 * POINT
ROMAN = 9.5 * POINT
FIGURE = 7 * POINT
PHRASE = 11 * POINT
PHRASE_BOX_MM = 4.4  # height of the box around a phrase's letter
PHRASE_PAD_MM = 0.9
NUMBER = 8 * POINT
UNDERLINE_MM = 0.35
THIN_MM = 0.2
ARC_MM = 6.5  # length of a let-ring arc
_NUMERAL = re.compile(r"^([♭♯]?(?:[ivIV]+|N|It|Ger|Fr))(%|o|\+)?(\d{0,3})(/.+)?$")
_QUALITY = {"%": "ø", "o": "°", "+": "+"}


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark in its place.  ``about`` says of what: a note's id, a stop's index, a performed bar."""

    kind: str  # stop, ring, finger, string, pluck, chord, roman, phrase, number, tempo, ending
    about: str | int
    x: float  # what it points at
    ink: tuple[Ink, ...]
    rect: Rect

    def moved(self, x: float, y: float) -> Mark:
        """Return it elsewhere."""
        return replace(self, x=self.x + x, ink=moved(self.ink, x, y), rect=self.rect.moved(x, y))

    def scaled(self, by: float) -> Mark:
        """Return it larger, about the origin."""
        ink = tuple(one.scaled(by) for one in self.ink)
        return replace(self, x=self.x * by, ink=ink, rect=self.rect.scaled(by))


def mark(kind: str, about: str | int, ink: tuple[Ink, ...], x: float = 0.0) -> Mark:
    """Return a mark around the origin; its rectangle is that of its ink."""
    return Mark(kind, about, x, ink, around(rect for one in ink for rect in one.rects()))


def stop_mark(
    index: int, stop: Stop, *, beside: bool = False, at_right: bool = False, words: bool = True
) -> Mark:
    """Return a damp sign whose middle is at x 0 and whose top is at y 0, its string and its way.

    How bad ringing on would be is told by weight: a clash is larger, bold and underlined, what only muddies
    is plain, what blends is grey.  The way stands under the sign, or ``beside`` the string's number.
    ``at_right``: number and words stand to the left, ending with the sign.  Without ``words`` only a clash
    still says its way.
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
    if stop.way is not None and (words or clashes):
        way, width = letters(WAY_SHORT[stop.way], LABEL, grey=grey, bold=clashes)
        left = size / 2 - width if at_right else -size / 2
        baseline = CIRCLE_MM + 0.5 + 0.66 * LABEL
        if beside:
            past = size / 2 + (0.4 + CIRCLE_MM if stop.string else 0.0) + 0.9
            left = -past - width if at_right else past
            baseline = CIRCLE_MM / 2 + 0.25 * LABEL
        ink.append(way.moved(left, baseline))
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
    return _centred("pluck", note, letters(letter, PLUCK, italic=True)[0])


def _centred(kind: str, about: str, ink: Ink) -> Mark:
    found = mark(kind, about, (ink,))
    return replace(found.moved(-found.rect.middle, -found.rect.top), x=0.0)


def ring_mark(note: str, length: float = ARC_MM, *, up: bool = False) -> Mark:
    """Return a let-ring arc that begins at the origin, open to the right, hanging down or bent ``up``."""
    end, turn = length, -1.0 if up else 1.0
    deep, thick = turn * 1.3, turn * 0.3
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

    A key's sign may stand before it, as in ``F: IV``: it hangs out to the left of the origin.
    """
    key, turn, bare = roman.rpartition(": ")
    found = _NUMERAL.match(bare)
    if found is None:
        text, _ = letters(roman, ROMAN, grey=QUIET_GREY, italic=True)
        return mark("roman", bar, (text,))
    numeral, quality, figures, of = found.groups(default="")
    hung, out = letters(key + turn, ROMAN, grey=QUIET_GREY, italic=True)
    first, at = letters(numeral + _QUALITY.get(quality, ""), ROMAN, grey=QUIET_GREY, italic=True)
    ink: list[Ink] = [hung.moved(-out, 0), first] if key else [first]
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
    """Return a phrase's thin bracket and, where it begins, its letter in a box, at height 0.

    The box is that of a rehearsal letter: a bare A would be read as the name of a chord.
    """
    ink: list[Ink] = []
    hook, start = 1.6, left
    if begins:
        text, width = letters(letter, PHRASE, bold=True)
        start = left + THIN_MM / 2 + width + 2 * PHRASE_PAD_MM
        ink += [text.moved(left + THIN_MM / 2 + PHRASE_PAD_MM, 0.33 * PHRASE)]
        ink += _box(left + THIN_MM / 2, -PHRASE_BOX_MM / 2, start, PHRASE_BOX_MM / 2)
    ink.append(line(start, 0, right, 0, THIN_MM, FIRM_GREY))
    if ends:
        ink.append(line(right, -THIN_MM / 2, right, hook, THIN_MM, FIRM_GREY))
    return mark("phrase", bar, tuple(ink), left)


def _box(left: float, top: float, right: float, bottom: float) -> list[Ink]:
    corners = ((left, top), (right, top), (right, bottom), (left, bottom), (left, top))
    half = THIN_MM / 2  # so that the corners are closed
    return [
        line(min(x0, x1) - half, y0, max(x0, x1) + half, y1, THIN_MM, FIRM_GREY)
        if y0 == y1
        else line(x0, y0, x1, y1, THIN_MM, FIRM_GREY)
        for (x0, y0), (x1, y1) in pairwise(corners)
    ]


def number_mark(bar: int, number: int) -> Mark:
    """Return a bar's number."""
    text, _ = letters(str(number), NUMBER, grey=QUIET_GREY, italic=True)
    return mark("number", bar, (text,))
