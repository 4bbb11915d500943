"""The engraver's own process: MusicXML text in, systems out.

Run as ``python -m coach.screen.engraver_child``.  Standard input carries one request frame, standard output
one answer frame: four bytes of length (big-endian), that much JSON, then the systems' ink one after
another, each zlib-packed with one byte a pixel (the JSON gives the lengths).  verovio and resvg hold the
interpreter's lock and may hang or crash on a strange file; here they can, and be killed for it.

Measured (verovio 6.4.1, resvg 0.2.0): 16 bars take 0.3 s, 200 bars 1.6 s, start-up included.
"""

from __future__ import annotations

import io
import json
import os
import re
import sys
import zlib
from collections import Counter
from collections.abc import Iterator
from typing import Any
from xml.etree import ElementTree

from coach.screen.lines import MOST_BARS, lines_for

SVG = "{http://www.w3.org/2000/svg}"
UNITS = 18.0  # verovio's pixels between two staff lines at scale 100
MARGIN = 0.5  # staff spaces of blank kept around a system's ink
METRONOME_NOTE = "500px"  # beside words of 405
SPACING = 0.33  # verovio's own is 0.25; the ring lines below are time, and words stand at their ends
MOST_BALANCED = 80  # bars
WIDER = 1.05  # a step in search of the spacing with which bars come to stand evenly
MOST_STEPS = 32  # … and so at most five times as wide
COARSE_STEPS = 6  # for a long score
MEMORY = 2 << 30  # bytes; a score that wants more is not for a music stand
SYSTEM_BY_SYSTEM = {  # verovio's options for one page a system, as high as its ink, and nothing around it
    "scale": 100,
    "pageHeight": 60_000,
    "adjustPageHeight": True,
    "pageMarginLeft": 0,
    "pageMarginRight": 0,
    "header": "none",
    "footer": "none",
    "font": "Bravura",
    "smuflTextFont": "none",
    "systemMaxPerPage": 1,
    "svgFormatRaw": True,
}


def main() -> int:
    """Answer the one request on standard input."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints must not fall into the answer
    limit_memory()
    length = int.from_bytes(sys.stdin.buffer.read(4), "big")
    request = json.loads(sys.stdin.buffer.read(length))
    systems, inks = [], []
    for system, ink in engrave(**request):
        systems.append({**system, "ink": len(ink)})
        inks.append(ink)
    head = json.dumps({"systems": systems}).encode()
    out.write(len(head).to_bytes(4, "big") + head + b"".join(inks))
    out.close()
    return 0


def engrave(
    xml: str,
    width: int,
    space: float,
    bars: list[int] | None,
    music: str,
    text: str,
    family: str,
    most: int = MOST_BARS,
) -> Iterator[tuple[dict[str, Any], bytes]]:
    """Yield (measures, packed ink) of each system.

    ``bars`` are the first and last written bar, counted from 0; None is all.  ``music`` and ``text`` are
    font files, ``family`` the text font's name, ``most`` how many bars a line may have.
    """
    import verovio
    from resvg import usvg

    verovio.enableLog(verovio.LOG_OFF)
    options = usvg.Options.default()
    options.load_font_file(text)
    options.load_font_file(music)
    scale = space / UNITS
    toolkit = verovio.toolkit()
    toolkit.setOptions(
        {
            **SYSTEM_BY_SYSTEM,
            "pageWidth": max(int(width / scale), 100),
            "breaks": "auto",
            "svgBoundingBoxes": True,
            "spacingLinear": SPACING,
            "minLastJustification": 1.0,
            "fingeringScale": 0.9,
        }
    )
    if not toolkit.loadData(xml):
        raise ValueError("verovio cannot load the score")
    if bars is not None:
        toolkit.select({"measureRange": f"{bars[0] + 1}-{bars[1] + 1}"})
        toolkit.redoLayout()
    fill = _spread_out(toolkit, xml, bars, most)
    for page in range(1, toolkit.getPageCount() + 1):
        measures, ink = _system(toolkit.renderToSVG(page).replace("Times, serif", family), space, options)
        yield {**measures, "fill": fill}, ink


def _spread_out(toolkit: Any, xml: str, bars: list[int] | None, most: int = MOST_BARS) -> float:
    """Spread the bars evenly over the lines; return how much of a single line the music itself fills."""
    names = [m.get("id") or "" for m in ElementTree.fromstring(xml).iter("measure")]
    names = names if bars is None else names[bars[0] : bars[1] + 1]
    if toolkit.getPageCount() > 1 or len(names) > most:
        toolkit.setOptions({"minLastJustification": 0.55})
        toolkit.redoLayout()
        _balance(toolkit, names, most)
    if toolkit.getPageCount() > 1:
        return 1.0
    lines = re.findall(r'<path d="M[-\d.]+ [-\d.]+ L([-\d.]+) [-\d.]+"', toolkit.renderToSVG(1))
    wide = re.search(r'viewBox="0 0 (\d+)', toolkit.renderToSVG(1))
    fill = max((float(x) for x in lines), default=1.0) / float(wide.group(1)) if wide else 1.0
    # A drill of a bar or two: as wide as can be, for the sake of the ring lines.
    toolkit.setOptions({"minLastJustification": 0.25})
    toolkit.redoLayout()
    return min(max(fill, 0.05), 1.0)


def _balance(toolkit: Any, names: list[str], most: int = MOST_BARS) -> None:
    """Widen the spacing until the bars stand evenly, and not too many of them, on a line."""
    wanted = max(toolkit.getPageCount(), lines_for(len(names), most))
    fine = len(names) <= MOST_BALANCED
    steps = MOST_STEPS if fine else COARSE_STEPS

    def unevenness() -> tuple[int, int]:
        counts = Counter(toolkit.getPageWithElement(name) for name in names)
        return abs(len(counts) - wanted), max(counts.values()) - min(counts.values())

    best, best_factor = unevenness(), 1.0
    for step in range(1, steps + 1):
        if best <= (0, 1 if len(names) % wanted else 0):
            break
        factor = (WIDER if fine else WIDER ** (MOST_STEPS / COARSE_STEPS)) ** step
        _space_out(toolkit, factor)
        if fine and toolkit.getPageCount() > wanted:
            break
        found = unevenness()
        if found < best:
            best, best_factor = found, factor
    _space_out(toolkit, best_factor)


def _space_out(toolkit: Any, factor: float) -> None:
    toolkit.setOptions({"spacingLinear": SPACING * factor})
    toolkit.redoLayout()


def _system(svg: str, space: float, options: Any) -> tuple[dict[str, Any], bytes]:
    scale = space / UNITS
    from resvg import render, usvg

    root = ElementTree.fromstring(svg)
    inner = root.find(f"{SVG}svg")
    margin = None if inner is None else inner.find(f"{SVG}g")
    if inner is None or margin is None:
        raise ValueError("verovio's drawing has another shape than expected")
    # The bars' numbers are ours to write (ringed where the player is).
    for parent in list(root.iter()):
        for child in list(parent):
            if (child.get("class") or "").startswith("mNum"):
                parent.remove(child)
    for tempo in root.iter(f"{SVG}g"):
        if tempo.get("class") == "tempo":
            _calm_tempo(tempo)
    page_width, page_height = (
        float((root.get(side) or "0").removesuffix("px")) for side in ("width", "height")
    )
    unit = page_width / float((inner.get("viewBox") or "0 0 1 1").split()[2]) * scale
    shift = [float(v) for v in re.findall(r"-?[\d.]+", margin.get("transform") or "")] or [0.0, 0.0]
    found = _Boxes(unit, shift[0] * unit, shift[1] * unit)
    found.walk(margin)
    width, height = round(page_width * scale), max(round(page_height * scale), 1)
    tree = usvg.Tree.from_str(ElementTree.tostring(root, encoding="unicode"), options)
    png = render(tree, (scale, 0, 0, 0, scale, 0), bg_size=(width, height), bg_color=(255, 255, 255, 255))
    ink, top, height = _cropped(_ink(bytes(png)), width, round(MARGIN * space))
    measures = {
        "width": width,
        "height": height,
        "staff": [found.staff[0] - top, found.staff[1] - top],
        "boxes": {name: [x, y - top, w, h] for name, (x, y, w, h) in found.boxes.items()},
        "bars": found.bars,
    }
    return measures, zlib.compress(ink, 1)


def _cropped(ink: bytes, width: int, margin: int) -> tuple[bytes, int, int]:
    """Return (ink, top, height) of the rows that bear ink, and a margin above and below them."""
    rows = len(ink) // width
    inked = [row for row in range(rows) if ink[row * width : (row + 1) * width].strip(b"\0")]
    top = max(inked[0] - margin, 0) if inked else 0
    bottom = min(inked[-1] + 1 + margin, rows) if inked else rows
    return ink[top * width : bottom * width], top, bottom - top


def _calm_tempo(tempo: ElementTree.Element) -> None:
    """Bring a metronome mark's note down to its words' size; the renderer knows the text font better."""
    before: ElementTree.Element | None = None
    for span in tempo.iter(f"{SVG}tspan"):
        if not (span.text or "").strip():
            continue
        if span.get("font-family") == "Bravura":
            span.set("font-size", METRONOME_NOTE)
            if before is not None and before.get("font-family") != "Bravura":
                before.text = f"{before.text}\u00a0\u00a0"
        before = span


class _Boxes:
    """Collects the places of a system's elements, in pixels."""

    def __init__(self, unit: float, left: float, top: float) -> None:
        self.unit, self.left, self.top = unit, left, top
        self.boxes: dict[str, list[float]] = {}
        self.bars: dict[str, list[float]] = {}
        self.staff = [1e9, -1e9]

    def walk(self, element: ElementTree.Element, bar: str | None = None) -> None:
        kinds = (element.get("class") or "").split()
        kind = kinds[0] if kinds else ""
        if "bounding-box" in kinds:
            return
        name = element.get("id") or ""
        if kind == "measure":
            bar = name
            self.bars[bar] = [1e9, -1e9]
        elif kind == "staff" and bar is not None:
            self._staff(element, bar)
        elif kind in ("note", "rest", "mRest", "multiRest") and name:
            box = self._box(element, name)
            if box is not None:
                self.boxes[name] = box
        for child in element:
            self.walk(child, bar)

    def _rect(self, rect: ElementTree.Element) -> list[float]:
        x, y, w, h = (float(rect.get(key) or 0) * self.unit for key in ("x", "y", "width", "height"))
        return [x + self.left, y + self.top, w, h]

    def _box(self, element: ElementTree.Element, name: str) -> list[float] | None:
        for child in element:
            if child.get("id") == f"bbox-{name}":
                rect = child.find(f"{SVG}rect")
                return None if rect is None else self._rect(rect)
        return None

    def _staff(self, element: ElementTree.Element, bar: str) -> None:
        for path in element.findall(f"{SVG}path"):
            numbers = [float(v) for v in re.findall(r"-?[\d.]+", path.get("d") or "")]
            if len(numbers) < 4 or numbers[1] != numbers[3]:
                continue
            x0, x1 = (self.left + numbers[i] * self.unit for i in (0, 2))
            y = self.top + numbers[1] * self.unit
            self.bars[bar] = [min(self.bars[bar][0], x0), max(self.bars[bar][1], x1)]
            self.staff = [min(self.staff[0], y), max(self.staff[1], y)]


def _ink(png: bytes) -> bytes:
    """Return a black-on-white picture as one byte a pixel, 255 for full ink."""
    os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
    import pygame

    picture = pygame.image.load(io.BytesIO(png), "page.png")
    red = pygame.image.tobytes(picture, "RGB")[::3]
    return red.translate(bytes(range(255, -1, -1)))


def limit_memory() -> None:
    """Let this process have no more memory than a score for a music stand can need."""
    try:
        import resource
    except ImportError:  # not on Windows
        return
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    limit = MEMORY if hard == resource.RLIM_INFINITY else min(MEMORY, hard)
    resource.setrlimit(resource.RLIMIT_AS, (limit, hard))


if __name__ == "__main__":
    sys.exit(main())
