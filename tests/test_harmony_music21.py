"""Keys, scales and Roman numerals against music21 and its corpus of Bach chorales (test extra).

What differs is not swept away: every disagreement has to fall into a class that is named and explained here.
"""

from collections import Counter
from typing import NamedTuple

import pytest

from coach.core.chord_fit import chord_classes
from coach.core.chords import QUALITIES, readings
from coach.core.harmony import analyse
from coach.core.keys import KEYS, find_key, rank_keys, weigh
from coach.core.numerals import SEVENTHS, TRIADS, plain_numeral
from coach.core.scales import SCALES, scale_on
from coach.core.spelling import Key, place_name
from tests import chorales

pytest.importorskip("music21")

COMPARED = range(1, 9)  # chorales whose every chord on a beat is named


def transposed(key, semitones):
    return (key.pitch_class + semitones) % 12, key.minor


# --- keys ----------------------------------------------------------------------------------------------


def krumhansl(stream):
    """Return music21's ranking as (pitch class of the tonic, minor, r)."""
    from music21.analysis import discrete

    best = discrete.KrumhanslKessler(stream).getSolution(stream)
    ranked = [best, *best.alternateInterpretations]
    return [(key.tonic.pitchClass, key.mode == "minor", key.correlationCoefficient) for key in ranked]


def assert_same_ranking(mine, theirs):
    assert len(mine) == len(theirs) == 24
    r_of = {(found.key.pitch_class, found.key.minor): found.r for found in mine}
    assert all(r_of[tonic, minor] == pytest.approx(r, abs=1e-9) for tonic, minor, r in theirs)
    assert (mine[0].key.pitch_class, mine[0].key.minor) == theirs[0][:2]


@pytest.mark.parametrize("key", KEYS, ids=lambda key: key.name)
def test_the_24_scales_are_ranked_as_music21_ranks_them(key):
    from music21 import note, stream

    kind = "harmonic minor" if key.minor else "major"
    pitches = [60 + place * 7 % 12 for place in scale_on(key.tonic, kind).places]
    theirs = krumhansl(stream.Stream([note.Note(pitch) for pitch in pitches]))
    mine = rank_keys(chorales.classes([note.Note(pitch).pitch for pitch in pitches]))
    assert_same_ranking(mine, theirs)
    assert mine[0].key == key


@pytest.fixture(scope="module")
def pieces():
    """Return (number, stream, score, the key people found) of the twenty analysed chorales."""
    found = []
    for number in range(1, len(chorales.FILES) + 1):
        stream = chorales.stream_of(number)
        first = chorales.key_of_music21(next(chorales.numerals_of(number)).key)
        found.append((number, stream, chorales.score_of(stream), first))
    return found


def test_twenty_chorales_are_ranked_as_music21_ranks_them(pieces):
    for _, stream, score, _ in pieces:
        assert_same_ranking(rank_keys(weigh(score)), krumhansl(stream))


# The analysts worked from another edition of these two, higher or lower than the corpus has them.
EDITIONS = {14: 7, 17: 2}  # number -> semitones from the analysis up to the score
# Closes on E major under one sharp: E minor by signature and close; people hear A minor and its dominant.
PHRYGIAN = {3}


def test_the_keys_people_found(pieces):
    wrong, wrong_alone = set(), set()
    for number, _, score, key in pieces:
        mine = find_key(score)
        alone = rank_keys(weigh(score))[0].key  # correlation without signature and close
        right = transposed(key, EDITIONS.get(number, 0))
        wrong |= {number} if (mine.pitch_class, mine.minor) != right else set()
        wrong_alone |= {number} if (alone.pitch_class, alone.minor) != right else set()
    assert wrong == PHRYGIAN  # 19 of 20 are found
    assert len(wrong_alone) == 5  # by correlation alone 15


def test_the_phrygian_chorale_closes_on_its_dominant(pieces):
    for number, _, score, key in pieces:
        if number in PHRYGIAN:
            last = score.notes[score.notes["bass"]][-1]
            assert int(last["pitch"]) % 12 == (key.pitch_class + 7) % 12 == find_key(score).pitch_class
            assert score.bars[0].fifths == key.fifths + 1


def test_keys_of_bars_agree_with_people(pieces):
    """A chorale turns aside for two bars at every other line, which a key that lasts four bars does not."""
    same = total = 0
    for number, _, score, _ in pieces:
        keys = analyse(score).bar_keys
        for numeral in chorales.numerals_of(number):
            tick = chorales.ticks(numeral.getOffsetInHierarchy(chorales.analysis_of(number)))
            if tick < score.end:
                mine = keys[score.bar_index(tick)]
                right = transposed(chorales.key_of_music21(numeral.key), EDITIONS.get(number, 0))
                same += (mine.pitch_class, mine.minor) == right
                total += 1
    assert total > 1000
    assert same / total > 0.6  # measured 0.67


def test_notes_are_spelt_as_bach_spelt_them(pieces):
    same = total = 0
    for _, stream, score, _ in pieces:
        harmony = analyse(score)
        for note in stream.flatten().notes:
            tick = chorales.ticks(note.offset)
            bar = score.bar_index(tick)
            for pitch in note.pitches:
                same += harmony.place(pitch.midi, tick, bar) == chorales.place_of(pitch)
                total += 1
    assert total > 5000
    assert same / total > 0.99  # measured 0.998


# --- scales --------------------------------------------------------------------------------------------

SCALE_CLASSES = {
    "major": "MajorScale", "natural minor": "MinorScale", "harmonic minor": "HarmonicMinorScale",
    "melodic minor": "MelodicMinorScale", "dorian": "DorianScale", "phrygian": "PhrygianScale",
    "lydian": "LydianScale", "mixolydian": "MixolydianScale",
}  # fmt: skip


@pytest.mark.parametrize("kind", SCALES)
def test_scales_have_music21s_notes(kind):
    from music21 import scale

    for tonic in range(-5, 7):
        name = place_name(tonic).replace("♯", "#").replace("♭", "-")
        theirs = getattr(scale, SCALE_CLASSES[kind])(name).getPitches(f"{name}3", f"{name}4")
        assert [chorales.place_of(pitch) for pitch in theirs[:-1]] == list(scale_on(tonic, kind).places)


# --- Roman numerals ------------------------------------------------------------------------------------


class Compared(NamedTuple):
    """One chord on a beat, as we and as music21 name it."""

    sounding: frozenset[int]
    bass: int
    key: Key
    mine: tuple
    theirs: str  # in our notation

    @property
    def plain(self):
        """Our first reading on its own degree, without naming what it leads to."""
        first = self.mine[0]
        return plain_numeral(first.root, first.quality, first.inversion, self.key)


FIGURES = {
    "": "", "5": "", "53": "", "3": "", "6": "6", "63": "6", "64": "64",
    "7": "7", "75": "7", "753": "7", "73": "7",
    "65": "65", "653": "65", "43": "43", "643": "43", "42": "42", "642": "42",
    "533": "", "633": "6",  # two of the voices are a third above the bass
}  # fmt: skip


def in_our_notation(figure, key):
    """Return music21's figure as we write it.

    It writes the flat of VI and VII in minor, the accidentals of figures (IV75#3), figures in full (753), and
    the half-diminished sign ø.  Figures of no triad or seventh (54, 532) are kept as they are.
    """
    sign = figure.replace("ø", "%")
    head = sign.rstrip("0123456789#b")
    digits = "".join(letter for letter in sign[len(head) :] if letter.isdigit())
    if key.minor and head.lstrip("b").rstrip("o%+").upper() in ("VI", "VII", "III"):
        head = head.removeprefix("b")
    return head + FIGURES.get(digits, f"?{digits}")


@pytest.fixture(scope="module")
def chords(pieces):
    from music21 import roman

    found = []
    for number, stream, score, _ in pieces:
        if number not in COMPARED:
            continue
        key = find_key(score)
        theirs = chorales.key_in_music21(key)
        for chord in stream.chordify().flatten().getElementsByClass("Chord"):
            if chord.offset != int(chord.offset):
                continue
            figure = roman.romanNumeralFromChord(chord, theirs).figure
            weights = chorales.classes(chord.pitches)
            bass = chord.bass().pitchClass
            mine = readings(weights, bass, key)
            sounding = frozenset(int(at) for at in weights.nonzero()[0])
            found.append(Compared(sounding, bass, key, mine, in_our_notation(figure, key)))
    return found


def explained(one):
    """Return the class of a disagreement, or None where nothing explains it."""
    if not one.mine:
        return "no name: two thirds of what sounds fit no chord"
    first = one.mine[0]
    whole = one.sounding == first.classes
    if whole and first.quality in SEVENTHS | TRIADS:
        if (
            sum(chord_classes(root, quality) == one.sounding for root in range(12) for quality in ("°7", "+"))
            > 1
        ):
            return "equal steps: its root is a matter of spelling, which MIDI pitches do not tell"
        if first.roman.startswith("N"):
            return "N: the lowered second degree, which music21 writes bII"
        if one.theirs == one.plain:
            return "applied: named by the degree it leads to, which music21's numeral of one chord is not"
        if one.theirs.lstrip("#b") == one.plain.lstrip("#b") and one.key.minor:
            return "accidentals: music21 takes the raised sixth and seventh of minor for granted"
    if whole and first.quality in ("6", "m6"):
        return "added sixth: a tonic or dominant on its own bass, which music21 names as a seventh chord"
    if whole and first.quality in ("sus4", "sus2"):
        return "suspended: no chord of thirds, which music21 figures from the bass"
    if not one.sounding - first.classes and len(one.sounding) < len(first.classes):
        return "incomplete: filled from the key"
    if one.sounding - first.classes and not _is_chord(one.sounding):
        return "figuration: notes outside the chord, which music21 figures as they stand"
    return None


def _is_chord(sounding):
    return any(chord_classes(root, quality) == sounding for root in range(12) for quality in QUALITIES)


def test_numerals_agree_with_music21(chords):
    assert len(chords) > 400
    same = sum(bool(one.mine) and one.mine[0].roman == one.theirs for one in chords)
    on_degree = sum(bool(one.mine) and one.theirs in (one.mine[0].roman, one.plain) for one in chords)
    assert same / len(chords) > 0.75  # measured 0.79
    assert on_degree / len(chords) > 0.85  # measured 0.88


def test_where_all_notes_belong_to_one_chord_nearly_all_agree(chords):
    clean = [one for one in chords if _is_chord(one.sounding) and len(one.sounding) > 2]
    same = sum(one.theirs in (one.mine[0].roman, one.plain) for one in clean)
    assert len(clean) > 300
    assert same / len(clean) > 0.9  # measured 0.95


def test_every_disagreement_is_explained(chords):
    counted: Counter[str] = Counter()
    unexplained = []
    for one in chords:
        if one.mine and one.mine[0].roman == one.theirs:
            continue
        reason = explained(one)
        counted[(reason or "").split(":")[0]] += 1
        if reason is None:
            unexplained.append((sorted(one.sounding), one.bass, one.key.name, one.mine[0].roman, one.theirs))
    assert not unexplained
    assert counted["figuration"] + counted["applied"] > sum(counted.values()) / 2


def test_people_hear_most_of_these_chords_alike(pieces):
    """Compare the analysts' numerals, in their keys, with ours of the bare chord at that place.

    They know what passes and what is suspended; a bare chord does not show it.
    """
    same = total = 0
    for number, stream, _, _ in pieces:
        if number not in COMPARED:
            continue
        sonorities = {c.offset: c for c in stream.chordify().flatten().getElementsByClass("Chord")}
        for numeral in chorales.numerals_of(number):
            chord = sonorities.get(numeral.getOffsetInHierarchy(chorales.analysis_of(number)))
            if chord is None:
                continue
            key = chorales.key_of_music21(numeral.key)
            mine = readings(chorales.classes(chord.pitches), chord.bass().pitchClass, key)
            theirs = numeral.figure.replace("ø", "%").replace("6/5", "65").replace("4/3", "43")
            theirs = theirs.replace("4/2", "42").replace("6/4", "64")
            total += 1
            same += bool(mine) and theirs in (mine[0].roman, mine[0].roman.replace("42", "2"))
    assert total > 300
    assert same / total > 0.85  # measured 0.90
