"""Reports as text that a student reads, and as JSON that other tools read.

The JSON documents are a contract: keys and tokens do not change within a format.  A figure that cannot be
known is null; ``beat`` is 1-based in the meter's written denominator; ``*_s`` are seconds from the take's
start.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from coach.core import pickup_words, words
from coach.core.drift_rows import ModelDrift
from coach.core.drift_words import drift_lines
from coach.core.hindsight import Difference, Said
from coach.core.report import BarRow, DampRow, NoteRow, PassRow, Report, StrayRow
from coach.core.shapes import Summary
from coach.core.summary import amount_of, drift_sentence
from coach.core.verdicts import DAMPING_FAULTS, Stroke
from coach.files.drift_report import drift_json, model_json, whole_json
from coach.files.tables import Cells, table

# Counted, but of no use to a student: every converter sends these.
EVERYDAY = {
    "controller", "real-time", "note-offs of nothing sounding", "pressure or program", "sysex", "system",
}  # fmt: skip

# --- the report -------------------------------------------------------------------------------------


def review_json(
    result: Report, model: ModelDrift | None = None, back: Sequence[Difference] | None = None
) -> str:
    """Return a report as a JSON document; with what stands against a ``model``, where one was given.

    ``back``: what the whole take says otherwise than was settled as it went, where that was asked for.
    """
    document: dict[str, Any] = {
        "passes": [_pass_json(row) for row in result.passes],
        "damps": [_damp_json(row) for row in result.damps],
        "strays": [_stray_json(row) for row in result.strays],
        "notes": [_note_json(row) for row in result.notes],
        "bars": [_bar_json(row) for row in result.bars],
        "ignored": result.ignored,
        "drift": [
            {"pass": row.number, **whole_json(drift)}
            for row, drift in zip(result.passes, result.drifts, strict=True)
        ],
    }
    if model is not None:
        document["model"] = model_json(model, result.bar_numbers)
    if back is not None:
        document["hindsight"] = [_difference_json(one, result.bar_numbers) for one in back]
    return json.dumps(document, ensure_ascii=False, indent=1)


def _difference_json(one: Difference, numbers: Sequence[int]) -> dict[str, Any]:
    return {
        "on_s": _seconds(one.us),
        "pitch": one.pitch,
        "live": _said_json(one.live, numbers),
        "hindsight": _said_json(one.back, numbers),
    }


def _said_json(said: Said | None, numbers: Sequence[int]) -> dict[str, Any] | None:
    if said is None:
        return None
    return {"verdict": said.kind, "pass": said.pass_number, "bar": numbers[said.bar], "note": said.note}


def _pass_json(row: PassRow) -> dict[str, Any]:
    return {
        "pass": row.number,
        "first_bar": row.first_bar,
        "last_bar": row.last_bar,
        "clean": row.clean,
        "part": row.part,
        "unclear": row.unclear,
        "faults": [*map(_fault_json, row.faults), *_drift_json(row)],
    }


def _fault_json(row: DampRow | NoteRow | StrayRow) -> dict[str, Any]:
    what = "stray" if isinstance(row, StrayRow) else row.verdict.kind.value
    beat = None if isinstance(row, StrayRow) or row.beat is None else round(row.beat, 4)
    return {"what": what, "bar": row.bar, "beat": beat, "string": row.verdict.string or None}


def _drift_json(row: PassRow) -> list[dict[str, Any]]:
    if row.drifted is None:
        return []
    return [{"what": "drift", "bar": row.drifted.bar, "beat": None, "string": None}]


def _damp_json(row: DampRow) -> dict[str, Any]:
    verdict = row.verdict
    return {
        "pass": verdict.pass_number,
        "note": verdict.note,
        "bar": row.bar,
        "beat": round(row.beat, 4),
        "string": verdict.string or None,
        "fret": row.fret,
        "pitch": verdict.pitch,
        "verdict": verdict.kind.value,
        "on_s": _seconds(verdict.on_us),
        "due_s": _seconds(verdict.due_us),
        "release_s": _seconds(verdict.release_us),
        "overhang_ms": _rounded(verdict.overhang_ms, 1),
        "uncertainty_ms": _rounded(verdict.uncertainty_ms, 1),
        "overhang_beats": _rounded(row.overhang_beats, 3),
        "way": row.way.value if row.way else None,
    }


def _stray_json(row: StrayRow) -> dict[str, Any]:
    return {
        "pass": row.verdict.pass_number,
        "string": row.verdict.string or None,
        "pitch": row.verdict.pitch,
        "bar": row.bar,
        "from_s": _seconds(row.verdict.from_us),
        "ms": _rounded(row.length_ms, 1),
        "source": row.verdict.source.value,
    }


def _note_json(row: NoteRow) -> dict[str, Any]:
    return {
        "pass": row.verdict.pass_number,
        "bar": row.bar,
        "beat": _rounded(row.beat, 4),
        "voice": row.voice,
        "string": row.verdict.string or None,
        "pitch": row.verdict.pitch,
        "verdict": row.verdict.kind.value,
        "on_s": _seconds(row.verdict.on_us),
        "asynchrony_ms": _rounded(row.asynchrony_ms, 1),
    }


def _bar_json(row: BarRow) -> dict[str, Any]:
    timing = row.timing
    return {
        "pass": row.pass_number,
        "bar": row.bar,
        "tempo": _rounded(timing.tempo_percent, 1),
        "drift_ms": _rounded(timing.drift_ms, 1),
        "slope_ms": _rounded(timing.slope_ms, 1),
        "spread_ms": _rounded(timing.spread_ms, 1),
        "n": timing.n,
        **drift_json(row.drift),
    }


def _seconds(us: int | None) -> float | None:
    return None if us is None else round(us / 1e6, 6)


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def review_text(result: Report, *, everything: bool = False) -> str:
    """Return a report as tables a student can read: bass ends, other faults, drift by bar."""
    parts: list[str] = []
    for one in result.passes:
        bars = words.part_words(words.bars_words(one.first_bar, one.last_bar), one.part)
        verdict = f"{one.count} to mend" if one.count else words.fate_words(0, one.unclear)
        parts.append(f"Pass {one.number}, {bars}: {verdict}.")
        rows: list[Cells] = [("bar", "beat", "string", "verdict", "by how much", "what to do")]
        damps = [r for r in result.damps if r.verdict.pass_number == one.number]
        others = [f for f in one.faults if not isinstance(f, DampRow)]
        listed = [_damp_text(r) for r in damps if everything or r.verdict.kind in DAMPING_FAULTS]
        listed += [_other_text(r) for r in others]
        if listed:
            parts.append(table(rows + [cells for _, cells in sorted(listed, key=lambda item: item[0])]))
        if one.drifted is not None:
            parts.append(drift_sentence(one))
        if one.unclear:
            parts.append(words.unclear_sentence(one.unclear))
        drift = _drift_text([b for b in result.bars if b.pass_number == one.number])
        if drift:
            parts.append(drift)
        if one.number <= len(result.drifts):
            sentences = drift_lines(result.drifts[one.number - 1], result.bar_numbers)
            parts += ["\n".join(sentences)] if sentences else []
    if not result.passes:
        parts.append("Nothing of this score was heard in the take.")
    parts += result.notices
    told = {what: count for what, count in result.ignored.items() if what not in EVERYDAY}
    if told:
        counted = ", ".join(f"{count} {words.counted(what, count)}" for what, count in sorted(told.items()))
        parts.append(f"Passed over: {counted}.")
    return "\n\n".join(parts)


def _damp_text(row: DampRow) -> tuple[tuple[int, float], Cells]:
    verdict, beat = row.verdict, words.beat_name(row.beat)
    amount = amount_of(row) if verdict.kind in DAMPING_FAULTS else "–"
    todo = words.advice(verdict.kind, row.way, verdict.string, beat)
    cells = (
        str(row.bar),
        beat,
        words.string_sign(verdict.string),
        words.DAMPING_WORDS[verdict.kind],
        amount,
        todo,
    )
    return (row.bar, row.beat), cells


def _other_text(row: NoteRow | StrayRow) -> tuple[tuple[int, float], Cells]:
    string = words.string_sign(row.verdict.string)
    if isinstance(row, StrayRow):
        amount, source = words.milliseconds(row.length_ms, signed=False), row.verdict.source
        said = pickup_words.STRAY_WORDS.get(source, "rang unasked")
        todo = pickup_words.STRAY_ADVICE.get(source, words.STRAY_ADVICE)
        return (row.bar, 99.0), (str(row.bar), "–", string, said, amount, todo)
    kind = row.verdict.kind
    beat = words.beat_name(row.beat) if row.beat is not None and kind is not Stroke.EXTRA else "–"
    tone = words.PLAYED.format(tone=row.tone) if kind is Stroke.WRONG else row.tone
    cells = (str(row.bar), beat, string, words.STROKE_WORDS[kind], tone, words.STROKE_ADVICE[kind])
    return (row.bar, row.beat or 0.0), cells


def _drift_text(bars: list[BarRow]) -> str:
    said = []
    for row in bars:
        drift = row.timing.drift_ms
        told = words.milliseconds(drift) if drift is not None else words.TOO_FEW
        said.append(f"{words.bar_runs([row.bar])} {told}")
    return f"Drift by bar (behind +, ahead −): {'; '.join(said)}." if said else ""


def summary_text(summary: Summary) -> str:
    """Return a summary for the terminal."""
    lines = [*summary.sentences, "", summary.caution]
    return "\n".join(lines)
