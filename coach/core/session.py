"""One sitting with one piece: events in, verdicts out.

``feed`` settles every deadline before an event, in order, then handles the event; a ``Tick`` only says
that nothing earlier is coming.  A verdict carries the time of its own deadline, never a tick's, so a take
fed all at once, one by one, or with ticks at any moments gives the same verdicts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace

from coach.core.asked import Asked
from coach.core.channels import Channels
from coach.core.damping import Stop, plan_stops
from coach.core.events import AllOff, Bend, End, Event, NoteOff, NoteOn, Tick
from coach.core.follower import Follower
from coach.core.groups import Groups
from coach.core.judge import Judge
from coach.core.ledger import Key, Ledger
from coach.core.matching import Match, Matching
from coach.core.profile import Profile
from coach.core.ringing import Ringing
from coach.core.score import Score
from coach.core.timing import Click
from coach.core.verdicts import Change, Limits, Verdict


class Session:
    """The mutable owner of a sitting.  Everything it returns is frozen."""

    def __init__(
        self,
        score: Score,
        *,
        profile: Profile | None = None,
        limits: Limits | None = None,
        stops: tuple[Stop, ...] | None = None,
        chunk: tuple[int, int] | None = None,
        click: Click | None = None,
        follow: Callable[[Groups, tuple[int, int] | None], Follower] | None = None,
    ) -> None:
        """Sit down to ``score``; ``chunk`` names its first and last performed bar when a part is practised.

        ``stops`` is the damping plan (default: ``plan_stops`` of the score and chunk); ``follow`` makes the
        follower, where it is to be another than usual (``coach.core.hindsight``).
        """
        self.score = score
        self.profile = profile or Profile(strings=score.tuning.strings)
        self.limits = limits or Limits()
        self.chunk = chunk
        self.click = click
        self.stops = plan_stops(score, last_bar=chunk[1] if chunk else None) if stops is None else stops
        self.stop_of = {stop.note: stop for stop in self.stops}
        self.groups = Groups(score)
        follow = follow or (lambda groups, chunk: Follower(score, chunk=chunk, groups=groups))
        self.follower = follow(self.groups, chunk)
        self._asked = Asked(self.groups, self.follower)
        self.ringing = Ringing(self.profile, self._asked)
        self.matching = Matching(score, self.groups, self.follower, self.limits, chunk)
        self.ledger = Ledger(self.groups.twins)
        self.channels = Channels(self.profile, score)  # for the decoder; where they are off, see ``_doubt``
        self._doubted = False
        self._judge = Judge(
            score,
            self.groups,
            self.stops,
            self.matching,
            self.ringing,
            self.profile,
            self.limits,
            self.ledger,
            click,
        )
        self.ignored: Counter[str] = Counter()
        self.now_us = 0
        self.ended = False
        self._inferred = 0  # matches before this have their string for good

    @property
    def verdicts(self) -> dict[Key, Verdict]:
        """Every verdict that stands, by what it is about."""
        return self.ledger.standing

    def feed(self, event: Event) -> list[Change]:
        """Take one event and return what is new, in order.  After ``End`` nothing more is taken.

        An event earlier than the last is taken as coming now, and counted in ``ignored``.
        """
        if self.ended:
            self.ignored["events after the end"] += 1
            return []
        if event.time_us < self.now_us:
            self.ignored["late events"] += 1
            event = replace(event, time_us=self.now_us)
        self._meet_deadlines(event.time_us)
        self.now_us = event.time_us
        if self.channels.off:
            event = self._doubt(event)
        match event:
            case NoteOn():
                self._note_on(event)
            case NoteOff():
                ended = self.ringing.note_off(event)
                if ended is not None:
                    self._judge.ends.fades.hear(ended)
                    self._judge.look(self.now_us)
            case AllOff():
                if self.ringing.all_off(event):
                    self._judge.look(self.now_us)
            case End():
                self.ended = True
                self.matching.settle_all()
                self._infer_strings()
                self._judge.look(self.now_us, ended=True)
            case Bend():
                self.ringing.bend(event)
            case Tick():
                pass
        return self.ledger.take_changes()

    def decided(self, match: Match) -> bool:
        """Whether all that will ever be said of a played note has been said: perhaps nothing."""
        return self._judge.decided(match.index)

    def set_click(self, click: Click) -> None:
        """Play to a click from the beginning: to be called before the first event."""
        self.click = self._judge.ends.click = click

    def _doubt(self, event: Event) -> Event:
        """Return an event without its string: the channels tell the wrong ones, so the score tells them."""
        if not self._doubted:
            self._doubted = True
            proposed = self.channels.proposed
            if proposed is not None and proposed.single_channel:
                # What seemed one string, each note ending the last, was many: nothing is said of that.
                for match in self.matching.matches[self.matching.settled :]:
                    match.doubted = True
            self.ringing.doubt()
            self._infer_strings()
        if isinstance(event, NoteOn | NoteOff) and event.string is not None:
            return replace(event, string=None)
        return event

    def _note_on(self, event: NoteOn) -> None:
        note = self.ringing.note_on(event)
        if note is None:
            return
        self.matching.add(note)
        self._asked.moved(self.now_us)
        self._infer_strings()
        self._judge.look(self.now_us)

    def _infer_strings(self) -> None:
        """Where the pickup does not tell strings, take them from the score; a settled match makes certain."""
        for match in self.matching.matches[self._inferred :]:
            if match.played.inferred:
                row = match.label.note
                string = int(self.score.notes["string"][row]) if row >= 0 else 0
                self.ringing.infer(match.played, string or None)
                if match.settled:
                    self.ringing.confirm(match.played)
        self._inferred = self.matching.settled

    def _meet_deadlines(self, before_us: int) -> None:
        while True:
            deadlines = (self.matching.next_deadline(), self._judge.next_deadline())
            first = min((d for d in deadlines if d is not None), default=before_us)
            if first >= before_us:
                return
            self.now_us = max(self.now_us, first)
            self.matching.settle_until(self.now_us)
            self._infer_strings()
            self._judge.look(self.now_us)


def judge(
    events: Iterable[Event],
    score: Score,
    *,
    profile: Profile | None = None,
    limits: Limits | None = None,
    stops: tuple[Stop, ...] | None = None,
    chunk: tuple[int, int] | None = None,
    click: Click | None = None,
) -> Session:
    """Return the session after a whole take: the same verdicts as live, settled."""
    session = Session(score, profile=profile, limits=limits, stops=stops, chunk=chunk, click=click)
    last_us = 0
    for event in events:
        session.feed(event)
        last_us = event.time_us
    if not session.ended:
        session.feed(End(max(last_us, session.now_us)))
    return session
