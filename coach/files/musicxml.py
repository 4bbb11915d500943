"""MusicXML scores (.musicxml, .xml, .mxl), versions 1 to 4.0.

The reader keeps what damping asks for and other readers lose: strings, plucking fingers, let-ring ties,
damping marks, and ties joined in the order they are played.  It reads one part, the most guitar-like; of
a notation staff with tablature the notes come from the notation, strings and frets from the tablature.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree.ElementTree import Element

import numpy as np

from coach.core.errors import ScoreError, one_line
from coach.core.pitch import Tuning
from coach.core.score import ANCHOR, Score, make_score
from coach.core.spelling import pitch_class
from coach.core.voices import mark_bass
from coach.files.bars import name_all, settle_bars
from coach.files.engraved import Engraving, engraved_xml
from coach.files.fingerboard import settle_pitches
from coach.files.limits import MAX_TEXT
from coach.files.mxl import ZIP_MARK, unpack
from coach.files.perform import perform
from coach.files.score_file import ScoreFile, read_bytes
from coach.files.tablature import Candidate, candidates, same_music, take_strings
from coach.files.written import Notices, Part
from coach.files.xml_part import read_part
from coach.files.xml_tree import parse_tree, text_of

OTHER_ROOTS = {
    "opus": ("this lists several scores", "open one of them"),
    "html": ("this is a web page", "download the score itself"),
    "svg": ("this is a picture", "export the score as MusicXML"),
}


def read_musicxml(path: Path, *, part: str = "") -> ScoreFile:
    """Read a MusicXML file, plain or compressed; ``part`` as in ``parse_musicxml``.

    Raises ScoreError, one line with file, bar where known, fault and remedy.
    """
    return parse_musicxml(read_bytes(path), str(path), part=part)


def parse_musicxml(data: bytes, where: str, *, part: str = "") -> ScoreFile:
    """Read the bytes of a MusicXML file; ``where`` names it in messages.

    ``part``: id of the part to read; "" for the most guitar-like.  Raises ScoreError as above.
    """
    notices = Notices(where)
    document = read_document(data, notices, part=part)
    score = score_of(document, notices, hashlib.sha256(data).hexdigest())
    makers = document.root.findall("identification/creator")
    engraving = Engraving(
        title=score.title,
        creators=[(maker.get("type", "composer"), text_of(maker)) for maker in makers[:8]],
        rights=[text_of(right) for right in document.root.findall("identification/rights")[:8]],
        octave_clef=document.octave_clef,
        below={score.ids[written] for written in np.unique(score.notes["written"][score.notes["bass"]])},
    )
    return ScoreFile(score, engraved_xml(document.part, engraving), notices.lines())


@dataclass(frozen=True, slots=True)
class Document:
    """A file's element tree, partwise, and the part of it that is read: bars settled, everything named."""

    root: Element
    part: Part  # its notes keep their elements in ``root``; pitches sounding
    tuning: Tuning
    octave_clef: bool  # read an octave below what the file says: to be drawn with an octave clef


def read_document(data: bytes, notices: Notices, *, part: str = "") -> Document:
    """Return the tree of a MusicXML file and the part to read, as written.

    Raises ScoreError as above.
    """
    where = notices.where
    root = parse_tree(unpack(data, where) if data.startswith(ZIP_MARK) else data, where)
    if root.tag == "score-timewise":
        root = partwise(root)
    if root.tag != "score-partwise":
        what, remedy = OTHER_ROOTS.get(root.tag, (f"the root element <{root.tag[:40]}> is no MusicXML score",
                                                  "export it as MusicXML"))  # fmt: skip
        raise ScoreError(where, what, remedy)
    parts = candidates(root)
    chosen, tab = _choose(parts, notices, part)
    read = read_part(chosen.element, notices)
    _borrow_marks(read, [part for part in parts[:1] if part is not chosen], where)
    twin = _twin(read, tab, where)
    if chosen.tab_only and twin is not None:  # the notation beside a tablature was found after all
        read, twin = twin, read
    take_strings(read, twin)
    if not read.bars:
        raise ScoreError(where, "the part has no bars", "write some music and export it again")
    if not read.heads():
        raise ScoreError(where, "there are no notes to play", "choose a file with a guitar part")
    octave_said = read.octave_said
    before = read.heads()[0].pitch
    tuning = settle_pitches(read, notices, chosen.other)
    moved = read.heads()[0].pitch != before
    settle_bars(read, notices)
    name_all(read)
    octave_clef = read.plain_treble and not octave_said and not moved and not chosen.other
    return Document(root, read, tuning, octave_clef)


def score_of(document: Document, notices: Notices, digest: str = "") -> Score:
    """Return the score of a document: its part performed, its bass marked.

    Raises ScoreError where the repeats make it longer than any piece.
    """
    read = document.part
    performance = perform(read, notices)
    score = make_score(
        performance.notes,
        performance.bars,
        title=_title(document.root),
        digest=digest,
        tuning=document.tuning,
        tempo=performance.tempo,
        tempo_given=performance.tempo_given,
        mode=read.mode,
        damps=performance.damps,
        ids=tuple(note.id for note in read.heads()),
        bar_ids=tuple(bar.id for bar in read.bars),
        places=_places(read),
        **_anchors(read),
    )
    marked = mark_bass(score.notes)
    marked.flags.writeable = False
    return replace(score, notes=marked)


def _places(read: Part) -> tuple[int, ...]:
    """Return how the heads are spelt, sounding; empty where that is not known of all of them.

    It is not where a transposition tells no steps, nor where pitches are read higher than written (a capo).
    """
    heads = read.heads()
    known = [n.place for n in heads if n.place is not None and pitch_class(n.place) == n.pitch % 12]
    return tuple(known) if len(known) == len(heads) else ()


def _choose(parts: list[Candidate], notices: Notices, wanted: str) -> tuple[Candidate, list[Candidate]]:
    """Return the part to read, and the parts that may be its tablature (or its notation)."""
    if not parts:
        raise ScoreError(notices.where, "the score has no parts", "write some music and export it again")
    named = [part for part in parts if part.id == wanted]
    if wanted and not named:
        have = ", ".join(part.id for part in parts[:8])
        raise ScoreError(notices.where, f"there is no part “{wanted[:40]}”", f"choose one of {have}")
    playable = named or [part for part in parts if part.notes] or parts
    best = max(playable, key=lambda part: part.rank)
    notation = [p for p in playable if not p.tab_only and p.rank >= best.rank - 6]
    if best.tab_only and notation:
        best = max(notation, key=lambda part: part.rank)
    twins = [part for part in parts if part is not best and part.tab_only]
    others = [p for p in parts if p is not best and p.notes]
    if others and not (len(others) == 1 and others[0] in twins):
        label = one_line(best.name or best.id, 60)
        notices.add(f"The file has {len(others) + 1} parts: “{label}” is read")
    return best, twins


def _twin(read: Part, twins: list[Candidate], where: str) -> Part | None:
    """Return the tablature part that writes the same music, if there is one."""
    for candidate in twins:
        tab = read_part(candidate.element, Notices(where))
        if same_music(read, tab):
            return tab
    return None


def _borrow_marks(read: Part, above: list[Candidate], where: str) -> None:
    """Take tempo and jumps from the part on top of the page where the part that is read has none."""
    for candidate in above:
        try:
            top = read_part(candidate.element, Notices(where))
        except ScoreError:  # a fault in a part that is not played is none of ours
            continue
        if len(top.bars) != len(read.bars):
            continue
        no_tempo = not any(bar.tempos for bar in read.bars)
        no_jumps = not any(bar.signs.da_capo or bar.signs.dal_segno for bar in read.bars)
        for ours, theirs in zip(read.bars, top.bars, strict=True):
            if no_tempo:
                ours.tempos = theirs.tempos
            if no_jumps:
                signs = theirs.signs
                ours.signs = replace(
                    ours.signs, segno=signs.segno, coda=signs.coda, to_coda=signs.to_coda,
                    dal_segno=signs.dal_segno, da_capo=signs.da_capo, fine=signs.fine,
                )  # fmt: skip


def partwise(root: Element) -> Element:
    """Return a timewise score turned partwise."""
    turned = Element("score-partwise", root.attrib)
    parts: dict[str, Element] = {}
    for child in root:
        if child.tag != "measure":
            turned.append(child)
            continue
        for piece in child.findall("part"):
            name = piece.get("id", "")
            if name not in parts:
                parts[name] = Element("part", {"id": name})
            measure = Element("measure", child.attrib)
            measure.extend(piece)
            parts[name].append(measure)
    turned.extend(parts.values())
    return turned


def _title(root: Element) -> str:
    """Return the title: of the work, else of the movement, else the first large words on the page."""
    found = text_of(root, "work/work-title") or text_of(root, "movement-title")
    if not found:
        titles = [c for c in root.iterfind("credit") if text_of(c, "credit-type") == "title"]
        found = text_of(titles[0], "credit-words") if titles else ""
    return one_line(found, MAX_TEXT)


def _anchors(part: Part) -> dict[str, object]:
    """Return the ids of all heads and rests, and where in which written bar each stands."""
    places = [(note.bar, note.onset, note.id) for bar in part.bars for note in bar.notes]
    anchors = np.array([(bar, offset, i) for i, (bar, offset, _) in enumerate(places)], ANCHOR)
    return {"anchors": anchors, "anchor_ids": tuple(name for _, _, name in places)}
