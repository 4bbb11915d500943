"""Finds the page for a view: engraved if it is at hand, else plain until it is, and fitted to the window."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from coach.core.score import Score
from coach.core.shapes import StopSign, View
from coach.screen.engraved import Engraved
from coach.screen.engraving import Engraver, Request
from coach.screen.layout import Layout
from coach.screen.page import Page
from coach.screen.plain_staff import plain_staff, reach
from coach.screen.theme import USUAL_READING, Palette, Reading, Sizes

LEAST_GROWTH = 1.1  # less is not worth engraving again
MOST_SHRUNK_AT_ONCE = 0.99  # so that an end is come to
LEAST_KEPT = 1.001  # what grew too much stays grown by this, so that it does not grow again


class Binder:
    """The mutable owner of the page in use.

    Engraving runs in the background; ``arrived`` is called (on another thread) when ``take_arrived`` has
    something to take.  With ``wait`` it is waited for, and there is no in-between.
    """

    def __init__(
        self,
        score: Score,
        xml: str,
        title: str,
        *,
        arrived: Callable[[], None],
        wait: bool = False,
        reading: Reading = USUAL_READING,
        engraver: Engraver | None = None,
    ) -> None:
        """``xml`` is the score's MusicXML as re-serialised by our reader; empty for the plain staff."""
        self.score, self.xml, self.title = score, xml, title
        self.page: Page | None = None
        self.notice = ""  # why the page is a plain staff although the score could be engraved
        self.reading, self._wait, self._tell = reading, wait, arrived
        self._engraver = engraver or Engraver(self._on_engraved)
        self._request: Request | None = None  # what the engraver was last asked for
        self._asked: Sizes | None = None  # the measures of that
        self._arrived: tuple[Request, Engraved | None, str] | None = None
        self._stops: tuple[StopSign, ...] = ()
        self._reach = reach(score)
        self._rows = max(len({int(s) for s in score.notes["string"][score.notes["bass"]] if s > 0}), 1)

    def measure(self, width: int, height: int, palette: Palette) -> Sizes:
        """Take the window's size and paper; the page is then found anew."""
        self.palette = palette
        self.sizes = Sizes.of(
            width, height, self.reading, staff_spaces=self._reach, rows=self._rows, by_width=False
        )
        self.page = self._request = None
        return self.sizes

    def page_for(self, view: View) -> Page:
        """Return the page on which a view can be drawn."""
        bars = (view.first_bar, view.last_bar)
        if self.page is not None and self.page.bars == bars and self.page.stops == view.stops:
            return self.page
        self._stops = view.stops
        self.page = self._engraved_page(bars, self.sizes) or self._plain_page(bars, self.sizes)
        return self.page

    def take_arrived(self) -> bool:
        """Put a page that was engraved meanwhile into use; return whether there was one."""
        arrived, self._arrived = self._arrived, None
        if arrived is None or self._asked is None:
            return False
        request, engraved, why = arrived
        if request != self._request or self.page is None:
            return False
        if engraved is None:
            self.notice = why
            return False
        self.page = self._refitted(self._bound(engraved, self.page.bars, self._asked))
        return True

    def close(self) -> None:
        """End the engraver."""
        self._engraver.close()

    def _on_engraved(self, request: Request, engraved: Engraved | None, why: str) -> None:
        self._arrived = request, engraved, why
        self._tell()

    def _engraved_page(self, bars: tuple[int, int], sizes: Sizes) -> Page | None:
        """Return the engraved page if it can be had at once; else have it engraved, and return None."""
        self._request, self._asked = self._wanted(bars, sizes), sizes
        if self._request is None:
            return None
        engraved = self._engraver.kept(self._request)
        if engraved is None and self._wait:
            engraved, self.notice = self._engraver.engrave(self._request)
        elif engraved is None:
            self._engraver.begin(self._request)
        return None if engraved is None else self._refitted(self._bound(engraved, bars, sizes))

    def _plain_page(self, bars: tuple[int, int], sizes: Sizes) -> Page:
        written = self._written(bars)
        engraved = plain_staff(self.score, sizes.music_width, sizes.space, written, sizes.most_bars)
        return self._refitted(self._bound(engraved, bars, sizes))

    def _refitted(self, page: Page) -> Page:
        """Return the page, or one that fits better: fewer bars a line, a smaller staff, or all of it larger.

        With fewer bars every way of a stop has room to be written.
        The smaller staff lets a second system stand on the page, or the only one; where a single system is
        too tall even so, all of it becomes smaller.  What is larger is a chunk of few bars.
        """
        layout, sizes, better = page.layout, self.sizes, page.layout.better_space
        fewer, fitting = layout.fewer_bars, layout.fitting_space
        if fewer is not None and fewer < page.sizes.most_bars and page.sizes.growth == 1.0:
            sizes = replace(page.sizes, most_bars=fewer)
        elif fitting is not None and page.sizes.growth == 1.0:
            sizes = replace(page.sizes, space=fitting) if fitting else page.sizes.shrunk(_too_tall(layout))
        elif fitting is not None and page.sizes.growth > LEAST_KEPT:  # grown too much
            sizes = page.sizes.scaled(max(_too_tall(layout), LEAST_KEPT / page.sizes.growth))
        elif better is not None and better < page.sizes.space:
            sizes = replace(page.sizes, space=better)
        elif page.sizes.growth != 1.0 or page.sizes.space != sizes.space:
            return page  # fitted once is fitted well enough
        elif layout.growth > LEAST_GROWTH:
            sizes = page.sizes.scaled(layout.growth)
        elif layout.roomier_space is not None:
            sizes = replace(page.sizes, space=layout.roomier_space)
        else:
            return page
        if page.engraved.plain:
            return self._plain_page(page.bars, sizes)
        return self._engraved_page(page.bars, sizes) or page

    def _bound(self, engraved: Engraved, bars: tuple[int, int], sizes: Sizes) -> Page:
        return Page(self.score, engraved, sizes, self.palette, bars=bars, title=self.title, stops=self._stops)

    def _written(self, bars: tuple[int, int]) -> tuple[int, int]:
        written = [bar.written for bar in self.score.bars[max(bars[0], 0) : bars[1] + 1]]
        return (min(written), max(written)) if written else (0, 0)

    def _wanted(self, bars: tuple[int, int], sizes: Sizes) -> Request | None:
        if not self.xml or not self.score.bar_ids:
            return None
        written = self._written(bars)
        everything = written == (0, len(self.score.bar_ids) - 1)
        asked = None if everything else written
        return Request(self.xml, sizes.music_width, sizes.space, asked, sizes.most_bars)


def _too_tall(layout: Layout) -> float:
    """Return by how much all of a page must become smaller for its system to fit."""
    return min(layout.sizes.body_height / layout.slot_height, MOST_SHRUNK_AT_ONCE)
