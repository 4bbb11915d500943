"""A prepared piece as JSON that other tools read.

The document is a contract: keys and tokens do not change within a format.  A figure that cannot be
known is null; ``beat`` is 1-based in the meter's written denominator.  ``bars`` and ``damps`` are in
performed order, so that a repeated bar has a row each time; ``chord`` and ``roman`` are those at the bar's
beginning, ``chords`` holds every change.
"""

from __future__ import annotations

import json
from typing import Any

from coach.core import form_words
from coach.core.damping import Stop, worst_first
from coach.core.preparation import Preparation
from coach.core.score import Score

FINGERS = " pima"


def plan_json(prepared: Preparation) -> str:
    """Return a prepared piece as a JSON document."""
    score, harmony = prepared.score, prepared.harmony
    first = score.bars[0]
    document = {
        "score": {
            "title": score.title,
            "bars": len({bar.written for bar in score.bars}),
            "pickup": first.number == 0,
            "key": harmony.key.name,
            "scale": harmony.scale.name if harmony.scale else None,
            "tempo": score.qpm(0) if score.tempo_given else None,
            "meter": f"{first.beats}/{first.beat_unit}",
            "level": prepared.level.token,
        },
        "bars": [_bar_row(prepared, index) for index in range(len(score.bars))],
        "damps": [_stop_row(score, number, stop) for number, stop in enumerate(prepared.stops, 1)],
        "mend_first": [prepared.stops.index(stop) + 1 for stop in worst_first(prepared.stops)],
        "notes": [_note_row(score, row) for row in range(len(score.notes))],
        "form": _form(prepared),
    }
    return json.dumps(document, ensure_ascii=False, indent=1)


def _bar_row(prepared: Preparation, index: int) -> dict[str, Any]:
    chords = prepared.harmony.in_bar(index)
    phrase = prepared.form.phrase_of(index)
    return {
        "bar": prepared.score.bars[index].number,
        "chord": chords[0].name if chords else None,
        "roman": chords[0].roman if chords else None,
        "phrase": phrase.letter if phrase else None,
        "chords": [
            {
                "beat": _beat(prepared.score, chord.onset, index),
                "chord": chord.name,
                "roman": chord.roman,
                "also": [reading.name for reading in chord.readings[1:]],
            }
            for chord in chords
        ],
    }


def _stop_row(score: Score, number: int, stop: Stop) -> dict[str, Any]:
    note = score.notes[stop.note]
    due_bar = score.bar_index(stop.due)
    return {
        "note": stop.note,
        "bar": score.bars[int(note["bar"])].number,
        "beat": _beat(score, int(note["onset"]), int(note["bar"])),
        "string": stop.string or None,
        "fret": stop.fret if stop.fret >= 0 else None,
        "pitch": int(note["pitch"]),
        "due_bar": score.bars[due_bar].number,
        "due_beat": _beat(score, stop.due, due_bar),
        "reason": stop.reason.value,
        "next_string": stop.next_string,
        "ways": [way.value for way in stop.ways],
        "way": stop.way.value if stop.way else None,
        "time_ms": round(stop.time_ms, 1) if stop.time_ms is not None else None,
        "clash": stop.clash.value,
        "in_chord": stop.in_chord,
        "wanted": stop.wanted,
        "number": number,
        "below_bass": stop.over.below,
        "reachable": stop.reachable,
    }


def _note_row(score: Score, row: int) -> dict[str, Any]:
    note = score.notes[row]
    return {
        "note": row,
        "bar": score.bars[int(note["bar"])].number,
        "beat": _beat(score, int(note["onset"]), int(note["bar"])),
        "voice": "bass" if note["bass"] else "melody",
        "pitch": int(note["pitch"]),
        "string": int(note["string"]) or None,
        "fret": int(note["fret"]) if note["fret"] >= 0 else None,
        "finger": int(note["finger"]) or None,
        "pluck": FINGERS[int(note["pluck"])].strip() or None,
    }


def _form(prepared: Preparation) -> dict[str, Any]:
    bars, form = prepared.score.bars, prepared.form
    return {
        "sentences": form_words.form_sentences(prepared.score, form),
        "phrases": [
            {"letter": p.letter, "first_bar": bars[p.first].number, "last_bar": bars[p.last].number}
            for p in form.phrases
        ],
        "chunks": [
            {
                "size": chunk.size,
                "first_bar": bars[chunk.first].number,
                "last_bar": bars[chunk.last].number,
                "lands_bar": bars[prepared.score.bar_index(chunk.lands)].number,
                "join": chunk.join,
            }
            for chunk in form.chunks
        ],
    }


def _beat(score: Score, tick: int, bar: int) -> float:
    return round(score.beat(tick, bar), 4)
