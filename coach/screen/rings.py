"""The ring strip: what each string was asked to sound, and what it did."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from coach.core.shapes import Ring, RingState
from coach.screen.engraved import Span
from coach.screen.figures import Stretch, figure_stamps
from coach.screen.layout import Layout
from coach.screen.page_words import UNSURE_FIGURE
from coach.screen.pencil import Patch
from coach.screen.stamps import Stamp, placed
from coach.screen.strokes import HOLLOW, Strokes
from coach.screen.theme import Colour, Palette, Sizes

RANG_ON = (RingState.OVERDUE, RingState.LATE, RingState.RINGING)
LEAST_WAVE = 1.35  # length of the shortest wave, as a share of the row: two whole swings


class RingPainter:
    """Turns rings into stamps, given where the rows stand."""

    def __init__(self, layout: Layout, sizes: Sizes, palette: Palette) -> None:
        self.layout, self.sizes, self.palette = layout, sizes, palette
        self._strokes: dict[int, Strokes] = {}
        self.first_x = sizes.margin + round(sizes.sign * 1.25)  # right of the string's number

    def strokes(self, rows: int) -> Strokes:
        """Return the strokes for a strip of so many rows: a little larger than a row is no harm."""
        pitch = round(self.layout.pitch(rows))
        pitch = self.sizes.row if pitch > 0.94 * self.sizes.row else pitch
        if pitch not in self._strokes:
            self._strokes[pitch] = Strokes(self.sizes, self.palette, pitch)
        return self._strokes[pitch]

    def warming(self, rows: int) -> Iterator[Callable[[], object]]:
        """Yield small jobs, each drawing a piece of a long stroke before a strip of so many rows wants it."""
        palette, strokes = self.palette, self.strokes(rows)
        wanted = [("line", palette.written), ("line", palette.pencil), ("wave", palette.rang)]
        wanted += [("wave", palette.pencil), ("hatch", palette.rang)]
        wanted += [("dots", palette.written), ("dots", palette.pencil), ("blank", palette.paper)]
        for kind, colour in wanted:
            yield from strokes.warming(kind, colour)

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
        self.end = self._joined(ring.end_tick)
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

    def _joined(self, tick: float) -> float:
        """Return the string's next onset for a sound that only ended because the string was played again."""
        if self.ring.state is not RingState.RINGING or self.ring.sounding:
            return tick
        notes = self.layout.score.notes
        onsets = notes["onset"][notes["bass"] & (notes["string"] == self.ring.string)].astype(float)
        near = onsets[abs(onsets - tick) <= self._near(tick)]
        return float(near[0]) if len(near) else tick

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
        written_end = min(self.end, due)
        if state is RingState.OVERDUE:
            # Within a hand's breadth of the stop nothing is wrong yet.
            written_end = min(self.end, due + 0.5 * self._near(due))
        if state is RingState.CLEAN and self.end > due - self._near(due):
            written_end = due
        if state is RingState.FADED:
            self._faded(written_end)
        else:
            short = self.strokes.row * HOLLOW if state is RingState.CUT else 0.0
            self._along("line", self.start, written_end, self.blue, short=short)
        if state in RANG_ON and self.end > written_end:
            least = self.strokes.row * LEAST_WAVE if state is not RingState.OVERDUE else 0.0
            if ring.settled:
                self._along("hatch", written_end, self.end, self.red, least=least)
            self._along("wave", written_end, self.end, self.red, least=least)
        self._put(self.start, self.strokes.disc(self.blue))
        end = self._where(self.end if state in RANG_ON else written_end)
        if end is not None and state in (RingState.LATE, RingState.RINGING):
            due_at = self._where(due)
            if due_at is not None and due_at[0] == end[0]:
                end = end[0], max(end[1], due_at[1] + self.strokes.row * LEAST_WAVE), end[2]
        if state is RingState.CLEAN:
            self._at(end, self.strokes.upright(self.blue))
        elif state is RingState.CUT:
            self._along(
                "blank",
                written_end,
                due,
                self.painter.palette.paper,
                inset=-self.strokes.row * HOLLOW,
                short=3.0,
            )
            self._along("dots", written_end, due, self.blue, inset=self.strokes.row * 0.5)
            self._at(end, self.strokes.hollow(self.blue))
        elif state is RingState.FREE and not ring.sounding:
            self._at(end, self.strokes.arc(self.blue), dy=self.strokes.row * 0.08)
        elif state is RingState.LATE:
            self._at(end, self.strokes.upright(self.red))
        elif ring.sounding and self.end > written_end:
            self._at(end, self.strokes.arrow(self.red))
        if ring.words:
            self._words(end, due)

    def _faded(self, end: float) -> None:
        for span, _, y, _ in self._spans(self.start, end):
            left = self._left(span)
            patch = self.strokes.taper(round(self.layout.left + span.right) - round(left), self.blue)
            self.found.append(placed(patch, left, y))

    def _stray(self) -> None:
        ring = self.ring
        self._along("wave", self.start, self.end, self.red, inset=self.strokes.row * 0.36)
        self._put(self.start, self.strokes.lozenge(self.red))
        end = self._where(self.end)
        if ring.sounding:
            self._at(end, self.strokes.arrow(self.red))
        if ring.words:
            self._words(end, None)

    def _missed(self) -> None:
        due = self.ring.slot_end_tick
        if due is None:
            return
        for span, _, y, _ in self._spans(self.start, due):
            if span.begins:
                x = self._left(span) + min((span.right - span.left) / 2, self.strokes.row * 1.2)
                patch = self.strokes.gap()
                self.found.append(
                    placed(
                        self.strokes.blank(round(self.strokes.row * 0.7), round(self.strokes.row * 0.4)), x, y
                    )
                )
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
        self,
        kind: str,
        start: float,
        end: float,
        colour: Colour,
        inset: float = 0.0,
        short: float = 0.0,
        least: float = 0.0,
    ) -> None:
        """Draw a stroke from one tick to another, starting ``inset`` pixels late, ending ``short`` early.

        It is at least ``least`` pixels long, so that it shows what it is.
        """
        for span, _, y, row in self._spans(start, end):
            left = self._left(span) + (inset if span.begins else 0.0)
            right = self.layout.left + span.right - (short if span.ends else 0.0)
            if span.begins and span.ends:
                right = max(right, left + least)
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

    def _words(self, end: tuple[int, float, int] | None, due: float | None) -> None:
        """Write the overhang at the end of its wave; where that is not free, in the wave from ``due`` on."""
        row = self.strokes.row
        after = None
        if end is not None:
            system, x, y = end
            start = x + row * (0.6 if self.ring.sounding else 0.42)
            after = Stretch(start, self._free_until(system, start) - row * 0.25, y)
        breaks: list[Stretch] = []
        if due is not None:
            waves = [(span, y) for span, _, y, _ in self._spans(due, self.end)]
            lines = [(span, y) for span, _, y, _ in self._spans(self.start, due)][-1:]
            if not waves or waves[0][0].left >= waves[0][0].right:
                waves = []
            breaks = [
                Stretch(self._left(span), self.layout.left + span.right, y) for span, y in (*waves, *lines)
            ]
        painter = self.painter
        texts = [self.ring.words, self.ring.words.removesuffix(" ms")]
        if not self.ring.settled:
            texts = [UNSURE_FIGURE.format(figure=text) for text in texts]
        self.found += figure_stamps(texts, after, breaks, self.strokes, painter.sizes, self.red)

    def _free_until(self, system: int, x: float) -> float:
        """Return up to which x the string's row is free, from ``x`` on; ``x`` itself if it is not."""
        layout, sizes = self.layout, self.painter.sizes
        end = layout.left + layout.engraved.systems[system].width + sizes.label_room + sizes.margin / 2
        for left, right in layout.slots_of(system, self.ring.string):
            if right > x + 1:
                return max(min(left, end), x)
        return end
