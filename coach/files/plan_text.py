"""A prepared piece as a teacher would tell it, for a terminal."""

from __future__ import annotations

import textwrap

from coach.core import form_words, plan_words, tempo_words, words
from coach.core.damping import Reason, Stop, worst_first
from coach.core.harmony import Chord, Scale
from coach.core.preparation import Preparation
from coach.core.score import Score
from coach.core.spelling import place_name
from coach.core.ways import Way
from coach.files.tables import Cells, table

BARS_A_LINE = 8
CHORD_GAP = "   "
INDENT = " " * 5  # under a stop, in a narrow terminal
HANGING = " " * 7  # under a way, in the telling of one stop
MOST_WORST = 3
PLUCKS = "–pima"


def plan_text(prepared: Preparation, width: int | None = None) -> str:
    """Return a prepared piece as a teacher would tell it: what it is, its form, its harmony, its stops.

    ``width``: columns of the terminal; None wraps nothing.
    """
    parts = [_facts(prepared), _form_text(prepared), _harmony_text(prepared, width)]
    parts.append(_stops_text(prepared, width))
    parts += [_worst_text(prepared), _may_ring_text(prepared), _chunks_text(prepared)]
    return "\n\n".join(_wrapped(part, width) for part in parts if part)


def _wrapped(part: str, width: int | None) -> str:
    """Return sentences wrapped to a width; what was laid out in columns is left as it is."""
    if (
        width is None
        or max(map(len, part.splitlines())) <= width
        or part.startswith(plan_words.CHORD_HEADS[0])
    ):
        return part
    return "\n".join(textwrap.fill(line, width) for line in part.splitlines())


def _facts(prepared: Preparation) -> str:
    score, harmony = prepared.score, prepared.harmony
    first = score.bars[0]
    scale = _scale_words(harmony.scale) if harmony.scale else ""
    told = [harmony.key.name, f"{first.beats}/{first.beat_unit}", tempo_words.written_tempo(score)]
    line = ", ".join(part for part in told if part) + "."
    level = plan_words.LEVEL_LINE.format(level=plan_words.LEVEL_NAME[prepared.level.token])
    return " ".join(part for part in (line, scale, level) if part)


def _scale_words(scale: Scale) -> str:
    if not scale.outside:
        return plan_words.MELODY_SCALE.format(scale=scale.name)
    notes = [place_name(place) for place in scale.outside]
    joined = " and ".join([", ".join(notes[:-1]), notes[-1]] if notes[1:] else notes)
    return plan_words.MELODY_OUTSIDE.format(scale=scale.name, notes=joined)


def _form_text(prepared: Preparation) -> str:
    line = form_words.phrase_line(prepared.score, prepared.form)
    sentences = form_words.form_sentences(prepared.score, prepared.form)
    phrases = plan_words.PHRASES.format(phrases=line) if line else ""
    return "\n".join(part for part in (phrases, " ".join(sentences)) if part)


def _harmony_text(prepared: Preparation, width: int | None) -> str:
    """Return the chords in lines of a few bars, each written bar once, their place in the key beneath."""
    seen: set[int] = set()
    columns: list[Cells] = []
    key = prepared.harmony.key
    for index, bar in enumerate(prepared.score.bars):
        chords = [chord for chord in prepared.harmony.in_bar(index) if chord.readings]
        if bar.written in seen or not chords:
            continue
        seen.add(bar.written)
        roman = ", ".join(plan_words.roman_words(chord.roman or "") for chord in chords)
        if chords[0].key != key:
            key = chords[0].key
            roman = plan_words.KEY_TURN.format(key=key.sign, roman=roman)
        columns.append((str(bar.number), ", ".join(_chord_name(chord) for chord in chords), roman))
    lines: list[str] = []
    block: list[Cells] = [plan_words.CHORD_HEADS]
    for column in columns:
        size = sum(max(map(len, cells)) + len(CHORD_GAP) for cells in (*block, column))
        if len(block) > BARS_A_LINE or (len(block) > 1 and size > (width or size)):
            lines += _chord_lines(block)
            block = [plan_words.CHORD_HEADS]
        block.append(column)
    return "\n".join([*lines, *_chord_lines(block)]).rstrip() if columns else ""


def _chord_lines(block: list[Cells]) -> list[str]:
    widths = [max(map(len, column)) for column in block]
    lines = [
        CHORD_GAP.join(column[i].ljust(width) for column, width in zip(block, widths, strict=True)).rstrip()
        for i in range(3)
    ]
    return [*lines, ""]


def _chord_name(chord: Chord) -> str:
    """Return a chord's name, with its other one where two fit the same notes."""
    names = [reading.name for reading in chord.readings]
    return names[0] if len(names) == 1 else plan_words.ALSO.format(name=names[0], other=names[1])


def _stops_text(prepared: Preparation, width: int | None) -> str:
    """Return the stops as a table, or in a narrow terminal as a list."""
    rows = [_stop_cells(prepared, number, stop) for number, stop in prepared.first_rounds()]
    if not rows:
        return ""
    told = table([plan_words.STOP_HEADS, *rows])
    if width is None or max(map(len, told.splitlines())) <= width:
        return told
    lines: list[str] = []
    for number, bar, beat, bass, string, end, why, how, time, rings in rows:
        place = plan_words.STOP_PLACE.format(bar=bar, beat=beat, bass=bass, string=string, end=end, why=why)
        lines.append(f"{number.rjust(3)}  {place}")
        if how != "–":
            has = plan_words.STOP_TIME.format(time=time) if time != "–" else ""
            how_line = plan_words.STOP_HOW.format(how=how, time=has, rings=rings)
            lines.append(textwrap.fill(how_line, width, initial_indent=INDENT, subsequent_indent=INDENT))
    return "\n".join(lines)


def _stop_cells(prepared: Preparation, number: int, stop: Stop) -> Cells:
    score = prepared.score
    note = score.notes[stop.note]
    bar = int(note["bar"])
    return (
        str(number),
        str(score.bars[bar].number),
        _beat_words(score, score.beat(int(note["onset"]), bar), bar),
        plan_words.bass_name(prepared, stop),
        words.string_sign(stop.string),
        _end_words(score, stop.due),
        words.REASON_WORDS[stop.reason],
        plan_words.ways_words(stop),
        plan_words.seconds(stop.time_ms) if stop.wanted else "–",
        plan_words.over_words(stop) if stop.asked else "–",
    )


def _beat_words(score: Score, beat: float, bar: int) -> str:
    """Return a beat, with its round where its bar is played again."""
    told, turn = words.beat_name(beat), score.bars[bar].round
    return told if turn == 1 else plan_words.AGAIN.format(beat=told, time=plan_words.ordinal(turn))


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
    groups: dict[tuple[object, ...], list[int]] = {}
    for stop in worst:
        groups.setdefault((stop.pair, stop.clash, stop.over.below), []).append(numbers[id(stop)])
    named = []
    for first, *others in list(groups.values())[:MOST_WORST]:
        name = plan_words.stop_name(prepared, first)
        alike = ", ".join(map(str, sorted(others)))
        named.append(plan_words.ALIKE.format(stop=name, others=alike) if others else name)
    return plan_words.MEND_FIRST.format(stops="; ".join(named)) if named else ""


def _may_ring_text(prepared: Preparation) -> str:
    found = [str(number) for number, stop in prepared.first_rounds() if plan_words.may_ring(stop)]
    return plan_words.MAY_RING.format(stops=", ".join(found)) if found else ""


def _chunks_text(prepared: Preparation) -> str:
    line = form_words.chunk_line(prepared.score, prepared.form)
    return f"{line}\n{words.HAND_CARE}" if line else ""


def stop_text(prepared: Preparation, number: int, width: int | None = None) -> str:
    """Return one stop told in full: what rings into what, each way that serves or why it does not."""
    stop = prepared.stops[number - 1]
    score = prepared.score
    name = plan_words.stop_name(prepared, number)
    place = _end_words(score, stop.due)
    lines = [name[0].upper() + name[1:]]
    if not stop.asked:
        said = plan_words.RINGS_FREE if stop.reason is Reason.FREE else plan_words.TAKEN_OVER
        return "\n".join([*lines, said.format(place=place)])
    lines += [
        plan_words.ENDS.format(place=place, reason=words.REASON_WORDS[stop.reason]),
        plan_words.RINGS_ON.format(grade=_why_clash(prepared, stop)),
    ]
    lines += [plan_words.WAY_SERVES.format(way=_advice(way, stop)) for way in stop.ways]
    lines += [
        plan_words.WAY_BARRED.format(way=words.WAY_NAME[way], why=plan_words.why_not(stop, way, why))
        for way, why in stop.barred
    ]
    if stop.time_ms is not None:
        lines.append(plan_words.TIME_LINE.format(time=plan_words.seconds(stop.time_ms)))
    if not stop.wanted:
        lines.append(f"{plan_words.ways_words(stop).capitalize()}.")
    if width is None:
        return "\n".join(lines)
    return "\n".join(textwrap.fill(line, width, subsequent_indent=HANGING) for line in lines)


def _advice(way: Way, stop: Stop) -> str:
    told = words.WAY_ADVICE[way].format(string=words.string_sign(stop.string))
    return f"{words.WAY_NAME[way]}: {told}"


def _why_clash(prepared: Preparation, stop: Stop) -> str:
    """Return how a ring-over would be heard, where, and whether it would belong to the chord there."""
    grade = plan_words.over_words(stop)
    if stop.heard_at != stop.due:
        grade = plan_words.HEARD_LATER.format(grade=grade, place=_end_words(prepared.score, stop.heard_at))
    chord = prepared.harmony.at(stop.heard_at)
    if chord is None or chord.name is None:
        return grade
    told = plan_words.TRUE_CHORD if stop.in_chord else plan_words.NO_CHORD_NOTE
    return f"{grade}: {told.format(chord=chord.name)}"


def fingers_text(prepared: Preparation) -> str:
    """Return string, fret and fingers of every written note, in order."""
    score = prepared.score
    seen: set[int] = set()
    rows: list[Cells] = [plan_words.FINGER_HEADS]
    bar_before = -1
    for note in score.notes:
        if int(note["written"]) in seen:
            continue
        seen.add(int(note["written"]))
        bar = int(note["bar"])
        rows.append(
            (
                str(score.bars[bar].number) if bar != bar_before else "",
                words.beat_name(score.beat(int(note["onset"]), bar)),
                plan_words.BASS_VOICE if note["bass"] else plan_words.TUNE,
                prepared.harmony.spelt(int(note["pitch"]), int(note["onset"]), bar, int(note["written"])),
                words.string_sign(int(note["string"])),
                str(note["fret"]) if note["fret"] >= 0 else "–",
                str(note["finger"]) if note["finger"] else "–",
                PLUCKS[int(note["pluck"])],
            )
        )
        bar_before = bar
    return table(rows)
