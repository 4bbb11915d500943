"""Hindsight in words."""

from __future__ import annotations

from collections.abc import Sequence

from coach.core import pitch, words
from coach.core.hindsight import Difference, Said
from coach.core.score import Score

NONE = "Looking back over the whole take changes nothing."
HEAD = "Looking back over the whole take, {verdicts} would be put otherwise:"
NOTHING = "nothing"


def hindsight_text(score: Score, found: Sequence[Difference]) -> str:
    """Return where the whole take says something else than was settled as it went, a line each."""
    if not found:
        return NONE
    head = HEAD.format(verdicts=words.number_of("verdict", len(found)))
    return "\n".join([head, *(_line(score, one) for one in found)])


def _line(score: Score, one: Difference) -> str:
    when = f"at {words.clock(one.us)}" if one.us is not None else "not played"
    live, back = _said(score, one.live), _said(score, one.back)
    return f"- {pitch.name(one.pitch)}, {when}: {live} as you played, {back} looking back"


def _said(score: Score, said: Said | None) -> str:
    if said is None:
        return NOTHING
    return f"{said.kind} in {words.bar_words(score.bars[said.bar].number)}"
