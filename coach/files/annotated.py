"""The user's own score with the preparation pencilled in, as MusicXML 4.0 that other programs open.

The file's text stays as it is, to the byte; these are put in, and only where the file lacks them:

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
- a ``scordatura`` direction where the strings are tuned otherwise than the file says.  MusicXML has no sign
  for fewer strings than the file's; such a tuning is refused, as is one with which the file's own strings
  and frets would be read in another octave.

Taken out is only a ``damp`` that names the string, and that string alone, of a bass that taste lets ring: it
would stop what is to ring.  A ``damp-all``, or a ``damp`` that names no string, speaks to others too: it
stays, and a notice says that the bass does not ring on in the written score.

The way is abbreviated as on the page: p back (returning thumb), p side (side of the thumb), p rest (rest
stroke), p plant (the thumb plants), l.h. (left hand lifts), l.h. touch, finger.
A Standard MIDI File has no MusicXML of its own: the plain engraving of it is marked.  Played freely, its
times lie between notes that can be written; then the written score is the nearest, a notice says so, and
its plan may differ from the MIDI file's.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree.ElementTree import tostring
from xml.sax.saxutils import escape

from coach.core.damping import Reason, Stop
from coach.core.errors import CoachError
from coach.core.preparation import Preparation
from coach.core.score import Score
from coach.core.words import WAY_SHORT
from coach.files.annotated_freed import erase, overruled, still_stopped
from coach.files.annotated_head import check_tuning, write_program, write_tuning
from coach.files.annotated_marks import NATURAL, Gap, Gaps, Mark, marks_to_write
from coach.files.annotated_notes import Hands, mark_note, safe_plucks
from coach.files.musicxml import Document, partwise, read_document, score_of
from coach.files.mxl import ZIP_MARK, unpack
from coach.files.perform import SLACK
from coach.files.score_file import is_midi, read_bytes
from coach.files.whole_file import checked_target, write_whole
from coach.files.written import Notices, WrittenNote
from coach.files.xml_splice import Splicer
from coach.files.xml_tree import decode, parse_tree, text_of

HEADER = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN"'
    ' "http://www.musicxml.org/dtds/partwise.dtd">\n'
)
ELSEWHERE = "name a file in a folder that can be written"
NEAREST = "The MIDI file's times lie between notes that can be written: the written score is the nearest."
FIRST_TEMPO = "The MIDI file changes its tempo: the written score has the first one only."
_KEPT = re.compile(r"<!--.*?-->|<\?(?!xml\s).*?\?>", re.DOTALL)  # comments and instructions before the root


@dataclass(frozen=True, slots=True)
class Annotated:
    """A marked score: MusicXML text, and sentences about what it cannot say."""

    xml: str
    notices: tuple[str, ...] = ()


def annotated_xml(path: Path, preparation: Preparation) -> str:
    """Return the MusicXML text of the score in ``path`` with its preparation written in.

    ``preparation`` is that of the piece opened from this file.  Raises CoachError where the file cannot be
    read, is another than the one that was prepared, or cannot say how the strings are tuned.
    """
    return annotated(path, preparation).xml


def annotated(path: Path, preparation: Preparation) -> Annotated:
    """Return the marked text with notices; otherwise as ``annotated_xml``."""
    data = read_bytes(path)
    digest = preparation.score.digest
    if digest and hashlib.sha256(data).hexdigest() != digest:
        raise CoachError(str(path), "it has changed since it was opened", "open it again")
    if is_midi(path, data):
        from coach.files.smf import read_smf_score  # here, so that a MusicXML score never loads it

        return annotate(read_smf_score(path).xml, str(path), preparation)
    data = unpack(data, str(path)) if data.startswith(ZIP_MARK) else data
    return annotate(decode(data, str(path)), str(path), preparation)


def write_annotated(path: Path, preparation: Preparation, target: Path) -> tuple[str, ...]:
    """Write the score in ``path`` with its preparation to the file ``target``, or the one that links there.

    Return notices about what the written score cannot say.  Raises CoachError as ``annotated_xml`` does, and
    where ``target`` is the score or cannot be written.
    """
    if target.suffix.lower() == ".mxl":
        raise CoachError(str(target), "the score is written uncompressed", "call it .musicxml")
    found = checked_target(target, ELSEWHERE)
    made = annotated(path, preparation)
    if found.exists() and found.samefile(path):
        raise CoachError(str(target), "this is the score itself", "name another file")
    write_whole(target, made.xml, remedy=ELSEWHERE)
    return made.notices


def annotate(text: str, where: str, preparation: Preparation) -> Annotated:
    """Return MusicXML ``text`` with a preparation written in; ``where`` names it in messages.

    The ids of ``preparation.score`` are those that reading ``text`` gives.
    """
    text = _plain(text, where)
    notices = Notices(where)
    document = read_document(text.encode("utf-8"), notices)
    own = score_of(document, notices)
    score, stops = _as_written(own, preparation)
    splicer = Splicer(text, document.root)
    damps, gone = overruled(document.part, score, stops)
    erase(splicer, damps)
    score = replace(score, damps=tuple(mark for mark in score.damps if (mark.onset, mark.string) not in gone))
    _write_hands(splicer, document, score, stops, preparation.score)
    gaps = Gaps(document.part)
    heads = document.part.heads()
    for mark in marks_to_write(score, stops):
        _write_mark(splicer, gaps, mark, heads[mark.note])
    tuned = write_tuning(splicer, document, preparation.score.tuning, where)
    write_program(splicer, document)
    splicer.put_attribute(document.root, "version", "4.0")
    lead = splicer.lead(document.root)
    body = splicer.text()[len(lead) :].rstrip()
    xml = HEADER + "".join(f"{kept}\n" for kept in _KEPT.findall(lead)) + body + "\n"
    if tuned:
        check_tuning(xml, own, preparation.score.tuning, where)
    unsaid = (*_unequal(own, preparation.score), *still_stopped(score, stops))
    return Annotated(xml, unsaid)


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


def _unequal(written: Score, prepared: Score) -> tuple[str, ...]:
    """Return what of a MIDI file's times its engraving (``written``) tells otherwise."""
    times = [
        dict(zip(_keys(score), score.notes[["onset", "duration"]].tolist(), strict=True))
        for score in (written, prepared)
    ]
    lines = [] if times[0] == times[1] else [NEAREST]
    if len(written.tempo) != len(prepared.tempo):
        lines.append(FIRST_TEMPO)
    return tuple(lines)


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
