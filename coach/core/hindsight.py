"""Hindsight: a take judged with all of it known, and where that differs from what was settled as it went.

As the player goes on, a label is settled within a dozen notes.  The whole take knows more: which of two equal
bars it was shows in the bar that follows, be that a minute later.  The take is heard twice, and the second
time the follower knows beforehand what the first told it in the end; all else is the same.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import inf

from coach.core.follower import Follower, Label, Margin
from coach.core.groups import Groups
from coach.core.session import Session
from coach.core.verdicts import StrayVerdict, Stroke, StrokeVerdict, Verdict

SURE = Margin(inf, inf)
Follow = Callable[[Groups, tuple[int, int] | None], Follower]  # makes the follower of a session


@dataclass(frozen=True, slots=True)
class Said:
    """One verdict in short."""

    kind: str  # a token of Stroke or Damping, or "stray"
    bar: int  # index into ``Score.bars``
    pass_number: int
    note: int  # row in ``Score.notes``; -1: none


@dataclass(frozen=True, slots=True)
class Difference:
    """Where the take as it went and the whole of it say different things; None: nothing was said."""

    us: int | None  # when the note was played; None for one that was not
    pitch: int
    live: Said | None
    back: Said | None


class Recalled(Follower):
    """Follows as the first hearing did, but labels notes as that one did in the end."""

    def __init__(self, first: Follower, groups: Groups, chunk: tuple[int, int] | None = None) -> None:
        """``first`` has followed the whole take, with ``hindsight``."""
        super().__init__(groups.score, chunk=chunk, groups=groups)
        self._recalled = first.trace(first.fed)

    @property
    def certain(self) -> bool:
        """Whether the place is known: it is, unless nothing that is played fits."""
        return bool(self.fed) and not self.lost

    def trace(self, count: int, at: int | None = None) -> list[Label]:
        """Return the labels of the last ``count`` notes, oldest first."""
        end = min(self.fed, len(self._recalled))
        return self._recalled[max(end - count, 0) : end]

    def margins(self, count: int, at: int | None = None) -> list[Margin]:
        """Return that the labels are sure."""
        return [SURE] * len(self.trace(count))


def keeping(groups: Groups, chunk: tuple[int, int] | None) -> Follower:
    """Return a follower that keeps the whole take: what ``Session`` takes as ``follow`` the first time."""
    return Follower(groups.score, chunk=chunk, groups=groups, hindsight=True)


def recalling(first: Follower) -> Follow:
    """Return what ``Session`` takes as ``follow`` the second time."""
    return lambda groups, chunk: Recalled(first, groups, chunk)


def differences(live: Session, back: Session) -> tuple[Difference, ...]:
    """Return what two hearings of one take say differently, in the order played; missing notes at the end.

    Passes are numbered anew where hindsight finds one more turn, so that the same fault of the same note in
    another pass is no difference.
    """
    found = []
    one, two = _of_played(live), _of_played(back)
    for key in sorted(one.keys() | two.keys()):
        mine, other = one.get(key), two.get(key)
        if mine is None or other is None or _told(mine) != _told(other):
            some = other or mine
            assert some is not None
            us = live.ringing.played[key[0]].on_us
            found.append(Difference(us, some.pitch, _in_short(live, mine), _in_short(back, other)))
    return (*found, *_missing(live, back))


def _of_played(session: Session) -> dict[tuple[int, str], Verdict]:
    return {
        (v.played, key[0]): v
        for key, v in session.verdicts.items()
        if not (isinstance(v, StrokeVerdict) and v.kind is Stroke.MISSING) and v.played >= 0
    }


def _missing(live: Session, back: Session) -> Iterable[Difference]:
    one, two = _not_played(live), _not_played(back)
    times = Counter({row: len(said) for row, said in one.items()})
    again = Counter({row: len(said) for row, said in two.items()})
    for row in sorted(times.keys() | again.keys()):
        pitch = int(live.score.notes["pitch"][row])
        for said in one.get(row, [])[again[row] :]:
            yield Difference(None, pitch, said, None)
        for said in two.get(row, [])[times[row] :]:
            yield Difference(None, pitch, None, said)


def _not_played(session: Session) -> dict[int, list[Said]]:
    found: dict[int, list[Said]] = {}
    for verdict in session.verdicts.values():
        said = _in_short(session, verdict)
        if isinstance(verdict, StrokeVerdict) and verdict.kind is Stroke.MISSING and said is not None:
            found.setdefault(verdict.note, []).append(said)
    return found


def _in_short(session: Session, verdict: Verdict | None) -> Said | None:
    if verdict is None:
        return None
    kind, note = _told(verdict)
    if isinstance(verdict, StrokeVerdict | StrayVerdict):
        bar = verdict.bar
    else:
        bar = int(session.score.notes["bar"][note])
    return Said(kind, bar, verdict.pass_number, note)


def _told(verdict: Verdict) -> tuple[str, int]:
    if isinstance(verdict, StrayVerdict):
        return "stray", -1
    return verdict.kind.value, verdict.note
