"""A simulated player: a score in, raw MIDI messages and the truth of what was played out.

``Player(score, seed=1, faults=Faults(late=0.1), converter=Converter()).play()``.  The same arguments give the
same bytes, everywhere.  ``python -m tests.player`` writes the takes in ``recordings/`` anew.

The player reads the score in its own simple way and shares no code with the judge: a bass ends where it is
written to end; if a bass begins there, at that note's own onset; if none does, at that place between the
player's neighbouring onsets; a let-ring tie is free; a string that is plucked anew by then needs no stopping.
Every fault is kept well away from the limits at which opinions could differ (``Margins``), so that the
verdict meant is the only right one under the default tolerance of 120 ms.

What is not played: damping marks (a score with any is refused), and a bass let go before a pass breaks off
is not judged: only ends whose due point lies before the last onset of their pass are in ``Truth.ends``.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field

import numpy as np

from coach.core.profile import Profile
from coach.core.score import TICKS_PER_QUARTER, Score
from tests.brushes import Brushes
from tests.converter import Converter, Message
from tests.dice import Dice
from tests.hands import Hands, Sound
from tests.truth import PassTruth, PlayedNote, Truth

__all__ = ["Converter", "Faults", "Performance", "Placed", "Player"]


@dataclass(frozen=True, slots=True)
class Placed:
    """One fault at one place: ``Placed("late", bar=3, beat=1)``.

    ``kind``: late, ringing, cut (of the bass there); wrong, missing (of the note there); stray, extra (just
    after that place); hesitation (before it, ``value`` seconds); restart (breaks off after it, and goes on
    from the start of the bar ``value`` bars before this one; 0 is this bar).  ``bar`` is the number as a
    musician counts, ``turn`` which time round of a repeat, ``pass_number`` None the first pass that comes by.
    ``value`` is for late the overhang in ms, for wrong the semitones.
    """

    kind: str
    bar: int
    beat: float = 1.0
    bass: bool = True  # the bass note there, or the highest
    value: float | None = None
    turn: int = 1
    pass_number: int | None = None


@dataclass(frozen=True, slots=True)
class Faults:
    """What goes wrong.  Rates are shares of notes (wrong, missing, extra) or of bass ends."""

    wrong: float = 0.0
    missing: float = 0.0
    extra: float = 0.0
    stray: float = 0.0  # a neighbouring open string brushed, a bass note played
    late: float = 0.0
    ringing: float = 0.0
    cut: float = 0.0
    restarts: int = 0  # each goes back to the start of a bar, ``back_bars`` before
    back_bars: tuple[int, int] = (1, 4)
    hesitations: int = 0
    hesitation_s: tuple[float, float] = (0.5, 2.5)
    lifted: float = 0.0  # of fretted notes: the finger lifts, and the open string sounds softly
    placed: tuple[Placed, ...] = ()


@dataclass(frozen=True, slots=True)
class Manner:
    """How evenly the notes come."""

    rush: float = 0.0  # how much faster at the end than at the start: 0.06 is six per cent
    rubato: float = 0.015  # one standard deviation of a bar's tempo
    uneven: float = 0.012  # of each step between onsets
    spread_ms: float = 8.0  # from one note of a chord to the next, the bass first
    jitter_ms: float = 2.0  # of each note
    soft: float = 0.0  # share of the strokes that are much softer
    legato: float = 0.0  # share of the steps on one string that the left hand hammers on or pulls off


@dataclass(frozen=True, slots=True)
class Performance:
    """What came down the wire, and what was true."""

    messages: tuple[Message, ...]
    truth: Truth
    profile: Profile  # what a calibration of this converter would say
    end_us: int


@dataclass(slots=True)
class Stretch:
    """One pass as planned: onset groups ``first`` to ``last``, and when each was reached."""

    number: int
    first: int
    last: int
    complete: bool
    at_us: dict[int, float] = field(default_factory=dict)  # group -> planned onset
    tick_us: dict[int, float] = field(default_factory=dict)  # group -> µs a tick from there on


class Player:
    """Plays one score."""

    def __init__(
        self,
        score: Score,
        *,
        seed: int,
        tempo: float = 1.0,
        faults: Faults | None = None,
        manner: Manner | None = None,
        converter: Converter | None = None,
        start_us: int = 1_000_000,
    ) -> None:
        """``tempo`` multiplies the written tempo; ``start_us`` is the first onset."""
        if score.damps:
            raise ValueError("the simulated player knows no damping marks")
        if not len(score.notes):
            raise ValueError("the score has no notes")
        self.score, self.seed, self.tempo, self.start_us = score, seed, tempo, start_us
        self.faults, self.manner = faults or Faults(), manner or Manner()
        self.converter = converter or Converter()
        main = ~score.notes["grace"]
        self.ticks = np.unique(score.notes["onset"][main]).tolist()
        self.group_of = {tick: group for group, tick in enumerate(self.ticks)}
        self.rows: list[list[int]] = [[] for _ in self.ticks]
        self.graces: list[list[int]] = [[] for _ in self.ticks]
        for row, note in enumerate(score.notes):
            group = min(bisect_left(self.ticks, int(note["onset"])), len(self.ticks) - 1)
            (self.graces if note["grace"] else self.rows)[group].append(row)

    def play(self) -> Performance:
        """Return the performance."""
        stretches = self._stretches(Dice(f"{self.seed} restarts"))
        self._time(stretches, Dice(f"{self.seed} time"))
        sounds, missing = self._strokes(stretches, Dice(f"{self.seed} strokes"))
        hands = Hands(self.score, self.converter, Dice(f"{self.seed} hands"), self.faults, self.find)
        self._soften(sounds, Dice(f"{self.seed} soft"))
        ends = hands.stop(stretches, sounds, self.group_of)
        brushes = Brushes(self.score, Dice(f"{self.seed} brushes"), self.faults, self.rows, sounds)
        brushes.add(stretches, self.find)
        brushes.lift(Dice(f"{self.seed} lifted"))
        sounds.sort(key=lambda s: (s.onset_us, s.string))
        notes = tuple(
            PlayedNote(
                note=s.note,
                pass_number=s.stretch.number,
                bar=s.bar,
                string=s.string,
                pitch=s.pitch,
                velocity=s.velocity,
                onset_us=s.onset_us,
                release_us=s.release_us,
                kind=s.kind,
            )
            for s in sounds
        )
        last_us = max(n.release_us for n in notes)
        end_us = last_us + 1_500_000
        passes = tuple(self._pass_truth(s) for s in stretches)
        truth = Truth(notes, tuple(ends), tuple(missing), passes, end_us)
        tuning = self.score.tuning
        messages = self.converter.convert(
            notes, tuning, Dice(f"{self.seed} converter"), Dice(f"{self.seed} troubles")
        )
        return Performance(messages, truth, self.converter.profile(tuning), end_us)

    # --- where ----------------------------------------------------------------------------------

    def find(self, placed: Placed) -> tuple[int, int]:
        """Return the onset group at (or next after) a place, and its tick.

        Raises LookupError where the score has no such bar.
        """
        for bar in self.score.bars:
            if bar.number == placed.bar and bar.round == placed.turn:
                first = self.score.beat(bar.onset)
                tick = bar.onset + round((placed.beat - first) * bar.beat_ticks)
                group = min(bisect_left(self.ticks, tick), len(self.ticks) - 1)
                return group, self.ticks[group]
        raise LookupError(f"no bar {placed.bar} (turn {placed.turn})")

    def _bar(self, group: int) -> int:
        return self.score.bar_index(self.ticks[group])

    def _stretches(self, dice: Dice) -> list[Stretch]:
        """Lay out the passes: where each begins and breaks off."""
        last = len(self.ticks) - 1
        breaks: list[tuple[int, int]] = []  # after this group, bars back
        for placed in self.faults.placed:
            if placed.kind == "restart":
                breaks.append((self.find(placed)[0], int(placed.value or 0)))
        for _ in range(self.faults.restarts):
            breaks.append((dice.whole(3, max(last - 2, 3)), dice.whole(*self.faults.back_bars)))
        out: list[Stretch] = []
        first = 0
        for group, back in sorted(breaks):
            if group > last or group - first < 3:
                continue  # too short a piece, or two breaks in one place
            out.append(Stretch(len(out) + 1, first, group, complete=group == last))
            bar = self.score.bars[max(self._bar(group) - back, 0)]
            first = bisect_left(self.ticks, bar.onset)
        out.append(Stretch(len(out) + 1, first, last, complete=True))
        return out

    # --- when -----------------------------------------------------------------------------------

    def _time(self, stretches: list[Stretch], dice: Dice) -> None:
        """Give every onset group of every pass its time."""
        holds = self._holds(stretches, dice)
        now = float(self.start_us)
        for stretch in stretches:
            paces: dict[int, float] = {}
            for group in range(stretch.first, stretch.last + 1):
                now += 1e6 * holds.get((stretch.number, group), 0.0)
                bar = self._bar(group)
                if bar not in paces:
                    share = self.ticks[group] / max(self.score.end, 1)
                    paces[bar] = (1 + self.manner.rush * share) * (1 + dice.bell(self.manner.rubato))
                beat_us = 60e6 / self.score.qpm(self.ticks[group]) / (self.tempo * paces[bar])
                tick_us = beat_us / TICKS_PER_QUARTER
                stretch.at_us[group], stretch.tick_us[group] = now, tick_us
                if group < len(self.ticks) - 1:
                    step = (self.ticks[group + 1] - self.ticks[group]) * tick_us
                    if any(self.score.notes["fermata"][row] for row in self.rows[group]):
                        step *= 1.6
                    now += step * (1 + dice.bell(self.manner.uneven))
            rest = self.score.end - self.ticks[stretch.last] if stretch.complete else 0
            now = stretch.at_us[stretch.last] + rest * tick_us
            now += 1.2 * beat_us + 1e6 * dice.between(0.5, 1.6)

    def _holds(self, stretches: list[Stretch], dice: Dice) -> dict[tuple[int, int], float]:
        """Return the seconds of hesitation before (pass, group)."""
        holds: dict[tuple[int, int], float] = {}
        for placed in self.faults.placed:
            if placed.kind == "hesitation":
                group, _ = self.find(placed)
                number = placed.pass_number or next(s.number for s in stretches if s.first < group <= s.last)
                holds[number, group] = placed.value or 1.0
        for _ in range(self.faults.hesitations):
            stretch = dice.one_of(stretches)
            length_s = dice.between(*self.faults.hesitation_s)
            holds[stretch.number, dice.whole(min(stretch.first + 1, stretch.last), stretch.last)] = length_s
        return holds

    # --- what -----------------------------------------------------------------------------------

    def _strokes(self, stretches: list[Stretch], dice: Dice) -> tuple[list[Sound], list[tuple[int, int]]]:
        """Play the notes: right, wrong or not at all.  Return sounds without release, and what is missing."""
        sounds: list[Sound] = []
        missing: list[tuple[int, int]] = []
        placed = self._placed_strokes(stretches)
        for stretch in stretches:
            for group in range(stretch.first, stretch.last + 1):
                edge = group in (stretch.first, stretch.last)
                for place, row in enumerate([*self.graces[group], *self.rows[group]]):
                    wrong, gone = dice.chance(self.faults.wrong), dice.chance(self.faults.missing)
                    off_us = dice.bell(1e3 * self.manner.jitter_ms)
                    fault = placed.get((stretch.number, row), ("", None))
                    if (gone or fault[0] == "missing") and not edge:
                        missing.append((stretch.number, row))
                        continue
                    ahead = len(self.graces[group]) - place
                    late_us = -90_000 * ahead if ahead > 0 else -1e3 * self.manner.spread_ms * ahead
                    sound = self._stroke(stretch, group, row, dice)
                    sound.onset_us = round(stretch.at_us[group] + late_us + off_us)
                    if (wrong and not edge) or fault[0] == "wrong":
                        self._slip(sound, group, fault[1], dice)
                    sounds.append(sound)
        return sounds, missing

    def _soften(self, sounds: list[Sound], dice: Dice) -> None:
        """Make some strokes soft, and some steps on one string legato: no pluck, so the note is weak."""
        last: dict[int, Sound] = {}
        for sound in sorted(sounds, key=lambda s: s.onset_us):
            soft, legato = dice.chance(self.manner.soft), dice.chance(self.manner.legato)
            before = last.get(sound.string)
            step = abs(sound.pitch - before.pitch) if before is not None and sound.note >= 0 else 0
            if legato and 1 <= step <= 4 and self.onset_gap_us(before, sound) < 700_000:
                sound.velocity = max(round(0.45 * sound.velocity), 26)
            elif soft:
                sound.velocity = max(round(0.6 * sound.velocity), 30)
            last[sound.string] = sound

    @staticmethod
    def onset_gap_us(before: Sound | None, sound: Sound) -> int:
        """Return the time from one onset to the next."""
        return sound.onset_us - before.onset_us if before is not None else 0

    def _placed_strokes(self, stretches: list[Stretch]) -> dict[tuple[int, int], tuple[str, float | None]]:
        found: dict[tuple[int, int], tuple[str, float | None]] = {}
        for placed in self.faults.placed:
            if placed.kind in ("wrong", "missing"):
                group, _ = self.find(placed)
                rows = [r for r in self.rows[group] if bool(self.score.notes["bass"][r]) is placed.bass]
                if not rows:
                    raise LookupError(f"nothing to play there: {placed}")
                number = placed.pass_number or next(s.number for s in stretches if s.first <= group <= s.last)
                found[number, rows[-1]] = (placed.kind, placed.value)
        return found

    def _stroke(self, stretch: Stretch, group: int, row: int, dice: Dice) -> Sound:
        note = self.score.notes[row]
        if not note["string"]:
            raise ValueError("the simulated player needs a string for every note: assign_strings first")
        loud = 72 if note["bass"] else 80
        velocity = max(45, min(120, round(loud + dice.bell(6.0))))
        return Sound(
            note=row,
            stretch=stretch,
            group=group,
            bar=int(note["bar"]),
            string=int(note["string"]),
            pitch=int(note["pitch"]),
            velocity=velocity,
        )

    def _slip(self, sound: Sound, group: int, semitones: float | None, dice: Dice) -> None:
        """Play a neighbouring fret of the same string; no note that is asked for close by."""
        near = {
            int(self.score.notes["pitch"][row])
            for rows in self.rows[max(group - 2, 0) : group + 3]
            for row in rows
        }
        lowest = self.score.tuning.open_pitch(sound.string)
        steps = [step for step in (1, -1, 2, -2, 3, -3) if sound.pitch + step >= lowest]
        clear = [step for step in steps if sound.pitch + step not in near]
        step = dice.one_of((clear or steps)[:3])
        sound.pitch += int(semitones) if semitones else step
        sound.kind = "wrong"

    def _pass_truth(self, stretch: Stretch) -> PassTruth:
        return PassTruth(
            number=stretch.number,
            first_bar=self._bar(stretch.first),
            last_bar=self._bar(stretch.last),
            from_us=round(stretch.at_us[stretch.first]),
            until_us=round(stretch.at_us[stretch.last]),
            complete=stretch.complete,
        )


if __name__ == "__main__":
    from tests.takes import main

    main()
