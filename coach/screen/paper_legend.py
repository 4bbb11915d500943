"""The foot's short explanation of the signs that are used on a page, each drawn as it looks."""

from __future__ import annotations

from collections.abc import Sequence

from coach.core.clash import Clash
from coach.core.damping import Stop
from coach.core.words import WAY_NAME, WAY_SHORT
from coach.screen.paper_ink import Ink, Letters, letters, line, sign
from coach.screen.paper_marks import DAMP, QUIET_GREY, UNDERLINE_MM, Mark
from coach.screen.paper_type import EM, NOTES, POINT, face
from coach.screen.paper_words import GRADES, MAY_RING, ON_CHANGE, RINGING_ON, STOP_HERE

SIZE = 8 * POINT
LEADING = 1.3
APART = 5.0  # mm between two explanations
DAMP_MM = 2.2
GRADE_APART = 1.6  # mm

Item = tuple[list[Ink], float]  # its ink from the origin, and its width


def legend_lines(marks: Sequence[Mark], stops: Sequence[Stop], width: float) -> list[list[Ink]]:
    """Return the lines of the legend for some marks, each from its own origin; none where none is needed."""
    here = [stops[int(one.about)] for one in marks if one.kind == "stop"]
    ways = [
        _item(letters(short, SIZE), 1.4, letters(WAY_NAME[way], SIZE, grey=QUIET_GREY))
        for way, short in WAY_SHORT.items()
        if any(stop.way is way for stop in here)
    ]
    rest: list[Item] = []
    grades = {stop.clash for stop in here}
    if grades:
        rest.append(_grades(grades))
    if any(one.kind == "ring" for one in marks):
        rest.append(_item(letters(MAY_RING, SIZE, grey=QUIET_GREY)))
    if any(one.kind in ("finger", "pluck", "stop") for one in marks):
        rest.append(_item(letters(ON_CHANGE, SIZE, grey=QUIET_GREY)))
    first = [_damp(), *ways] if here else []
    if _width([*first, *rest]) <= width:
        return [_joined([*first, *rest])] if first or rest else []
    return [*_broken(first, width), *_broken(rest, width)]


def _item(
    first: tuple[Letters, float], gap: float = 0.0, second: tuple[Letters, float] | None = None
) -> Item:
    if second is None:
        return [first[0]], first[1]
    at = first[1] + gap
    return [first[0], second[0].moved(at, 0)], at + second[1]


def _damp() -> Item:
    box = face(NOTES).glyph(DAMP).bounds
    assert box is not None
    drawn = sign(DAMP, DAMP_MM / (box.right - box.left) * EM).moved(0, 0.25)
    words, width = letters(STOP_HERE, SIZE, grey=QUIET_GREY)
    return [drawn, words.moved(DAMP_MM + 1.0, 0)], DAMP_MM + 1.0 + width


def _grades(grades: set[Clash]) -> Item:
    ink: list[Ink] = []
    at = 0.0

    def word(text: str, grade: Clash | None = None) -> None:
        nonlocal at
        at += GRADE_APART if ink else 0.0
        heavy = grade is Clash.HIGH
        grey = QUIET_GREY if grade in (None, Clash.LOW) else 0.0
        run, width = letters(text, SIZE, bold=heavy, grey=grey)
        ink.append(run.moved(at, 0))
        if heavy:
            ink.append(line(at, 0.75, at + width, 0.75, UNDERLINE_MM))
        at += width

    before, after = (text.strip() for text in RINGING_ON.split("{grades}"))
    if before:
        word(before)
    for grade, verb in GRADES.items():
        if grade in grades:
            word(verb, grade)
    if after:
        word(after)
    return ink, at


def _width(items: Sequence[Item]) -> float:
    return sum(width for _, width in items) + APART * max(len(items) - 1, 0)


def _joined(items: Sequence[Item]) -> list[Ink]:
    found: list[Ink] = []
    at = 0.0
    for ink, width in items:
        found += [one.moved(at, 0) for one in ink]
        at += width + APART
    return found


def _broken(items: Sequence[Item], width: float) -> list[list[Ink]]:
    """Return some explanations on as many lines as they take."""
    lines: list[list[Item]] = []
    for item in items:
        if lines and _width([*lines[-1], item]) <= width:
            lines[-1].append(item)
        else:
            lines.append([item])
    return [_joined(one) for one in lines]
