"""The first page drawn, and its window: what `coach` alone opens."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import pygame

from coach.screen import first_words as said
from coach.screen import lettering
from coach.screen.first_layout import lay_out
from coach.screen.first_model import FirstModel, Key, Spot
from coach.screen.first_shapes import FirstLayout, Number, Stroke
from coach.screen.pencil import Patch, Sheet
from coach.screen.stage import Stage
from coach.screen.stamps import Stamp, paint, placed
from coach.screen.theme import DAY, NIGHT, Colour, Palette, Sizes

KEYS = {
    pygame.K_UP: Key.UP,
    pygame.K_DOWN: Key.DOWN,
    pygame.K_LEFT: Key.LEFT,
    pygame.K_RIGHT: Key.RIGHT,
    pygame.K_TAB: Key.TAB,
    pygame.K_HOME: Key.HOME,
    pygame.K_END: Key.END,
    pygame.K_RETURN: Key.ENTER,
    pygame.K_KP_ENTER: Key.ENTER,
    pygame.K_SPACE: Key.ENTER,
    pygame.K_PAGEDOWN: Key.NEXT,
    pygame.K_PAGEUP: Key.OPEN,
    pygame.K_p: Key.PLAY,
    pygame.K_m: Key.PREPARE,
    pygame.K_d: Key.DRILL,
    pygame.K_s: Key.STUDIO,
    pygame.K_b: Key.LOOK_BACK,
    pygame.K_g: Key.OTHER_PORT,
    pygame.K_c: Key.CALIBRATE,
    pygame.K_F1: Key.HELP,
    pygame.K_h: Key.HELP,
    pygame.K_ESCAPE: Key.ESCAPE,
    pygame.K_q: Key.ESCAPE,
}


UNDERLINE, BELOW = (
    0.72,
    0.68,
)  # of a number's size: the line under a string that has answered, and how far under


@dataclass(frozen=True, slots=True)
class Done:
    """Something a person did to the page."""

    key: Key | None = None
    spot: Spot | None = None
    dropped: Path | None = None
    closed: bool = False


def key_of(event: pygame.event.Event) -> Key | None:
    """Return what a pressed key says."""
    return Key.HELP if event.unicode == "?" else KEYS.get(event.key)


# --- drawing ------------------------------------------------------------------------------------


def draw(surface: pygame.Surface, page: FirstLayout, palette: Palette) -> None:
    """Draw a page that was laid out for the size of ``surface``."""
    surface.fill(palette.paper)
    tones = {"ink": palette.ink, "pencil": palette.pencil}
    stamps: list[Stamp] = []
    for stroke in page.strokes:
        stamps.append(_stroked(stroke, palette))
    for line in page.lines:
        written = lettering.words(line.text, round(line.height), tones[line.tone], hand=line.hand)
        top = round(line.y + line.height / 2) - written.baseline
        stamps.append(Stamp(written.surface, round(line.x), top))
    for number in page.numbers:
        stamps += _number(number, palette)
    paint(surface, stamps)


def measured(text: str, height: float, hand: bool) -> float:
    """Return how wide a line will be: the measure that ``lay_out`` asks for."""
    return float(lettering.words(text, round(height), DAY.ink, hand=hand).width)


def _stroked(stroke: Stroke, palette: Palette) -> Stamp:
    length = round(stroke.other[0] - stroke.one[0])
    colour = palette.ink if stroke.kind == "focus" else palette.faint
    return placed(_line(length, stroke.width, colour), *stroke.one)


@lru_cache(maxsize=64)
def _line(length: int, width: float, colour: Colour) -> Patch:
    swing = width * 0.22
    sheet = Sheet((-width, -width - swing, length + width, width + swing), colour, width * 8)
    sheet.line((0, 0), (length, 0), width, 5, swing)
    return sheet.patch()


def _number(number: Number, palette: Palette) -> list[Stamp]:
    size = round(number.size)
    sign = lettering.string_number(number.string, size, palette.ink)
    stamps = [Stamp(sign, round(number.x - size / 2), round(number.y - size / 2))]
    if number.ringed:
        stamps.append(placed(_ring(size, palette.ink), number.x, number.y))
    elif number.answered:
        wide = round(size * UNDERLINE)
        line = _line(wide, max(size * 0.09, 1.5), palette.pencil)
        stamps.append(placed(line, number.x - wide / 2, number.y + size * BELOW))
    return stamps


@lru_cache(maxsize=8)
def _ring(size: int, colour: Colour) -> Patch:
    radius, width = size * 0.62, size * 0.16
    reach = radius * 1.25 + width
    sheet = Sheet((-reach, -reach, reach, reach), colour, size)
    sheet.loop(radius, radius, width, 3)
    return sheet.patch()


# --- the window ---------------------------------------------------------------------------------


class FirstPage:
    """The window of the first page, or a surface of its own ``offscreen``.  One thread, but for ``wake``."""

    def __init__(
        self,
        model: FirstModel,
        *,
        size: tuple[int, int] | None = None,
        night: bool = False,
        fullscreen: bool = False,
        offscreen: bool = False,
    ) -> None:
        """Raises CoachError where there is no display (``offscreen`` needs none)."""
        self.model = model
        self.palette: Palette = NIGHT if night else DAY
        self.stage = Stage(said.TITLE, said.REMEDY, size=size, fullscreen=fullscreen, offscreen=offscreen)
        if not offscreen:
            pygame.event.set_allowed([pygame.DROPFILE])
        self.layout = FirstLayout()
        self._shown: tuple[object, ...] | None = None
        self.show()

    @property
    def surface(self) -> pygame.Surface:
        """What is drawn on."""
        return self.stage.surface

    @property
    def fullscreen(self) -> bool:
        """Whether the page fills the screen."""
        return self.stage.fullscreen

    @property
    def night(self) -> bool:
        """Whether the page is dark."""
        return self.palette is NIGHT

    @property
    def size(self) -> tuple[int, int]:
        """The size to open the next window with."""
        return self.stage.window_size

    def show(self) -> bool:
        """Draw what the model says now; return whether anything had changed."""
        if self._shown == self.model.state:
            return False
        self.layout = lay_out(self.model, Sizes.of(*self.stage.size), measured)
        draw(self.surface, self.layout, self.palette)
        self._shown = self.model.state
        self.stage.update()
        return True

    def wait(self, timeout_ms: int) -> list[Done]:
        """Return what a person did, at latest after ``timeout_ms``; ``wake`` ends it early."""
        found: list[Done] = []
        for event in self.stage.wait(timeout_ms):
            match event.type:
                case pygame.QUIT:
                    found.append(Done(closed=True))
                case pygame.VIDEORESIZE:
                    self._shown = None
                case pygame.DROPFILE:
                    found.append(Done(dropped=Path(event.file)))
                case pygame.MOUSEBUTTONDOWN if event.button in (1, 4, 5):
                    found += self._pointed(event)
                case pygame.KEYDOWN if event.key == pygame.K_l:
                    self.palette = DAY if self.night else NIGHT
                    self._shown = None
                case pygame.KEYDOWN if event.key in (pygame.K_f, pygame.K_F11):
                    self.stage.turn_full()
                    self._shown = None
                case pygame.KEYDOWN if (key := key_of(event)) is not None:
                    found.append(Done(key))
        return found

    def wake(self) -> None:
        """End a ``wait``, from any thread."""
        self.stage.wake()

    def screenshot(self, path: Path) -> None:
        """Write what the page shows as a PNG.  Raises CoachError where it cannot be written."""
        self.stage.screenshot(path)

    def close(self) -> None:
        """Close the window."""
        self.stage.close()

    def __enter__(self) -> FirstPage:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _pointed(self, event: pygame.event.Event) -> list[Done]:
        if event.button in (4, 5):  # the wheel
            return [Done(Key.UP if event.button == 4 else Key.DOWN)]
        spot = self.layout.spot_at(*event.pos)
        if spot is None:
            spot = Spot() if self.model.helping else None
        return [] if spot is None else [Done(spot=spot)]
