"""What is said of the time of a pass: over the whole, bar by bar, and how bass and melody met."""

from __future__ import annotations

from collections.abc import Sequence

from coach.core import words
from coach.core.drift import PassDrift
from coach.core.intervals import Estimate
from coach.core.together import ORDER_MS

OVER_THE_PASS = {
    "rushing": "Rushing over the pass: {change} a bar faster",
    "dragging": "Dragging over the pass: {change} a bar slower",
    "": "Over the pass no rushing or dragging that is sure: {change} a bar",
}
CHANGE_SHORT = {
    "rushing": "Rushing over the pass: {change} a bar faster.",
    "dragging": "Dragging over the pass: {change} a bar slower.",
}
NAMED = {
    "rushing": "Rushing: {bars}.",
    "dragging": "Dragging: {bars}.",
    "ahead": "Ahead: {bars}.",
    "behind": "Behind: {bars}.",
}
NOTHING_NAMED = "No bar strays by more than can be heard and than chance would give."
TOGETHER = "Bass and melody: the bass comes {amount} {order} the melody"
AT_ONCE = "Bass and melody together: the bass {amount} {order} the melody"
UNCALIBRATED = "not calibrated: low notes are reported later"
AGAINST = "Against {name}, at {tempo} of its tempo:"
AGAINST_NAME = "Against {name}:"
BESIDE_MODEL = "against {name}"  # what a line of the drift leaf is called
NO_PLACES = "Against {name}: too few places in common."


def against_name(name: str) -> str:
    """Return what the difference from a model's pass is called."""
    return BESIDE_MODEL.format(name=name)


def drift_lines(drift: PassDrift, numbers: Sequence[int]) -> list[str]:
    """Return the sentences on one pass; ``numbers`` are the bars' as a musician counts, by performed bar."""
    lines = []
    if drift.change_percent is not None:
        lines.append(change_words(drift.change_percent, drift.pace))
    told = False
    for name in ("rushing", "dragging", "ahead", "behind"):
        bars = {numbers[bar.bar] for bar in drift.bars if name in (bar.pace, bar.lean)}
        if bars:
            told = True
            lines.append(NAMED[name].format(bars=_bars(bars)))
    if not told and any(bar.drift_ms is not None for bar in drift.bars):
        lines.append(NOTHING_NAMED)
    if drift.together_ms is not None:
        lines.append(together_words(drift.together_ms, calibrated=drift.calibrated))
    return lines


def named_words(drift: PassDrift, numbers: Sequence[int]) -> str:
    """Return in one short line what is named of a pass's tempo: over the whole, or else bar by bar."""
    if drift.pace and drift.change_percent is not None:
        text = CHANGE_SHORT[drift.pace]
        return text.format(change=f"{abs(drift.change_percent.value):.1f} %")
    told = []
    for name in ("rushing", "dragging"):
        bars = {numbers[bar.bar] for bar in drift.bars if bar.pace == name}
        told += [NAMED[name].format(bars=_bars(bars))] if bars else []
    return " ".join(told)


def change_words(change: Estimate, pace: str) -> str:
    """Return the change of tempo over a pass in a sentence."""
    value = f"{change.value:+.2f} %".replace("-", "−") if not pace else f"{abs(change.value):.1f} %"
    low, high = change.low, change.high
    if pace == "dragging":
        low, high = -high, -low
    interval = f"90 %: {low:.2f} to {high:.2f}".replace("-", "−")
    return f"{OVER_THE_PASS[pace].format(change=value)} ({interval})."


def together_words(late: Estimate, *, calibrated: bool) -> str:
    """Return how bass and melody met in a sentence."""
    apart = abs(late.value) > ORDER_MS and (late.low > 0 or late.high < 0)
    text = TOGETHER if apart else AT_ONCE
    amount = words.milliseconds(abs(late.value), signed=False)
    said = text.format(amount=amount, order="after" if late.value > 0 else "before")
    interval = f"90 %: {late.low:+.0f} to {late.high:+.0f} ms".replace("-", "−")
    more = "" if calibrated else f"; {UNCALIBRATED}"
    return f"{said} ({interval}, {words.number_of('place', late.n)}{more})."


def _bars(numbers: set[int]) -> str:
    return f"{'bar' if len(numbers) == 1 else 'bars'} {words.bar_runs(numbers)}"
