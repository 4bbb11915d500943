"""A plain staff of our own, for where no engraver runs: lines, bars, heads with stems at their heights.

It gives the same ``Engraved`` as the engraver does, so that nothing else has to know; time runs evenly
within a bar.  No beams, rests or slurs: enough to know the place, and to hang the marks on.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import pygame

from coach.core.pitch import FLAT_NAMES, SHARP_NAMES, STEPS
from coach.core.score import TICKS_PER_QUARTER, Array, Bar, Score
from coach.screen.engraved import Box, Engraved, System, bar_name, note_name
from coach.screen.lettering import ACCIDENTALS, CLEF_8VB, glyph
from coach.screen.lines import MOST_BARS, lines_for

HEADS = {4: "\ue0a2", 2: "\ue0a3", 1: "\ue0a4"}  # quarters -> SMuFL note head
FLAGS = {1: ("\ue240", "\ue241"), 2: ("\ue242", "\ue243")}  # flags -> (stem up, stem down)
DIGITS = 0xE080  # SMuFL time signature digits
SHARPS_AT = (8, 5, 9, 6, 3, 7, 4)  # steps above the bottom line: F C G D A E B in the treble
FLATS_AT = (4, 7, 3, 6, 2, 5, 1)
BOTTOM_LINE = 30  # written E4, in steps above C0
INK = (0, 0, 0)
LEAD = 2.2  # staff spaces before a bar's first note


@dataclass(frozen=True, slots=True)
class Head:
    """A note as drawn."""

    x: float  # of its middle
    steps: int  # above the bottom line
    duration: int
    up: bool
    alter: str  # an accidental, or nothing
    grace: bool


def plain_staff(
    score: Score, width: int, space: float, bars: tuple[int, int] | None = None, most_bars: int = MOST_BARS
) -> Engraved:
    """Return the score's written bars (first and last, from 0; all if None) on a plain staff.

    A line has ``most_bars`` at most.
    """
    performed = score.first_performed
    first, last = bars if bars is not None else (0, max(performed, default=-1))
    wanted = [performed[w] for w in range(first, last + 1) if w in performed]
    systems: list[System] = []
    at, fill, usual = 0, 1.0, 3.5
    most = -(-len(wanted) // lines_for(len(wanted), most_bars))
    while at < len(wanted):
        start = _start_width(score.bars[wanted[at]], space, first=at == 0)
        count, used = 0, start
        while at + count < len(wanted) and count < most:
            one = _bar_width(score, wanted[at + count], space)
            if count and used + one > width:
                break
            count, used = count + 1, used + one
        line = wanted[at : at + count]
        stretch = (width - start) / max(used - start, 1.0)
        if at + count == len(wanted):
            fill = min(used / width, 1.0)
            stretch = min(stretch, usual)
        usual = max(stretch, 1.4)  # the last line is set no wider than the one before
        systems.append(_system(score, line, width, space, start, stretch, first=at == 0))
        at += count
    return Engraved(tuple(systems), space, plain=True, fill=fill if len(systems) == 1 else 1.0)


def staff_steps(pitch: int, fifths: int) -> tuple[int, str]:
    """Return (steps above the bottom line, accidental to draw) of a sounding pitch, written an octave up."""
    names = FLAT_NAMES if fifths < 0 else SHARP_NAMES
    written = pitch + 12
    spelt = names[written % 12]
    step = STEPS.index(spelt[0])
    steps = (written // 12 - 1) * 7 + step - BOTTOM_LINE
    # The key's sharps are F C G D A E B in turn, its flats B E A D G C F.
    order = "FCGDAEB" if fifths >= 0 else "BEADGCF"
    signed = spelt[0] in order[: abs(fifths)]
    sign = spelt[1:]
    if signed and not sign:
        return steps, "♮"
    return steps, "" if signed else sign


def reach(score: Score) -> float:
    """Return how many staff spaces the music takes from its highest to its lowest sign, about."""
    if not len(score.notes):
        return 11.0
    fifths = score.bars[0].fifths if score.bars else 0
    high, _ = staff_steps(int(score.notes["pitch"].max()), fifths)
    low, _ = staff_steps(int(score.notes["pitch"].min()), fifths)
    above = max((high - 8) / 2 + 3.9, 3.0)  # a stem, or the bar's number
    below = max(-low / 2 + 3.6, 2.0)
    return above + 4 + below


def _start_width(bar: Bar, space: float, *, first: bool) -> float:
    return space * (3.6 + abs(bar.fifths) * 0.95 + (2.4 if first else 0.0))


def _bar_width(score: Score, index: int, space: float) -> float:
    bar = score.bars[index]
    onsets = np.unique(score.notes["onset"][score.notes["bar"] == index])
    closest = int(np.diff(onsets).min()) if len(onsets) > 1 else bar.length
    per_bar = max(bar.length / TICKS_PER_QUARTER * 4.2, min(bar.length / max(closest, 1), 24) * 1.9)
    return space * (LEAD + per_bar + 1.0)


def _system(
    score: Score, line: list[int], width: int, space: float, start: float, stretch: float, *, first: bool
) -> System:
    boxes: dict[str, Box] = {}
    bar_boxes: dict[str, tuple[float, float]] = {}
    heads: list[Head] = []
    left, size = 0.0, start
    for index in line:
        right = size + _bar_width(score, index, space) * stretch
        bar = score.bars[index]
        bar_boxes[bar_name(score, bar.written)] = (left, right)
        begin = size + LEAD * space if left else size + 0.4 * space
        per_tick = (right - space - begin) / max(bar.length, 1)
        rows = score.notes[score.notes["bar"] == index]
        for row in rows:
            x = begin + (int(row["onset"]) - bar.onset) * per_tick + 0.6 * space
            if row["grace"]:
                x -= 1.3 * space
            heads.append(_head(row, rows, x, bar.fifths))
            steps = heads[-1].steps
            boxes[note_name(score, int(row["written"]))] = Box(
                x - 0.6 * space, -steps / 2 * space, 1.2 * space, space
            )
        for anchor in score.anchors[score.anchors["bar"] == bar.written]:
            x = begin + int(anchor["offset"]) * per_tick + 0.6 * space
            name = score.anchor_ids[int(anchor["id"])]
            boxes.setdefault(name, Box(x - 0.6 * space, -2.5 * space, 1.2 * space, space))
        left = size = right
    highest = max([h.steps + (7 if h.up else 1) for h in heads], default=8)
    lowest = min([h.steps - (1 if h.up else 7) for h in heads], default=0)
    top = (max(highest, 10) / 2 + 0.5) * space  # y of the bottom line
    height = round(top + (max(-lowest, 4) / 2 + 0.5) * space)
    lifted = {n: Box(b.x, b.y + top - space / 2, b.width, b.height) for n, b in boxes.items()}
    bar = score.bars[line[0]]
    drawing = _Drawing(tuple(heads), tuple(bar_boxes.values()), left, top, space, bar, first)
    return System(
        width=width,
        height=height,
        staff_top=top - 4 * space,
        staff_bottom=top,
        boxes=lifted,
        bars=tuple(bar_boxes),
        bar_boxes=bar_boxes,
        draw=partial(_draw, drawing),
    )


def _head(row: np.void, rows: Array, x: float, fifths: int) -> Head:
    steps, alter = staff_steps(int(row["pitch"]), fifths)
    if row["stem"]:
        up = int(row["stem"]) > 0
    elif rows["bass"].any() and not rows["bass"].all():
        up = not bool(row["bass"])
    else:
        up = steps < 4
    return Head(x, steps, int(row["duration"]), up, alter, bool(row["grace"]))


@dataclass(frozen=True, slots=True)
class _Drawing:
    heads: tuple[Head, ...]
    bars: tuple[tuple[float, float], ...]
    right: float
    bottom_line: float
    space: float
    first_bar: Bar
    first: bool


def _draw(drawing: _Drawing, surface: pygame.Surface) -> None:
    space, bottom = drawing.space, drawing.bottom_line
    thin = max(round(space * 0.09), 1)
    for line in range(5):
        y = round(bottom - line * space)
        pygame.draw.line(surface, INK, (0, y), (round(drawing.right), y), thin)
    for _, right in drawing.bars:
        at = round(right) - thin
        pygame.draw.line(surface, INK, (at, round(bottom - 4 * space)), (at, round(bottom)), max(thin, 2))
    _put(surface, CLEF_8VB, space, 0.4 * space, bottom - space, lift=4.39)
    x = 3.2 * space
    fifths = drawing.first_bar.fifths
    sign = ACCIDENTALS["♯" if fifths > 0 else "♭"]
    for steps in (SHARPS_AT if fifths > 0 else FLATS_AT)[: abs(fifths)]:
        _put(surface, sign, space, x, bottom - steps / 2 * space, lift=1.39 if fifths > 0 else 1.76)
        x += 0.95 * space
    if drawing.first:
        for figure, steps in ((drawing.first_bar.beats, 6), (drawing.first_bar.beat_unit, 2)):
            left = x
            for digit in str(figure):
                drawn = glyph(chr(DIGITS + int(digit)), space, INK)
                surface.blit(drawn, (left, bottom - steps / 2 * space - drawn.get_height() / 2))
                left += drawn.get_width() + 0.1 * space
    for head in drawing.heads:
        _draw_head(surface, head, space, bottom, thin)


def _put(surface: pygame.Surface, code: str, space: float, x: float, y: float, lift: float) -> None:
    """Blit a sign whose origin lies ``lift`` spaces below its top, at (x, y)."""
    surface.blit(glyph(code, space, INK), (round(x), round(y - lift * space)))


def _draw_head(surface: pygame.Surface, head: Head, space: float, bottom: float, thin: int) -> None:
    size = space * (0.6 if head.grace else 1.0)
    quarters = head.duration / TICKS_PER_QUARTER
    value = next((value for value in HEADS if quarters >= value), 1)
    drawn = glyph(HEADS[value], size, INK)
    x, y = head.x - drawn.get_width() / 2, bottom - head.steps / 2 * space
    for ledger in (*range(-2, head.steps - 1, -2), *range(10, head.steps + 1, 2)):
        at = round(bottom - ledger / 2 * space)
        pygame.draw.line(surface, INK, (head.x - 0.95 * space, at), (head.x + 0.95 * space, at), thin)
    surface.blit(drawn, (round(x), round(y - drawn.get_height() / 2)))
    if value < 4 or head.grace:
        side = x + drawn.get_width() - thin if head.up else x
        end = y - 3.4 * size if head.up else y + 3.4 * size
        pygame.draw.line(surface, INK, (round(side), round(y)), (round(side), round(end)), thin)
        flags = 1 if head.grace else 2 if quarters < 0.5 else 1 if quarters < 1 else 0
        if flags:
            flag = glyph(FLAGS[flags][0 if head.up else 1], size, INK)
            surface.blit(flag, (round(side), round(end if head.up else end - flag.get_height())))
    if quarters and (quarters / value in (1.5,) or (quarters < 1 and quarters * 4 / 3 in (1.0, 0.5))):
        dot = (
            round(x + drawn.get_width() + 0.4 * space),
            round(y - (0.5 * space if head.steps % 2 == 0 else 0)),
        )
        pygame.draw.circle(surface, INK, dot, max(round(space * 0.2), 1))
    if head.alter:
        sign = glyph(ACCIDENTALS[head.alter], size, INK)
        lift = 1.76 if head.alter == "♭" else 1.39
        surface.blit(sign, (round(x - sign.get_width() - 0.25 * space), round(y - lift * size)))
