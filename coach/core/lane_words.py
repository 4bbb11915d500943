"""One bar of one pass in sentences, with the exact figures: what a teacher would say of it."""

from __future__ import annotations

from coach.core import review_words, words
from coach.core.damping import Stop
from coach.core.passes import Pass
from coach.core.pickup_words import with_doubt
from coach.core.score import Score
from coach.core.session import Session
from coach.core.spelling import tone_name, written_name
from coach.core.summary import weight
from coach.core.verdicts import DAMPING_FAULTS, Damping, DampingVerdict, StrayVerdict, Stroke, StrokeVerdict


def bar_sentences(session: Session, during: Pass, bar: int, start_us: int) -> tuple[str, ...]:
    """Return what is to be said of a performed bar of one pass, the worst first.

    The stops that failed (of basses that begin or are due in the bar), then wrong notes, notes left out,
    notes too many and strings unasked, then the stops that came off.  ``start_us`` is the time of the first
    beat.
    """
    ends: list[DampingVerdict] = []
    strokes: list[StrokeVerdict] = []
    strays: list[StrayVerdict] = []
    for verdict in session.verdicts.values():
        if verdict.pass_number != during.number:
            continue
        match verdict:
            case DampingVerdict():
                ends.append(verdict)
            case StrokeVerdict() if verdict.bar == bar and verdict.kind is not Stroke.RIGHT:
                strokes.append(verdict)
            case StrayVerdict() if verdict.bar == bar:
                strays.append(verdict)
    failed, came_off = _stops(session, ends, bar)
    strokes.sort(key=lambda v: (v.note < 0, v.note, v.time_us))
    said = (
        *failed,
        *(_stroke(session.score, verdict, bar, start_us) for verdict in strokes),
        *(_stray(verdict) for verdict in strays),
        *came_off,
    )
    return said or (review_words.EXACT_NOTHING,)


def _stops(session: Session, ends: list[DampingVerdict], bar: int) -> tuple[list[str], list[str]]:
    """Return the sentences of stops that failed, the worst first, and of those that came off, in order."""
    score = session.score
    failed: list[tuple[float, int, str]] = []
    came_off: list[tuple[int, str]] = []
    for verdict in ends:
        stop, begins = session.stop_of[verdict.note], int(score.notes["bar"][verdict.note])
        if verdict.kind in DAMPING_FAULTS:
            if bar in (begins, score.bar_index(stop.due)):
                grade = -weight(verdict.kind, stop.clash)
                failed.append((grade, verdict.note, _end(score, verdict, stop, bar)))
        elif verdict.kind in review_words.EXACT_ENDS and begins == bar:
            came_off.append((verdict.note, _end(score, verdict, stop, bar)))
    return [sentence for *_, sentence in sorted(failed)], [sentence for _, sentence in sorted(came_off)]


def _end(score: Score, verdict: DampingVerdict, stop: Stop, bar: int) -> str:
    ms, text = verdict.overhang_ms, review_words.EXACT_ENDS[verdict.kind]
    if verdict.kind is Damping.RINGING and ms is None:
        text = review_words.EXACT_TO_THE_END
    return text.format(
        place=_place(score, verdict.note, bar),
        due=words.due_words(score, stop),
        tone=tone_name(score, verdict.note, verdict.pitch, int(score.notes["bar"][verdict.note])),
        string=verdict.string,
        amount=with_doubt(
            words.milliseconds(None if ms is None else abs(ms), signed=False), verdict.uncertainty_ms
        ),
        signed=with_doubt(words.milliseconds(ms), verdict.uncertainty_ms),
    )


def _stroke(score: Score, verdict: StrokeVerdict, bar: int, start_us: int) -> str:
    known = verdict.note >= 0
    after_ms = 0.0 if verdict.on_us is None else (verdict.on_us - start_us) / 1000
    return review_words.EXACT_STROKES[verdict.kind].format(
        place=_place(score, verdict.note, bar) if known else "",
        tone=written_name(score, verdict.note) if known else "",
        played=tone_name(score, verdict.note, verdict.pitch, bar),
        at=words.milliseconds(after_ms, signed=False),
    )


def _stray(verdict: StrayVerdict) -> str:
    if verdict.release_us is None:
        return review_words.EXACT_STRAY_ON.format(string=verdict.string)
    amount = words.milliseconds((verdict.release_us - verdict.from_us) / 1000, signed=False)
    return review_words.EXACT_STRAY.format(string=verdict.string, amount=amount)


def _place(score: Score, row: int, bar: int) -> str:
    note = score.notes[row]
    begins = int(note["bar"])
    beat = words.beat_name(score.beat(int(note["onset"]), begins))
    if begins == bar:
        return review_words.BEAT_PLACE.format(beat=beat)
    return words.sentence_case(words.place_words(score.bars[begins].number, beat))
