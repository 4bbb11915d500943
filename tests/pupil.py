"""A simulated player who does what ``Calibration`` asks, through the simulated converter of the takes.

It reads only the steps (which string is asked for is found in the sentence) and answers with bytes.  What is
true is in its own fields: the converter's mean delays, the hand's offset and jitter, how long strings ring.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

from coach.core.calibration import Calibration
from coach.core.calibration_steps import Click, GaveUp, Learnt, Say, Step
from coach.core.pitch import STANDARD
from tests.converter import Converter
from tests.dice import Dice
from tests.truth import PlayedNote

VELOCITY = {"softly": 48, "as usual": 80, "strongly": 108}
STEP_US = 50_000


@dataclass
class Pupil:
    """Plays until the calibration ends; ``learnt`` or ``gave_up`` then holds the end."""

    seed: int
    converter: Converter = field(default_factory=Converter)
    ahead_ms: float = 0.0  # by how much the player is ahead of the click
    jitter_ms: float = 12.0  # of the player's hand, at plucks and stops
    late_ms: float = 0.0  # by how much the sound is later than told
    slope_s: float = 1.5  # a fade is longer by so much for each e-fold of velocity
    fade_jitter_s: float = 0.1
    misses: frozenset[int] = frozenset()  # clicks (counted from 0) that are not answered
    touches: frozenset[int] = frozenset()  # rings (counted from 0) cut short by accident
    swapped: bool = False  # strings 3 and 4 come on one another's channel
    silent: bool = False  # nothing is ever plucked
    stops_after: int = 10**9  # turns; then nothing is plucked any more
    wrong: frozenset[int] = frozenset()  # turns (clicks or free rings, from 0) answered on the next string
    lost_off: bool = False  # no note-off of a fade ever comes
    learnt: Learnt | None = None
    gave_up: GaveUp | None = None
    said: list[str] = field(default_factory=list)

    def fade_s(self, string: int, velocity: int) -> float:
        return self.converter.fade_s[string - 1] + self.slope_s * math.log(velocity / 80)

    def prepare(self) -> None:
        """Begin: nothing is on its way."""
        self._dice = Dice(f"pupil {self.seed}")
        self.queue: list[tuple[int, bytes]] = []  # what is on its way: µs, bytes
        self.now_us = 1_000_000
        self._clicks = self._rings = 0
        self._asked = (6, "")

    def play(self, lesson: Calibration | None = None, *, until_us: int = 10**18) -> Calibration:
        """Play to the end, or until some time; time never stands still for more than STEP_US."""
        self.prepare()
        lesson = lesson or Calibration(STANDARD.open_pitches)
        steps = lesson.begin()
        while True:
            for step in steps:
                self._take(lesson, step)
            if lesson.over or self.now_us > until_us:
                return lesson
            if self.queue and self.queue[0][0] <= self.now_us + STEP_US:
                at, data = self.queue.pop(0)
                self.now_us = max(self.now_us, at)
                steps = lesson.hear(at, data)
            else:
                self.now_us += STEP_US
                steps = lesson.tick(self.now_us)
            assert self.now_us < 3_600_000_000, "an hour"

    def _take(self, lesson: Calibration, step: Step) -> None:
        match step:
            case Say():
                self.answer_say(step)
            case Click():
                start_us = self.now_us + 400_000
                lesson.told(start_us)
                self.answer_click(step, start_us)
            case Learnt():
                self.learnt = step
            case GaveUp():
                self.gave_up = step

    def answer_say(self, step: Say) -> None:
        """Understand a sentence; where only plucks are asked for, pluck."""
        self.said.append(step.text)
        if found := re.match(r"(?:Pluck s|S)tring (\d)[ ,]", step.text):
            self._asked = (int(found[1]), step.text)
            if step.text.startswith("Pluck"):
                self._map(int(found[1]))
            elif "and let it ring" in step.text and "click" not in step.text:
                self._answer(self.now_us + 1_000_000 - 2_400_000)

    def answer_click(self, step: Click, start_us: int) -> None:
        """Play with a click whose second 0 is heard at ``start_us``."""
        self._answer(start_us)

    def _map(self, string: int) -> None:
        if not self.silent:
            begin = self.now_us + 600_000
            self._send([self._note(string, begin + k * 900_000, 500_000, 80) for k in range(3)])

    def _answer(self, start_us: int) -> None:
        string, text = self._asked
        number, self._clicks = self._clicks, self._clicks + 1
        if number in self.misses or number >= self.stops_after:
            return
        if number in self.wrong:
            string = string - 1 if string > 1 else 2
        if "let it ring" in text:
            velocity = VELOCITY[next(how for how in VELOCITY if how in text)] + self._dice.whole(-4, 4)
            fade = self.fade_s(string, velocity) + self._dice.bell(self.fade_jitter_s)
            if self._rings in self.touches:
                fade = 0.8
            self._rings += 1
            self._send(
                [self._note(string, self._hand(start_us + 2_400_000), round(1e6 * fade), velocity)],
                ons_only=self.lost_off,
            )
            return
        self._send([self._bar(string, start_us + 3_000_000 * bar) for bar in range(1, 5)])

    def answer_bar(self, on_us: int) -> None:
        """Play one bar of the string that is asked for, whose high click is heard at ``on_us``."""
        self._send([self._bar(self._asked[0], on_us)])

    def _bar(self, string: int, on_us: int) -> PlayedNote:
        on, off = self._hand(on_us), self._hand(on_us + 1_500_000)
        return self._note(string, on, off - on, 78 + self._dice.whole(-5, 5))

    def _hand(self, click_us: int) -> int:
        return click_us + round(1e3 * (self.late_ms - self.ahead_ms + self._dice.bell(self.jitter_ms)))

    def _note(self, string: int, onset_us: int, for_us: int, velocity: int) -> PlayedNote:
        pitch = STANDARD.open_pitch(string)
        return PlayedNote(0, 1, 0, string, pitch, velocity, onset_us, onset_us + for_us, "right")

    def _send(self, notes: list[PlayedNote], *, ons_only: bool = False) -> None:
        for at_us, data in self.converter.convert(notes, STANDARD, self._dice):
            if at_us == 0:
                continue  # the bend range is announced once, before anything is played
            if ons_only and (data[0] & 0xF0 == 0x80 or (data[0] & 0xF0 == 0x90 and not data[2])):
                continue
            if self.swapped and (data[0] & 0x0F) in (2, 3):
                data = bytes([data[0] ^ 1, *data[1:]])  # channels 3 and 4
            self.queue.append((at_us, data))
        self.queue.sort(key=lambda item: item[0])
