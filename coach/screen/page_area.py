"""Pages in their place, one or two above one another on a part of a surface; drawn is only what changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import pygame

from coach.core.score import Score
from coach.core.shapes import View
from coach.screen.binder import Binder
from coach.screen.engraving import Engraver
from coach.screen.page import Page
from coach.screen.stamps import Stamp, changed, paint, repaint
from coach.screen.theme import USUAL_READING, Palette, Reading, Sizes

Target = Callable[[], pygame.Surface]  # the window's surface as it is now
Extra = Callable[[Page, View], Sequence[Stamp]]  # more that belongs on a page


class PageArea:
    """The mutable owner of one page and of what of it is drawn."""

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
        self.binder = Binder(
            score, xml, title, arrived=arrived, wait=wait, reading=reading, engraver=engraver
        )
        self._reading = reading
        self._shown: tuple[View, object, pygame.Surface, list[Stamp]] | None = None
        self.sizes: Sizes
        self._target: Target
        self._part: pygame.Rect

    @property
    def page(self) -> Page | None:
        """The page as last drawn."""
        return self.binder.page

    @property
    def surface(self) -> pygame.Surface:
        """The part of the window it stands on.

        It is found anew each time: when the window system resizes a window, its pixels move, and
        a part that was kept would be drawn on memory that is gone.
        """
        target = self._target()
        return target.subsurface(self._part.clip(target.get_rect()))

    def place(self, target: Target, part: pygame.Rect, palette: Palette, share: float = 1.0) -> None:
        """Stand on a part of a surface, laid out for its size: ``share`` of the screen's height."""
        self._target, self._part = target, part
        size = part.size
        self.binder.reading = replace(self._reading, screen_mm=self._reading.screen_mm * share)
        self.sizes = self.binder.measure(*size, palette)
        self.forget()

    def forget(self) -> None:
        """Draw everything anew the next time: something else was drawn over the page."""
        self._shown = None

    def show(self, view: View, extra: Extra | None = None) -> list[pygame.Rect] | None:
        """Draw a view; return the rectangles that changed, of the surface; None where all of it did."""
        if self._shown is not None and self._shown[:2] == (view, extra):
            return []
        page = self.binder.page_for(view)
        base, stamps = page.base(view), page.stamps(view)
        if extra is not None:
            stamps += extra(page, view)
        shown, self._shown = self._shown, (view, extra, base, stamps)
        surface = self.surface
        if shown is None or shown[2] is not base:
            surface.blit(base, (0, 0))
            paint(surface, stamps)
            return None
        rects = changed(shown[3], stamps, surface.get_rect())
        if rects:
            repaint(surface, base, stamps, rects)
        return rects

    def prepare(self, view: View) -> bool:
        """Get ready one thing that may be shown next (a few ms); False when all is ready."""
        return self.page is not None and self.page.prepare(view)

    def take_arrived(self) -> bool:
        """Put a page that was engraved meanwhile into use; return whether there was one."""
        return self.binder.take_arrived()

    def close(self) -> None:
        """End the engraver."""
        self.binder.close()


class Pages:
    """The mutable owner of the pages in a window: one, or two above one another."""

    def __init__(self, make: Callable[[], PageArea]) -> None:
        """``make`` returns a new area; those for two pages are made when first they are wanted."""
        self._make = make
        self.whole = make()
        self._halves: list[PageArea] = []
        self._two: bool | None = None  # what is drawn; None: nothing

    def place(self, target: Target, rect: pygame.Rect, height: int, palette: Palette) -> None:
        """Stand on a part of a surface that is laid out ``height`` pixels high."""
        self._placing = target, rect, height, palette
        self._stand(self.whole, rect)
        for area, part in zip(self._halves, self._parts(), strict=False):
            self._stand(area, part)
        self._two = None

    def show(self, view: View, extra: Extra | None = None) -> list[pygame.Rect] | None:
        """Draw one page; return the rectangles that changed, None where all of it did."""
        return self._drawn(False, [(self.whole, view, extra)])

    def show_two(self, upper: View, lower: View) -> list[pygame.Rect] | None:
        """Draw two pages above one another; return the rectangles that changed, None where all of it did."""
        for part in self._parts()[len(self._halves) :]:
            self._halves.append(self._make())
            if len(self._halves) > 1:
                self._halves[-1].binder.title = ""  # it stands over the upper one
            self._stand(self._halves[-1], part)
        return self._drawn(True, [(self._halves[0], upper, None), (self._halves[1], lower, None)])

    def forget(self) -> None:
        """Draw everything anew the next time: something else was drawn over the pages."""
        self._two = None

    def take_arrived(self) -> bool:
        """Put pages that were engraved meanwhile into use; return whether there was one."""
        arrived = [area.take_arrived() for area in (self.whole, *self._halves)]  # each, not only the first
        return any(arrived)

    def close(self) -> None:
        """End the engravers."""
        for area in (self.whole, *self._halves):
            area.close()

    def _parts(self) -> list[pygame.Rect]:
        _, rect, _, _ = self._placing
        half = rect.height // 2
        lower = pygame.Rect(rect.left, rect.top + half, rect.width, rect.height - half)
        return [pygame.Rect(rect.left, rect.top, rect.width, half), lower]

    def _stand(self, area: PageArea, part: pygame.Rect) -> None:
        target, _, height, palette = self._placing
        area.place(target, part, palette, part.height / height)

    def _drawn(self, two: bool, pages: list[tuple[PageArea, View, Extra | None]]) -> list[pygame.Rect] | None:
        if self._two is not two:
            self._two = two
            for area, _, _ in pages:
                area.forget()
        rects: list[pygame.Rect] = []
        everything = False
        for area, view, extra in pages:
            changed = area.show(view, extra)
            everything |= changed is None
            offset = area.surface.get_offset()
            rects += [rect.move(offset) for rect in changed or ()]
        return None if everything else rects
