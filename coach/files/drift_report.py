"""Drift with its intervals, for people and for other tools.

New keys of the review document; ``*_90`` are the two ends of a 90 % interval, null where nothing is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from coach.core import drift_words, words
from coach.core.drift import BarDrift, PassDrift
from coach.core.drift_rows import ModelDrift
from coach.core.intervals import Estimate


def drift_json(drift: BarDrift | None) -> dict[str, Any]:
    """Return what a bar has beside its figures: their standard errors and intervals, and what is named."""
    found = drift or BarDrift(0, None, None, None, "", "")
    return {
        **_interval("drift", "_ms", found.drift_ms),
        **_interval("slope", "_ms", found.slope_ms),
        **_interval("tempo", "", found.tempo_percent),
        "lean": found.lean or None,
        "pace": found.pace or None,
        **_figure("bass_after_melody", "_ms", found.together_ms),
    }


def whole_json(drift: PassDrift) -> dict[str, Any]:
    """Return what is known of a whole pass."""
    return {
        **_figure("change", "_percent", drift.change_percent),
        "pace": drift.pace or None,
        **_figure("bass_after_melody", "_ms", drift.together_ms),
        "calibrated": drift.calibrated,
    }


def model_json(model: ModelDrift, numbers: Sequence[int]) -> dict[str, Any]:
    """Return a pass against a model, place by place and bar by bar."""
    drift = model.drift
    return {
        "model": model.name,
        "pass": model.pass_number,
        "model_pass": model.model_pass,
        "tempo": None if model.tempo_percent is None else round(model.tempo_percent, 2),
        **_figure("change", "_percent", drift.change_percent),
        "pace": drift.pace or None,
        "bars": [
            {
                "bar": numbers[bar.bar],
                **_figure("drift", "_ms", bar.drift_ms),
                **_figure("slope", "_ms", bar.slope_ms),
                **_figure("tempo", "", bar.tempo_percent),
                "lean": bar.lean or None,
                "pace": bar.pace or None,
            }
            for bar in drift.bars
        ],
        "places": [
            {"bar": place.bar, "beat": round(place.beat, 4), "late_ms": round(place.late_ms, 1)}
            for place in model.places
        ],
    }


def model_text(model: ModelDrift | None, numbers: Sequence[int]) -> str:
    """Return a pass against a model in lines."""
    if model is None:
        return words.NOTHING_HEARD
    if not any(bar.drift_ms is not None for bar in model.drift.bars):
        return drift_words.NO_PLACES.format(name=model.name)
    tempo = model.tempo_percent
    head = drift_words.AGAINST_NAME if tempo is None else drift_words.AGAINST
    told = head.format(name=model.name, tempo=f"{tempo or 0:.0f} %")
    shown = []
    for bar in model.drift.bars:
        value = bar.drift_ms
        ms = words.TOO_FEW if value is None else f"{words.milliseconds(value.value)} ({_ends(value)})"
        shown.append(f"{words.bar_runs([numbers[bar.bar]])} {ms}")
    lines = [told, *drift_words.drift_lines(model.drift, numbers), f"Bar by bar (90 %): {'; '.join(shown)}."]
    return "\n".join(lines)


def _ends(value: Estimate) -> str:
    return f"{value.low:+.0f} to {value.high:+.0f}".replace("-", "−")


def _interval(name: str, unit: str, value: Estimate | None) -> dict[str, Any]:
    if value is None:
        return {f"{name}_error{unit}": None, f"{name}_90{unit}": None}
    ends = [round(value.low, 2), round(value.high, 2)]
    return {f"{name}_error{unit}": round(value.error, 2), f"{name}_90{unit}": ends}


def _figure(name: str, unit: str, value: Estimate | None) -> dict[str, Any]:
    return {
        f"{name}{unit}": None if value is None else round(value.value, 2),
        **_interval(name, unit, value),
        f"{name}_n": 0 if value is None else value.n,
    }
