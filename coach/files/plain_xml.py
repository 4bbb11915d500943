"""A plain engraving source (MusicXML 4.0) for a score that has none of its own, such as one from an SMF.

Two voices on one staff: melody stems up, bass stems down, treble clef sounding an octave lower.  Only the
picture is simplified: places are drawn on the nearest 32nd or triplet of their beat, and within
a voice a chord ends where the next begins.  The score itself keeps its own times.  Pitches are sounding
ones, which is what ``pitch`` holds under a clef with an octave change.
"""

from __future__ import annotations

from collections import defaultdict
from xml.sax.saxutils import escape

import numpy as np

from coach.core.errors import one_line
from coach.core.pitch import STEPS
from coach.core.score import ANCHOR, Array, Bar, Score
from coach.files.plain_layout import TRIPLETS, UNIT, VALUES, Piece, lay_lines, to_units

# Steps on the line of fifths from F: FCGDAEB.  A key's notes are spelt from three fifths below its tonic
# (in C: E flat) to eight above (G sharp), minor keys' leading notes included (common practice, no source).
_LINE = "FCGDAEB"


def to_musicxml(score: Score) -> str:
    """Return MusicXML text; ids of notes and bars are ``score.ids`` and ``score.bar_ids``."""
    return lay_out(score)[0]


def lay_out(score: Score) -> tuple[str, tuple[str, ...], Array]:
    """Return the MusicXML text with the ids and places (dtype ANCHOR) of all it draws.

    ``score`` must have no repeats: each of its bars is written once.
    """
    lines = lay_lines(score)
    ids: list[str] = []
    anchors: list[tuple[int, int, int]] = []
    parts: dict[int, int] = defaultdict(int)  # how many pieces of each tie chain are drawn

    def name(bar: int, piece: Piece, row: int) -> str:
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
            stem = "" if len(lines) == 1 else ("up", "down")[voice - 1]
            if voice > 1:
                out.append(f"<backup><duration>{to_units(bar.length)}</duration></backup>")
            for piece in line[index]:
                for position, row in enumerate(piece.rows or (-1,)):
                    sign = signs.get((voice, piece.start, row), "")
                    found = name(index, piece, row)
                    out.append(_note(score, bar, piece, row, found, position > 0, sign, voice, stem))
        out.append("</measure>\n")
    out.append("</part></score-partwise>\n")
    return "".join(out), tuple(ids), np.array(anchors, ANCHOR)


def spell(pitch: int, fifths: int) -> tuple[str, int, int]:
    """Return step, alteration and octave (of scientific pitch notation) that a key gives a pitch."""
    place = (pitch * 7 % 12 + 1 - (fifths - 2)) % 12 + fifths - 2  # on the line of fifths, F being 0
    alter, step = divmod(place, 7)
    letter = _LINE[step]
    natural = (0, 2, 4, 5, 7, 9, 11)[STEPS.index(letter)]
    return letter, alter, (pitch - alter - natural) // 12 - 1


def _signs(score: Score, bar: Bar, voices: list[list[Piece]]) -> dict[tuple[int, int, int], str]:
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
    sound = f'<sound tempo="{qpm}"/>'
    return f'<direction placement="above"><direction-type>{mark}</direction-type>{sound}</direction>'


def _note(
    score: Score,
    bar: Bar,
    piece: Piece,
    row: int,
    name: str,
    chord: bool,
    sign: str,
    voice: int,
    stem: str,
) -> str:
    """Return one note or rest, its parts in the order the schema demands."""
    whole = (piece.start, piece.length) == (0, to_units(bar.length))
    unseen = ' print-object="no"' if row < 0 and whole and bar.lead else ""  # a voice not yet begun
    out = f'<note id="{name}"{unseen}>' + ("<chord/>" if chord else "")
    marks = technical = ""
    if row < 0:
        out += '<rest measure="yes"/>' if whole else "<rest/>"
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
    kind, dots = (TRIPLETS if piece.triplet else VALUES).get(piece.length, ("", 0))
    out += f"<type>{kind}</type>" if kind else ""
    out += "<dot/>" * dots + (f"<accidental>{sign}</accidental>" if sign else "")
    if piece.triplet:
        ratio = "<actual-notes>3</actual-notes><normal-notes>2</normal-notes>"
        out += f"<time-modification>{ratio}</time-modification>"
    out += f"<stem>{stem}</stem>" if stem and row >= 0 else ""
    if piece.beam and not chord:
        out += f'<beam number="1">{piece.beam}</beam>'
    if piece.tuplet and not chord:
        marks += f'<tuplet type="{piece.tuplet}" bracket="no"/>'
    marks += f"<technical>{technical}</technical>" if technical else ""
    return out + (f"<notations>{marks}</notations>" if marks else "") + "</note>"
