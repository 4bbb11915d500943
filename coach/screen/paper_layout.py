"""Places the marks of one printed system so that nothing touches anything.

Marks that belong to one note stand in its column, above the staff for the melody and below for the bass, as
near as the ink lets them; stops, numerals and chord names stand in rows, on one height for the system, in a
second row where two would touch.  Every mark is tested against the engraved ink and all marks before it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from coach.core.preparation import Preparation
from coach.screen.paper_facts import Facts, StopFact
from coach.screen.paper_ink import Ink, Rect, around, moved
from coach.screen.paper_marks import (
    Mark,
    chord_mark,
    finger_mark,
    mark,
    number_mark,
    phrase_mark,
    pluck_mark,
    ring_mark,
    roman_mark,
    stop_mark,
    string_mark,
)
from coach.screen.paper_places import Places
from coach.screen.paper_svg import SPACE_MM, System

AIR = 0.45  # mm of blank around a mark
ROW_AIR = 1.0  # mm of blank between a row and what it stands past
SLIDE = 4.0  # mm by which a chord name may be pushed on by the one before
WORD_GAP = 3.2  # … between words and the next sign on one line
BESIDE = 1.2  # mm of blank between two marks of a row
STEP = 0.2  # mm by which a mark moves on in search of room
FARTHEST = 60.0  # mm
ROW_OFF = 1.6  # mm between the staff and a row, at least
PHRASE_OFF = 1.4  # … between what stands above a system and the phrase's bracket
END_INSET = 0.2


@dataclass(frozen=True, slots=True)
class Placed:
    """A system with its marks; mm from its left end and its uppermost staff line."""

    system: System
    marks: tuple[Mark, ...]
    top: float  # of everything on it; negative
    bottom: float


class Room:
    """The stretches of paper that are taken; a staff lies between 0 and ``staff_bottom``."""

    def __init__(self, rects: Iterable[Rect], staff_bottom: float) -> None:
        self._staff_bottom = staff_bottom
        self._taken = np.array(list(rects), float).reshape(-1, 4)

    def free(self, rect: Rect) -> bool:
        """Return whether nothing stands in a stretch."""
        left, top, right, bottom = self._taken.T
        met = (left < rect.right) & (right > rect.left) & (top < rect.bottom) & (bottom > rect.top)
        return not met.any()

    def take(self, rects: Iterable[Rect]) -> None:
        """Take some stretches."""
        self._taken = np.concatenate([self._taken, np.array(list(rects), float).reshape(-1, 4)])

    def reach(self, left: float, right: float) -> tuple[float, float]:
        """Return the highest and the lowest of what stands between two x; the staff where nothing does."""
        met = self._taken[(self._taken[:, 0] < right) & (self._taken[:, 2] > left)]
        return (float(met[:, 1].min()), float(met[:, 3].max())) if len(met) else (0.0, self._staff_bottom)


def place_marks(index: int, places: Places, facts: Facts, preparation: Preparation) -> Placed:
    """Return one system with its marks."""
    return _Layout(index, places, facts, preparation).placed()


class _Layout:
    def __init__(self, index: int, places: Places, facts: Facts, preparation: Preparation) -> None:
        self.index, self.places, self.facts, self.preparation = index, places, facts, preparation
        self.system = places.systems[index]
        inked = (rect for ink in self.system.ink for rect in ink.rects())
        self.floor = self.system.staff_bottom
        self.room = Room(inked, self.floor)
        self.marks: list[Mark] = []
        score = preparation.score
        self.bars = [bar for bar in facts.bars if places.system_of(bar) == index]
        self.bass = {
            score.ids[int(written)]: bool(bass)
            for written, bass in zip(score.notes["written"], score.notes["bass"], strict=True)
        }

    def placed(self) -> Placed:
        """Place everything, what has least choice first."""
        self._number()
        self._tempos()
        self._rings()
        self._at_notes([finger_mark(*item) for item in self.facts.fingers.items()])
        self._at_notes([string_mark(*item) for item in self.facts.strings.items()])
        self._at_notes([pluck_mark(*item) for item in self.facts.plucks.items()])
        self._stops()
        self._chords()
        self._phrases()
        rects = [rect for ink in self.system.ink for rect in ink.rects()]
        whole = around([*rects, *(one.rect for one in self.marks)])
        return Placed(self.system, tuple(self.marks), whole.top, whole.bottom)

    def _put(self, one: Mark) -> None:
        self.marks.append(one)
        self.room.take([one.rect])

    def _column(self, one: Mark, up: bool) -> None:
        """Put a mark as near to where it is as there is room above (or below)."""
        for step in range(int(FARTHEST / STEP)):
            tried = one.moved(0, -step * STEP if up else step * STEP)
            if self.room.free(tried.rect.grown(AIR)):
                self._put(tried)
                return
        raise AssertionError("there is always room far enough from the staff")

    def _number(self) -> None:
        bar = next(iter(self.bars), 0)
        number = self.preparation.score.bars[bar].number
        if bar and number:
            one = number_mark(bar, number)
            self._column(one.moved(-one.rect.left, -1.2), up=True)

    def _tempos(self) -> None:
        for bar in self.bars:
            name = self.preparation.score.bar_ids[self.preparation.score.bars[bar].written]
            runs: tuple[Ink, ...] = tuple(self.system.tempos.get(name, ()))
            if not runs or (self.index == 0 and bar == self.bars[0]):
                continue  # the first tempo stands at the head of the page
            one = mark("tempo", bar, runs)
            left = min(self.places.edges(bar)[0], self.system.width - one.rect.width)
            self._column(one.moved(max(left, 0.0) - one.rect.left, -ROW_OFF), up=True)

    def _rings(self) -> None:
        for note in self.facts.rings:
            box = self.system.notes.get(note)
            if box is None:
                continue
            one = ring_mark(note)
            x = min(box.right + 0.3, self.system.width - one.rect.width - AIR)
            self._column(one.moved(x - one.rect.left, max(box.bottom, self.floor) + AIR), up=False)

    def _at_notes(self, wanted: Sequence[Mark]) -> None:
        """Put marks that are about notes in the columns of their heads, the inner notes first."""
        heads = self.system.notes
        here = [one for one in wanted if one.about in heads]
        for up in (True, False):
            side = [one for one in here if self.bass.get(str(one.about), False) is not up]
            for one in sorted(side, key=lambda one: (-1 if up else 1) * heads[str(one.about)].top):
                box, tall, wide = heads[str(one.about)], one.rect.height, one.rect.width
                top = min(box.top, 0.0) - AIR - tall if up else max(box.bottom, self.floor) + AIR
                left = min(max(box.middle - wide / 2, 0.0), self.system.width - wide)
                self._column(one.moved(left - one.rect.left, top - one.rect.top), up)

    def _row(
        self, marks: Sequence[Mark], up: bool, slide: float = 0.0, beyond: frozenset[str] = frozenset()
    ) -> None:
        """Put marks on one height past all there is, in as many rows as it takes.

        A mark may be pushed to the right by up to ``slide`` to stay in its row.  The rows stand beyond every
        mark of the kinds ``beyond``, wherever on the system: side by side they would be read as one.
        """
        left_over = sorted(marks, key=lambda one: one.rect.left)
        past = [one.rect for one in self.marks if one.kind in beyond and (one.rect.top < 0) is up]
        while left_over:
            row: list[Mark] = []
            later: list[Mark] = []
            for one in left_over:
                push = max(row[-1].rect.right + BESIDE - one.rect.left, 0.0) if row else 0.0
                fits = push <= min(slide, max(self.system.width - one.rect.right, 0.0))
                (row if fits else later).append(one.moved(push, 0) if fits else one)
            shift = self._shift(row, up, past)
            for one in row:
                self._put(one.moved(0, shift))
                past.append(one.rect.moved(0, shift))
            left_over = later

    def _shift(self, row: Sequence[Mark], up: bool, past: Sequence[Rect]) -> float:
        """Return how far a row must move to stand past the staff, what is on it, and the rows before."""
        reach = [self.room.reach(one.rect.left - AIR, one.rect.right + AIR) for one in row]
        if up:
            limit = min([-ROW_OFF, *(rect.top - AIR for rect in past)])
            return min(
                min(limit, top - ROW_AIR) - one.rect.bottom for (top, _), one in zip(reach, row, strict=True)
            )
        limit = max([self.floor + ROW_OFF, *(rect.bottom + AIR for rect in past)])
        return max(max(limit, low + ROW_AIR) - one.rect.top for (_, low), one in zip(reach, row, strict=True))

    def _stops(self) -> None:
        here = [fact for fact in self.facts.stops if self.places.system_of(fact.bar) == self.index]
        # With the words beside the signs a system is lower; where that is too tight they go under them.
        found = [self._stop(fact, beside=True) for fact in here]
        wide = [one.rect.grown(WORD_GAP / 2) for one in found]
        if any(one.meets(other) for one, other in combinations(wide, 2)):
            found = [self._stop(fact, beside=False) for fact in here]
        self._row(found, up=False, beyond=frozenset(("finger", "string", "pluck", "ring")))

    def _stop(self, fact: StopFact, beside: bool) -> Mark:
        """Return a stop's sign at its x."""
        x, width = self.places.x_of_stop(fact), self.system.width
        if fact.tick is not None:
            for words_beside in (True, False) if beside else (False,):
                one = stop_mark(fact.index, fact.stop, beside=words_beside)
                if x + one.rect.right <= width:
                    return one.moved(x, 0)
        one = stop_mark(fact.index, fact.stop, at_right=True)
        if fact.tick is None:  # due at a barline: just before it
            x -= one.rect.right + END_INSET
        return one.moved(min(x, width - one.rect.right), 0)

    def _chords(self) -> None:
        names: list[Mark] = []
        numerals: list[Mark] = []
        before = ("", "")
        for chord in self.facts.chords:
            if chord.bar not in self.bars:
                continue
            if (chord.name, chord.roman) == before:
                continue  # it goes on
            before = (chord.name, chord.roman)
            x = self.places.x_of(chord.tick, chord.bar) - SPACE_MM / 2
            for text, make, into in ((chord.name, chord_mark, names), (chord.roman, roman_mark, numerals)):
                if text:
                    one = make(chord.bar, text)
                    into.append(one.moved(min(x, self.system.width - one.rect.right), 0))
        self._row(names, up=True, slide=SLIDE)
        self._row(numerals, up=False, slide=SLIDE, beyond=frozenset(("stop",)))

    def _phrases(self) -> None:
        for phrase in self.facts.phrases:
            here = [bar for bar in self.bars if phrase.first <= bar <= phrase.last]
            if not here:
                continue
            begins, ends = here[0] == phrase.first, here[-1] == phrase.last
            left, right = self.places.edges(here[0])[0], self.places.edges(here[-1])[1]
            right = right - 1.8 if ends else self.system.width
            one = phrase_mark(here[0], phrase.letter, max(left, 0.0), right, begins, ends)
            self.marks.append(one)
        brackets = [one for one in self.marks if one.kind == "phrase"]
        if not brackets:
            return
        top = min(self.room.reach(one.rect.left, one.rect.right)[0] for one in brackets)
        low = max(one.rect.bottom for one in brackets)
        self.marks = [one for one in self.marks if one.kind != "phrase"]
        for one in brackets:
            self._put(one.moved(0, min(top, -ROW_OFF) - PHRASE_OFF - low))


def least_widths(places_of: Facts, preparation: Preparation) -> list[float]:
    """Return what each written bar needs for its stops and chord names, in staff spaces."""
    score = preparation.score
    needs = [0.0] * len(score.bar_ids)
    for fact in places_of.stops:
        needs[score.bars[fact.bar].written] += stop_mark(fact.index, fact.stop).rect.width + BESIDE
    names = [0.0] * len(needs)
    for chord in places_of.chords:
        if chord.name:
            names[score.bars[chord.bar].written] += chord_mark(chord.bar, chord.name).rect.width + BESIDE
    return [max(pair) / SPACE_MM for pair in zip(needs, names, strict=True)]


def shifted(placed: Placed, x: float, y: float) -> tuple[list[Ink], list[Mark]]:
    """Return a system's ink and marks at their place on the page."""
    return list(moved(placed.system.ink, x, y)), [one.moved(x, y) for one in placed.marks]
