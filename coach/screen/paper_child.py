"""The printer's own process: engraves the systems of a page, or turns a finished page into a picture.

Run as ``python -m coach.screen.paper_child``, with frames as ``engraver_process`` has them.  The request is
JSON: ``{"job": "engrave", "xml", "width", "least", "counted", "starts"}`` is answered by a JSON list of SVG
texts, one a system; ``{"job": "draw", "svg", "scale"}`` by the bytes of a PNG.
"""

from __future__ import annotations

import json
import os
import re
import sys
from typing import Any
from xml.etree import ElementTree

from coach.screen.engraver_child import SYSTEM_BY_SYSTEM, limit_memory
from coach.screen.paper_lines import break_lines

UNITS = 18.0  # verovio's pixels between two staff lines at scale 100
SPACING = 0.3  # verovio's own is 0.25; marks need room
SVG = "{http://www.w3.org/2000/svg}"


def main() -> int:
    """Answer the one request on standard input."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints must not fall into the answer
    limit_memory()
    length = int.from_bytes(sys.stdin.buffer.read(4), "big")
    request = json.loads(sys.stdin.buffer.read(length))
    job = request.pop("job")
    answer = json.dumps(engrave(**request)).encode() if job == "engrave" else draw(**request)
    out.write(answer)
    out.close()
    return 0


def engrave(xml: str, width: float, least: list[float], counted: list[int], starts: list[int]) -> list[str]:
    """Return the drawings of the systems.

    ``width`` is theirs, and ``least`` what each bar needs for its marks, in staff spaces; ``counted`` is 0
    for bars that are none to a reader (a pickup), else 1; ``starts`` are the bars at which a line had better
    begin.
    """
    import verovio

    verovio.enableLog(verovio.LOG_OFF)
    toolkit = verovio.toolkit()
    options = {
        **SYSTEM_BY_SYSTEM,
        "pageWidth": 60_000,
        "breaks": "none",
        "spacingLinear": SPACING,
        "minLastJustification": 0.0,
    }
    toolkit.setOptions(options)
    _load(toolkit, xml)
    naturals, head = _widths(toolkit.renderToSVG(1))
    naturals = [max(pair) for pair in zip(naturals, least, strict=True)]
    firsts = break_lines(naturals, width, head, counted, frozenset(starts))
    root = ElementTree.fromstring(xml)
    for index, measure in enumerate(root.iter("measure")):
        if index in firsts and index:
            measure.insert(0, ElementTree.Element("print", {"new-system": "yes"}))
    toolkit.setOptions({**options, "breaks": "line", "pageWidth": int(width * UNITS)})
    _load(toolkit, ElementTree.tostring(root, encoding="unicode"))
    return [toolkit.renderToSVG(page) for page in range(1, toolkit.getPageCount() + 1)]


def _load(toolkit: Any, xml: str) -> None:
    if not toolkit.loadData(xml):
        raise ValueError("verovio cannot load the score")


def _widths(svg: str) -> tuple[list[float], float]:
    """Return each bar's natural width, and that of clef and key before the first one; staff spaces."""
    root = ElementTree.fromstring(svg)
    widths: list[float] = []
    head = 0.0
    for measure in root.iter(f"{SVG}g"):
        if measure.get("class") != "measure":
            continue
        staff = next((g for g in measure if g.get("class") == "staff"), None)
        line = None if staff is None else staff.find(f"{SVG}path")
        ends = [float(v) for v in re.findall(r"-?[\d.]+", "" if line is None else line.get("d") or "")]
        widths.append((ends[2] - ends[0]) / (10 * UNITS) if len(ends) == 4 else 0.0)
        if len(widths) == 1 and staff is not None:
            keys = len([g for g in staff.iter(f"{SVG}g") if g.get("class") == "keyAccid"])
            head = 4.0 + keys
            widths[0] = max(widths[0] - head, 1.0)
    return widths, head


def draw(svg: str, scale: float) -> bytes:
    """Return a PNG of a page; ``scale`` is pixels to one of its units."""
    from resvg import render, usvg

    tree = usvg.Tree.from_str(svg, usvg.Options.default())
    found = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
    if found is None:
        raise ValueError("the page has no size")
    width, height = (round(float(side) * scale) for side in found.groups())
    picture = render(tree, (scale, 0, 0, 0, scale, 0), bg_size=(width, height), bg_color=(255, 255, 255, 255))
    return bytes(picture)


if __name__ == "__main__":
    sys.exit(main())
