"""A plain engraving source (MusicXML 4.0) for a score that has none of its own, such as one from an SMF.

Two voices on one staff: melody stems up, bass stems down, treble clef sounding an octave lower.  Only the
picture is simplified: places are drawn on the nearest 32nd or triplet of their beat, and within
a voice a chord ends where the next begins.  The score itself keeps its own times.  Pitches are sounding
ones, which is what ``pitch`` holds under a clef with an octave change.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np

from coach.core.errors import one_line
from coach.core.pitch import STEPS
from coach.core.score import ANCHOR, TICKS_PER_QUARTER, Array, Bar, Score

UNIT = TICKS_PER_QUARTER // 24  # a drawn tick: 24 to a quarter, so that 32nds are 3 and triplet 16ths 4
_GRIDS = (12, 6, 8, 3, 4)  # steps tried for each beat, in units: 8ths, 16ths, triplets, 32nds, triplet 16ths
_TYPES = {96: "whole", 48: "half", 24: "quarter", 12: "eighth", 6: "16th", 3: "32nd"}
# What one note can be, in units: plain, with a dot, and the double whole note.
_VALUES: dict[int, tuple[str, int]] = {
    **{units: (name, 0) for units, name in _TYPES.items()},
    **{units * 3 // 2: (name, 1) for units, name in _TYPES.items() if units > 3},
    192: ("breve", 0),
}
_TRIPLETS = {16: ("quarter", 0), 8: ("eighth", 0), 4: ("16th", 0), 12: ("eighth", 1)}
# Steps on the line of fifths from F: FCGDAEB.  A key's notes are spelt from three fifths below its tonic
# (in C: E flat) to eight above (G sharp), which has every minor key's leading note (common practice, no source).
_LINE = "FCGDAEB"


@dataclass(slots=True)
class _Piece:
    """A stretch of a voice in one bar that is one note, chord or rest."""

    start: int  # units from the bar's start
    length: int  # units
    rows: tuple[int, ...]  # of Score.notes; none for a rest
    triplet: bool
    tied_from: bool = False
    tied_to: bool = False
    tuplet: str = ""  # start, stop
    beam: str = ""  # begin, continue, end


def to_musicxml(score: Score) -> str:
    """Return MusicXML text; ids of notes and bars are ``score.ids`` and ``score.bar_ids``."""
    return lay_out(score)[0]


def lay_out(score: Score) -> tuple[str, tuple[str, ...], Array]:
    """Return the MusicXML text with the ids and places (dtype ANCHOR) of all it draws.

    ``score`` must have no repeats: each of its bars is written once.
    """
    lines = _lines(score)
    ids: list[str] = []
    anchors: list[tuple[int, int, int]] = []
    parts: dict[int, int] = defaultdict(int)  # how many pieces of each tie chain are drawn

    def name(bar: int, piece: _Piece, row: int) -> str:
        if row < 0:
            found = f"r{len(ids) + 1}"
        else:
            parts[row] += 1
            found = score.ids[score.notes["written"][row]] + (f"-{parts[row]}" if parts[row] > 1 else "")
        anchors.append((bar, piece.start * UNIT, len(ids)))
        ids.append(found)
        return found

    out = [
        '<?xml version="1.0" encoding="UTF-8"?>\n<score-partwise version="4.0">'
        f"<work><work-title>{escape(one_line(score.title))}</work-title></work>"
        '<part-list><score-part id="P1"><part-name/></score-part></part-list>\n<part id="P1">'
    ]
    for index, bar in enumerate(score.bars):
        before = score.bars[index - 1] if index else None
        implicit = ' implicit="yes"' if bar.number == 0 else ""
        out.append(f'<measure number="{bar.number}" id="{score.bar_ids[bar.written]}"{implicit}>')
        out.append(_attributes(bar, before) + (_tempo(score) if index == 0 else ""))
        signs = _signs(score, bar, [line[index] for line in lines])
        for voice, line in enumerate(lines, 1):
            if voice > 1:
                out.append(f"<backup><duration>{_units(bar.length)}</duration></backup>")
            for piece in line[index]:
                for position, row in enumerate(piece.rows or (-1,)):
                    sign = signs.get((voice, piece.start, row), "")
                    found = name(index, piece, row)
                    out.append(_note(score, bar, piece, row, found, position > 0, sign, voice, len(lines)))
        out.append("</measure>\n")
    out.append("</part></score-partwise>\n")
    return "".join(out), tuple(ids), np.array(anchors, ANCHOR)


def _units(ticks: int) -> int:
    return max(round(ticks / UNIT), 1)


def _lines(score: Score) -> list[list[list[_Piece]]]:
    """Return for each drawn voice, for each bar, what stands in it."""
    bass = score.notes["bass"]
    masks = [~bass, bass] if bass.any() and not bass.all() else [np.ones(len(bass), bool)]
    grid = _Grid(score)
    return [_line(score, grid, np.flatnonzero(mask & (score.notes["duration"] > 0))) for mask in masks]


class _Grid:
    """For each beat (a quarter of a bar) the step its places are drawn on."""

    def __init__(self, score: Score) -> None:
        self.score = score
        places: dict[tuple[int, int], set[int]] = defaultdict(set)
        ends = score.notes["onset"] + score.notes["duration"]
        for tick in {*score.notes["onset"].tolist(), *ends.tolist()}:
            bar, beat, within = self._beat(tick)
            places[bar, beat].add(within)
        self.steps = {beat: self._step(within) for beat, within in places.items()}

    def _beat(self, tick: int) -> tuple[int, int, int]:
        bar = self.score.bar_index(tick)
        beat, within = divmod(tick - self.score.bars[bar].onset, TICKS_PER_QUARTER)
        return bar, beat, within

    @staticmethod
    def _step(places: set[int]) -> int:
        """Return the coarsest step that all places are on, or else the one they are nearest to."""

        def away(step: int) -> int:
            ticks = step * UNIT
            return sum(abs(place - round(place / ticks) * ticks) for place in places)

        return min(_GRIDS, key=lambda step: (away(step), _GRIDS.index(step)))

    def place(self, tick: int) -> tuple[int, int]:
        """Return the bar that a tick is drawn in, and the units from its start."""
        bar, beat, within = self._beat(tick)
        step = self.steps.get((bar, beat), 6)
        length = _units(self.score.bars[bar].length)
        units = min(beat * 24 + round(within / (step * UNIT)) * step, length)
        if units == length and bar + 1 < len(self.score.bars):
            return bar + 1, 0
        return bar, units

    def triplet(self, bar: int, beat: int) -> bool:
        """Tell whether a beat is drawn in triplets."""
        return self.steps.get((bar, beat), 6) in (8, 4)


def _line(score: Score, grid: _Grid, rows: np.ndarray) -> list[list[_Piece]]:  # type: ignore[type-arg]
    """Return a voice's pieces by bar: chords, and rests between them."""
    chords: dict[tuple[int, int], list[int]] = defaultdict(list)
    for row in rows.tolist():
        chords[grid.place(int(score.notes["onset"][row]))].append(row)
    starts = sorted(chords)
    out: list[list[_Piece]] = [[] for _ in score.bars]
    at = (0, 0)
    for start, following in zip(starts, [*starts[1:], (len(score.bars), 0)], strict=True):
        _fill(score, grid, out, at, start, ())
        notes = score.notes[chords[start]]
        end = grid.place(int((notes["onset"] + notes["duration"]).max()))
        end = min(end, following) if end > start else following
        _fill(score, grid, out, start, end, tuple(chords[start]))
        at = end
    _fill(score, grid, out, at, (len(score.bars), 0), ())
    for bar, pieces in zip(score.bars, out, strict=True):
        _beams(bar, pieces)
        _tuplets(pieces)
    return out


def _fill(
    score: Score,
    grid: _Grid,
    out: list[list[_Piece]],
    start: tuple[int, int],
    end: tuple[int, int],
    rows: tuple[int, ...],
) -> None:
    """Append the pieces that a note, chord or rest from one place to another is drawn in, tied if several."""
    made: list[_Piece] = []
    for bar in range(start[0], min(end[0] + 1, len(score.bars))):
        stop = end[1] if bar == end[0] else _units(score.bars[bar].length)
        at = start[1] if bar == start[0] else 0
        while at < stop:
            length, triplet = _longest(grid, bar, at, stop)
            made.append(_Piece(at, length, rows, triplet))
            out[bar].append(made[-1])
            at += length
    if rows:
        for piece, following in zip(made, made[1:], strict=False):
            piece.tied_to = following.tied_from = True


def _longest(grid: _Grid, bar: int, at: int, stop: int) -> tuple[int, bool]:
    """Return the longest length from a place that one note can be drawn with, and whether it is a triplet."""
    beat, within = divmod(at, 24)
    if grid.triplet(bar, beat) and (within or stop < (beat + 1) * 24):
        room = min(stop, (beat + 1) * 24) - at
        return max((v for v in _TRIPLETS if v <= room), default=room), True
    while stop > (beat + 1) * 24 and stop % 24 and grid.triplet(bar, stop // 24):
        stop = stop // 24 * 24  # up to the beat in triplets
    first = next((b for b in range(beat + 1, stop // 24 + 1) if grid.triplet(bar, b)), None)
    if first is not None and first * 24 < stop and stop % 24:
        stop = first * 24
    room = stop - at
    if room in _VALUES:
        return room, False
    if within and at + room > (beat + 1) * 24:
        room = (beat + 1) * 24 - at
    return max((v for v in _VALUES if v <= room), default=room), False


def _beams(bar: Bar, pieces: list[_Piece]) -> None:
    """Join what is shorter than a quarter within each beat."""
    beat = bar.beat_ticks // UNIT
    beat = beat * 3 if bar.beat_unit >= 8 and bar.beats % 3 == 0 else max(beat, 24)
    lead = (bar.full_length - bar.length) // UNIT if bar.number == 0 else 0
    run: list[_Piece] = []
    for piece in [*pieces, None]:
        short = piece is not None and piece.rows and piece.length < 24 and piece.length != 16
        if run and (
            not short or piece is None or (piece.start + lead) // beat != (run[0].start + lead) // beat
        ):
            if len(run) > 1:
                for joined in run:
                    joined.beam = "continue"
                run[0].beam, run[-1].beam = "begin", "end"
            run = []
        if short and piece is not None:
            run.append(piece)


def _tuplets(pieces: list[_Piece]) -> None:
    """Mark where each beat of triplets starts and stops."""
    beats: dict[int, list[_Piece]] = defaultdict(list)
    for piece in pieces:
        if piece.triplet:
            beats[piece.start // 24].append(piece)
    for found in beats.values():
        if len(found) > 1:
            found[0].tuplet, found[-1].tuplet = "start", "stop"


def spell(pitch: int, fifths: int) -> tuple[str, int, int]:
    """Return step, alteration and octave (of scientific pitch notation) that a key gives a pitch."""
    place = (pitch * 7 % 12 + 1 - (fifths - 2)) % 12 + fifths - 2  # on the line of fifths, F being 0
    alter, step = divmod(place, 7)
    letter = _LINE[step]
    natural = (0, 2, 4, 5, 7, 9, 11)[STEPS.index(letter)]
    return letter, alter, (pitch - alter - natural) // 12 - 1


def _signs(score: Score, bar: Bar, voices: list[list[_Piece]]) -> dict[tuple[int, int, int], str]:
    """Return the accidental to draw by (voice, start, row of the score)."""
    words = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
    order = _LINE if bar.fifths > 0 else _LINE[::-1]
    in_key = dict.fromkeys(order[: abs(bar.fifths)], 1 if bar.fifths > 0 else -1)
    now: dict[tuple[str, int], int] = {}
    signs = {}
    placed = [(piece.start, voice, piece) for voice, pieces in enumerate(voices, 1) for piece in pieces]
    for start, voice, piece in sorted(placed, key=lambda p: p[:2]):
        for row in piece.rows:
            step, alter, octave = spell(int(score.notes["pitch"][row]), bar.fifths)
            if not piece.tied_from and now.get((step, octave), in_key.get(step, 0)) != alter:
                signs[voice, start, row] = words[alter]
                now[step, octave] = alter
    return signs


def _attributes(bar: Bar, before: Bar | None) -> str:
    """Return what changes at a bar's start."""
    out = ""
    if before is None or before.fifths != bar.fifths:
        out += f"<key><fifths>{bar.fifths}</fifths></key>"
    if before is None or (before.beats, before.beat_unit) != (bar.beats, bar.beat_unit):
        out += f"<time><beats>{bar.beats}</beats><beat-type>{bar.beat_unit}</beat-type></time>"
    if before is None:
        clef = "<clef><sign>G</sign><line>2</line><clef-octave-change>-1</clef-octave-change></clef>"
        out = f"<divisions>24</divisions>{out}{clef}"
    return f"<attributes>{out}</attributes>" if out else ""


def _tempo(score: Score) -> str:
    """Return the first tempo mark, where the score has one."""
    if not score.tempo_given:
        return ""
    qpm = f"{score.qpm(0):.4g}"
    mark = f"<metronome><beat-unit>quarter</beat-unit><per-minute>{qpm}</per-minute></metronome>"
    return f'<direction placement="above"><direction-type>{mark}</direction-type><sound tempo="{qpm}"/></direction>'


def _note(
    score: Score,
    bar: Bar,
    piece: _Piece,
    row: int,
    name: str,
    chord: bool,
    sign: str,
    voice: int,
    voices: int,
) -> str:
    """Return one note or rest, its parts in the order the schema demands."""
    out = f'<note id="{name}">' + ("<chord/>" if chord else "")
    marks = technical = ""
    if row < 0:
        out += "<rest/>"
    else:
        note = score.notes[row]
        step, alter, octave = spell(int(note["pitch"]), bar.fifths)
        altered = f"<alter>{alter}</alter>" if alter else ""
        out += f"<pitch><step>{step}</step>{altered}<octave>{octave}</octave></pitch>"
        if note["string"] > 0 and not piece.tied_from:
            technical = f"<string>{note['string']}</string><fret>{note['fret']}</fret>"
    out += f"<duration>{piece.length}</duration>"
    for tied, kind in ((piece.tied_from, "stop"), (piece.tied_to, "start")):
        if tied:
            out += f'<tie type="{kind}"/>'
            marks += f'<tied type="{kind}"/>'
    out += f"<voice>{voice}</voice>"
    kind, dots = (_TRIPLETS if piece.triplet else _VALUES).get(piece.length, ("", 0))
    out += f"<type>{kind}</type>" if kind else ""
    out += "<dot/>" * dots + (f"<accidental>{sign}</accidental>" if sign else "")
    if piece.triplet:
        out += "<time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes></time-modification>"
    if row >= 0 and voices > 1:
        out += f"<stem>{'up' if voice == 1 else 'down'}</stem>"
    if piece.beam and not chord:
        out += f'<beam number="1">{piece.beam}</beam>'
    if piece.tuplet and not chord:
        marks += f'<tuplet type="{piece.tuplet}" bracket="no"/>'
    marks += f"<technical>{technical}</technical>" if technical else ""
    return out + (f"<notations>{marks}</notations>" if marks else "") + "</note>"
