"""Printed pages for tests: pieces dressed with chords and phrases, composed in this process, and drawn."""

from __future__ import annotations

import io
import json
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from coach.app.piece import Piece, open_piece
from coach.core.harmony import Chord, Reading
from coach.core.phrases import Phrase
from coach.core.preparation import Preparation
from coach.core.spelling import Key
from coach.screen import paper, paper_child
from coach.screen.paper_ink import Ink, Rect, Shape
from coach.screen.paper_pages import PAPERS, Page
from coach.screen.paper_picture import page_svg
from coach.screen.paper_svg import MM, SPACE_MM, SVG

SCORES = sorted((Path(__file__).parents[1] / "scores").glob("*.musicxml"))
NAMES = [path.stem for path in SCORES]
PIANO_SIGN = "\ue520"  # SMuFL dynamicPiano
PX_MM = 6.0  # of the pictures looked at here: 150 dpi
CHORDS = (
    ("Am", "i"), ("E7/G♯", "V65"), ("Dm", "iv"), ("Bm7♭5", "ii%7"), ("E7", "V7/V"), ("F", "VI"), ("N6", "N6"),
)  # fmt: skip


def dressed(preparation: Preparation) -> Preparation:
    """Return a preparation with invented chords and phrases of four bars: two chords in every third bar."""
    score, chords = preparation.score, []
    for index, bar in enumerate(score.bars):
        parts = 2 if index % 3 == 1 else 1
        for part in range(parts):
            name, roman = CHORDS[len(chords) % len(CHORDS)]
            onset, end = (bar.onset + bar.length * k // parts for k in (part, part + 1))
            reading = Reading(0, "", 0, 0, name, roman)
            chords.append(Chord(index, onset, end, Key(3, True), (reading,), frozenset()))
    last = len(score.bars) - 1
    phrases = [Phrase(first, min(first + 3, last), "ABC"[first % 3]) for first in range(0, last + 1, 4)]
    harmony = replace(preparation.harmony, chords=tuple(chords))
    return replace(preparation, harmony=harmony, form=replace(preparation.form, phrases=tuple(phrases)))


@dataclass
class Composed:
    piece: Piece
    preparation: Preparation
    pages: list[Page]
    svgs: list[str]  # as the engraver drew the systems, with its own boxes
    paper: str
    scale: float


def composed(found: Piece, preparation: Preparation, size: str, patch: pytest.MonkeyPatch) -> Composed:
    """Return the pages of a piece, engraved in this process with the engraver's own boxes in the drawing."""
    import verovio

    class Toolkit(verovio.toolkit):
        def setOptions(self, options):
            return super().setOptions({**options, "svgBoundingBoxes": True})

    drawn: dict[float, list[str]] = {}  # by width: larger music is tried on a narrower line

    def ask(request, *_):
        request.pop("job")
        drawn[request["width"]] = paper_child.engrave(**request)
        return json.dumps(drawn[request["width"]]).encode()

    patch.setattr(verovio, "toolkit", Toolkit)
    patch.setattr(paper, "_ask", ask)
    pages = paper.compose(preparation, found.xml, found.title, PAPERS[size])
    scale = pages[0].scale
    return Composed(found, preparation, pages, drawn[PAPERS[size].inner / scale / SPACE_MM], size, scale)


def long_piece(folder: Path) -> Piece:
    """Return a piece of 60 bars: the bars of étude 2, over and over."""
    tree = ElementTree.parse(SCORES[1])
    part = tree.getroot().find("part")
    assert part is not None
    bars = part.findall("measure")
    for extra in range(60 - len(bars)):
        copy = ElementTree.fromstring(ElementTree.tostring(bars[1 + extra % (len(bars) - 2)]))
        number = str(len(bars) + extra)
        for element in copy.iter():
            if element.get("id"):
                element.set("id", f"{element.get('id')}x{number}")
        copy.set("number", number)
        part.insert(len(bars) - 1 + extra, copy)
    path = folder / "long.musicxml"
    tree.write(path, encoding="utf-8")
    return open_piece(path)


def darkness(ink, size: str, px_mm: float = PX_MM) -> np.ndarray:
    """Return how dark each pixel of a page is, 0 to 255, shape (height, width, RGB)."""
    import pygame

    page = PAPERS[size]
    png = paper_child.draw(page_svg(ink, page.width, page.height), px_mm)
    picture = pygame.image.load(io.BytesIO(png), "page.png")
    return 255 - pygame.surfarray.array3d(picture).transpose(1, 0, 2).astype(int)


def engraved_but_lines(page: Page) -> list[Ink]:
    """Return what is engraved but for the staff's lines: level strokes of more than 8 mm."""

    def is_line(ink: Ink) -> bool:
        (box, *more) = list(ink.rects()) or [Rect(0, 0, 0, 0)]
        return isinstance(ink, Shape) and not more and box.width > 8 and box.height < 0.3

    found = [ink for ink in page.engraved if not is_line(ink)]
    assert len(found) < len(page.engraved)
    return found


def engraver_boxes(svgs: list[str], scale: float) -> list[dict[str, tuple[float, float]]]:
    """Return the engraver's own boxes of notes and rests: id -> (left, width), mm from the system's left."""
    found = []
    for svg in svgs:
        boxes = {}
        for group in ElementTree.fromstring(svg).iter(f"{SVG}g"):
            rect = group.find(f"{SVG}rect")
            if (group.get("id") or "").startswith("bbox-") and rect is not None:
                left, width = (float(rect.get(key) or 0) * MM * scale for key in ("x", "width"))
                boxes[(group.get("id") or "").removeprefix("bbox-")] = (left, width)
        found.append(boxes)
    return found


CHORDAL = """<score-partwise version="4.0"><part-list><score-part id="P1"><part-name/></score-part>
</part-list><part id="P1">{bars}</part></score-partwise>"""
BAR = """<measure number="{number}">{attributes}{before}{upper}<backup><duration>4</duration></backup>
<note><pitch><step>C</step><octave>3</octave></pitch><duration>4</duration><voice>2</voice><type>whole</type>
<notations><technical><string>5</string><fret>3</fret><fingering>3</fingering></technical></notations></note>
</measure>"""
ATTRIBUTES = """<attributes><divisions>1</divisions><key><fifths>0</fifths></key><time><beats>4</beats>
<beat-type>4</beat-type></time><clef><sign>G</sign><line>2</line><clef-octave-change>-1</clef-octave-change>
</clef></attributes>"""
PIANO = (
    """<direction placement="below"><direction-type><dynamics><p/></dynamics></direction-type></direction>"""
)
UPPER = (("E", 3, 4, 2, 2), ("C", 4, 2, 1, 1), ("A", 4, 1, 5, 4))  # step, octave, string, fret, finger


def chordal_piece(folder: Path) -> Piece:
    """Return four bars of one chord of four notes with all fingers given; piano at the first."""
    upper = "".join(
        f"<note>{'<chord/>' if i else ''}<pitch><step>{step}</step><octave>{octave}</octave></pitch>"
        f"<duration>4</duration><voice>1</voice><type>whole</type><notations><technical>"
        f"<string>{string}</string><fret>{fret}</fret><fingering>{finger}</fingering></technical></notations>"
        "</note>"
        for i, (step, octave, string, fret, finger) in enumerate(UPPER)
    )
    bars = "".join(
        BAR.format(
            number=n, attributes=ATTRIBUTES if n == 1 else "", before=PIANO if n == 1 else "", upper=upper
        )
        for n in range(1, 5)
    )
    path = folder / "chords.musicxml"
    path.write_text(CHORDAL.format(bars=bars), encoding="utf-8")
    return open_piece(path)
