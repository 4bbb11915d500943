"""The window: opens at once, draws what changed, and waits for the next thing to happen."""

from __future__ import annotations

import math
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import pygame

from coach.core.score import Score
from coach.core.shapes import Summary, View
from coach.screen import lettering
from coach.screen.binder import Binder
from coach.screen.display import LEAST, OFFSCREEN_SIZE, open_display, save_picture, usual_size
from coach.screen.engraving import Engraver
from coach.screen.keys import Action, action_of
from coach.screen.page import Page
from coach.screen.sheets import help_sheet, summary_sheet
from coach.screen.stamps import Stamp, changed, paint, repaint
from coach.screen.theme import DAY, NIGHT, USUAL_READING, Palette, Reading

__all__ = ["Action", "UserEvent", "Window"]


@dataclass(frozen=True, slots=True)
class UserEvent:
    """Something a person did to the window."""

    action: Action | None = None
    closed: bool = False  # the window's own closing button


class Window:
    """One score's page, on the screen or offscreen.  For one thread only, but for ``wake``."""

    def __init__(
        self,
        score: Score,
        xml: str,
        *,
        size: tuple[int, int] | None = None,
        fullscreen: bool = False,
        title: str | None = None,
        night: bool = False,
        offscreen: bool = False,
        reading: Reading = USUAL_READING,
        engraver: Engraver | None = None,
    ) -> None:
        """``xml`` is the score's MusicXML as re-serialised by our reader; empty for the plain staff.

        Raises CoachError where there is no display (``offscreen`` needs none).
        """
        self.title = score.title if title is None else title
        self.palette: Palette = NIGHT if night else DAY
        self._offscreen, self._fullscreen, self._wish = offscreen, fullscreen, size
        self._woken = threading.Event()
        self.surface = pygame.Surface(size or OFFSCREEN_SIZE) if offscreen else self._open(size)
        self.binder = Binder(
            score,
            xml,
            self.title,
            arrived=self.wake,
            wait=offscreen,
            reading=reading,
            engraver=engraver,
        )
        self._view: View | None = None
        self._sheet: pygame.Surface | None = None  # laid over the page
        self._summary: Summary | None = None
        self._helping = False
        self._shown: tuple[pygame.Surface, list[Stamp]] | None = None  # base and stamps on the screen
        self._measure()
        self._blank()

    # --- drawing ------------------------------------------------------------------------------

    def show(self, view: View) -> bool:
        """Draw a view; return whether anything was drawn."""
        if self._summary is not None:
            self._summary, self._sheet = None, help_sheet(self.sizes, self.palette) if self._helping else None
            self._shown = None
        if view == self._view and self._shown is not None:
            return False
        self._view = view
        if self._sheet is not None:
            return False
        page = self.binder.page_for(view)
        base, stamps = page.base(view), page.stamps(view)
        if self._shown is None or self._shown[0] is not base:
            self.surface.blit(base, (0, 0))
            paint(self.surface, stamps)
            self._update(None)
        else:
            rects = changed(self._shown[1], stamps, self.surface.get_rect())
            if rects:
                repaint(self.surface, base, stamps, rects)
                self._update(rects)
        self._shown = base, stamps
        return True

    def show_summary(self, summary: Summary) -> None:
        """Lay the summary of a take over the page, until a view is shown."""
        self._summary = summary
        self._lay(summary_sheet(summary, self.sizes, self.palette))

    def screenshot(self, path: Path) -> None:
        """Write what the window shows as a PNG.  Raises CoachError where it cannot be written."""
        save_picture(self.surface, path)

    @property
    def driver(self) -> str:
        """SDL's video driver: ``x11``, ``wayland`` …; empty offscreen."""
        return "" if self._offscreen else pygame.display.get_driver()

    @property
    def page(self) -> Page | None:
        """The page as last drawn."""
        return self.binder.page

    @property
    def notice(self) -> str:
        """Why the page is a plain staff although the score could be engraved; else empty."""
        return self.binder.notice

    # --- waiting ------------------------------------------------------------------------------

    def wait(self, timeout_ms: int | None) -> list[UserEvent]:
        """Return what happened, at latest after ``timeout_ms`` (None: for ever); ``wake`` ends it early.

        Help, night and full screen are dealt with here and not returned.
        """
        if self._offscreen:
            self._woken.wait(None if timeout_ms is None else timeout_ms / 1000)
            self._woken.clear()
            self._take_engraved()
            return []
        spent_ms = self._prepare(timeout_ms)
        if timeout_ms is None:
            first = pygame.event.wait()
        else:
            first = pygame.event.wait(max(timeout_ms - spent_ms, 1))
        self._woken.clear()
        found: list[UserEvent] = []
        resized = exposed = False
        for event in (first, *pygame.event.get()):
            if event.type == pygame.QUIT:
                found.append(UserEvent(Action.QUIT, closed=True))
            elif event.type == pygame.VIDEORESIZE:
                resized = True
            elif event.type == pygame.VIDEOEXPOSE:
                exposed = True
            else:
                action = action_of(event)
                if action is not None and not self._deal_with(action):
                    found.append(UserEvent(action))
        if resized:
            self._resized()
        elif exposed:
            self._update(None)
        self._take_engraved()
        return found

    def _prepare(self, timeout_ms: int | None) -> int:
        """Get ready what may be shown next while nothing happens; return how many ms that took.

        It is done in jobs of a few ms, with a look at the events before each, and for half the time there is.
        """
        start = time.perf_counter()
        until = math.inf if timeout_ms is None else start + timeout_ms / 2000
        while self.page is not None and self._view is not None and not pygame.event.peek():
            if not self.page.prepare(self._view) or time.perf_counter() >= until:
                break
        return math.floor((time.perf_counter() - start) * 1000)

    def wake(self) -> None:
        """End a ``wait``, from any thread."""
        if self._woken.is_set():
            return
        self._woken.set()
        if not self._offscreen and pygame.display.get_init():
            pygame.event.post(pygame.event.Event(pygame.USEREVENT))

    def close(self) -> None:
        """Close the window and end the engraver."""
        self.binder.close()
        if not self._offscreen:
            pygame.display.quit()

    def __enter__(self) -> Window:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- the window itself --------------------------------------------------------------------

    def _open(self, size: tuple[int, int] | None) -> pygame.Surface:
        remedy = "start it from a desktop, or do without the window"
        return open_display(self.title or "coach", lambda: self._mode(size), remedy)

    def _mode(self, size: tuple[int, int] | None) -> pygame.Surface:
        if self._fullscreen:
            surface = pygame.display.set_mode((0, 0), pygame.FULLSCREEN)
            pygame.mouse.set_visible(False)
            return surface
        pygame.mouse.set_visible(True)
        return pygame.display.set_mode(size or usual_size(), pygame.RESIZABLE)

    def _update(self, rects: list[pygame.Rect] | None) -> None:
        if self._offscreen:
            return
        if rects is None:
            pygame.display.flip()
        else:
            pygame.display.update(rects)

    def _measure(self) -> None:
        width, height = self.surface.get_size()
        self.sizes = self.binder.measure(max(width, LEAST[0]), max(height, LEAST[1]), self.palette)

    def _blank(self) -> None:
        """Show the empty paper with its title, until there is a view."""
        self.surface.fill(self.palette.paper)
        written = lettering.words(self.title, round(self.sizes.words), self.palette.ink)
        width, height = self.surface.get_size()
        self.surface.blit(written.surface, ((width - written.width) // 2, round(height * 0.4)))
        self._update(None)

    def _resized(self) -> None:
        surface = pygame.display.get_surface()
        if surface is None or surface.get_size() == (self.sizes.width, self.sizes.height):
            self._update(None)
            return
        self.surface = surface
        self._again()

    def _again(self) -> None:
        """Measure and draw everything anew."""
        self._measure()
        self._shown = None
        if self._helping:
            self._lay(help_sheet(self.sizes, self.palette))
        elif self._summary is not None:
            self._lay(summary_sheet(self._summary, self.sizes, self.palette))
        else:
            self._sheet = None
            self._redraw()

    def _take_engraved(self) -> None:
        if self.binder.take_arrived() and self._sheet is None:
            self._redraw()

    def _redraw(self) -> None:
        self._shown = None
        if self._view is not None:
            self.show(self._view)
        else:
            self._blank()

    def _lay(self, sheet: pygame.Surface) -> None:
        self._sheet, self._shown = sheet, None
        self.surface.blit(sheet, (0, 0))
        self._update(None)

    def _deal_with(self, action: Action) -> bool:
        """Do what concerns the window alone; return False for what the caller must do."""
        if action is Action.HELP or (self._helping and action is Action.QUIT):
            self._helping = not self._helping
        elif action is Action.NIGHT:
            self.palette = DAY if self.palette is NIGHT else NIGHT
        elif action is Action.FULLSCREEN:
            self._fullscreen = not self._fullscreen
            if self._fullscreen:
                self._wish = self.surface.get_size()
            self.surface = self._mode(self._wish)
        else:
            return False
        self._again()
        return True
