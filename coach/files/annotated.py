"""The user's own score with the preparation pencilled in, as MusicXML 4.0 that other programs open.

The file's text stays as it is, to the byte; only these are put in, and only where the file lacks them:

- each note's ``technical``: ``string``, ``fret``, ``fingering`` (left hand, 1 to 4) and ``pluck`` (p i m a),
  on the first note of a tie;
- each wanted stop: a ``direction`` below the staff, placed in the bass voice where the string is to be
  silent, of a ``damp`` mark and two ``words``: the string's number, and how it is stopped::

      <direction placement="below">
        <direction-type><damp/></direction-type>
        <direction-type><words>5</words><words xml:space="preserve"> p back</words></direction-type>
        <voice>2</voice>
      </direction>

  MusicXML's ``damp`` names no string, so the ``words`` directly after it do; the reader of this program takes
  the number and passes the rest over.  ``offset`` is written only where no note or rest begins or ends at
  that place.  A mark where a bass ends in any case changes nothing in the plan, so a marked file reads
  back to the plan it was marked with;
- a let-ring tie (``tied type="let-ring"``) on the last note of a bass that taste lets ring;
- a ``scordatura`` direction where the strings are tuned otherwise than the file says.

The way is abbreviated as on the page: p back (returning thumb), p side (side of the thumb), p rest (rest
stroke), p plant (the thumb plants), l.h. (left hand lifts), l.h. touch, finger.
A Standard MIDI File has no MusicXML of its own: the plain engraving of it is marked.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from xml.etree.ElementTree import tostring
from xml.sax.saxutils import escape

from coach import __version__
from coach.core.damping import Reason, Stop
from coach.core.errors import CoachError
from coach.core.pitch import SHARP_NAMES, Tuning
from coach.core.preparation import Preparation
from coach.core.score import Score
from coach.core.words import WAY_SHORT
from coach.files.annotated_marks import NATURAL, Gap, Gaps, Mark, marks_to_write
from coach.files.annotated_notes import Hands, first_child, mark_note, safe_plucks
from coach.files.musicxml import Document, partwise, read_document, score_of
from coach.files.mxl import ZIP_MARK, unpack
from coach.files.perform import SLACK
from coach.files.score_file import is_midi, read_bytes
from coach.files.written import Notices, WrittenNote
from coach.files.xml_splice import Splicer
from coach.files.xml_tree import decode, parse_tree, text_of

PROGRAM = f"coach {__version__}"
HEADER = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN"'
    ' "http://www.musicxml.org/dtds/partwise.dtd">\n'
)
_KEPT = re.compile(r"<!--.*?-->|<\?(?!xml\s).*?\?>", re.DOTALL)  # comments and instructions before the root
_AFTER_IDENTIFICATION = ("defaults", "credit", "part-list")
_AFTER_ENCODING = ("source", "relation", "miscellaneous")
_MOVING = ("note", "backup", "forward")


def annotated_xml(path: Path, preparation: Preparation) -> str:
    """Return the MusicXML text of the score in ``path`` with its preparation written in.

    ``preparation`` is that of the piece opened from this file.  Raises CoachError where the file cannot be
    read, or is another than the one that was prepared.
    """
    data = read_bytes(path)
    digest = preparation.score.digest
    if digest and hashlib.sha256(data).hexdigest() != digest:
        raise CoachError(str(path), "it has changed since it was opened", "open it again")
    if is_midi(path, data):
        from coach.files.smf import read_smf_score  # here, so that a MusicXML score never loads it

        return annotate(read_smf_score(path).xml, str(path), preparation)
    data = unpack(data, str(path)) if data.startswith(ZIP_MARK) else data
    return annotate(decode(data, str(path)), str(path), preparation)


def write_annotated(path: Path, preparation: Preparation, target: Path) -> None:
    """Write the score in ``path`` with its preparation to the file ``target``.

    Raises CoachError as ``annotated_xml`` does, and where ``target`` is the score or cannot be written.
    """
    if target.suffix.lower() == ".mxl":
        raise CoachError(str(target), "the score is written uncompressed", "call it .musicxml")
    if target.exists() and target.samefile(path):
        raise CoachError(str(target), "this is the score itself", "name another file")
    text = annotated_xml(path, preparation)
    aside = target.with_name(f"{target.name}.{os.getpid()}.new")
    try:
        aside.write_text(text, "utf-8", newline="")
        aside.replace(target)
    except OSError as fault:
        aside.unlink(missing_ok=True)
        why = f"it cannot be written ({fault.strerror})"
        raise CoachError(str(target), why, "name a file in a folder that can be") from fault


def annotate(text: str, where: str, preparation: Preparation) -> str:
    """Return MusicXML ``text`` with a preparation written in; ``where`` names it in messages.

    The ids of ``preparation.score`` are those that reading ``text`` gives.
    """
    text = _plain(text, where)
    notices = Notices(where)
    document = read_document(text.encode("utf-8"), notices)
    score, stops = _as_written(score_of(document, notices), preparation)
    splicer = Splicer(text, document.root)
    _write_hands(splicer, document, score, stops, preparation.score)
    gaps = Gaps(document.part)
    heads = document.part.heads()
    for mark in marks_to_write(score, stops):
        _write_mark(splicer, gaps, mark, heads[mark.note])
    _write_tuning(splicer, document, preparation.score.tuning)
    _write_program(splicer, document)
    splicer.put_attribute(document.root, "version", "4.0")
    lead = splicer.lead(document.root)
    body = splicer.text()[len(lead) :].rstrip()
    return HEADER + "".join(f"{kept}\n" for kept in _KEPT.findall(lead)) + body + "\n"


def _plain(text: str, where: str) -> str:
    """Return the text, partwise and without prefixed names: written anew where it is not so already."""
    root = parse_tree(text.encode("utf-8"), where)
    if root.tag == "score-timewise":
        return tostring(partwise(root), encoding="unicode")
    return text if re.search(rf"<{re.escape(root.tag)}[\s>]", text) else tostring(root, encoding="unicode")


def _as_written(score: Score, preparation: Preparation) -> tuple[Score, tuple[Stop, ...]]:
    """Return the document's own score with the prepared strings and basses, and the stops on its rows.

    The two differ only where the document is a plain engraving of an SMF: a stop that is due where its
    note ends is then due where the note is drawn to end.
    """
    prepared = preparation.score
    place = {key: row for row, key in enumerate(_keys(score))}
    rows = [place.get(key, -1) for key in _keys(prepared)]
    notes = score.notes.copy()
    for row, ours in enumerate(rows):
        if ours >= 0:
            for name in ("string", "fret", "bass"):
                notes[name][ours] = prepared.notes[name][row]
    stops: list[Stop] = []
    for stop in preparation.stops:
        row = rows[stop.note]
        if row < 0:
            continue
        following = rows[stop.next_note] if stop.next_note >= 0 else -1
        due = stop.due
        if stop.reason in (*NATURAL, Reason.FREE):
            due = int(notes["onset"][row] + notes["duration"][row])
        elif stop.reason is Reason.REPLACED and following >= 0:
            due = int(notes["onset"][following])
        stops.append(replace(stop, note=row, next_note=following, due=due))
    return replace(score, notes=notes), tuple(stops)


def _keys(score: Score) -> Iterable[tuple[str, int]]:
    """Yield for each row the id of its written note, and how often that was played before."""
    played: Counter[int] = Counter()
    for written in score.notes["written"].tolist():
        yield score.ids[written], played[written]
        played[written] += 1


def _write_hands(
    splicer: Splicer, document: Document, score: Score, stops: tuple[Stop, ...], prepared: Score
) -> None:
    """Write strings, frets and fingers of the first round, and the let-ring ties."""
    hands: dict[str, Hands] = {}
    for note in prepared.notes:
        found = (int(note[name]) for name in ("string", "fret", "finger", "pluck"))
        hands.setdefault(prepared.ids[int(note["written"])], Hands(*found))
    heads = document.part.heads()
    by_index = {written: hands[heads[written].id] for written in set(score.notes["written"].tolist())
                if heads[written].id in hands}  # fmt: skip
    plucks = {written: found.pluck for written, found in by_index.items() if found.pluck}
    safe = safe_plucks(score.notes, plucks, score.notes["bass"])
    ringing = _last_notes(document, score, [stop.note for stop in stops if stop.reason is Reason.FREE])
    for index, note in enumerate(heads):
        known = by_index.get(index)
        known = replace(known, pluck=safe.get(index, 0)) if known else None
        mark_note(splicer, note, known, index in ringing)


def _last_notes(document: Document, score: Score, rows: list[int]) -> set[int]:
    """Return the indices of the last written notes of ``rows`` that have no let-ring tie yet."""
    notes = score.notes
    rows = [row for row in rows if not notes["let_ring"][row]]
    if not rows:
        return set()
    ends: dict[int, list[tuple[int, int, WrittenNote]]] = defaultdict(list)  # pitch -> end, onset, note
    for bar in score.bars:
        for note in document.part.bars[bar.written].notes:
            if note.tie_stop and note.index >= 0:
                onset = bar.onset + note.onset
                ends[note.pitch].append((onset + note.duration, onset, note))
    found: set[int] = set()
    for row in rows:
        onset, over = int(notes["onset"][row]), int(notes["onset"][row] + notes["duration"][row])
        tied = [
            n for end, start, n in ends[int(notes["pitch"][row])] if abs(end - over) <= SLACK < start - onset
        ]
        same = [note for note in tied if note.voice == notes["voice"][row]] or tied
        found.add(same[0].index if same else int(notes["written"][row]))
    return found


def _write_mark(splicer: Splicer, gaps: Gaps, mark: Mark, note: WrittenNote) -> None:
    gap = gaps.find(mark.place, note)
    if gap is None:
        return
    # The blank keeps the two apart in programs that print them in one go.
    way = f'<words xml:space="preserve"> {escape(WAY_SHORT[mark.way])}</words>' if mark.way else ""
    voice, staff = text_of(note.element, "voice"), text_of(note.element, "staff")
    direction = (
        '<direction placement="below"><direction-type><damp/></direction-type>'
        f"<direction-type><words>{mark.string}</words>{way}</direction-type>"
        + _offset(gap)
        + (f"<voice>{escape(voice)}</voice>" if voice else "")
        + (f"<staff>{escape(staff)}</staff>" if staff else "")
        + "</direction>"
    )
    if gap.behind:
        splicer.after(gap.element, direction)
    else:
        splicer.before(gap.element, direction)


def _offset(gap: Gap) -> str:
    """Return the ``offset`` element: whole divisions but where the file has none at that place."""
    if not gap.offset:
        return ""
    return f"<offset>{f'{float(gap.offset):.6f}'.rstrip('0').rstrip('.')}</offset>"


def _write_tuning(splicer: Splicer, document: Document, tuning: Tuning) -> None:
    """State the tuning where it is not the file's own."""
    own = document.tuning
    sounding = [tuning.open_pitch(string) for string in range(1, tuning.strings + 1)]
    if sounding == [own.open_pitch(string) for string in range(1, own.strings + 1)]:
        return
    accords = "".join(
        f'<accord string="{string}">{_pitch(sounding[string - 1] - own.capo)}</accord>'
        for string in range(tuning.strings, 0, -1)
    )
    direction = (
        f'<direction placement="above"><direction-type><scordatura>{accords}</scordatura>'
        "</direction-type></direction>"
    )
    first = next(bar.element for bar in document.part.bars if bar.notes)
    moving = first_child(first, _MOVING)
    if moving is not None:
        splicer.before(moving, direction)


def _pitch(pitch: int) -> str:
    name = SHARP_NAMES[pitch % 12]
    alter = "<tuning-alter>1</tuning-alter>" if len(name) > 1 else ""
    return f"<tuning-step>{name[0]}</tuning-step>{alter}<tuning-octave>{pitch // 12 - 1}</tuning-octave>"


def _write_program(splicer: Splicer, document: Document) -> None:
    """Name the program among those that made the file."""
    root = document.root
    software = f"<software>{PROGRAM}</software>"
    ours = [e for e in root.iterfind("identification/encoding/software") if text_of(e).startswith("coach ")]
    if ours:
        splicer.put_text(ours[0], PROGRAM)
        return
    identification, encoding = root.find("identification"), root.find("identification/encoding")
    if encoding is not None:
        splicer.append(encoding, software)
    elif identification is not None:
        following = first_child(identification, _AFTER_ENCODING)
        written = f"<encoding>{software}</encoding>"
        if following is not None:
            splicer.before(following, written)
        else:
            splicer.append(identification, written)
    else:
        following = first_child(root, (*_AFTER_IDENTIFICATION, "part"))
        if following is not None:
            splicer.before(following, f"<identification><encoding>{software}</encoding></identification>")
