"""The drill in its window: passes are heard, counted, told, and the step changes.

It changes while nobody plays.  Who goes round and round is told that it is due; ``→`` changes it at once,
and else it changes at the end of the round that is played while it is due.  No note is lost or counted
twice: each is in one take.  Where only the tempo changes, the first note of the new round is the new
sitting's first.  Where the bars change too, or a click is to be begun, what is still played of the old step
goes to the old sitting (``_former``) until there is a pause, and the new one begins after it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import replace

from coach.app import rounds
from coach.app.drill_listening import Listening
from coach.app.drill_sound import Passage, Player, heard_again
from coach.app.late_start import with_late_start
from coach.app.live import Live
from coach.app.pass_result import pass_result
from coach.app.sitting import Sitting
from coach.app.telling import Said
from coach.core import drill_words, tempo_words, words
from coach.core.clean import is_fault
from coach.core.drill import Decision, Drill, Kind
from coach.core.ladder import Rung
from coach.core.pedal import Pedal
from coach.core.report import report
from coach.core.shapes import Summary, View
from coach.core.verdicts import Change
from coach.devices.messages import Heard
from coach.screen.window import Action, Window

READ_NS = 2_000_000_000  # so long it has been said that a change is due before a round's end brings it
CONTROLLERS = 64  # so many are kept from before the first note
# Decisions after which another step or tempo is due.
MOVES = (Kind.STEP_UP, Kind.STEP_DOWN, Kind.NEXT_RUNG)
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
        ended: Callable[[Sitting], None] = lambda sitting: None,
    ) -> None:
        """``make`` returns a sitting for a step at a speed; ``ended`` is given each that was played.

        ``click``: one goes on while the step is played, each beat divided into ``subdivide``, with ``silent``
        bars without it after each two; ``listen``: each step is played to the player
        first.
        """
        self.drill, self._make, self._ended = drill, make, ended
        self._listen = listen
        self.listening = Listening(player, self.tell, click=click, subdivide=subdivide, silent=silent)
        self.rung, self.speed = drill.rung, drill.speed
        super().__init__(make(self.rung, self.speed), window, pedal=pedal, still=still)
        self._counted = 0  # passes of this sitting that were counted
        self._broken: set[int] = set()  # passes that were over with their first fault
        self._idle: set[int] = set()  # passes that were played on while the step was to change
        self._former: Sitting | None = None  # the one before, to which the rest of its step still goes
        self._due_ns: int | None = None  # since when a change is due
        self._next = ""  # the sentence that said so
        self._at_once = False  # the player wants it now
        self._now_ns = 0
        self._before: deque[bytes] = deque(maxlen=CONTROLLERS)  # what came before the first note
        self._unsaid: list[str] = []
        self._fault = 0, ""  # the pass that had one, and what and where; it stays until another is begun
        self._played = self._clean = 0  # passes of all sittings
        if listen and player is not None:
            self.listening.hear(self.passage.model())

    # --- where it stands --------------------------------------------------------------------------

    @property
    def passage(self) -> Passage:
        """The step at its tempo."""
        return Passage(self.sitting.step, self.speed)

    @property
    def _due(self) -> bool:
        """Whether another step or tempo is to be begun."""
        return (self.drill.rung.place, self.drill.speed) != (self.rung.place, self.speed)

    @property
    def _moving(self) -> bool:
        """Whether another sitting is to be begun: it is due, or the click it is judged by is off."""
        return self._due or (self.sitting.session.click is not None and not self.listening.click)

    def step(self, now_ns: int) -> None:
        """Do what is due: count passes, say when a break is due, change the step when it may be."""
        self._now_ns = now_ns
        self.taken(self.sitting.tick(now_ns), now_ns)
        self._count(now_ns)
        self._say(self.drill.tick(now_ns // 1000))
        self.listening.look()
        if self._former is not None and self._paused(self._former, now_ns):
            self._part(now_ns)
        if self._moving:
            self._due_ns = now_ns if self._due_ns is None else self._due_ns
            silence = self._silence(now_ns)
            if silence or self._at_once:
                self._change(now_ns, playing=not silence)
        self._at_once = False
        if not self.drill.hurting:
            self.listening.keep_click(self.sitting, self.passage, now_ns)
        self._tell_pass(now_ns)

    def _hear(self, message: Heard) -> bool:
        """Take in one message: with the first of a round the step may change."""
        pitch = rounds.plucked(message.data)
        if pitch is None or not self._moving or not self._round_over(pitch, message.stamp_ns):
            return super()._hear(message)
        if self._same_bars:
            self._change(message.stamp_ns)
            return super()._hear(message)
        over = super()._hear(message)
        self._change(message.stamp_ns, playing=True)
        return over

    def _round_over(self, pitch: int, stamp_ns: int) -> bool:
        """Whether a pluck begins another round although a change is due."""
        read = self._due_ns is not None and stamp_ns - self._due_ns >= READ_NS
        passes = self.sitting.session.matching.passes
        if not read or self.drill.hurting or not passes:
            return False
        number = passes[-1].number
        if number in self._broken or (number <= self._counted and number not in self._idle):
            return False  # it is the one by which the change became due: one more is waited for
        return rounds.begins_again(self.sitting, pitch, self.sitting.now_us(stamp_ns))

    @property
    def _same_bars(self) -> bool:
        """Whether a round that is begun may be the new sitting's: a click would have to be waited for."""
        return self.drill.rung.place == self.rung.place and not self.listening.click

    def begins(self, message: Heard) -> bool:
        """Whether a message begins a sitting: a note does.

        The end of one that was played in the sitting before does not, nor does what is still played of its
        step; what a pickup says of itself is kept.
        """
        kind = message.data[0] & 0xF0 if message.data else 0
        pitch = rounds.plucked(message.data)
        if self._former is not None:
            if pitch is None or not self._leaves(self._former, pitch, message.stamp_ns):
                self._former.hear(message)
                pitch = None
            else:
                self._part(message.stamp_ns)
        if pitch is not None:
            while self._before:
                self.sitting.hear(replace(message, data=self._before.popleft()))
            return True
        if kind == 0xB0:
            self._before.append(message.data)
        return False

    def taken(self, changes: list[Change], now_ns: int) -> None:
        """Look at what was judged: the first fault ends a pass where that is the rule."""
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
        found = pass_result(self.sitting.session, result, number)
        found = with_late_start(self.sitting.session, number, found)
        if at_once:
            found = replace(found, complete=False)
        self._played += 1
        self._clean += found.clean and found.complete
        decisions = self.drill.take(found, now_ns // 1000)
        self._fault = number, next((one.sentence for one in decisions if one.kind is Kind.AGAIN), "")
        self._say(decisions)

    # --- saying -----------------------------------------------------------------------------------

    def _say(self, decisions: tuple[Decision, ...]) -> None:
        self._unsaid += [decision.sentence for decision in decisions if decision.sentence]
        for decision in decisions:
            if decision.kind in MOVES:
                self._next = decision.sentence
        if any(decision.kind is Kind.HURT for decision in decisions):
            self.listening.hush()
            self._idle.add(len(self.sitting.session.matching.passes))  # breaking it off is no fault

    def said(self, now_ns: int) -> Said:
        """Return what the drill says: nothing is said of passes beside that."""
        found, self._unsaid = tuple(self._unsaid), []
        return Said(found, " ".join(found))

    @property
    def _waits(self) -> bool:
        """Whether a change is due that waits for the player; what is suggested has the word before it."""
        return self._due and bool(self._next) and self.drill.suggestion is None and not self.drill.hurting

    @property
    def _fault_stands(self) -> bool:
        """Whether the last pass had a fault and nobody plays: who played on has not read what it was."""
        number, sentence = self._fault
        passes = self.sitting.session.matching.passes
        return bool(sentence) and passes[-1].number == number and self._silence(self._now_ns)

    def summary(self) -> Summary | None:
        """Return where the drill stands; None when nothing was played.

        The last pass counts if it came to its end, however soon the player got up.
        """
        self._part(self._now_ns)
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
            tempo=tempo_words.tempo_at(self.sitting.session.score, self.speed),
            tally=self.drill.count,
        )
        if self.drill.hurting:  # it stays until the player says that it is over
            foot = replace(foot, message=drill_words.HURT)
        elif self.drill.suggestion is not None and not foot.message:
            sentence = self.drill.suggestion.sentence
            if not self._silence(self._now_ns):  # in full it would stand over the strings
                sentence = drill_words.question(sentence)
            foot = replace(foot, message=sentence)
        elif self._waits and foot.message == self._next:
            foot = replace(foot, message=drill_words.WAITING.format(next=self._next))
        elif self._waits and not foot.message:  # longer, it would stand over the strings for all of a round
            foot = replace(foot, message=drill_words.STILL_WAITING)
        elif self._fault_stands and not foot.message:
            foot = replace(foot, message=self._fault[1])
        self.window.show(replace(view, foot=foot))

    # --- what the player asks for -----------------------------------------------------------------

    def act(self, action: Action) -> bool:
        """Do what a key or the pedal asks for; return whether the drill is to end."""
        drill = self.drill
        match action:
            case Action.ACCEPT | Action.NEXT_BAR:
                self._accept()
            case Action.LISTEN:
                self.listening.model_or_stop(self.passage)
            case Action.ALONG:
                self.listening.along(self.passage)
            case Action.DIFFERENCE:
                self.listening.hear(self.passage.difference(), drill_words.DIFFERENCE)
            case Action.LAST_PASS | Action.MENDED:
                self._hear_last(mended=action is Action.MENDED)
            case Action.CLICK:
                self.listening.turn_click()
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
            self._at_once = True
        elif self._due:
            self._at_once = True
        else:
            self.listening.model_or_stop(self.passage)

    # --- the step changes -------------------------------------------------------------------------

    def _silence(self, now_ns: int) -> bool:
        """Whether nobody plays: nothing was plucked for a while, and no pass is going on."""
        sitting, now_us = self.sitting, self.sitting.now_us(now_ns)
        passes = sitting.session.matching.passes
        number = passes[-1].number if passes else 0
        over = self.viewer.course(now_us).final >= number
        if self._counted < number and number not in self._broken:
            over = over or rounds.at_end(sitting)  # it counts for nothing: nothing of it has to be settled
        wait_us = rounds.QUIET_US if over or number in self._broken else rounds.GONE_US
        return rounds.nobody_plays(sitting, now_us, over=over, wait_us=wait_us)

    def _paused(self, sitting: Sitting, now_ns: int) -> bool:
        """Whether the step that was left is played no more."""
        over = rounds.at_end(sitting)
        return rounds.nobody_plays(sitting, sitting.now_us(now_ns), over=over, wait_us=rounds.QUIET_US)

    def _leaves(self, former: Sitting, pitch: int, stamp_ns: int) -> bool:
        """Whether a pluck is not of the step that was left, but the first of this one.

        It comes after a pause, which may be short where this step begins with its pitch and the other did not
        go on with it; or it begins the same bars again.
        """
        now_us = former.now_us(stamp_ns)
        if self._paused(former, stamp_ns):
            return True
        if pitch not in rounds.begin_pitches(self.sitting.session) or pitch in rounds.awaited(former):
            return False
        if now_us - rounds.last_pluck_us(former.session) >= rounds.QUIET_US:
            return True
        same = former.step.rung == self.sitting.step.rung and not self.listening.click
        return same and rounds.begins_again(former, pitch, now_us)

    def _part(self, now_ns: int) -> None:
        """End the sitting that was left."""
        if self._former is not None:
            former, self._former = self._former, None
            former.end(now_ns)
            self._ended(former)

    def _change(self, now_ns: int, *, playing: bool = False) -> None:
        """Begin the step and tempo the drill stands at; ``playing``: some of the old one is still to come."""
        self.listening.hush()
        self._part(now_ns)
        if self.sitting.begun:
            self._former = self.sitting
        if not playing:
            self._part(now_ns)
        fresh = self.drill.rung.place != self.rung.place
        self.rung, self.speed = self.drill.rung, self.drill.speed
        self.seat(self._make(self.rung, self.speed))
        self.left_behind = True
        if fresh:
            self.window.turn_to(self.sitting.piece.score, self.sitting.piece.xml)
        self._counted, self._broken, self._idle = 0, set(), set()
        self._fault = 0, ""
        self._due_ns, self._next = None, ""
        if fresh and self._listen and not self.drill.hurting:
            self.listening.hear(self.passage.model())

    # --- sound ------------------------------------------------------------------------------------

    def _hear_last(self, *, mended: bool) -> None:
        session = self.sitting.session
        number = self._counted or len(session.matching.passes)
        if not number:
            self.tell(drill_words.NO_PASS)
            return
        self.listening.hear(heard_again(session, number, mended=mended), drill_words.LAST_PASS[mended])
