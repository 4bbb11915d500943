"""Two passes beside one another, of one take or of two: what is mended, what is new, what stays."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass

from coach.core import review_words, words
from coach.core.report import DampRow, NoteRow, Report
from coach.core.summary import amount_of, other_sentence, weight
from coach.core.verdicts import DAMPING_FAULTS, STROKE_FAULTS, Damping


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed from the first pass to the second; sentences ready to print."""

    mended: tuple[str, ...]  # "bar 3, beat 1: the A on string 5 stops in time now (was +240 ms)"
    new: tuple[str, ...]
    still: tuple[str, ...]
    sentence: str  # all of it in one: "Bars 1–8: 3 stops mended, 1 new fault; bar 3 still rings on."


def compare(one: Report, first: int, other: Report, second: int) -> Comparison:
    """Return what changed from pass ``first`` of ``one`` to pass ``second`` of ``other`` (both from 1).

    The two reports are of one score, or are the same report.  Compared is what both passes came by, written
    place by written place: in a repeat a place is faulty where any of its rounds was.  A stop of which one of
    the passes cannot tell (the bass died away, or was left out) is not compared.  Notes too many and strings
    unasked are compared bar by bar.
    """
    found = [_Pass(one, first), _Pass(other, second)]
    changes = [*_stops(*found), *_notes(*found), *_unasked(*found)]
    mended, new, still = ([c for c in changes if c.kind == kind] for kind in ("mended", "new", "still"))
    for part in (mended, new, still):
        part.sort(key=lambda change: (-change.weight, change.place))
    return Comparison(
        mended=tuple(change.sentence for change in mended),
        new=tuple(change.sentence for change in new),
        still=tuple(change.sentence for change in still),
        sentence=_in_bars(found[0].bars, found[1].bars, _sentence(mended, new, still)),
    )


@dataclass(frozen=True, slots=True)
class _Change:
    kind: str  # mended, new, still
    stop: bool
    weight: float
    place: tuple[float, ...]
    sentence: str
    short: str = ""  # "bar 3 still rings on"


class _Pass:
    """The rows of one pass, by written place."""

    def __init__(self, report: Report, number: int) -> None:
        self.stops: dict[Hashable, list[DampRow]] = defaultdict(list)
        for damp in report.damps:
            if damp.verdict.pass_number == number and damp.stop.wanted and damp.verdict.kind in JUDGED:
                # A written note has one place on the fingerboard, however often it is played.
                self.stops[damp.bar, damp.beat, damp.stop.string, damp.stop.fret].append(damp)
        self.notes: dict[Hashable, list[NoteRow]] = defaultdict(list)
        self.extras: dict[int, list[NoteRow]] = defaultdict(list)
        self.bars: set[int] = set()
        for row in report.notes:
            if row.verdict.pass_number != number:
                continue
            if row.verdict.note < 0:
                self.extras[row.bar].append(row)
            else:
                self.bars.add(row.bar)
                self.notes[row.bar, row.beat, row.voice].append(row)
        self.strays = {
            (stray.bar, stray.verdict.string): stray
            for stray in report.strays
            if stray.verdict.pass_number == number
        }


JUDGED = (Damping.CLEAN, *DAMPING_FAULTS)


def _stops(one: _Pass, other: _Pass) -> Iterator[_Change]:
    for key in one.stops.keys() & other.stops.keys():
        was, now = (max(found.stops[key], key=_weight) for found in (one, other))
        place = (float(now.bar), now.beat, float(now.verdict.string))
        grade = max(_weight(was), _weight(now))
        told = review_words.compared_stop(
            was.verdict.kind,
            now.verdict.kind,
            place=words.place_words(now.bar, words.beat_name(now.beat)),
            due=now.due,
            tone=now.tone,
            string=now.verdict.string,
            was_amount=amount_of(was),
            now_amount=amount_of(now),
        )
        if was.faulty and now.faulty:
            short = review_words.STILL_SHORT[now.verdict.kind].format(bar=words.bar_words(now.bar))
            yield _Change("still", True, grade, place, told, short)
        elif was.faulty:
            yield _Change("mended", True, grade, place, told)
        elif now.faulty:
            yield _Change("new", True, grade, place, other_sentence(now))


def _weight(row: DampRow) -> float:
    return weight(row.verdict.kind, row.stop.clash)


def _notes(one: _Pass, other: _Pass) -> Iterator[_Change]:
    for key in one.notes.keys() & other.notes.keys():
        was, now = (
            [row for row in found.notes[key] if row.verdict.kind in STROKE_FAULTS] for found in (one, other)
        )
        if not now and not was:
            continue
        row = (now or was)[0]
        beat = row.beat or 0.0
        place = (float(row.bar), beat, float(row.voice or 0))
        if now and was:
            short = review_words.STILL_WRONG.format(bar=words.bar_words(row.bar))
            yield _Change("still", False, 0.0, place, other_sentence(row), short)
        elif now:
            yield _Change("new", False, 0.0, place, other_sentence(row))
        else:
            again = [found for found in other.notes[key] if found.verdict.note == row.verdict.note]
            right = again or (other.notes[key] if len(other.notes[key]) == 1 else [])
            text = review_words.NOW_RIGHT if right else review_words.NOW_ALL_RIGHT
            told = text.format(
                place=words.place_words(row.bar, words.beat_name(beat)),
                tone=right[0].tone if right else "",
                was=review_words.STROKE_WAS[row.verdict.kind],
            )
            yield _Change("mended", False, 0.0, place, told)


def _unasked(one: _Pass, other: _Pass) -> Iterator[_Change]:
    """Yield what changed of notes too many and strings unasked, in the bars that both passes came by."""
    for bar in one.bars & other.bars:
        was, now = len(one.extras[bar]), len(other.extras[bar])
        place = (float(bar), 99.0, 0.0)
        if was and now:
            short = review_words.STILL_WRONG.format(bar=words.bar_words(bar))
            yield _Change("still", False, 0.0, place, other_sentence(other.extras[bar][0]), short)
        elif now:
            yield _Change("new", False, 0.0, place, other_sentence(other.extras[bar][0]))
        elif was:
            yield _Change("mended", False, 0.0, place, review_words.NO_EXTRA.format(bar=words.bar_words(bar)))
    for bar, string in one.strays.keys() | other.strays.keys():
        if bar not in one.bars & other.bars:
            continue
        place = (float(bar), 100.0, float(string))
        stray = other.strays.get((bar, string))
        if stray is None:
            told = review_words.NO_STRAY.format(bar=words.bar_words(bar), string=string)
            yield _Change("mended", False, 0.0, place, told)
        elif (bar, string) in one.strays:
            short = review_words.STILL_STRAY.format(bar=words.bar_words(bar), string=string)
            yield _Change("still", False, 0.0, place, other_sentence(stray), short)
        else:
            yield _Change("new", False, 0.0, place, other_sentence(stray))


def _sentence(mended: Sequence[_Change], new: Sequence[_Change], still: Sequence[_Change]) -> str:
    """Return all of it in one: counts, then the worst of what stays."""
    counts = []
    if mended:
        counts.append(review_words.COMPARE_MENDED.format(faults=_counted(mended)))
    if new:
        counts.append(review_words.COMPARE_NEW.format(faults=words.number_of("new fault", len(new))))
    stays = ""
    if still:
        stays = still[0].short
        if len(still) > 1:
            more = len(still) - 1
            text = review_words.COMPARE_ONE_MORE if more == 1 else review_words.COMPARE_MORE
            stays += text.format(count=more)
    if not counts:
        return review_words.COMPARE_SAME.format(still=stays) if stays else review_words.COMPARE_CLEAN
    return "; ".join(part for part in (", ".join(counts), stays) if part)


def _in_bars(one: set[int], other: set[int], change: str) -> str:
    """Return what changed, with the bars that were compared: a bar of rests within them is no gap."""
    both = one & other
    if not both:
        return review_words.COMPARE_APART
    if one == other:
        told = words.sentence_case(words.bars_words(min(both), max(both)))
        return review_words.COMPARE_IN.format(bars=told, change=change)
    compared = set(range(min(both), max(both) + 1)) - (one ^ other)
    text = review_words.COMPARE_IN_BOTH if len(compared) > 1 else review_words.COMPARE_IN_ONE
    return text.format(bars=words.bar_runs(compared), change=change)


def _counted(changes: Sequence[_Change]) -> str:
    return words.number_of("stop" if all(change.stop for change in changes) else "fault", len(changes))
