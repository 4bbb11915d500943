"""What is to be marked on the printed page: once for each written note, in the order of the score.

A written note that is played more than once is marked as it is played first.  Sparse, as a teacher writes:

- String numbers: a note's own string is said where a reader would look elsewhere, that is not on the string
  that gives its pitch at the lowest fret, nor on the one last said for that pitch in the same bar; and at
  the first fretted note after the left hand has moved, where it now stands above first position.
- Left-hand fingers: those that the score itself gives always; of those suggested, where a place on the
  fingerboard is first met, where it is taken with another finger than last time, and at the first note after
  the left hand has moved.  A repeated note's finger is not said again.
- Right hand: p at the first bass, and where the thumb plays a note of another voice.  i, m, a where they are
  not what goes before leads to expect: two fingers in turn go on in turn, and what stands at the same place
  in the bar is plucked as it was the last time.

These rules are our own; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from xml.etree.ElementTree import Element, tostring

from defusedxml.ElementTree import fromstring

from coach.core.damping import Reason, Stop
from coach.core.preparation import Preparation
from coach.core.score import Score

MOVED = 2  # frets by which the left hand must move before it is a change of position
FIRST_POSITIONS = 2  # up to here a note is looked for at its lowest fret
PIMA = " pima"
THUMB = 1


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
    rings: tuple[str, ...]  # basses that may ring on though it is not written
    strings: dict[str, int]
    fingers: dict[str, int]
    plucks: dict[str, str]
    chords: tuple[ChordFact, ...]
    phrases: tuple[PhraseFact, ...]
    bars: tuple[int, ...]  # performed bars that are played for the first time


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


def first_bars(score: Score) -> list[int]:
    """Return the performed bars in which a written bar is played for the first time."""
    seen: set[int] = set()
    found = []
    for index, bar in enumerate(score.bars):
        if bar.written not in seen:
            seen.add(bar.written)
            found.append(index)
    return found


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
    rows, bars = first_rows(score), first_bars(score)
    stops = _once(preparation)
    moves = _moves(score, rows)
    return Facts(
        stops=tuple(_place(score, index, stop) for index, stop in stops if stop.wanted),
        rings=tuple(
            _name(score, stop.note) for _, stop in stops
            if stop.reason is Reason.FREE and not score.notes["let_ring"][stop.note]
        ),
        strings=_strings(score, rows, moves),
        fingers=_fingers(score, rows, moves, given),
        plucks=_plucks(score, rows),
        chords=_chords(preparation, frozenset(bars)),
        phrases=_phrases(preparation, frozenset(bars)),
        bars=tuple(bars),
    )  # fmt: skip


def _once(preparation: Preparation) -> list[tuple[int, Stop]]:
    """Return a stop for each written bass: the first that is wanted, else the first."""
    found: dict[int, tuple[int, Stop]] = {}
    for index, stop in enumerate(preparation.stops):
        written = int(preparation.score.notes["written"][stop.note])
        if written not in found or (stop.wanted and not found[written][1].wanted):
            found[written] = (index, stop)
    return list(found.values())


def _name(score: Score, row: int) -> str:
    written = int(score.notes["written"][row])
    return score.ids[written] if written < len(score.ids) else f"note-{written}"


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


def _moves(score: Score, rows: list[int]) -> dict[int, int]:
    """Return the rows at which the left hand has moved, and where it then is (fret of the first finger)."""
    found: dict[int, int] = {}
    at = 1
    for row in rows:
        fret, finger = int(score.notes["fret"][row]), int(score.notes["finger"][row])
        if fret <= 0 or finger <= 0:
            continue
        position = max(fret - finger + 1, 1)
        if abs(position - at) >= MOVED:
            found[row] = at = position
    return found


def _strings(score: Score, rows: list[int], moves: dict[int, int]) -> dict[str, int]:
    found: dict[str, int] = {}
    said: dict[int, int] = {}
    bar = -1
    for row in rows:
        note = score.notes[row]
        string, pitch = int(note["string"]), int(note["pitch"])
        if not string or note["fret"] < 0:
            continue
        if int(note["bar"]) != bar:
            bar, said = int(note["bar"]), {}
        places = score.tuning.positions(pitch)
        lowest = min(places, key=lambda place: place[1])[0] if places else string
        moved = moves.get(row, 0) > FIRST_POSITIONS
        if string != said.get(pitch, lowest) or moved:
            found[_name(score, row)] = said[pitch] = string
    return found


def _fingers(score: Score, rows: list[int], moves: dict[int, int], given: dict[str, int]) -> dict[str, int]:
    found: dict[str, int] = {}
    last: dict[tuple[int, int], int] = {}
    for row in rows:
        note, name = score.notes[row], _name(score, row)
        place, finger = (int(note["string"]), int(note["fret"])), int(note["finger"])
        if name in given:
            found[name] = given[name]
        elif finger > 0 and place[1] > 0 and (last.get(place) != finger or row in moves):
            found[name] = finger
        if finger > 0:
            last[place] = finger
    return found


def _plucks(score: Score, rows: list[int]) -> dict[str, str]:
    found: dict[str, str] = {}
    thumb_said = False
    before = (0, 0)  # the two fingers last used
    lately: dict[tuple[int, int], int] = {}  # place in the bar, voice -> finger that last plucked there
    for row in rows:
        note = score.notes[row]
        finger, bar = int(note["pluck"]), score.bars[int(note["bar"])]
        if not finger:
            continue
        place = (int(note["onset"]) - bar.onset, int(note["voice"]))
        as_lately = lately.get(place) == finger
        lately[place] = finger
        if finger == THUMB:
            said = not thumb_said if note["bass"] else not as_lately
            thumb_said = thumb_said or bool(note["bass"])
        else:
            in_turn = before[0] != before[1] and finger == before[0]
            said = not as_lately and not in_turn
            before = (before[1], finger)
        if said:
            found[_name(score, row)] = PIMA[finger]
    return found


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
