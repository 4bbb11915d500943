"""The simulated player's hands: when each string is stopped.

Part of ``tests.player``.  Every bass end gets a verdict first and its release after it, inside ``Margins``.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from coach.core.score import Score
from tests.converter import Converter
from tests.dice import Dice
from tests.truth import BassEnd

if TYPE_CHECKING:
    from tests.player import Faults, Placed, Stretch


class Margins:
    """How far each kind of bass end stays from the others.  Times in µs unless said otherwise."""

    CLEAN = (-60_000, 70_000)  # overhang; judged clean within 120 ms
    CLEAN_SHARE = 0.12  # never earlier than this share of the length
    LATE_FROM = 200_000
    LATE_TO_BEATS = 0.6  # judged ringing from one beat on
    LATE_ROOM = 30_000
    RINGING_BEATS = (1.35, 3.0)
    CUT_SHARE = (0.3, 0.58)  # of the length; judged cut below three quarters
    CUT_LEAST = 180_000  # early by at least this
    REPLUCK = 80_000  # between a release and the next pluck of that string
    # The end of the piece is judged leniently: late after one beat, ringing after two, cut below a half.
    END_CLEAN = (-0.15, 0.5)  # beats
    END_LATE = (1.3, 1.6)  # beats
    END_RINGING = (2.7, 3.5)  # beats
    END_CUT_SHARE = (0.2, 0.35)
    FADE = 250_000  # a fade this near to the due point is put off


@dataclass(slots=True)
class Sound:
    """One sound in the making."""

    note: int
    stretch: Stretch
    group: int
    bar: int
    string: int
    pitch: int
    velocity: int
    onset_us: int = 0
    release_us: int = 0
    kind: str = "right"


@dataclass(frozen=True, slots=True)
class _Due:
    """Where a bass must end."""

    reason: str
    us: int | None


class Hands:
    """Stops strings."""

    def __init__(
        self,
        score: Score,
        converter: Converter,
        dice: Dice,
        faults: Faults,
        find: Callable[[Placed], tuple[int, int]],
    ) -> None:
        self.score, self.converter, self.dice, self.faults, self.find = score, converter, dice, faults, find
        notes = score.notes
        self.onset: list[int] = notes["onset"].tolist()
        self.over: list[int] = (notes["onset"] + notes["duration"]).tolist()
        basses = np.flatnonzero(notes["bass"] & ~notes["grace"])
        self.is_bass = set(basses.tolist())
        self.bass_at = {int(notes["onset"][row]): int(row) for row in basses[::-1]}
        self.anchors: dict[int, tuple[list[int], list[int]]] = {}  # by pass: ticks reached, and when

    # --- stopping -------------------------------------------------------------------------------

    def stop(self, stretches: list[Stretch], sounds: list[Sound], group_of: dict[int, int]) -> list[BassEnd]:
        """Give every sound its release; return how the basses ended, by pass and note."""
        self.by_string: dict[int, list[Sound]] = {}
        for sound in sorted(sounds, key=lambda s: s.onset_us):
            self.by_string.setdefault(sound.string, []).append(sound)
        self.plucks = {string: [s.onset_us for s in own] for string, own in self.by_string.items()}
        self.played = {(s.stretch.number, s.note): s for s in sounds}
        placed = self._placed(stretches)
        ends: list[BassEnd] = []
        for stretch in stretches:
            self._anchor(stretch, sounds)
            ends += self._missed(stretch, sounds, group_of)
        for sound in sounds:
            next_us = self._next_pluck(sound)
            throw = self._throw()
            if sound.note in self.is_bass:
                end = self._bass(sound, next_us, throw, placed.get((sound.stretch.number, sound.note)))
                if end is not None:
                    ends.append(end)
            else:
                self._melody(sound, next_us)
        return sorted(ends, key=lambda e: (e.pass_number, e.note))

    def _placed(self, stretches: list[Stretch]) -> dict[tuple[int, int], tuple[str, float | None]]:
        found: dict[tuple[int, int], tuple[str, float | None]] = {}
        for placed in self.faults.placed:
            if placed.kind in ("late", "ringing", "cut"):
                group, tick = self.find(placed)
                if tick not in self.bass_at:
                    raise LookupError(f"no bass note there: {placed}")
                number = placed.pass_number or next(s.number for s in stretches if s.first <= group <= s.last)
                found[number, self.bass_at[tick]] = (placed.kind, placed.value)
        return found

    def _throw(self) -> str:
        """Draw what happens to a bass; always the same number of throws."""
        late = self.dice.chance(self.faults.late)
        ringing = self.dice.chance(self.faults.ringing)
        cut = self.dice.chance(self.faults.cut)
        return "late" if late else "ringing" if ringing else "cut" if cut else "clean"

    def _anchor(self, stretch: Stretch, sounds: list[Sound]) -> None:
        """Note when each tick of a pass was really reached: the first sound of its group."""
        first: dict[int, int] = {}
        for sound in sounds:
            if sound.stretch is stretch and not self.score.notes["grace"][sound.note]:
                tick = self.onset[sound.note]
                first[tick] = min(first.get(tick, sound.onset_us), sound.onset_us)
        ticks = sorted(first)
        self.anchors[stretch.number] = (ticks, [first[tick] for tick in ticks])

    def _time(self, stretch: Stretch, tick: int) -> int | None:
        """Return when a tick came in a pass: between the player's own onsets, after the last by the pace."""
        ticks, times = self.anchors[stretch.number]
        at = bisect_right(ticks, tick) - 1
        if at < 0:
            return None
        if ticks[at] == tick:
            return times[at]
        if at + 1 < len(ticks):
            share = (tick - ticks[at]) / (ticks[at + 1] - ticks[at])
            return times[at] + round(share * (times[at + 1] - times[at]))
        if not stretch.complete:
            return None  # broke off before it came to this
        return times[at] + round((tick - ticks[at]) * stretch.tick_us[stretch.last])

    def _due(self, sound: Sound) -> _Due | None:
        """Return where a bass must end, or None where its pass broke off before."""
        row, stretch = sound.note, sound.stretch
        if self.score.notes["let_ring"][row]:
            return _Due("free", None)
        end = self.over[row]
        again = self._again(row, end)
        if again is not None and self.onset[again] < end:
            end = self.onset[again]
        us = self._time(stretch, end)
        if us is None:
            return None
        heir = self.played.get((stretch.number, again)) if again is not None else None
        if heir is not None and heir.string == sound.string:
            return _Due("replaced", heir.onset_us)
        if end >= self.score.end:
            return _Due("end", us)
        following = self.played.get((stretch.number, self.bass_at.get(end, -1)))
        return _Due("next-bass", following.onset_us) if following is not None else _Due("rest", us)

    def _again(self, row: int, until: int) -> int | None:
        """Return the next note written for the same string after ``row``, up to tick ``until``."""
        notes = self.score.notes
        low, high = bisect_right(self.onset, self.onset[row]), bisect_right(self.onset, until)
        for other in range(low, high):
            if notes["string"][other] == notes["string"][row] and not notes["grace"][other]:
                return other
        return None

    def _missed(self, stretch: Stretch, sounds: list[Sound], group_of: dict[int, int]) -> list[BassEnd]:
        found = []
        for row in sorted(self.is_bass):
            inside = stretch.first < group_of[self.onset[row]] < stretch.last
            if inside and (stretch.number, row) not in self.played:
                note = self.score.notes[row]
                string, pitch = int(note["string"]), int(note["pitch"])
                found.append(
                    BassEnd(row, stretch.number, string, pitch, "missed", "missed", None, None, None)
                )
        return found

    def _next_pluck(self, sound: Sound) -> int | None:
        plucks = self.plucks[sound.string]
        at = bisect_right(plucks, sound.onset_us)
        return plucks[at] if at < len(plucks) else None

    def _bass(
        self, sound: Sound, next_us: int | None, throw: str, placed: tuple[str, float | None] | None
    ) -> BassEnd | None:
        """Set a bass sound's release; return how it ended, or None where nobody can say."""
        due = self._due(sound)
        fade_us = round(self.converter.fade_us(sound.string, sound.velocity) * self.dice.between(0.92, 1.08))
        chance = self.dice.between(0.0, 1.0)
        limit_us = sound.onset_us + fade_us if next_us is None else min(next_us, sound.onset_us + fade_us)
        if due is None:
            stopped_us = self._broken_off(sound, chance)
            sound.release_us = max(min(stopped_us, limit_us), sound.onset_us + 30_000)
            return None
        if due.reason == "free":
            sound.release_us = limit_us
            return self._end(sound, "free", due)
        assert due.us is not None
        if due.reason == "replaced":
            sound.release_us = due.us
            return self._end(sound, "replaced", due)
        faded_us = sound.onset_us + fade_us
        if faded_us < due.us - Margins.FADE and (next_us is None or next_us > due.us):
            sound.release_us = faded_us
            return self._end(sound, "faded", due)
        if next_us is None or next_us > faded_us:
            limit_us = max(limit_us, due.us + Margins.FADE)
        lenient = due.reason == "end"
        kind, value = placed if placed is not None else (throw if not lenient else "clean", None)
        beat_us = self._beat_us(sound)
        release_us = self._release(kind, value, sound, due.us, beat_us, limit_us, next_us, chance, lenient)
        if release_us is None:
            if placed is not None:
                raise ValueError(f"no room for {kind} at bar {self.score.bars[sound.bar].number}")
            kind = "clean"
            release_us = self._release(kind, None, sound, due.us, beat_us, limit_us, next_us, chance, lenient)
            assert release_us is not None
        sound.release_us = release_us
        return self._end(sound, kind, due)

    def _release(
        self,
        kind: str,
        value: float | None,
        sound: Sound,
        due_us: int,
        beat_us: float,
        limit_us: int,
        next_us: int | None,
        chance: float,
        lenient: bool,
    ) -> int | None:
        """Return a release that can only be judged ``kind``, or None where there is no room for one."""
        length_us = due_us - sound.onset_us
        clear_us = limit_us - Margins.REPLUCK if limit_us == next_us else limit_us
        if kind == "late":
            low, high = float(Margins.LATE_FROM), Margins.LATE_TO_BEATS * beat_us
            if lenient:
                low, high = Margins.END_LATE[0] * beat_us, Margins.END_LATE[1] * beat_us
            high = min(high, clear_us - due_us)
            if value is not None:
                low = high = min(max(1e3 * value, low), high)
            elif high - low < Margins.LATE_ROOM:
                return None
            return due_us + round(low + chance * (high - low))
        if kind == "ringing":
            low, high = (b * beat_us for b in (Margins.END_RINGING if lenient else Margins.RINGING_BEATS))
            low = max(low, Margins.LATE_FROM)
            if limit_us < due_us + low:
                return None
            release_us = due_us + low + chance * (high - low)
            return limit_us if release_us > clear_us else round(release_us)
        if kind == "cut":
            low, high = Margins.END_CUT_SHARE if lenient else Margins.CUT_SHARE
            sounded_us = (low + chance * (high - low)) * length_us
            too_near = length_us - sounded_us < Margins.CUT_LEAST
            fade_us = self.converter.fade_us(sound.string, sound.velocity)
            # A long note stopped early could as well have faded: leave those alone.
            if too_near or sounded_us < 90_000 or sounded_us > 0.4 * fade_us:
                return None
            return round(sound.onset_us + sounded_us)
        low, high = (b * beat_us for b in Margins.END_CLEAN) if lenient else map(float, Margins.CLEAN)
        low = max(low, -Margins.CLEAN_SHARE * length_us)
        release_us = due_us + round(low + chance * (high - low))
        return min(release_us, limit_us)

    def _end(self, sound: Sound, verdict: str, due: _Due) -> BassEnd:
        return BassEnd(
            note=sound.note,
            pass_number=sound.stretch.number,
            string=sound.string,
            pitch=sound.pitch,
            verdict=verdict,
            reason=due.reason,
            on_us=sound.onset_us,
            due_us=due.us,
            release_us=sound.release_us,
        )

    def _beat_us(self, sound: Sound) -> float:
        bar = self.score.bars[self.score.bar_index(max(self.over[sound.note] - 1, 0))]
        return sound.stretch.tick_us[sound.group] * bar.beat_ticks

    def _broken_off(self, sound: Sound, chance: float) -> int:
        """Return when the player, giving up a pass, lays the hand on the strings."""
        last_us = self.anchors[sound.stretch.number][1][-1]
        return last_us + round(2e5 + 2e5 * chance)

    def _melody(self, sound: Sound, next_us: int | None) -> None:
        """A melody note ends at its written end or a little later, or when its string is plucked anew."""
        held_us = self._time(sound.stretch, self.over[sound.note])
        lingering_us = round(self.dice.between(-40e3, 160e3))
        stop_us = self._broken_off(sound, 0.5) if held_us is None else held_us + lingering_us
        stop_us = max(stop_us, sound.onset_us + 60_000)
        if self.score.notes["let_ring"][sound.note]:
            stop_us = sound.onset_us + self.converter.fade_us(sound.string, sound.velocity)
        sound.release_us = stop_us if next_us is None else min(stop_us, next_us)
