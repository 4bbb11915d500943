"""Students for the follower's benchmark: what they played, note by note, and what they meant.

``tests.player`` makes whole takes, down to the bytes of a pickup (``pickup_take``); here only onsets count,
but there are more ways of practising: chunks drilled over and over, stutters, leaps ahead, hands alone.  All
figures are plausible inventions, seeded.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import exp, log
from pathlib import Path

import numpy as np

from coach.core.events import NoteOn
from coach.core.groups import Groups
from coach.core.pitch import frequency
from coach.core.score import Score, make_score
from coach.core.strings import assign_strings
from coach.core.wire import Decoder
from tests.converter import Converter
from tests.dice import Dice
from tests.pieces import generated_piece
from tests.player import Faults, Player

CHUNK_BARS = 4
NOTES_A_TURN = 16  # onset groups for each restart or skip: short pieces have fewer
GHOSTS = (12, 19, 7, -12)  # semitones from the note that sounds


@dataclass(frozen=True, slots=True)
class Kind:
    """How a student plays; rates are shares of notes."""

    errors: float = 0.0  # wrong, omitted and extra notes, each so many
    restarts: int = 0
    back_bars: tuple[int, int] = (0, 4)  # to the start of the bar so many before this one
    stutters: float = 0.2  # of the restarts: to one of the last eight onsets instead
    chunks: bool = False  # restarts go to the start of a chunk: this one, or (one in three) an earlier one
    drill: int = 0  # one chunk, so many times; the follower is told which
    skips: int = 0  # leaps ahead by one to four bars
    hesitations: int = 0
    tempo: tuple[float, float] = (1.0, 1.0)  # factors of the written times
    artefacts: float = 0.0  # double triggers, ghosts and brushed strings, each so many
    converter: bool = True  # low notes are reported later than high ones
    strings: bool = True  # one channel a string
    spread_ms: float = 20.0  # of a chord; one chord in ten has four times as much
    hand: str = ""  # "bass" or "melody": that voice alone
    told: bool = False  # and the follower is told so


STUDENT = Kind(errors=0.05, restarts=5, hesitations=5, tempo=(1.0, 1.7), artefacts=0.015)
KINDS = {
    "straight": Kind(converter=False),
    "artefacts": Kind(artefacts=0.015),
    "student": STUDENT,
    "chunks": replace(STUDENT, restarts=6, chunks=True),
    "drill, known": replace(STUDENT, restarts=0, drill=6),
    "stutters": replace(STUDENT, restarts=8, stutters=1.0),
    "skips": replace(STUDENT, restarts=0, skips=3),
    "one channel": replace(STUDENT, strings=False),
    "bass alone": replace(STUDENT, restarts=0, hand="bass"),
    "melody alone": replace(STUDENT, restarts=0, hand="melody"),
    "bass, told": replace(STUDENT, restarts=0, hand="bass", told=True),
    "melody, told": replace(STUDENT, restarts=0, hand="melody", told=True),
    "wild": replace(
        STUDENT, errors=0.10, back_bars=(1, 8), skips=1, tempo=(0.5, 2.0), artefacts=0.03, spread_ms=60.0
    ),
}
NOTHING_BUT = Kind(tempo=(1.0, 1.7))
GRID = {  # one trouble at a time, then 3 and 5 restarts, the converter on, and no strings
    "errors 2 %": replace(NOTHING_BUT, errors=0.02),
    "errors 10 %": replace(NOTHING_BUT, errors=0.10),
    "3 restarts": replace(NOTHING_BUT, restarts=3),
    "5 restarts, 5 %": replace(NOTHING_BUT, restarts=5, errors=0.05),
    "3 skips": replace(NOTHING_BUT, skips=3),
    "5 turns to any bar, 5 %": replace(NOTHING_BUT, restarts=5, errors=0.05, back_bars=(0, 99), stutters=0.0),
    "tempo 0.4 to 2": replace(NOTHING_BUT, tempo=(0.4, 2.0)),
    "no converter": replace(STUDENT, converter=False, artefacts=0.0),
}


@dataclass(slots=True)
class Take:
    """The events of one student, by time."""

    us: list[int] = field(default_factory=list)
    pitch: list[int] = field(default_factory=list)
    string: list[int | None] = field(default_factory=list)
    velocity: list[int] = field(default_factory=list)
    truth: list[int] = field(default_factory=list)  # row in the score that was meant; -1: none
    jumps: list[int] = field(default_factory=list)  # events that begin a stretch, the first too
    chunk: tuple[int, int] | None = None  # performed bars being drilled
    told: str = ""  # "bass" or "melody", where the follower is told that it is that alone


def student(score: Score, groups: Groups, seed: int, *, kind: Kind) -> Take:
    """Return what a student of some kind plays."""
    return _Student(score, groups, kind, seed).take()


class _Student:
    def __init__(self, score: Score, groups: Groups, kind: Kind, seed: int) -> None:
        self.score, self.groups, self.kind = score, groups, kind
        self.dice = Dice(f"student {seed}")
        self.chunk: tuple[int, int] | None = None
        self.open = [score.tuning.open_pitch(s) for s in range(1, score.tuning.strings + 1)]
        self.heard: list[tuple[float, int, int, int, int, int]] = []  # us pitch string velocity row stretch

    def take(self) -> Take:
        stretches = self._stretches()
        self._play(stretches)
        take = Take(chunk=self.chunk, told=self.kind.hand if self.kind.told else "")
        delayed = [(round(self._reported(e)), *e[1:]) for e in self.heard]
        seen = -1
        for us, pitch, string, velocity, row, stretch in sorted(delayed, key=lambda e: e[0]):
            if stretch > seen and row >= 0:
                take.jumps.append(len(take.us))
                seen = stretch
            take.us.append(us)
            take.pitch.append(min(max(pitch, 0), 127))
            take.string.append(string if string and self.kind.strings else None)
            take.velocity.append(velocity)
            take.truth.append(row)
        return take

    def _reported(self, event: tuple[float, int, int, int, int, int]) -> float:
        if not self.kind.converter:
            return event[0]
        # Two periods and a bit (Fonseca & Tavares 2020: a detector needs two), and a fixed part.
        return event[0] + 2.2e6 / frequency(event[1]) + 4_000 + self.dice.bell(1_500)

    def _stretches(self) -> list[tuple[int, int]]:
        """Return the onset groups of each stretch: first, and one after the last."""
        dice, kind, n = self.dice, self.kind, self.groups.count
        bars = self.groups.bars
        first_of = np.searchsorted(bars, np.arange(int(bars[-1]) + 2))
        if kind.drill:
            last_bar = int(bars[-1])
            begin = dice.whole(0, max(last_bar + 1 - CHUNK_BARS, 0))
            self.chunk = (begin, min(begin + CHUNK_BARS - 1, last_bar))
            first, end = self.groups.span(self.chunk)
            least = min(first + 3, end)
            return [(first, end if dice.chance(0.6) else dice.whole(least, end)) for _ in range(kind.drill)]
        most = max(n // NOTES_A_TURN, 1)
        turns = ["back"] * min(kind.restarts, most) + ["ahead"] * min(kind.skips, most)
        turns = [turns.pop(int(dice.between(0, len(turns)))) for _ in range(len(turns))]
        out: list[tuple[int, int]] = []
        at = 0
        for turn in turns:
            length = max(3, int(-log(max(1 - dice.between(0, 1), 1e-6)) * n / (len(turns) + 1)))
            end = min(at + length, n if turn == "back" else max(n - 10, at + 1))
            out.append((at, end))
            bar = int(bars[end - 1])
            if turn == "ahead":
                to = max(int(first_of[min(bar + dice.whole(1, 4), int(bars[-1]))]), end + 1)
            elif kind.chunks:
                chunk = bar // CHUNK_BARS
                chunk = dice.whole(0, chunk) if dice.chance(1 / 3) else chunk
                to = int(first_of[chunk * CHUNK_BARS])
            elif dice.chance(kind.stutters):
                to = max(end - (1 if dice.chance(0.3) else dice.whole(1, 8)), 0)
            else:
                to = int(first_of[max(bar - dice.whole(*kind.back_bars), 0)])
            at = min(to, n - 1)
        return [*out, (at, n)]

    def _play(self, stretches: list[tuple[int, int]]) -> None:
        dice, kind, groups = self.dice, self.kind, self.groups
        written = [self.score.nominal_us(int(tick)) for tick in groups.onsets]
        factor = exp(dice.between(log(kind.tempo[0]), log(kind.tempo[1])))
        uneven, jitter_us = dice.between(0.01, 0.04), dice.between(6_000, 30_000)
        total = sum(end - first for first, end in stretches)
        pauses = {dice.whole(1, max(total - 1, 1)) for _ in range(kind.hesitations)}
        now, drift, step = dice.between(1e6, 3e6), 0.0, 0
        for number, (first, end) in enumerate(stretches):
            if number:
                now += 0.8e6 * exp(dice.bell(0.5))
            for group in range(first, end):
                if group > first:
                    drift = 0.97 * drift + dice.bell(uneven)
                    us = (written[group] - written[group - 1]) * factor * exp(drift)
                    if groups.grace[group]:
                        us = max(us - 80_000, us * 0.4)
                    now += 80_000 if groups.grace[group - 1] else us
                now += dice.between(0.5e6, 2.5e6) if step in pauses else 0.0
                step += 1
                self._strike(group, now + dice.bell(jitter_us), number)

    def _strike(self, group: int, at: float, stretch: int) -> None:
        dice, kind, notes = self.dice, self.kind, self.score.notes
        grace = bool(self.groups.grace[group])
        rows = list(self.groups.rows(group)) if grace else self.groups.required(group)
        if kind.hand:
            rows = [row for row in rows if bool(notes["bass"][row]) == (kind.hand == "bass")]
        if not rows or (grace and dice.chance(0.2)):
            return
        spread = kind.spread_ms * 1e3 * (4 if dice.chance(0.1) else 1) * (len(rows) > 1)
        for row in rows:
            omitted, wrong, when = dice.chance(kind.errors), dice.chance(kind.errors), dice.between(0, spread)
            if omitted and not grace:
                continue
            pitch, string = int(notes["pitch"][row]), int(notes["string"][row])
            if wrong:
                pitch, string = self._wrong(pitch, string)
            self._hear(at + when, pitch, string, dice.whole(50, 99), row, stretch)
        if dice.chance(kind.errors):
            row = dice.one_of(rows)
            pitch = int(notes["pitch"][row]) + dice.one_of((-5, -2, -1, 0, 1, 2, 5, 7))
            when = at + dice.between(50_000, 300_000)
            self._hear(when, pitch, int(notes["string"][row]), dice.whole(50, 99), -1, stretch)
        for row in rows:
            pitch, string = int(notes["pitch"][row]), int(notes["string"][row])
            if dice.chance(kind.artefacts):
                when = at + dice.between(30_000, 120_000)
                self._hear(when, pitch, string, dice.whole(25, 59), -1, stretch)
            if dice.chance(kind.artefacts):
                when = at + dice.between(5_000, 80_000)
                self._hear(when, pitch + dice.one_of(GHOSTS), string, dice.whole(8, 29), -1, stretch)
            if dice.chance(kind.artefacts):
                brushed = dice.whole(1, len(self.open))
                when = at + dice.between(-30_000, 100_000)
                self._hear(when, self.open[brushed - 1], brushed, dice.whole(15, 44), -1, stretch)

    def _wrong(self, pitch: int, string: int) -> tuple[int, int]:
        """Return a neighbouring fret's pitch, or (one in four) the right fret of a neighbouring string."""
        dice = self.dice
        if dice.chance(0.75) or not string:
            return pitch + dice.one_of((-3, -2, -2, -2, -1, -1, -1, 1, 1, 1, 2, 2, 2, 3)), string
        other = min(max(string + dice.one_of((-1, 1)), 1), len(self.open))
        if other == string:
            return pitch + 1, string
        return pitch + self.open[other - 1] - self.open[string - 1], other

    def _hear(self, us: float, pitch: int, string: int, velocity: int, row: int, stretch: int) -> None:
        self.heard.append((us, pitch, string, velocity, row, stretch))


def noodling(score: Score, seed: int, count: int = 60) -> Take:
    """Return free playing: any fret up to the seventh of any string, at any time."""
    dice, take, us = Dice(f"noodling {seed}"), Take(), 1_000_000
    for _ in range(count):
        us += dice.whole(150_000, 900_000)
        string = dice.whole(1, score.tuning.strings)
        take.us.append(us)
        take.pitch.append(score.tuning.open_pitch(string) + dice.whole(0, 7))
        take.string.append(string)
        take.velocity.append(dice.whole(50, 99))
        take.truth.append(-1)
    return take


def pickup_take(score: Score, seed: int, faults: Faults, converter: Converter) -> Take:
    """Return what ``tests.player`` plays, as heard through its pickup: another simulation, made by others.

    A note-on is a note that was played if it comes on its string, with its pitch, when the converter's delay
    says; all others (ghosts, the second of a double trigger) mean nothing.
    """
    done = Player(score, seed=seed, faults=faults, converter=converter).play()
    decoder = Decoder(done.profile)
    events = [event for us, data in done.messages for event in decoder.decode(us, data)]
    heard = [event for event in events if isinstance(event, NoteOn)]
    meant: dict[int, int] = {}  # index of the event -> index of the note
    for number, note in enumerate(done.truth.notes):
        due = note.onset_us + converter.on_delay_us(note.pitch)
        fit = [
            (abs(event.time_us - due), index)
            for index, event in enumerate(heard)
            if index not in meant and event.pitch == note.pitch and event.string in (note.string, None)
        ]
        late, index = min(fit)
        assert late < 12_000  # every note that was played was heard
        meant[index] = number
    take, stretch = Take(), 0
    for index, event in enumerate(heard):
        note = done.truth.notes[meant[index]] if index in meant else None
        if note is not None and note.pass_number > stretch and note.note >= 0:
            take.jumps.append(index)
            stretch = note.pass_number
        take.us.append(event.time_us)
        take.pitch.append(event.pitch)
        take.string.append(event.string)
        take.velocity.append(event.velocity)
        take.truth.append(-1 if note is None else note.note)
    return take


# --- pieces ---------------------------------------------------------------------------------------


def plain_pieces(seed: int, count: int) -> list[Score]:
    """Return generated two-voice pieces of 24 to 40 bars."""
    return [generated_piece(seed + i, 24 + 8 * (i % 3), beats=3 + i % 2, eighths=0.5) for i in range(count)]


def repeated_pieces(seed: int, count: int) -> list[Score]:
    """Return pieces of 32 bars made of four to six bars repeated exactly: restarts are ambiguous."""
    return [generated_piece(seed + i, bars=32, beats=3 + i % 2, distinct=4 + i % 3) for i in range(count)]


def files(folder: Path) -> list[Score]:
    """Return the scores of a folder, strings assigned, in order of their names."""
    from coach.files.score_file import read_score

    return [one_string_each(read_score(path).score) for path in sorted(folder.glob("*.musicxml"))]


def one_string_each(score: Score) -> Score:
    """Return a score with strings, where a note that two voices share is on one string."""
    shared = ~Groups(score).needed & ~score.notes["grace"]
    kept = assign_strings(make_score(score.notes[~shared], score.bars, tempo=score.tempo))[0]
    return replace(kept, title=score.title)
