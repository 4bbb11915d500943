"""The phrases of a piece, found over all barlines at once, and its whole form.

The cheapest division wins: what speaks for each barline (``phrase_ends``) against the price of a phrase's
length.  Four bars are preferred, then eight, then six or two (phrase length and parallel metre as in
Temperley, *The Cognition of Basic Musical Structures*, 2001, from memory; the prices are our own).  A
pickup bar belongs to the phrase after it and counts for nothing.
"""

from __future__ import annotations

import numpy as np

from coach.core.chunks import find_chunks
from coach.core.form import Chunk, Form, Likeness, Phrase, Repeat
from coach.core.likeness import Aspect, ComparedBars, is_pickup
from coach.core.passages import find_repeats, settle
from coach.core.phrase_ends import Evidence, weigh
from coach.core.score import Score

__all__ = ["Chunk", "Form", "Likeness", "Phrase", "Repeat", "find_form"]

BOUNDARY = 0.6  # price of one more phrase, less what speaks for its barline
LENGTH_PRICE = {0: 3.0, 1: 2.0, 2: 0.8, 3: 0.9, 4: 0.0, 5: 0.9, 6: 0.6, 7: 1.0, 8: 0.4}  # by bars
LONGER_PRICE = 0.15  # for each bar beyond eight, on top of ``LONG_PRICE``
LONG_PRICE = 1.2
LONGEST = 24  # bars
PARALLEL = 4  # bars: phrases like to begin at multiples of it from where their section begins
NOT_PARALLEL_PRICE = 0.12
ALIKE_BARS = 2  # at the start, that make a phrase the like of an earlier one
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
PRIMES = ("", "′", "″", "‴")  # a fourth variant and more are told like the third


def find_form(score: Score) -> Form:
    """Return the form of a piece."""
    if not score.bars:
        return Form()
    bars = ComparedBars(score)
    repeats = find_repeats(bars)
    evidence = weigh(score, bars, repeats)
    spans = _divide(score, evidence)
    letters = _letters(bars, spans)
    phrases = tuple(
        Phrase(first, last, letter, int(evidence.upbeat[first]))
        for (first, last), letter in zip(spans, letters, strict=True)
    )
    return Form(settle(bars, repeats, phrases), phrases, find_chunks(score, bars, phrases))


def _divide(score: Score, evidence: Evidence) -> list[tuple[int, int]]:
    """Return the performed bars of each phrase, first to last inclusive."""
    count = len(score.bars)
    full = np.concatenate(([0], np.cumsum([not is_pickup(bar) for bar in score.bars]))).tolist()
    away = np.zeros(count, np.int64)  # full bars since the section began
    for index in range(1, count):
        away[index] = 0 if evidence.forced[index] else away[index - 1] + full[index] - full[index - 1]
    odd = NOT_PARALLEL_PRICE * (away % PARALLEL > 0)
    best, start = [0.0] + [np.inf] * count, [0] * (count + 1)
    for end in range(1, count + 1):
        if end < count and evidence.barred[end]:
            continue
        for begin in range(end - 1, -1, -1):
            length = full[end] - full[begin]
            if length > LONGEST and best[end] < np.inf:
                break
            if best[begin] < np.inf:
                price = (
                    best[begin]
                    + _length_price(length)
                    + BOUNDARY
                    - float(evidence.weight[begin] - odd[begin])
                )
                if price < best[end] - 1e-9:
                    best[end], start[end] = price, begin
            if evidence.forced[begin]:
                break
    spans, end = [], count
    while end > 0:
        spans.append((start[end], end - 1))
        end = start[end]
    return spans[::-1]


def _length_price(length: int) -> float:
    found = LENGTH_PRICE.get(length)
    return LONG_PRICE + LONGER_PRICE * (length - max(LENGTH_PRICE)) if found is None else found


def _letters(bars: ComparedBars, spans: list[tuple[int, int]]) -> list[str]:
    """Return the letter of each phrase: an equal one's own, a like one's with a prime, else the next."""
    found: list[str] = []
    phrases = [[int(u) for u in bars.unit_of[a : b + 1] if u >= 0] for a, b in spans]
    families: list[list[int]] = []  # for each letter, the phrases that differ
    for number, units in enumerate(phrases):
        for family, members in enumerate(families):
            same = next((k for k, m in enumerate(members) if _equal(bars, phrases[m], units)), None)
            if same is not None:
                found.append(_name(family, same))
                break
        else:
            alike = next((f for f, m in enumerate(families) if _alike(bars, phrases[m[0]], units)), None)
            if alike is None:
                families.append([number])
                found.append(_name(len(families) - 1, 0))
            else:
                families[alike].append(number)
                found.append(_name(alike, len(families[alike]) - 1))
    return found


def _name(family: int, variant: int) -> str:
    times, place = divmod(family, len(LETTERS))
    return LETTERS[place] * (times + 1) + PRIMES[min(variant, 3)]


def _equal(bars: ComparedBars, one: list[int], other: list[int]) -> bool:
    """Whether two phrases are the same, but for the upbeat of what follows."""
    if len(one) != len(other):
        return False
    token, head = bars.exact.token, bars.exact.head
    if any(token[a] != token[b] for a, b in zip(one[:-1], other[:-1], strict=True)):
        return False
    a, b = one[-1:], other[-1:]
    return not a or bool(token[a[0]] == token[b[0]] or (bars.upbeat and head[a[0]] == head[b[0]] >= 0))


def _alike(bars: ComparedBars, one: list[int], other: list[int]) -> bool:
    """Whether a phrase begins as another does, at one pitch or another, in both voices or in the tune."""
    needed = min(ALIKE_BARS, len(one), len(other))
    if not needed:
        return False
    aspects = [bars.exact, bars.transposed, bars.diatonic]
    if bars.has_tune and not bars.tuneless[one[:needed]].any():
        aspects += [bars.tune, bars.tune_transposed, bars.tune_diatonic]
    return any(_begins(aspect, one[:needed], other[:needed]) for aspect in aspects)


def _begins(aspect: Aspect, one: list[int], other: list[int]) -> bool:
    shift = aspect.base[one] - aspect.base[other]
    return bool((aspect.token[one] == aspect.token[other]).all() and (shift == shift[0]).all())
