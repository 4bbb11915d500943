"""The ladder: what of a piece is practised, in which order, from a few notes to the whole.

First the scale of the melody, then the melody alone, the bass alone with its stops, and both together; in
each from one or two bars to four, across the seams, to eight, the halves and the whole (common practice, no
source).  Our own rules keep it short enough to be climbed:

- A step that asks for the same notes as an earlier one of its part, or the same bars, is left out.
- One or two bars are a step of their own in the bass, or together, only where a stop is asked for in them;
  the lenient one at the end of the piece is not enough.
- Seams are practised where there is a stop to carry over them, not in the melody alone; the halves, only
  together.
- The steps with the worst stops come first; the melody, the halves and the whole go in the order of the
  piece.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import Enum
from statistics import median

import numpy as np
from numpy.typing import NDArray

from coach.core import drill_words as words
from coach.core.damping import Stop, worst_first
from coach.core.form import Chunk
from coach.core.likeness import is_pickup
from coach.core.preparation import Preparation
from coach.core.score import Score

FEW = 4  # onsets in a bar: with fewer, two bars are taken together
MANY = 6  # onsets in a bar that are enough for one step, however short.  More than Cowan's (2001) 3 to 5
SHORT_US = 3_000_000  # a bar shorter than this, if it has not many notes: there is more counting than music
FOUR, EIGHT = 4, 8  # bars of a chunk, as meant


class Part(Enum):
    """What of the music is played."""

    SCALE = "scale"
    MELODY = "melody"
    BASS = "bass"
    TOGETHER = "together"


@dataclass(frozen=True, slots=True)
class Rung:
    """One step of the ladder.  Bars are performed ones, first to last inclusive; 0 to −1 for the scale."""

    part: Part
    first: int
    last: int
    size: int  # 1, 2, 4, 8 … as meant
    join: bool = False  # across the seam of two chunks of four
    lands: int = field(default=-1, compare=False)  # tick of the note it is played on to; −1 for the scale
    upbeat: int = field(default=0, compare=False)  # ticks by which it starts before its first bar
    name: str = field(default="", compare=False)  # for a player: "bass alone, bars 3–4"

    @property
    def place(self) -> tuple[str, int, int]:
        """Its part and bars, by which it is found again."""
        return self.part.value, self.first, self.last

    def within(self, other: Rung) -> bool:
        """Whether it is a part of another: fewer of its bars, the same voices."""
        inside = other.first <= self.first and self.last <= other.last
        return self.part is other.part and inside and self.place != other.place


def ladder(preparation: Preparation, *, by_eights: bool = False) -> tuple[Rung, ...]:
    """Return the steps in order; none for a piece without notes.

    ``by_eights``: each eight bars are put together before the next are begun, for long pieces; else each
    voice is brought to the end of the piece before the next is begun.
    """
    voices = _Voices(preparation)
    rungs = [rung for part in voices.parts for rung in _Steps(voices, part).rungs()]
    if by_eights:
        rungs = _by_eights(rungs, preparation.form.chunks)
    scale = preparation.harmony.scale
    if scale is not None and Part.MELODY in voices.parts:
        rungs.insert(0, Rung(Part.SCALE, 0, -1, 0, name=words.SCALE.format(name=scale.name)))
    return tuple(rungs)


def without(rungs: Iterable[Rung], *, part: Part) -> tuple[Rung, ...]:
    """Return a ladder without one of its parts."""
    return tuple(rung for rung in rungs if rung.part is not part)


def from_fault(preparation: Preparation, rungs: Iterable[Rung], bar: int, part: Part = Part.TOGETHER) -> Rung:
    """Return the smallest step around a fault in a performed bar: that bar and the one played before it.

    A bar that follows a pickup has the pickup before it, and a pickup that follows a full bar has that one.
    The step of ``rungs`` with the same bars is returned if there is one.  Raises ValueError for a bar that
    is not there, or for the scale.
    """
    score = preparation.score
    if part is Part.SCALE or not 0 <= bar < len(score.bars):
        raise ValueError(f"no step of the {part.value} lies around bar {bar}")
    first = max(bar - 1, 0)
    if first and is_pickup(score.bars[first]):
        first -= 1
    last = bar
    if is_pickup(score.bars[last]) and last + 1 < len(score.bars):
        last += 1  # a pickup alone is nothing to play
    same = (rung for rung in rungs if rung.place == (part.value, first, last))
    found = next(same, None)
    return found if found is not None else _Voices(preparation).rung(part, Chunk(first, last, 2, 0))


def own_step(preparation: Preparation, part: Part, first: int, last: int) -> Rung:
    """Return a step of a player's own choice, by its performed bars.

    Raises ValueError for bars that are not there, or in which the part plays nothing.
    """
    voices = _Voices(preparation)
    if part is Part.SCALE or not 0 <= first <= last < len(voices.score.bars):
        raise ValueError("there are no such bars")
    if not len(voices.inside(part, first, last)):
        raise ValueError("nothing is played in them")
    return voices.rung(part, Chunk(first, last, last - first + 1, 0))


class _Voices:
    """The notes of each part of a piece."""

    def __init__(self, preparation: Preparation) -> None:
        self.score: Score = preparation.score
        self.chunks = preparation.form.chunks
        notes = self.score.notes
        played = ~notes["grace"]
        self.rows = {
            Part.MELODY: np.flatnonzero(played & ~notes["bass"]),
            Part.BASS: np.flatnonzero(played & notes["bass"]),
            Part.TOGETHER: np.flatnonzero(played),
        }
        found = [part for part in (Part.MELODY, Part.BASS) if len(self.rows[part])]
        self.parts = [*found, Part.TOGETHER] if len(found) > 1 else found
        self._stops: dict[int, list[tuple[int, Stop]]] = defaultdict(list)  # by bar; place among all, stop
        for place, stop in enumerate(worst_first(preparation.stops)):
            self._stops[int(notes["bar"][stop.note])].append((place, stop))
        self.asks = bool(self._stops)  # for any stop at all

    def is_whole(self, chunk: Chunk) -> bool:
        """Whether a chunk is the whole piece."""
        return chunk.first == 0 and chunk.last == len(self.score.bars) - 1

    def rung(self, part: Part, chunk: Chunk) -> Rung:
        """Return the step that plays a part of a chunk's bars; a pickup or upbeat it rests in is left out."""
        bars, last = self.score.bars, chunk.last
        first, upbeat = chunk.first, chunk.upbeat
        while first < last and is_pickup(bars[first]) and not len(self.inside(part, first, first)):
            first += 1
        if upbeat:
            rows = self.rows[part]
            begin = bars[first].onset - upbeat
            onsets = self.score.notes["onset"][rows]
            if onsets.searchsorted(begin) == onsets.searchsorted(bars[first].onset):
                upbeat = 0
        name = words.rung_name(
            part.value if len(self.parts) > 1 else "",
            [(bar.number, is_pickup(bar)) for bar in bars[first : last + 1]],
            whole=self.is_whole(chunk),
            upbeat=upbeat > 0,
        )
        return Rung(part, first, last, chunk.size, chunk.join, self._lands(part, last), upbeat, name)

    def inside(self, part: Part, first: int, last: int) -> NDArray[np.int64]:
        """Return the rows that a part plays in some bars."""
        rows = self.rows[part]
        begin, end = np.searchsorted(self.score.notes["bar"][rows], (first, last + 1)).tolist()
        found: NDArray[np.int64] = rows[begin:end]
        return found

    def held(self, rung: Rung) -> list[tuple[int, Stop]]:
        """Return the stops asked for that a step holds, each with its place among all, 0 for the worst.

        A stop is held whose bass is played in the step, and which is due before the step is over.
        """
        if rung.part is Part.MELODY:
            return []
        bars = range(rung.first, rung.last + 1)
        return [found for bar in bars for found in self._stops.get(bar, ()) if found[1].due <= rung.lands]

    def asked(self, rung: Rung) -> tuple[object, ...]:
        """Return what a step asks for: its notes, the one it lands on, and its stops."""
        notes, start = self.score.notes, self.score.bars[rung.first].onset
        rows = self.inside(rung.part, rung.first, rung.last)
        landing = self.rows[rung.part]
        landing = landing[slice(*np.searchsorted(notes["onset"][landing], (rung.lands, rung.lands + 1)))]
        return (
            tuple((notes["onset"][rows] - start).tolist()),
            tuple(notes[["pitch", "string", "duration"]][rows].tolist()),
            rung.lands - start,
            tuple(sorted(notes["pitch"][landing].tolist())),
            tuple(sorted((stop.due - start, stop.string) for _, stop in self.held(rung))),
        )

    def _lands(self, part: Part, last: int) -> int:
        """Return the tick of the part's next note, if it comes in the next bar; else where the bars end."""
        bars = self.score.bars
        end = bars[last].end
        until = bars[last + 1].end if last + 1 < len(bars) else end
        onsets = self.score.notes["onset"][self.rows[part]]
        at = int(onsets.searchsorted(end, "left"))
        return int(onsets[at]) if at < len(onsets) and onsets[at] < until else end


class _Steps:
    """The steps of one part."""

    def __init__(self, voices: _Voices, part: Part) -> None:
        self.voices, self.part = voices, part
        self.alone = len(voices.parts) > 1 and part is not Part.TOGETHER

    def rungs(self) -> list[Rung]:
        """Return them in order."""
        found: list[Rung] = []
        places: set[tuple[str, int, int]] = set()
        seen: set[tuple[object, ...]] = set()
        for level in self._levels():
            fresh: list[Rung] = []
            for chunk in level:
                step, whole = self.voices.rung(self.part, chunk), self.voices.is_whole(chunk)
                asked = self.voices.asked(step)
                if step.place in places or not (whole or (self._worth(step) and asked not in seen)):
                    continue
                fresh.append(step)
                places.add(step.place)
                seen.add(asked)
            found += self._ordered(fresh)
        return found

    def _levels(self) -> list[list[Chunk]]:
        """Return the chunks by level, the smallest first, the whole last."""
        whole = [chunk for chunk in self.voices.chunks if self.voices.is_whole(chunk)][:1]
        rest = [chunk for chunk in self.voices.chunks if not self.voices.is_whole(chunk)]
        plain = [chunk for chunk in rest if not chunk.join]
        small = self._small()
        return [
            [chunk for chunk in plain if chunk.size == small],
            [chunk for chunk in plain if chunk.size == FOUR],
            [chunk for chunk in rest if chunk.join and not (self.alone and self.part is Part.MELODY)],
            [chunk for chunk in plain if chunk.size == EIGHT],
            [chunk for chunk in plain if chunk.size > EIGHT and not self.alone],
            whole,
        ]

    def _small(self) -> int:
        """Return how many bars make the smallest step: one, or two where one has little to play."""
        score = self.voices.score
        counts, lengths = [], []
        for chunk in self.voices.chunks:
            rows = self.voices.inside(self.part, chunk.first, chunk.last)
            if chunk.size == 1 and len(rows):
                counts.append(len(np.unique(score.notes["onset"][rows])))
                bar = score.bars[chunk.last]
                lengths.append(score.nominal_us(bar.end) - score.nominal_us(bar.onset))
        notes = median(counts) if counts else 0
        return 1 if notes >= MANY or (notes >= FEW and median(lengths) >= SHORT_US) else 2

    def _worth(self, step: Rung) -> bool:
        """Whether a step has enough in it to be practised by itself."""
        if not len(self.voices.inside(self.part, step.first, step.last)):
            return False
        if step.size >= FOUR or self.part is Part.MELODY or not self.voices.asks:
            return True
        return any(not stop.lenient for _, stop in self.voices.held(step))

    def _ordered(self, steps: list[Rung]) -> list[Rung]:
        """Return the steps of a level: up to eight bars those with the worst stops first."""
        if not steps or steps[0].size > EIGHT:
            return steps
        places = [min((place for place, _ in self.voices.held(step)), default=None) for step in steps]
        order = sorted(range(len(steps)), key=lambda k: (places[k] is None, places[k] or 0))
        return [steps[k] for k in order]


def _by_eights(rungs: Sequence[Rung], chunks: Sequence[Chunk]) -> list[Rung]:
    """Return the steps eight bars by eight bars; what is longer comes after them, together alone."""
    eights = [c for c in chunks if c.size == EIGHT and not c.join]
    both = any(rung.part is Part.TOGETHER for rung in rungs)

    def eight(rung: Rung) -> int:
        # A seam between two eights belongs to the later one.
        return sum(c.first <= rung.last for c in eights)

    short = sorted((rung for rung in rungs if rung.size <= EIGHT), key=eight)
    long = [rung for rung in rungs if rung.size > EIGHT]
    return short + [rung for rung in long if not both or rung.part is Part.TOGETHER]
