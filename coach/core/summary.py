"""What to say after a take: what went well, what to mend first, and how."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Hashable

from coach.core import pickup_words, words
from coach.core.clash import Clash
from coach.core.report import DampRow, NoteRow, PassRow, Report, StrayRow, count_damps, count_strokes
from coach.core.shapes import Summary, SummaryRow
from coach.core.verdicts import DAMPING_FAULTS, DRIFT_SHOWN_MS, Damping, Stroke

KINDS = {Damping.RINGING: 2.0, Damping.LATE: 1.0, Damping.CUT: 0.6}
SEVERITY = {Clash.HIGH: 3.0, Clash.MIDDLE: 2.0, Clash.LOW: 1.0}
MOST_ROWS = 6  # what fits a page, and what a student can keep in mind
LEAST_RIGHT = 0.75  # of the notes; below it they come before any stop.  Our own figure


def summarise(result: Report, title: str) -> Summary:
    """Return the summary of a take: a headline, the three sentences, the stops to mend, the worst first."""
    worst = [row for place in worst_places(result) for row in place]
    also = _also(result)
    return Summary(
        headline=title,
        sentences=three_sentences(result),
        more=more_words(len(worst) - MOST_ROWS, also),
        rows=tuple(_row(row) for row in worst[:MOST_ROWS]),
        caution=words.HAND_CARE,
        hidden=max(len(worst) - MOST_ROWS, 0),
        also=also,
    )


def three_sentences(result: Report) -> tuple[str, str, str]:
    """Return what went well, what to mend first, and how: a sentence each, for a student of ten.

    Where notes fail more than stops do they come first; a stop that came off when it was last played comes
    after those that did not.  A take that was mended while it lasted is sent on.
    """
    strokes = count_strokes(result.notes)
    right = strokes[Stroke.RIGHT]
    played = right + strokes[Stroke.WRONG] + strokes[Stroke.MISSING]
    unclear = sum(one.unclear for one in result.passes)
    if unclear > right:
        return words.unclear_sentence(unclear), words.MEND_PIECE, words.HOW_HEARD
    if not played:
        return words.NOTHING_HEARD, words.MEND_HEARD, words.HOW_HEARD
    well, last = _well(result, right, played), result.passes[-1]
    faulty = any(not one.clean for one in result.passes)
    if faulty and last.clean and last.complete:
        return words.WELL_LAST, *(_drift(result) or (words.MEND_DONE, words.NEXT_FASTER))
    if right < LEAST_RIGHT * played:
        return well, *_notes_first(result)
    places = worst_places(result)
    if places:
        return well, *_stop_first(places[0], result)
    others = [f for one in result.passes for f in one.faults if not isinstance(f, DampRow)]
    if others:
        return well, *_other_first(others)
    on = words.NEXT_FASTER if last.complete else words.NEXT_ON
    return well, *(_drift(result) or (words.MEND_NOTHING, on))


def worst_places(result: Report) -> list[list[DampRow]]:
    """Return the faulty bass ends, those of one written place together, the place to mend first in front.

    First come the places that were still faulty when they were last played; then counts how often and how
    badly a stop failed there.  Within a place the worst fault is the first.
    """
    faulty: dict[Hashable, list[DampRow]] = defaultdict(list)
    last: dict[Hashable, DampRow] = {}
    for row in result.damps:  # in order of pass and time
        place = (row.bar, row.beat, row.stop.string, row.stop.fret)
        if row.faulty:
            faulty[place].append(row)
        if row.faulty or row.verdict.kind is Damping.CLEAN:
            last[place] = row

    def order(place: Hashable) -> tuple[bool, float, int]:
        rows = faulty[place]
        return not last[place].faulty, -sum(map(_weight, rows)), rows[0].verdict.time_us

    return [sorted(faulty[place], key=_badness) for place in sorted(faulty, key=order)]


def weight(kind: Damping, clash: Clash) -> float:
    """Return how much a bass end matters: how it clashes, then whether it never stopped; 0 for no fault."""
    return KINDS.get(kind, 0.0) * SEVERITY[clash]


def worst_stops(result: Report) -> list[DampRow]:
    """Return the faulty bass ends, the worst first."""
    faulty = [row for row in result.damps if row.faulty]
    return sorted(faulty, key=_badness)


def _weight(row: DampRow) -> float:
    return weight(row.verdict.kind, row.stop.clash)


def _badness(row: DampRow) -> tuple[float, int]:
    """Return what sorts bass ends, the worst first."""
    return -_weight(row), row.verdict.time_us


def _well(result: Report, right: int, played: int) -> str:
    damps = count_damps(result.damps)
    clean, asked = damps[Damping.CLEAN], sum(damps[k] for k in (Damping.CLEAN, *DAMPING_FAULTS))
    if not right:
        first = min(one.first_bar for one in result.passes)
        return words.WELL_BEGUN.format(bars=words.bars_words(first, max(o.last_bar for o in result.passes)))
    notes = words.WELL_NOTES_ALL if right == played else words.WELL_NOTES
    stops = words.WELL_STOPS_ALL if clean == asked else words.WELL_STOPS
    return f"{notes}{stops if clean else ''}.".format(
        right=right, all=words.number_of("note", played), clean=clean, asked=words.number_of("stop", asked)
    )


def _stop_first(place: list[DampRow], result: Report) -> tuple[str, str]:
    """Return what to say of a stop, and how to mend it: with the bar before it, by the way of the plan."""
    row = place[0]
    fault = other_sentence(row)
    if len(place) > 1:
        fault = words.MEND_OFTEN.format(fault=fault.rstrip("."), count=len(place))
    todo = words.advice(row.verdict.kind, row.way, row.verdict.string, words.beat_name(row.beat))
    first = max(row.due_bar - 1, min(one.first_bar for one in result.passes))
    bars = words.bars_words(min(first, row.due_bar), row.due_bar)
    return words.MEND_FIRST.format(fault=fault), words.NEXT_DRILL.format(bars=bars, todo=todo)


def _notes_first(result: Report) -> tuple[str, str]:
    """Return what to say where many notes are not right yet: the bar with the most of them."""
    failing = Counter(r.bar for r in result.notes if r.verdict.kind in (Stroke.WRONG, Stroke.MISSING))
    bar, count = max(failing.items(), key=lambda item: (item[1], -item[0]))
    told = words.bar_words(bar)
    were = "one was" if count == 1 else f"{count} were"
    return words.MEND_NOTES.format(bar=told, count=were), words.HOW_NOTES.format(bar=told)


def _other_first(others: list[NoteRow | StrayRow]) -> tuple[str, str]:
    """Return what to say of faults that are no stops: the bar with the most of them."""
    often = Counter(fault.bar for fault in others)
    fault = max(others, key=lambda one: often[one.bar])
    bar = words.bar_words(fault.bar)
    if isinstance(fault, StrayRow):
        how = words.HOW_STRAY.format(bar=bar, string=fault.verdict.string)
    else:
        how = words.HOW_STROKE[fault.verdict.kind].format(bar=bar)
    return words.MEND_FIRST.format(fault=other_sentence(fault)), how


def _drift(result: Report) -> tuple[str, str] | None:
    """Return what to say of the last pass's time where it strayed; None where it was steady."""
    last = result.passes[-1].number
    known = [r for r in result.bars if r.pass_number == last and r.timing.drift_ms is not None]
    # What cannot be heard, or may be chance, is not named.
    known = [r for r in known if r.drift is None or r.drift.lean]
    row = max(known, key=lambda r: abs(r.timing.drift_ms or 0.0), default=None)
    drift = words.drift_words(row.timing.drift_ms or 0.0, DRIFT_SHOWN_MS) if row is not None else ""
    if row is None or not drift:
        return None
    bar = words.bar_words(row.bar)
    return words.MEND_BEAT.format(bar=bar, drift=drift), words.NEXT_STEADY.format(bars=bar)


def more_words(rows: int, also: str) -> str:
    """Return what stands under the rows: how many stops have none, and what else there was."""
    more = words.MORE_ROWS.format(count=rows) if rows > 0 else ""
    return ". ".join(part for part in (more, also) if part)


def _also(result: Report) -> str:
    """Return the faults that are no stops, counted."""
    counted: Counter[str] = Counter()
    for one in result.passes:
        for fault in one.faults:
            if isinstance(fault, StrayRow):
                counted[words.STRAY_COUNTED] += 1
            elif isinstance(fault, NoteRow):
                counted[words.STROKE_WORDS[fault.verdict.kind]] += 1
    told = ", ".join(f"{count} {words.plural(what, count)}" for what, count in counted.items())
    return words.OTHER_FAULTS.format(faults=told) if told else ""


def pass_sentence(result: Report, number: int) -> str:
    """Return what is said when a pass is over: its worst fault, or that it was clean."""
    worst = [row for row in worst_stops(result) if row.verdict.pass_number == number]
    one = next((one for one in result.passes if one.number == number), None)
    if one is None:
        return ""
    if one.clean:
        bars = words.part_words(words.bars_words(one.first_bar, one.last_bar), one.part)
        return words.PASS_CLEAN.format(bars=bars)
    if worst or one.faults:
        return other_sentence(worst[0] if worst else one.faults[0])
    return drift_sentence(one) or words.unclear_sentence(one.unclear)


def other_sentence(fault: DampRow | NoteRow | StrayRow) -> str:
    """Return any fault in one sentence."""
    if isinstance(fault, StrayRow):
        amount = words.milliseconds(fault.length_ms, signed=False)
        bar, verdict = words.bar_words(fault.bar), fault.verdict
        return pickup_words.stray_sentence(verdict.source, bar=bar, string=verdict.string, amount=amount)
    extra = isinstance(fault, NoteRow) and fault.verdict.kind is Stroke.EXTRA
    beat = words.beat_name(fault.beat) if fault.beat is not None and not extra else ""
    kind = fault.verdict.kind
    if isinstance(fault, NoteRow):
        return words.fault_sentence(kind, fault.bar, beat, tone=fault.tone)
    amount = words.milliseconds(fault.verdict.overhang_ms)
    return words.fault_sentence(
        kind, fault.bar, beat, tone=fault.tone, string=fault.verdict.string, due=fault.due, amount=amount
    )


def drift_sentence(one: PassRow) -> str:
    """Return in one sentence which bar of a pass strayed too far, or nothing."""
    if one.drifted is None:
        return ""
    told = words.drift_words(one.drifted.timing.drift_ms or 0.0, 0.0)
    return words.DRIFTED.format(bar=one.drifted.bar, drift=told)


def amount_of(row: DampRow) -> str:
    """Return by how much a bass end missed, in the unit a player thinks in."""
    if row.verdict.kind is Damping.CUT:
        return words.too_soon(row.overhang_beats, row.verdict.overhang_ms)
    if row.verdict.overhang_ms is None:
        return words.TO_THE_END
    return pickup_words.with_doubt(words.milliseconds(row.verdict.overhang_ms), row.verdict.uncertainty_ms)


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
        early=verdict.kind is Damping.CUT,
    )
