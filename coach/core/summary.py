"""What to say after a take: how it went, what to mend first, what to try next."""

from __future__ import annotations

from collections import Counter

from coach.core import words
from coach.core.clash import Clash
from coach.core.report import DampRow, NoteRow, Report, StrayRow, count_damps, count_strokes
from coach.core.shapes import Summary, SummaryRow
from coach.core.verdicts import Damping, Stroke

SEVERITY = {Clash.HIGH: 3.0, Clash.MIDDLE: 2.0, Clash.LOW: 1.0}
MOST_ROWS = 6  # what fits a page, and what a student can keep in mind
DRIFT_SAID_MS = 35.0


def summarise(result: Report, title: str) -> Summary:
    """Return the summary of a take: a headline, three sentences, the worst stops first, the next step."""
    worst = worst_stops(result)
    return Summary(
        headline=title,
        sentences=tuple(s for s in (_well(result), _mend(worst, result), _time(result)) if s),
        more=words.MORE_ROWS.format(count=len(worst) - MOST_ROWS) if len(worst) > MOST_ROWS else "",
        rows=tuple(_row(row) for row in worst[:MOST_ROWS]),
        advice=_next(worst, result),
        caution=words.HAND_CARE,
    )


def worst_stops(result: Report) -> list[DampRow]:
    """Return the faulty bass ends, the worst first: how it clashes, then whether it never stopped."""
    kinds = {Damping.RINGING: 2.0, Damping.LATE: 1.0, Damping.CUT: 0.6}

    def weight(row: DampRow) -> float:
        return kinds.get(row.verdict.kind, 0.0) * SEVERITY[row.stop.clash]

    faulty = [row for row in result.damps if row.faulty]
    return sorted(faulty, key=lambda row: (-weight(row), row.verdict.time_us))


def _well(result: Report) -> str:
    damps, strokes = count_damps(result.damps), count_strokes(result.notes)
    asked = sum(damps[k] for k in (Damping.CLEAN, Damping.LATE, Damping.RINGING, Damping.CUT))
    played = strokes[Stroke.RIGHT] + strokes[Stroke.WRONG] + strokes[Stroke.MISSING]
    if not played:
        return words.NOTHING_HEARD
    notes = words.COUNTED_NOTES.format(right=strokes[Stroke.RIGHT], all=played)
    if not asked:
        return notes
    clean = damps[Damping.CLEAN]
    if asked == 1:
        return f"{notes} {words.COUNTED_ONE_STOP if clean else words.COUNTED_NO_STOP}"
    return f"{notes} {words.COUNTED_STOPS.format(clean=clean, all=asked)}"


def _mend(worst: list[DampRow], result: Report) -> str:
    others = [f for one in result.passes for f in one.faults if not isinstance(f, DampRow)]
    if worst:
        said = words.MEND_FIRST.format(fault=other_sentence(worst[0]))
        return f"{said} {_also(others)}".rstrip()
    if not others:
        return ""
    return words.MEND_FIRST.format(fault=other_sentence(others[0]))


def _also(others: list[NoteRow | StrayRow]) -> str:
    """Return the faults that are no stops, counted, in one short sentence."""
    counted: Counter[str] = Counter()
    for fault in others:
        counted[
            words.STRAY_COUNTED if isinstance(fault, StrayRow) else words.STROKE_WORDS[fault.verdict.kind]
        ] += 1
    told = ", ".join(f"{count} {words.plural(what, count)}" for what, count in counted.items())
    return words.OTHER_FAULTS.format(faults=told) if told else ""


def pass_sentence(result: Report, number: int) -> str:
    """Return what is said when a pass is over: its worst fault, or that it was clean."""
    worst = [row for row in worst_stops(result) if row.verdict.pass_number == number]
    one = next((one for one in result.passes if one.number == number), None)
    if one is None:
        return ""
    if one.clean:
        return words.PASS_CLEAN.format(bars=words.bars_words(one.first_bar, one.last_bar))
    return other_sentence(worst[0] if worst else one.faults[0])


def other_sentence(fault: DampRow | NoteRow | StrayRow) -> str:
    """Return any fault in one sentence."""
    if isinstance(fault, StrayRow):
        amount = words.milliseconds(fault.length_ms, signed=False)
        return words.STRAY_SENTENCE.format(bar=fault.bar, string=fault.verdict.string, amount=amount)
    extra = isinstance(fault, NoteRow) and fault.verdict.kind is Stroke.EXTRA
    beat = words.beat_name(fault.beat) if fault.beat is not None and not extra else ""
    amount = words.milliseconds(fault.verdict.overhang_ms) if isinstance(fault, DampRow) else ""
    return words.fault_sentence(
        fault.verdict.kind, fault.bar, beat, fault.verdict.string, amount, fault.verdict.pitch
    )


def amount_of(row: DampRow) -> str:
    """Return by how much a bass end missed, in the unit a player thinks in."""
    if row.verdict.kind is Damping.CUT:
        return words.too_soon(row.overhang_beats, row.verdict.overhang_ms)
    if row.verdict.overhang_ms is None:
        return words.TO_THE_END
    return words.milliseconds(row.verdict.overhang_ms)


def _time(result: Report) -> str:
    known = [row for row in result.bars if row.timing.drift_ms is not None]
    if not known:
        return ""
    row = max(known, key=lambda r: abs(r.timing.drift_ms or 0.0))
    drift = words.drift_words(row.timing.drift_ms or 0.0, DRIFT_SAID_MS)
    return words.DRIFT_WORST.format(bar=row.bar, drift=drift) if drift else words.DRIFT_NONE


def _next(worst: list[DampRow], result: Report) -> str:
    """Return what to try next: the bar that fails most, with the bar before it, and the way."""
    if not worst:
        return _next_without_faulty_stops(result)
    # The bar where most stops fail; among equals the one with the worst fault, which is named above.
    often = Counter(row.due_bar for row in worst)
    row = max(worst, key=lambda r: often[r.due_bar])
    bar = row.due_bar
    todo = words.advice(row.verdict.kind, row.way, row.verdict.string, words.beat_name(row.beat))
    first = max(bar - 1, min(one.first_bar for one in result.passes))
    return words.NEXT_DRILL.format(bars=words.bars_words(first, bar), todo=todo)


def _next_without_faulty_stops(result: Report) -> str:
    last = result.passes[-1] if result.passes else None
    if last is None or not last.clean:
        return words.NEXT_SLOWER
    drifting = [
        row
        for row in result.bars
        if row.pass_number == last.number and abs(row.timing.drift_ms or 0.0) > DRIFT_SAID_MS
    ]
    if drifting:
        worst = max(drifting, key=lambda row: abs(row.timing.drift_ms or 0.0))
        return words.NEXT_STEADY.format(bars=words.bars_words(worst.bar, worst.bar))
    return words.NEXT_FASTER if last.complete else words.NEXT_ON


def _row(row: DampRow) -> SummaryRow:
    beat = words.beat_name(row.beat)
    verdict = row.verdict
    return SummaryRow(
        bar=str(row.bar),
        beat=beat,
        string=verdict.string,
        verdict=words.DAMPING_WORDS[verdict.kind],
        amount=amount_of(row),
        advice=words.advice(verdict.kind, row.way, verdict.string, beat),
    )
