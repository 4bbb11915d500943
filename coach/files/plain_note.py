"""One note or rest of a plainly written score, its parts in the order that the schema of MusicXML demands."""

from __future__ import annotations

from dataclasses import dataclass

from coach.core.pitch import STEPS
from coach.core.score import Bar, Score
from coach.core.spelling import LINE, Key, octave_of
from coach.core.spelling import spell as place_in_key
from coach.files.plain_layout import TRIPLETS, VALUES, Piece, to_units

PLUCKS = " pima"
SIGNS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
Spelt = tuple[str, int, int]  # step, alteration, octave of scientific pitch notation


def spell(pitch: int, fifths: int) -> Spelt:
    """Return how a key signature alone spells a pitch.

    From three fifths below the major tonic (in C: E flat) to eight above (G sharp), so that the leading
    notes of minor keys are among them (common practice, no source).
    """
    place = (pitch * 7 % 12 + 1 - (fifths - 2)) % 12 + fifths - 2  # on the line of fifths, F being 0
    alter, step = divmod(place, 7)
    letter = LINE[step]
    natural = (0, 2, 4, 5, 7, 9, 11)[STEPS.index(letter)]
    return letter, alter, (pitch - alter - natural) // 12 - 1


def spell_in(pitch: int, key: Key) -> Spelt:
    """Return how a key spells a pitch."""
    return spelt_at(pitch, place_in_key(pitch, key))


def spelt_at(pitch: int, place: int) -> Spelt:
    """Return a pitch that stands at a place on the line of fifths."""
    alter, step = divmod(place + 1, 7)
    return LINE[step], alter, octave_of(pitch, place)


def in_signature(fifths: int) -> dict[str, int]:
    """Return the alterations of a key signature by letter."""
    order = LINE if fifths > 0 else LINE[::-1]
    return dict.fromkeys(order[: abs(fifths)], 1 if fifths > 0 else -1)


def signs(
    pieces: list[tuple[int, int, Piece]], spelling: dict[int, Spelt], fifths: int
) -> dict[tuple[int, int, int], str]:
    """Return the accidental to draw by (voice, start, row), for a bar's pieces as (start, voice, piece)."""
    in_key = in_signature(fifths)
    now: dict[tuple[str, int], int] = {}
    found = {}
    for start, voice, piece in sorted(pieces, key=lambda item: item[:2]):
        for row in piece.rows:
            step, alter, octave = spelling[row]
            if not piece.tied_from and now.get((step, octave), in_key.get(step, 0)) != alter:
                found[voice, start, row] = SIGNS[alter]
                now[step, octave] = alter
    return found


@dataclass(frozen=True, slots=True)
class Head:
    """What one note element needs beside its piece."""

    row: int  # of Score.notes; -1 for a rest
    name: str  # its id
    spelt: Spelt | None
    sign: str  # accidental to draw
    chord: bool  # not the first of its piece
    voice: int
    stem: str  # up, down or nothing
    hidden: bool = False  # a rest that would only be in the way


def note_xml(score: Score, bar: Bar, piece: Piece, head: Head) -> str:
    """Return a note or rest."""
    whole = (piece.start, piece.length) == (0, to_units(bar.length))
    hidden = head.hidden or (whole and bar.lead)  # … or of a voice not yet begun
    unseen = ' print-object="no"' if head.row < 0 and hidden else ""
    out = f'<note id="{head.name}"{unseen}>' + ("<chord/>" if head.chord else "")
    marks = technical = ""
    if head.row < 0 or head.spelt is None:
        out += '<rest measure="yes"/>' if whole else "<rest/>"
    else:
        step, alter, octave = head.spelt
        altered = f"<alter>{alter}</alter>" if alter else ""
        out += f"<pitch><step>{step}</step>{altered}<octave>{octave}</octave></pitch>"
        technical = _technical(score, head.row, head=not piece.tied_from)
    out += f"<duration>{piece.length}</duration>"
    for tied, kind in ((piece.tied_from, "stop"), (piece.tied_to, "start")):
        if tied:
            out += f'<tie type="{kind}"/>'
            marks += f'<tied type="{kind}"/>'
    out += f"<voice>{head.voice}</voice>"
    kind, dots = (TRIPLETS if piece.triplet else VALUES).get(piece.length, ("", 0))
    out += f"<type>{kind}</type>" if kind else ""
    out += "<dot/>" * dots + (f"<accidental>{head.sign}</accidental>" if head.sign else "")
    if piece.triplet:
        ratio = "<actual-notes>3</actual-notes><normal-notes>2</normal-notes>"
        out += f"<time-modification>{ratio}</time-modification>"
    out += f"<stem>{head.stem}</stem>" if head.stem and head.row >= 0 else ""
    if not head.chord:
        out += "".join(f'<beam number="{n}">{kind}</beam>' for n, kind in enumerate(piece.beams, 1))
    if piece.tuplet and not head.chord:
        marks += f'<tuplet type="{piece.tuplet}" bracket="no"/>'
    if head.row >= 0 and not piece.tied_to:  # what holds for the end of a tied note stands at its last part
        marks += '<tied type="let-ring"/>' if score.notes["let_ring"][head.row] else ""
    marks += f"<technical>{technical}</technical>" if technical else ""
    if head.row >= 0 and not piece.tied_to and score.notes["fermata"][head.row]:
        marks += "<fermata/>"
    return out + (f"<notations>{marks}</notations>" if marks else "") + "</note>"


def grace_xml(score: Score, head: Head) -> str:
    """Return a grace note: a small eighth before the note it leads to."""
    step, alter, octave = head.spelt or ("C", 0, 4)
    altered = f"<alter>{alter}</alter>" if alter else ""
    technical = _technical(score, head.row, head=True)
    return (
        f'<note id="{head.name}"><grace/>{"<chord/>" if head.chord else ""}'
        f"<pitch><step>{step}</step>{altered}<octave>{octave}</octave></pitch>"
        f"<voice>{head.voice}</voice><type>eighth</type>"
        + (f"<accidental>{head.sign}</accidental>" if head.sign else "")
        + (f"<stem>{head.stem}</stem>" if head.stem else "")
        + (f"<notations><technical>{technical}</technical></notations>" if technical else "")
        + "</note>"
    )


def _technical(score: Score, row: int, head: bool) -> str:
    """Return string and fret and, for the head of tied notes, the fingers, as far as they are known.

    A tied note names its string at both ends, or engravers do not join them.
    """
    note = score.notes[row]
    out = ""
    if note["string"] > 0:
        out += f"<string>{note['string']}</string>"
        out += f"<fret>{note['fret']}</fret>" if note["fret"] >= 0 else ""
    if head and note["finger"] > 0:
        where = "below" if note["bass"] or note["stem"] < 0 else "above"
        out += f'<fingering placement="{where}">{note["finger"]}</fingering>'
    if head and note["pluck"] > 0:
        out += f"<pluck>{PLUCKS[note['pluck']]}</pluck>"
    return out
