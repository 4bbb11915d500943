"""What the drill is told of a pass: whether it was clean, and its first fault in one sentence."""

from __future__ import annotations

from coach.core import words
from coach.core.drill import PassResult
from coach.core.report import DampRow, NoteRow, Report, StrayRow
from coach.core.session import Session
from coach.core.summary import drift_sentence, other_sentence


def pass_result(session: Session, result: Report, number: int) -> PassResult:
    """Return how a pass (from 1) came out, by what is settled of it.

    ``result`` is the session's report.
    """
    one = result.passes[number - 1]
    notes = sum(row.verdict.pass_number == number for row in result.notes)
    if one.clean:
        return PassResult(one.complete, True, "", -1, notes)
    if not one.faults:
        bar = -1 if one.drifted is None else one.drifted.timing.bar
        return PassResult(
            one.complete, False, drift_sentence(one) or words.unclear_sentence(one.unclear), bar, notes
        )
    fault = one.faults[0]
    sentence = words.sentence_case(other_sentence(fault))
    return PassResult(one.complete, False, sentence, _bar(session, fault), notes)


def _bar(session: Session, fault: DampRow | NoteRow | StrayRow) -> int:
    """Return the performed bar of a fault."""
    if isinstance(fault, DampRow):
        return int(session.score.notes["bar"][fault.verdict.note])
    return fault.verdict.bar
