"""The history as text that a student reads, and as JSON that other tools read.

The JSON document is a contract: keys and tokens do not change within a format.  A figure that cannot be known
is null; ``beat`` is 1-based in the meter's written denominator; days are local dates, ISO 8601; ``speed`` is
times the written tempo; a pickup bar is bar 0.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from coach.core import words
from coach.core.ways import Way
from coach.files import history_words as said
from coach.files.history_rows import CUT, ChunkHistory, PieceHistory, StopHistory
from coach.files.history_today import Suggestion, What
from coach.files.tables import Cells, table

FORMAT = 1
MOST_CHUNKS = 12  # in a piece's table; all are in the JSON document
WAYS = {way.value: words.WAY_SHORT[way] for way in Way}


@dataclass(frozen=True, slots=True)
class Told:
    """What is told of a history."""

    pieces: tuple[PieceHistory, ...]  # the one practised last in front
    today: tuple[Suggestion, ...]
    now: date
    days: int | None = None  # only the last so many were asked for
    title: str = ""  # of the one piece that was asked for
    edited: bool = False  # that piece was also practised as its score was before
    files: Mapping[str, Path] = field(default_factory=dict)  # the scores at hand, by digest


def history_text(told: Told) -> str:
    """Return a history as text: what to practise today, then the pieces with their chunks and stops."""
    parts: list[str] = []
    year = told.now.year
    if told.pieces:
        days = {day for piece in told.pieces for day in piece.days}
        count = len(told.pieces)
        pieces = words.number_of("piece", count)
        last = said.day_words(max(days), year)
        parts.append(said.HEAD.format(pieces=pieces, days=said.days_words(len(days)), day=last))
    elif told.days is not None:
        parts.append(said.NOTHING_SINCE.format(days=said.days_words(told.days)))
    else:
        parts.append(said.NOTHING_OF.format(title=told.title) if told.title else said.NOTHING_YET)
    if told.edited:
        parts.append(said.EDITED.format(title=told.title))
    if told.pieces or told.today:
        advice = [suggestion_sentence(one, told.now) for one in told.today] or [_going_on(told)]
        lines = [f"  {number}. {line}" for number, line in enumerate(advice, 1)]
        parts.append("\n".join([f"{said.TODAY}:", *lines]))
    for piece in told.pieces:
        parts += _piece_text(piece, told)
    parts.append(words.HAND_CARE)
    return "\n\n".join(parts)


def _going_on(told: Told) -> str:
    """Return what to practise where nothing has to be checked or mended: the piece that was played last."""
    if not told.pieces:
        return said.TODAY_NOTHING
    return said.TODAY_GO_ON.format(title=told.pieces[0].title)


def suggestion_sentence(one: Suggestion, now: date) -> str:
    """Return one thing to practise in one sentence."""
    if one.what is What.CHECK and one.chunk is not None:
        chunk = said.chunk_words(one.chunk.part, one.chunk.first_bar, one.chunk.last_bar)
        return said.CHECK.format(chunk=chunk, title=one.title, day=said.day_words(one.day, now.year))
    if one.what is What.MEND and one.stop is not None:
        place = words.place_words(one.stop.bar, words.beat_name(one.stop.beat))
        text = said.MEND_ONCE if one.asked == 1 else said.MEND
        return text.format(
            place=place, title=one.title, string=one.stop.string, failed=one.failed, asked=one.asked
        )
    lain = (now - date.fromisoformat(one.day)).days
    return said.RETURN.format(title=one.title, days=said.days_words(lain))


def _piece_text(piece: PieceHistory, told: Told) -> list[str]:
    year = told.now.year
    head = said.PIECE.format(
        title=piece.title,
        passes=said.passes_words(piece.passes),
        clean=said.PASSES_CLEAN.format(count=piece.clean),
        days=said.days_words(len(piece.days)),
        day=said.day_words(piece.days[-1], year),
    )
    if piece.digest not in told.files:
        head = f"{head} {said.GONE}"
    chunks = sorted(piece.chunks, key=lambda one: one.days[-1], reverse=True)[:MOST_CHUNKS]
    kept = [one for one in piece.chunks if one in chunks]
    parts = [head, table([said.CHUNK_HEADING, *(_chunk_cells(one, year) for one in kept)])]
    # One piece in full; of many only what fails.
    stops = [one for one in piece.stops if told.title or one.clean < one.asked]
    if stops:
        parts.append(table([said.STOP_HEADING, *(_stop_cells(one, year) for one in stops)]))
    if fine := len(piece.stops) - len(stops):
        parts.append(said.MORE_STOPS.format(stops=words.number_of("stop", fine)))
    return parts


def _chunk_cells(one: ChunkHistory, year: int) -> Cells:
    bars = said.SCALE if one.part == "scale" else words.bars_words(one.first_bar, one.last_bar)
    best = said.NEVER
    if one.speed is not None:
        best = said.SPEED.format(speed=one.speed)
        if one.bpm is not None:
            best = said.TEMPO.format(bpm=one.bpm, speed=one.speed)
    return (
        bars,
        said.PART_NAMES.get(one.part, one.part),
        str(one.passes),
        str(one.clean),
        best,
        str(len(one.days)),
        said.day_words(one.days[-1], year),
    )


def overhang_words(one: StopHistory) -> str:
    """Return a stop's median overhang in words."""
    if one.overhang_ms is None:
        return said.NEVER if set(one.kinds) == {CUT} else words.TO_THE_END
    return words.milliseconds(one.overhang_ms)


def _stop_cells(one: StopHistory, year: int) -> Cells:
    return (
        str(one.bar),
        words.beat_name(one.beat),
        words.string_sign(one.string),
        WAYS.get(one.way, said.NEVER),
        said.CLEAN_OF.format(clean=one.clean, asked=one.asked),
        overhang_words(one),
        str(len(one.days)),
        said.day_words(one.days[-1].day, year),
    )


# --- for other programs -----------------------------------------------------------------------------


def history_json(told: Told) -> str:
    """Return a history as a JSON document: everything, however many."""
    document = {
        "format": FORMAT,
        "date": told.now.isoformat(),
        "today": [_suggestion_json(one) for one in told.today],
        "pieces": [_piece_json(piece, told) for piece in told.pieces],
    }
    return json.dumps(document, ensure_ascii=False, indent=1)


def _suggestion_json(one: Suggestion) -> dict[str, Any]:
    chunk, stop = one.chunk, one.stop
    return {
        "what": one.what.value,
        "title": one.title,
        "digest": one.digest or None,
        "last_day": one.day,
        "part": chunk.part if chunk else None,
        "first_bar": chunk.first_bar if chunk else None,
        "last_bar": chunk.last_bar if chunk else None,
        "first": chunk.first if chunk else None,
        "last": chunk.last if chunk else None,
        "note": stop.note if stop else None,
        "bar": stop.bar if stop else None,
        "beat": round(stop.beat, 4) if stop else None,
        "string": stop.string or None if stop else None,
        "failed": one.failed if stop else None,
        "asked": one.asked if stop else None,
    }


def _piece_json(piece: PieceHistory, told: Told) -> dict[str, Any]:
    file = told.files.get(piece.digest)
    return {
        "title": piece.title,
        "digest": piece.digest or None,
        "score": str(file) if file is not None else None,
        "passes": piece.passes,
        "clean": piece.clean,
        "days": list(piece.days),
        "chunks": [_chunk_json(one) for one in piece.chunks],
        "stops": [_stop_json(one) for one in piece.stops],
    }


def _chunk_json(one: ChunkHistory) -> dict[str, Any]:
    return {
        "part": one.part,
        "first_bar": one.first_bar,
        "last_bar": one.last_bar,
        "first": one.first,
        "last": one.last,
        "passes": one.passes,
        "clean": one.clean,
        "speed": _rounded(one.speed, 3),
        "beats_a_minute": _rounded(one.bpm, 1),
        "days": list(one.days),
    }


def _stop_json(one: StopHistory) -> dict[str, Any]:
    return {
        "note": one.note,
        "bar": one.bar,
        "beat": round(one.beat, 4),
        "string": one.string or None,
        "way": one.way or None,
        "asked": one.asked,
        "clean": one.clean,
        "overhang_ms": _rounded(one.overhang_ms, 1),
        "days": [
            {
                "day": of.day,
                "asked": of.asked,
                "clean": of.clean,
                "verdicts": list(of.kinds),
                "overhang_ms": _rounded(of.overhang_ms, 1),
            }
            for of in one.days
        ],
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
