"""The time ruler of a take: all of it from left to right, at the foot of the review page.

Every pass is bracketed with its number, as a group of notes is; a complete one is closed at its end, on a
clean one stands the upright of a clean stop.  Faults stand on the line with the signs they have on the page;
bars are numbered where there is room.  A proof-reader's caret under the line says where the replay stands.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import pygame

from coach.core import words
from coach.screen import lettering
from coach.screen.often import end_sign, end_width
from coach.screen.pencil import Patch, Sheet
from coach.screen.stamps import Stamp, paint, placed
from coach.screen.theme import Colour, Palette, Sizes

# Heights of the lanes in minutes of arc, from the top.
BRACKETS = 24.0
FAULTS = 19.0
CARET = 11.0
NUMBERS = 20.0
# Of two faults at one place the sign of the graver is drawn, the other is a stroke on the line.
GRAVEST = ("ringing", "late", "missing", "missed", "wrong", "cut", "stray", "extra")
BAR_STEPS = (1, 2, 4, 8, 16, 32, 64, 128)  # bars between two numbers: phrases
CLEAN = 9.5  # minutes of arc: how high the upright of a clean pass stands
TIME_STEPS_S = (5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600)
MOST_KEPT = 6  # rulers painted: the passes last chosen


@dataclass(frozen=True, slots=True)
class RulerPass:
    """One pass: where it lies in the take."""

    number: int  # from 1
    start_us: int
    end_us: int
    clean: bool
    complete: bool


@dataclass(frozen=True, slots=True)
class RulerFault:
    """One fault."""

    us: int
    kind: str  # late, ringing, cut, missed, wrong, missing, extra or stray


@dataclass(frozen=True, slots=True)
class Ruler:
    """A whole take.  Times in µs from its start."""

    end_us: int
    passes: tuple[RulerPass, ...]
    faults: tuple[RulerFault, ...]
    bars: tuple[tuple[int, int], ...] = ()  # (start in µs, number) of every bar as it was played


class RulerPainter:
    """Draws a ruler across the whole width of a surface."""

    def __init__(self, ruler: Ruler, width: int, sizes: Sizes, palette: Palette) -> None:
        """Raises ValueError for a kind of fault that has no sign."""
        self.ruler, self.width, self.sizes, self.palette = ruler, width, sizes.plain, palette
        px = self.sizes.px
        self.left, self.right = self.sizes.margin, width - self.sizes.margin
        self.bracket_y = round(px(BRACKETS * 0.54))
        self.fault_y = round(px(BRACKETS + FAULTS * 0.5))
        self.line_y = round(px(BRACKETS + FAULTS))
        self.number_y = round(px(BRACKETS + FAULTS + CARET + NUMBERS * 0.45))
        self.height = round(px(BRACKETS + FAULTS + CARET + NUMBERS))
        unknown = {fault.kind for fault in ruler.faults} - {*GRAVEST}
        if unknown:
            raise ValueError(f"no such fault: {unknown}")
        self._kept: dict[tuple[int | None, int | None], pygame.Surface] = {}

    def draw(
        self, surface: pygame.Surface, top: int, now_us: int, chosen: int | None, other: int | None
    ) -> None:
        """Draw it with its upper edge at ``top``; ``chosen`` and ``other`` are passes' numbers."""
        surface.blit(self._still(chosen, other), (0, top))
        caret = _caret(round(self.sizes.px(CARET * 0.88)), self.palette.ink)
        paint(surface, [placed(caret, self.x_of(now_us), top + self.line_y + self.sizes.px(1.5))])

    def caret_rect(self, top: int, now_us: int) -> pygame.Rect:
        """Return the pixels of the caret: all that changes when only time goes by."""
        caret = _caret(round(self.sizes.px(CARET * 0.88)), self.palette.ink)
        return placed(caret, self.x_of(now_us), top + self.line_y + self.sizes.px(1.5)).rect

    def x_of(self, us: int) -> float:
        """Return where a time stands."""
        share = min(max(us / max(self.ruler.end_us, 1), 0.0), 1.0)
        return self.left + (self.right - self.left) * share

    def time_at(self, x: int) -> int:
        """Return the time at an x, in µs, within the take."""
        share = (x - self.left) / max(self.right - self.left, 1)
        return round(min(max(share, 0.0), 1.0) * self.ruler.end_us)

    def pass_at(self, x: int, y: int) -> int | None:
        """Return the pass whose bracket is at a place, ``y`` from the ruler's upper edge; None elsewhere."""
        if not 0 <= y < self.sizes.px(BRACKETS):
            return None
        air = self.sizes.px(1)
        for one in reversed(self.ruler.passes):
            if self.x_of(one.start_us) - air <= x <= self.x_of(one.end_us) + air:
                return one.number
        return None

    # --- what stands still --------------------------------------------------------------------

    def _still(self, chosen: int | None, other: int | None) -> pygame.Surface:
        key = (chosen, other)
        if key not in self._kept:
            if len(self._kept) >= MOST_KEPT:
                del self._kept[next(iter(self._kept))]
            sheet = pygame.Surface((self.width, self.height))
            sheet.fill(self.palette.paper)
            paint(sheet, self._stamps(chosen, other))
            self._kept[key] = sheet
        return self._kept[key]

    def _stamps(self, chosen: int | None, other: int | None) -> Iterator[Stamp]:
        px = self.sizes.px
        yield placed(
            pencilled(self.right - self.left, max(px(0.9), 1.0), self.palette.pencil), self.left, self.line_y
        )
        yield from self._marks()
        yield from self._faults()
        last = [one for one in self.ruler.passes if one.number in (chosen, other)]
        for one in [one for one in self.ruler.passes if one not in last] + last:
            yield from self._bracket(one, chosen=one.number == chosen, other=one.number == other)

    def _bracket(self, one: RulerPass, *, chosen: bool, other: bool) -> Iterator[Stamp]:
        """Yield a pass's bracket, broken for its number."""
        px, palette = self.sizes.px, self.palette
        colour = palette.ink if chosen or other else palette.pencil
        left, right = self.x_of(one.start_us) + px(1.2), self.x_of(one.end_us) - px(1.2)
        right = max(right, left + px(2))
        height = round(self.sizes.sign)
        number = lettering.words(str(one.number), height, colour, hand=True)
        ink = number.surface.get_bounding_rect()
        named = ink.width + px(8) <= right - left
        wide = ink.width if named else 0.0
        start = (left + right - wide) / 2
        weight = px(2.4) if chosen else px(1.6) if other else px(1.0)
        for x0, x1, first in ((left, start, True), (start + wide, right, False)):
            gap = px(3.5) if named else 0.0
            end0, end1 = (x0, x1 - gap) if first else (x0 + gap, x1)
            hook = first or one.complete
            patch = _half_bracket(
                max(round(end1 - end0), 0), round(px(7)) if hook else 0, weight, colour, first, other
            )
            yield placed(patch, round(end0), self.bracket_y)
        if named or chosen:
            at = start if named else (left + right - ink.width) / 2
            yield Stamp(number.surface, round(at) - ink.x, self.bracket_y - ink.height // 2 - ink.y)
        if one.clean:
            upright = _upright(-round(px(CLEAN)), max(px(3.2), 2.0), palette.written)
            yield placed(upright, right, self.bracket_y)

    def _marks(self) -> Iterator[Stamp]:
        """Yield the ticks under the line and their numbers: bars, or the clock where no bar is known."""
        px = self.sizes.px
        bars, firsts = self.ruler.bars, {one.start_us for one in self.ruler.passes}
        if bars:
            places = [(us, str(number), (number - 1) % 4 == 0) for us, number in bars]
            step = next((s for s in BAR_STEPS if self._fits(s)), BAR_STEPS[-1])
            named = [(us, str(n)) for us, n in bars if (n - 1) % step == 0]
            first = [(min((u for u, _ in bars if u >= us), default=-1)) for us in firsts]
            named = [(us, str(n)) for us, n in bars if us in first] + named
        else:
            steps_us = [s * 1_000_000 for s in TIME_STEPS_S]
            wide = 5 * self.sizes.quiet
            step_us = next((s for s in steps_us if self.x_of(s) - self.left >= wide), steps_us[-1])
            places = [(us, "", True) for us in range(0, self.ruler.end_us + 1, step_us)]
            named = [(us, words.clock(us)) for us, _, _ in places]
        for us, _, strong in places:
            tall = px(5.5 if strong else 3.5)
            patch = _upright(round(tall), max(px(0.8), 1.0), self.palette.pencil)
            yield placed(patch, self.x_of(us), self.line_y)
        taken: list[tuple[float, float]] = []
        for us, text in named:
            surface = lettering.words(text, round(self.sizes.quiet), self.palette.pencil).surface
            box = surface.get_bounding_rect()
            x = min(max(self.x_of(us) - box.width / 2, self.left), self.right - box.width)
            if all(x > b + px(6) or x + box.width < a - px(6) for a, b in taken):
                taken.append((x, x + box.width))
                yield Stamp(surface, round(x) - box.x, self.number_y - box.height // 2 - box.y)

    def _fits(self, step: int) -> bool:
        """Return whether every ``step``-th bar has room for its number (nearly everywhere)."""
        at = [(self.x_of(us), n) for us, n in self.ruler.bars if (n - 1) % step == 0]
        if len(at) < 2:
            return True
        need = [self.sizes.quiet * 0.55 * (len(str(n)) + 1) + self.sizes.px(6) for _, n in at]
        gaps = [b[0] - a[0] for a, b in pairwise(at)]
        return sum(gap < room for gap, room in zip(gaps, need, strict=False)) <= 0.2 * len(gaps)

    def _faults(self) -> Iterator[Stamp]:
        """Yield the faults' signs; where two would meet the lesser is a short stroke on the line."""
        row = round(self.sizes.px(FAULTS))
        taken: list[tuple[float, float]] = []
        for fault in sorted(self.ruler.faults, key=lambda f: (GRAVEST.index(f.kind), f.us)):
            x, half = self.x_of(fault.us), sign_width(fault.kind, row) / 2 + self.sizes.px(0.7)
            if any(x - half < b and x + half > a for a, b in taken):
                stub = _upright(-round(self.sizes.px(4)), max(self.sizes.px(1.3), 1.0), self.palette.ink)
                yield placed(stub, x, self.line_y)
                continue
            taken.append((x - half, x + half))
            yield placed(fault_sign(fault.kind, row, self.palette), x, self.fault_y)


def sign_width(kind: str, row: int) -> float:
    """Return how wide a fault's sign is."""
    return row * {"wrong": 0.66, "missing": 0.7, "extra": 0.56, "stray": 0.6}.get(kind, 0.0) or end_width(
        kind, row
    )


@lru_cache(maxsize=64)
def fault_sign(kind: str, row: int, palette: Palette) -> Patch:
    """Return a fault's sign in small, as it is on the page, around its middle.  Raises KeyError."""
    if kind in ("late", "ringing", "cut", "missed"):
        return end_sign(kind, row, palette)
    colour = {"wrong": palette.ink, "missing": palette.ink, "extra": palette.ink, "stray": palette.rang}[kind]
    weight, box = row * 0.1, row * 0.5
    sheet = Sheet((-box, -box, box, box), colour, row)
    if kind == "wrong":
        sheet.loop(row * 0.31, row * 0.27, weight, 4)
    elif kind == "missing":
        for side in (-1, 1):
            x, lip, tall = side * row * 0.3, side * row * 0.13, row * 0.33
            sheet.stroke([(x - lip, -tall), (x, -tall), (x, tall), (x - lip, tall)], weight)
    elif kind == "extra":
        size = row * 0.25
        sheet.line((-size, -size), (size, size * 0.9), weight * 1.1, 1, 0.4)
        sheet.line((-size * 0.9, size), (size, -size), weight * 1.1, 2, 0.4)
    else:
        wide, tall = row * 0.26, row * 0.34
        sheet.stroke(
            [(-wide, 0), (0, -tall), (wide, 0), (0, tall), (-wide, 0), (-wide * 0.7, -tall * 0.3)], weight
        )
    return sheet.patch()


@lru_cache(maxsize=8)
def pencilled(length: int, weight: float, colour: Colour) -> Patch:
    """Return a pencilled line to the right of its origin."""
    sheet = Sheet((0, -2 * weight, length, 2 * weight), colour)
    sheet.line((0, 0), (length, 0), weight, 9, weight * 0.25)
    return sheet.patch()


@lru_cache(maxsize=32)
def _upright(tall: int, weight: float, colour: Colour) -> Patch:
    """Return a stroke down from its origin, or up where ``tall`` is negative."""
    sheet = Sheet((-weight, min(tall, 0) - 1, weight, max(tall, 0) + 1), colour)
    sheet.line((0, 0), (0, tall), weight)
    return sheet.patch()


@lru_cache(maxsize=256)
def _half_bracket(length: int, hook: int, weight: float, colour: Colour, first: bool, dashed: bool) -> Patch:
    """Return the left (``first``) or right half of a bracket; no hook where the pass was broken off."""
    sheet = Sheet((-2 * weight, -2 * weight, length + 2 * weight, hook + 2 * weight), colour)
    if dashed:
        dash = 5 * weight
        at = 0.0
        while at < length:
            sheet.line((at, 0), (min(at + dash * 0.6, length), 0), weight, round(at), 0.3)
            at += dash
    elif length:
        sheet.line((0, 0), (length, 0), weight, length % 17, 0.6)
    if hook:
        x = 0.0 if first else float(length)
        sheet.line((x, 0), (x, hook), weight, 2, 0.3)
    return sheet.patch()


@lru_cache(maxsize=4)
def _caret(height: int, colour: Colour) -> Patch:
    wide, weight = height * 0.52, height * 0.26
    sheet = Sheet((-wide - weight, -weight, wide + weight, height + weight), colour, height)
    sheet.line((-wide, height), (0, 0), weight, 1, 0.4)
    sheet.line((0, 0), (wide, height * 0.96), weight, 2, 0.4)
    return sheet.patch()
