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

from coach.core.lanes import Lane, Lanes, Sound, Wanted
from coach.core.verdicts import Damping, Stroke
from coach.screen import lettering
from coach.screen.figures import Stretch, figure_stamps
from coach.screen.often import block, ring
from coach.screen.pencil import Patch
from coach.screen.ruler import fault_sign, pencilled
from coach.screen.rules import rule
from coach.screen.stamps import Stamp, paint, placed
from coach.screen.strokes import HOLLOW, Strokes
from coach.screen.theme import Colour, Palette, Sizes

HEADING = "bar {bar}, pass {number}, to true time"
UNIT = "ms"
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
LEAST_NEAR_MS = 120.0
RED = (Damping.LATE, Damping.RINGING)
LEAST_WAVE = 1.0  # of a row
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
        first, last = self.lanes.first_ms, self.lanes.last_ms
        share = (ms - first) / max(last - first, 1e-6)
        return self.left + (self.right - self.left) * min(max(share, 0.0), 1.0)

    def inside(self, ms: float) -> bool:
        """Return whether a time is in the stretch shown."""
        return self.lanes.first_ms <= ms <= self.lanes.last_ms

    def stamps(self) -> Iterator[Stamp]:
        """Yield everything in drawing order."""
        yield from self._heading()
        yield from self._uprights()
        if self.plan.scale:
            yield from self._scale()
        for row, lane in enumerate(self.plan.lanes):
            yield from _Row(self, lane, row).stamps()
        y = self.bottom + self.plan.scale * self.sizes.px(SCALE)
        pitch = self.plain.px(SENTENCE) * self.larger
        for i, line in enumerate(self.lines):
            written, tall = self._written(line, self.larger), self.plain.sign * self.larger
            yield self.centred(written, self.rect.left + self.sizes.margin, y + pitch * (i + 0.44), tall)

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

    def centred(self, written: lettering.Written, x: float, y: float, height: float) -> Stamp:
        """Return a writing with the middle of its capitals at ``y``."""
        return Stamp(written.surface, round(x), round(y + height / 2) - written.baseline)

    def _heading(self) -> Iterator[Stamp]:
        if self.plan.heading:
            text = HEADING.format(bar=self.lanes.number, number=self.lanes.pass_number)
            quiet = self.sizes.quiet
            written = lettering.words(text, round(quiet), self.palette.pencil)
            x = (self.rect.left + self.rect.right - written.width) / 2
            yield self.centred(written, x, self.start + self.sizes.px(HEAD) * 0.45, quiet)

    def _uprights(self) -> Iterator[Stamp]:
        """Yield barlines, beats, and the beats' numbers above them."""
        px, palette = self.sizes.px, self.palette
        tall = round(self.bottom - self.top + px(4))
        y = self.top - px(1)
        for ms in self.lanes.barlines:
            if self.inside(ms):
                yield placed(_upright(tall, max(round(px(1.3)), 2), palette.ink), self.x_of(ms), y)
        end = -1e9
        for ms, number in self.lanes.beats:
            if not self.inside(ms):
                continue
            if all(abs(self.x_of(ms) - self.x_of(line)) > 1 for line in self.lanes.barlines):
                yield placed(_upright(tall, max(round(px(0.5)), 1), palette.faint), self.x_of(ms), y)
            drawn = lettering.words(number, math.ceil(self.sizes.sign), palette.pencil).surface
            box = drawn.get_bounding_rect()
            x = round(self.x_of(ms) - box.width / 2)
            if x > end + px(3):
                yield Stamp(drawn, x - box.x, round(self.top - px(BEATS * 0.5) - box.height / 2) - box.y)
                end = x + box.width

    def _scale(self) -> Iterator[Stamp]:
        """Yield the scale in ms at the foot of the rows; 0 is the bar's first beat."""
        px, pencil, quiet = self.sizes.px, self.palette.pencil, round(self.sizes.quiet)
        unit, margin = lettering.words(UNIT, quiet, pencil), self.rect.left + self.sizes.margin
        y = self.bottom + px(4)
        yield placed(pencilled(round(self.right - self.left), max(px(0.8), 1.0), pencil), self.left, y)
        ms_px = (self.right - self.left) / max(self.lanes.last_ms - self.lanes.first_ms, 1e-6)
        wide = lettering.words("−10000", quiet, pencil).width
        step = next((s for s in SCALE_STEPS_MS if s * ms_px >= 1.5 * wide), SCALE_STEPS_MS[-1])
        fine = next((step / parts for parts in (10, 5, 2) if step / parts * ms_px >= px(4)), float(step))
        for number in range(math.ceil(self.lanes.first_ms / fine), math.floor(self.lanes.last_ms / fine) + 1):
            ms = number * fine
            strong = abs(ms / step - round(ms / step)) < 1e-6
            tick = _upright(round(px(6 if strong else 3)), max(round(px(0.7)), 1), pencil)
            yield placed(tick, self.x_of(ms), y)
            if strong:
                drawn = lettering.words(f"{ms:.0f}".replace("-", "−"), quiet, pencil).surface
                box = drawn.get_bounding_rect()
                x = self.x_of(ms) - box.width / 2
                if x >= margin + unit.width + px(4) and x + box.width <= self.rect.right - px(4):
                    yield Stamp(drawn, round(x) - box.x, round(y + px(15) - box.height / 2) - box.y)
        yield self.centred(unit, margin, y + px(15), quiet)


class _Row:
    """One string's row."""

    def __init__(self, sheet: BarSheet, lane: Lane, row: int) -> None:
        self.sheet, self.lane, self.row = sheet, lane, row
        self.strokes, self.palette = sheet.strokes, sheet.palette
        tall = self.strokes.row
        bottom = sheet.top + (row + 1) * sheet.pitch
        self.y = round(bottom - tall * 0.58)  # of the sounds
        self.hair = round(self.y - tall * 0.56) if sheet.plan.names else self.y  # of the written lengths
        self.found: list[Stamp] = []
        self.taken: list[tuple[float, float]] = []  # x of the names

    def stamps(self) -> list[Stamp]:
        """Return the row's stamps."""
        sheet, tall = self.sheet, min(math.ceil(self.sheet.sizes.sign), round(self.strokes.row * 0.95))
        number = lettering.string_number(self.lane.string, tall, self.palette.ink)
        self.found.append(Stamp(number, sheet.rect.left + sheet.sizes.margin, self.y - tall // 2))
        for wanted in self.lane.wanted:
            self._wanted(wanted)
        for sound in sorted(self.lane.sounds, key=lambda s: s.on_ms):
            self._sound(sound)
        return self.found

    def _wanted(self, wanted: Wanted) -> None:
        sheet, px = self.sheet, self.sheet.sizes.px
        if wanted.off_ms < sheet.lanes.first_ms or wanted.on_ms > sheet.lanes.last_ms:
            return
        left, right, weight = sheet.x_of(wanted.on_ms), sheet.x_of(wanted.off_ms), max(px(1.1), 1.0)
        self.found.append(placed(rule(round(right - left), weight, self.palette), left, self.hair))
        short, row = round(px(3.5)), self.strokes.row
        if sheet.inside(wanted.on_ms):
            begins = _upright(2 * short, max(round(weight), 1), self.palette.faint)
            self.found.append(placed(begins, left, self.hair - short))
        if sheet.inside(wanted.off_ms):
            thick = max(round(px(1.3)), 1) if wanted.stop else max(round(weight), 1)
            up = row * 0.16 if sheet.plan.names else row * 0.36
            tall = self.y + row * 0.42 - self.hair + up if wanted.stop else 2 * short
            ends = _upright(round(tall), thick, self.palette.ink if wanted.stop else self.palette.faint)
            self.found.append(placed(ends, right, self.hair - (up if wanted.stop else short)))
        self._name(wanted.name, left, self.palette.ink)
        played = any(abs(s.on_ms - wanted.on_ms) <= _near(wanted) for s in self.lane.sounds)
        if sheet.inside(wanted.on_ms) and not played:
            x = left + min((right - left) / 2, row * 1.2)  # a pencilled gap: it was not played here
            self._paper(x, round(row * 0.7))
            self.found.append(placed(self.strokes.gap(), x, self.y))

    def _name(self, text: str, x: float, colour: Colour, *, hand: bool = False, ringed: bool = False) -> None:
        """Write a note's name above the row, where no other stands."""
        sizes = self.sheet.sizes
        if not self.sheet.plan.names or not text:
            return
        quiet, px = math.ceil(sizes.quiet), sizes.px
        written = lettering.words(text, quiet, colour, hand=hand)
        ink = written.surface.get_bounding_rect()
        x = max(x, self.sheet.left) + px(9 if ringed else 2.5)
        x = max([x] + [b + px(12 if ringed else 4) for a, b in self.taken if a - px(2) <= x <= b + px(4)])
        if any(x < b + px(3) and x + ink.width > a - px(3) for a, b in self.taken):
            return
        self.taken.append((x, x + ink.width + (px(6) if ringed else 0)))
        baseline = self.hair - round(px(4))
        self.found.append(Stamp(written.surface, round(x) - ink.x, baseline - written.baseline))
        if ringed:
            patch = ring(ink.width, round(quiet * 1.27), self.palette.ink)
            self.found.append(placed(patch, x + ink.width / 2, baseline - quiet / 2))

    # --- sounds -------------------------------------------------------------------------------

    def _sound(self, sound: Sound) -> None:
        sheet, lanes = self.sheet, self.sheet.lanes
        off = lanes.last_ms + 1 if sound.off_ms is None else sound.off_ms
        if off < lanes.first_ms or sound.on_ms > lanes.last_ms:
            return
        left, right = sheet.x_of(sound.on_ms), sheet.x_of(off)
        ends = sheet.inside(off)
        if isinstance(sound.kind, Damping):
            self._bass(sound, sound.kind, left, right, ends=ends)
            return
        stray = sound.kind is None
        colour = self.palette.rang if stray else self.palette.ink
        if sound.kind is Stroke.RIGHT:
            colour = self.palette.pencil
        self._run(
            "wave" if stray else "line", left + (self.strokes.row * 0.36 if stray else 0), right, colour
        )
        if sheet.inside(sound.on_ms):
            first = self.strokes.lozenge(colour) if stray else self.strokes.disc(colour)
            if sound.kind is Stroke.EXTRA:
                first = fault_sign("extra", self.strokes.row, self.palette)
            self.found.append(placed(first, left, self.y))
            if sound.kind is not Stroke.RIGHT:
                wrong = sound.kind is Stroke.WRONG
                self._name(sound.name, left, colour, hand=True, ringed=wrong)
        self._end(sound, right, colour, left, right)

    def _bass(self, sound: Sound, kind: Damping, left: float, right: float, *, ends: bool) -> None:
        """Draw a bass's sound and its end, as the ring strip does."""
        strokes, row, blue, red = self.strokes, self.strokes.row, self.palette.written, self.palette.rang
        wanted = self._of(sound)
        over = left if kind in RED else right  # where the note itself is not shown
        due = over if wanted is None else self.sheet.x_of(wanted.off_ms)
        line = min(right, due) if kind in RED else right
        if kind is Damping.FADED:
            self.found.append(placed(strokes.taper(round(right - left), blue), left, self.y))
        else:
            self._run("line", left, line - (row * HOLLOW if kind is Damping.CUT and ends else 0), blue)
        if kind in RED and (ends or right - line > row * 0.8):
            right = max(right, line + row * LEAST_WAVE) if ends else right
            self._run("hatch", line, right, red)
            self._run("wave", line, right, red)
        if self.sheet.inside(sound.on_ms):
            self.found.append(placed(strokes.disc(blue), left, self.y))
            if wanted is not None and wanted.pitch != sound.pitch:
                self._name(sound.name, left, self.palette.ink, hand=True, ringed=True)
        if kind is Damping.CUT:
            self._run("dots", right + row * 0.5, due, blue)
        patch: Patch | None = None
        if ends and sound.off_ms is not None:
            patch = {
                Damping.CLEAN: strokes.upright(blue),
                Damping.LATE: strokes.upright(red),
                Damping.RINGING: strokes.upright(red),
                Damping.CUT: strokes.hollow(blue),
                Damping.FREE: strokes.arc(blue),
            }.get(kind)
        if patch is not None:
            self.found.append(placed(patch, right, self.y + (row * 0.08 if kind is Damping.FREE else 0)))
        self._end(sound, right, red if kind in RED else blue, line, due)

    def _of(self, sound: Sound) -> Wanted | None:
        """Return the written note that a sound played; None where that one ended before the stretch shown."""
        wanted = min(self.lane.wanted, key=lambda w: abs(w.on_ms - sound.on_ms), default=None)
        if wanted is None or abs(wanted.on_ms - sound.on_ms) > _near(wanted):
            return None
        return wanted

    def _run(self, kind: str, left: float, right: float, colour: Colour) -> None:
        self.found += self.strokes.run(kind, left, right, self.y, colour, self.row)

    def _paper(self, x: float, width: int) -> None:
        """Bare the paper around ``x``."""
        tall = round(self.strokes.row * 0.8)
        paper = block(width, tall, self.palette.paper)
        self.found.append(placed(paper, x - width // 2, self.y - tall // 2))

    def _end(self, sound: Sound, right: float, colour: Colour, line: float, due: float) -> None:
        """Draw the arrow of what was never heard to stop, and the exact figure at the end."""
        row, sheet = self.strokes.row, self.sheet
        if sound.off_ms is None or not sheet.inside(sound.off_ms):
            if sound.kind in (*RED, None):
                self.found.append(placed(self.strokes.arrow(colour), right - row * 0.1, self.y))
            right += row * 0.3
        if not sound.words:
            return
        start = max(right, due) + row * 0.42
        following = [sheet.x_of(s.on_ms) for s in self.lane.sounds if s.on_ms > sound.on_ms]
        following += [sheet.x_of(s.on_ms) for s in self.lane.wanted if s.on_ms > sound.on_ms + 100]
        free = min([x for x in following if x > line] + [sheet.right + sheet.sizes.margin * 0.7]) - row * 0.3
        after = Stretch(start, free, self.y)
        breaks = [Stretch(line, right, self.y), Stretch(sheet.x_of(sound.on_ms), line, self.y)]
        written = figure_stamps(sound.words, after, breaks, self.strokes, sheet.sizes, colour)
        if not written and after.width > 0:
            small = lettering.words(sound.words, math.ceil(sheet.sizes.quiet), colour, hand=True)
            if small.width <= after.width:
                written = [sheet.centred(small, start, self.y, sheet.sizes.quiet)]
        if len(written) == 1:  # no upright is to be read as one of its figures
            self._paper(written[0].rect.centerx, written[0].rect.width)
        self.found += written


def _near(wanted: Wanted) -> float:
    """Return within how many ms of a written onset a sound is that note."""
    return max(0.5 * (wanted.off_ms - wanted.on_ms), LEAST_NEAR_MS)


def _tells(lane: Lane) -> bool:
    """Return whether a string's row tells more than that its notes were played."""
    return any(w.stop for w in lane.wanted) or any(s.kind is not Stroke.RIGHT for s in lane.sounds)


def _upright(tall: int, weight: int, colour: Colour) -> Patch:
    """Return a ruled upright, its top at the origin."""
    return block(weight, tall, colour)._replace(x=-(weight // 2))
