"""Places the marks that belong to notes of one printed system: fingers, strings, letters, let-ring arcs.

They stand in the column of the note's head, above the staff for the melody and below for the bass, as near as
the ink lets them; a chord's in one column above it; an arc beside the head, where it may cross the staff's
lines as a tie does.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

from coach.core.preparation import Preparation
from coach.screen.paper_facts import Facts
from coach.screen.paper_ink import Rect, around
from coach.screen.paper_marks import ARC_MM, Mark, finger_mark, pluck_mark, ring_mark, string_mark
from coach.screen.paper_places import Places
from coach.screen.paper_room import Room

AIR = 0.45  # mm of blank around a mark
STEP = 0.2  # mm by which a mark moves on in search of room
FARTHEST = 60.0  # mm
FROM_DYNAMICS = 0.8, 2.0  # mm of blank under and beside a dynamic, which a letter must not be read into
LINE_STEP = 0.6  # mm between the lines of a chord's column
TO_DIGIT = 0.5  # mm between a string's number and the finger beside it
ARC_AIR = 0.15  # mm of blank around a let-ring arc, which may cross the staff's lines as a tie does
ARC_LENGTHS = (ARC_MM, 5.0, 3.8, 2.8)
ARC_ASIDE = (0.25, 0.9, 1.5, 2.1)  # mm from the head, which may be dotted
ARC_OFF = (-0.5, -0.1, 0.3, 0.7, 1.2)  # mm from the head's upper or lower end
ARC_END = 1.2  # mm between its open end and any head, else it would be read as a slur


class NoteMarks:
    """A system on which marks are placed, those at notes first."""

    def __init__(self, index: int, places: Places, facts: Facts, preparation: Preparation) -> None:
        self.index, self.places, self.facts, self.preparation = index, places, facts, preparation
        self.system = places.systems[index]
        inked = [rect for ink in self.system.ink for rect in ink.rects()]
        inked += [rect.grown(*FROM_DYNAMICS) for rect in self.system.dynamics]
        self.floor = self.system.staff_bottom
        self.across = Room(inked, self.floor)  # without the staff's lines
        self.heads = Room(self.system.notes.values(), self.floor)
        self.room = Room([*inked, *(rect for ink in self.system.lines for rect in ink.rects())], self.floor)
        self.marks: list[Mark] = []
        score = preparation.score
        self.bars = [bar for bar in facts.bars if places.system_of(bar) == index]
        self.bass = {
            score.ids[int(written)]: bool(bass)
            for written, bass in zip(score.notes["written"], score.notes["bass"], strict=True)
        }

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
        raise _no_room()

    def _rings(self) -> None:
        for note in self.facts.rings:
            box = self.system.notes.get(note)
            if box is None or self._ring_at_head(note, box):
                continue
            one = ring_mark(note)
            x = min(box.right + 0.3, self.system.width - one.rect.width - AIR)
            self._column(one.moved(x - one.rect.left, max(box.bottom, self.floor) + AIR), up=False)

    def _hands(self) -> None:
        """Put what is said of the hands at their notes."""
        here, facts = self.system.notes, self.facts
        fingers = {name: finger for name, finger in facts.fingers.items() if name in here}
        strings = {name: string for name, string in facts.strings.items() if name in here}
        for chord in facts.columns:
            if chord[-1] in here:
                apart = [{name: of.pop(name) for name in chord if name in of} for of in (fingers, strings)]
                self._chord_column(chord, *apart)
        self._at_notes([finger_mark(*item) for item in fingers.items()])
        self._at_notes([string_mark(*item) for item in strings.items()])
        self._at_notes([pluck_mark(*item) for item in facts.plucks.items() if item[0] in here])

    def _ring_at_head(self, note: str, box: Rect) -> bool:
        """Put an arc beside its note's head as a tie would be; return whether there is room."""
        sides = (False, True) if self.bass.get(note, False) else (True, False)
        for up, length, off, aside in product(sides, ARC_LENGTHS, ARC_OFF, ARC_ASIDE):
            y = box.top - off if up else box.bottom + off
            one = ring_mark(note, length, up=up).moved(box.right + aside, y)
            rects = [rect.grown(ARC_AIR) for ink in one.ink for rect in ink.rects()]
            end = Rect(one.rect.right, y, one.rect.right, y).grown(ARC_END)
            if end.right > self.system.width or not self.heads.free(end):
                continue
            beside = not any(one.rect.meets(other.rect) for other in self.marks)
            if beside and all(map(self.across.free, rects)):
                self._put(one)
                return True
        return False

    def _chord_column(self, chord: Sequence[str], fingers: dict[str, int], strings: dict[str, int]) -> None:
        """Put a chord's fingers in one column above it, its lowest note's at the bottom.

        A string's number stands to the left of its note's finger.
        """
        box = around(self.system.notes[name] for name in chord if name in self.system.notes)
        column: list[Mark] = []
        y = min(box.top, 0.0) - AIR
        for name in chord:
            row = [finger_mark(name, fingers[name])] if name in fingers else []
            if name in strings:
                circle = string_mark(name, strings[name])
                left = row[0].rect.left if row else -circle.rect.width / 2
                shift = left - TO_DIGIT - circle.rect.right if row else 0.0
                row.append(circle.moved(shift, 0.0))
            tall = max((one.rect.height for one in row), default=-LINE_STEP)
            column += [one.moved(box.middle, y - (tall + one.rect.height) / 2 - one.rect.top) for one in row]
            y -= tall + LINE_STEP
        whole = around(one.rect for one in column)
        aside = min(max(-whole.left, 0.0), self.system.width - whole.right)
        for step in range(int(FARTHEST / STEP)):
            if self.room.free(whole.moved(aside, -step * STEP).grown(AIR)):
                for one in column:
                    self._put(one.moved(aside, -step * STEP))
                return
        raise _no_room()

    def _at_notes(self, wanted: Sequence[Mark]) -> None:
        """Put marks that are about notes in the columns of their heads, the inner notes first."""
        heads = self.system.notes
        for up in (True, False):
            side = [one for one in wanted if self.bass.get(str(one.about), False) is not up]
            for one in sorted(side, key=lambda one: (-1 if up else 1) * heads[str(one.about)].top):
                box, tall, wide = heads[str(one.about)], one.rect.height, one.rect.width
                top = min(box.top, 0.0) - AIR - tall if up else max(box.bottom, self.floor) + AIR
                left = min(max(box.middle - wide / 2, 0.0), self.system.width - wide)
                self._column(one.moved(left - one.rect.left, top - one.rect.top), up)


def _no_room() -> AssertionError:
    """Return a bug of ours: what is moved far enough always has room."""
    return AssertionError("there is always room far enough from the staff")
