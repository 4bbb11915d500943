"""The order in which written bars are played: repeats, endings, D.C., D.S., Fine and Coda.

Conventions (common practice, no source): a section between repeat signs is played twice unless its
sign says otherwise; a closing sign without an opening one goes back to the last closing sign, to a Fine (a
trio begins after it), or to the beginning; after a D.C. or D.S. repeats are not taken again and the last
ending is played; Fine and "to Coda" count only after a jump; signs that end something (closing repeat,
D.C., D.S., Fine, to Coda) stand at the end of their bar, signs that begin something (opening repeat, segno,
coda) at its start.  Repeats inside repeats are not nested: an inner opening sign begins a new section.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BarSigns:
    """What one written bar says about the order of playing."""

    forward: bool = False  # opening repeat sign
    backward: int = 0  # closing repeat sign: how many times the section is played; 0 = no sign
    backward_after_jump: bool = False  # the repeat is taken after a D.C. or D.S. too
    ending: tuple[int, ...] = ()  # a bracket begins here; the rounds it is played in
    ending_stop: bool = False  # a bracket ends here
    segno: str = ""  # name of the sign at this bar; "" = none
    coda: str = ""
    to_coda: str = ""  # name of the coda to leave for
    dal_segno: str = ""  # name of the segno to go back to
    da_capo: bool = False
    fine: bool = False


@dataclass(frozen=True, slots=True)
class Unfolded:
    """Indices of written bars in the order played, and what had to be assumed (``what, written bar``)."""

    order: tuple[int, ...]
    oddities: tuple[tuple[str, int], ...] = ()


class TooManyBars(ValueError):
    """Unfolding gives more bars than the limit; ``bar`` is the written bar at which it did."""

    def __init__(self, bar: int, limit: int) -> None:
        self.bar = bar
        super().__init__(f"written bar {bar}: more than {limit} bars with the repeats played")


@dataclass(frozen=True, slots=True)
class _Bracket:
    rounds: tuple[int, ...]
    last: int  # index of the last bar under the bracket
    total: int  # rounds of its group: the last one is the round that leaves the section


def _brackets(signs: Sequence[BarSigns]) -> dict[int, _Bracket]:
    """Return each bracket by the bar it begins at; neighbouring brackets form a group."""
    spans: list[tuple[int, int]] = []
    start = -1
    for i, bar in enumerate(signs):
        if start >= 0 and (bar.ending or bar.forward):  # the bracket before it was never closed
            spans.append((start, i - 1))
            start = -1
        if bar.ending:
            start = i
        if start >= 0 and (bar.ending_stop or bar.backward or i == len(signs) - 1):
            spans.append((start, i))
            start = -1
    found: dict[int, _Bracket] = {}
    group: list[tuple[int, int]] = []

    def close() -> None:
        total = max((max(signs[a].ending) for a, _ in group), default=0)
        if len(group) == 1 and signs[group[0][1]].backward:
            total += 1  # one bracket only: the round after it goes past
        for a, b in group:
            found[a] = _Bracket(signs[a].ending, b, total)

    for a, b in spans:
        taken = {n for first, _ in group for n in signs[first].ending}
        if group and (a != group[-1][1] + 1 or taken & set(signs[a].ending)):
            close()
            group = []
        group.append((a, b))
    close()
    return found


def _repeats_after_jump(signs: Sequence[BarSigns]) -> list[bool]:
    """Return for each bar whether the next closing sign holds after a jump too."""
    held, found = False, [False] * len(signs)
    for i in range(len(signs) - 1, -1, -1):
        if signs[i].backward:
            held = signs[i].backward_after_jump
        found[i] = held
    return found


def unfold(signs: Sequence[BarSigns], limit: int) -> Unfolded:
    """Return the order in which the bars with these ``signs`` are played.

    Raises TooManyBars when more than ``limit`` bars would be played.
    """
    brackets = _brackets(signs)
    ends = {bracket.last: bracket for bracket in brackets.values()}
    segnos = {bar.segno: i for i, bar in reversed(list(enumerate(signs))) if bar.segno}
    codas = {bar.coda: i for i, bar in enumerate(signs) if bar.coda}
    after_jump = _repeats_after_jump(signs)
    order: list[int] = []
    oddities: list[tuple[str, int]] = []
    done: set[tuple[str, int]] = set()  # each jump is made once
    i, start, this_round, jumped = 0, 0, 1, False

    while i < len(signs):
        bar = signs[i]
        if bar.forward and i != start:
            start, this_round = i, 1
        bracket = brackets.get(i)
        if bracket:
            now = this_round if not jumped or after_jump[i] else bracket.total
            if now not in bracket.rounds:
                i = bracket.last + 1
                if now >= bracket.total and i not in brackets:
                    start, this_round = i, 1
                continue
        if len(order) >= limit:
            raise TooManyBars(i, limit)
        order.append(i)
        under = ends.get(i)
        rounds = under.total if under else bar.backward
        if bar.backward and (not jumped or bar.backward_after_jump) and this_round < rounds:
            this_round += 1
            i = start
            continue
        if bar.backward or (under and i + 1 not in brackets) or (bar.fine and not signs[start].forward):
            start, this_round = i + 1, 1
        if jumped and bar.fine:
            break
        target = None
        if jumped and bar.to_coda and ("coda", i) not in done:
            done.add(("coda", i))
            target = codas.get(bar.to_coda, max(codas.values(), default=None))
            if target is None or target == i:
                oddities.append(("there is no coda to go to", i))
                target = None
        elif bar.da_capo and ("da capo", i) not in done:
            done.add(("da capo", i))
            target, jumped = 0, True
        elif bar.dal_segno and ("dal segno", i) not in done:
            done.add(("dal segno", i))
            target = segnos.get(bar.dal_segno, min(segnos.values(), default=None))
            if target is None:
                oddities.append(("D.S. without a segno", i))
            else:
                jumped = True
        if target is None:
            i += 1
        else:
            i = target
            start = max((j for j in range(i + 1) if signs[j].forward), default=0)
            this_round = 1
    return Unfolded(tuple(order), tuple(oddities))
