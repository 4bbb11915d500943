"""The program's window on the desktop: opening it, its size, its icon, a picture of it.

Set ``SDL_FRAMEBUFFER_ACCELERATION=0`` (done here): without it SDL pushes every frame through GL, in software
on most practice laptops (measured at 1080p: 15 ms a full redraw against 5 ms, 9 ms against 0.2 ms for a
dozen rectangles).
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from pathlib import Path

import pygame

from coach.core.errors import CoachError
from coach.screen import lettering
from coach.screen.theme import DAY

WM_CLASS = "coach"
LEAST = (480, 300)  # a smaller window is drawn as if it were this large, and cut
OFFSCREEN_SIZE = (1920, 1080)
SCREEN_SHARE = 0.9  # of the desktop, for a window whose size is not given
NO_DISPLAY = ("offscreen", "dummy", "evdev")  # what SDL falls back to without a display server


def open_display(caption: str, mode: Callable[[], pygame.Surface], remedy: str) -> pygame.Surface:
    """Return the surface of a new window, made by ``mode``.  Raises CoachError where there is no display."""
    os.environ.setdefault("SDL_FRAMEBUFFER_ACCELERATION", "0")
    os.environ.setdefault("SDL_VIDEO_WAYLAND_WMCLASS", WM_CLASS)
    try:
        pygame.display.init()
        driver = pygame.display.get_driver()
        if driver in NO_DISPLAY and os.environ.get("SDL_VIDEODRIVER", "") != driver:
            raise pygame.error("there is no display here")
        pygame.display.set_caption(caption)
        pygame.display.set_icon(icon(64))
        surface = mode()
    except pygame.error as error:
        pygame.display.quit()
        raise CoachError("window", f"no window can be opened ({error})", remedy) from None
    pygame.event.set_blocked([pygame.MOUSEMOTION, pygame.KEYUP, pygame.TEXTINPUT, pygame.ACTIVEEVENT])
    return surface


def usual_size() -> tuple[int, int]:
    """Return the size of a window whose size is not given: a share of the desktop."""
    wide, tall = pygame.display.get_desktop_sizes()[0]
    return max(round(wide * SCREEN_SHARE), LEAST[0]), max(round(tall * SCREEN_SHARE), LEAST[1])


def save_picture(surface: pygame.Surface, path: Path) -> None:
    """Write what a surface shows as a PNG.  Raises CoachError where it cannot be written."""
    try:
        path.write_bytes(_png(surface))
    except OSError as error:
        what = f"the picture cannot be written ({error.strerror})"
        raise CoachError(str(path), what, "choose another place") from None


def icon(size: int) -> pygame.Surface:
    """Return the program's icon: a damp sign on paper."""
    made = pygame.Surface((size, size))
    made.fill(DAY.paper)
    sign = lettering.sign(lettering.DAMP, round(size * 0.8), DAY.ink)
    made.blit(sign, ((size - sign.get_width()) // 2, (size - sign.get_height()) // 2))
    return made


def icon_png(size: int) -> bytes:
    """Return the icon as a PNG."""
    return _png(icon(size))


def _png(surface: pygame.Surface) -> bytes:
    buffer = io.BytesIO()
    pygame.image.save(surface, buffer, "page.png")
    return buffer.getvalue()
