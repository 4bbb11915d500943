"""What is to be marked on the printed page: once for each written note, in the order of the score.

A written note that is played more than once is marked as it is played first.  What is said of the hands is
in ``paper_hands``.
"""

from __future__ import annotations

from dataclasses import dataclass
from xml.etree.ElementTree import Element, tostring

from defusedxml.ElementTree import fromstring

from coach.core.damping import Reason, Stop
from coach.core.preparation import Preparation
from coach.core.score import Score
from coach.screen.paper_hands import hand_facts, name_of


@dataclass(frozen=True, slots=True)
class StopFact:
    """A stop to be printed, and where: a performed tick, or the right barline of a performed bar."""

    index: int  # in Preparation.stops
    stop: Stop
    bar: int  # performed bar
    tick: int | None  # None is the bar's right end


@dataclass(frozen=True, slots=True)
class ChordFact:
    """A chord's name and numeral, where it begins."""

    bar: int
    tick: int
    name: str
    roman: str


@dataclass(frozen=True, slots=True)
class PhraseFact:
    """A phrase by its performed bars, first to last inclusive, all played for the first time."""

    first: int
    last: int
    letter: str


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything to be marked; notes by their element id."""

    stops: tuple[StopFact, ...]
    rings: tuple[str, ...]  # notes that may ring on: by a let-ring tie, or by taste
    strings: dict[str, int]
    fingers: dict[str, int]
    plucks: dict[str, str]
    chords: tuple[ChordFact, ...]
    phrases: tuple[PhraseFact, ...]
    bars: tuple[int, ...]  # performed bars that are played for the first time
    columns: tuple[tuple[str, ...], ...] = ()  # chords with all fingers in a column, lowest first


def without_fingers(xml: str) -> tuple[str, dict[str, int]]:
    """Return the engraver's score without left-hand fingers (we write them), and those it had, by note."""
    root: Element = fromstring(xml)
    given: dict[str, int] = {}
    for note in root.iter("note"):
        for technical in note.iterfind("notations/technical"):
            for mark in technical.findall("fingering"):
                given[note.get("id", "")] = int(mark.text or 0)
                technical.remove(mark)
    return tostring(root, encoding="unicode"), given


def first_rows(score: Score) -> list[int]:
    """Return the rows of the notes as they are played for the first time, in order."""
    seen: set[int] = set()
    found = []
    for row, written in enumerate(score.notes["written"].tolist()):
        if written not in seen:
            seen.add(written)
            found.append(row)
    return found


def gather(preparation: Preparation, given: dict[str, int]) -> Facts:
    """Return what is to be marked; ``given`` are the fingers that the score itself has, by note."""
    score = preparation.score
    rows, bars = first_rows(score), list(score.first_performed.values())
    stops = _once(preparation)
    phrases = _phrases(preparation, frozenset(bars))
    hands = hand_facts(score, rows, given, [phrase.first for phrase in phrases])
    return Facts(
        stops=tuple(_place(score, index, stop) for index, stop in stops if stop.wanted),
        rings=_rings(score, rows, [stop for _, stop in stops]),
        strings=hands.strings,
        fingers=hands.fingers,
        plucks=hands.plucks,
        chords=_chords(preparation, frozenset(bars)),
        phrases=phrases,
        bars=tuple(bars),
        columns=hands.columns,
    )  # fmt: skip


def _once(preparation: Preparation) -> list[tuple[int, Stop]]:
    """Return a stop for each written bass: the first that is wanted, else the first."""
    found: dict[int, tuple[int, Stop]] = {}
    for index, stop in enumerate(preparation.stops):
        written = int(preparation.score.notes["written"][stop.note])
        if written not in found or (stop.wanted and not found[written][1].wanted):
            found[written] = (index, stop)
    return list(found.values())


def _rings(score: Score, rows: list[int], stops: list[Stop]) -> tuple[str, ...]:
    """Return the notes that may ring on, once each: those the score writes so, and basses left to taste."""
    free = [stop.note for stop in stops if stop.reason is Reason.FREE]
    tied = [row for row in rows if score.notes["let_ring"][row]]
    return tuple(dict.fromkeys(name_of(score, row) for row in sorted({*free, *tied})))


def _place(score: Score, index: int, stop: Stop) -> StopFact:
    """Return where a stop stands: at a barline after which the music goes elsewhere, before the line."""
    if stop.due >= score.end:
        return StopFact(index, stop, len(score.bars) - 1, None)
    bar = score.bar_index(stop.due)
    if stop.due == score.bars[bar].onset and bar:
        before = score.bars[bar - 1].written
        if score.bars[bar].written != before + 1:
            return StopFact(index, stop, bar - 1, None)
    return StopFact(index, stop, bar, stop.due)


def _chords(preparation: Preparation, bars: frozenset[int]) -> tuple[ChordFact, ...]:
    """Return the chords; where the key turns, its sign stands before the numeral, such as ``F: IV``."""
    found = []
    key = preparation.harmony.key
    for chord in preparation.harmony.chords:
        if chord.bar not in bars or not (chord.name or chord.roman):
            continue
        sign = f"{chord.key.sign}: " if chord.key != key and chord.roman else ""
        key = chord.key
        found.append(ChordFact(chord.bar, chord.onset, chord.name or "", sign + (chord.roman or "")))
    return tuple(found)


def _phrases(preparation: Preparation, bars: frozenset[int]) -> tuple[PhraseFact, ...]:
    """Return the phrases, without the bars that are written once and played again."""
    found = []
    for phrase in preparation.form.phrases:
        once = [bar for bar in range(phrase.first, phrase.last + 1) if bar in bars]
        if once:
            found.append(PhraseFact(once[0], once[-1], phrase.letter))
    return tuple(found)
