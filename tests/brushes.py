"""Strings the simulated player brushes, and notes that nobody asked for.  Part of ``tests.player``.

Both are added only where the string is silent before and after, and where the score asks for no such pitch
near by, so that nothing else is disturbed and there is one opinion of what they are.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Callable
from typing import TYPE_CHECKING

from coach.core.score import Score
from tests.dice import Dice
from tests.hands import Sound

if TYPE_CHECKING:
    from tests.player import Faults, Placed, Stretch

CLEAR_US = 120_000  # silence on the string before and after
EXTRA_GAP_US = 240_000  # least time between two onsets for an extra note in the middle


class Brushes:
    """Adds strays and extra notes to ``sounds``."""

    def __init__(
        self, score: Score, dice: Dice, faults: Faults, rows: list[list[int]], sounds: list[Sound]
    ) -> None:
        self.score, self.dice, self.faults, self.rows, self.sounds = score, dice, faults, rows, sounds
        self.onsets: dict[int, list[int]] = {}  # by pass
        self.by_string: dict[int, list[Sound]] = {}
        for sound in sorted(sounds, key=lambda s: s.onset_us):
            self.onsets.setdefault(sound.stretch.number, []).append(sound.onset_us)
            self.by_string.setdefault(sound.string, []).append(sound)

    def add(self, stretches: list[Stretch], find: Callable[[Placed], tuple[int, int]]) -> None:
        """Add what the rates give, then what is placed.  Raises ValueError where a placed one has no room."""
        for sound in list(self.sounds):
            brushed, added = self.dice.chance(self.faults.stray), self.dice.chance(self.faults.extra)
            side, chance = self.dice.one_of((-1, 1)), self.dice.between(0.0, 1.0)
            if not sound.stretch.first + 1 < sound.group < sound.stretch.last:
                continue
            if brushed and self.score.notes["bass"][sound.note]:
                self._add("stray", sound, (sound.string + side, sound.string - side), chance)
            if added:
                self._add("extra", sound, self._strings(chance), chance)
        for placed in self.faults.placed:
            if placed.kind in ("stray", "extra"):
                group, _ = find(placed)
                number = placed.pass_number or next(s.number for s in stretches if s.first <= group <= s.last)
                near = [s for s in self.sounds if s.stretch.number == number and s.group == group]
                beside = min(near, key=lambda s: s.pitch)
                strings = self._strings(0.5)
                if placed.kind == "stray":
                    strings = (beside.string - 1, beside.string + 1)
                if not self._add(placed.kind, beside, strings, 0.5):
                    raise ValueError(f"no silent string for {placed}")

    def lift(self, dice: Dice) -> None:
        """Let the finger that ends a fretted note pull the string: the open string sounds on softly."""
        tuning = self.score.tuning
        for sound in list(self.sounds):
            lifted, chance = dice.chance(self.faults.lifted), dice.between(0.0, 1.0)
            open_pitch = tuning.open_pitch(sound.string)
            groups = self.rows[max(sound.group - 3, 0) : sound.group + 6]
            near = {int(self.score.notes["pitch"][row]) for group in groups for row in group}
            length_us = round(1.5e5 + 3.5e5 * chance)
            start_us = sound.release_us
            inside = sound.stretch.first + 1 < sound.group < sound.stretch.last
            if not lifted or not inside or sound.note < 0 or sound.pitch == open_pitch or open_pitch in near:
                continue
            own = self.by_string[sound.string]
            at = bisect_right(own, sound.onset_us, key=lambda s: s.onset_us)
            if at < len(own) and own[at].onset_us < start_us + length_us + CLEAR_US:
                continue
            new = Sound(
                note=-1,
                stretch=sound.stretch,
                group=sound.group,
                bar=sound.bar,
                string=sound.string,
                pitch=open_pitch,
                velocity=round((0.35 + 0.15 * chance) * sound.velocity),
                onset_us=start_us,
                release_us=start_us + length_us,
                kind="lifted",
            )
            self.sounds.append(new)
            insort(own, new, key=lambda s: s.onset_us)

    def _strings(self, chance: float) -> tuple[int, ...]:
        count = self.score.tuning.strings
        return tuple((int(chance * count) + k) % count + 1 for k in range(count))

    def _add(self, kind: str, beside: Sound, strings: tuple[int, ...], chance: float) -> bool:
        """Add one sound on the first of ``strings`` that is free; return whether there was one."""
        tuning = self.score.tuning
        groups = self.rows[max(beside.group - 3, 0) : beside.group + 4]
        near = {int(self.score.notes["pitch"][row]) for group in groups for row in group}
        if kind == "stray":
            start_us = beside.onset_us + round(4e3 + 14e3 * chance)
            length_us = round(2.2e5 + 6e5 * chance)
        else:
            onsets = self.onsets[beside.stretch.number]
            following = bisect_right(onsets, beside.onset_us + 100_000)
            gap_us = onsets[following] - beside.onset_us if following < len(onsets) else 0
            start_us, length_us = beside.onset_us + gap_us // 2, round(1.5e5 + 2e5 * chance)
            if gap_us < EXTRA_GAP_US:
                return False
        for string in strings:
            if not 1 <= string <= tuning.strings:
                continue
            lowest = tuning.open_pitch(string)
            pitches = [lowest + fret for fret in ((0,) if kind == "stray" else (1, 2, 3, 4))]
            pitches = [pitch for pitch in pitches if pitch not in near]
            if not pitches or not self._silent(string, start_us, start_us + length_us):
                continue
            new = Sound(
                note=-1,
                stretch=beside.stretch,
                group=beside.group,
                bar=beside.bar,
                string=string,
                pitch=pitches[int(chance * len(pitches)) % len(pitches)],
                velocity=round(30 + 10 * chance) if kind == "stray" else 74,
                onset_us=start_us,
                release_us=start_us + length_us,
                kind=kind,
            )
            self.sounds.append(new)
            insort(self.by_string.setdefault(string, []), new, key=lambda s: s.onset_us)
            return True
        return False

    def _silent(self, string: int, from_us: int, to_us: int) -> bool:
        own = self.by_string.get(string, [])
        at = bisect_right(own, from_us, key=lambda s: s.onset_us)
        before = at == 0 or own[at - 1].release_us < from_us - CLEAR_US
        return before and (at == len(own) or own[at].onset_us > to_us + CLEAR_US)
