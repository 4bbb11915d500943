"""A pass that came to its end, but not from its first note: the first stroke was wrong, or was left out.

The follower takes a wrong first stroke for a touch after the pass before, and the pass for one that began at
its second note.  By that alone it would be neither clean nor faulty: a short one would pass for a false
start and count for nothing, of a longer one it would be said that it was broken off.
"""

from __future__ import annotations

from dataclasses import replace

from coach.core import words
from coach.core.drill_rules import PassResult
from coach.core.passes import Pass
from coach.core.report import NoteRow
from coach.core.session import Session
from coach.core.spelling import tone_name
from coach.core.summary import other_sentence
from coach.core.verdicts import Stroke, StrokeVerdict

NEAR = 2.0  # a wrong stroke is the first one at most so many times too early; our own figure


def with_late_start(session: Session, number: int, found: PassResult) -> PassResult:
    """Return how a pass (from 1) came out, what is wrong with its beginning being a fault.

    Only where it began within a bar of the step's beginning: who begins further on means to.
    """
    score, groups, during = session.score, session.groups, session.matching.passes[number - 1]
    begin, end = groups.span(session.chunk or (0, len(score.bars)))
    if found.complete or not found.clean or during.front < end - 1 or during.start <= begin:
        return found
    late, bar = (
        groups.onset_of(during.start) - groups.onset_of(begin),
        score.bars[groups.bar_of(during.start)],
    )
    rows = [row for group in range(begin, during.start) for row in groups.required(group)]
    if late >= bar.end - bar.onset or not rows:
        return found
    fault = _first_fault(session, during, rows[0], late)
    sentence = words.sentence_case(other_sentence(fault))
    return replace(found, clean=False, sentence=sentence, bar=fault.verdict.bar)


def _first_fault(session: Session, during: Pass, row: int, late: int) -> NoteRow:
    """Return the fault at the first note (score row ``row``) of a pass that began ``late`` ticks after it."""
    score, matches = session.score, session.matching.matches
    note = score.notes[row]
    bar, pitch, kind = int(note["bar"]), int(note["pitch"]), Stroke.MISSING
    first = next((i for i, match in enumerate(matches) if match.during is during), 0)
    pace = session.matching.pace(during, during.last_tick())
    if first and pace is not None and matches[first - 1].label.note < 0:
        before = matches[first - 1].played
        if matches[first].played.on_us - before.on_us <= NEAR * pace * late:
            kind, pitch = Stroke.WRONG, before.pitch
    verdict = StrokeVerdict(session.now_us, True, during.number, row, kind, int(note["string"]), pitch, bar)
    beat = score.beat(int(note["onset"]), bar)
    tone = tone_name(score, row, pitch, bar)
    return NoteRow(verdict, score.bars[bar].number, beat, int(note["voice"]), None, tone)
