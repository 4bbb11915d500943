"""``coach exercise``: an exercise made out of a piece, written as MusicXML."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

from coach.app.outputs import checked_outputs
from coach.app.piece import Piece, open_piece
from coach.app.terms import terms_beside
from coach.core import exercise_words, tempo_words, words
from coach.core.damping import Reason, Stop
from coach.core.derived import (
    bar_sources,
    bass_alone,
    melody_alone,
    melody_mask,
    melody_scale_score,
    scale_key,
    scale_of,
)
from coach.core.errors import CoachError
from coach.core.exercises import Exercise, asks_nothing, stop_exercise, worst
from coach.core.preparation import Preparation
from coach.core.spelling import spelt
from coach.files.plain_xml import to_musicxml
from coach.files.taste import taste_path
from coach.files.whole_file import write_whole

SUFFIXES = (".musicxml", ".xml")


@dataclasses.dataclass(frozen=True, slots=True)
class Written:
    """An exercise ready to be written."""

    xml: str
    ending: str  # of the file's name
    sentences: tuple[str, ...]  # what it trains


def run_exercise(
    path: Path,
    *,
    kind: str,
    stop: int | None = None,
    out: Path | None = None,
    replace: bool = False,
    tuning: str | None = None,
    capo: int | None = None,
    level: str | None = None,
) -> int:
    """Write an exercise and say what it trains.

    ``kind`` is stop, worst, scale, melody or bass; ``out`` where to write it (default: named after the
    piece, in the current folder).  Raises CoachError where nothing can be made or written; a file that
    exists is left alone unless ``replace``.
    """
    piece = open_piece(path, tuning=tuning, capo=capo)
    terms, notices = terms_beside(piece, level)
    for notice in (*piece.notices, *notices):
        print(f"coach: {path.name}: {notice}", file=sys.stderr)
    prepared = terms.prepare(piece)
    if kind in ("stop", "worst"):
        made = stop_of_piece(piece, prepared, stop if kind == "stop" else None)
    else:
        made = part_of_piece(piece, prepared, kind)
    target = out or Path(f"{path.stem}-{made.ending}.musicxml")
    if target.suffix.lower() not in SUFFIXES:
        raise CoachError(str(target), *exercise_words.BAD_SUFFIX)
    (checked,) = checked_outputs([target], sources=(path, taste_path(path)), replace=replace)
    assert checked is not None
    write_whole(checked, made.xml, remedy=exercise_words.WRITE_ELSEWHERE)
    print(exercise_words.WRITTEN.format(path=target))
    for sentence in (*made.sentences, words.HAND_CARE):
        print(f"\n{sentence}")
    return 0


def stop_of_piece(piece: Piece, prepared: Preparation, number: int | None) -> Written:
    """Return the exercise for a stop by its number, or for the worst one (None).

    Raises CoachError where there is no such stop, or it asks for nothing.
    """
    where, stops = piece.path.name, prepared.stops
    numbers = [n for n, stop in enumerate(stops, 1) if not asks_nothing(stop)]
    chosen = worst(prepared) if number is None else None
    if not numbers or (number is None and chosen is None):
        raise CoachError(where, *exercise_words.NO_STOPS)
    if chosen is None:
        assert number is not None
        if not 1 <= number <= len(stops):
            what, remedy = exercise_words.NO_STOP_NUMBER
            raise CoachError(where, what.format(number=number, count=len(stops)), remedy)
        chosen = stops[number - 1]
        if why := asks_nothing(chosen):
            near = sorted(sorted(numbers, key=lambda n: abs(n - number))[:3])
            remedy = exercise_words.ASKS_NOTHING_REMEDY.format(numbers=", ".join(map(str, near)))
            raise CoachError(where, exercise_words.ASKS_NOTHING[why].format(number=number), remedy)
    made = stop_exercise(prepared, chosen)
    xml = to_musicxml(made.score, cues=made.cues, sections=made.sections, keys=made.keys, apart=True)
    return Written(xml, f"stop-{made.number}", tuple(_stop_sentences(piece.title, prepared, made)))


def part_of_piece(piece: Piece, prepared: Preparation, kind: str) -> Written:
    """Return the melody, the bass or the scale (``kind``) as an exercise.

    Raises CoachError where the piece has no such voice.
    """
    where, harmony = piece.path.name, prepared.harmony
    if kind == "bass" and not piece.score.notes["bass"].any():
        raise CoachError(where, *exercise_words.NO_BASS)
    if kind != "bass" and not melody_mask(piece.score).any():
        raise CoachError(where, *exercise_words.NO_MELODY)
    scale = scale_of(harmony)
    if kind == "scale":
        score = melody_scale_score(piece.score, harmony)
        keys = [scale_key(scale, harmony)] * len(score.bars)
        title, told = exercise_words.TITLE_SCALE, exercise_words.TRAINS_SCALE
    else:
        score = (bass_alone if kind == "bass" else melody_alone)(piece.score)
        keys = [harmony.bar_keys[source] for source in bar_sources(piece.score)]
        title, told = {
            "bass": (exercise_words.TITLE_BASS, exercise_words.TRAINS_BASS),
            "melody": (exercise_words.TITLE_MELODY, exercise_words.TRAINS_MELODY),
        }[kind]
    score = dataclasses.replace(score, title=title.format(title=piece.title, scale=scale.name))
    return Written(to_musicxml(score, keys=keys), kind, (told.format(title=piece.title, scale=scale.name),))


def _stop_sentences(title: str, prepared: Preparation, made: Exercise) -> list[str]:
    """Return what a stop's exercise trains, and how to go about it."""
    stop, score = made.stop, prepared.score
    note = score.notes[stop.note]
    bar = int(note["bar"])
    trains = exercise_words.TRAINS_STOP.format(
        number=made.number,
        title=title,
        bar=score.bars[bar].number,
        tone=spelt(int(note["pitch"]), prepared.harmony.bar_keys[bar]),
        string=words.string_sign(stop.string),
        when=_when(prepared, stop),
        way=exercise_words.HOW[stop.ways[0]].format(string=words.string_sign(stop.string)),
    )
    stages = []
    for section in made.sections:
        name = section.name.partition(":")[0]
        bars = section.name.partition(": ")[2]
        stages.append(exercise_words.STAGES[name].format(bars=bars))
    told = exercise_words.STAGES_TOLD.format(stages="; ".join(stages))
    tempo = exercise_words.SLOWLY.format(tempo=tempo_words.written_tempo(made.score))
    return [trains, told, f"{tempo} {exercise_words.ON}"]


def _when(prepared: Preparation, stop: Stop) -> str:
    """Return in words when a bass has to end."""
    if stop.next_note >= 0:
        note = prepared.score.notes[stop.next_note]
        tone = spelt(int(note["pitch"]), prepared.harmony.bar_keys[int(note["bar"])])
        return exercise_words.WHEN_BASS.format(tone=tone, string=words.string_sign(stop.next_string or 0))
    if stop.reason is Reason.MARKED:
        return exercise_words.WHEN_MARKED
    return exercise_words.WHEN_END if stop.reason is Reason.END else exercise_words.WHEN_REST
