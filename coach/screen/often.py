"""All passes of a take laid over one another: in each stop's row one small mark for every pass.

The marks are those of the ring strip's ends, in small, so that nobody has to learn others; the review's
time ruler has them too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import pygame

from coach.core.stop_counts import StopCount, often_failing
from coach.core.verdicts import DAMPING_FAULTS, Damping
from coach.screen import lettering
from coach.screen.layout import Layout
from coach.screen.page_words import FAILED_OF, FAILED_SHORT
from coach.screen.pencil import Patch, Sheet
from coach.screen.stamps import Stamp, placed
from coach.screen.theme import Colour, Palette, Sizes

WIDE = {"late": 0.66, "ringing": 0.98, "missed": 0.52, "cut": 0.92, "clean": 0.2}  # of a row
DOT = 0.22
AIR = 0.24  # of a row, between two marks
FIGURE_AIR = 2.2  # of that, before the figure


@lru_cache(maxsize=128)
def end_sign(kind: str, row: int, palette: Palette) -> Patch:
    """Return how a bass ended, in small, around its middle.

    ``kind`` is a ``Damping``'s value; what was not judged is a dot.
    """
    weight = row * 0.11
    if kind == "clean":
        sheet = Sheet((-weight, -row * 0.36, weight, row * 0.36), palette.written, row)
        sheet.line((0, -row * 0.3), (0, row * 0.3), weight * 1.15, 3, 0.4)
    elif kind in ("late", "ringing"):
        return _wave(row, weight, palette.rang, arrow=kind == "ringing")
    elif kind == "cut":  # a short line with a hollow end, as on the page
        radius, half = row * 0.17, row * WIDE["cut"] / 2
        far = half - radius - weight / 2
        sheet = Sheet(
            (-half - weight, -radius - weight, half + weight, radius + weight), palette.written, row
        )
        sheet.line((weight / 2 - half, 0), (far - radius, 0), weight * 1.15, 4, 0.2)
        sheet.disc((far, 0), radius + weight / 2)
        sheet.erase((far, 0), radius - weight / 2)
    elif kind == "missed":
        lean, tall = row * 0.11, row * 0.28
        sheet = Sheet((-row * 0.4, -row * 0.36, row * 0.4, row * 0.36), palette.pencil, row)
        for x, seed in ((-row * 0.11, 1), (row * 0.11, 2)):
            sheet.line((x - lean, tall), (x + lean, -tall), weight * 0.85, seed, 0.6)
    else:
        radius = row * DOT / 2
        sheet = Sheet((-radius - 1, -radius - 1, radius + 1, radius + 1), palette.written, row)
        sheet.disc((0, 0), radius)
    return sheet.patch()


def _wave(row: int, weight: float, colour: Colour, *, arrow: bool) -> Patch:
    half = row * (WIDE["ringing"] if arrow else WIDE["late"]) / 2
    sheet = Sheet((-half - weight, -row * 0.45, half + weight, row * 0.45), colour, row)
    end, swings = (half - row * 0.04, 1.5) if arrow else (half - row * 0.06, 1.0)
    count = 24
    points = []
    for i in range(count + 1):
        x = -half + (end + half) * i / count
        points.append((x, -row * 0.19 * math.sin(2 * math.pi * swings * i / count)))
    sheet.stroke(points, weight)
    if arrow:
        wide, tall = row * 0.24, row * 0.28
        sheet.stroke([(half - wide, -tall), (half, 0), (half - wide, tall)], weight)
    else:
        sheet.line((half, -row * 0.36), (half, row * 0.36), weight * 1.1, 5, 0.3)
    return sheet.patch()


def end_width(kind: str, row: int) -> float:
    """Return how wide a sign is."""
    return WIDE.get(kind, DOT) * row


class _Room(NamedTuple):
    """A stop's written length in its row: x of note and stop, the row's middle, the row."""

    left: float
    right: float
    y: int


class OftenPainter:
    """Turns counts into stamps on the engraved page."""

    def __init__(self, layout: Layout, sizes: Sizes, palette: Palette) -> None:
        self.layout, self.sizes, self.palette = layout, sizes, palette
        self.first_x = sizes.margin + round(sizes.sign * 1.25)  # right of the string's number

    def stamps(
        self, counts: Sequence[StopCount], slot_of: dict[int, int], rows: dict[int, tuple[int, ...]]
    ) -> list[Stamp]:
        """Return all marks of the systems shown (``slot_of``: system -> slot), the worst stop ringed."""
        worst = often_failing(counts)
        found: list[Stamp] = []
        for count in counts:
            room, pitch = self._room(count, slot_of, rows)
            if room is not None:
                found += self._marks(count, room, pitch, ringed=count is worst)
        return found

    def _room(
        self, count: StopCount, slot_of: dict[int, int], rows: dict[int, tuple[int, ...]]
    ) -> tuple[_Room | None, int]:
        """Return the longest piece of the written length, and its row's height; None: it is not shown."""
        layout = self.layout
        onset = float(layout.score.notes["onset"][count.note])
        spans = layout.places.spans(onset, float(count.due_tick))
        span = max(spans, key=lambda one: one.right - one.left, default=None)
        if span is None or span.system not in slot_of or count.string not in rows.get(span.system, ()):
            return None, self.sizes.row
        strings = rows[span.system]
        y = layout.row_y(slot_of[span.system], strings.index(count.string), len(strings))
        left = layout.left + span.left
        left = left if span.begins else max(left, float(self.first_x))
        pitch = min(round(layout.pitch(len(strings))), self.sizes.row)
        return _Room(left, layout.left + span.right, y), pitch

    def _marks(self, count: StopCount, room: _Room, pitch: int, *, ringed: bool) -> list[Stamp]:
        """Return one stop's marks and figure, centred between its note and its stop."""
        air = pitch * AIR
        kinds, text = self._chosen(count, pitch, room.right - room.left - 3 * air)
        written = self._written(text, pitch) if text else None
        marks = _wide(kinds, pitch)
        both = marks + (written.width if written else 0) + (FIGURE_AIR * air if marks and written else 0)
        left = room.left + max((room.right - room.left - both) / 2, air)
        found = [_paper(left - air, left + both + air, room.y, pitch, self.palette.paper)]
        x = left
        for kind in kinds:
            width = end_width(kind, pitch)
            found.append(placed(end_sign(kind, pitch, self.palette), x + width / 2, room.y))
            x += width + air
        if written is not None:
            x = left + both - written.width
            found.append(Stamp(written.surface, round(x), room.y + _half(pitch) - written.baseline))
        if ringed:
            ink = written.width if written is not None else round(both)
            found.append(placed(ring(ink, pitch, self.palette.ink), left + both - ink / 2, room.y))
        return found

    def _chosen(self, count: StopCount, pitch: int, space: float) -> tuple[list[str], str]:
        """Return the marks and the figure that have room.

        All passes and the figure; else how it fails most and the figure; else the figure alone.
        """
        every = [kind.value for kind in count.kinds]
        faults = [kind.value for kind in count.kinds if kind in DAMPING_FAULTS]
        figure = (
            FAILED_OF.format(failed=count.failed, asked=count.asked) if faults and count.asked > 1 else ""
        )
        short = FAILED_SHORT.format(failed=count.failed, asked=count.asked)
        tries = [(every, figure)]
        if faults:
            common = [max(faults, key=faults.count)]
            tries += [(common, figure), ([], figure), (common, short), ([], short)]
        elif every:
            tries += [([Damping.CLEAN.value], f"{len(every)}")]
        for kinds, text in tries:
            need = _wide(kinds, pitch) + (
                self._written(text, pitch).width + FIGURE_AIR * pitch * AIR if text else 0
            )
            if need <= space:
                return kinds, text
        return tries[-1]

    def _written(self, text: str, pitch: int) -> lettering.Written:
        return lettering.words(text, 2 * _half(pitch), self.palette.ink, hand=True)


def _wide(kinds: Sequence[str], pitch: int) -> float:
    """Return how wide a row of marks is."""
    return sum(end_width(kind, pitch) for kind in kinds) + pitch * AIR * max(len(kinds) - 1, 0)


def _paper(left: float, right: float, y: int, pitch: int, paper: Colour) -> Stamp:
    """Return bare paper over the hairline: marks are read, not the line through them."""
    patch = block(round(right - left), round(pitch * 0.3), paper)
    return placed(patch, left, y - round(pitch * 0.15))


@lru_cache(maxsize=256)
def block(width: int, height: int, colour: Colour) -> Patch:
    """Return a ruled block, its upper left corner at the origin."""
    surface = pygame.Surface((max(width, 1), max(height, 1)))
    surface.fill(colour)
    return Patch(surface, 0, 0)


def _half(pitch: int) -> int:
    """Return half the height of a figure in a row."""
    return round(pitch * 0.42)


@lru_cache(maxsize=32)
def ring(width: int, row: int, colour: Colour) -> Patch:
    """Return a pencilled ring around something of a row's height, ``width`` pixels wide."""
    rx, ry = width / 2 + row * 0.58, row * 0.6
    sheet = Sheet((-rx * 1.25, -ry * 1.25, rx * 1.25, ry * 1.25), colour, 2 * row)
    sheet.loop(rx, ry, row * 0.09, 5)
    return sheet.patch()
