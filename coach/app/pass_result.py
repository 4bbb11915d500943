"""What the drill is told of a pass: whether it was clean, and its first fault in one sentence."""

from __future__ import annotations

from coach.core import drill_words, words
from coach.core.drill import PassResult
from coach.core.report import BarRow, DampRow, NoteRow, Report, StrayRow
from coach.core.session import Session
from coach.core.spelling import written_name
from coach.core.summary import other_sentence
from coach.core.verdicts import (
    DAMPING_FAULTS,
    STROKE_FAULTS,
    Change,
    DampingVerdict,
    StrayVerdict,
    Stroke,
    StrokeVerdict,
)


def pass_result(session: Session, result: Report, number: int, *, drift_ms: float) -> PassResult:
    """Return how a pass (from 1) came out, by what is settled of it.

    ``result`` is the session's report; a bar that strays further than ``drift_ms`` is a fault.
    """
    one = result.passes[number - 1]
    notes = sum(row.verdict.pass_number == number for row in result.notes)
    fault = one.faults[0] if one.faults else _left_out(session, number) if one.complete else None
    if fault is not None:
        sentence = words.sentence_case(other_sentence(fault))
        return PassResult(one.complete, False, sentence, _bar(session, fault), notes)
    drifted = _drifted(result, number, drift_ms)
    if drifted is not None:
        told = words.drift_words(drifted.timing.drift_ms or 0.0, 0.0)
        sentence = drill_words.DRIFTED.format(bar=drifted.bar, drift=told)
        return PassResult(one.complete, False, sentence, drifted.timing.bar, notes)
    return PassResult(one.complete, True, "", -1, notes)


def is_fault(change: Change) -> bool:
    """Whether a change is a fault that stays."""
    match change:
        case DampingVerdict():
            return change.settled and change.kind in DAMPING_FAULTS
        case StrokeVerdict():
            return change.settled and change.kind in STROKE_FAULTS
        case StrayVerdict():
            return change.settled
    return False


def _left_out(session: Session, number: int) -> NoteRow | None:
    """Return the first note that was left out of a pass that came to its end.

    Of its last notes the session says so only when the next pass has begun.
    """
    score, groups, during = session.score, session.groups, session.matching.passes[number - 1]
    for group in range(during.start, during.front + 1):
        for row in groups.required(group):
            if during.claim(row) is None:
                note = score.notes[row]
                string, pitch, bar = int(note["string"]), int(note["pitch"]), int(note["bar"])
                missing = StrokeVerdict(session.now_us, True, number, row, Stroke.MISSING, string, pitch, bar)
                beat = score.beat(int(note["onset"]), bar)
                return NoteRow(
                    missing, score.bars[bar].number, beat, int(note["voice"]), None, written_name(score, row)
                )
    return None


def _bar(session: Session, fault: DampRow | NoteRow | StrayRow) -> int:
    """Return the performed bar of a fault."""
    if isinstance(fault, DampRow):
        return int(session.score.notes["bar"][fault.verdict.note])
    return fault.verdict.bar


def _drifted(result: Report, number: int, limit_ms: float) -> BarRow | None:
    """Return the bar of a pass that strayed furthest, if it strayed too far."""

    def off_ms(row: BarRow) -> float:
        return abs(row.timing.drift_ms or 0.0)

    far = [row for row in result.bars if row.pass_number == number and off_ms(row) > limit_ms]
    return max(far, key=off_ms, default=None)
