"""The ring strip: what each string was asked to sound, and what it did."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial

from coach.core.shapes import Ring, RingState
from coach.screen import lettering
from coach.screen.engraved import Span
from coach.screen.layout import Layout
from coach.screen.pencil import Patch, Sheet, strip
from coach.screen.stamps import Stamp, placed
from coach.screen.theme import Colour, Palette, Sizes

RANG_ON = (RingState.OVERDUE, RingState.LATE, RingState.RINGING)
SHIFT = 137  # pixels by which neighbouring rows use another piece of the same stroke
LIGHT = 0.68
STRIP_SPARE = 8 * SHIFT


class Strokes:
    """The strip's strokes and ends, for one size and page."""

    def __init__(self, sizes: Sizes, palette: Palette, row: int | None = None) -> None:
        """``row`` is the height of a row, if not the usual."""
        self.sizes, self.palette = sizes, palette
        self.row = sizes.row if row is None else row
        self.weight = self.row * 0.17
        self.heavy = self.row * 0.21
        self._length = sizes.width + STRIP_SPARE

    def run(self, kind: str, left: float, right: float, y: int, colour: Colour, row: int) -> list[Stamp]:
        """Return a stroke from ``left`` to ``right`` along a row whose middle is ``y``."""
        weights = {"line": self.weight, "wave": self.heavy, "hatch": self.row * 0.05, "dots": self.row * 0.15}
        heights = {"hatch": 0.92, "wave": 0.86, "blank": 0.14}
        height = max(round(self.row * heights.get(kind, 0.4)), 1)
        x, width = round(left), round(right) - round(left)
        if width <= 0:
            return []
        shift = row % 8 * SHIFT
        weight = weights.get(kind, 1.0)
        if colour == self.palette.pencil and kind in ("line", "wave"):
            weight *= LIGHT  # what is not settled is sketched
        drawn = strip(kind, self._length, height, weight, colour)
        return [Stamp(drawn, x, y - height // 2, (x + shift, 0, width, height))]

    def upright(self, colour: Colour) -> Patch:
        """The end of a stopped sound."""
        return _upright(self.row, self.weight * 1.05, colour)

    def hollow(self, colour: Colour) -> Patch:
        """The end of a sound cut short."""
        return _hollow(self.row, self.weight * 0.62, colour)

    def disc(self, colour: Colour) -> Patch:
        """The start of a sound: the pluck."""
        return _disc(self.row, colour)

    def arrow(self, colour: Colour) -> Patch:
        """Still sounding."""
        return _arrow(self.row, self.heavy * 0.8, colour)

    def lozenge(self, colour: Colour) -> Patch:
        """The start of a sound nobody asked for."""
        return _lozenge(self.row, self.weight * 0.7, colour)

    def arc(self, colour: Colour) -> Patch:
        """May ring."""
        return _arc(self.row, self.weight * 0.6, colour)

    def taper(self, length: int, colour: Colour) -> Patch:
        """A sound that dies away, over ``length`` pixels."""
        return _taper(self.row, self.weight, max(length, 1), colour)

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
    radius = row * 0.27
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


class RingPainter:
    """Turns rings into stamps, given where the rows stand."""

    def __init__(self, layout: Layout, sizes: Sizes, palette: Palette) -> None:
        self.layout, self.sizes, self.palette = layout, sizes, palette
        self._strokes: dict[int, Strokes] = {}
        self.first_x = sizes.margin + round(sizes.sign * 1.25)  # right of the string's number

    def strokes(self, rows: int) -> Strokes:
        """Return the strokes for a strip of so many rows: a little larger than a row is no harm."""
        pitch = round(self.layout.pitch(rows))
        pitch = self.sizes.row if pitch > 0.72 * self.sizes.row else pitch
        if pitch not in self._strokes:
            self._strokes[pitch] = Strokes(self.sizes, self.palette, pitch)
        return self._strokes[pitch]

    def warming(self) -> list[Callable[[], object]]:
        """Return small jobs, each drawing one long stroke before it is wanted."""
        palette, strokes = self.palette, self.strokes(self.layout.rows)
        wanted = [("line", palette.written), ("line", palette.pencil), ("wave", palette.rang)]
        wanted += [("wave", palette.pencil), ("hatch", palette.rang), ("hatch", palette.pencil)]
        wanted += [("dots", palette.written), ("dots", palette.pencil), ("blank", palette.paper)]
        return [partial(strokes.run, kind, 0, 1, 0, colour, 0) for kind, colour in reversed(wanted)]

    def stamps(self, ring: Ring, slot_of: dict[int, int], rows: dict[int, tuple[int, ...]]) -> list[Stamp]:
        """Return the ring's strokes on the systems shown (``slot_of``: system -> slot)."""
        painted = _Painted(self, ring, slot_of, rows)
        painted.draw()
        return painted.found


class _Painted:
    """One ring in the making."""

    def __init__(
        self, painter: RingPainter, ring: Ring, slot_of: dict[int, int], rows: dict[int, tuple[int, ...]]
    ) -> None:
        self.painter, self.ring, self.slot_of, self.rows = painter, ring, slot_of, rows
        self.layout = painter.layout
        self.strokes = painter.strokes(max((len(strings) for strings in rows.values()), default=1))
        self.start = self._snapped(ring.start_tick)
        palette = painter.palette
        self.blue = palette.written if ring.settled else palette.pencil
        self.red = palette.rang if ring.settled else palette.pencil
        self.found: list[Stamp] = []

    def _snapped(self, tick: float) -> float:
        """Return the written onset for a start near it: the line begins under its note."""
        score, note = self.layout.score, self.ring.note
        if not 0 <= note < len(score.notes):
            return tick
        onset = float(score.notes["onset"][note])
        return onset if abs(tick - onset) <= self._near(onset) else tick

    def _near(self, tick: float) -> float:
        """Return the ticks within which two moments are drawn as one: a quarter of a beat."""
        score = self.layout.score
        return 0.25 * score.bars[score.bar_index(tick)].beat_ticks

    def draw(self) -> None:
        """Draw whatever the ring's state asks for."""
        ring = self.ring
        if ring.state is RingState.MISSED:
            self._missed()
        elif ring.state is RingState.STRAY or ring.slot_end_tick is None:
            self._stray()
        else:
            self._asked(ring.slot_end_tick)

    def _asked(self, due: float) -> None:
        ring, state = self.ring, self.ring.state
        written_end = min(ring.end_tick, due)
        if state is RingState.OVERDUE:
            # Within a hand's breadth of the stop nothing is wrong yet.
            written_end = min(ring.end_tick, due + 0.5 * self._near(due))
        if state is RingState.CLEAN and ring.end_tick > due - self._near(due):
            written_end = due
        if state is RingState.FADED:
            self._faded(written_end)
        else:
            self._along("line", self.start, written_end, self.blue)
        if state in RANG_ON and ring.end_tick > written_end:
            self._along("hatch", written_end, ring.end_tick, self.red)
            self._along("wave", written_end, ring.end_tick, self.red)
        self._put(self.start, self.strokes.disc(self.blue))
        end = self._where(ring.end_tick if state in RANG_ON else written_end)
        if state is RingState.CLEAN:
            self._at(end, self.strokes.upright(self.blue))
        elif state is RingState.CUT:
            self._along("blank", written_end, due, self.painter.palette.paper, inset=2.0, short=3.0)
            self._along("dots", written_end, due, self.blue, inset=self.strokes.row * 0.5)
            self._at(end, self.strokes.hollow(self.blue))
        elif state is RingState.FREE and not ring.sounding:
            self._at(end, self.strokes.arc(self.blue), dy=self.strokes.row * 0.08)
        elif state is RingState.LATE:
            self._at(end, self.strokes.upright(self.red))
        elif ring.sounding and ring.end_tick > written_end:
            self._at(end, self.strokes.arrow(self.red))
        if ring.words and end is not None:
            self._words(end)

    def _faded(self, end: float) -> None:
        for span, _, y, _ in self._spans(self.start, end):
            left = self._left(span)
            patch = self.strokes.taper(round(self.layout.left + span.right) - round(left), self.blue)
            self.found.append(placed(patch, left, y))

    def _stray(self) -> None:
        ring = self.ring
        self._along("wave", self.start, ring.end_tick, self.red, inset=self.strokes.row * 0.36)
        self._put(self.start, self.strokes.lozenge(self.red))
        end = self._where(ring.end_tick)
        if ring.sounding:
            self._at(end, self.strokes.arrow(self.red))
        if ring.words and end is not None:
            self._words(end)

    def _missed(self) -> None:
        due = self.ring.slot_end_tick
        if due is None:
            return
        for span, _, y, _ in self._spans(self.start, due):
            if span.begins:
                x = self._left(span) + min((span.right - span.left) / 2, self.strokes.row * 1.2)
                patch = self.strokes.gap()
                paper = _blank(
                    round(self.strokes.row * 0.7), round(self.strokes.row * 0.4), self.painter.palette
                )
                self.found.append(placed(paper, x, y))
                self.found.append(placed(patch, x, y))

    # --- along the row ------------------------------------------------------------------------

    def _spans(self, start: float, end: float) -> list[tuple[Span, int, int, int]]:
        """Return (span, slot, y, row) of each piece of a stretch that is on the page."""
        pieces = []
        for span in self.layout.places.spans(start, end):
            slot = self.slot_of.get(span.system)
            strings = self.rows.get(span.system, ())
            if slot is None or self.ring.string not in strings:
                continue
            row = strings.index(self.ring.string)
            pieces.append((span, slot, self.layout.row_y(slot, row, len(strings)), row))
        return pieces

    def _left(self, span: Span) -> float:
        x = self.layout.left + span.left
        return x if span.begins else max(x, self.painter.first_x)

    def _along(
        self, kind: str, start: float, end: float, colour: Colour, inset: float = 0.0, short: float = 0.0
    ) -> None:
        """Draw a stroke from one tick to another, starting ``inset`` pixels late, ending ``short`` early."""
        for span, _, y, row in self._spans(start, end):
            left = self._left(span) + (inset if span.begins else 0.0)
            right = self.layout.left + span.right - (short if span.ends else 0.0)
            self.found += self.strokes.run(kind, left, right, y, colour, row)

    def _where(self, tick: float) -> tuple[int, float, int] | None:
        """Return (system, x, y) of a tick in the ring's row; None where it is not on the page."""
        spans = self._spans(self.start, max(tick, self.start))
        if not spans or not spans[-1][0].ends:
            return None
        span, _, y, _ = spans[-1]
        return span.system, self.layout.left + span.right, y

    def _at(self, place: tuple[int, float, int] | None, patch: Patch, dy: float = 0.0) -> None:
        if place is not None:
            self.found.append(placed(patch, place[1], place[2] + dy))

    def _put(self, tick: float, patch: Patch) -> None:
        spans = self._spans(tick, tick)
        if spans:
            self.found.append(placed(patch, self.layout.left + spans[0][0].left, spans[0][2]))

    def _words(self, end: tuple[int, float, int]) -> None:
        """Write the overhang at the end of its wave, as large as the room before the next note allows."""
        system, x, y = end
        sizes = self.painter.sizes
        start = x + self.strokes.row * (0.55 if self.ring.sounding else 0.3)
        room = self._next_onset(system, x) - start - self.strokes.row * 0.25
        short = self.ring.words.removesuffix(" ms")
        tries = ((self.ring.words, sizes.words), (short, sizes.words), (short, sizes.quiet))
        for text, height in tries:
            written = lettering.words(text, round(height), self.red, hand=True)
            if written.width <= room:
                top = y + round(height / 2) - written.baseline
                self.found.append(Stamp(written.surface, round(start), top))
                return

    def _next_onset(self, system: int, x: float) -> float:
        """Return the x of the string's next note on this system, or of the system's end."""
        xs = self.layout.onset_xs(system, self.ring.string)
        edge = float(self.layout.left + self.layout.engraved.systems[system].width)
        return next((at for at in xs if at > x + 1), edge)


@lru_cache(maxsize=8)
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
