"""How the time ran over the piece: each bar's drift on a staff of one line, pass over pass.

The line is "in time"; as under the page's bars, what is behind hangs below it and what is ahead rides above.
Bars have their barlines and numbers.  Within the pale band nobody need mind; what leaves it has its figure
beside it.  The worst bar is ringed, and said in words.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import pygame

from coach.core import words
from coach.screen import lettering
from coach.screen.often import block
from coach.screen.page_words import AHEAD, BEHIND, IN_TIME
from coach.screen.page_words import NO_DRIFT as NOTHING
from coach.screen.page_words import OTHER_PASSES as OTHERS
from coach.screen.pencil import Patch, Point, Sheet
from coach.screen.ruler import BAR_STEPS
from coach.screen.stamps import Stamp, paint, placed
from coach.screen.theme import Colour, Palette, Sizes

# Heights in minutes of arc.
NUMBERS = 25.0
SENTENCE = 34.0
NAMES = 28.0
LONG_NAME = 0.16  # of the width
ROOM = 400.0  # a sheet higher than this has everything larger
MOST_GROWTH = 1.5
LEAST_SCALE = 2.0  # the sheet reaches at least so many thresholds up and down
HEADROOM = 38.0  # for the ring and the figure of the worst bar
PALE = 0.16  # how much of the faint ink is in the band
LIGHT = 0.45  # … and in the uprights that lead from a bar to its number
DASH = 5.0  # minutes of arc


@dataclass(frozen=True, slots=True)
class DriftLine:
    """One pass.  A point is (place, ms behind); place 3.0 is the middle of the fourth bar named."""

    pass_number: int
    points: tuple[tuple[float, float], ...]
    name: str  # as it is written beside the line: "pass 2"
    said: str = ""  # of the tempo over the whole pass, where it is named: "rushing"
    beside: bool = False  # to be compared with the first: dashed, whatever others there are
    spans: tuple[tuple[float, float], ...] = ()  # of each point, from where to where it may lie, in ms


def draw_drift(
    surface: pygame.Surface,
    rect: pygame.Rect,
    lines: Sequence[DriftLine],
    bars: tuple[int, ...],
    threshold_ms: float,
    sizes: Sizes,
    palette: Palette,
) -> None:
    """Draw the sheet within ``rect``.

    ``lines[0]`` is the chosen pass; ``bars`` are the numbers of the bars, from left to right.
    """
    sheet = DriftSheet(rect, [one for one in lines if one.points], bars, threshold_ms, sizes, palette)
    surface.fill(palette.paper, rect)
    before = surface.get_clip()
    surface.set_clip(rect)
    paint(surface, sheet.stamps())
    surface.set_clip(before)


class DriftSheet:
    """One sheet laid out."""

    def __init__(
        self,
        rect: pygame.Rect,
        lines: list[DriftLine],
        bars: tuple[int, ...],
        threshold_ms: float,
        sizes: Sizes,
        palette: Palette,
    ) -> None:
        self.rect, self.lines, self.bars, self.threshold_ms = rect, lines, bars, threshold_ms
        growth = min(max(rect.height / sizes.plain.px(ROOM), 1.0), MOST_GROWTH)
        self.sizes, self.palette = sizes.plain.scaled(growth), palette
        px, quiet = self.sizes.px, math.ceil(self.sizes.quiet)
        self.names = self._names()
        wide = max([lettering.words(one, quiet, palette.ink, hand=True).width for one, _ in self.names] + [0])
        self.apart = wide > LONG_NAME * rect.width  # the names stand in a line of their own
        sides = [lettering.words(text, quiet, palette.pencil).width for text in (AHEAD, BEHIND, IN_TIME)]
        self.left = rect.left + self.sizes.margin + max(sides) + round(px(8))
        self.right = rect.right - self.sizes.margin - (0 if self.apart else wide + round(px(11)))
        self.top, self.bottom = rect.top + px(NUMBERS + self.apart * NAMES), rect.bottom - px(SENTENCE)
        self.middle = (self.top + self.bottom) / 2
        most = max((abs(ms) for one in lines for ms in _reach(one)), default=0.0)
        half = (self.bottom - self.top) / 2
        most *= half / max(half - px(HEADROOM), half / 2)
        self.most_ms = max(most, LEAST_SCALE * threshold_ms)

    def x_of(self, place: float) -> float:
        """Return where a place stands: whole numbers are the middles of bars."""
        return self.left + (self.right - self.left) * (place + 0.5) / max(len(self.bars), 1)

    def y_of(self, ms: float) -> float:
        """Return the height of a drift; behind hangs below."""
        return self.middle + ms / self.most_ms * (self.bottom - self.top) / 2

    def stamps(self) -> Iterator[Stamp]:
        """Yield everything in drawing order."""
        yield from self._staff()
        yield from self._heights()
        for i, one in reversed(list(enumerate(self.lines))):
            yield from self._line(one, i)
        yield from self._named()
        yield from self._worst()

    # --- what stands still --------------------------------------------------------------------

    def _staff(self) -> Iterator[Stamp]:
        """Yield the pale band, the line in its middle, barlines and bar numbers."""
        px, palette = self.sizes.px, self.palette
        width = round(self.right - self.left)
        band = round(self.y_of(self.threshold_ms)) - round(self.y_of(-self.threshold_ms))
        pale = _mixed(palette.paper, palette.faint, PALE)
        yield placed(block(width, band, pale), self.left, self.y_of(-self.threshold_ms))
        thin, tall = max(round(px(0.6)), 1), round(self.bottom - self.top)
        light = _mixed(palette.paper, palette.faint, LIGHT)
        for at in range(len(self.bars) + 1):
            x = self.x_of(at - 0.5)
            if 0 < at < len(self.bars):
                yield placed(block(thin, tall, light), x - thin // 2, self.top)
            yield placed(block(thin, band, palette.ink), x - thin // 2, self.y_of(-self.threshold_ms))
        thick = max(round(px(2.6)), 3)  # the end of the piece
        yield placed(block(thick, band, palette.ink), self.right + px(1.8), self.y_of(-self.threshold_ms))
        heavy = max(round(px(1.1)), 1)
        yield placed(block(width, heavy, palette.ink), self.left, self.middle - heavy // 2)
        height = math.ceil(self.sizes.quiet)
        room = (self.right - self.left) / max(len(self.bars), 1)
        wide = max((lettering.words(str(n), height, palette.pencil).width for n in self.bars), default=0)
        step = next((s for s in BAR_STEPS if s * room >= wide + px(7)), BAR_STEPS[-1])
        for at, number in enumerate(self.bars):
            if (number - 1) % step == 0 or step == 1:
                drawn = lettering.words(str(number), height, palette.pencil)
                y = self.top - px(NUMBERS * 0.5)
                yield self._centred(drawn, self.x_of(at) - drawn.width / 2, y, height)

    def _heights(self) -> Iterator[Stamp]:
        """Yield the words and figures at the left: which side is which, and how far is how much."""
        px, palette, height = self.sizes.px, self.palette, math.ceil(self.sizes.quiet)
        x = self.rect.left + self.sizes.margin
        for text, y in (
            (AHEAD, max(self.y_of(-self.threshold_ms) - 1.9 * height, self.top + height)),
            (IN_TIME, self.middle),
            (BEHIND, min(self.y_of(self.threshold_ms) + 1.9 * height, self.bottom - height)),
        ):
            colour = palette.ink if text == IN_TIME else palette.pencil
            yield self._centred(lettering.words(text, height, colour), x, y, height)
        figure = lettering.words(words.milliseconds(self.threshold_ms, signed=False), height, palette.pencil)
        for ms in (-self.threshold_ms, self.threshold_ms):
            y = self.y_of(ms)
            if abs(y - self.middle) >= 1.5 * height:
                yield self._centred(figure, self.left - px(5) - figure.width, y, height)

    # --- the passes ---------------------------------------------------------------------------

    def _style(self, at: int) -> tuple[Colour, float, bool]:
        """Return a line's colour, weight and whether it is dashed: the first solid ink, a second dashed."""
        px = self.sizes.px
        if at == 0:
            return self.palette.ink, px(2.6), False
        if len(self.lines) == 2 or self.lines[at].beside:
            return self.palette.pencil, px(2.0), True
        return self.palette.pencil, px(1.0), False

    def _line(self, line: DriftLine, at: int) -> Iterator[Stamp]:
        colour, weight, dashed = self._style(at)
        points = [(self.x_of(place), self.y_of(ms)) for place, ms in line.points]
        thin = max(round(self.sizes.px(1.2)), 1)
        for (x, _), (low, high) in zip(points, line.spans, strict=False):
            top, bottom = max(self.y_of(low), self.top), min(self.y_of(high), self.bottom)
            if bottom > top:
                yield placed(block(thin, round(bottom - top), self.palette.pencil), x - thin // 2, top)
        # A bar without a drift (too few notes) is a gap that is crossed lightly dotted.
        for (one, other), (a, b) in zip(pairwise(points), pairwise(line.points), strict=True):
            gap = b[0] - a[0] > 1.5
            yield from _segment(one, other, weight, colour, self.sizes.px(DASH) if dashed or gap else 0.0)
        if at == 0 or dashed:
            for x, y in points:
                yield placed(_dot(round(weight * 1.1, 1), colour), x, y)

    def _names(self) -> list[tuple[str, int]]:
        """Return what is named, and by which line: of many thin ones only that they are the others."""
        found = [(one.name, i) for i, one in enumerate(self.lines) if i == 0 or self._style(i)[2]]
        thin = [i for i in range(1, len(self.lines)) if not self._style(i)[2]]
        return found + [(OTHERS if thin[1:] else self.lines[i].name, i) for i in thin[:1]]

    def _named(self) -> Iterator[Stamp]:
        """Write each line's name at its end, clear of one another; long names in a line at the top."""
        px, height = self.sizes.px, math.ceil(self.sizes.quiet)
        taken: list[float] = []
        x, y = float(self.rect.left + self.sizes.margin), self.rect.top + px(NAMES * 0.5)
        for text, i in self.names:
            colour, weight, dashed = self._style(i)
            written = lettering.words(
                text, height, self.palette.ink if i == 0 else self.palette.pencil, hand=True
            )
            if self.apart:
                far = px(34)
                yield from _segment((x, y), (x + far, y), weight, colour, px(DASH) if dashed else 0.0)
                yield self._centred(written, x + far + px(6), y, height)
                x += far + px(26) + written.width
                continue
            end = self.y_of(self.lines[i].points[-1][1])
            places = [end] + [end + sign * 1.7 * height * n for n in (1, 2, 3) for sign in (1, -1)]
            inside = [place for place in places if self.top + height <= place <= self.bottom - height]
            free = [at for at in inside if all(abs(at - other) >= 1.6 * height for other in taken)]
            at = (free or inside or [self.middle])[0]
            taken.append(at)
            yield self._centred(written, self.right + px(10), at, height)

    def _worst(self) -> Iterator[Stamp]:
        """Ring the chosen pass's worst bar, and say it below."""
        px, height = self.sizes.px, math.ceil(self.sizes.sign)
        text = NOTHING
        if self.lines:
            place, ms = max(self.lines[0].points, key=lambda point: abs(point[1]))
            bar = self.bars[min(max(round(place), 0), len(self.bars) - 1)]
            drift = words.drift_words(ms, self.threshold_ms)
            worst, steady = words.DRIFT_WORST, words.DRIFT_NONE
            if len(self.lines) > 1:
                worst, steady = words.DRIFT_WORST_OF, words.DRIFT_NONE_OF
            name = words.sentence_case(self.lines[0].name)
            text = (worst if drift else steady).format(name=name, bar=words.bar_words(bar), drift=drift)
            text = " ".join(
                part for part in (text if drift or not self.lines[0].said else "", self.lines[0].said) if part
            )
            yield from self._figures(place)
            if drift:
                yield placed(_ring(round(px(11)), self.palette.ink), self.x_of(place), self.y_of(ms))
        written = lettering.words(text, height, self.palette.ink, hand=True)
        while written.width > self.rect.width - 2 * self.sizes.margin and height > 4:
            height = round(height * 0.95) - 1
            written = lettering.words(text, height, self.palette.ink, hand=True)
        yield self._centred(
            written, self.rect.left + self.sizes.margin, self.rect.bottom - px(SENTENCE * 0.55), height
        )

    def _figures(self, worst: float) -> Iterator[Stamp]:
        """Write how far the chosen pass is out, beyond its points: the worst first, as room allows."""
        px, height = self.sizes.px, math.ceil(self.sizes.quiet)
        out = [point for point in self.lines[0].points if abs(point[1]) >= self.threshold_ms]
        kept: list[pygame.Rect] = []
        curve = [(self.x_of(place), self.y_of(ms)) for place, ms in self.lines[0].points]
        spans = dict(zip(self.lines[0].points, self.lines[0].spans, strict=False))
        for place, ms in sorted(out, key=lambda point: (point[0] != worst, -abs(point[1]))):
            written = lettering.words(f"{abs(ms):.0f}", height, self.palette.ink, hand=True)
            far = px(15 if place == worst else 8) + height / 2
            ends = spans.get((place, ms), (ms, ms))
            end = self.y_of(max(ends) if ms > 0 else min(ends))  # clear of how far it may lie
            x, y = self.x_of(place), end + math.copysign(far, ms)
            box = pygame.Rect(0, 0, written.width + round(px(4)), height + round(px(3)))
            box.center = (round(x), round(y))
            free = box.collidelist(kept) < 0 and not any(box.clipline(a, b) for a, b in pairwise(curve))
            if free and self.top <= box.top and box.bottom <= self.bottom:
                kept.append(box)
                yield self._centred(written, box.left + px(2), y, height)

    def _centred(self, written: lettering.Written, x: float, y: float, height: float) -> Stamp:
        """Return a writing with the middle of its capitals at ``y``."""
        return Stamp(written.surface, round(x), round(y + height / 2) - written.baseline)


def _reach(line: DriftLine) -> Iterator[float]:
    yield from (ms for _, ms in line.points)
    for low, high in line.spans:
        yield from (low, high)


def _segment(one: Point, other: Point, weight: float, colour: Colour, dash: float) -> Iterator[Stamp]:
    """Yield a stroke between two points, each piece a small patch; in dashes where ``dash`` is not 0."""
    length = math.hypot(other[0] - one[0], other[1] - one[1])
    pieces = [(0.0, 1.0)]
    if dash:
        count = max(round(length / (1.7 * dash)), 1)
        pieces = [(i / count, (i + 0.58) / count) for i in range(count)]
    for first, last in pieces:
        x, y = one[0] + (other[0] - one[0]) * first, one[1] + (other[1] - one[1]) * first
        dx, dy = (other[0] - one[0]) * (last - first), (other[1] - one[1]) * (last - first)
        yield placed(_stroke(round(dx), round(dy), round(weight, 1), colour), x, y)


@lru_cache(maxsize=1024)
def _stroke(dx: int, dy: int, weight: float, colour: Colour) -> Patch:
    far = weight + 1
    sheet = Sheet((min(dx, 0) - far, min(dy, 0) - far, max(dx, 0) + far, max(dy, 0) + far), colour)
    sheet.line((0, 0), (dx, dy), weight, (dx + dy) % 23, weight * 0.2)
    return sheet.patch()


@lru_cache(maxsize=16)
def _dot(radius: float, colour: Colour) -> Patch:
    sheet = Sheet((-radius - 1, -radius - 1, radius + 1, radius + 1), colour)
    sheet.disc((0, 0), radius)
    return sheet.patch()


@lru_cache(maxsize=8)
def _ring(radius: int, colour: Colour) -> Patch:
    sheet = Sheet((-radius * 1.4, -radius * 1.4, radius * 1.4, radius * 1.4), colour, 2 * radius)
    sheet.loop(radius, radius * 0.9, radius * 0.15, 6)
    return sheet.patch()


def _mixed(one: Colour, other: Colour, share: float) -> Colour:
    red, green, blue = (round(a + (b - a) * share) for a, b in zip(one, other, strict=True))
    return red, green, blue
