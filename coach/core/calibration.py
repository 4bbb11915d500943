"""Learning the pickup: what to ask for, what to make of what is heard.  No clock, no port, no sound here.

Three parts, without a key in between: which channel carries each string (plucked one after another); each
open string plucked with the click and let fade; each plucked and stopped with the click.  Events go in
(``hear``, ``told``, ``tick``), steps come out: something to say, a click to play, the end.  Times are µs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from coach.core import calibrate_words as words
from coach.core.calibration_fit import Fit, Stroke, fit
from coach.core.channel_map import OUT_OF_TUNE, PLUCKS, ChannelMap, profile_of
from coach.core.events import AllOff, NoteOff, NoteOn
from coach.core.profile import Profile
from coach.core.ringing import Played, Ringing
from coach.core.sounding import BAR_ACCENT, BEAT_ACCENT, SUBDIVISION, Tick, Track
from coach.core.wire import Decoder

RING_BEAT_S, RING_COUNT = 0.8, 3  # three beats are counted, the fourth is the pluck
STOP_BEAT_S, STOP_BARS, STOP_AT = 0.75, 4, 2  # bars of four; pluck on the first beat, stop two beats later
HOW = ("softly", "as usual", "as usual", "strongly")  # a string's four plucks that fade
WITH_CLICK_US = 350_000  # a stroke so near the click is meant for it
MISSED_US = 1_200_000  # after the click without a pluck: it was missed
SETTLED_US = 300_000  # after a note-off: it was no double trigger's
LONGEST_US = 30_000_000  # no fade is waited for any longer
LEAST_STOPS = 3  # of STOP_BARS
TRIES = 3
REMIND_US, GIVE_UP_US = 20_000_000, 90_000_000  # without a pluck while the channels are learnt
SOUNDLESS_US = 15_000_000  # for an ordered click to be heard


@dataclass(frozen=True, slots=True)
class Say:
    """A sentence for the player."""

    text: str


@dataclass(frozen=True, slots=True)
class Click:
    """A click to be played as soon as can be; ``told`` then says when its second 0 is heard."""

    track: Track


@dataclass(frozen=True, slots=True)
class GaveUp:
    """The end: nothing was learnt, and why."""

    what: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Learnt:
    """The end: what was learnt."""

    fit: Fit


Step = Say | Click | GaveUp | Learnt


@dataclass(frozen=True, slots=True)
class _Turn:
    kind: Literal["ring", "stop"]
    string: int
    number: int = 0  # of a string's rings


class Calibration:
    """Leads one player through; the only owner of what was learnt so far."""

    def __init__(self, open_pitches: Sequence[int]) -> None:
        """``open_pitches``: the open strings' MIDI pitches, from string 1."""
        self._open = tuple(open_pitches)
        self._map: ChannelMap | None = ChannelMap(open_pitches)
        self._wire = Decoder(Profile())
        self._ringing = Ringing(Profile())
        self._wired = Profile()
        self._turns: list[_Turn] = []
        self._strokes: list[Stroke] = []
        self._tries = 0
        self._start_us: int | None = None  # when the turn's click began to be heard
        self._ordered_us: int | None = None  # when it was ordered
        self._active_us: int | None = None  # the last pluck while the channels are learnt
        self._reminded = self._strange_said = False
        self.over = False

    def begin(self) -> list[Step]:
        """Return the first steps."""
        strings = len(self._open)
        return [Say(words.BEGIN.format(strings=strings)), self._ask_pluck()]

    def told(self, start_us: int) -> None:
        """Take in when second 0 of the last click is (or was) heard; it may be said anew."""
        self._start_us = start_us

    def hear(self, time_us: int, data: bytes) -> list[Step]:
        """Take bytes of the guitar's port."""
        if self.over:
            return []
        steps = self.tick(time_us)
        if self._map is not None:
            for kind, channel, numbers in self._wire.channel_messages(data):
                if kind == 0x90 and numbers[1]:
                    steps += self._map_note(self._map, time_us, channel, *numbers)
            return steps
        for event in self._wire.decode(time_us, data):
            match event:
                case NoteOn():
                    self._ringing.note_on(event)
                case NoteOff():
                    self._ringing.note_off(event)
                case AllOff():
                    self._ringing.all_off(event)
                case _:
                    pass  # bends
        return steps

    def tick(self, now_us: int) -> list[Step]:
        """Take in that nothing earlier is coming."""
        if self.over:
            return []
        if self._map is not None:
            return self._wait(self._map, now_us)
        if self._ordered_us is None:
            return self._order(now_us)
        if self._start_us is None:
            if now_us - self._ordered_us > SOUNDLESS_US:
                return self._give_up(words.NO_CLICK, words.NO_CLICK_REMEDY)
            return []
        turn = self._turns[0]
        return (self._ring if turn.kind == "ring" else self._stops)(turn, self._start_us, now_us)

    # --- the channels -----------------------------------------------------------------------------

    def _map_note(
        self, found: ChannelMap, time_us: int, channel: int, pitch: int, velocity: int
    ) -> list[Step]:
        string = found.string
        if not found.note_on(time_us, channel, pitch, velocity):
            if found.strange is not None and not self._strange_said and string is not None:
                self._strange_said = True
                return [Say(words.strange(found.strange, string, self._open[string - 1]))]
            return []
        self._active_us, self._reminded = time_us, False
        if found.string == string:
            return []
        self._strange_said = False
        if found.string is not None:
            return [self._ask_pluck()]
        wired = profile_of(found.channels)
        if wired is None:
            return self._give_up(words.irregular(found.channels), words.IRREGULAR_REMEDY)
        self._map, self._wired = None, wired
        self._wire, self._ringing = Decoder(wired), Ringing(wired)
        strings = range(wired.strings, 0, -1)
        self._turns = [_Turn("ring", s, k) for s in strings for k in range(len(HOW))]
        self._turns += [_Turn("stop", s) for s in strings]
        return [Say(words.wired(wired)), Say(words.RINGS)]

    def _ask_pluck(self) -> Say:
        string = self._map.string if self._map is not None and self._map.string else 1
        return Say(words.pluck(string, self._open[string - 1], PLUCKS))

    def _wait(self, found: ChannelMap, now_us: int) -> list[Step]:
        if self._active_us is None:
            self._active_us = now_us
        waited = now_us - self._active_us
        if waited > GIVE_UP_US:
            return self._give_up(words.unheard(found.string or 1), words.UNHEARD_REMEDY)
        if waited > REMIND_US and not self._reminded:
            self._reminded = True
            return [Say(words.STILL_WAITING), self._ask_pluck()]
        return []

    # --- with the click -----------------------------------------------------------------------------

    def _order(self, now_us: int) -> list[Step]:
        turn = self._turns[0]
        self._ordered_us, self._start_us = now_us, None
        pitch = self._open[turn.string - 1]
        if turn.kind == "ring":
            return [Say(words.ring(turn.string, pitch, HOW[turn.number])), Click(ring_click())]
        return [Say(words.stop(turn.string, pitch, STOP_BARS)), Click(stop_click())]

    def _of(self, string: int, click_us: int) -> Played | None:
        """Return the note of an open string that is nearest to a click, if any is near."""
        near = [
            note
            for note in self._ringing.played
            if note.string in (None, string)
            and abs(note.pitch - self._open[string - 1]) <= OUT_OF_TUNE
            and abs(note.heard_us - click_us) <= WITH_CLICK_US
        ]
        return min(near, key=lambda note: abs(note.heard_us - click_us), default=None)

    def _ring(self, turn: _Turn, start_us: int, now_us: int) -> list[Step]:
        click_us = start_us + round(1e6 * RING_BEAT_S * RING_COUNT)
        note = self._of(turn.string, click_us)
        if note is None:
            return self._missed(turn.string) if now_us > click_us + MISSED_US else []
        if note.off_heard_us is None:
            if now_us < note.heard_us + LONGEST_US:
                return []
            fade_s = None
        elif now_us < note.off_heard_us + SETTLED_US:
            return []
        else:
            fade_s = (note.off_heard_us - note.heard_us) / 1e6 if note.replucked_by < 0 else None
        on_ms = (note.heard_us - click_us) / 1e3
        self._strokes.append(Stroke(turn.string, note.velocity, on_ms, fade_s=fade_s))
        said: list[Step] = [] if note.off_heard_us is not None else [Say(words.STILL_RINGING)]
        return said + self._next()

    def _stops(self, turn: _Turn, start_us: int, now_us: int) -> list[Step]:
        beat_us = 1e6 * STOP_BEAT_S
        if now_us < start_us + 4 * beat_us * (STOP_BARS + 1) + SETTLED_US:
            return []
        found = []
        for bar in range(1, STOP_BARS + 1):
            on_us = start_us + round(4 * bar * beat_us)
            off_us = on_us + round(STOP_AT * beat_us)
            note = self._of(turn.string, on_us)
            if note is None or note.off_heard_us is None or abs(note.off_heard_us - off_us) > WITH_CLICK_US:
                continue
            on_ms, off_ms = (note.heard_us - on_us) / 1e3, (note.off_heard_us - off_us) / 1e3
            found.append(Stroke(turn.string, note.velocity, on_ms, off_ms=off_ms))
        if len(found) < LEAST_STOPS:
            return self._missed(turn.string)
        self._strokes += found
        return self._next()

    def _missed(self, string: int) -> list[Step]:
        self._tries += 1
        self._ordered_us = None
        if self._tries == TRIES:
            return self._give_up(words.not_with_click(string), words.NOT_WITH_CLICK_REMEDY)
        return [Say(words.AGAIN_WITH_CLICK)]

    def _next(self) -> list[Step]:
        was = self._turns.pop(0)
        self._tries, self._ordered_us = 0, None
        if not self._turns:
            self.over = True
            return [Learnt(fit(self._strokes, self._wired, self._open))]
        return [Say(words.STOPS)] if was.kind != self._turns[0].kind else []

    def _give_up(self, what: str, remedy: str) -> list[Step]:
        self.over = True
        return [GaveUp(what, remedy)]


def ring_click() -> Track:
    """Return three beats, and the fourth, higher, to pluck with."""
    accents = [BEAT_ACCENT] * RING_COUNT + [BAR_ACCENT]
    ticks = tuple(Tick(k * RING_BEAT_S, accent) for k, accent in enumerate(accents))
    return Track((), ticks, RING_BEAT_S * (RING_COUNT + 1))


def stop_click() -> Track:
    """Return a bar to count and the bars to play: high to pluck with, middle to stop with, low between."""
    accents = {0: BAR_ACCENT, STOP_AT: BEAT_ACCENT}
    beats = 4 * (STOP_BARS + 1)
    ticks = tuple(Tick(k * STOP_BEAT_S, accents.get(k % 4, SUBDIVISION)) for k in range(beats))
    return Track((), ticks, beats * STOP_BEAT_S)
