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

The ghost, bend and double-trigger figures are plausible inventions; no published rates were found.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from coach.core.pitch import Tuning, frequency
from coach.core.profile import Profile
from tests.dice import Dice
from tests.truth import PlayedNote

Message = tuple[int, bytes]  # time in µs, the bytes


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

    def fade_us(self, string: int) -> int:
        """Return how long an undamped string is reported, in µs."""
        return round(1e6 * self.fade_s[min(string, len(self.fade_s)) - 1])

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
            uncertainty_ms=self.on_jitter_ms,
        )

    def convert(self, notes: Sequence[PlayedNote], tuning: Tuning, dice: Dice) -> tuple[Message, ...]:
        """Return the messages for ``notes`` (one sound a string at a time), by time."""
        return _Converting(self, tuning, dice).messages(notes)


class _Converting:
    """One conversion: owns the growing list of messages."""

    def __init__(self, converter: Converter, tuning: Tuning, dice: Dice) -> None:
        self.how, self.dice = converter, dice
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
        self.out.sort(key=lambda item: item[:2])
        return tuple((time_us, data) for time_us, _, data in self.out)

    def _on_us(self, note: PlayedNote) -> int:
        jitter = max(self.dice.bell(self.how.on_jitter_ms) * 1e3, -1e3 * self.how.fixed_ms)
        return note.onset_us + round(self.how.on_delay_us(note.pitch) + jitter)

    def _note(self, note: PlayedNote, on_us: int, anew_us: int | None, same_pitch: bool) -> None:
        dice, how = self.dice, self.how
        channel = self._channel(note.string)
        self._send(on_us, 2, 0x90 | channel, note.pitch, note.velocity)
        touched, doubled, gap = (
            dice.chance(how.touch_rate),
            dice.chance(how.double_rate),
            dice.chance(how.double_gap_rate),
        )
        lag_us = 1e3 * max(how.off_ms + dice.bell(how.off_jitter_ms), 0.0)
        off_us = round(note.release_us + lag_us)
        if anew_us is not None:
            if touched:  # the finger on the string, 10 to 30 ms before the new note is reported
                off_us = max(anew_us - round(dice.between(1e4, 3e4)), on_us + 1)
                self._off(off_us, 1, channel, note.pitch)
            elif same_pitch:
                off_us = anew_us
                self._off(off_us, 1, channel, note.pitch)
            else:
                off_us = anew_us + round(dice.between(0, 2e3)) if how.off_ms else anew_us
                self._off(off_us, 3, channel, note.pitch)
        else:
            off_us = max(off_us, on_us + 1)
            self._off(off_us, 3, channel, note.pitch)
        room_us = off_us - on_us
        if doubled and room_us > 120_000:
            self._double(note, channel, on_us, off_us, gap)
        if dice.chance(how.ghost_rate) and room_us > 120_000:
            self._ghost(note, on_us)
        if dice.chance(how.bend_rate) and room_us > 250_000 and not how.single_channel:
            self._vibrato(channel, on_us, off_us)

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
