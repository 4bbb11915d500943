"""How often each stop of a piece comes off: all passes of a take laid over one another."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from coach.core import review_words, words
from coach.core.damping import Stop
from coach.core.report import DampRow, Report
from coach.core.session import Session
from coach.core.verdicts import DAMPING_FAULTS, Damping


@dataclass(frozen=True, slots=True)
class StopCount:
    """One written stop in all passes that came to it."""

    note: int  # row in Score.notes, where it is first performed
    string: int
    bar: int  # as a musician counts, of the bass note
    beat: float
    due_tick: int  # of that first performance
    kinds: tuple[Damping, ...]  # pass by pass, in order
    overhang_ms: float | None  # median of the late ones; None where none was late
    stop: str  # the way, in a few letters of the trade
    passes: int = 0  # so many passes came to it; fewer than ``asked`` where a repeat brings it twice

    @property
    def asked(self) -> int:
        """How often it was judged: once a pass, in a repeat once a round."""
        return len(self.kinds)

    @property
    def failed(self) -> int:
        """How often it failed: stopped late, rang on, or was cut short."""
        return sum(kind in DAMPING_FAULTS for kind in self.kinds)


def stop_counts(session: Session, result: Report) -> tuple[StopCount, ...]:
    """Return every wanted stop that was judged, in order of the score.

    A place that is written once and played twice, in a repeat, is one stop: ``kinds`` then has an entry for
    each round of each pass.  Settled verdicts only, as ``result`` (of this session) holds them.
    """
    notes = session.score.notes
    places: dict[int, list[DampRow]] = defaultdict(list)
    for row in result.damps:
        if row.stop.wanted:
            places[int(notes["written"][row.stop.note])].append(row)
    first: dict[int, Stop] = {}  # the first performance of each place at which a stop is asked for
    for stop in session.stops:
        if stop.wanted:
            first.setdefault(int(notes["written"][stop.note]), stop)
    counts = [_count(session, first[written], rows) for written, rows in places.items()]
    return tuple(sorted(counts, key=lambda count: count.note))


def _count(session: Session, stop: Stop, rows: list[DampRow]) -> StopCount:
    score = session.score
    note = score.notes[stop.note]
    bar = int(note["bar"])
    overhangs = [
        row.verdict.overhang_ms
        for row in rows
        if row.verdict.kind in (Damping.LATE, Damping.RINGING) and row.verdict.overhang_ms is not None
    ]
    return StopCount(
        note=stop.note,
        string=stop.string,
        bar=score.bars[bar].number,
        beat=score.beat(int(note["onset"]), bar),
        due_tick=stop.due,
        kinds=tuple(row.verdict.kind for row in rows),
        overhang_ms=median(overhangs) if overhangs else None,
        stop=words.WAY_SHORT[stop.way] if stop.way else "",
        passes=len({row.verdict.pass_number for row in rows}),
    )


def often_failing(counts: Sequence[StopCount]) -> StopCount | None:
    """Return the stop that fails most often; None where none failed.

    Of those that failed as often the one with the greater share comes first, then the longer overhang, then
    the earlier in the score.
    """
    failing = [count for count in counts if count.failed]
    if not failing:
        return None
    return max(
        failing, key=lambda one: (one.failed, one.failed / one.asked, one.overhang_ms or 0.0, -one.note)
    )


def often_sentence(counts: Sequence[StopCount]) -> str:
    """Return which stop fails most in one sentence; empty where none was judged."""
    worst = often_failing(counts)
    if worst is None:
        return review_words.OFTEN_NONE if counts else ""
    failing = sum(1 for count in counts if count.failed)
    if worst.failed == 1 and failing > 1:
        return review_words.OFTEN_EACH.format(count=failing)
    text = review_words.OFTEN_PASSES if worst.passes == worst.asked else review_words.OFTEN_TIMES
    if worst.asked == 1:
        text = review_words.OFTEN_ONCE
    place = words.sentence_case(words.place_words(worst.bar, words.beat_name(worst.beat)))
    return text.format(place=place, string=worst.string, failed=worst.failed, asked=worst.asked)
