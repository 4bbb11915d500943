"""Which played note is which score note: the follower's labels, provisional, then settled.

The follower may change its mind about the last dozen notes.  A label is settled when so many notes have
followed it or so much time has passed, and never changes afterwards; where a later change of mind would
contradict what is settled, the contradiction becomes a new pass (a place that cannot be reached without
turning back) or an extra note (a score note that is already taken).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

from coach.core.follower import LOST_NOTES, Follower, Label, Margin
from coach.core.groups import Groups
from coach.core.passes import Anchor, Ending, Pass
from coach.core.ringing import Played
from coach.core.score import Score
from coach.core.verdicts import Limits

PACE_PASSES = 4  # the pace before a restart is looked for in so many passes
UNSURE_SHARE = 2  # so many times the settling time is waited after the last note while a label is unsure
# A label is shown, and settled by time, where every other way to take the note is so many nats less likely.
SHOWN_MARGIN, SETTLED_MARGIN = 2.5, 5.0
UNKNOWN = Margin(0.0, 0.0)
# After a pause so many times the expected one, the player may have turned: what the first note seems to be is
# not shown before its chord is together (chords spread to 80 ms, mostly far less).
PAUSE, LEAST_PAUSE_US, TOGETHER_US = 1.5, 300_000, 60_000
LEAP = 8  # onset groups: further ahead than the follower steps without a jump


@dataclass(slots=True)
class Match:
    """One played note and what the follower says of it."""

    index: int
    played: Played
    label: Label
    during: Pass
    settled: bool = False
    margin: Margin = UNKNOWN  # how much likelier the label is than others
    astray: bool = False  # the place was not known when it came, or soon was known not to have been
    doubted: bool = False  # what seemed its string's was many strings'
    held: bool = False  # it came just now, after a pause or wrong: the rest of its chord may tell more

    @property
    def lost(self) -> bool:
        """Whether nothing can be said of the note."""
        return self.astray or self.doubted

    @property
    def sure(self) -> bool:
        """Whether what is said of the note is likely to hold, be it in another of some equal bars."""
        return self.settled or (not self.held and self.margin.equal >= SHOWN_MARGIN)


class Matching:
    """The only owner of matches and passes."""

    def __init__(
        self,
        score: Score,
        groups: Groups,
        follower: Follower,
        limits: Limits,
        chunk: tuple[int, int] | None = None,
    ) -> None:
        self.score, self.groups, self.follower, self.limits = score, groups, follower, limits
        self.last_group = (groups.span(chunk)[1] if chunk else groups.count) - 1
        self.matches: list[Match] = []
        self.passes: list[Pass] = []
        self.at: int | None = None  # the group where the way stands that the labels are of; None: the best
        self.settled = 0  # so many matches, from the first, are settled
        self.gone: list[tuple[Pass, int]] = []  # score notes passed over for good; the judge empties this
        self._fed_us = 0

    @property
    def current(self) -> Pass | None:
        """The pass the player is in."""
        return self.matches[-1].during if self.matches else None

    def add(self, played: Played) -> None:
        """Follow one more note."""
        # Corrected times of two strings may cross by a few ms; the follower's time never runs back.
        self._fed_us = max(self._fed_us, played.on_us)
        self.follower.feed(self._fed_us, played.pitch, played.string, played.velocity)
        unknown = Label(group=max(self.follower.group, 0), note=-1, right=False, jump=not self.matches)
        home = self.passes[-1] if self.passes else self._pass(1, unknown.group)
        self.matches.append(Match(len(self.matches), played, unknown, home))
        self._relabel()
        self._lose()
        last = self.matches[-1]  # a slip may be explained by what comes with it, too
        last.held = not last.label.right or self._after_pause()
        self._settle(len(self.matches) - self.limits.settle_events)

    def settle_until(self, now_us: int) -> None:
        """Settle every match that has waited long enough."""
        for match in self._held():
            match.held = match.played.heard_us + TOGETHER_US > now_us
        count = self.settled
        while count < len(self.matches) and self._deadline(count) <= now_us:
            count += 1
        self._settle(count)
        if self.matches and self.settled == len(self.matches):
            self._end(self.passes[-1])

    def settle_all(self) -> None:
        """Settle everything and close the last pass: the take is over."""
        self._settle(len(self.matches))
        if self.passes:
            self._close(self.passes[-1])

    def next_deadline(self) -> int | None:
        """Return when the first open match will be settled, or shown, by time."""
        if self.settled == len(self.matches):
            return None
        held = [match.played.heard_us + TOGETHER_US for match in self._held()]
        return min([self._deadline(self.settled), *held])

    def left_us(self, during: Pass) -> int | None:
        """Return when the player turned away from a pass, or None while it goes on."""
        if during.number >= len(self.passes):
            return None
        following = bisect_right(self.matches, during.number, key=_pass_number)
        return self.matches[following].played.on_us

    def of_pass(self, during: Pass) -> list[Match]:
        """Return what was played in a pass, up to its ending."""
        first = bisect_left(self.matches, during.number, key=_pass_number)
        found = self.matches[first : bisect_right(self.matches, during.number, key=_pass_number)]
        return [match for match in found if during.holds(match.played.index, -1)]

    def pace(self, during: Pass, tick: int) -> float | None:
        """Return the player's µs a tick in a pass up to a tick; at its beginning that of a pass before."""
        pace = during.pace(tick)
        for before in self.passes[max(during.number - 1 - PACE_PASSES, 0) : during.number - 1][::-1]:
            if pace is not None:
                break
            pace = before.pace(before.last_tick())
        return pace

    def missing(self) -> Iterator[tuple[Pass, int, bool]]:
        """Yield the score notes that look passed over in what may still change, and whether surely."""
        if not self.matches:
            return
        first = self.matches[min(self.settled, len(self.matches) - 1)].during.number
        for during in self.passes[max(first - 2, 0) :]:  # the one before may not be closed
            if not during.closed:
                # One sure onset more is waited for, unless this one is beyond doubt: what is played after
                # turning back may look like notes left out.
                sure = [a.match for a in during.soft_anchors if a.match.sure]
                told = sure if sure and sure[-1].margin.equal >= SETTLED_MARGIN else sure[:-1]
                end = max([during.settled_front, *(match.label.group for match in told)])
                for _, row in self._gaps(during, max(during.checked, during.start), during.front):
                    if self._astray(during, row):
                        continue
                    yield during, row, self.groups.group_of(row) < end

    # --- inside ---------------------------------------------------------------------------------

    def _deadline(self, index: int) -> int:
        """Return when a match is settled by time alone.

        While another way of taking the note is nearly as likely, the time is longer and counts from the
        last note: two seconds of slow playing are one or two notes, too few to tell equal bars apart or a
        turn from a slip, and a verdict settled wrong is worse than one that stays grey a little longer.
        After a turn that is itself not settled it counts from the last note too.  The first notes of all,
        where they fit badly, wait until it can be known that they fit nowhere.  Twelve notes always settle.
        """
        last_us = self.matches[-1].played.heard_us
        if (
            not self.follower.begun
            or self.matches[index].margin.exact < SETTLED_MARGIN
            or self.matches[index].lost
        ):
            return last_us + UNSURE_SHARE * self.limits.settle_us
        number = self.matches[self.settled - 1].during.number if self.settled else 1
        turned = self.matches[index].during.number != number
        return (last_us if turned else self.matches[index].played.heard_us) + self.limits.settle_us

    def _lose(self) -> None:
        """Mark what was played while the place was not known: it is the last notes together that fit nowhere.

        What was right up to the first slip among them was right.  Who is found again has begun where the way
        now turned last.
        """
        # So many gains are of one note more: the first has none.
        window = self.matches[max(self.settled, len(self.matches) - LOST_NOTES - 1) :]
        if self.follower.lost:
            fitting = True
            for match in window:
                fitting &= match.label.right and not match.label.jump
                match.astray |= not fitting
        elif window[-1].label.right:
            here = window[-1].during
            for match in reversed(window):
                if match.during is not here or (match.label.note >= 0 and not match.label.right):
                    break
                match.astray = False

    def _held(self) -> list[Match]:
        return [match for match in self.matches[self.settled :] if match.held]

    def _after_pause(self) -> bool:
        """Whether the last match came after a longer wait than the score's next onset asks for."""
        match, before = self.matches[-1], self.matches[-2:-1]
        waited = match.played.on_us - before[0].played.on_us if before else 0
        if waited < LEAST_PAUSE_US or not self.groups.count:
            return False
        onsets, at = self.groups.onsets, before[0].label.group
        ticks = int(onsets[min(at + 1, self.groups.count - 1)] - onsets[at])
        pace = self.pace(before[0].during, int(onsets[at]))
        return match.label.jump or (pace is not None and waited > PAUSE * pace * ticks)

    def _pass(self, number: int, start: int) -> Pass:
        while len(self.passes) < number:
            self.passes.append(Pass(len(self.passes) + 1, start))
        return self.passes[number - 1]

    def _relabel(self) -> None:
        """Take the follower's present opinion of every open match."""
        window = self.matches[self.settled :]
        previous = self.matches[self.settled - 1] if self.settled else None
        self.at = self.follower.through(previous.label.group, len(window)) if previous else None
        labels = self.follower.trace(len(window), self.at)
        number = previous.during.number if previous else 0
        at = previous.label.group if previous else -1
        for during in self.passes[max(number - 1, 0) :]:
            during.forget_soft()
        highest = number
        margins = self.follower.margins(len(window), self.at)
        for match, label, margin in zip(window, labels, margins, strict=True):
            match.margin = margin
            turned = label.group < at - 1 or label.group > at + LEAP
            # One who plays the last chord again and goes on has played it twice, and not turned back; one
            # who has played but that chord begins anew.
            again = label.group == at and number > 0 and at != self.passes[number - 1].start
            if (label.jump and not again) or turned or not number:
                number += 1
                during = self._pass(number, label.group)
                during.start = label.group
            during = self.passes[number - 1]
            taken = during.claim(label.note) is not None or label.note in during.given_up
            if label.note >= 0 and taken:
                label = Label(group=label.group, note=-1, right=False, jump=label.jump)
            match.label, match.during = label, during
            self._take(match, during.soft_anchors, during.soft_claims)
            during.soft_front = max(during.soft_front, label.group)
            at, highest = label.group, number
        del self.passes[highest:]

    def _take(self, match: Match, anchors: list[Anchor], claims: dict[int, Match]) -> None:
        row = match.label.note
        if row < 0:
            return
        claims[row] = match
        note = self.score.notes[row]
        tick = int(note["onset"])
        if not note["grace"] and tick > match.during.last_tick():
            anchors.append(Anchor(tick, match))

    def _settle(self, count: int) -> None:
        """Settle matches up to ``count``; what they claimed provisionally becomes final."""
        for match in self.matches[self.settled : max(count, self.settled)]:
            match.settled = True
            during = match.during
            if during.number > 1 and not self.passes[during.number - 2].closed:
                self._close(self.passes[during.number - 2])
            row = match.label.note
            if row >= 0:
                during.claims[row] = match
                during.soft_claims.pop(row, None)
                if during.soft_anchors and during.soft_anchors[0].match is match:
                    during.anchors.append(during.soft_anchors.pop(0))
            during.settled_front = max(during.settled_front, match.label.group)
            # A late note may still belong to the group just left, so that group waits.
            during.checked = max(during.checked, during.start)
            self.gone += self._final_gaps(during, during.settled_front - 1)
            self.settled += 1

    def _close(self, during: Pass) -> None:
        """Look through the last groups of a pass: only what lies strictly inside it can be missing."""
        during.checked = max(during.checked, during.start)
        self.gone += self._final_gaps(during, self._edge(during))
        during.closed = True

    def _end(self, during: Pass) -> None:
        """Where the last group was reached and all is settled by time, nothing more is waited for.

        A note that comes later still is no part of the pass, whatever the follower takes it for.
        """
        if during.ending is not None or during.settled_front < self.last_group:
            return
        edge = self._edge(during)
        during.checked = max(during.checked, during.start)
        self.gone += self._final_gaps(during, edge)
        last = min(max(edge, during.settled_front + 1), self.groups.count) - 1
        during.ending = Ending(self.matches[-1].played.index, self.groups.rows(last).stop)

    def _edge(self, during: Pass) -> int:
        """Return the group before which a pass that is over can miss notes."""
        end = during.settled_front
        # Played to the end of the piece or the chunk: its last chord counts.
        return end + 1 if end == self.last_group else end

    def _final_gaps(self, during: Pass, end: int) -> list[tuple[Pass, int]]:
        found = list(self._gaps(during, during.checked, end))
        during.checked = max(during.checked, end)
        during.given_up.update(row for _, row in found)
        return [gap for gap in found if not self._astray(*gap)]

    def _astray(self, during: Pass, row: int) -> bool:
        """Whether a note looks passed over only because the player's place was not known."""
        near = during.around(int(self.score.notes["onset"][row]))
        return any(anchor.match.astray for anchor in near if anchor is not None)

    def _gaps(self, during: Pass, first: int, end: int) -> Iterator[tuple[Pass, int]]:
        for group in range(first, end):
            for row in self.groups.required(group):
                if during.claim(row) is None:
                    yield during, row


def _pass_number(match: Match) -> int:
    return match.during.number
