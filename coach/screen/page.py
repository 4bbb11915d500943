"""The page: what stands on the paper, and what the moment adds to it."""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
import pygame

from coach.core.score import Score
from coach.core.shapes import MarkKind, Ring, StopSign, View
from coach.screen import lettering
from coach.screen.engraved import Engraved
from coach.screen.foot import FootPainter
from coach.screen.layout import Layout, Spread
from coach.screen.marks import MarkPainter
from coach.screen.rings import RingPainter
from coach.screen.rules import rule, ruled, tick, upwards
from coach.screen.signs import sign_stamps
from coach.screen.stamps import Stamp, paint, placed
from coach.screen.theme import Colour, Palette, Sizes

MOST_REMEMBERED = 600  # rings whose stamps are kept
MOST_PICTURES = 24  # systems kept unpacked, one byte a pixel
MOST_BASES = 4  # whole pages kept: this one, the next and how it will change, the one before

Rows = dict[int, tuple[int, ...]]


class Page:
    """Draws views of one stretch of music at one size on one kind of paper."""

    def __init__(
        self,
        score: Score,
        engraved: Engraved,
        sizes: Sizes,
        palette: Palette,
        *,
        bars: tuple[int, int],
        title: str,
        stops: tuple[StopSign, ...] = (),
    ) -> None:
        """``bars`` are the first and last performed bar of the page, ``stops`` those the views have."""
        self.score, self.engraved, self.sizes, self.palette = score, engraved, sizes, palette
        self.bars, self.title, self.stops = bars, title, stops
        self.layout = Layout(score, engraved, sizes, bars, stops)
        self.rings = RingPainter(self.layout, sizes, palette)
        self.marks = MarkPainter(self.layout, sizes, palette)
        self.foot = FootPainter(sizes, palette)
        self._bases: dict[object, pygame.Surface] = {}
        self._warming = self.rings.warming()
        self._ready: int | None = None
        self._pictures: dict[int, pygame.Surface] = {}
        self._ring_stamps: dict[object, list[Stamp]] = {}
        self._tally, self._rubbed = 0, 0

    def base(self, view: View) -> pygame.Surface:
        """Return what does not move: paper, systems, rows, written lengths, stops.  Kept until it changes."""
        spread = self._spread(view)
        return self._base(spread, self._rows(view, spread), self._ahead(view, spread))

    def stamps(self, view: View) -> list[Stamp]:
        """Return what the moment adds, in drawing order."""
        spread = self._spread(view)
        slot_of = _slots(spread)
        rows = self._rows(view, spread)
        found: list[Stamp] = []
        for ring in view.rings:
            found += self._ring(ring, slot_of, rows, spread)
        for drift in view.drifts:
            found += self.marks.drift(drift, slot_of, rows)
        for mark in sorted(view.marks, key=lambda m: m.kind is MarkKind.WRONG):
            found += self.marks.note(mark, slot_of)
        if not view.finished:
            found += self.marks.current(view.bar, slot_of, unsure=view.unsure)
        tally = view.foot.tally or 0
        if tally != self._tally:
            self._rubbed = self._tally if tally < self._tally else 0
            self._tally = tally
        found += self.foot.stamps(view.foot, unsure=view.unsure, rubbed=self._rubbed)
        return found

    def draw(self, surface: pygame.Surface, view: View) -> None:
        """Draw a whole view."""
        surface.blit(self.base(view), (0, 0))
        paint(surface, self.stamps(view))

    def prepare(self, view: View) -> bool:
        """Get ready one thing that will be wanted (some milliseconds); False when all is ready."""
        if self._ready == view.bar:
            return False
        wanted = [s for s in self.layout.systems if s not in self._pictures]
        if wanted and len(self._pictures) < MOST_PICTURES:
            near = max((s for s in self._spread(view) if s is not None), default=0)
            self._picture(min(wanted, key=lambda s: (s < near, abs(s - near))))
            return True
        if self._warming:
            self._warming.pop()()
            return True
        spread = self.layout.next_spread(view.bar)
        for system in spread:
            if system is not None and not self.marks.is_clear(system):
                self.marks.clear(system)
                return True
        rows = self._rows(view, spread)
        # As it will be at the turn, and when the player comes to the top of a half-turned page.
        for ahead in dict.fromkeys((self.layout.ahead(spread, view.bar), frozenset[int]())):
            if (spread, ahead, tuple(sorted(rows.items()))) not in self._bases:
                self._base(spread, rows, ahead)
                return True
        self._ready = view.bar
        return False

    # --- parts --------------------------------------------------------------------------------

    def _ahead(self, view: View, spread: Spread) -> frozenset[int]:
        return frozenset() if view.finished else self.layout.ahead(spread, view.bar)

    @property
    def _light(self) -> Colour:
        """Ink of what is not yet reached: light, but it is to be read before the page is turned back."""
        return self.palette.pencil

    def _spread(self, view: View) -> Spread:
        return self.layout.spread(view.bar, view.tick, finished=view.finished)

    def _base(self, spread: Spread, rows: Rows, ahead: frozenset[int]) -> pygame.Surface:
        key = (spread, ahead, tuple(sorted(rows.items())))
        if key not in self._bases:
            if len(self._bases) >= MOST_BASES:
                del self._bases[next(iter(self._bases))]
            self._bases[key] = self._draw_base(spread, rows, ahead)
        else:
            self._bases[key] = self._bases.pop(key)  # the most lately used stands last
        return self._bases[key]

    def _rows(self, view: View, spread: Spread) -> Rows:
        """Return the strings with a row, system by system: those of the score, and those that stray."""
        rows: Rows = {}
        for system in spread:
            if system is None:
                continue
            known = self.layout.strings[system]
            more = {
                ring.string
                for ring in view.rings
                if ring.string not in known and self.layout.places.system_of(ring.bar) == system
            }
            rows[system] = self.layout.ordered({*known, *more}) if more else known
        return rows

    def _ring(self, ring: Ring, slot_of: dict[int, int], rows: Rows, spread: Spread) -> list[Stamp]:
        key = (ring, spread, tuple(rows.values()))
        found = self._ring_stamps.get(key)
        if found is None:
            if len(self._ring_stamps) > MOST_REMEMBERED:
                self._ring_stamps.clear()
            found = self._ring_stamps[key] = self.rings.stamps(ring, slot_of, rows)
        return found

    def _picture(self, system: int) -> pygame.Surface:
        if system not in self._pictures:
            if len(self._pictures) >= MOST_PICTURES:
                self._pictures.clear()
            drawn = self.engraved.systems[system].surface(self.palette.paper, self.palette.ink)
            self._pictures[system] = drawn
        return self._pictures[system]

    def _lightly(self, system: int) -> pygame.Surface:
        """Return a system as it stands while the player is not there yet."""
        return self.engraved.systems[system].surface(self.palette.paper, self._light)

    def _draw_base(self, spread: Spread, rows: Rows, ahead: frozenset[int]) -> pygame.Surface:
        surface = pygame.Surface((self.sizes.width, self.sizes.height))
        surface.fill(self.palette.paper)
        stamps = self._title()
        slot_of = _slots(spread)
        for system, slot in slot_of.items():
            y = self.layout.system_y(slot, system)
            picture = self._lightly(system) if system in ahead else self._picture(system)
            stamps.append(Stamp(picture, self.layout.left, y))
        shown = self._shown_bars(slot_of)
        for bar in shown:
            if bar in self._first_rounds:
                stamps += self.marks.number(bar, slot_of, self.palette.pencil)
        for system, slot in slot_of.items():
            for row, string in enumerate(rows[system]):
                tall = math.ceil(min(self.sizes.sign, self.layout.pitch(len(rows[system])) * 0.95))
                ink = self._light if system in ahead else self.palette.ink
                number = lettering.string_number(string, tall, ink)
                y = self.layout.row_y(slot, row, len(rows[system])) - number.get_height() // 2
                stamps.append(Stamp(number, self.layout.left, y))
        stamps += self._turned(spread, ahead)
        due = {stop.note: stop.tick for stop in self.stops}
        stamps += self._slots_of_notes(due, shown, slot_of, rows)
        for system, slot in slot_of.items():
            signs, y = self.layout.signs.get(system, ()), self.layout.signs_y(slot)
            ink = self._light if system in ahead else self.palette.ink
            stamps += sign_stamps(signs, self.layout.left, y, self.sizes, ink)
        paint(surface, stamps)
        return surface

    def _shown_bars(self, slot_of: dict[int, int]) -> list[int]:
        """Return the page's performed bars on the systems shown."""
        first, last = max(self.bars[0], 0), min(self.bars[1], len(self.score.bars) - 1)
        return [bar for bar in range(first, last + 1) if self.layout.places.system_of(bar) in slot_of]

    @cached_property
    def _first_rounds(self) -> set[int]:
        """One performed bar for each written bar of the page."""
        first, last = self.bars
        found: dict[int, int] = {}
        for index in range(max(first, 0), min(last, len(self.score.bars) - 1) + 1):
            found.setdefault(self.score.bars[index].written, index)
        return set(found.values())

    def _title(self) -> list[Stamp]:
        if not self.title:
            return []
        sizes = self.sizes.plain
        written = lettering.words(self.title, round(sizes.quiet), self.palette.ink)
        x = max((sizes.width - written.width) // 2, sizes.margin)
        return [Stamp(written.surface, x, round(sizes.head * 0.6 + sizes.quiet / 2) - written.baseline)]

    def _turned(self, spread: Spread, ahead: frozenset[int]) -> list[Stamp]:
        """Return the pencilled line across a half-turned page, and the arrow from its foot to its top."""
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
            x = self.layout.left + self.engraved.systems[known[-1]].width
            arrow = upwards(self.sizes.margin + self.sizes.label_room, self.layout.staff, self.palette.ink)
            stamps.append(placed(arrow, x, self.layout.staff_y(last) + self.layout.staff / 2))
        return stamps

    def _slots_of_notes(
        self, due: dict[int, float], shown: list[int], slot_of: dict[int, int], rows: Rows
    ) -> list[Stamp]:
        """Return the written length of every bass note: a hairline from the note to its stop's tick."""
        notes, found = self.score.notes, list[Stamp]()
        seen: set[tuple[int, int]] = set()
        first, last = self.bars
        ends = notes["onset"] + notes["duration"]
        near = np.zeros(len(notes), bool)  # what sounds in a bar that is shown
        for bar in shown:
            one = self.score.bars[bar]
            near |= (notes["onset"] < one.end) & (ends >= one.onset)
        near &= notes["bass"] & (notes["string"] > 0) & (notes["bar"] >= first) & (notes["bar"] <= last)
        for row in np.flatnonzero(near):
            onset = float(notes["onset"][row])
            end = due.get(int(row), float(ends[row]))
            key = (int(notes["written"][row]), round(end - onset))
            if key not in seen:
                seen.add(key)
                found += self._slot(int(notes["string"][row]), onset, end, slot_of, rows)
        return found

    def _slot(
        self, string: int, start: float, end: float, slot_of: dict[int, int], rows: Rows
    ) -> list[Stamp]:
        found: list[Stamp] = []
        weight = max(self.sizes.row * 0.05, 1.0)
        for span in self.layout.places.spans(start, end):
            slot, strings = slot_of.get(span.system), rows.get(span.system, ())
            if slot is None or string not in strings:
                continue
            y = self.layout.row_y(slot, strings.index(string), len(strings))
            left, right = self.layout.left + span.left, self.layout.left + span.right
            if not span.begins:
                left = max(left, self.rings.first_x)
            found.append(placed(rule(round(right) - round(left), weight, self.palette), left, y))
            if span.ends:
                found.append(placed(tick(self.sizes.row, weight, self.palette), right, y))
        return found


def _slots(spread: Spread) -> dict[int, int]:
    return {system: slot for slot, system in enumerate(spread) if system is not None}
