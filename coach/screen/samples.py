"""Every mark of the page as an example, for the sheet that explains them."""

from __future__ import annotations

import pygame

from coach.screen import lettering
from coach.screen.foot import tally_strokes
from coach.screen.marks import bar_ring, baseline, brackets, cross, loop, slope
from coach.screen.names import spelt
from coach.screen.page_words import FIGURE, FIGURE_UNSURE
from coach.screen.pencil import Sheet
from coach.screen.stamps import Stamp, placed
from coach.screen.strokes import HOLLOW, Strokes
from coach.screen.theme import Colour, Palette, Sizes

WIDE = 10.4  # an example's width, in heights of the words beside it
TALL = 1.9  # … a row's height
DUE, OVER = 2.6, 5.2  # … where the stop is written, and where a sound ends that rang on
DUE_ALONE, SOON = 5.2, 2.4  # … where it is written if none rings on, and where a sound ends that was cut
SPACE = 0.62  # … a staff space
COUNT = 6  # strokes of the count
BAR, OTHER_NOTE = "7", "F♯"  # a bar's number, and the note that was played


class Samples:
    """Draws examples, ``height`` pixels being the height of the words beside them."""

    def __init__(self, sizes: Sizes, palette: Palette, height: float) -> None:
        self.palette, self.height = palette, height
        self.strokes = Strokes(sizes, palette, round(height * TALL))

    def stamps(self, kind: str, x: float, y: int) -> list[Stamp]:
        """Return one example from ``x`` on, about the height ``y``; raises KeyError for an unknown kind."""
        if kind in ("slope", "tally", "damp", "here", "unsure", "missing", "extra", "other"):
            return self._at_notes(kind, x, y)
        return self._in_row(kind, x, y)

    def _figure(self, text: str, x: float, y: float, colour: Colour) -> list[Stamp]:
        height = round(self.height)
        written = lettering.words(text, height, colour, hand=True)
        return [Stamp(written.surface, round(x), round(y + height / 2) - written.baseline)]

    # --- the ring strip -----------------------------------------------------------------------

    def _in_row(self, kind: str, x: float, y: int) -> list[Stamp]:
        strokes, palette, row = self.strokes, self.palette, self.strokes.row
        grey = kind == "unsettled"
        blue = palette.pencil if grey else palette.written
        red = palette.pencil if grey else palette.rang
        past = kind in ("late", "ringing", "unsettled")
        due, over, soon = (
            round(x + share * self.height) for share in (DUE if past else DUE_ALONE, OVER, SOON)
        )
        stamps = [] if kind == "stray" else self._asked(x, due, y)
        end = {"cut": soon - row * HOLLOW}.get(kind, float(due))
        if kind == "cut":
            stamps += strokes.run("blank", x, due - 3, y, palette.paper, 1)
            stamps += strokes.run("dots", soon + row * 0.5, due - 4, y, blue, 1)
        if kind not in ("stray", "missed", "faded"):
            stamps += strokes.run("line", x, end, y, blue, 1)
        if kind not in ("stray", "missed"):
            stamps.append(placed(strokes.disc(blue), x, y))
        match kind:
            case "clean":
                stamps.append(placed(strokes.upright(blue), due, y))
            case "late" | "unsettled" | "ringing":
                stamps += [] if grey else strokes.run("hatch", due, over, y, red, 1)
                stamps += strokes.run("wave", due, over, y, red, 1)
                ended = strokes.arrow(red) if kind == "ringing" else strokes.upright(red)
                stamps.append(placed(ended, over, y))
                if kind != "ringing":
                    text = FIGURE_UNSURE if grey else FIGURE
                    stamps += self._figure(text, over + row * 0.3, y, red)
            case "cut":
                stamps.append(placed(strokes.hollow(blue), soon, y))
            case "free":
                stamps.append(placed(strokes.arc(blue), due, y))
            case "faded":
                stamps.append(placed(strokes.taper(round(due - x), blue), x, y))
            case "missed":
                middle = (x + due) / 2
                stamps.append(placed(strokes.blank(round(row * 0.7), round(row * 0.4)), middle, y))
                stamps.append(placed(strokes.gap(), middle, y))
            case "stray":
                stamps += strokes.run("wave", x + row * 0.36, over, y, red, 1)
                stamps.append(placed(strokes.lozenge(red), x, y))
            case _:
                raise KeyError(kind)
        return stamps

    def _asked(self, x: float, due: int, y: int) -> list[Stamp]:
        """Return a written length and its stop."""
        row = self.strokes.row
        weight = max(row * 0.05, 1.0)
        rule = Sheet((0, -2, due - x, 2), self.palette.faint)
        rule.line((0, 0), (due - x, 0), weight)
        tick = Sheet((-2, -row * 0.42, 2, row * 0.42), self.palette.ink)
        tick.line((0, -row * 0.36), (0, row * 0.36), weight)
        return [placed(rule.patch(rough=False), x, y), placed(tick.patch(rough=False), due, y)]

    # --- the staff, the foot ------------------------------------------------------------------

    def _at_notes(self, kind: str, x: float, y: int) -> list[Stamp]:
        height, palette = self.height, self.palette
        space, middle = height * SPACE, x + height * 1.6
        if kind == "tally":
            return [placed(tally_strokes(COUNT, round(height * 1.5), palette.ink, False), x, y)]
        if kind == "slope":
            lane, half = round(height * 1.6), round(height * 1.5)
            at = round(lane * 0.3)
            first, second = x + half, x + half * 3.6
            return [
                placed(baseline(half, lane, palette.faint), first, y),
                placed(slope(half, lane, at, 0, palette.ink), first, y),
                placed(baseline(half, lane, palette.faint), second, y),
                placed(slope(half, lane, -at, 0, palette.ink), second, y),
            ]
        if kind == "damp":
            sign = lettering.sign(lettering.DAMP, round(height * 1.3), palette.ink)
            return [Stamp(sign, round(x), y - sign.get_height() // 2)]
        if kind in ("here", "unsure"):
            number = lettering.words(BAR, round(height), palette.pencil).surface
            ink = number.get_bounding_rect()
            centre = x + height * 0.9
            ring = bar_ring(height, 1, 3, palette.ink, kind == "unsure")
            return [
                Stamp(number, round(centre - ink.centerx), round(y - ink.centery)),
                placed(ring, centre, y),
            ]
        note = self._note(middle, y, space, ghost=kind == "extra")
        return [*note, *self._pencilled(kind, middle, y, space)]

    def _note(self, x: float, y: int, space: float, *, ghost: bool) -> list[Stamp]:
        """Return three staff lines, and a head on the middle one unless it is ``ghost``."""
        palette, wide = self.palette, self.height * 1.6
        lines = Sheet((-wide, -space - 2, wide, space + 2), palette.faint)
        for step in (-1, 0, 1):
            lines.line((-wide, step * space), (wide, step * space), max(space * 0.1, 1.0))
        stamps = [placed(lines.patch(rough=False), x, y)]
        if not ghost:
            head = lettering.glyph("\ue0a4", space, palette.ink)  # SMuFL: noteheadBlack
            stamps.append(Stamp(head, round(x - head.get_width() / 2), y - head.get_height() // 2))
        return stamps

    def _pencilled(self, kind: str, x: float, y: int, space: float) -> list[Stamp]:
        palette = self.palette
        if kind == "missing":
            return [placed(brackets(space, space * 1.2, palette.ink), x, y)]
        if kind == "extra":
            return [placed(cross(space, palette.ink), x, y)]
        name = lettering.haloed(spelt(OTHER_NOTE), round(self.height), palette.ink, palette.paper)
        ink: pygame.Rect = name.surface.get_bounding_rect()
        beside = Stamp(name.surface, round(x + space * 2.2) - ink.x, y - ink.height // 2 - ink.y)
        return [placed(loop(space, 5, palette.ink), x, y), beside]
