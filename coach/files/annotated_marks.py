"""Where the damping marks of a plan go in the written bars, and between which elements.

A mark stands where the string is to be silent.  At a barline that is the start of the bar that is played
next, if it stands further on in the score; at a repeat or a jump back, and at the end of the piece, it is
the end of the bar that is left.  A bar is written once and may be played several times: a mark is left
out where it would stop, in some round, a string that should ring on.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from xml.etree.ElementTree import Element

from coach.core.damping import Reason, Stop
from coach.core.score import TICKS_PER_QUARTER, DampMark, Score
from coach.core.ways import Way
from coach.files.written import Part, WrittenNote
from coach.files.xml_tree import decimal, text_of

Place = tuple[int, int]  # written bar, tick in it
NATURAL = (Reason.NEXT_BASS, Reason.REST, Reason.END)
_MOVING = ("note", "backup", "forward")  # what moves the reader's place in a bar


@dataclass(frozen=True, slots=True)
class Mark:
    """A damping mark to be written."""

    place: Place
    string: int
    way: Way | None
    note: int  # index among the written notes of the one that is to stop


@dataclass(frozen=True, slots=True)
class Gap:
    """A place between two elements of a bar: before or behind one of them, ``offset`` divisions away."""

    element: Element
    behind: bool
    offset: Fraction = Fraction(0)


def marks_to_write(score: Score, stops: tuple[Stop, ...]) -> list[Mark]:
    """Return the marks that ``score``, as its own file plays it, still lacks for the ``stops`` wanted.

    ``stops`` are those of ``score``, whose notes hold the strings they are played on.  Nothing is marked
    that the file marks already, nor a note on an unknown string.
    """
    marker = _Marker(score, stops)
    return [mark for stop in stops if (mark := marker.mark(stop)) is not None]


@dataclass(slots=True)
class _Ring:
    """A bass from its onset to where it may be stopped."""

    onset: int
    until: int
    until_too: bool  # a mark at ``until`` would change it


class _Marker:
    def __init__(self, score: Score, stops: tuple[Stop, ...]) -> None:
        self.score = score
        self.rounds: dict[int, list[int]] = defaultdict(list)  # written bar -> ticks it is played at
        for bar in score.bars:
            self.rounds[bar.written].append(bar.onset)
        self.given: dict[int, list[DampMark]] = defaultdict(list)
        for mark in score.damps:
            self.given[mark.onset].append(mark)
        self.placed: set[tuple[int, int]] = set()  # performed tick, string
        self.rings: dict[int, list[_Ring]] = defaultdict(list)  # string -> in order of onset
        onsets: dict[int, list[int]] = defaultdict(list)
        for note in score.notes[~score.notes["grace"]]:
            onsets[int(note["string"])].append(int(note["onset"]))
        for stop in stops:
            if stop.string:
                self.rings[stop.string].append(self._ring(stop, onsets[stop.string]))

    def _ring(self, stop: Stop, onsets: list[int]) -> _Ring:
        onset = int(self.score.notes["onset"][stop.note])
        if stop.reason is not Reason.FREE:
            return _Ring(onset, stop.due, False)
        again = bisect_left(onsets, onset + 1)
        return _Ring(onset, onsets[again] if again < len(onsets) else self.score.end, True)

    def mark(self, stop: Stop) -> Mark | None:
        """Return the mark for a stop, or None where it needs none or can have none."""
        if not (stop.wanted and stop.string and stop.reason in NATURAL):
            return None
        if (stop.due, stop.string) in self.placed:
            return None
        if any(given.everything or given.string in (None, stop.string) for given in self.given[stop.due]):
            return None
        for written, tick in self._places(stop.due):
            ticks = [onset + tick for onset in self.rounds[written]]
            if stop.due in ticks and not any(self._disturbs(at, stop.string) for at in ticks):
                self.placed.update((at, stop.string) for at in ticks)
                written_note = int(self.score.notes["written"][stop.note])
                return Mark((written, tick), stop.string, stop.way, written_note)
        return None

    def _places(self, due: int) -> Iterator[Place]:
        """Yield the places a due point has in the written score, the best first."""
        bars = self.score.bars
        at = self.score.bar_index(due)
        here = bars[at]
        if due != here.onset or at == 0:
            yield here.written, due - here.onset
            return
        left = bars[at - 1]
        ends = [(here.written, 0), (left.written, left.length)]
        yield from ends if here.written > left.written else reversed(ends)

    def _disturbs(self, tick: int, string: int) -> bool:
        """Return whether a mark would stop a note of its string that should ring on."""
        rings = self.rings[string]
        at = bisect_left(rings, tick, key=lambda ring: ring.onset) - 1
        last = rings[at].onset if at >= 0 else 0
        while at >= 0 and rings[at].onset == last:  # earlier ones have ended where this one began
            if tick < rings[at].until or (rings[at].until_too and tick == rings[at].until):
                return True
            at -= 1
        return False


@dataclass(slots=True)
class Gaps:
    """Finds the places between the elements of a part's bars."""

    part: Part
    _divisions: dict[int, Fraction] = field(default_factory=dict)  # written bar -> in force as it begins

    def __post_init__(self) -> None:
        now = Fraction(1)
        for index, bar in enumerate(self.part.bars):
            self._divisions[index] = now
            for element in bar.element.iterfind("attributes/divisions"):
                now = decimal(text_of(element)) or now

    def find(self, place: Place, beside: WrittenNote) -> Gap | None:
        """Return a gap at exactly ``place``, if it can be in the voice of the note ``beside``.

        None for a bar that is empty altogether.
        """
        index, tick = place
        best: tuple[int, Gap] | None = None
        for at, rank, gap in self._gaps(index, beside):
            if at == tick and (best is None or rank < best[0]):
                best = rank, gap
        return best[1] if best else self._away(index, tick, beside)

    def _gaps(self, index: int, beside: WrittenNote) -> Iterator[tuple[int, int, Gap]]:
        """Yield (tick, rank, gap) for the gaps beside a bar's notes and rests; the lower the better."""
        bar = self.part.bars[index]
        elements = list(bar.element)
        position = {element: i for i, element in enumerate(elements)}
        first = next((element for element in elements if element.tag in _MOVING), None)
        if first is not None:
            yield 0, 8, Gap(first, behind=False)
        elif elements:
            yield 0, 8, Gap(elements[-1], behind=True)
        for note in bar.notes:
            if _in_chord(note.element):
                continue
            foreign = 4 * ((note.voice, note.staff) != (beside.voice, beside.staff))
            yield note.onset, foreign, Gap(note.element, behind=False)
            if note.grace:
                continue
            last = position[note.element]
            while last + 1 < len(elements) and _in_chord(elements[last + 1]):
                last += 1
            yield note.onset + note.duration, foreign + 1, Gap(elements[last], behind=True)

    def _away(self, index: int, tick: int, beside: WrittenNote) -> Gap | None:
        """Return the nearest gap before ``tick`` that lies whole divisions away, else the nearest of all."""
        best: tuple[tuple[bool, int, int], Gap] | None = None
        for at, rank, gap in self._gaps(index, beside):
            if at <= tick:
                offset = Fraction(tick - at, TICKS_PER_QUARTER) * self._divisions_at(index, gap.element)
                key = offset.denominator != 1, tick - at, rank
                if best is None or key < best[0]:
                    best = key, Gap(gap.element, gap.behind, offset)
        return best[1] if best else None

    def _divisions_at(self, index: int, element: Element) -> Fraction:
        now = self._divisions[index]
        for child in self.part.bars[index].element:
            now = decimal(text_of(child, "divisions")) or now if child.tag == "attributes" else now
            if child is element:
                break
        return now


def _in_chord(element: Element) -> bool:
    return element.tag == "note" and element.find("chord") is not None
