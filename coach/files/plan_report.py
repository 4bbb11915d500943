"""A prepared piece as text that a student reads, and as JSON that other tools read.

The JSON document is a contract: keys and tokens do not change within a format.  A figure that cannot be
known is null; ``beat`` is 1-based in the meter's written denominator.  ``bars`` and ``damps`` are in
performed order, so that a repeated bar has a row each time; ``chord`` and ``roman`` are those at the bar's
beginning, ``chords`` holds every change.
"""

from __future__ import annotations

import json
import textwrap
from typing import Any

from coach.core import form_words, plan_words, words
from coach.core.damping import Stop, worst_first
from coach.core.harmony import Chord
from coach.core.preparation import Preparation
from coach.core.score import Score
from coach.core.ways import Way
from coach.files.tables import Cells, table

BARS_A_LINE = 8
MOST_WORST = 3
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


# --- text -------------------------------------------------------------------------------------------


def plan_text(prepared: Preparation, width: int | None = None) -> str:
    """Return a prepared piece as a teacher would tell it: what it is, its form, its harmony, its stops.

    ``width``: columns of the terminal; None wraps nothing.
    """
    parts = [_facts(prepared), _form_text(prepared), _harmony_text(prepared)]
    parts.append(_stops_text(prepared, width))
    parts += [_worst_text(prepared), _may_ring_text(prepared), _chunks_text(prepared)]
    return "\n\n".join(_wrapped(part, width) for part in parts if part)


def _wrapped(part: str, width: int | None) -> str:
    """Return sentences wrapped to a width; tables are left as they are."""
    if width is None or "---" in part or part.startswith(plan_words.CHORD_HEADS[0]):
        return part
    return "\n".join(textwrap.fill(line, width) for line in part.splitlines())


def _facts(prepared: Preparation) -> str:
    score, harmony = prepared.score, prepared.harmony
    first = score.bars[0]
    scale = plan_words.MELODY_SCALE.format(scale=harmony.scale.name) if harmony.scale else ""
    told = [harmony.key.name, f"{first.beats}/{first.beat_unit}", words.tempo_words(score)]
    line = ", ".join(part for part in told if part) + "."
    level = plan_words.LEVEL_LINE.format(level=plan_words.LEVEL_NAME[prepared.level.token])
    return " ".join(part for part in (line, scale, level) if part)


def _form_text(prepared: Preparation) -> str:
    line = form_words.phrase_line(prepared.score, prepared.form)
    sentences = form_words.form_sentences(prepared.score, prepared.form)
    phrases = plan_words.PHRASES.format(phrases=line) if line else ""
    return "\n".join(part for part in (phrases, " ".join(sentences)) if part)


def _harmony_text(prepared: Preparation) -> str:
    """Return the chords in lines of a few bars, each written bar once, their place in the key beneath."""
    seen: set[int] = set()
    columns: list[Cells] = []
    key = prepared.harmony.key
    for index, bar in enumerate(prepared.score.bars):
        chords = [chord for chord in prepared.harmony.in_bar(index) if chord.readings]
        if bar.written in seen or not chords:
            continue
        seen.add(bar.written)
        roman = ", ".join(chord.roman or "" for chord in chords)
        if chords[0].key != key:
            key = chords[0].key
            roman = plan_words.KEY_TURN.format(key=key.sign, roman=roman)
        columns.append((str(bar.number), ", ".join(_chord_name(chord) for chord in chords), roman))
    lines: list[str] = []
    for first in range(0, len(columns), BARS_A_LINE):
        block = [plan_words.CHORD_HEADS, *columns[first : first + BARS_A_LINE]]
        widths = [max(map(len, column)) for column in block]
        lines += [
            "   ".join(column[i].ljust(width) for column, width in zip(block, widths, strict=True)).rstrip()
            for i in range(3)
        ]
        lines.append("")
    return "\n".join(lines).rstrip()


def _chord_name(chord: Chord) -> str:
    """Return a chord's name, with its other one where two fit the same notes."""
    names = [reading.name for reading in chord.readings]
    return names[0] if len(names) == 1 else plan_words.ALSO.format(name=names[0], other=names[1])


def _stops_text(prepared: Preparation, width: int | None) -> str:
    rows: list[Cells] = [
        ("", "bar", "beat", "bass", "string", "ends at", "because", "stop it by", "time", "if it rings on")
    ]
    rows += [_stop_cells(prepared, number, stop) for number, stop in prepared.first_rounds()]
    return table(rows, width) if len(rows) > 1 else ""


def _stop_cells(prepared: Preparation, number: int, stop: Stop) -> Cells:
    score = prepared.score
    note = score.notes[stop.note]
    bar = int(note["bar"])
    return (
        str(number),
        str(score.bars[bar].number),
        words.beat_name(score.beat(int(note["onset"]), bar)),
        plan_words.bass_name(prepared, stop),
        words.string_sign(stop.string),
        _end_words(score, stop.due),
        words.REASON_WORDS[stop.reason],
        plan_words.ways_words(stop),
        plan_words.seconds(stop.time_ms) if stop.wanted else "–",
        plan_words.over_words(stop) if stop.asked else "–",
    )


def _end_words(score: Score, due: int) -> str:
    """Return a due point as bar and beat; the end of a bar that nothing follows is called that."""
    index = score.bar_index(due)
    bar = score.bars[index]
    if due >= bar.end:
        return words.END_OF_BAR.format(bar=bar.number)
    return f"{bar.number}:{words.beat_name(score.beat(due, index))}"


def _worst_text(prepared: Preparation) -> str:
    """Return the stops to mend first, each pair of strings once."""
    numbers = {id(stop): number for number, stop in prepared.first_rounds()}
    worst = [s for s in worst_first(prepared.stops) if id(s) in numbers and s.clash.rank > 0]
    shown: list[Stop] = []
    for stop in worst:
        if all(stop.pair != other.pair or stop.over != other.over for other in shown):
            shown.append(stop)
    named = [plan_words.stop_name(prepared, numbers[id(stop)]) for stop in shown[:MOST_WORST]]
    return plan_words.MEND_FIRST.format(stops="; ".join(named)) if named else ""


def _may_ring_text(prepared: Preparation) -> str:
    found = [str(number) for number, stop in prepared.first_rounds() if plan_words.may_ring(stop)]
    return plan_words.MAY_RING.format(stops=", ".join(found)) if found else ""


def _chunks_text(prepared: Preparation) -> str:
    line = form_words.chunk_line(prepared.score, prepared.form)
    return f"{line}\n{words.HAND_CARE}" if line else ""


def stop_text(prepared: Preparation, number: int) -> str:
    """Return one stop told in full: what rings into what, each way that serves or why it does not."""
    stop = prepared.stops[number - 1]
    score = prepared.score
    lines = [
        f"{plan_words.stop_name(prepared, number)[0].upper()}{plan_words.stop_name(prepared, number)[1:]}"
    ]
    lines.append(
        plan_words.ENDS.format(place=_end_words(score, stop.due), reason=words.REASON_WORDS[stop.reason])
    )
    if stop.asked:
        lines.append(plan_words.RINGS_ON.format(grade=_why_clash(prepared, stop)))
        lines += [plan_words.WAY_SERVES.format(way=_advice(way, stop)) for way in stop.ways]
        lines += [
            plan_words.WAY_BARRED.format(way=words.WAY_NAME[way], why=plan_words.why_not(stop, way, why))
            for way, why in stop.barred
        ]
        if stop.time_ms is not None:
            lines.append(plan_words.TIME_LINE.format(time=plan_words.seconds(stop.time_ms)))
        if not stop.wanted:
            lines.append(f"{plan_words.ways_words(stop).capitalize()}.")
    return "\n".join(lines)


def _advice(way: Way, stop: Stop) -> str:
    told = words.WAY_ADVICE[way].format(string=stop.string)
    return f"{words.WAY_NAME[way]}: {told}"


def _why_clash(prepared: Preparation, stop: Stop) -> str:
    chord = prepared.harmony.at(stop.due)
    grade = plan_words.over_words(stop)
    if chord is None or chord.name is None:
        return grade
    told = plan_words.TRUE_CHORD if stop.in_chord else plan_words.NO_CHORD_NOTE
    return f"{grade}: {told.format(chord=chord.name)}"
