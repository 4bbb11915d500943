"""What a teacher pencils on a score: wrong, missing and extra notes, each bar's drift, the bar's ring."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import pygame
from numpy.typing import NDArray

from coach.core.shapes import DriftMark, MarkKind, NoteMark
from coach.screen import lettering
from coach.screen.engraved import Box, System, bar_name, note_name
from coach.screen.layout import Layout
from coach.screen.names import free_place, spelt, summed, without_lines
from coach.screen.pencil import Patch, Sheet
from coach.screen.plain_staff import staff_steps
from coach.screen.stamps import Stamp, placed
from coach.screen.theme import Colour, Lean, Palette, Sizes

DRIFT_FULL_MS = 60.0  # a drift that takes the slope to the edge of its lane
SLOPE_FULL_MS = 80.0
MOST_SUMMED = 12  # systems whose ink is kept summed, four bytes a pixel
LATE, EARLY = "late", "early"  # for "ms behind" and "ms ahead" where there is no room


TALLER = 1.07  # a figure of the printed font is a little lower than its capitals


class MarkPainter:
    """Turns marks into stamps."""

    def __init__(self, layout: Layout, sizes: Sizes, palette: Palette) -> None:
        self.layout, self.sizes, self.palette = layout, sizes, palette
        self.space = layout.engraved.space
        self._number_rects: dict[int, list[pygame.Rect]] = {}
        self._names: dict[object, Stamp] = {}
        self._clear: dict[int, NDArray[np.int32]] = {}

    def _colour(self, settled: bool) -> Colour:
        return self.palette.ink if settled else self.palette.pencil

    # --- notes --------------------------------------------------------------------------------

    def note(self, mark: NoteMark, slot_of: dict[int, int]) -> list[Stamp]:
        """Return a note's mark, where its bar is on the page."""
        system = self.layout.places.system_of(mark.bar)
        if system is None or system not in slot_of:
            return []
        x0, y0 = self.layout.left, self.layout.system_y(slot_of[system], system)
        colour = self._colour(mark.settled)
        shown = self.layout.engraved.systems[system]
        if mark.kind is MarkKind.EXTRA:
            place = self.layout.places.x_of(mark.tick, mark.bar)
            if place is None:
                return []
            steps, _ = staff_steps(mark.pitch, self.layout.score.bars[mark.bar].fifths)
            y = shown.staff_bottom - steps / 2 * self.space
            return [placed(cross(self.space, colour), x0 + place[1], y0 + y)]
        box = self._box(mark, shown)
        if box is None:
            return []
        x, y = x0 + box.middle, y0 + box.y + box.height / 2
        if mark.kind is MarkKind.MISSING:
            return [placed(brackets(self.space, box.width, colour), x, y)]
        seed = round(box.middle) % 97
        stamps = [placed(loop(self.space, seed, colour), x, y)]
        if mark.words:
            stamps.append(self._played(mark.words, box, system, x0, y0, colour))
        return stamps

    def _box(self, mark: NoteMark, system: System) -> Box | None:
        score = self.layout.score
        if not 0 <= mark.note < len(score.notes):
            return None
        return system.boxes.get(note_name(score, int(score.notes["written"][mark.note])))

    def _played(self, text: str, box: Box, system: int, x0: int, y0: int, colour: Colour) -> Stamp:
        """Return the name of what was played, beside the loop where the paper is free."""
        key = (text, box, system, y0, colour)
        if key not in self._names:
            written = lettering.haloed(spelt(text), round(self.sizes.words), colour, self.palette.paper)
            ink = written.surface.get_bounding_rect()
            shown, layout = self.layout.engraved.systems[system], self.layout
            clear = self.clear(system)
            highest = max(shown.staff_top - layout.above, self.sizes.head - y0)
            lowest = shown.staff_bottom + layout.signs_below - self.sizes.signs_lane / 2
            x, y = free_place(box, ink.size, clear, self._numbers(system), (highest, lowest), self.space)
            self._names[key] = Stamp(written.surface, x0 + x - ink.x, y0 + y - ink.y)
        return self._names[key]

    def is_clear(self, system: int) -> bool:
        """Return whether ``clear`` has its answer ready."""
        return system in self._clear

    def clear(self, system: int) -> NDArray[np.int32]:
        """Return what a name has to keep clear of on a system, summed."""
        if system not in self._clear:
            if len(self._clear) >= MOST_SUMMED:
                self._clear.clear()
            shown = self.layout.engraved.systems[system]
            self._clear[system] = summed(without_lines(self.layout.dark(system), shown, self.space))
        return self._clear[system]

    # --- bars ---------------------------------------------------------------------------------

    def number_at(self, bar: int, slot_of: dict[int, int]) -> tuple[float, float] | None:
        """Return the middle of a performed bar's number; None where the bar is not on the page."""
        layout = self.layout
        system = layout.places.system_of(bar)
        if system is None or system not in slot_of:
            return None
        shown = layout.engraved.systems[system]
        left, _ = layout.places.bar_box(bar)
        first = shown.bars[0] == bar_name(layout.score, layout.score.bars[bar].written)
        digits = len(str(layout.score.bars[bar].number))
        # Left of its barline, clear of the first note's marks; on a new line left of the clef's curl.
        x = left - 0.3 * self.space - digits * self.sizes.sign * 0.36
        # Its ring must not run off the page.
        edge = self.sizes.sign * (0.42 + 0.36 * digits) - self.sizes.margin
        x = max(x, -0.2 * self.space, edge) if first else x
        y = self._free_above(system, x, shown.staff_top, digits)
        return layout.left + x, layout.system_y(slot_of[system], system) + y

    def _free_above(self, system: int, x: float, staff_top: float, digits: int) -> float:
        """Return the lowest y above the staff at which a number at ``x`` meets no ink."""
        high, dark = self.sizes.sign, self.layout.dark(system)
        half, tall = round(high * (0.3 + 0.3 * digits)), round(high * 0.62)
        columns = dark[:, max(round(x) - half, 0) : max(round(x) + half, 1)]
        usual = staff_top - high * 0.82
        y = usual
        while y > tall:
            if not columns[max(round(y) - tall, 0) : round(y) + tall].any():
                return y
            y -= self.space * 0.25
        return y if not columns[: round(y) + tall].any() else usual

    def _numbers(self, system: int) -> list[pygame.Rect]:
        """Return where a system's bar numbers and their rings stand, within the system."""
        if system not in self._number_rects:
            found = []
            for bar in range(len(self.layout.score.bars)):
                place = self.number_at(bar, {system: 0})
                if place is not None:
                    half = self.sizes.sign * (0.55 + 0.3 * len(str(self.layout.score.bars[bar].number)))
                    x, y = place[0] - self.layout.left, place[1] - self.layout.system_y(0, system)
                    found.append(
                        pygame.Rect(round(x - half), round(y - half), round(2 * half), round(2 * half))
                    )
            self._number_rects[system] = found
        return self._number_rects[system]

    def number(self, bar: int, slot_of: dict[int, int], colour: Colour) -> list[Stamp]:
        """Return a bar's printed number."""
        place = self.number_at(bar, slot_of)
        if place is None:
            return []
        surface = lettering.words(
            str(self.layout.score.bars[bar].number), math.ceil(self.sizes.sign * TALLER), colour
        ).surface
        ink = surface.get_bounding_rect()
        return [Stamp(surface, round(place[0] - ink.centerx), round(place[1] - ink.centery))]

    def current(self, bar: int, slot_of: dict[int, int], *, unsure: bool) -> list[Stamp]:
        """Return the pencil ring around the number of the bar the player is in."""
        place = self.number_at(bar, slot_of)
        if place is None:
            return []
        digits = len(str(self.layout.score.bars[bar].number))
        patch = bar_ring(self.sizes.sign, digits, bar % 7, self.palette.ink, unsure)
        return [placed(patch, *place)]

    def drift(
        self,
        mark: DriftMark,
        slot_of: dict[int, int],
        rows: dict[int, tuple[int, ...]],
        covered: Sequence[pygame.Rect] = (),
    ) -> list[Stamp]:
        """Return a bar's slope on its baseline, and its words if it has any.

        A sentence may lie over the foot of the music (``covered``): half a word under it says nothing, so
        the slope or the words that would reach under it are left out while it does.
        """
        layout = self.layout
        system = layout.places.system_of(mark.bar)
        if system is None or system not in slot_of:
            return []
        left, right = layout.places.bar_box(mark.bar)
        y = layout.drift_y(slot_of[system], len(rows[system]))
        lane = self.sizes.drift_lane
        half = min(lane * 0.8, (right - left) / 4)
        first = layout.places.x_of(layout.score.bars[mark.bar].onset, mark.bar)
        x = layout.left + (first[1] if first is not None else left) + half - self.space * 0.6
        off = max(min(mark.drift_ms / DRIFT_FULL_MS, 1.0), -1.0) * lane * 0.34
        tilt = max(min(mark.slope_ms / SLOPE_FULL_MS, 1.0), -1.0) * lane * 0.26
        colour = self.palette.ink if mark.words else self.palette.pencil
        sloped = [
            placed(baseline(round(half), lane, self.palette.faint), x, y),
            placed(slope(round(half), lane, round(off), round(tilt), colour), x, y),
        ]
        parts = [sloped]
        if mark.words and self.sizes.lean < Lean.DRIFT:
            words = self._drift_words(mark, x + half + lane * 0.3, layout.left + right - lane * 0.2, y)
            parts.append(words)
        return [stamp for part in parts if not _meet(part, covered) for stamp in part]

    def _drift_words(self, mark: DriftMark, left: float, end: float, y: int) -> list[Stamp]:
        """Return a drift in words between two x, never without its direction."""
        sizes, figure = self.sizes, mark.words.split()[0]
        short = f"{figure} {LATE if mark.drift_ms > 0 else EARLY}"
        for text, height in ((mark.words, sizes.sign), (short, sizes.sign), (short, sizes.words)):
            written = lettering.words(text, round(height), self.palette.ink, hand=True)
            if left + written.width <= end:
                return [Stamp(written.surface, round(left), y + round(height / 2) - written.baseline)]
        return []


def _meet(stamps: Sequence[Stamp], covered: Sequence[pygame.Rect]) -> bool:
    """Return whether any of them lies under something."""
    return any(stamp.rect.collidelist(covered) >= 0 for stamp in stamps)


@lru_cache(maxsize=64)
def loop(space: float, seed: int, colour: Colour) -> Patch:
    """Return the pencil ring around a note."""
    size = 1.9 * space
    sheet = Sheet((-size, -size, size, size), colour, 3 * space)
    sheet.loop(1.32 * space, 1.05 * space, space * 0.2, seed)
    return sheet.patch()


@lru_cache(maxsize=16)
def brackets(space: float, wide: float, colour: Colour) -> Patch:
    """Return the brackets around a note that was left out, ``wide`` pixels."""
    far, tall, lip = wide / 2 + 0.75 * space, 1.25 * space, 0.42 * space
    sheet = Sheet((-far - space, -tall - space, far + space, tall + space), colour, 3 * space)
    for side, seed in ((-1, 3), (1, 8)):
        x = side * far
        lean = 0.05 * space * side
        corners = [
            (x - side * lip, -tall),
            (x + lean, -tall * 0.97),
            (x - lean, tall),
            (x - side * lip, tall * 0.96),
        ]
        for i in range(3):
            sheet.line(corners[i], corners[i + 1], space * 0.21, seed + i, 0.5)
    return sheet.patch()


@lru_cache(maxsize=16)
def cross(space: float, colour: Colour) -> Patch:
    """Return the cross of an extra note."""
    size = 0.52 * space
    sheet = Sheet((-space, -space, space, space), colour, 2 * space)
    sheet.line((-size, -size), (size, size * 0.9), space * 0.24, 1, 0.5)
    sheet.line((-size * 0.9, size), (size, -size), space * 0.24, 2, 0.5)
    return sheet.patch()


@lru_cache(maxsize=32)
def bar_ring(height: float, digits: int, seed: int, colour: Colour, dotted: bool) -> Patch:
    """Return the ring around a bar's number."""
    rx, ry = height * (0.36 + 0.33 * digits), height * 0.7
    sheet = Sheet((-rx * 1.3, -ry * 1.3, rx * 1.3, ry * 1.3), colour, 2 * height)
    sheet.loop(rx, ry, height * 0.09, seed + 2, dotted=dotted)
    return sheet.patch()


@lru_cache(maxsize=64)
def baseline(half: int, lane: int, colour: Colour) -> Patch:
    """Return a bar's dotted baseline."""
    sheet = Sheet((-half - 3, -4, half + 3, 4), colour, lane)
    weight = max(lane * 0.05, 1.2)
    dots = 7
    for i in range(dots):
        sheet.disc((-half + 2 * half * i / (dots - 1), 0), weight)
    return sheet.patch()


@lru_cache(maxsize=256)
def slope(half: int, lane: int, off: int, tilt: int, colour: Colour) -> Patch:
    """Return a bar's drift: ``off`` its baseline at the middle, by ``tilt`` more at the end."""
    sheet = Sheet((-half - 4, -lane * 0.7, half + 4, lane * 0.7), colour, lane)
    sheet.line((-half * 0.92, off - tilt), (half * 0.92, off + tilt), lane * 0.14, off + 7 * tilt, 0.7)
    return sheet.patch()
