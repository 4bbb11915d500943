"""Our follower's lines in the benchmark beside research libraries (``tests.bench.libraries``).

``once``: labelled as each note comes.  ``settled``: the follower's label at the time when the session settles
it (12 notes later, or by time; ``coach.core.matching``).  ``hindsight``: over the whole take.  The same takes
are also followed with no string told, as the libraries have them.
"""

from __future__ import annotations

import time
from dataclasses import replace

from coach.core.follower import Follower
from coach.core.matching import Matching
from coach.core.ringing import Played as Note
from coach.core.verdicts import Limits
from tests.bench.library_count import Answer, Line, Played, count, places_of

SETTLED, UNTOLD, ONCE, HINDSIGHT = (
    "ours, settled",
    "ours, no strings",
    "ours, at once",
    "ours, hindsight",
)


def once(one: Played) -> Answer:
    """Return the labels given at once; what is timed is feeding a note and asking for its label."""
    follower, answer = Follower(one.score, chunk=one.take.chunk, groups=one.groups), Answer()
    place = places_of(one.groups)
    for event in _events(one):
        began = time.thread_time_ns()
        follower.feed(*event)
        (label,) = follower.trace(1)
        answer.cost_us.append((time.thread_time_ns() - began) / 1000)
        answer.notes.append(label.note)
        answer.places.append(int(place[label.group]))
    return answer


def settled(one: Played) -> Answer:
    """Return the labels as settled; timed with all that matching does, passes and margins too."""
    chunk, answer = one.take.chunk, Answer()
    follower = Follower(one.score, chunk=chunk, groups=one.groups)
    matching = Matching(one.score, one.groups, follower, Limits(), chunk)
    place = places_of(one.groups)

    def keep() -> None:
        new = matching.settled - len(answer.notes)
        for label in follower.trace(follower.fed - len(answer.notes), matching.at)[:new]:
            answer.notes.append(label.note)
            answer.places.append(int(place[label.group]))

    for index, (us, pitch, string, velocity) in enumerate(_events(one)):
        note = Note(index, us, us, pitch, velocity, string)
        spent, began = 0, time.thread_time_ns()
        while (due := matching.next_deadline()) is not None and due < us:  # as the session does
            matching.settle_until(due)
            spent += time.thread_time_ns() - began
            keep()
            began = time.thread_time_ns()
        matching.add(note)
        answer.cost_us.append((spent + time.thread_time_ns() - began) / 1000)
        keep()
    matching.settle_all()
    keep()
    return answer


def hindsight(one: Played) -> Answer:
    """Return the labels over the whole take."""
    follower = Follower(one.score, chunk=one.take.chunk, groups=one.groups, hindsight=True)
    place = places_of(one.groups)
    for event in _events(one):
        follower.feed(*event)
    labels = follower.trace(follower.fed)
    return Answer([label.note for label in labels], [int(place[label.group]) for label in labels])


def lines(played: list[Played]) -> list[Line]:
    """Return our lines."""
    untold = [replace(one, take=replace(one.take, string=[None] * len(one.take.us))) for one in played]
    return [
        count(SETTLED, played, [settled(one) for one in played]),
        count(UNTOLD, played, [settled(one) for one in untold]),
        count(ONCE, played, [once(one) for one in played]),
        count(HINDSIGHT, played, [hindsight(one) for one in played]),
    ]


def _events(one: Played) -> list[tuple[int, int, int | None, int]]:
    take = one.take
    return list(zip(take.us, take.pitch, take.string, take.velocity, strict=True))
