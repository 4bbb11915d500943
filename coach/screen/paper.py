"""The marked page for the music stand: the engraved score and what a teacher would pencil into it.

``print_page`` writes it as PDF (vector, with text that can be searched) or as pictures.  Nothing here needs
a window.  The engraver runs in a process of its own, with a time limit and a memory limit.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

from defusedxml.ElementTree import fromstring

from coach.core.errors import CoachError, one_line
from coach.core.preparation import Preparation
from coach.screen import engraver_process
from coach.screen.paper_facts import Facts, gather, without_fingers
from coach.screen.paper_layout import least_widths, place_marks
from coach.screen.paper_pages import PAPERS, Head, Page, Paper, make_pages
from coach.screen.paper_pdf import write_pdf
from coach.screen.paper_picture import DPI, page_svg, sized
from coach.screen.paper_places import Places
from coach.screen.paper_svg import SPACE_MM, System, read_system

COMMAND = (sys.executable, "-m", "coach.screen.paper_child")
CHECK_SCORE = "print another score, to see whether it is this one"
SCALES = (1.2, 1.13, 1.07)  # of music that leaves a page half blank; 1.2 is a staff of 8.4 mm
HALF_BLANK = 0.66  # share of the height below which a page is
GROWTH = 1.5  # music so many times as large needs this power of it in height: its lines are wider or more
FEW = 3  # bars on a line: with fewer a larger staff is no help to the reader
INSTALL = "install the packages verovio and resvg"


def print_page(
    preparation: Preparation,
    xml: str,
    title: str,
    path: Path,
    *,
    kind: Literal["pdf", "png"],
    paper: Literal["a4", "letter"] = "a4",
    command: Sequence[str] = COMMAND,
    timeout_s: float = engraver_process.TIMEOUT_S,
) -> int:
    """Write the marked score to a file and return the number of pages.

    ``xml`` is our own MusicXML as ``read_score`` returns it, with the ids of the preparation's score.
    Several pages as pictures are written to NAME-1.png, NAME-2.png and so on.  Files are written aside and
    then renamed.  Raises CoachError where the folder cannot be written, or the engraver is not installed,
    fails or takes too long.
    """
    size = PAPERS[paper]
    pages = compose(preparation, xml, title, size, command=command, timeout_s=timeout_s)
    if kind == "pdf":
        files = {path: write_pdf([page.ink for page in pages], size.width, size.height, title)}
    else:
        names = [path] if len(pages) == 1 else [_numbered(path, i + 1) for i in range(len(pages))]
        files = {}
        for name, page in zip(names, pages, strict=True):
            request = {
                "job": "draw", "svg": page_svg(page.ink, size.width, size.height), "scale": DPI / 25.4,
            }  # fmt: skip
            files[name] = sized(_ask(request, title, command, timeout_s))
    _write(files)
    return len(pages)


def compose(
    preparation: Preparation,
    xml: str,
    title: str,
    paper: Paper,
    *,
    command: Sequence[str] = COMMAND,
    timeout_s: float = engraver_process.TIMEOUT_S,
) -> list[Page]:
    """Return the finished pages."""
    if not xml:
        raise CoachError(title, "this score has no notation to print", "give it as MusicXML")
    plain, given = without_fingers(xml)
    facts = gather(preparation, given)

    def made(scale: float) -> tuple[list[Page], int]:
        """Return the pages at a scale, and how many lines have few bars."""
        width = paper.inner / scale / SPACE_MM
        systems = _engraved(preparation, facts, plain, title, width, command, timeout_s)
        places = Places(preparation.score, systems)
        placed = [place_marks(index, places, facts, preparation) for index in range(len(systems))]
        head = _head(preparation, xml, title, systems)
        pages = make_pages(placed, preparation.stops, head, paper, scale)
        return pages, sum(one.bars < FEW for one in placed)

    pages, few = made(1.0)
    if any(page.fill < HALF_BLANK for page in pages):
        for scale in SCALES:
            if sum(page.fill for page in pages) * scale**GROWTH > len(pages):
                continue  # it would not fit
            larger, fewer = made(scale)
            if len(larger) <= len(pages) and fewer <= few:
                return larger
    return pages


def _engraved(
    preparation: Preparation,
    facts: Facts,
    xml: str,
    title: str,
    width: float,
    command: Sequence[str],
    timeout_s: float,
) -> list[System]:
    """Return the systems at a width in staff spaces."""
    score = preparation.score
    performed = score.first_performed
    bars = [
        score.bars[performed[written]] if written in performed else None
        for written in range(len(score.bar_ids))
    ]
    request = {
        "job": "engrave",
        "xml": xml,
        "width": width,
        "least": least_widths(facts, preparation),
        "counted": [int(bar is None or bar.number > 0) for bar in bars],
        "starts": [0, *(score.bars[phrase.first].written for phrase in facts.phrases)],
    }
    answer = _ask(request, title, command, timeout_s)
    try:
        systems = [read_system(svg) for svg in json.loads(answer)]
    except (ValueError, KeyError, TypeError) as fault:
        raise CoachError(title, f"the engraver's answer cannot be read ({fault})", CHECK_SCORE) from fault
    if not systems:
        raise CoachError(title, "the engraver drew nothing", CHECK_SCORE)
    return systems


def _ask(request: dict[str, Any], title: str, command: Sequence[str], timeout_s: float) -> bytes:
    """Return what the printer's child answers."""
    if not engraver_process.can_engrave():
        raise CoachError(title, "the page cannot be engraved here", INSTALL)
    child = engraver_process.start(command)
    answer, why = engraver_process.ask(child, engraver_process.frame(json.dumps(request).encode()), timeout_s)
    if why:
        raise CoachError(title, f"the page could not be engraved: {why}", CHECK_SCORE)
    return answer


def _head(preparation: Preparation, xml: str, title: str, systems: list[System]) -> Head:
    root = fromstring(xml)
    first = next(iter(systems[0].bars), "")

    def texts(path: str) -> tuple[str, ...]:
        return tuple(one_line(node.text or "") for node in root.iterfind(path) if (node.text or "").strip())

    return Head(
        title=title,
        makers=texts("identification/creator"),
        rights=texts("identification/rights"),
        key=preparation.harmony.key.name,
        tempo=tuple(systems[0].tempos.get(first, ())),
    )


def _numbered(path: Path, number: int) -> Path:
    return path.with_name(f"{path.stem}-{number}{path.suffix}")


def _write(files: dict[Path, bytes]) -> None:
    """Write all files aside, then give them their names."""
    asides: dict[Path, Path] = {}
    path = next(iter(files))
    try:
        for path, data in files.items():
            asides[path] = path.with_name(f".{path.name}.{os.getpid()}.new")
            asides[path].write_bytes(data)
        for path, aside in asides.items():
            aside.replace(path)
    except (OSError, ValueError) as fault:  # ValueError: no name, or one with a NUL
        why = getattr(fault, "strerror", None) or "the name is no file name"
        remedy = "name a file in a folder you may write to"
        raise CoachError(str(path), f"it cannot be written ({why})", remedy) from None
    finally:
        for aside in asides.values():
            if "\0" not in aside.name:
                aside.unlink(missing_ok=True)
