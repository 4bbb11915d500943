"""Reads the engraver's drawing of one system: its ink, and where its notes and bars stand, in millimetres.

The engraver's SVG is simple (measured over 65 scores): paths of M, L and C, polygons, ellipses, rectangles,
uses of glyphs that are named by their SMuFL code point, and text; the music font is the one we have, so its
glyphs are taken from there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element

from defusedxml.ElementTree import fromstring

from coach.screen.paper_ink import Ink, Letters, Rect, Shape, around, letters, sign
from coach.screen.paper_type import EM, NOTES, TEXT, Outline, Segment, face, face_for

SVG = "{http://www.w3.org/2000/svg}"
HREF = "{http://www.w3.org/1999/xlink}href"
UNITS = 180.0  # the drawing's units between two staff lines
SPACE_MM = 1.75  # between two staff lines: a staff of 7 mm
MM = SPACE_MM / UNITS  # to a unit
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
COMMAND = re.compile(r"([A-Za-z])([^A-Za-z]*)")
LEAST_WORDS = 2.9  # mm to the em: 8 point; the engraver's own size for digits would be smaller
BESIDE_WORDS = 1.4  # mm between words and a metronome's note
METRONOME_EM = 4.0  # mm to the em of a metronome's note beside words
ITALIC, BOLD = ("dir", "dynam"), ("tempo", "ending", "reh")
RESTS = ("rest", "mRest", "multiRest")
LEFT_OUT = ("bounding-box", "placeholder", "mNum", "fing", "lv")  # let-ring ties are ours


@dataclass(slots=True)
class System:
    """One line of music as engraved; mm from its left end and from its uppermost staff line."""

    ink: list[Ink] = field(default_factory=list)  # but for what stands in the other lists
    lines: list[Ink] = field(default_factory=list)  # of the staff
    endings: list[list[Ink]] = field(default_factory=list)  # brackets with their numbers
    dynamics: list[Rect] = field(default_factory=list)  # where ``ink`` has dynamics
    notes: dict[str, Rect] = field(default_factory=dict)  # heads, by element id
    rests: dict[str, Rect] = field(default_factory=dict)
    bars: dict[str, tuple[float, float]] = field(default_factory=dict)  # left and right barline, in order
    tempos: dict[str, list[Letters]] = field(default_factory=dict)  # by bar: tempo words, not in ``ink``
    staff_bottom: float = 4 * SPACE_MM

    @property
    def fixed(self) -> list[Ink]:
        """What stands where the engraver put it."""
        return [*self.lines, *self.ink]

    @property
    def width(self) -> float:
        """To the right end of its last bar."""
        return max((right for _, right in self.bars.values()), default=0.0)


def read_system(svg: str) -> System:
    """Return what the engraver drew.  Raises ValueError where the drawing is of an unknown make."""
    root = fromstring(svg)
    inner = root.find(f"{SVG}svg")
    margin = None if inner is None else inner.find(f"{SVG}g")
    if margin is None:
        raise ValueError("the drawing has another shape than expected")
    reader = _Reader()
    reader.walk(margin, "", "", ())
    if not reader.staff:
        raise ValueError("the drawing has no staff")
    return reader.system()


class _Reader:
    def __init__(self) -> None:
        self.found = System()
        self.staff: list[float] = []  # y of staff lines

    def system(self) -> System:
        top, found = min(self.staff), self.found
        return System(
            ink=[one.moved(0, -top) for one in found.ink],
            lines=[one.moved(0, -top) for one in found.lines],
            endings=[[one.moved(0, -top) for one in ending] for ending in found.endings if ending],
            dynamics=[box.moved(0, -top) for box in found.dynamics],
            notes={name: box.moved(0, -top) for name, box in found.notes.items()},
            rests={name: box.moved(0, -top) for name, box in found.rests.items()},
            bars=found.bars,
            tempos=found.tempos,
            staff_bottom=max(self.staff) - top,
        )

    def walk(self, element: Element, bar: str, note: str, kinds: tuple[str, ...]) -> None:
        """Take down what is in a group; ``kinds`` are the classes of the groups around it."""
        own = tuple((element.get("class") or "").split())
        if any(kind in LEFT_OUT for kind in own):
            return
        name = element.get("id") or ""
        kinds = (*kinds, *own[:1])
        if "measure" in own:
            bar = name
            self.found.bars[bar] = (1e9, -1e9)
        elif own[:1] in (("note",), *((kind,) for kind in RESTS)):
            note = name
        elif "voltaBracket" in own:
            self.found.endings.append([])
        for child in element:
            tag = child.tag.removeprefix(SVG)
            if tag == "g":
                self.walk(child, bar, note, kinds)
            elif tag == "text":
                self._text(child, bar, kinds)
            elif tag == "use":
                self._glyph(child, note, kinds)
            elif tag in ("path", "polygon", "rect", "ellipse"):
                shape = _shape(child, tag)
                if own[:1] == ("staff",):
                    self.found.lines.append(shape)
                    self._staff_line(shape, bar)
                else:
                    self._ink([shape], kinds)

    def _ink(self, ink: list[Ink], kinds: tuple[str, ...]) -> None:
        (self.found.endings[-1] if "voltaBracket" in kinds else self.found.ink).extend(ink)
        if "dynam" in kinds:
            self.found.dynamics += [rect for one in ink for rect in one.rects()]

    def _staff_line(self, shape: Shape, bar: str) -> None:
        (_, (x0, y0)), (_, (x1, y1)) = shape.outline[0], shape.outline[-1]
        if y0 == y1 and bar:
            left, right = self.found.bars[bar]
            self.found.bars[bar] = (min(left, x0), max(right, x1))
            self.staff.append(y0)

    def _glyph(self, use: Element, note: str, kinds: tuple[str, ...]) -> None:
        char = chr(int((use.get(HREF) or "#0").lstrip("#").split("-")[0], 16))
        x, y, scale, *_ = (float(v) for v in NUMBER.findall(use.get("transform") or ""))
        if not face(NOTES).has(char):
            raise ValueError(f"the music font has no U+{ord(char):04X}")
        drawn = sign(char, scale * EM * MM).moved(x * MM, y * MM)
        self._ink([drawn], kinds)
        if not note:
            return
        place = self.found.notes if "notehead" in kinds else self.found.rests
        if "notehead" in kinds or any(kind in RESTS for kind in kinds):
            boxes = [*drawn.rects(), *([place[note]] if note in place else [])]
            if boxes:
                place[note] = around(boxes)

    def _text(self, element: Element, bar: str, kinds: tuple[str, ...]) -> None:
        runs: list[Letters] = []
        at = 0.0
        for span in element.iter(f"{SVG}tspan"):
            text, size = span.text or "", float((span.get("font-size") or "0").removesuffix("px")) * MM
            if not text.strip(" \n") or not size:
                continue
            if span.get("font-family") == "Bravura":
                size = min(size, METRONOME_EM)
                at += BESIDE_WORDS if runs else 0.0
            size = max(size, LEAST_WORDS)
            run, width = letters(
                text.replace("\u00a0", " "), size,
                bold=any(kind in BOLD for kind in kinds) and face_for(text[0]) == TEXT,
                italic=any(kind in ITALIC for kind in kinds),
            )  # fmt: skip
            runs.append(run.moved(at, 0))
            at += width
        shift = {"middle": at / 2, "end": at}.get(element.get("text-anchor", ""), 0.0)
        x, y = (float(element.get(key) or 0) * MM for key in ("x", "y"))
        if "tempo" in kinds:
            self.found.tempos.setdefault(bar, []).extend(runs)
            return
        self._ink([run.moved(x - shift, y) for run in runs], kinds)


def _shape(element: Element, tag: str) -> Shape:
    width = float((element.get("stroke-width") or "0").removesuffix("px")) * MM
    stroke = 0.0 if width > 0 else None
    dash = [float(v) * MM for v in NUMBER.findall(element.get("stroke-dasharray") or "")]
    pattern = (dash[0], dash[1] if len(dash) > 1 else dash[0]) if dash else None
    filled = 0.0 if element.get("fill") not in ("none", "transparent") else None
    if tag == "path":
        outline = _path(element.get("d") or "")
        if all(kind in "ML" for kind, _ in outline) and len(outline) == 2:
            filled = None
        return Shape(outline, filled, stroke, width, pattern)
    if tag == "polygon":
        values = [float(v) * MM for v in NUMBER.findall(element.get("points") or "")]
        corners = list(zip(values[::2], values[1::2], strict=True))
        return Shape(_closed(corners), filled, stroke, width)
    if tag == "rect":
        x, y, w, h = (float(element.get(key) or 0) * MM for key in ("x", "y", "width", "height"))
        return Shape(_closed([(x, y), (x + w, y), (x + w, y + h), (x, y + h)]), filled, stroke, width)
    cx, cy, rx, ry = (float(element.get(key) or 0) * MM for key in ("cx", "cy", "rx", "ry"))
    return Shape(ellipse(cx, cy, rx, ry), filled, stroke, width)


def _closed(corners: list[tuple[float, float]]) -> Outline:
    first, *rest = corners
    return (("M", first), *(("L", corner) for corner in rest), ("Z", ()))


def ellipse(cx: float, cy: float, rx: float, ry: float) -> Outline:
    """Return an ellipse as four curves."""
    kx, ky = 0.5523 * rx, 0.5523 * ry  # the usual approximation of a quarter circle by a cubic
    return (
        ("M", (cx + rx, cy)),
        ("C", (cx + rx, cy + ky, cx + kx, cy + ry, cx, cy + ry)),
        ("C", (cx - kx, cy + ry, cx - rx, cy + ky, cx - rx, cy)),
        ("C", (cx - rx, cy - ky, cx - kx, cy - ry, cx, cy - ry)),
        ("C", (cx + kx, cy - ry, cx + rx, cy - ky, cx + rx, cy)),
        ("Z", ()),
    )


def _path(text: str) -> Outline:
    found: list[Segment] = []
    for kind, rest in COMMAND.findall(text):
        values = [float(v) * MM for v in NUMBER.findall(rest)]
        if kind not in "MLCZz":
            raise ValueError(f"a path has the command {kind}")
        if kind in "Zz":
            found.append(("Z", ()))
            continue
        size = 6 if kind == "C" else 2
        found += [(kind, tuple(values[i : i + size])) for i in range(0, len(values), size)]
    return tuple(found)
