"""A simulated pitch-to-MIDI converter: true string sounds in, raw MIDI messages out.

What it does, each with its own rate or constant in ``Converter``:

- a note-on comes ``periods`` periods of the pitch and ``fixed_ms`` after the pluck: detectors need two
  periods or more (Fonseca & Tavares 2020, RITA 27(4)), so basses are late by more than trebles;
- a note-off comes ``off_ms`` after the string is silent, with jitter; some are note-ons of velocity 0;
- a string plucked anew: the new note-on first, then the old note-off (mono mode: MIDI 1.0 Detailed
  Specification 4.2.1, p. 22); with the same pitch, or where the finger's touch was noticed, off comes first;
- ghosts: weak short notes an octave, a twelfth or two octaves above a sounding one;
- double triggers: one pluck, two note-ons, overlapping or with a note-off between them;
- pitch bends (a vibrato, and the wheel put back to its centre before the next note), and the bend range
  announced at the start by RPN 0;
- one channel a string, or all strings on one.

Troubles, none of them unless asked for (``Converter.troubled()``), thrown by dice of their own:

- a note reported an octave too high (or low) from its first moment, and mended or not;
- a note-off that never comes;
- a gate that closes the sooner the softer the string was plucked (``fade_slope_s``);
- a string pulled aside: the wheel goes beyond a half-step, or the pull is reported as notes, without a gap;
- a silent open string that answers a partial of a note plucked on another one.

The ghost, bend and double-trigger figures are plausible inventions; no published rates were found.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from coach.core.pitch import Tuning, frequency
from coach.core.profile import FADE_VELOCITY, Profile
from tests.dice import Dice
from tests.truth import PlayedNote

Message = tuple[int, bytes]  # time in µs, the bytes
PARTIALS = (0, 5, 7, 12, 19, 24)  # semitones between strings that have a low partial in common


@dataclass(frozen=True, slots=True)
class Converter:
    """The converter's habits.  ``Converter.ideal()`` has none."""

    periods: float = 2.2
    fixed_ms: float = 4.0
    on_jitter_ms: float = 1.5  # one standard deviation; never early by more than the fixed part
    off_ms: float = 18.0
    off_jitter_ms: float = 3.0
    zero_rate: float = 0.5  # note-offs sent as note-ons of velocity 0
    touch_rate: float = 0.25  # plucks anew whose touch the converter notices: off before on
    ghost_rate: float = 0.03  # a note played
    double_rate: float = 0.01
    double_gap_rate: float = 0.5  # of the double triggers: with a note-off between
    bend_rate: float = 0.15
    bend_range: int = 12  # semitones
    fade_s: tuple[float, ...] = (4.5, 5.0, 5.5, 7.0, 8.0, 7.5)  # an undamped gate closes, string 1 first
    octave_rate: float = 0.0
    octave_mend_rate: float = 0.5  # of those: the right note follows
    lost_off_rate: float = 0.0
    fade_slope_s: float = 0.0  # longer by so much for each e-fold of velocity; fade_s is at 80
    pull_rate: float = 0.0
    split_rate: float = 0.0
    sympathetic_rate: float = 0.0
    base_channel: int = 1
    reversed: bool = False
    single_channel: bool = False

    @classmethod
    def ideal(cls, **changes: object) -> Converter:
        """Return a converter that reports every sound at once and adds nothing."""
        plain = cls(
            periods=0.0, fixed_ms=0.0, on_jitter_ms=0.0, off_ms=0.0, off_jitter_ms=0.0, zero_rate=0.0,
            touch_rate=0.0, ghost_rate=0.0, double_rate=0.0, bend_rate=0.0,
        )  # fmt: skip
        return replace(plain, **changes)  # type: ignore[arg-type]

    @classmethod
    def troubled(cls, **changes: object) -> Converter:
        """Return a converter with every trouble at once."""
        plain = cls(
            ghost_rate=0.05, double_rate=0.05, octave_rate=0.02, lost_off_rate=0.01, pull_rate=0.05,
            split_rate=0.02, sympathetic_rate=0.05, fade_s=(2.0, 2.2, 2.5, 3.2, 3.6, 3.4), fade_slope_s=0.8,
        )  # fmt: skip
        return replace(plain, **changes)  # type: ignore[arg-type]

    def fade_us(self, string: int, velocity: int = FADE_VELOCITY) -> int:
        """Return how long an undamped string plucked so hard is reported, in µs."""
        fade_s = self.fade_s[min(string, len(self.fade_s)) - 1]
        if velocity != FADE_VELOCITY:
            fade_s += self.fade_slope_s * math.log(velocity / FADE_VELOCITY)
        return round(1e6 * max(fade_s, 0.2))

    def on_delay_us(self, pitch: float) -> float:
        """Return the mean delay of a note-on in µs."""
        return 1e6 * self.periods / frequency(pitch) + 1e3 * self.fixed_ms

    def profile(self, tuning: Tuning) -> Profile:
        """Return the pickup profile that a calibration on the open strings would give."""
        strings = range(1, tuning.strings + 1)
        on = tuple(round(self.on_delay_us(tuning.open_pitch(s)) / 1000, 3) for s in strings)
        return Profile(
            name="simulated",
            base_channel=self.base_channel,
            strings=tuning.strings,
            reversed=self.reversed,
            single_channel=self.single_channel,
            bend_range=float(self.bend_range),
            on_delay_ms=on,
            off_delay_ms=(self.off_ms,) * tuning.strings,
            fade_s=tuple(self.fade_us(s) / 1e6 for s in strings),
            fade_slope_s=(self.fade_slope_s,) * tuning.strings if self.fade_slope_s else (),
            uncertainty_ms=self.on_jitter_ms,
        )

    def convert(
        self, notes: Sequence[PlayedNote], tuning: Tuning, dice: Dice, troubles: Dice | None = None
    ) -> tuple[Message, ...]:
        """Return the messages for ``notes`` (one sound a string at a time), by time."""
        return _Converting(self, tuning, dice, troubles or Dice("no troubles")).messages(notes)


@dataclass(frozen=True, slots=True)
class Trouble:
    """What goes wrong with the report of one note."""

    octave: int = 0  # semitones off
    mend_us: int = 0  # so long after its note-on the right one comes; 0: never
    lost: bool = False  # its note-off never comes
    pull_cents: float = 0.0
    split: bool = False  # the pull is reported as notes


class Troubles:
    """Throws the troubles of one conversion; always as many throws a note."""

    def __init__(self, converter: Converter, tuning: Tuning, dice: Dice) -> None:
        self.how, self.tuning, self.dice = converter, tuning, dice

    def of(self, note: PlayedNote) -> Trouble:
        """Return what goes wrong with one note."""
        dice, how = self.dice, self.how
        wrong, mended, low = dice.chance(how.octave_rate), dice.chance(how.octave_mend_rate), dice.chance(0.2)
        after_us = dice.whole(25_000, 90_000)
        lost, pulled, split = (dice.chance(r) for r in (how.lost_off_rate, how.pull_rate, how.split_rate))
        cents = dice.between(60.0, 160.0)
        return Trouble(
            octave=(-12 if low and note.pitch >= 52 else 12) if wrong else 0,
            mend_us=after_us if wrong and mended else 0,
            lost=lost,
            pull_cents=cents if pulled or split else 0.0,
            split=split,
        )

    def answers(self, note: PlayedNote, notes: Sequence[PlayedNote]) -> list[tuple[int, int, int, int, int]]:
        """Return (start, string, pitch, velocity, length) of the open strings that answer a note."""
        chance = self.dice.chance(self.how.sympathetic_rate)
        softly, long_us = self.dice.whole(5, 22), self.dice.whole(40_000, 400_000)
        later_us = self.dice.whole(5_000, 60_000)
        if not chance:
            return []
        start_us = note.onset_us + later_us
        for string in range(1, self.tuning.strings + 1):
            pitch = self.tuning.open_pitch(string)
            if string == note.string or abs(pitch - note.pitch) not in PARTIALS:
                continue
            own = (n for n in notes if n.string == string)
            if all(
                n.release_us < start_us - 150_000 or n.onset_us > start_us + long_us + 150_000 for n in own
            ):
                return [(start_us, string, pitch, softly, long_us)]
        return []


class _Converting:
    """One conversion: owns the growing list of messages."""

    def __init__(self, converter: Converter, tuning: Tuning, dice: Dice, troubles: Dice) -> None:
        self.how, self.dice, self.troubles = converter, dice, Troubles(converter, tuning, troubles)
        self.profile = converter.profile(tuning)
        self.tuning = tuning
        self.out: list[tuple[int, int, bytes]] = []  # time, order within the time, bytes

    def messages(self, notes: Sequence[PlayedNote]) -> tuple[Message, ...]:
        if self.how.bend_rate:
            self._announce()
        ons = [self._on_us(note) for note in notes]
        after: dict[int, int] = {}  # index -> index of the next note on its string
        last: dict[int, int] = {}
        for index, note in enumerate(notes):
            if note.string in last:
                after[last[note.string]] = index
            last[note.string] = index
        for index, note in enumerate(notes):
            taken_by = after.get(index)
            anew = taken_by is not None and notes[taken_by].onset_us <= note.release_us
            same = anew and notes[taken_by].pitch == note.pitch  # type: ignore[index]
            self._note(note, ons[index], ons[taken_by] if anew else None, same)  # type: ignore[index]
            if self.how.sympathetic_rate:
                for start_us, string, pitch, velocity, length_us in self.troubles.answers(note, notes):
                    on_us = start_us + round(self.how.on_delay_us(pitch))
                    self._send(on_us, 2, 0x90 | self._channel(string), pitch, velocity)
                    self._off(on_us + length_us, 3, self._channel(string), pitch)
        self.out.sort(key=lambda item: item[:2])
        return tuple((time_us, data) for time_us, _, data in self.out)

    def _on_us(self, note: PlayedNote) -> int:
        jitter = max(self.dice.bell(self.how.on_jitter_ms) * 1e3, -1e3 * self.how.fixed_ms)
        return note.onset_us + round(self.how.on_delay_us(note.pitch) + jitter)

    def _note(self, note: PlayedNote, on_us: int, anew_us: int | None, same_pitch: bool) -> None:
        dice, how = self.dice, self.how
        channel = self._channel(note.string)
        trouble = self.troubles.of(note)
        sent = note.pitch + trouble.octave
        self._send(on_us, 2, 0x90 | channel, sent, note.velocity)
        touched, doubled, gap = (
            dice.chance(how.touch_rate),
            dice.chance(how.double_rate),
            dice.chance(how.double_gap_rate),
        )
        lag_us = 1e3 * max(how.off_ms + dice.bell(how.off_jitter_ms), 0.0)
        off_us, order = round(note.release_us + lag_us), 3
        if anew_us is not None:
            if touched:  # the finger on the string, 10 to 30 ms before the new note is reported
                off_us, order = max(anew_us - round(dice.between(1e4, 3e4)), on_us + 1), 1
            elif same_pitch:
                off_us, order = anew_us, 1
            else:
                off_us = anew_us + round(dice.between(0, 2e3)) if how.off_ms else anew_us
        else:
            off_us = max(off_us, on_us + 1)
        room_us = off_us - on_us
        if trouble.mend_us and room_us > trouble.mend_us + 60_000:
            self._send(on_us + trouble.mend_us, 2, 0x90 | channel, note.pitch, note.velocity)
            self._off(on_us + trouble.mend_us, 3, channel, sent)
            sent = note.pitch
        if not trouble.lost:
            self._off(off_us, order, channel, sent)
        if trouble.octave:
            return  # one trouble at a time is enough for one note
        if doubled and room_us > 120_000:
            self._double(note, channel, on_us, off_us, gap)
        if dice.chance(how.ghost_rate) and room_us > 120_000:
            self._ghost(note, on_us)
        if dice.chance(how.bend_rate) and room_us > 250_000 and not how.single_channel:
            self._vibrato(channel, on_us, off_us)
        if trouble.pull_cents and room_us > 450_000 and not how.single_channel and not trouble.lost:
            self._pull(note, channel, on_us, trouble)

    def _pull(self, note: PlayedNote, channel: int, on_us: int, trouble: Trouble) -> None:
        """The string is pulled aside and let back; as wheel, or as notes without a gap."""
        start_us = on_us + 150_000
        if trouble.split:
            side = note.pitch + 1
            self._send(start_us, 2, 0x90 | channel, side, max(note.velocity * 2 // 3, 1))
            self._off(start_us + 500, 3, channel, note.pitch)
            self._send(start_us + 180_000, 2, 0x90 | channel, note.pitch, max(note.velocity // 2, 1))
            self._off(start_us + 180_500, 3, channel, side)
            return
        for step in range(13):
            cents = trouble.pull_cents * math.sin(math.pi * step / 12)
            self._wheel(start_us + 15_000 * step, channel, round(8192 + 81.92 * cents / self.how.bend_range))

    def _double(self, note: PlayedNote, channel: int, on_us: int, off_us: int, gap: bool) -> None:
        again_us = on_us + round(self.dice.between(14e3, 38e3))
        if gap:
            self._off(again_us - 5_000, 3, channel, note.pitch)
            self._send(again_us, 2, 0x90 | channel, note.pitch, max(note.velocity - 12, 1))
        else:
            self._send(again_us, 2, 0x90 | channel, note.pitch, max(note.velocity - 12, 1))
            self._off(off_us, 1, channel, note.pitch)

    def _ghost(self, note: PlayedNote, on_us: int) -> None:
        pitch = note.pitch + self.dice.one_of((12, 19, 24))
        start_us = on_us + round(self.dice.between(5e3, 60e3))
        velocity = self.dice.whole(6, 18)
        channel = self._channel(note.string)
        self._send(start_us, 2, 0x90 | channel, min(pitch, 127), velocity)
        self._off(start_us + round(self.dice.between(12e3, 34e3)), 3, channel, min(pitch, 127))

    def _vibrato(self, channel: int, on_us: int, off_us: int) -> None:
        until_us = min(off_us, on_us + 900_000) - 20_000
        at_us, phase = on_us + 120_000, 0.0
        while at_us < until_us:
            cents = 18.0 * math.sin(phase)
            self._wheel(at_us, channel, round(8192 + 8192 * cents / (100 * self.how.bend_range)))
            at_us += 25_000
            phase += 2 * math.pi * 5.0 * 0.025  # five swings a second
        self._wheel(until_us, channel, 8192)

    def _announce(self) -> None:
        strings = range(1, self.tuning.strings + 1)
        for channel in sorted({self._channel(s) for s in strings}):
            for number, value in ((101, 0), (100, 0), (6, self.how.bend_range), (38, 0)):
                self._send(0, 0, 0xB0 | channel, number, value)

    def _wheel(self, time_us: int, channel: int, value: int) -> None:
        self._send(time_us, 0, 0xE0 | channel, value & 0x7F, value >> 7)

    def _off(self, time_us: int, order: int, channel: int, pitch: int) -> None:
        if self.dice.chance(self.how.zero_rate):
            self._send(time_us, order, 0x90 | channel, pitch, 0)
        else:
            self._send(time_us, order, 0x80 | channel, pitch, 64)

    def _send(self, time_us: int, order: int, *data: int) -> None:
        self.out.append((time_us, order, bytes(data)))

    def _channel(self, string: int) -> int:
        """Return the channel nibble (0 to 15)."""
        return self.profile.channel_of(string) - 1
