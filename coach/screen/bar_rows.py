"""The rows of a bar to true time, one a string: the written lengths, under them the sounds and their ends.

A written length is a hairline with the upright tick of its stop; a sound has the strokes and ends of the ring
strip, the names of its note where it begins, and the exact figure where it ends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coach.core.lanes import Lane, Lanes, Sound, Wanted
from coach.core.verdicts import Damping, Stroke
from coach.screen import lettering
from coach.screen.figures import Stretch, figure_stamps
from coach.screen.often import block, ring
from coach.screen.pencil import Patch
from coach.screen.ruler import fault_sign
from coach.screen.rules import rule
from coach.screen.stamps import Stamp, placed
from coach.screen.strokes import HOLLOW, Strokes
from coach.screen.theme import Colour, Palette, Sizes

LEAST_NEAR_MS = 120.0
RED = (Damping.LATE, Damping.RINGING)
LEAST_WAVE = 1.0  # of a row


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the rows of a sheet stand: time runs to the right, a row hangs below the one before.  Pixels."""

    lanes: Lanes
    numbers: int  # x of the strings' numbers
    left: int  # of the stretch shown
    right: int
    top: float
    pitch: float  # from row to row
    names: bool  # of the notes are written
    strokes: Strokes
    sizes: Sizes
    palette: Palette

    def x_of(self, ms: float) -> float:
        """Return where a time stands; what is outside the stretch stands at its edge."""
        first, last = self.lanes.first_ms, self.lanes.last_ms
        share = (ms - first) / max(last - first, 1e-6)
        return self.left + (self.right - self.left) * min(max(share, 0.0), 1.0)

    def inside(self, ms: float) -> bool:
        """Return whether a time is in the stretch shown."""
        return self.lanes.first_ms <= ms <= self.lanes.last_ms


class Row:
    """One string's row."""

    def __init__(self, grid: Grid, lane: Lane, row: int) -> None:
        """``row`` counts from the top, 0 first."""
        self.grid, self.lane, self.row = grid, lane, row
        self.strokes, self.palette = grid.strokes, grid.palette
        tall = self.strokes.row
        bottom = grid.top + (row + 1) * grid.pitch
        self.y = round(bottom - tall * 0.58)  # of the sounds
        self.hair = round(self.y - tall * 0.56) if grid.names else self.y  # of the written lengths
        self.found: list[Stamp] = []
        self.taken: list[tuple[float, float]] = []  # x of the names

    def stamps(self) -> list[Stamp]:
        """Return the row's stamps."""
        grid, tall = self.grid, min(math.ceil(self.grid.sizes.sign), round(self.strokes.row * 0.95))
        number = lettering.string_number(self.lane.string, tall, self.palette.ink)
        self.found.append(Stamp(number, grid.numbers, self.y - tall // 2))
        for wanted in self.lane.wanted:
            self._wanted(wanted)
        for sound in sorted(self.lane.sounds, key=lambda s: s.on_ms):
            self._sound(sound)
        return self.found

    def _wanted(self, wanted: Wanted) -> None:
        grid, px = self.grid, self.grid.sizes.px
        if wanted.off_ms < grid.lanes.first_ms or wanted.on_ms > grid.lanes.last_ms:
            return
        left, right, weight = grid.x_of(wanted.on_ms), grid.x_of(wanted.off_ms), max(px(1.1), 1.0)
        self.found.append(placed(rule(round(right - left), weight, self.palette), left, self.hair))
        short, row = round(px(3.5)), self.strokes.row
        if grid.inside(wanted.on_ms):
            begins = upright(2 * short, max(round(weight), 1), self.palette.faint)
            self.found.append(placed(begins, left, self.hair - short))
        if grid.inside(wanted.off_ms):
            thick = max(round(px(1.3)), 1) if wanted.stop else max(round(weight), 1)
            up = row * 0.16 if grid.names else row * 0.36
            tall = self.y + row * 0.42 - self.hair + up if wanted.stop else 2 * short
            ends = upright(round(tall), thick, self.palette.ink if wanted.stop else self.palette.faint)
            self.found.append(placed(ends, right, self.hair - (up if wanted.stop else short)))
        self._name(wanted.name, left, self.palette.ink)
        played = any(abs(s.on_ms - wanted.on_ms) <= _near(wanted) for s in self.lane.sounds)
        if grid.inside(wanted.on_ms) and not played:
            x = left + min((right - left) / 2, row * 1.2)  # a pencilled gap: it was not played here
            self._paper(x, round(row * 0.7))
            self.found.append(placed(self.strokes.gap(), x, self.y))

    def _name(self, text: str, x: float, colour: Colour, *, hand: bool = False, ringed: bool = False) -> None:
        """Write a note's name above the row, where no other stands."""
        sizes = self.grid.sizes
        if not self.grid.names or not text:
            return
        quiet, px = math.ceil(sizes.quiet), sizes.px
        written = lettering.words(text, quiet, colour, hand=hand)
        ink = written.surface.get_bounding_rect()
        x = max(x, self.grid.left) + px(9 if ringed else 2.5)
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
        grid, lanes = self.grid, self.grid.lanes
        off = lanes.last_ms + 1 if sound.off_ms is None else sound.off_ms
        if off < lanes.first_ms or sound.on_ms > lanes.last_ms:
            return
        left, right = grid.x_of(sound.on_ms), grid.x_of(off)
        ends = grid.inside(off)
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
        if grid.inside(sound.on_ms):
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
        due = over if wanted is None else self.grid.x_of(wanted.off_ms)
        line = min(right, due) if kind in RED else right
        if kind is Damping.FADED:
            self.found.append(placed(strokes.taper(round(right - left), blue), left, self.y))
        else:
            self._run("line", left, line - (row * HOLLOW if kind is Damping.CUT and ends else 0), blue)
        if kind in RED and (ends or right - line > row * 0.8):
            right = max(right, line + row * LEAST_WAVE) if ends else right
            self._run("hatch", line, right, red)
            self._run("wave", line, right, red)
        if self.grid.inside(sound.on_ms):
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
        row, grid = self.strokes.row, self.grid
        if sound.off_ms is None or not grid.inside(sound.off_ms):
            if sound.kind in (*RED, None):
                self.found.append(placed(self.strokes.arrow(colour), right - row * 0.1, self.y))
            right += row * 0.3
        if not sound.words:
            return
        start = max(right, due) + row * 0.42
        following = [grid.x_of(s.on_ms) for s in self.lane.sounds if s.on_ms > sound.on_ms]
        following += [grid.x_of(s.on_ms) for s in self.lane.wanted if s.on_ms > sound.on_ms + 100]
        free = min([x for x in following if x > line] + [grid.right + grid.sizes.margin * 0.7]) - row * 0.3
        after = Stretch(start, free, self.y)
        breaks = [Stretch(line, right, self.y), Stretch(grid.x_of(sound.on_ms), line, self.y)]
        figures = sound.words, sound.words.removesuffix(" ms")
        written = figure_stamps(figures, after, breaks, self.strokes, grid.sizes, colour)
        if not written and after.width > 0:
            small = lettering.words(sound.words, math.ceil(grid.sizes.quiet), colour, hand=True)
            if small.width <= after.width:
                written = [centred(small, start, self.y, grid.sizes.quiet)]
        if len(written) == 1:  # no upright is to be read as one of its figures
            self._paper(written[0].rect.centerx, written[0].rect.width)
        self.found += written


def _near(wanted: Wanted) -> float:
    """Return within how many ms of a written onset a sound is that note."""
    return max(0.5 * (wanted.off_ms - wanted.on_ms), LEAST_NEAR_MS)


def centred(written: lettering.Written, x: float, y: float, height: float) -> Stamp:
    """Return a writing, its capitals ``height`` tall, with their middle at ``y``."""
    return Stamp(written.surface, round(x), round(y + height / 2) - written.baseline)


def upright(tall: int, weight: int, colour: Colour) -> Patch:
    """Return a ruled upright, its top at the origin."""
    return block(weight, tall, colour)._replace(x=-(weight // 2))
