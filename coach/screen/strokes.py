"""The strokes of the ring strip and the signs at their ends."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import lru_cache, partial

from coach.screen.pencil import PIECE, WAVE, Patch, Sheet, piece
from coach.screen.stamps import Stamp
from coach.screen.theme import Colour, Palette, Sizes

SHIFT = 137  # pixels by which neighbouring rows use another piece of the same stroke
LIGHT = 0.5  # weight of what is only sketched
HOLLOW = 0.27  # radius of the hollow end, as a share of the row


class Strokes:
    """The strip's strokes and ends, for one size and page."""

    def __init__(self, sizes: Sizes, palette: Palette, row: int | None = None) -> None:
        """``row`` is the height of a row, if not the usual."""
        self.sizes, self.palette = sizes, palette
        self.row = sizes.row if row is None else row
        self.weight = self.row * 0.17
        self.heavy = self.row * 0.21

    def run(self, kind: str, left: float, right: float, y: int, colour: Colour, row: int) -> list[Stamp]:
        """Return a stroke from ``left`` to ``right`` along a row whose middle is ``y``."""
        height, weight = self._measures(kind, colour)
        x, width = round(left), round(right) - round(left)
        if width <= 0:
            return []
        shift = row % 8 * SHIFT
        if kind == "wave":  # it sets out from the row's middle
            shift = round(round(shift / (height * WAVE)) * height * WAVE)
        found: list[Stamp] = []
        for index in range(shift // PIECE, (shift + width - 1) // PIECE + 1):
            first = max(shift - index * PIECE, 0)
            last = min(shift + width - index * PIECE, PIECE)
            at = x + index * PIECE + first - shift
            drawn = piece(kind, index, height, weight, colour)
            found.append(Stamp(drawn, at, y - height // 2, (first, 0, last - first, height)))
        return found

    def warming(self, kind: str, colour: Colour) -> Iterator[Callable[[], object]]:
        """Yield small jobs that draw the pieces of a stroke across the page, before they are wanted."""
        for index in range((self.sizes.width + 8 * SHIFT) // PIECE + 1):
            yield partial(piece, kind, index, *self._measures(kind, colour), colour)

    def _measures(self, kind: str, colour: Colour) -> tuple[int, float]:
        """Return the height of a stroke's box, and its weight."""
        weights = {"line": self.weight, "wave": self.heavy, "hatch": self.row * 0.05, "dots": self.row * 0.15}
        heights = {"hatch": 0.92, "wave": 0.86, "blank": 0.14}
        height, weight = max(round(self.row * heights.get(kind, 0.4)), 1), weights.get(kind, 1.0)
        return height, self._pressed(weight, colour) if kind in ("line", "wave") else weight

    def _pressed(self, weight: float, colour: Colour) -> float:
        """Return a stroke's weight: what is not settled is sketched."""
        return weight * LIGHT if colour == self.palette.pencil else weight

    def upright(self, colour: Colour) -> Patch:
        """The end of a stopped sound."""
        return _upright(self.row, self._pressed(self.weight * 1.05, colour), colour)

    def hollow(self, colour: Colour) -> Patch:
        """The end of a sound cut short."""
        return _hollow(self.row, self._pressed(self.weight * 0.62, colour), colour)

    def disc(self, colour: Colour) -> Patch:
        """The start of a sound: the pluck."""
        return _disc(self.row, colour)

    def arrow(self, colour: Colour) -> Patch:
        """Still sounding."""
        return _arrow(self.row, self._pressed(self.heavy * 0.8, colour), colour)

    def lozenge(self, colour: Colour) -> Patch:
        """The start of a sound nobody asked for."""
        return _lozenge(self.row, self._pressed(self.weight * 0.7, colour), colour)

    def arc(self, colour: Colour) -> Patch:
        """May ring."""
        return _arc(self.row, self._pressed(self.weight * 0.6, colour), colour)

    def taper(self, length: int, colour: Colour) -> Patch:
        """A sound that dies away, over ``length`` pixels."""
        return _taper(self.row, self._pressed(self.weight, colour), max(length, 1), colour)

    def blank(self, width: int, height: int) -> Patch:
        """Bare paper, to write on or to leave empty."""
        return _blank(width, height, self.palette)

    def gap(self) -> Patch:
        """Nothing was played: the trade's sign for a break, pencilled."""
        return _gap(self.row, self.weight * 0.62, self.palette.pencil)


@lru_cache(maxsize=16)
def _upright(row: int, weight: float, colour: Colour) -> Patch:
    sheet = Sheet((-weight, -row * 0.46, weight, row * 0.46), colour, row)
    sheet.line((0, -row * 0.38), (0, row * 0.38), weight, 3, 0.4)
    return sheet.patch()


@lru_cache(maxsize=16)
def _hollow(row: int, weight: float, colour: Colour) -> Patch:
    radius = row * HOLLOW
    sheet = Sheet((-radius - weight, -radius - weight, radius + weight, radius + weight), colour, row)
    sheet.disc((0, 0), radius + weight / 2)
    sheet.erase((0, 0), radius - weight / 2)
    return sheet.patch()


@lru_cache(maxsize=16)
def _disc(row: int, colour: Colour) -> Patch:
    radius = row * 0.19
    sheet = Sheet((-radius - 1, -radius - 1, radius + 1, radius + 1), colour, row)
    sheet.disc((0, 0), radius)
    return sheet.patch()


@lru_cache(maxsize=16)
def _arrow(row: int, weight: float, colour: Colour) -> Patch:
    size = row * 0.34
    sheet = Sheet((-size - weight, -size - weight, size + weight, size + weight), colour, row)
    sheet.stroke([(-size * 0.55, -size * 0.85), (size * 0.6, 0), (-size * 0.55, size * 0.85)], weight)
    return sheet.patch()


@lru_cache(maxsize=16)
def _lozenge(row: int, weight: float, colour: Colour) -> Patch:
    wide, tall = row * 0.3, row * 0.38
    sheet = Sheet((-wide - weight, -tall - weight, wide + weight, tall + weight), colour, row)
    corners = [(-wide, 0.0), (0.0, -tall), (wide, 0.0), (0.0, tall), (-wide, 0.0), (-wide * 0.7, -tall * 0.3)]
    sheet.stroke(corners, weight)
    return sheet.patch()


@lru_cache(maxsize=16)
def _arc(row: int, weight: float, colour: Colour) -> Patch:
    wide, deep = row * 0.95, row * 0.26
    sheet = Sheet((-weight, -weight, wide + weight, deep + 2 * weight), colour, row)
    count = 16
    points = [(wide * i / count, 4 * deep * (i / count) * (1 - i / count)) for i in range(count + 1)]
    swell = [weight * (0.4 + 1.0 * min(i, count - i) / (count / 2)) for i in range(count + 1)]
    sheet.stroke(points, swell)
    return sheet.patch()


@lru_cache(maxsize=128)
def _taper(row: int, weight: float, length: int, colour: Colour) -> Patch:
    sheet = Sheet((-weight, -weight, length, weight), colour, row)
    count = max(length // 6, 3)
    points = [(length * i / count, 0.0) for i in range(count + 1)]
    sheet.stroke(points, [max(weight * (1 - i / count) ** 0.8, 0.6) for i in range(count + 1)])
    return sheet.patch()


@lru_cache(maxsize=16)
def _gap(row: int, weight: float, colour: Colour) -> Patch:
    lean, tall = row * 0.14, row * 0.36
    sheet = Sheet((-row * 0.5, -row * 0.45, row * 0.5, row * 0.45), colour, row)
    for x, seed in ((-row * 0.14, 1), (row * 0.14, 2)):
        sheet.line((x - lean, tall), (x + lean, -tall), weight, seed, 0.8)
    return sheet.patch()


@lru_cache(maxsize=64)
def _blank(width: int, height: int, palette: Palette) -> Patch:
    sheet = Sheet((-width / 2, -height / 2, width / 2, height / 2), palette.paper, height)
    sheet.fill(
        [
            (-width / 2, -height / 2),
            (width / 2, -height / 2),
            (width / 2, height / 2),
            (-width / 2, height / 2),
        ]
    )
    return sheet.patch(rough=False)
