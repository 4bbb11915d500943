"""Lays the systems out on pages, with a head, page numbers, and a foot that explains the signs used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from coach.core.damping import Stop
from coach.screen.paper_ink import Ink, Letters, letters, line
from coach.screen.paper_layout import Placed, shifted
from coach.screen.paper_legend import LEADING, legend_lines
from coach.screen.paper_legend import SIZE as SMALL
from coach.screen.paper_marks import FIRM_GREY, QUIET_GREY, THIN_MM, Mark
from coach.screen.paper_type import POINT, width_mm
from coach.screen.paper_words import KEY_WORDS, PAGE_OF

MARGIN_MM = 13.0
LEAST_GAP = 4.5  # mm between two systems
MOST_GAP = 22.0
TITLE, MAKER, ABOUT = 20 * POINT, 11 * POINT, 11 * POINT
HEAD_GAP = 5.0  # between the head and the first system
FOOT_GAP = 5.0


@dataclass(frozen=True, slots=True)
class Paper:
    """A size of paper, in mm."""

    width: float
    height: float

    @property
    def inner(self) -> float:
        """Width between the margins."""
        return self.width - 2 * MARGIN_MM


PAPERS = {"a4": Paper(210.0, 297.0), "letter": Paper(215.9, 279.4)}


@dataclass(frozen=True, slots=True)
class Head:
    """What stands over the music."""

    title: str
    makers: tuple[str, ...] = ()
    rights: tuple[str, ...] = ()
    key: str = ""
    tempo: tuple[Letters, ...] = ()  # as engraved


@dataclass(slots=True)
class Page:
    """A finished page: everything on it, and the marks among it, in mm from its upper left corner."""

    engraved: list[Ink] = field(default_factory=list)
    frame: list[Ink] = field(default_factory=list)  # head, foot, page number
    marks: list[Mark] = field(default_factory=list)
    systems: list[tuple[int, float]] = field(default_factory=list)  # which, and y of its uppermost staff line
    fill: float = 0.0  # share of the height that its music needs
    scale: float = 1.0  # of its music: the staff is 7 mm times this

    @property
    def ink(self) -> list[Ink]:
        """Everything on the page."""
        return [*self.frame, *self.engraved, *(ink for one in self.marks for ink in one.ink)]


def make_pages(
    placed: Sequence[Placed], stops: Sequence[Stop], head: Head, paper: Paper, scale: float = 1.0
) -> list[Page]:
    """Return the pages of a piece, its music ``scale`` times as large as it is laid out."""
    first, top = _head(head, paper)
    heights = [(one.bottom - one.top) * scale for one in placed]
    foot = _foot_height(stops, placed, paper)
    bottom = paper.height - MARGIN_MM - foot
    running = MARGIN_MM + SMALL + HEAD_GAP
    groups = _grouped(heights, bottom - top, bottom - running)
    pages = []
    at = 0
    for number, count in enumerate(groups):
        page = Page(frame=list(first) if number == 0 else _running(head.title, paper), scale=scale)
        begin = top if number == 0 else running
        spare = bottom - begin - sum(heights[at : at + count])
        page.fill = 1 - (spare - LEAST_GAP * (count - 1)) / (bottom - begin)
        gap = min(max(spare / max(count - 1, 1), LEAST_GAP), MOST_GAP)
        y = begin
        for index in range(at, at + count):
            staff = y - placed[index].top * scale
            ink, marks = shifted(placed[index], MARGIN_MM, staff, scale)
            page.engraved += ink
            page.marks += marks
            page.systems.append((index, staff))
            y += heights[index] + gap
        page.frame += _foot(page.marks, stops, paper, PAGE_OF.format(page=number + 1, pages=len(groups)))
        pages.append(page)
        at += count
    return pages


def _grouped(heights: Sequence[float], first: float, other: float) -> list[int]:
    """Return how many systems each page has: as many as it holds, but no single one is left for the last."""
    groups: list[int] = []
    used = 0.0
    for height in heights:
        room = first if len(groups) < 2 else other
        if groups and used + LEAST_GAP + height <= room:
            groups[-1] += 1
            used += LEAST_GAP + height
        else:
            groups.append(1)
            used = height
    if len(groups) > 1 and groups[-1] == 1 and groups[-2] > 2:
        groups[-2:] = [groups[-2] - 1, 2]
    return groups


def _head(head: Head, paper: Paper) -> tuple[list[Ink], float]:
    """Return the head of the first page, and where the music may begin."""
    size = TITLE
    while width_mm(head.title, size) > paper.inner and size > MAKER:
        size *= 0.95
    title, width = letters(_fitted(head.title, size, paper.inner), size)
    y = MARGIN_MM + 0.72 * TITLE
    ink: list[Ink] = [title.moved((paper.width - width) / 2, y)]
    y += LEADING * MAKER + 1.5
    left = MARGIN_MM
    for run in head.tempo:
        ink.append(run.moved(left, y))
    end = max((rect.right for run in ink[1:] for rect in run.rects()), default=MARGIN_MM)
    if head.key:
        key, width = letters(KEY_WORDS.format(key=head.key), ABOUT)
        ink.append(key.moved(end + 7.0 if head.tempo else MARGIN_MM, y))
        end = end + 7.0 + width
    if head.makers:
        room = paper.width - MARGIN_MM - end - 6.0
        run, width = letters(_fitted(", ".join(head.makers), MAKER, room), MAKER)
        ink.append(run.moved(paper.width - MARGIN_MM - width, y))
    if head.rights:  # at the foot, beside the page's number
        room = paper.inner / 2 - 10.0
        run, _ = letters(_fitted(", ".join(head.rights), SMALL, room), SMALL, grey=QUIET_GREY)
        ink.append(run.moved(MARGIN_MM, _last_line(paper)))
    return ink, y + HEAD_GAP


def _last_line(paper: Paper) -> float:
    return paper.height - MARGIN_MM - 0.25 * SMALL


def _fitted(words: str, size: float, room: float) -> str:
    """Return the words, cut short where there is no room for them."""
    if width_mm(words, size) <= room:
        return words
    while words and width_mm(words + "…", size) > room:
        words = words[:-1]
    return words.rstrip() + "…"


def _running(title: str, paper: Paper) -> list[Ink]:
    run, width = letters(_fitted(title, SMALL, paper.inner), SMALL, grey=QUIET_GREY)
    return [run.moved((paper.width - width) / 2, MARGIN_MM + 0.72 * SMALL)]


def _foot_height(stops: Sequence[Stop], placed: Sequence[Placed], paper: Paper) -> float:
    marks = [one for system in placed for one in system.marks]
    return FOOT_GAP + (len(legend_lines(marks, stops, paper.inner)) + 1) * LEADING * SMALL + 1.5


def _foot(marks: Sequence[Mark], stops: Sequence[Stop], paper: Paper, number: str) -> list[Ink]:
    lines = legend_lines(marks, stops, paper.inner)
    low = _last_line(paper)
    run, width = letters(number, SMALL)
    ink: list[Ink] = [run.moved((paper.width - width) / 2, low)]
    y = low - 1.5 - LEADING * SMALL * len(lines)
    if lines:
        rule = y - SMALL
        ink.append(line(MARGIN_MM, rule, paper.width - MARGIN_MM, rule, THIN_MM, FIRM_GREY))
    for row in lines:
        ink += [one.moved(MARGIN_MM, y) for one in row]
        y += LEADING * SMALL
    return ink
