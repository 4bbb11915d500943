"""One bar to true time: what each string sounded, beside what is written.

Every string has a row.  Its written lengths are hairlines with the upright tick of their stop; under them lie
the sounds, with the strokes and ends of the ring strip.  Beats are thin uprights where the player's own beats
fell, a scale in ms runs along the foot, and the exact figures stand below in sentences.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import accumulate
from typing import NamedTuple

import pygame

from coach.core.lanes import Lane, Lanes
from coach.core.verdicts import Stroke
from coach.screen import lettering
from coach.screen.bar_rows import Grid, Row, centred, upright
from coach.screen.page_words import BAR_HEADING, MS_UNIT
from coach.screen.ruler import pencilled
from coach.screen.stamps import Stamp, paint, placed
from coach.screen.strokes import Strokes
from coach.screen.theme import Palette, Sizes

# Heights in minutes of arc.
HEAD = 28.0
BEATS = 27.0
SCALE = 32.0
SENTENCE = 32.0
NAMES = 20.0  # of notes, above their row
MOST_ROW = 60.0  # a row and the names above it
MOST_SENTENCES = 3
MOST_GROWTH = 1.5
SCALE_STEPS_MS = (50, 100, 200, 250, 500, 1000, 2000, 5000, 10_000)
LEAST_SHARE = 0.7  # of a row's height, for the sake of the first sentence


def draw_bar(
    surface: pygame.Surface, rect: pygame.Rect, lanes: Lanes, sizes: Sizes, palette: Palette
) -> None:
    """Draw a bar's sheet within ``rect``."""
    painted = BarSheet(rect, lanes, sizes, palette)
    surface.fill(palette.paper, rect)
    before = surface.get_clip()
    surface.set_clip(rect)
    paint(surface, painted.stamps())
    surface.set_clip(before)


class _Plan(NamedTuple):
    """What of a sheet has room."""

    lanes: tuple[Lane, ...]
    heading: bool
    names: bool  # of the notes
    scale: bool


class BarSheet:
    """One sheet laid out: heights first, then the stamps."""

    def __init__(self, rect: pygame.Rect, lanes: Lanes, sizes: Sizes, palette: Palette) -> None:
        self.rect, self.lanes, self.palette, self.plain = rect, lanes, palette, sizes.plain
        said = self._sentences()
        line = self.plain.px(SENTENCE)
        needed = self.plain.px(HEAD + BEATS + SCALE + max(len(lanes.lanes), 1) * MOST_ROW)
        growth = (rect.height - sum(map(len, said)) * line) / needed
        self.sizes = self.plain.scaled(min(max(growth, 1.0), MOST_GROWTH))
        px, row = self.sizes.px, self.sizes.row
        # What is larger than it must be has larger sentences, if they need no more lines for it.
        longest = max((self._written(text, 1.0).width for lines in said for text in lines), default=1)
        wide = rect.width - 2 * self.sizes.margin
        self.larger = max(min(self.sizes.growth / self.plain.growth, wide / max(longest, 1)), 1.0)
        line *= self.larger
        ends = [len(lines) for lines in accumulate(said)] or [0]

        def left_over(plan: _Plan, lines: int) -> float:
            """Return what a plan leaves of the height, with so many lines of sentences."""
            fixed = px(BEATS) + plan.heading * px(HEAD) + plan.scale * px(SCALE) + lines * line
            return rect.height - fixed - len(plan.lanes) * (row + plan.names * px(NAMES))

        plans = list(self._plans())
        self.plan = next((plan for plan in plans if left_over(plan, ends[0]) >= 0), plans[-1])
        count = max(len(self.plan.lanes), 1)
        fit = max((end for end in ends if left_over(self.plan, end) >= 0), default=0)
        if not fit and left_over(self.plan, ends[0]) >= -count * row * (1 - LEAST_SHARE):
            fit = ends[0]
        self.lines = [text for lines in said for text in lines][:fit]
        room = left_over(self.plan._replace(lanes=()), fit)
        self.pitch = min(room / count, px(MOST_ROW))
        self.strokes = Strokes(self.sizes, palette, min(row, max(round(self.pitch * 0.94), 4)))
        self.left = rect.left + self.sizes.margin + round(self.sizes.sign * 1.25 + px(5))
        self.right = rect.right - self.sizes.margin
        self.start = rect.top + max(room - count * self.pitch, 0.0) * 0.4
        self.top = self.start + self.plan.heading * px(HEAD) + px(BEATS)
        self.bottom = self.top + count * self.pitch
        self.grid = Grid(
            lanes=lanes,
            numbers=rect.left + self.sizes.margin,
            left=self.left,
            right=self.right,
            top=self.top,
            pitch=self.pitch,
            names=self.plan.names,
            strokes=self.strokes,
            sizes=self.sizes,
            palette=palette,
        )

    def _plans(self) -> Iterator[_Plan]:
        """Yield what a sheet may hold, the fullest first: the worst figure in words is given up last."""
        every = self.lanes.lanes
        used = tuple(lane for lane in every if lane.wanted or lane.sounds) or every
        telling = tuple(lane for lane in used if _tells(lane)) or used
        for lanes in (every, used):
            yield _Plan(lanes, True, True, True)
            yield _Plan(lanes, False, True, True)
        yield _Plan(telling, False, True, True)
        yield _Plan(telling, False, False, True)
        yield _Plan(telling, False, False, False)

    def x_of(self, ms: float) -> float:
        """Return where a time stands; what is outside the stretch stands at its edge."""
        return self.grid.x_of(ms)

    def inside(self, ms: float) -> bool:
        """Return whether a time is in the stretch shown."""
        return self.grid.inside(ms)

    def stamps(self) -> Iterator[Stamp]:
        """Yield everything in drawing order."""
        yield from self._heading()
        yield from self._uprights()
        if self.plan.scale:
            yield from self._scale()
        for row, lane in enumerate(self.plan.lanes):
            yield from Row(self.grid, lane, row).stamps()
        y = self.bottom + self.plan.scale * self.sizes.px(SCALE)
        pitch = self.plain.px(SENTENCE) * self.larger
        for i, line in enumerate(self.lines):
            written, tall = self._written(line, self.larger), self.plain.sign * self.larger
            yield centred(written, self.rect.left + self.sizes.margin, y + pitch * (i + 0.44), tall)

    def _written(self, text: str, larger: float) -> lettering.Written:
        return lettering.words(text, math.ceil(self.plain.sign * larger), self.palette.ink, hand=True)

    def _sentences(self) -> list[list[str]]:
        """Return what is said, each sentence broken into lines: as many as are wanted, and whole ones."""
        height, width = math.ceil(self.plain.sign), self.rect.width - 2 * self.plain.margin
        found: list[list[str]] = []
        for sentence in self.lanes.said:
            lines = list(lettering.wrapped(sentence, width, height, self.palette.ink, hand=True))
            if found and sum(map(len, found)) + len(lines) > MOST_SENTENCES:
                break
            found.append(lines)
        return found

    def _heading(self) -> Iterator[Stamp]:
        if self.plan.heading:
            text = BAR_HEADING.format(bar=self.lanes.number, number=self.lanes.pass_number)
            quiet = self.sizes.quiet
            written = lettering.words(text, round(quiet), self.palette.pencil)
            x = (self.rect.left + self.rect.right - written.width) / 2
            yield centred(written, x, self.start + self.sizes.px(HEAD) * 0.45, quiet)

    def _uprights(self) -> Iterator[Stamp]:
        """Yield barlines, beats, and the beats' numbers above them."""
        px, palette = self.sizes.px, self.palette
        tall = round(self.bottom - self.top + px(4))
        y = self.top - px(1)
        for ms in self.lanes.barlines:
            if self.inside(ms):
                yield placed(upright(tall, max(round(px(1.3)), 2), palette.ink), self.x_of(ms), y)
        end = -1e9
        for ms, number in self.lanes.beats:
            if not self.inside(ms):
                continue
            if all(abs(self.x_of(ms) - self.x_of(line)) > 1 for line in self.lanes.barlines):
                yield placed(upright(tall, max(round(px(0.5)), 1), palette.faint), self.x_of(ms), y)
            drawn = lettering.words(number, math.ceil(self.sizes.sign), palette.pencil).surface
            box = drawn.get_bounding_rect()
            x = round(self.x_of(ms) - box.width / 2)
            if x > end + px(3):
                yield Stamp(drawn, x - box.x, round(self.top - px(BEATS * 0.5) - box.height / 2) - box.y)
                end = x + box.width

    def _scale(self) -> Iterator[Stamp]:
        """Yield the scale in ms at the foot of the rows; 0 is the bar's first beat."""
        px, pencil, quiet = self.sizes.px, self.palette.pencil, round(self.sizes.quiet)
        unit, margin = lettering.words(MS_UNIT, quiet, pencil), self.rect.left + self.sizes.margin
        y = self.bottom + px(4)
        yield placed(pencilled(round(self.right - self.left), max(px(0.8), 1.0), pencil), self.left, y)
        ms_px = (self.right - self.left) / max(self.lanes.last_ms - self.lanes.first_ms, 1e-6)
        wide = lettering.words("−10000", quiet, pencil).width
        step = next((s for s in SCALE_STEPS_MS if s * ms_px >= 1.5 * wide), SCALE_STEPS_MS[-1])
        fine = next((step / parts for parts in (10, 5, 2) if step / parts * ms_px >= px(4)), float(step))
        for number in range(math.ceil(self.lanes.first_ms / fine), math.floor(self.lanes.last_ms / fine) + 1):
            ms = number * fine
            strong = abs(ms / step - round(ms / step)) < 1e-6
            tick = upright(round(px(6 if strong else 3)), max(round(px(0.7)), 1), pencil)
            yield placed(tick, self.x_of(ms), y)
            if strong:
                drawn = lettering.words(f"{ms:.0f}".replace("-", "−"), quiet, pencil).surface
                box = drawn.get_bounding_rect()
                x = self.x_of(ms) - box.width / 2
                if x >= margin + unit.width + px(4) and x + box.width <= self.rect.right - px(4):
                    yield Stamp(drawn, round(x) - box.x, round(y + px(15) - box.height / 2) - box.y)
        yield centred(unit, margin, y + px(15), quiet)


def _tells(lane: Lane) -> bool:
    """Return whether a string's row tells more than that its notes were played."""
    return any(w.stop for w in lane.wanted) or any(s.kind is not Stroke.RIGHT for s in lane.sounds)
