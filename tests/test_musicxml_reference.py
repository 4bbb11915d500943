"""Our reading against music21's and partitura's: pitches, onsets, lengths with ties joined, bar numbers.

The scores are open ones that come with the music21 and partitura packages, in two voices or more to
a part, and our own études.  Each known difference is named where it is allowed for:

* OCTAVE: a file without transposition, octave clef or another instrument's name is read an octave down
  here, because this program reads guitar music; the others read it at pitch.
* PICKUP: a short first bar that the file numbers 1 is bar 0 here, so every number is one lower.
* UNFILLED: where a bar's notes and rests do not fill its meter, the rest is silence here (the other parts
  of the same score bear that out), while music21 cuts the bar short; or music21 makes a bar longer for
  the sake of a dynamic mark drawn past its end.
* Ties: music21's own joining goes wrong where voices share a bar, so its notes are joined here, by pitch
  and place.
* Repeats: music21 does not play a D.C. where Fine and repeats meet, nor a repeat whose second ending has
  no bracket; partitura likewise.  Notes are therefore compared in *our* order of bars, and the order
  by itself: with music21's, or with the order read off the page.
* partitura numbers bars from 1 whatever the file says, so only differences between its numbers count.
"""

from __future__ import annotations

import warnings
from collections import Counter
from pathlib import Path

import pytest

from coach.core.score import TICKS_PER_QUARTER, Score
from coach.files.musicxml import parse_musicxml

music21 = pytest.importorskip("music21")
partitura = pytest.importorskip("partitura")

MUSIC21 = Path(music21.__file__).parent
PARTITURA = Path(partitura.__file__).parent / "assets"
ETUDES = sorted((Path(__file__).parent.parent / "scores").glob("*.musicxml"))
OCTAVE, PICKUP, UNFILLED = "octave", "pickup", "unfilled"

# File, part, named differences; two and more voices in each.
TWO_VOICES = [
    ("corpus/bach/bwv846.mxl", 0, ()),
    ("corpus/beach/prayer_of_a_tired_child.musicxml", 4, ()),
    ("corpus/beethoven/opus18no1/movement2.mxl", 0, (UNFILLED,)),
    ("corpus/beethoven/opus59no3/movement2.mxl", 1, (UNFILLED,)),
    ("corpus/cpebach/h186.mxl", 0, ()),
    ("corpus/demos/two-voices.xml", 0, ()),
    ("corpus/demos/voices_with_chords.xml", 0, (OCTAVE,)),
    ("corpus/handel/rinaldo/Lascia_chio_pianga.mxl", 1, ()),
    ("corpus/joplin/maple_leaf_rag.mxl", 0, ()),
    ("corpus/liliuokalani/aloha_oe.mxl", 5, ()),
    ("corpus/mozart/k155/movement3.mxl", 0, (UNFILLED,)),
    ("corpus/mozart/k545/movement1_exposition.mxl", 0, ()),
    ("corpus/schoenberg/opus19/movement2.mxl", 0, ()),
    ("corpus/schoenberg/opus19/movement6.mxl", 0, (PICKUP,)),
    ("corpus/schumann_clara/opus17/movement3.xml", 2, ()),
    ("corpus/schumann_clara/polonaise_op1n1.mxl", 0, ()),
    ("corpus/schumann_clara/polonaise_op1n2.mxl", 0, ()),
    ("corpus/schumann_clara/polonaise_op1n3.mxl", 0, ()),
    ("corpus/schumann_clara/polonaise_op1n4.mxl", 0, ()),
    ("corpus/theoryExercises/TriadExercise.mxl", 0, ()),
    ("corpus/verdi/laDonnaEMobile.mxl", 0, ()),
]  # fmt: skip
# Files whose order of bars music21 gets wrong, with the order read off the page: first and last of each run.
ORDERS = {
    "maple_leaf_rag.mxl": [
        (0, 16), (1, 15), (17, 33), (18, 32), (34, 66), (51, 65), (67, 83), (68, 82), (84, 84),
    ],
    "polonaise_op1n1.mxl": [(1, 8), (1, 28), (21, 40), (1, 20)],
    "polonaise_op1n2.mxl": [(1, 8), (1, 16), (9, 24), (17, 32), (25, 32), (1, 16)],
    "polonaise_op1n3.mxl": [(1, 8), (1, 48), (41, 48), (1, 24)],
    "polonaise_op1n4.mxl": [(1, 8), (1, 16), (9, 32), (17, 40), (33, 40), (1, 16)],
    "Lascia_chio_pianga.mxl": [(1, 54), (13, 42)],
}  # fmt: skip

Row = tuple[
    int, float, int, float
]  # bar number, onset and length in quarter notes, sounding pitch between them


def part_id(path: Path, index: int) -> str:
    """Return the id of a file's part by its place."""
    from coach.files.mxl import ZIP_MARK, unpack
    from coach.files.tablature import candidates
    from coach.files.xml_tree import parse_tree

    data = path.read_bytes()
    return candidates(parse_tree(unpack(data, "x") if data.startswith(ZIP_MARK) else data, "x"))[index].id


def our_rows(score: Score) -> list[Row]:
    rows = [
        (
            score.bars[note["bar"]].number,
            round(float(note["onset"]) / TICKS_PER_QUARTER, 3),
            int(note["pitch"]),
            round(float(note["duration"]) / TICKS_PER_QUARTER, 3),
        )
        for note in score.notes
        if not note["grace"]
    ]
    return sorted(rows)


def music21_staves(path: Path, index: int):
    """Return the staves of one part as music21 reads it, sounding."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        whole = music21.converter.parse(path, forceSource=True).toSoundingPitch()
    groups: list[list] = []
    for part in whole.parts:
        second_staff = groups and "PartStaff" in part.classes and not str(part.id).endswith("Staff1")
        if second_staff:
            groups[-1].append(part)
        else:
            groups.append([part])
    return groups[index]


def music21_rows(staves, score: Score) -> list[Row]:
    """Return music21's notes, its bars laid in the order in which ``score`` plays them."""
    heads: list[tuple] = []
    for staff in staves:
        measures = list(staff.getElementsByClass("Measure"))
        for bar in score.bars:
            measure = measures[bar.written]
            onset = bar.onset / TICKS_PER_QUARTER
            for element in measure.recurse().notes:
                if element.duration.isGrace or "ChordSymbol" in element.classes:
                    continue
                place = onset + float(element.getOffsetInHierarchy(measure))
                for note in element.notes if element.isChord else [element]:
                    tie = note.tie.type if note.tie else ""
                    length = float(note.quarterLength or element.quarterLength)
                    heads.append((round(place, 3), measure.number, note.pitch.midi, length, tie))
    return joined(heads)


def joined(heads: list[tuple]) -> list[Row]:
    """Join tied notes of one pitch where one ends as the other begins."""
    waiting: dict[tuple[int, float], list[list]] = {}
    rows: list[list] = []
    for place, number, pitch, length, tie in sorted(heads):
        before = waiting.get((pitch, round(place, 2)))
        if tie in ("stop", "continue") and before:
            row = before.pop()
            row[3] = place + length - row[1]
        else:
            row = [number, place, pitch, length]
            rows.append(row)
        if tie in ("start", "continue"):
            waiting.setdefault((pitch, round(place + length, 2)), []).append(row)
    return sorted((number, place, pitch, round(length, 3)) for number, place, pitch, length in rows)


def runs(numbers: list[int]) -> list[tuple[int, int]]:
    """Return bar numbers as runs (first, last)."""
    found: list[tuple[int, int]] = []
    for number in numbers:
        if found and found[-1][1] + 1 == number:
            found[-1] = (found[-1][0], number)
        else:
            found.append((number, number))
    return found


def assert_equal(ours: list[Row], theirs: list[Row]) -> None:
    left, right = Counter(ours), Counter(theirs)
    assert not left - right, f"only ours: {sorted((left - right).elements())[:5]}"
    assert not right - left, f"only theirs: {sorted((right - left).elements())[:5]}"


CASES = [pytest.param(MUSIC21 / name, index, names, id=Path(name).name) for name, index, names in TWO_VOICES]
CASES += [pytest.param(path, 0, (), id=path.name) for path in ETUDES]


@pytest.mark.parametrize(("path", "index", "named"), CASES)
def test_notes_and_order_equal_music21(path: Path, index: int, named: tuple[str, ...]):
    found = parse_musicxml(path.read_bytes(), path.name, part=part_id(path, index))
    score = found.score
    if path not in ETUDES:
        assert len(set(score.notes["voice"])) > 1  # the point of this list
    staves = music21_staves(path, index)
    theirs = music21_rows(staves, score)
    if OCTAVE in named:
        assert any("octave lower" in notice for notice in found.notices)
        theirs = sorted((number, place, pitch - 12, length) for number, place, pitch, length in theirs)
    if PICKUP in named:
        assert any("pickup" in notice for notice in found.notices)
        theirs = sorted((number - 1, place, pitch, length) for number, place, pitch, length in theirs)
    assert_equal(our_rows(score), theirs)

    order = runs([bar.number for bar in score.bars])
    if path.name in ORDERS:
        assert order == ORDERS[path.name]
    else:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            measures = staves[0].expandRepeats().getElementsByClass("Measure")
        shift = 1 if PICKUP in named else 0
        assert order == runs([measure.number - shift for measure in measures])
        same = [bar.onset / TICKS_PER_QUARTER for bar in score.bars] == [float(m.offset) for m in measures]
        assert same == (UNFILLED not in named)


FOR_PARTITURA = [
    "bach/bwv846.mxl",
    "demos/two-voices.xml",
    "mozart/k545/movement1_exposition.mxl",
    "schoenberg/opus19/movement6.mxl",
    "theoryExercises/TriadExercise.mxl",
]
PARTITURA_FILES = [MUSIC21 / "corpus" / name for name in FOR_PARTITURA]
PARTITURA_FILES += [PARTITURA / "score_example.musicxml", *ETUDES]


@pytest.mark.parametrize("path", PARTITURA_FILES, ids=lambda path: path.name)
def test_notes_equal_partitura(path: Path):
    score = parse_musicxml(path.read_bytes(), path.name).score
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        part = partitura.score.unfold_part_maximal(partitura.load_musicxml(str(path)).parts[0])
        notes = part.note_array()
    origin = float(notes["onset_quarter"].min())
    first = min(note["onset"] for note in score.notes) / TICKS_PER_QUARTER
    numbers = [int(part.measure_number_map(note["onset_div"])) for note in notes]
    ours = our_rows(score)
    counted_from = min(numbers) - min(row[0] for row in ours)  # 1, or 0 without a pickup
    assert counted_from in (0, 1)
    theirs = [
        (
            number - counted_from,
            round(float(note["onset_quarter"]) - origin + first, 3),
            int(note["pitch"]),
            round(float(note["duration_quarter"]), 3),
        )
        for number, note in zip(numbers, notes, strict=True)
    ]
    assert_equal(ours, theirs)
