"""The window on the desktop that every page of ours stands in, or a surface of its own offscreen."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import pygame

from coach.screen.display import LEAST, OFFSCREEN_SIZE, open_display, save_picture, usual_size

HELD_S, AGAIN_S = 0.35, 0.06  # a key held so long is pressed again, and then so often

HAPPENINGS = [
    pygame.QUIT,
    pygame.KEYDOWN,
    pygame.MOUSEBUTTONDOWN,
    pygame.MOUSEMOTION,
    pygame.VIDEORESIZE,
    pygame.VIDEOEXPOSE,
    pygame.DROPFILE,
]


class Stage:
    """Owns the surface, full screen, waiting and waking.  For one thread only, but for ``wake``."""

    def __init__(
        self,
        caption: str,
        remedy: str,
        *,
        size: tuple[int, int] | None = None,
        fullscreen: bool = False,
        offscreen: bool = False,
        pointer: Callable[[bool], bool] = lambda fullscreen: True,
    ) -> None:
        """``pointer`` says whether the mouse's pointer shows, given whether the screen is filled.

        Raises CoachError, with ``remedy``, where there is no display (``offscreen`` needs none).
        """
        self.offscreen, self.fullscreen = offscreen, fullscreen
        self._wish, self._pointer = size, pointer
        self._woken = threading.Event()
        self._held: pygame.event.Event | None = None  # the key that was pressed last, while it is down
        self._again_s = 0.0  # when that counts as pressed once more
        if offscreen:
            self.surface = pygame.Surface(size or OFFSCREEN_SIZE)
        else:
            self.surface = open_display(caption, self._mode, remedy)

    @property
    def size(self) -> tuple[int, int]:
        """What to lay a page out for: the surface's size, but never less than the least."""
        width, height = self.surface.get_size()
        return max(width, LEAST[0]), max(height, LEAST[1])

    @property
    def window_size(self) -> tuple[int, int]:
        """The size to open the next window with: that of this one when it does not fill the screen."""
        return self._wish if self.fullscreen and self._wish else self.surface.get_size()

    @property
    def driver(self) -> str:
        """SDL's video driver: ``x11``, ``wayland`` …; empty offscreen."""
        return "" if self.offscreen else pygame.display.get_driver()

    def say(self, caption: str) -> None:
        """Write the window's caption, which a screen reader speaks."""
        if not self.offscreen and pygame.display.get_caption()[0] != caption:
            pygame.display.set_caption(caption)

    def wait(self, timeout_ms: int | None) -> list[pygame.event.Event]:
        """Return what happened, at latest after ``timeout_ms`` (None: for ever); ``wake`` ends it early.

        A VIDEORESIZE among it says that ``surface`` is another one now.  Of a key that is held there are more
        KEYDOWNs, with ``again`` set.
        """
        if self.offscreen:
            self._woken.wait(None if timeout_ms is None else timeout_ms / 1000)
            self._woken.clear()
            return []
        if self._held is not None:
            left_ms = round((self._again_s - time.monotonic()) * 1000)
            timeout_ms = left_ms if timeout_ms is None else min(left_ms, timeout_ms)
        first = pygame.event.wait() if timeout_ms is None else pygame.event.wait(max(timeout_ms, 1))
        self._woken.clear()
        found: list[pygame.event.Event] = []
        resized: pygame.event.Event | None = None
        exposed = False
        for event in (first, *pygame.event.get()):
            if event.type == pygame.VIDEORESIZE:
                resized = event
            elif event.type == pygame.VIDEOEXPOSE:
                exposed = True
            elif event.type not in (pygame.NOEVENT, pygame.USEREVENT):
                if event.type == pygame.KEYDOWN:
                    self._held, self._again_s = event, time.monotonic() + HELD_S
                found.append(event)
        found += self._again()
        surface = pygame.display.get_surface()
        if resized is not None and surface is not None:
            self.surface = surface
            found.append(resized)
        elif exposed:
            self.update()
        return found

    def _again(self) -> list[pygame.event.Event]:
        """Return one more press of the key that is held, where it is due."""
        held, now_s = self._held, time.monotonic()
        if held is not None and not pygame.key.get_pressed()[held.key]:
            self._held = held = None
        if held is None or now_s < self._again_s:
            return []
        self._again_s = now_s + AGAIN_S
        return [pygame.event.Event(pygame.KEYDOWN, {**held.dict, "again": True})]

    def pending(self) -> bool:
        """Return whether anything has happened that ``wait`` would return for at once.

        ``pygame.event.peek()`` without types is not for that: in pygame 2.6.1 it gives up a reference to the
        dictionary of a posted event each time it sees one, and the program crashes later, anywhere.
        """
        return self._woken.is_set() or (not self.offscreen and bool(pygame.event.peek(HAPPENINGS)))

    def wake(self) -> None:
        """End a ``wait``, from any thread."""
        if self._woken.is_set():
            return
        self._woken.set()
        if not self.offscreen and pygame.display.get_init():
            with contextlib.suppress(pygame.error):  # the window was closed in this very moment
                pygame.event.post(pygame.event.Event(pygame.USEREVENT))

    def update(self, rects: Sequence[pygame.Rect] | None = None) -> None:
        """Bring what was drawn to the screen: some rectangles, or all of it."""
        if self.offscreen:
            return
        if rects is None:
            pygame.display.flip()
        else:
            pygame.display.update(list(rects))

    def turn_full(self) -> None:
        """Fill the screen, or stop filling it; the surface is another one then."""
        if not self.fullscreen:
            self._wish = self.surface.get_size()
        self.fullscreen = not self.fullscreen
        self.surface = self._mode()

    def screenshot(self, path: Path) -> None:
        """Write what is shown as a PNG.  Raises CoachError where it cannot be written."""
        save_picture(self.surface, path)

    def close(self) -> None:
        """Close the window."""
        if not self.offscreen:
            pygame.display.quit()

    def _mode(self) -> pygame.Surface:
        if self.fullscreen:
            surface = pygame.display.set_mode((0, 0), pygame.FULLSCREEN)
        else:
            wanted = self._wish or usual_size()
            surface = pygame.display.set_mode(wanted, pygame.RESIZABLE)
            if surface.get_size() != wanted:  # without acceleration SDL leaves the full screen at its size
                surface = pygame.display.set_mode(wanted, pygame.RESIZABLE)
        pygame.mouse.set_visible(self._pointer(self.fullscreen))
        return surface
