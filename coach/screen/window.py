"""The window: opens at once, draws what changed, and waits for the next thing to happen."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pygame

from coach.core.score import Score
from coach.core.shapes import Summary, View
from coach.screen import lettering
from coach.screen.binder import Binder
from coach.screen.engraving import Engraver
from coach.screen.keys import KEYS, Action, action_of, is_other_key
from coach.screen.page import Page
from coach.screen.page_area import PageArea, Pages
from coach.screen.page_words import CAPTION, NO_WINDOW_REMEDY, PLAY_KEYS, UNTITLED
from coach.screen.sheets import help_sheet, summary_sheet
from coach.screen.stage import Stage
from coach.screen.theme import DAY, NIGHT, USUAL_READING, Palette, Reading, Sizes

__all__ = ["Action", "UserEvent", "Window"]
Overlay = Callable[[Sizes, Palette], pygame.Surface]  # draws a whole sheet


@dataclass(frozen=True, slots=True)
class UserEvent:
    """Something a person did to the window."""

    action: Action | None = None
    closed: bool = False  # the window's own closing button
    other: bool = False  # a key that asks for nothing


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
        palettes: tuple[Palette, Palette] = (DAY, NIGHT),
        keys: Mapping[int, Action] = KEYS,
        key_lines: Sequence[tuple[str, str]] = PLAY_KEYS,
        pointer: bool = True,
        engraver: Engraver | None = None,
    ) -> None:
        """``xml`` is the score's MusicXML as re-serialised by our reader; empty for the plain staff.

        ``palettes`` are those of the day and of the night; ``pointer``: the mouse's shows in a window.
        Raises CoachError where there is no display (``offscreen`` needs none).
        """
        self.title = score.title if title is None else title
        self._palettes, self.night, self._keys = palettes, night, keys
        self._help: Overlay = lambda sizes, palette: help_sheet(sizes, palette, key_lines)
        self.stage = Stage(
            self.title or UNTITLED,
            NO_WINDOW_REMEDY,
            size=size,
            fullscreen=fullscreen,
            offscreen=offscreen,
            pointer=lambda full: pointer and not full,
        )
        self._offscreen, self._reading, self._engraver = offscreen, reading, engraver
        self.pages = self._make_pages(score, xml)
        self._pair: tuple[View, View] | None = None  # two views shown above one another
        self._view: View | None = None
        self._sheet: Overlay | None = None  # laid over the page, until a view is shown
        self._helping = False
        self._measure()
        self._blank()

    @property
    def surface(self) -> pygame.Surface:
        """What is drawn on."""
        return self.stage.surface

    @property
    def palette(self) -> Palette:
        """The colours in use."""
        return self._palettes[self.night]

    @property
    def sizes(self) -> Sizes:
        """The measures in use."""
        return self.pages.whole.sizes

    @property
    def binder(self) -> Binder:
        """What finds the pages."""
        return self.pages.whole.binder

    @property
    def driver(self) -> str:
        """SDL's video driver: ``x11``, ``wayland`` …; empty offscreen."""
        return self.stage.driver

    @property
    def page(self) -> Page | None:
        """The page as last drawn."""
        return self.pages.whole.page

    @property
    def notice(self) -> str:
        """Why the page is a plain staff although the score could be engraved; else empty."""
        return self.binder.notice

    def _make_pages(self, score: Score, xml: str) -> Pages:
        return Pages(
            lambda: PageArea(
                score,
                xml,
                self.title,
                arrived=self.wake,
                wait=self._offscreen,
                reading=self._reading,
                engraver=self._engraver,
            )
        )

    def turn_to(self, score: Score, xml: str) -> None:
        """Show another score from now on, or less or more of the same."""
        self.pages.close()
        self.pages = self._make_pages(score, xml)
        self._view, self._pair, self._sheet = None, None, None
        self._measure()

    # --- drawing ------------------------------------------------------------------------------

    def show(self, view: View) -> bool:
        """Draw a view; return whether anything was drawn."""
        self._view, self._pair = view, None
        return self._shown(lambda: self.pages.show(view))

    def show_two(self, upper: View, lower: View) -> bool:
        """Draw two views above one another; return whether anything was drawn."""
        self._view, self._pair = upper, (upper, lower)
        return self._shown(lambda: self.pages.show_two(upper, lower))

    def _shown(self, draw: Callable[[], list[pygame.Rect] | None]) -> bool:
        if self._sheet is not None:
            self._sheet = None
            self.pages.forget()
        if self._helping:
            return False
        rects = draw()
        if rects is None or rects:
            self.stage.update(rects)
        return rects is None or bool(rects)

    def show_summary(self, summary: Summary) -> None:
        """Lay the summary of a take over the page, until a view is shown."""
        self.lay(lambda sizes, palette: summary_sheet(summary, sizes, palette))

    def lay(self, sheet: Overlay) -> None:
        """Lay a sheet over the page, until a view is shown."""
        self._sheet = sheet
        self._redraw()

    def say(self, words: str) -> None:
        """Tell a sentence to whoever does not see the page: it becomes part of the window's caption."""
        self.stage.say(CAPTION.format(title=self.title, said=words) if words else self.title or UNTITLED)

    def screenshot(self, path: Path) -> None:
        """Write what the window shows as a PNG.  Raises CoachError where it cannot be written."""
        self.stage.screenshot(path)

    # --- waiting ------------------------------------------------------------------------------

    def wait(self, timeout_ms: int | None) -> list[UserEvent]:
        """Return what happened, at latest after ``timeout_ms`` (None: for ever); ``wake`` ends it early.

        Help, night and full screen are dealt with here and not returned.
        """
        spent_ms = 0 if self.stage.offscreen else self._prepare(timeout_ms)
        found: list[UserEvent] = []
        for event in self.stage.wait(None if timeout_ms is None else max(timeout_ms - spent_ms, 1)):
            if event.type == pygame.QUIT:
                found.append(UserEvent(Action.QUIT, closed=True))
            elif event.type == pygame.VIDEORESIZE:
                self._resized()
            else:
                action = action_of(event, self._keys)
                if action is None and is_other_key(event):
                    found.append(UserEvent(other=True))
                elif action is not None and not self._deal_with(action):
                    found.append(UserEvent(action))
        if self.pages.take_arrived():
            self.pages.forget()
            self._redraw()
        return found

    def _prepare(self, timeout_ms: int | None) -> int:
        """Get ready what may be shown next while nothing happens; return how many ms that took.

        It is done in jobs of a few ms, with a look at the events before each, and for half the time there is.
        """
        start = time.perf_counter()
        until = math.inf if timeout_ms is None else start + timeout_ms / 2000
        while self._view is not None and not self.stage.pending():
            if not self.pages.whole.prepare(self._view) or time.perf_counter() >= until:
                break
        return math.floor((time.perf_counter() - start) * 1000)

    def wake(self) -> None:
        """End a ``wait``, from any thread."""
        self.stage.wake()

    def close(self) -> None:
        """Close the window and end the engraver."""
        self.pages.close()
        self.stage.close()

    def __enter__(self) -> Window:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- the window itself --------------------------------------------------------------------

    def _measure(self) -> None:
        width, height = self.stage.size
        self.pages.place(lambda: self.surface, pygame.Rect(0, 0, width, height), height, self.palette)

    def _blank(self) -> None:
        """Show the empty paper with its title, until there is a view."""
        self.surface.fill(self.palette.paper)
        written = lettering.words(self.title, round(self.sizes.words), self.palette.ink)
        width, height = self.surface.get_size()
        self.surface.blit(written.surface, ((width - written.width) // 2, round(height * 0.4)))
        self.stage.update()

    def _resized(self) -> None:
        if self.surface.get_size() == (self.sizes.width, self.sizes.height):
            self.stage.update()
        else:
            self._again()

    def _again(self) -> None:
        """Measure and draw everything anew."""
        self._measure()
        self._redraw()

    def _redraw(self) -> None:
        """Draw what is to be seen: the help, a sheet, the page or the empty paper."""
        sheet = self._help if self._helping else self._sheet
        if sheet is not None:
            self.surface.blit(sheet(self.sizes, self.palette), (0, 0))
            self.pages.forget()
            self.stage.update()
        elif self._pair is not None:
            self.pages.forget()
            self.show_two(*self._pair)
        elif self._view is not None:
            self.pages.forget()
            self.show(self._view)
        else:
            self._blank()

    def _deal_with(self, action: Action) -> bool:
        """Do what concerns the window alone; return False for what the caller must do."""
        if action is Action.HELP or (self._helping and action is Action.QUIT):
            self._helping = not self._helping
            self._redraw()
            return True
        if action is Action.NIGHT:
            self.night = not self.night
        elif action is Action.FULLSCREEN:
            self.stage.turn_full()
        else:
            return False
        self._again()
        return True
