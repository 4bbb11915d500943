"""Where score time lies on a printed system, in millimetres."""

from __future__ import annotations

from coach.core.score import Score
from coach.screen.paper_facts import StopFact
from coach.screen.paper_svg import SPACE_MM, System

BEGIN = 2 * SPACE_MM  # from the barline to the first note, where nothing stands there


class Places:
    """Finds the system of a bar, and the x of a tick in it."""

    def __init__(self, score: Score, systems: list[System]) -> None:
        self.score, self.systems = score, systems
        self._system = {bar: i for i, system in enumerate(systems) for bar in system.bars}
        self._rows: dict[tuple[int, int], list[int]] = {}
        for row, (bar, onset) in enumerate(zip(score.notes["bar"], score.notes["onset"], strict=True)):
            self._rows.setdefault((int(bar), int(onset)), []).append(row)
        self._anchors: dict[tuple[int, int], list[str]] = {}
        for bar, offset, name in score.anchors.tolist():
            self._anchors.setdefault((bar, offset), []).append(score.anchor_ids[name])

    def name(self, row: int) -> str:
        """Return the element id of a note."""
        return self.score.ids[int(self.score.notes["written"][row])]

    def system_of(self, bar: int) -> int | None:
        """Return the system of a performed bar; None where it was not engraved."""
        written = self.score.bars[bar].written
        return self._system.get(self.score.bar_ids[written])

    def edges(self, bar: int) -> tuple[float, float]:
        """Return the x of a performed bar's barlines (it must be engraved)."""
        name = self.score.bar_ids[self.score.bars[bar].written]
        return self.systems[self._system[name]].bars[name]

    def x_of_stop(self, fact: StopFact) -> float:
        """Return where a stop is due (its bar must be engraved)."""
        if fact.tick is None:
            return self.edges(fact.bar)[1]
        return self.x_of(fact.tick, fact.bar, fact.stop.next_note)

    def x_of(self, tick: int, bar: int, row: int = -1) -> float:
        """Return the x of a tick: the middle of the head that begins there, of note ``row`` by preference."""
        system = self.systems[self.system_of(bar) or 0]
        heads = [r for r in self._rows.get((bar, tick), []) if not self.score.notes["grace"][r]]
        heads = [row] if row in heads else sorted(heads, key=lambda r: not self.score.notes["bass"][r])
        for head in heads:
            box = system.notes.get(self.name(head))
            if box is not None:
                return box.middle
        written, offset = self.score.bars[bar].written, tick - self.score.bars[bar].onset
        for name in self._anchors.get((written, offset), []):
            box = system.notes.get(name) or system.rests.get(name)
            if box is not None and not self._whole_bar(written, name):
                return box.middle
        return self._between(bar, offset, system)

    def _whole_bar(self, written: int, name: str) -> bool:
        """Return whether an element is alone in its bar: a rest in mid-bar, which is no place in time."""
        others = [n for (bar, _), names in self._anchors.items() if bar == written for n in names]
        return others == [name]

    def _between(self, bar: int, offset: int, system: System) -> float:
        """Return the x of a tick at which nothing stands, reckoned between its neighbours."""
        left, right = self.edges(bar)
        written = self.score.bars[bar].written
        known = [(0, left + min(BEGIN, (right - left) / 4)), (self.score.bars[bar].length, right)]
        for (at, other), names in self._anchors.items():
            boxes = [system.notes.get(n) or system.rests.get(n) for n in names if at == written]
            known += [(other, box.middle) for box in boxes[:1] if box is not None]
        known.sort()
        before = max((k for k in known if k[0] <= offset), default=known[0])
        after = min((k for k in known if k[0] > offset), default=known[-1])
        if after[0] <= before[0]:
            return before[1]
        share = (offset - before[0]) / (after[0] - before[0])
        return before[1] + share * (after[1] - before[1])
