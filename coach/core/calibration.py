"""Learning the pickup: what to ask for, what to make of what is heard.  No clock, no port, no sound here.

Three parts, without a key in between: which channel carries each string (plucked one after another); each
open string plucked and let fade; each plucked and stopped with the click.  Without a click the delays are
left out.  Events go in (``hear``, ``told``, ``tick``), steps come out: something to say, a click to play, the
end.  What was learnt is there at any moment (``so_far``).  Times are µs.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from coach.core import calibrate_words as words
from coach.core.calibration_fit import LEAST_STOPS, Fit, Stroke, fit
from coach.core.calibration_steps import Click, GaveUp, Learnt, Say, Step
from coach.core.calibration_turns import (
    HOW,
    PARTS,
    RING_BEAT_S,
    RING_COUNT,
    STOP_AT,
    STOP_BARS,
    STOP_BEAT_S,
    Part,
    Turn,
    minutes,
    ring_click,
    stop_click,
    turns,
)
from coach.core.channel_map import OUT_OF_TUNE, PLUCKS, ChannelMap, profile_of
from coach.core.events import AllOff, NoteOff, NoteOn
from coach.core.profile import Profile
from coach.core.ringing import Played, Ringing
from coach.core.wire import Decoder

WITH_CLICK_US = 350_000  # a stroke so near the click is meant for it
MISSED_US = 1_200_000  # after the click without a pluck: it was missed
SETTLED_US = 300_000  # after a note-off: it was no double trigger's
LONGEST_US = 30_000_000  # no fade is waited for any longer
TRIES = 3
BARREN = 2  # strings in a row that did not come: nobody is playing
REMIND_US, GIVE_UP_US = 20_000_000, 90_000_000  # without a pluck where no click asks for it
SOUNDLESS_US = 15_000_000  # for an ordered click to be heard


class Calibration:
    """Leads one player through; the only owner of what was learnt so far."""

    def __init__(
        self,
        open_pitches: Sequence[int],
        *,
        before: Profile | None = None,
        strings: Collection[int] | None = None,
        parts: Collection[Part] = PARTS,
        click: bool = True,
    ) -> None:
        """``open_pitches``: the open strings' MIDI pitches, from string 1.

        ``before``: what is known already; what is not learnt now stays as it is there.  ``strings``: only
        their fades and delays.  ``click``: whether there is sound.  Where nothing is known before, the
        channels are learnt whether they are among the ``parts`` or not.
        """
        self._open = tuple(open_pitches)
        known = before is not None and before.strings == len(self._open)
        self._before = before if known and before is not None else Profile(strings=len(self._open))
        self.parts = frozenset(parts)
        self.strings = frozenset(strings or range(1, len(self._open) + 1))
        self._click = click
        self._map = ChannelMap(open_pitches) if "channels" in parts or not known else None
        self._mapped = False  # in this calibration
        self._wire = Decoder(Profile())
        self._ringing = Ringing(Profile())
        self._wired = self._before
        self._turns: list[Turn] = []
        self._asked = 0  # turns at the beginning
        self._strokes: list[Stroke] = []
        self._tries = self._barren = 0
        self._now_us = 0
        self._starts: list[tuple[int, int]] = []  # told when; when the turn's click began to be heard
        self._ordered_us: int | None = None  # when the turn began
        self._active_us: int | None = None  # the last pluck while no click asks for it
        self._reminded = self._strange_said = False
        self.over = False

    def begin(self) -> list[Step]:
        """Return the first steps."""
        planned = turns(self._before, self.strings, self.parts, click=self._click)
        length = minutes(len(self._open), planned, channels=self._map is not None)
        said = words.begin([part for part in PARTS if self._does(part)], length)
        if self._map is not None:
            return [Say(said), self._ask_pluck()]
        return [Say(said), *self._wire_up(self._before)]

    def _does(self, part: Part) -> bool:
        if part == "channels":
            return self._map is not None
        return part in self.parts and (part != "delays" or self._click)

    def so_far(self) -> Fit | None:
        """Return what is known by now; None where nothing was learnt."""
        if self._map is not None:
            return None
        found = fit(self._strokes, self._wired, self._open, self.strings)
        return found if self._mapped or found.fades or found.delays else None

    def told(self, start_us: int) -> None:
        """Take in when second 0 of the last click is (or was) heard; it may be said anew."""
        last = self._starts[-1][1] if self._starts else None
        if self._turns and self._clicked(self._turns[0]) and start_us != last:
            self._starts.append((self._now_us, start_us))

    def again(self) -> list[Step]:
        """Go on after the port was away: what was under way is asked for anew."""
        self._ordered_us = self._active_us = None
        self._ringing = Ringing(self._wired)
        return [self._ask_pluck()] if self._map is not None else []

    def silence(self) -> list[Step]:
        """Go on without a click: the sound is gone."""
        if self.over or not self._click:
            return []
        self._click = False
        if "delays" not in self.parts:
            return []
        self._ordered_us, self._tries = None, 0
        self._turns = [turn for turn in self._turns if turn.kind == "ring"]
        self._asked = len(self._turns)
        said: list[Step] = [Say(words.SOUND_GONE)]
        if self._map is not None:
            return said
        return said + (self._intro() if self._turns else self._end())

    def hear(self, time_us: int, data: bytes) -> list[Step]:
        """Take bytes of the guitar's port."""
        steps = self.tick(time_us)
        if self.over:
            return steps
        if self._map is not None:
            for kind, channel, numbers in self._wire.channel_messages(data):
                if kind == 0x90 and numbers[1] and self._map is not None:
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
        self._now_us = max(self._now_us, now_us)
        if self.over:
            return []
        if self._map is not None:
            return self._wait(now_us, self._map.string or 1)
        if self._ordered_us is None:
            return self._order(now_us)
        if not self._starts:
            return self.silence() if now_us - self._ordered_us > SOUNDLESS_US else []
        turn = self._turns[0]
        return (self._ring if turn.kind == "ring" else self._stops)(turn, now_us)

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
        self._map, self._mapped = None, True
        self._active_us = None
        made = replace(
            self._before, base_channel=wired.base_channel, strings=wired.strings, reversed=wired.reversed,
            single_channel=wired.single_channel,
        )  # fmt: skip
        return [Say(words.wired(made)), *self._wire_up(made)]

    def _wire_up(self, wired: Profile) -> list[Step]:
        self._wired = wired
        self._wire, self._ringing = Decoder(wired), Ringing(wired)
        self._turns = turns(wired, self.strings, self.parts, click=self._click)
        self._asked = len(self._turns)
        return self._intro() if self._turns else self._end()

    def _intro(self) -> list[Step]:
        if self._turns[0].kind == "stop":
            return [Say(words.STOPS)]
        return [Say(words.RINGS if self._clicked(self._turns[0]) else words.RINGS_FREELY)]

    def _ask_pluck(self) -> Say:
        string = self._map.string if self._map is not None and self._map.string else 1
        return Say(words.pluck(string, self._open[string - 1], PLUCKS))

    def _wait(self, now_us: int, string: int) -> list[Step]:
        """Wait for a pluck that no click asks for."""
        if self._active_us is None:
            self._active_us, self._reminded = now_us, False
        waited = now_us - self._active_us
        if waited > GIVE_UP_US:
            if self._map is None:
                return self._leave_out(self._turns[0])
            if self._map.strange is not None:
                other = words.only_strange(self._map.strange, string, self._open[string - 1])
                return self._give_up(other, words.TUNING_REMEDY)
            return self._give_up(words.unheard(string), words.UNHEARD_REMEDY)
        if waited > REMIND_US and not self._reminded:
            self._reminded = True
            pitch = self._open[string - 1]
            free = words.ring_freely(string, pitch, HOW[self._turns[0].number]) if self._map is None else ""
            return [Say(words.STILL_WAITING), Say(free) if free else self._ask_pluck()]
        return []

    # --- fades and delays ---------------------------------------------------------------------------

    def _clicked(self, turn: Turn) -> bool:
        """Whether a turn goes with the click; a fade does where delays are learnt too."""
        return self._click and (turn.kind == "stop" or "delays" in self.parts)

    def _click_us(self, into_s: float) -> int:
        """Return when the click so far into the track was heard: as was said last before it.

        Sound that falters in the middle is heard later from there on, not before.
        """
        into_us, start_us = round(1e6 * into_s), self._starts[0][1]
        for told_us, said_us in self._starts:
            if told_us <= said_us + into_us:
                start_us = said_us
        return start_us + into_us

    def _order(self, now_us: int) -> list[Step]:
        turn = self._turns[0]
        self._ordered_us, self._active_us, self._starts = now_us, None, []
        pitch = self._open[turn.string - 1]
        left = words.left(self._asked - len(self._turns) + 1, self._asked)
        if turn.kind == "stop":
            said = words.tie(turn.string) if turn.tie and not self._tries else ""
            return [Say(f"{said}{words.stop(turn.string, pitch, STOP_BARS)} {left}"), Click(stop_click())]
        if not self._clicked(turn):
            self._starts = [(now_us, now_us)]
            return [Say(f"{words.ring_freely(turn.string, pitch, HOW[turn.number])} {left}")]
        return [Say(f"{words.ring(turn.string, pitch, HOW[turn.number])} {left}"), Click(ring_click())]

    def _of(self, string: int, near_us: int, within_us: int) -> Played | None:
        """Return the note of an open string that is nearest to a time, if any is near."""
        near = [
            note
            for note in self._ringing.played
            if note.string in (None, string)
            and abs(note.pitch - self._open[string - 1]) <= OUT_OF_TUNE
            and abs(note.heard_us - near_us) <= within_us
        ]
        return min(near, key=lambda note: abs(note.heard_us - near_us), default=None)

    def _ring(self, turn: Turn, now_us: int) -> list[Step]:
        clicked = self._clicked(turn)
        if clicked:
            click_us = self._click_us(RING_BEAT_S * RING_COUNT)
            note = self._of(turn.string, click_us, WITH_CLICK_US)
            if note is None:
                return self._missed(turn, [click_us]) if now_us > click_us + MISSED_US else []
        else:
            click_us = self._starts[0][1]
            after = [n for n in self._ringing.played if n.heard_us >= click_us]
            mine = (n for n in after if self._of(turn.string, n.heard_us, 0) is n)
            note = next(mine, None)
            if note is None:
                return self._wait(now_us, turn.string)
        if note.off_heard_us is None:
            if now_us < note.heard_us + self._longest_us():
                return []
            fade_s = None
        elif now_us < note.off_heard_us + SETTLED_US:
            return []
        else:
            fade_s = (note.off_heard_us - note.heard_us) / 1e6 if note.replucked_by < 0 else None
        on_ms = (note.heard_us - click_us) / 1e3 if clicked else None
        self._strokes.append(Stroke(turn.string, note.velocity, on_ms, fade_s=fade_s))
        said: list[Step] = [] if note.off_heard_us is not None else [Say(words.NO_END)]
        if note.off_heard_us is None:
            self._ringing.all_off(AllOff(now_us, None))
        return said + self._next()

    def _longest_us(self) -> int:
        """Return how long a fade is waited for: less once it is known how long this guitar's strings ring."""
        heard = [stroke.fade_s for stroke in self._strokes if stroke.fade_s is not None]
        return min(LONGEST_US, round(2e6 * max(heard)) + 4_000_000) if heard else LONGEST_US

    def _stops(self, turn: Turn, now_us: int) -> list[Step]:
        bar_s = 4 * STOP_BEAT_S
        if now_us < self._click_us(bar_s * (STOP_BARS + 1)) + SETTLED_US:
            return []
        found, clicks_us = [], []
        for bar in range(1, STOP_BARS + 1):
            on_us = self._click_us(bar * bar_s)
            off_us = self._click_us(bar * bar_s + STOP_AT * STOP_BEAT_S)
            clicks_us.append(on_us)
            note = self._of(turn.string, on_us, WITH_CLICK_US)
            if note is None or note.off_heard_us is None or abs(note.off_heard_us - off_us) > WITH_CLICK_US:
                continue
            on_ms, off_ms = (note.heard_us - on_us) / 1e3, (note.off_heard_us - off_us) / 1e3
            found.append(Stroke(turn.string, note.velocity, on_ms, off_ms=off_ms))
        if len(found) < LEAST_STOPS:
            return self._missed(turn, clicks_us, len(found))
        self._strokes += found
        return self._next()

    def _missed(self, turn: Turn, clicks_us: Sequence[int], came: int = 0) -> list[Step]:
        self._tries += 1
        self._ordered_us = None
        if self._tries == TRIES:
            return self._leave_out(turn)
        return [Say(self._why_missed(turn, clicks_us, came))]

    def _why_missed(self, turn: Turn, clicks_us: Sequence[int], came: int) -> str:
        """Say what was heard in place of what was asked for."""
        heard = [n for n in self._ringing.played if n.heard_us > clicks_us[0] - MISSED_US]
        own = [n for n in heard if self._of(turn.string, n.heard_us, 0) is not None]
        if not heard:
            return words.NOTHING_CAME
        if not own:
            return words.other_string(heard[-1].string, heard[-1].pitch)
        if turn.kind == "stop":
            plucked = [c for c in clicks_us if self._of(turn.string, c, WITH_CLICK_US) is not None]
            return words.few_stops(came, STOP_BARS, plucked=len(plucked) >= LEAST_STOPS)
        near = min(own, key=lambda n: abs(n.heard_us - clicks_us[0]))
        return words.off_the_click((near.heard_us - clicks_us[0]) / 1e6)

    def _leave_out(self, turn: Turn) -> list[Step]:
        """Go on with the next string; the end where nobody seems to play."""
        self._barren += 1
        rest = [t for t in self._turns if (t.kind, t.string) != (turn.kind, turn.string)]
        self._turns, self._tries, self._ordered_us, self._active_us = rest, 0, None, None
        if self._barren == BARREN:
            return [Say(words.NOBODY), *self._end()]
        said: list[Step] = [Say(words.left_out(turn.string))]
        if not self._turns:
            return said + self._end()
        return said + (self._intro() if self._turns[0].kind != turn.kind else [])

    def _next(self) -> list[Step]:
        was = self._turns.pop(0)
        self._tries, self._barren, self._ordered_us = 0, 0, None
        if not self._turns:
            return self._end()
        return self._intro() if was.kind != self._turns[0].kind else []

    def _end(self) -> list[Step]:
        found = self.so_far()
        if found is None:
            return self._give_up(words.NOTHING_LEARNT, words.UNHEARD_REMEDY)
        self.over = True
        return [Learnt(found)]

    def _give_up(self, what: str, remedy: str) -> list[Step]:
        self.over = True
        return [GaveUp(what, remedy)]
