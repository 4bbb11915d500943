"""Where the overhang of a ring is written: after its wave, or where it breaks its own line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from coach.screen import lettering
from coach.screen.stamps import Stamp, placed
from coach.screen.strokes import Strokes
from coach.screen.theme import Colour, Sizes

# What must stay of a line or a wave on each side of a figure that breaks it, in rows, by preference; at last
# the figure may reach beyond what it breaks.
STAYS = (0.9, 0.6, 0.3, -0.5)


class Stretch(NamedTuple):
    """A piece of a row, in pixels of the page."""

    left: float
    right: float
    y: int

    @property
    def width(self) -> float:
        """Its length."""
        return self.right - self.left


def figure_stamps(
    texts: Sequence[str],
    after: Stretch | None,
    breaks: list[Stretch],
    strokes: Strokes,
    sizes: Sizes,
    colour: Colour,
) -> list[Stamp]:
    """Return an overhang such as ``+240 ms``, as large as it can stand in the first place that has room.

    ``texts`` are its forms, the shortest last.
    ``after`` is the room behind the wave's end.  ``breaks`` are waves, and at last the sounding line before
    the stop, that it may break, as a height breaks a contour on a map.
    """
    row = strokes.row
    height = round(min(sizes.sign, row * 0.96))
    if after is not None:
        for text in texts:
            written = lettering.words(text, height, colour, hand=True)
            if written.width <= after.width:
                return [Stamp(written.surface, round(after.left), _top(written, height, after.y))]
    written = lettering.words(texts[-1], height, colour, hand=True)
    for stay in STAYS:
        for one in breaks:
            if written.width + 2 * stay * row <= one.width:
                return list(_breaking(written, height, one, strokes))
    return []


def _breaking(written: lettering.Written, height: int, one: Stretch, strokes: Strokes) -> Iterator[Stamp]:
    middle = (one.left + one.right) / 2
    yield placed(strokes.blank(written.width + round(strokes.row * 0.3), strokes.row), middle, one.y)
    yield Stamp(written.surface, round(middle - written.width / 2), _top(written, height, one.y))


def _top(written: lettering.Written, height: int, y: int) -> int:
    """Return the top of a writing with the middle of its figures at ``y``."""
    return y + round(height / 2) - written.baseline
