"""Which systems stand on the page, and where: one to three slots, each a staff with its strip below.

When everything fits, nothing ever turns.  Otherwise the slot that was played through is given the next
system while the player is still in the other one, as a page-turner turns half a page: where the player is
and what comes next always stand there.  With one slot the page turns a beat early.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pygame
from numpy.typing import NDArray

from coach.core.score import Score
from coach.core.shapes import StopSign
from coach.screen.engraved import Engraved, Places, System
from coach.screen.signs import ALL, LAST, NONE, Sign, beside, half_width, plan_signs, shortened
from coach.screen.theme import LEAN_STAFF_SPACE, LEAST_STAFF_SPACE, STAFF_SPACE, Sizes

MOST_SLOTS = 3
ABOVE_STAFF = 2.9  # staff spaces kept free above a staff for bar numbers
CLEAR = 0.5  # staff spaces between the music's ink and a damp sign or its label
MOST_LOOKED_THROUGH = 40  # systems whose ink is looked at to set the signs close to it
MOST_SHORTENED = 0.3  # share of the labels that may be letters before a line has fewer bars
MORE_STAFF = 1.08  # how much larger a staff must be to be worth engraving again
GROWTH_STEPS = 4  # so many sizes are tried, from the largest
MOST_GROWTH = 1.7  # of a short chunk that has the page to itself
Spread = tuple[int | None, ...]  # the system in each slot, from the top


@dataclass(frozen=True, slots=True)
class Run:
    """Performed bars played one after another on the same system."""

    system: int
    start: int  # ticks
    turn: int  # from this tick on the next system is shown too
    first_bar: int


class Layout:
    """Where everything stands for one stretch of music in one size of window."""

    def __init__(
        self,
        score: Score,
        engraved: Engraved,
        sizes: Sizes,
        bars: tuple[int, int],
        stops: Sequence[StopSign] = (),
    ) -> None:
        """``bars`` are the first and last performed bar of the page, ``stops`` the damp signs on it."""
        self.score, self.engraved, self.sizes = score, engraved, sizes
        self.places = Places(score, engraved)
        self.bars = bars
        self._due = {stop.note: float(stop.tick) for stop in stops}
        self._stops = stops
        self._written: dict[tuple[int, int], tuple[tuple[float, float], ...]] = {}
        self.runs = self._runs(bars)
        self.systems = sorted({run.system for run in self.runs})
        chosen: list[System] = [engraved.systems[i] for i in self.systems]
        space = engraved.space
        self.above = max([s.staff_top for s in chosen] + [ABOVE_STAFF * space, sizes.number_room])
        self._dark: dict[int, NDArray[np.bool_]] = {}
        self._raised = 0.0  # how much lower the signs stand for the sake of the labels above them
        self.staff = 4 * space
        self.strings = self._strings()
        self.rows = max([len(found) for found in self.strings.values()] + [1])
        # Of a slot's height: what the staff does not scale.
        self.fixed = self.rows * sizes.row + sizes.drift_lane
        for above in (ALL, LAST, NONE):
            self.signs = self._signs(sizes, above)
            self.signs_below, self.rows_below = self._strip(chosen)
            self.slot_height = round(self.above + self.staff + self.rows_below + self.fixed)
            fit = (sizes.body_height - sizes.least_gap // 2) // (self.slot_height + sizes.least_gap // 2)
            self.slots = max(1, min(fit, MOST_SLOTS, len(self.systems) or 1))
            room = self.slots > 1 or self.better_space is not None
            if room or (len(self.systems) < 2 and self.slot_height <= sizes.body_height):
                break  # a label's second row is worth some staff, but not a system
        self._before, self._after = self._spreads()

    @property
    def left(self) -> int:
        """X of a system's left edge."""
        return self.sizes.margin

    def dark(self, system: int) -> NDArray[np.bool_]:
        """Return where a system has ink, shape (height, width)."""
        if system not in self._dark:
            if len(self._dark) >= MOST_LOOKED_THROUGH:
                self._dark.clear()
            self._dark[system] = self.engraved.systems[system].dark()
        return self._dark[system]

    @property
    def growth(self) -> float:
        """Return how much larger everything could be if all of it is one short system; 1 if it is not.

        A line fills the page's width at every size, so the signs stand where they stood, and their labels
        grow: no further than there is room for as many beside their signs.
        """
        if len(self.systems) != 1:
            return 1.0
        sizes = self.sizes
        room = (sizes.body_height - 2 * sizes.least_gap) / self.slot_height
        most = max(min(MOST_GROWTH, 0.94 / self.engraved.fill, room), 1.0)
        tried = (1.0 + (most - 1.0) * step / GROWTH_STEPS for step in range(GROWTH_STEPS, 0, -1))
        now = beside(self.signs)
        return next((one for one in tried if beside(self._signs(sizes.scaled(one))) >= now), 1.0)

    def _signs(self, sizes: Sizes, above: str = ALL) -> dict[int, tuple[Sign, ...]]:
        return plan_signs(self._stops, self.places, self.systems, sizes, above=above)

    def slot_top(self, slot: int) -> int:
        """Return the y of a slot's upper edge; blank is shared out evenly, but not without limit."""
        spare = self.sizes.body_height - self.slots * self.slot_height
        first = self.sizes.head + (spare - self.gap * (self.slots - 1)) / 2
        return round(first + slot * (self.slot_height + self.gap))

    @property
    def gap(self) -> float:
        """Blank between two slots."""
        spare = self.sizes.body_height - self.slots * self.slot_height
        return min(spare / (self.slots + 1), self.sizes.px(40))

    @property
    def better_space(self) -> float | None:
        """Return the staff space at which a second system would fit too, unless that is too small to read."""
        if self.slots > 1 or len(self.systems) < 2:
            return None
        fixed = self._raised + self.fixed + self.sizes.signs_lane + self.sizes.rows_gap
        room = (self.sizes.body_height - 1.5 * self.sizes.least_gap) / 2 - fixed
        found = int(self.engraved.space * room / max(self.slot_height - fixed, 1) * 4) / 4
        return found if found >= LEAST_STAFF_SPACE * self.sizes.minute * 0.95 else None

    @property
    def fitting_space(self) -> float | None:
        """Return the staff space at which this one system fits; None where it does, 0 where nothing helps."""
        if self.slot_height <= self.sizes.body_height:
            return None
        fixed = self._raised + self.fixed + self.sizes.signs_lane + self.sizes.rows_gap
        room = self.sizes.body_height - fixed
        found = int(self.engraved.space * room / max(self.slot_height - fixed, 1) * 4) / 4
        least = LEAN_STAFF_SPACE * self.sizes.minute
        return max(min(found, self.engraved.space - 0.25), least) if self.engraved.space > least else 0.0

    @property
    def roomier_space(self) -> float | None:
        """Return a larger staff space for which the page's only system has room; None where it has not."""
        if self.slots > 1 or len(self.systems) < 2 or self.slot_height > self.sizes.body_height:
            return None
        fixed = self._raised + self.fixed + self.sizes.signs_lane + self.sizes.rows_gap
        room = self.sizes.body_height - 2 * self.sizes.least_gap - fixed
        found = self.engraved.space * room / max(self.slot_height - fixed, 1)
        found = int(min(found, STAFF_SPACE * self.sizes.minute) * 4) / 4
        return found if found >= MORE_STAFF * self.engraved.space else None

    @property
    def fewer_bars(self) -> int | None:
        """Return how many bars a line should have at most so that few ways are cut to their letter.

        None where few are, or where fewer bars would be too short a line to read ahead in.
        """
        most = max([len(self.engraved.systems[i].bars) for i in self.systems] + [0])
        labels = sum(bool(sign.lines) for line in self.signs.values() for sign in line)
        if most <= self.sizes.fewest_bars or shortened(self.signs) <= MOST_SHORTENED * labels:
            return None
        return most - 1

    def staff_y(self, slot: int) -> int:
        """Return the y of the uppermost staff line."""
        return round(self.slot_top(slot) + self.above)

    def system_y(self, slot: int, system: int) -> int:
        """Return the y of a system's picture."""
        return round(self.staff_y(slot) - self.engraved.systems[system].staff_top)

    def signs_y(self, slot: int) -> int:
        """Return the y of the middle of the lane of damp signs."""
        return round(self.staff_y(slot) + self.staff + self.signs_below)

    def row_y(self, slot: int, row: int, rows: int) -> int:
        """Return the y of the middle of a string's row, of ``rows`` in this system."""
        top = self.staff_y(slot) + self.staff + self.rows_below
        return round(top + (row + 0.5) * self.pitch(rows))

    def pitch(self, rows: int) -> float:
        """Return the height of one of ``rows`` rows: a string that strays in takes the blank below first."""
        room = self.rows * self.sizes.row + max(self.gap - self.sizes.least_gap, 0.0)
        return min(float(self.sizes.row), room / max(rows, 1))

    def drift_y(self, slot: int, rows: int) -> int:
        """Return the y of the bars' baseline for drift."""
        top = self.staff_y(slot) + self.staff + self.rows_below
        return round(top + max(rows, 1) * self.pitch(rows) + self.sizes.drift_lane * 0.57)

    def spread(self, bar: int, tick: float, *, finished: bool = False, at_rest: bool = False) -> Spread:
        """Return what stands on the page when the player is at a tick of a performed bar.

        Once all is over, and where the page is only leafed through, the systems stand in their own order.
        """
        if not self.runs:
            return (None,) * self.slots
        at = max(bisect_right([run.first_bar for run in self.runs], bar) - 1, 0)
        if at_rest:  # page by page, the last one full
            first = self.systems.index(self.runs[at].system) // self.slots * self.slots
            first = max(min(first, len(self.systems) - self.slots), 0)
            return tuple(self.systems[first : first + self.slots])
        if finished:
            here = self.systems.index(self.runs[at].system)
            last = max(here + 1, self.slots)
            return tuple(self.systems[last - self.slots : last])
        return self._after[at] if tick >= self.runs[at].turn else self._before[at]

    def broken(self, spread: Spread) -> int | None:
        """Return the slot below which a half-turned page goes back; None where it is read downwards."""
        known = [system for system in spread if system is not None]
        return next((i for i, (one, after) in enumerate(pairwise(known)) if one > after), None)

    def ahead(self, spread: Spread, bar: int) -> frozenset[int]:
        """Return the systems at the top of a half-turned page that the player has not come to yet."""
        slot, here = self.broken(spread), self.places.system_of(bar)
        above = frozenset() if slot is None else frozenset(s for s in spread[: slot + 1] if s is not None)
        return frozenset() if here in above else above

    def next_spread(self, bar: int) -> Spread:
        """Return what will stand on the page when next it turns."""
        if not self.runs:
            return (None,) * self.slots
        return self._after[max(bisect_right([run.first_bar for run in self.runs], bar) - 1, 0)]

    def _strip(self, chosen: list[System]) -> tuple[float, float]:
        """Return how far below the staff the damp signs' middle and the rows' upper edge lie.

        The signs stand in one line, as near to the music as it lets them and their labels; the rows under
        them, and under all ink.
        """
        space, lane, gap = self.engraved.space, self.sizes.signs_lane, self.sizes.rows_gap
        ink = max([s.height - s.staff_bottom for s in chosen] + [1.5 * space])
        if len(chosen) > MOST_LOOKED_THROUGH:
            return ink + lane / 2, ink + lane + gap
        half = math.ceil(half_width(self.sizes))
        signs = low = space + lane / 2
        for system, line in self.signs.items():
            bottom = self.engraved.systems[system].staff_bottom
            for sign in line:
                boxes = [pygame.Rect(-half, -lane // 2, 2 * half, lane), *(one.rect for one in sign.lines)]
                for box in boxes:
                    left, right = max(sign.x + box.left - 2, 0), max(sign.x + box.right + 2, 1)
                    inked = np.flatnonzero(self.dark(system)[:, left:right].any(axis=1))
                    if len(inked):
                        need = float(inked[-1]) - bottom + CLEAR * space - box.top
                        signs = max(signs, need)
                        low = max(low, need) if box.top >= -lane else low
        self._raised = signs - low
        return signs, max(signs + lane / 2, ink) + gap

    def _runs(self, bars: tuple[int, int]) -> list[Run]:
        score, found = self.score, list[tuple[int, int, int]]()
        first, last = max(bars[0], 0), min(bars[1], len(score.bars) - 1)
        for bar in range(first, last + 1):
            system = self.places.system_of(bar)
            if system is None:
                continue
            jumped = bar > first and score.bars[bar].written != score.bars[bar - 1].written + 1
            if found and found[-1][0] == system and not jumped:
                found[-1] = (system, found[-1][1], bar)
            else:
                found.append((system, bar, bar))
        return [Run(s, score.bars[a].onset, self._turn(a, b), a) for s, a, b in found]

    def _turn(self, first: int, last: int) -> int:
        """Return when, in a run of bars, the system after it is to be there."""
        one, other = self.score.bars[first], self.score.bars[last]
        beat_early = other.end - other.beat_ticks
        return min(one.end if last > first else (one.onset + one.end) // 2, beat_early)

    def _spreads(self) -> tuple[list[Spread], list[Spread]]:
        if len(self.systems) <= self.slots:
            all_of_it: Spread = tuple(self.systems) or (None,)
            return [all_of_it] * len(self.runs), [all_of_it] * len(self.runs)
        if self.slots == 1:
            bars = self.score.bars
            ends = [*self.runs[1:], self.runs[-1]]
            for i, run in enumerate(self.runs[:-1]):
                early = bars[ends[i].first_bar - 1]
                self.runs[i] = Run(run.system, run.start, early.end - early.beat_ticks, run.first_bar)
            return [(run.system,) for run in self.runs], [(run.system,) for run in ends]
        shown: list[int | None] = []
        for run in self.runs:
            if run.system not in shown and len(shown) < self.slots:
                shown.append(run.system)
        shown += [None] * (self.slots - len(shown))
        before, after = list[Spread](), list[Spread]()
        for i, run in enumerate(self.runs):
            before.append(tuple(shown))
            coming = self.runs[i + 1].system if i + 1 < len(self.runs) else run.system
            if coming not in shown:
                shown[(shown.index(run.system) + 1) % self.slots] = coming
            after.append(tuple(shown))
        return before, after

    def _strings(self) -> dict[int, tuple[int, ...]]:
        """Return each system's bass strings, the higher-sounding first; a tied bass sounds on both lines."""
        score = self.score
        found: dict[int, set[int]] = {system: set() for system in self.systems}
        for row in score.notes[score.notes["bass"] & (score.notes["string"] > 0)]:
            end = score.bar_index(int(row["onset"] + row["duration"]) - 1)
            for bar in range(int(row["bar"]), max(end, int(row["bar"])) + 1):
                system = self.places.system_of(bar)
                if system in found:
                    found[system].add(int(row["string"]))
        return {system: self.ordered(strings) for system, strings in found.items()}

    def slots_of(self, system: int, string: int) -> tuple[tuple[float, float], ...]:
        """Return the page x of a string's written lengths on a system (onset, stop), left to right."""
        if (system, string) not in self._written:
            score, found = self.score, set[tuple[float, float]]()
            first, last = self.bars
            for number in np.flatnonzero(score.notes["bass"] & (score.notes["string"] == string)):
                row = score.notes[number]
                onset = float(row["onset"])
                if first <= int(row["bar"]) <= last:
                    end = self._due.get(int(number), onset + float(row["duration"]))
                    spans = self.places.spans(onset, end)
                    found |= {(self.left + s.left, self.left + s.right) for s in spans if s.system == system}
            self._written[system, string] = tuple(sorted(found))
        return self._written[system, string]

    def ordered(self, strings: set[int]) -> tuple[int, ...]:
        """Return strings from the higher-sounding to the lower; 0 (not known) comes first."""
        opens = self.score.tuning.open_pitches
        return tuple(sorted(strings, key=lambda s: -opens[s - 1] if 0 < s <= len(opens) else -999))
