"""Places the marks of one printed system so that nothing touches anything.

Marks that belong to one note stand in its column, above the staff for the melody and below for the bass, as
near as the ink lets them, those of a chord in one column; ending brackets stand past these.  Stops, numerals
and chord names stand in rows, on one height for the system, in a second row where two would touch.  Every
mark is tested against the engraved ink and all marks before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, groupby

from coach.core.preparation import Preparation
from coach.core.ways import Way
from coach.screen.paper_facts import Facts, StopFact
from coach.screen.paper_ink import Ink, Rect, around, moved
from coach.screen.paper_marks import (
    Mark,
    chord_mark,
    mark,
    number_mark,
    phrase_mark,
    roman_mark,
    stop_mark,
)
from coach.screen.paper_notes import AIR, NoteMarks
from coach.screen.paper_places import Places
from coach.screen.paper_svg import SPACE_MM, System

ROW_AIR = 1.3  # mm of blank between a row and what it stands past
SLIDE = 4.0  # mm by which a chord name may be pushed on by the one before
WORD_GAP = 3.2  # … between words and the next sign on one line
FROM_NAME = 2.5  # … between a chord's name and a letter beside it, which would be read as one
MANY = 3  # stops by one way in succession, of which only the first says it
HANGS = 1.0  # mm to the left of its place from which a mark is said to hang
BESIDE = 1.2  # mm of blank between two marks of a row
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
    bars: int = 0  # that count for a reader


def place_marks(index: int, places: Places, facts: Facts, preparation: Preparation) -> Placed:
    """Return one system with its marks."""
    return _Layout(index, places, facts, preparation).placed()


class _Layout(NoteMarks):
    def placed(self) -> Placed:
        """Place everything, what has least choice first."""
        self._number()
        self._tempos()
        self._rings()
        self._hands()
        self._endings()
        self._stops()
        self._chords()
        self._phrases()
        rects = [rect for ink in self.system.fixed for rect in ink.rects()]
        whole = around([*rects, *(one.rect for one in self.marks)])
        counted = sum(self.preparation.score.bars[bar].number > 0 for bar in self.bars)
        return Placed(self.system, tuple(self.marks), whole.top, whole.bottom, counted)

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

    def _endings(self) -> None:
        """Put the brackets of endings past what stands at the notes, all on one height."""
        found = [mark("ending", i, tuple(ink)) for i, ink in enumerate(self.system.endings)]
        tops = [self.room.reach(one.rect.left - AIR, one.rect.right + AIR)[0] for one in found]
        over = min((top - ROW_AIR - one.rect.bottom for top, one in zip(tops, found, strict=True)), default=0)
        for one in found:
            self._put(one.moved(0, min(over, 0.0)))

    def _row(
        self,
        marks: Sequence[Mark],
        up: bool,
        *,
        slide: float = 0.0,
        aside: float = AIR,
        beyond: frozenset[str] = frozenset(),
    ) -> None:
        """Put marks on one height past all there is, in as many rows as it takes.

        A mark may be pushed to the right by up to ``slide`` to stay in its row, but for one that hangs out to
        the left of its place.  No other ink stands nearer than ``aside`` to its left and right.  The rows
        stand beyond every mark of the kinds ``beyond``, wherever on the system: side by side they would be
        read as one.
        """
        left_over = sorted(marks, key=lambda one: one.rect.left)
        past = [one.rect for one in self.marks if one.kind in beyond and (one.rect.top < 0) is up]
        while left_over:
            row: list[Mark] = []
            later: list[Mark] = []
            for one in left_over:
                push = max(row[-1].rect.right + BESIDE - one.rect.left, 0.0) if row else 0.0
                most = slide if one.rect.left > one.x - HANGS else 0.0
                fits = push <= min(most, max(self.system.width - one.rect.right, 0.0))
                (row if fits else later).append(one.moved(push, 0) if fits else one)
            shift = self._shift(row, up, aside, past)
            for one in row:
                self._put(one.moved(0, shift))
                past.append(one.rect.moved(0, shift))
            left_over = later

    def _shift(self, row: Sequence[Mark], up: bool, aside: float, past: Sequence[Rect]) -> float:
        """Return how far a row must move to stand past the staff, what is on it, and the rows before."""
        reach = [self.room.reach(one.rect.left - aside, one.rect.right + aside) for one in row]
        if up:
            limit = min([-ROW_OFF, *(rect.top - AIR for rect in past)])
            return min(
                min(limit, top - ROW_AIR) - one.rect.bottom for (top, _), one in zip(reach, row, strict=True)
            )
        limit = max([self.floor + ROW_OFF, *(rect.bottom + AIR for rect in past)])
        return max(max(limit, low + ROW_AIR) - one.rect.top for (_, low), one in zip(reach, row, strict=True))

    def _stops(self) -> None:
        here = [fact for fact in self.facts.stops if self.places.system_of(fact.bar) == self.index]
        here.sort(key=self.places.x_of_stop)
        # With the words beside the signs a system is lower; where that is too tight they go under them.
        news = ways_said([fact.stop.way for fact in here])
        found = [self._stop(fact, new, beside=True) for fact, new in zip(here, news, strict=True)]
        wide = [one.rect.grown(WORD_GAP / 2) for one in found]
        if any(one.meets(other) for one, other in combinations(wide, 2)):
            found = [self._stop(fact, new, beside=False) for fact, new in zip(here, news, strict=True)]
        self._row(found, up=False, beyond=frozenset(("finger", "string", "pluck", "ring")))

    def _stop(self, fact: StopFact, new: bool, beside: bool) -> Mark:
        """Return a stop's sign at its x; ``new`` where its way is said."""
        x, width = self.places.x_of_stop(fact), self.system.width
        if fact.tick is not None:
            for words_beside in (True, False) if beside else (False,):
                one = stop_mark(fact.index, fact.stop, beside=words_beside, words=new)
                if x + one.rect.right <= width:
                    return one.moved(x, 0)
        one = stop_mark(fact.index, fact.stop, beside=beside, at_right=True, words=new)
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
                    into.append(one.moved(max(min(x, self.system.width - one.rect.right), -one.rect.left), 0))
        self._row(names, up=True, slide=SLIDE, aside=FROM_NAME)
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


def ways_said(ways: Sequence[Way | None]) -> list[bool]:
    """Return which of a system's ways are said: of many alike in succession only the first."""
    found: list[bool] = []
    for _, alike in groupby(ways):
        count = len(list(alike))
        found += [True] * count if count < MANY else [True, *[False] * (count - 1)]
    return found


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


def shifted(placed: Placed, x: float, y: float, scale: float = 1.0) -> tuple[list[Ink], list[Mark]]:
    """Return a system's ink and marks at their place on the page, ``scale`` times as large."""
    ink = [one.scaled(scale) for one in placed.system.fixed]
    return list(moved(ink, x, y)), [one.scaled(scale).moved(x, y) for one in placed.marks]
