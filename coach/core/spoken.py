"""The page in one line of words, for a screen reader or a terminal: no sign that cannot be read aloud."""

from __future__ import annotations

from collections import Counter

from coach.core import words
from coach.core.score import Score
from coach.core.shapes import MarkKind, RingState, View

PLACE = "Bar {bar} of {all}, pass {number}."
PLACE_PICKUP = "The pickup to {all} bars, pass {number}."
PLACE_IN_CHUNK = "{bar}, of {bars}, pass {number}."
PLACE_IN_BAR = "{bar} alone, pass {number}."
UNSURE = "The place is not certain."
OVER = "The take is over."
NEXT_STOP = "Next: {stop}."
SO_FAR = "So far: {faults}."
ALL_CLEAN = "So far all is clean."
IN_A_ROW = "Clean in a row: {count}."
RING_FAULTS = {
    RingState.LATE: "late",
    RingState.RINGING: "ringing on",
    RingState.CUT: "cut short",
    RingState.STRAY: words.STRAY_COUNTED,
}
MARK_FAULTS = {
    MarkKind.WRONG: "wrong note",
    MarkKind.MISSING: "left out",
    MarkKind.EXTRA: "extra note",
}
FRACTIONS = {"¼": "a quarter", "⅓": "a third", "½": "a half", "⅔": "two thirds", "¾": "three quarters"}
OF_A_BEAT = {**{sign: f"{text} of a beat" for sign, text in FRACTIONS.items()}, "½": "half a beat"}
SIGNS = {"♯": " sharp", "♭": " flat", "♩.": "dotted quarter", "♩": "quarter", "×": "times", "·": ","}
UNSIGNED = str.maketrans("", "", "+−-")


def spoken(view: View, score: Score) -> str:
    """Return the page in one line: the place, the next stop, what went wrong so far, the message.

    Counted is what stands on the page and will not change any more; a bass left out is counted once.
    """
    foot = view.foot
    parts = [foot.port] if foot.alarm else []
    if score.bars:
        parts.append(_place(view, score))
    if view.finished:
        parts.append(OVER)
    elif view.unsure:
        parts.append(UNSURE)
    if foot.next_stop:
        parts.append(NEXT_STOP.format(stop=foot.next_stop.removeprefix("next: ")))
    parts.append(_so_far(view))
    if foot.tally is not None:
        parts.append(IN_A_ROW.format(count=foot.tally))
    parts.append(foot.message)
    return " ".join(aloud(_sentence(part)) for part in parts if part)


def aloud(text: str) -> str:
    """Return a text of the program without signs that a screen reader leaves out or cannot say."""
    for number, circled in enumerate(words.CIRCLED):
        text = text.replace(circled, f"string {number}")
    for sign, said in SIGNS.items():
        text = text.replace(sign, said)
    parts = text.split()
    told: list[str] = []
    for at, part in enumerate(parts):
        before = parts[at - 1] if at else ""
        if part.startswith("ms") and before[-1:].isdecimal():
            direction = {"+": " late", "−": " early", "-": " early"}.get(before.lstrip("(")[0], "")
            told[-1] = told[-1].translate(UNSIGNED)
            told.append(f"milliseconds{direction}{part[2:]}")
        elif part.startswith("beat") and before in OF_A_BEAT:
            told[-1] = OF_A_BEAT[before] + part[4:].removeprefix("s")
        else:
            told.append(_number(part))
    return " ".join(told)


def _number(part: str) -> str:
    """Return one word with its fraction, or its dash between two figures, in words."""
    for sign, said in FRACTIONS.items():
        whole, found, rest = part.partition(sign)
        if found:
            part = f"{whole} and {said}{rest}" if whole[-1:].isdecimal() else f"{whole}{said}{rest}"
    first, dash, last = part.partition("–")
    return f"{first} to {last}" if dash and first[-1:].isdecimal() and last[:1].isdecimal() else part


def _place(view: View, score: Score) -> str:
    first, last = score.bars[view.first_bar].number, score.bars[view.last_bar].number
    number, highest = score.bars[view.bar].number, max(one.number for one in score.bars)
    everything = view.first_bar == 0 and view.last_bar == len(score.bars) - 1
    if everything and highest:
        text = PLACE if number else PLACE_PICKUP
        return text.format(bar=number, all=highest, number=view.pass_number)
    text = PLACE_IN_BAR if first == last else PLACE_IN_CHUNK
    bar, bars = words.bar_words(number), words.bars_words(first, last)
    return text.format(bar=bar, bars=bars, number=view.pass_number)


def _so_far(view: View) -> str:
    counted: Counter[str] = Counter()
    for ring in view.rings:
        if ring.settled and ring.state in RING_FAULTS:
            counted[RING_FAULTS[ring.state]] += 1
    for mark in view.marks:
        if mark.settled:
            counted[MARK_FAULTS[mark.kind]] += 1
    if counted:
        order = [*RING_FAULTS.values(), *MARK_FAULTS.values()]
        told = (f"{counted[what]} {words.plural(what, counted[what])}" for what in order if counted[what])
        return SO_FAR.format(faults=", ".join(told))
    return ALL_CLEAN if any(ring.settled and ring.state is RingState.CLEAN for ring in view.rings) else ""


def _sentence(text: str) -> str:
    """Return a text with a capital and a full stop."""
    text = text.strip()
    whole = text[:1].upper() + text[1:]
    return whole if whole.endswith((".", "!", "?", "…")) else f"{whole}."
