"""What does not move on a page: systems, bar numbers, rows, written lengths, damp signs.

It is found system by system and kept, so that a page that has not been shown yet costs little more than its
blits, and so that it can be got ready in small pieces while nothing else is to be done.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import cached_property, partial
from typing import NamedTuple

import numpy as np
import pygame
from numpy.typing import NDArray

from coach.core.score import Score
from coach.core.shapes import StopSign
from coach.screen import lettering
from coach.screen.layout import Layout, Spread
from coach.screen.marks import MarkPainter
from coach.screen.rules import rule, ruled, tick, upwards
from coach.screen.signs import sign_stamps
from coach.screen.stamps import Stamp, placed
from coach.screen.theme import Colour, Lean, Palette, Sizes

PICTURE_BYTES = 32_000_000  # systems kept unpacked, one byte a pixel: some 60 of them at 1080p
LEAST_PICTURES = 6  # … and on pages so large that this is more
MOST_LEAVES = 400  # a system in a slot, with its rows, in ink or light; some 20 kB

Rows = dict[int, tuple[int, ...]]


class Leaf(NamedTuple):
    """What stands still in one slot, layer by layer."""

    picture: Stamp
    numbers: list[Stamp]  # of bars, and of the rows' strings
    lengths: list[Stamp]
    signs: list[Stamp]


class Still:
    """Finds and keeps what does not move, for one page."""

    def __init__(
        self,
        layout: Layout,
        marks: MarkPainter,
        palette: Palette,
        *,
        title: str,
        stops: tuple[StopSign, ...],
        first_x: int,
    ) -> None:
        """``first_x`` is where a row that goes on from the system before begins."""
        self.layout, self.marks, self.palette, self.title = layout, marks, palette, title
        self.score: Score = layout.score
        self.sizes: Sizes = layout.sizes
        self._first_x = first_x
        self._due = {stop.note: float(stop.tick) for stop in stops}
        self._pictures: dict[int, tuple[pygame.Surface, pygame.Surface]] = {}  # in ink, and light
        self._leaves: dict[object, Leaf] = {}
        self._turned: dict[tuple[Spread, frozenset[int]], list[Stamp]] = {}

    def stamps(self, spread: Spread, rows: Rows, ahead: frozenset[int]) -> list[Stamp]:
        """Return all of it in drawing order; ``ahead`` are the systems not yet come to."""
        leaves = [
            self._leaf(system, slot, rows[system], system in ahead)
            for slot, system in enumerate(spread)
            if system is not None
        ]
        found = self.heading()
        found += [leaf.picture for leaf in leaves]
        for leaf in leaves:
            found += leaf.numbers
        found += self.turned(spread, ahead)
        for leaf in leaves:
            found += leaf.lengths
        for leaf in leaves:
            found += leaf.signs
        return found

    def missing(
        self, spread: Spread, rows: Rows, aheads: tuple[frozenset[int], ...]
    ) -> Iterator[Callable[[], object]]:
        """Yield what is still to be done for ``stamps``, in jobs of a few milliseconds."""
        known = [(slot, system) for slot, system in enumerate(spread) if system is not None]
        for _, system in known:
            if system not in self._pictures:
                yield partial(self._picture, system, light=False)
        for ahead in aheads:
            for slot, system in known:
                light = system in ahead
                if (system, slot, rows[system], light) not in self._leaves:
                    yield partial(self._leaf, system, slot, rows[system], light)
            if (spread, ahead) not in self._turned:
                yield partial(self.turned, spread, ahead)

    def heading(self) -> list[Stamp]:
        """Return the title at the head of the page."""
        if not self.title or self.sizes.lean >= Lean.TITLE:
            return []
        sizes = self.sizes.plain
        written = lettering.words(self.title, round(sizes.quiet), self.palette.ink)
        x = max((sizes.width - written.width) // 2, sizes.margin)
        return [Stamp(written.surface, x, round(sizes.head * 0.6 + sizes.quiet / 2) - written.baseline)]

    def turned(self, spread: Spread, ahead: frozenset[int]) -> list[Stamp]:
        """Return the pencilled line across a half-turned page, and the arrow from its foot to its top."""
        key = spread, ahead
        if key not in self._turned:
            self._turned[key] = self._across(spread, ahead)
        return self._turned[key]

    def _across(self, spread: Spread, ahead: frozenset[int]) -> list[Stamp]:
        slot = self.layout.broken(spread)
        if slot is None:
            return []
        y = self.layout.slot_top(slot + 1) - self.layout.gap / 2
        wide = self.sizes.width - self.sizes.margin
        stamps = [
            placed(ruled(wide, self.sizes.margin * 0.075, self.palette.pencil), self.sizes.margin / 2, y)
        ]
        known = [system for system in spread if system is not None]
        if ahead and known[0] == known[-1] + 1:
            last = len(known) - 1
            x = self.layout.left + self.layout.engraved.systems[known[-1]].width
            arrow = upwards(self.sizes.margin + self.sizes.label_room, self.layout.staff, self.palette.ink)
            stamps.append(placed(arrow, x, self.layout.staff_y(last) + self.layout.staff / 2))
        return stamps

    # --- one system ---------------------------------------------------------------------------

    def _leaf(self, system: int, slot: int, strings: tuple[int, ...], light: bool) -> Leaf:
        key = (system, slot, strings, light)
        if key in self._leaves:
            self._leaves[key] = self._leaves.pop(key)  # the most lately used stands last
        else:
            while len(self._leaves) >= MOST_LEAVES:
                del self._leaves[next(iter(self._leaves))]
            self._leaves[key] = self._found(system, slot, strings, light)
        return self._leaves[key]

    def _found(self, system: int, slot: int, strings: tuple[int, ...], light: bool) -> Leaf:
        layout, sizes = self.layout, self.sizes
        # What is not yet reached is light, but it is to be read before the page is turned back.
        ink: Colour = self.palette.pencil if light else self.palette.ink
        picture = Stamp(self._picture(system, light=light), layout.left, layout.system_y(slot, system))
        numbers: list[Stamp] = []
        for bar in self._bars.get(system, ()):
            if bar in self._first_rounds:
                numbers += self.marks.number(bar, {system: slot}, self.palette.pencil)
        tall = math.ceil(min(sizes.sign, layout.pitch(len(strings)) * 0.95))
        for row, string in enumerate(strings):
            number = lettering.string_number(string, tall, ink)
            y = layout.row_y(slot, row, len(strings)) - number.get_height() // 2
            numbers.append(Stamp(number, layout.left, y))
        signs = sign_stamps(layout.signs.get(system, ()), layout.left, layout.signs_y(slot), sizes, ink)
        return Leaf(picture, numbers, self._lengths(system, slot, strings), signs)

    def _picture(self, system: int, *, light: bool) -> pygame.Surface:
        """Return a system in ink, or as it stands while the player is not there yet."""
        found = self._pictures.get(system)
        if found is None:
            known = self._pictures
            size = sum(one.get_width() * one.get_height() for one, _ in known.values())
            while len(known) >= LEAST_PICTURES and size > PICTURE_BYTES:
                gone, _ = known.pop(next(iter(known)))
                size -= gone.get_width() * gone.get_height()
            palette, shown = self.palette, self.layout.engraved.systems[system]
            found = shown.surfaces(palette.paper, palette.ink, palette.pencil)
            known[system] = found
        return found[light]

    @cached_property
    def _bars(self) -> dict[int, list[int]]:
        """The page's performed bars on each system."""
        first, last = max(self.layout.bars[0], 0), min(self.layout.bars[1], len(self.score.bars) - 1)
        found: dict[int, list[int]] = {}
        for bar in range(first, last + 1):
            system = self.layout.places.system_of(bar)
            if system is not None:
                found.setdefault(system, []).append(bar)
        return found

    @cached_property
    def _first_rounds(self) -> set[int]:
        """One performed bar for each written bar of the page."""
        first, last = self.layout.bars
        found: dict[int, int] = {}
        for index in range(max(first, 0), min(last, len(self.score.bars) - 1) + 1):
            found.setdefault(self.score.bars[index].written, index)
        return set(found.values())

    @cached_property
    def _ends(self) -> NDArray[np.float64]:
        """When each note's written length ends on the page: at its stop, if that is later than its end."""
        notes = self.score.notes
        ends: NDArray[np.float64] = np.add(notes["onset"], notes["duration"], dtype=float)
        for note, due in self._due.items():
            if 0 <= note < len(ends):
                ends[note] = max(ends[note], due)
        return ends

    def _lengths(self, system: int, slot: int, strings: tuple[int, ...]) -> list[Stamp]:
        """Return the written length of every bass note: a hairline from the note to its stop's tick."""
        notes, found = self.score.notes, list[Stamp]()
        seen: set[tuple[int, int]] = set()
        first, last = self.layout.bars
        near = np.zeros(len(notes), bool)  # what sounds in a bar of the system
        for bar in self._bars.get(system, ()):
            one = self.score.bars[bar]
            near |= (notes["onset"] < one.end) & (self._ends >= one.onset)
        near &= notes["bass"] & (notes["string"] > 0) & (notes["bar"] >= first) & (notes["bar"] <= last)
        for row in np.flatnonzero(near):
            onset = float(notes["onset"][row])
            end = self._due.get(int(row), onset + float(notes["duration"][row]))
            key = (int(notes["written"][row]), round(end - onset))
            string = int(notes["string"][row])
            if key not in seen and string in strings:
                seen.add(key)
                y = self.layout.row_y(slot, strings.index(string), len(strings))
                found += self._length(system, onset, end, y)
        return found

    def _length(self, system: int, start: float, end: float, y: int) -> Iterator[Stamp]:
        weight = max(self.sizes.row * 0.05, 1.0)
        for span in self.layout.places.spans(start, end):
            if span.system != system:
                continue
            left, right = self.layout.left + span.left, self.layout.left + span.right
            if not span.begins:
                left = max(left, self._first_x)
            yield placed(rule(round(right) - round(left), weight, self.palette), left, y)
            if span.ends:
                yield placed(tick(self.sizes.row, weight, self.palette), right, y)
