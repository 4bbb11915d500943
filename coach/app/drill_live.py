"""The drill in its window: passes are heard, counted, told; the step changes while nobody plays."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import replace
from math import ceil

from coach.app.drill_sound import Passage, Player, heard_again
from coach.app.live import Live
from coach.app.pass_result import is_fault, pass_result
from coach.app.sitting import Sitting
from coach.app.telling import Said
from coach.core import drill_words, words
from coach.core.drill import Decision, Drill, Kind
from coach.core.ladder import Rung
from coach.core.pedal import Pedal
from coach.core.report import report
from coach.core.shapes import Summary, View
from coach.core.sounding import Track
from coach.core.verdicts import Change
from coach.devices.messages import Heard
from coach.screen.window import Action, Window

# Nothing plucked for so long after the next note was due: the step may change; where a pass was only broken
# off, after the longer time.  Our own figures.
QUIET_US, GONE_US = 700_000, 3_000_000
AHEAD_NS = 200_000_000  # a click is ordered so long before it is heard
CONTROLLERS = 64  # so many are kept from before the first note
# What of the model goes along: its name in the words, the melody, the bass.
ALONG = (("", False, False), ("both", True, True), ("melody", True, False), ("bass", False, True))
Maker = Callable[[Rung, float], Sitting]


class DrillLive(Live):
    """The mutable owner of a drill while somebody plays."""

    def __init__(
        self,
        drill: Drill,
        make: Maker,
        window: Window,
        *,
        player: Player | None = None,
        pedal: Pedal | None = None,
        still: bool = False,
        click: bool = False,
        listen: bool = True,
        subdivide: int = 1,
        silent: int = 0,
        drift_ms: float = 80.0,
        ended: Callable[[Sitting], None] = lambda sitting: None,
    ) -> None:
        """``make`` returns a sitting for a step at a speed; ``ended`` is given each that was played.

        ``click``: one goes on while the step is played, each beat divided into ``subdivide``, with ``silent``
        bars without it after each two; ``listen``: each step is played to the player
        first; ``drift_ms``: a bar that strays further, at the full tempo, is a fault.
        """
        self.drill, self._make, self._ended = drill, make, ended
        self._player, self._click, self._listen, self._drift_ms = player, click, listen, drift_ms
        self._subdivide, self._silent = subdivide, silent
        self.rung, self.speed = drill.rung, drill.speed
        super().__init__(make(self.rung, self.speed), window, pedal=pedal, still=still)
        self._counted = 0  # passes of this sitting that were counted
        self._broken: set[int] = set()  # passes that were over with their first fault
        self._idle: set[int] = set()  # passes that were played on while the step was to change
        self._plucks = 0  # notes heard in this sitting
        self._plucked_us = self._now_ns = 0
        self._before: deque[bytes] = deque(maxlen=CONTROLLERS)  # what came before the first note
        self._click_ns = 0  # when the click was heard by which the session's time is set
        self._clicking: int | None = None  # the token of the click that runs
        self._along = 0  # what of the model goes along, an index into ALONG
        self._unsaid: list[str] = []
        self._played = self._clean = 0  # passes of all sittings
        if listen and player is not None:
            player.play(self.passage.model())

    # --- where it stands --------------------------------------------------------------------------

    @property
    def passage(self) -> Passage:
        """The step at its tempo."""
        return Passage(self.sitting.step, self.speed)

    @property
    def _moving(self) -> bool:
        """Whether another step or tempo is to be begun, or the same without the click it is judged by."""
        other = (self.drill.rung.place, self.drill.speed) != (self.rung.place, self.speed)
        return other or (self.sitting.session.click is not None and not self._click)

    def step(self, now_ns: int) -> None:
        """Do what is due: count passes, say when a break is due, change the step while nobody plays."""
        self._now_ns = now_ns
        self.taken(self.sitting.tick(now_ns), now_ns)
        self._count(now_ns)
        self._say(self.drill.tick(now_ns // 1000))
        if self._moving and self._silence(now_ns):
            self._change(now_ns)
        self._keep_click(now_ns)
        self._tell_pass(now_ns)

    def begins(self, message: Heard) -> bool:
        """Whether a message begins a sitting: a note does.

        The end of one that was played in the sitting before does not; what a pickup says of itself is kept.
        """
        kind = message.data[0] & 0xF0 if message.data else 0
        if kind == 0x90 and message.data[2:3] > b"\0":
            while self._before:
                self.sitting.hear(replace(message, data=self._before.popleft()))
            return True
        if kind == 0xB0:
            self._before.append(message.data)
        return False

    def taken(self, changes: list[Change], now_ns: int) -> None:
        """Look at what was judged: the first fault ends a pass where that is the rule."""
        plucks = len(self.sitting.session.ringing.played)
        if plucks != self._plucks:
            self._plucks, self._plucked_us = plucks, self.sitting.now_us(now_ns)
        if not self.drill.rules.at_once or self._moving:
            return
        for change in changes:
            number = getattr(change, "pass_number", 0)
            if number > self._counted and number not in self._broken and is_fault(change):
                self._broken.add(number)
                self._take(number, now_ns, at_once=True)

    # --- passes -----------------------------------------------------------------------------------

    def _count(self, now_ns: int) -> None:
        course = self.viewer.course(self.sitting.now_us(now_ns))
        while self._counted < course.final:
            self._counted += 1
            if self._counted in self._broken or self._counted in self._idle:
                continue
            if self._moving:
                self._idle.add(self._counted)
            else:
                self._take(self._counted, now_ns)

    def _take(self, number: int, now_ns: int, *, at_once: bool = False) -> None:
        """Count a pass that is over, or that its first fault ended."""
        if self.drill.hurting:
            return
        result = report(self.sitting.session)
        # Slower, beats are longer, and so is what strays unheard: 2.5 % of the time between two tones
        # (Friberg & Sundberg 1995, JASA 98:2524–2531).
        found = pass_result(self.sitting.session, result, number, drift_ms=self._drift_ms / self.speed)
        if at_once:
            found = replace(found, complete=False)
        self._played += 1
        self._clean += found.clean and found.complete
        self._say(self.drill.take(found, now_ns // 1000))

    # --- saying -----------------------------------------------------------------------------------

    def _say(self, decisions: tuple[Decision, ...]) -> None:
        self._unsaid += [decision.sentence for decision in decisions if decision.sentence]
        if any(decision.kind is Kind.HURT for decision in decisions):
            self._hush()
            self._idle.add(len(self.sitting.session.matching.passes))  # breaking it off is no fault

    def said(self, now_ns: int) -> Said:
        """Return what the drill says: nothing is said of passes beside that."""
        found, self._unsaid = tuple(self._unsaid), []
        return Said(found, " ".join(found))

    def summary(self) -> Summary | None:
        """Return where the drill stands; None when nothing was played.

        The last pass counts if it came to its end, however soon the player got up.
        """
        passes = report(self.sitting.session).passes
        while self._counted < len(passes):
            self._counted += 1
            spent = self._counted in self._broken or self._counted in self._idle
            if passes[self._counted - 1].complete and not spent and not self._moving:
                self._take(self._counted, self._now_ns)
        if not self._played:
            return None
        told = drill_words.STOOD.format(
            passes=words.number_of("pass", self._played),
            clean=self._clean,
            rung=self.drill.rung.name,
            speed=self.drill.tempo_words(self.drill.speed),
        )
        return Summary(self.window.title, (told, drill_words.TOMORROW), (), caution=words.HAND_CARE)

    def draw(self, view: View) -> None:
        """Draw the page with the step, the tempo and the count at its foot."""
        foot = replace(
            view.foot,
            chunk=self.rung.name,
            tempo=words.tempo_at(self.sitting.session.score, self.speed),
            tally=self.drill.count,
        )
        if self.drill.hurting:  # it stays until the player says that it is over
            foot = replace(foot, message=drill_words.HURT)
        elif self.drill.suggestion is not None and not foot.message:
            foot = replace(foot, message=self.drill.suggestion.sentence)
        self.window.show(replace(view, foot=foot))

    # --- what the player asks for -----------------------------------------------------------------

    def act(self, action: Action) -> bool:
        """Do what a key or the pedal asks for; return whether the drill is to end."""
        drill = self.drill
        match action:
            case Action.ACCEPT | Action.NEXT_BAR:
                self._accept()
            case Action.LISTEN:
                self._listen_or_stop()
            case Action.ALONG:
                self._play_along()
            case Action.DIFFERENCE:
                self._let_hear(self.passage.difference())
            case Action.LAST_PASS | Action.MENDED:
                self._hear_last(mended=action is Action.MENDED)
            case Action.CLICK:
                self._turn_click()
            case Action.HARDER:
                self._say(drill.harder())
            case Action.EASIER:
                self._say(drill.easier())
            case Action.FASTER:
                self._say(drill.faster())
            case Action.SLOWER:
                self._say(drill.slower())
            case Action.HURTS:
                self._say(drill.hurts())
            case _:
                return super().act(action)
        return False

    def _accept(self) -> None:
        drill = self.drill
        if drill.hurting:
            drill.resume()
            speed = drill.tempo_words(drill.speed)
            self._unsaid.append(
                drill_words.RESUMED.format(rung=words.sentence_case(drill.rung.name), speed=speed)
            )
        elif drill.suggestion is not None:
            self._say(drill.accept())
        else:
            self._listen_or_stop()

    # --- the step changes -------------------------------------------------------------------------

    def _silence(self, now_ns: int) -> bool:
        """Whether nobody plays: nothing was plucked for a while, and no pass is going on."""
        session, now_us = self.sitting.session, self.sitting.now_us(now_ns)
        if not session.matching.passes:
            return True
        last = session.matching.passes[-1]
        over = self.viewer.course(now_us).final >= last.number
        anchor = next(last.backwards(), None)
        # The tick up to which something is still to come: the next note, or the end of the last one.
        tick = session.groups.next_onset(last.front)
        if over:
            ends = session.score.notes[["onset", "duration"]][session.groups.rows(last.front)].tolist()
            tick = max(map(sum, ends)) if session.ringing.sounding() else None
        due_us = 0.0
        if tick is not None and anchor is not None:
            nominal_us = session.score.nominal_us(tick) - session.score.nominal_us(anchor.tick)
            due_us = anchor.us + nominal_us / self.speed
        wait_us = QUIET_US if over or last.number in self._broken else GONE_US
        return now_us - max(due_us, self._plucked_us) >= wait_us

    def _change(self, now_ns: int) -> None:
        """Begin the step and tempo the drill stands at."""
        self._hush()
        self.sitting.end(now_ns)
        if self.sitting.begun:
            self._ended(self.sitting)
        fresh = self.drill.rung.place != self.rung.place
        self.rung, self.speed = self.drill.rung, self.drill.speed
        self.seat(self._make(self.rung, self.speed))
        self.left_behind = True
        if fresh:
            self.window.turn_to(self.sitting.piece.score, self.sitting.piece.xml)
        self._counted, self._broken, self._idle, self._plucks = 0, set(), set(), 0
        if fresh and self._listen and not self.drill.hurting:
            self._let_hear(self.passage.model())

    # --- sound ------------------------------------------------------------------------------------

    def _let_hear(self, track: Track) -> None:
        """Play a track instead of what plays now; say so where there is no sound."""
        self._clicking = None
        if self._player is None:
            self.tell(drill_words.NO_SOUND)
        else:
            self._player.play(track)

    def _hush(self) -> None:
        self._clicking, self._along = None, 0
        if self._player is not None:
            self._player.stop()

    def _listen_or_stop(self) -> None:
        if self._player is not None and self._player.playing and self._clicking is None:
            self._hush()
        else:
            self._let_hear(self.passage.model())

    def _play_along(self) -> None:
        """Let the model go on round after round: both voices, the tune, the bass, none."""
        self._along = (self._along + 1) % len(ALONG)
        if self._player is None or not self._along:
            self._hush()
            self.tell(drill_words.NO_SOUND if self._player is None else drill_words.ALONG_OFF)
            return
        name, melody, bass = ALONG[self._along]
        self._let_hear(self.passage.model(melody=melody, bass=bass, repeat=True))
        self.tell(drill_words.ALONG[name])

    def _hear_last(self, *, mended: bool) -> None:
        session = self.sitting.session
        number = self._counted or len(session.matching.passes)
        if not number:
            self.tell(drill_words.NO_PASS)
            return
        self._let_hear(heard_again(session, number, mended=mended))

    def _turn_click(self) -> None:
        self._click = not self._click
        if not self._click:
            self._hush()
        self.tell(drill_words.CLICK_ON if self._click else drill_words.CLICK_OFF)

    def _keep_click(self, now_ns: int) -> None:
        """Begin the click where it is wanted and nothing else sounds; set the session's time by it."""
        player, session = self._player, self.sitting.session
        if player is None or not self._click or self.drill.hurting:
            return
        if self._clicking is None and not player.playing and not self._along:
            at_ns = None if session.click is None else self._beat_ns(now_ns + AHEAD_NS)
            self._clicking = player.play(
                self.passage.clicks(subdivide=self._subdivide, silent=self._silent), at_ns=at_ns
            )
        if self._clicking is not None and not self.sitting.begun and session.click is None:
            start_ns = player.start_ns(self._clicking)
            if start_ns is not None:
                passage = self.passage
                music_ns = round((passage.lead_s + passage.beat_s(0)) * 1e9)
                self.sitting.start_click(start_ns, start_ns + music_ns)
                self._click_ns = start_ns

    def _beat_ns(self, after_ns: int) -> int:
        """Return the next beat of the click that sets the session's time, after a moment."""
        passage, bar = self.passage, self.sitting.session.score.bars[self._first_bar]
        beat_ns = (passage.beat_s(bar.onset + bar.beat_ticks) - passage.beat_s(bar.onset)) * 1e9
        return self._click_ns + round(ceil((after_ns - self._click_ns) / beat_ns) * beat_ns)

    @property
    def _first_bar(self) -> int:
        chunk = self.sitting.step.chunk
        return 0 if chunk is None else chunk[0]
