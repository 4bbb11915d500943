"""The page: what stands on the paper, and what the moment adds to it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from functools import partial

import pygame

from coach.core.score import Score
from coach.core.shapes import MarkKind, Ring, StopSign, View
from coach.screen.engraved import Engraved
from coach.screen.foot import FootPainter
from coach.screen.layout import Layout, Spread
from coach.screen.marks import MarkPainter
from coach.screen.rings import RingPainter
from coach.screen.stamps import Stamp, paint
from coach.screen.still import Rows, Still
from coach.screen.theme import Palette, Sizes

MOST_REMEMBERED = 600  # rings whose stamps are kept
BASES_BYTES = 48_000_000  # whole pages kept painted, those used last: 5 at 1080p
LEAST_BASES = 4  # … and on larger pages: this one, the next and how it will change, the one before
MOST_ROWS = 6  # of one system that are prepared for


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
        self.still = Still(
            self.layout, self.marks, palette, title=title, stops=stops, first_x=self.rings.first_x
        )
        self._bases: dict[object, pygame.Surface] = {}
        self._sheets: list[pygame.Surface] = []  # bare, for the next bases
        self._most_bases = max(BASES_BYTES // (4 * sizes.width * sizes.height), LEAST_BASES)
        self._warming = deque(self.rings.warming(self.layout.rows))
        self._later = _later(self.still, self.rings, self._pages())
        self._ready: int | None = None  # the bar for which the next turn is ready
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
        tally = view.foot.tally or 0
        if tally != self._tally:
            self._rubbed = self._tally if tally < self._tally else 0
            self._tally = tally
        foot = self.foot.stamps(view.foot, unsure=view.unsure, rubbed=self._rubbed)
        covered = [stamp.rect for stamp in foot if not stamp.surface.get_flags() & pygame.SRCALPHA]
        for drift in view.drifts:
            found += self.marks.drift(drift, slot_of, rows, covered)
        for mark in sorted(view.marks, key=lambda m: m.kind is MarkKind.WRONG):
            found += self.marks.note(mark, slot_of)
        if not view.finished:
            found += self.marks.current(view.bar, slot_of, unsure=view.unsure)
        return found + foot

    def draw(self, surface: pygame.Surface, view: View) -> None:
        """Draw a whole view."""
        surface.blit(self.base(view), (0, 0))
        paint(surface, self.stamps(view))

    def standing(self, view: View) -> tuple[dict[int, int], Rows]:
        """Return which slot each system on the page stands in, and the strings that have a row there."""
        spread = self._spread(view)
        return _slots(spread), self._rows(view, spread)

    def prepare(self, view: View) -> bool:
        """Get ready one thing that will be wanted (a few milliseconds); False when all is ready.

        First what the next turn of the page needs, then every other page: the player may begin anywhere.
        """
        if self._ready != view.bar:
            job = next(self._soon(view), None)
            if job is not None:
                job()
                return True
            self._ready = view.bar
        job = next(self._later, None)
        if job is None:
            return False
        job()
        return True

    # --- parts --------------------------------------------------------------------------------

    def _ahead(self, view: View, spread: Spread) -> frozenset[int]:
        return frozenset() if view.finished or view.at_rest else self.layout.ahead(spread, view.bar)

    def _spread(self, view: View) -> Spread:
        return self.layout.spread(view.bar, view.tick, finished=view.finished, at_rest=view.at_rest)

    def _soon(self, view: View) -> Iterator[Callable[[], object]]:
        """Yield what is missing for the turn that comes next."""
        if not self._sheets and len(self._bases) < self._most_bases:
            yield self._room
        if self._warming:
            yield self._warming.popleft()
        spread = self.layout.next_spread(view.bar)
        rows = self._rows(view, spread)
        # As it will be at the turn, and when the player comes to the top of a half-turned page.
        lights = tuple(dict.fromkeys((self.layout.ahead(spread, view.bar), frozenset[int]())))
        for light in lights:
            if self._key(spread, rows, light) not in self._bases:
                yield from self.still.missing(spread, rows, (light,))
                yield partial(self._base, spread, rows, light)
        for system in spread:
            if system is not None and not self.marks.is_clear(system):
                yield partial(self.marks.clear, system)

    def _pages(self) -> dict[Spread, dict[frozenset[int], None]]:
        """Return every spread that can stand on the page, with what of it may be light."""
        found: dict[Spread, dict[frozenset[int], None]] = {}
        for bar in range(max(self.bars[0], 0), min(self.bars[1], len(self.score.bars) - 1) + 1):
            one = self.score.bars[bar]
            for tick in (one.onset, one.end - 1):
                spread = self.layout.spread(bar, tick)
                found.setdefault(spread, {})[self.layout.ahead(spread, bar)] = None
        return found

    def _key(self, spread: Spread, rows: Rows, ahead: frozenset[int]) -> object:
        return spread, ahead, tuple(sorted(rows.items()))

    def _base(self, spread: Spread, rows: Rows, ahead: frozenset[int]) -> pygame.Surface:
        key = self._key(spread, rows, ahead)
        if key in self._bases:
            self._bases[key] = self._bases.pop(key)  # the most lately used stands last
            return self._bases[key]
        sheet = self._sheets.pop() if self._sheets or self._room() else self._oldest()
        sheet.fill(self.palette.paper)
        paint(sheet, self.still.stamps(spread, rows, ahead))
        # A surface of its own on the same pixels: by that the window sees that this is another page.
        self._bases[key] = sheet.subsurface(sheet.get_rect())
        return self._bases[key]

    def _room(self) -> bool:
        """Lay out one more sheet if there may be more; return whether there is one."""
        if len(self._bases) + len(self._sheets) < self._most_bases:
            sheet = pygame.Surface((self.sizes.width, self.sizes.height))
            sheet.fill(self.palette.paper)  # only now does the system give it memory: 4 ms at 1080p
            self._sheets.append(sheet)
        return bool(self._sheets)

    def _oldest(self) -> pygame.Surface:
        """Give up the page that was not used for longest; painting over it costs a quarter of a new one."""
        return self._bases.pop(next(iter(self._bases))).get_abs_parent()

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


def _later(
    still: Still, rings: RingPainter, pages: dict[Spread, dict[frozenset[int], None]]
) -> Iterator[Callable[[], object]]:
    """Yield what any page of the stretch could want, but for the last painting.

    No method of the page's: it would hold the page that holds it, and a page given up must go at once.
    """
    layout = still.layout
    for spread, lights in pages.items():
        rows = {system: layout.strings[system] for system in spread if system is not None}
        yield from still.missing(spread, rows, tuple(lights))
    for count in range(layout.rows + 1, MOST_ROWS + 1):  # with strings that stray in
        yield from rings.warming(count)


def _slots(spread: Spread) -> dict[int, int]:
    return {system: slot for slot, system in enumerate(spread) if system is not None}
