"""What the plain writer writes beside the notes: marks, words, sections, voices, tuning; and their order."""

import dataclasses
import xml.etree.ElementTree as ET
from pathlib import Path

import music21
import numpy as np
import pytest
import verovio

from coach.core.cues import Cue, Section
from coach.core.pitch import Tuning
from coach.core.score import TICKS_PER_QUARTER as Q
from coach.core.score import DampMark, make_score
from coach.core.spelling import Key
from coach.files.plain_xml import to_musicxml
from coach.files.score_file import read_score
from tests.scores import piece

# Order of elements in the MusicXML 4.0 schema (W3C Community Group), as far as they are written.
ORDER = {
    "note": "grace chord pitch rest duration tie voice type dot accidental time-modification stem beam "
    "notations",
    "scordatura": "accord",
    "accord": "tuning-step tuning-alter tuning-octave",
    "attributes": "divisions key time clef staff-details",
    "key": "fifths mode",
    "direction": "direction-type offset sound",
    "barline": "bar-style repeat",
    "staff-details": "capo",
    "metronome": "beat-unit beat-unit-dot per-minute",
    "pitch": "step alter octave",
}
SAME = ("onset", "duration", "pitch", "string", "fret", "finger", "pluck", "bass", "let_ring", "fermata")


def with_bars(score, **changes):
    return dataclasses.replace(score, bar_ids=tuple(f"b{n + 1}" for n in range(len(score.bars))), **changes)


def read_back(text, folder):
    path = folder / "plain.musicxml"
    path.write_text(text, encoding="utf-8")
    return read_score(path)


def in_order(root):
    for element in root.iter():
        if element.tag in ORDER:
            names = ORDER[element.tag].split()
            places = [names.index(child.tag) for child in element]  # ValueError: not of the list at all
            assert places == sorted(places), ET.tostring(element)


@pytest.fixture
def full():
    """A score with everything in it: let ring, a fermata, marks, fingers, sixteenths, a tie, a rest."""
    score = piece(
        "3/4",
        "D2@6 4, A2~ 2, - 1, D3^ 2",
        "F4 1/2, E4 1/4, D4 1/4, C#4 1, - 1, A3+E4 1/2, Bb3@3 3/2, A3 1, F#4 1, D4~ 2",
        qpm=63,
        tuning=Tuning((64, 59, 55, 50, 45, 38)),
        damps=(DampMark(3 * Q, 6), DampMark(5 * Q, everything=True), DampMark(Q + Q // 3)),
    )
    notes = score.notes.copy()
    notes["pluck"][notes["bass"]] = 1
    notes["finger"][notes["fret"] > 0] = 2
    notes.flags.writeable = False
    return with_bars(score, notes=notes, mode="minor", title="A <small> & simple thing")


def test_everything_comes_back(full, tmp_path):
    text = to_musicxml(full, cues=[Cue(0, "play ⑥"), Cue(4 * Q, "stop ⑥: thumb back"), Cue(full.end, "5")])
    file = read_back(text, tmp_path)
    assert file.notices == ()
    for name in SAME:
        assert file.score.notes[name].tolist() == full.notes[name].tolist(), name
    assert file.score.tuning == full.tuning
    assert (file.score.title, file.score.mode) == (full.title, "minor")
    assert file.score.qpm(0) == 63
    named = [[s.ids[row] for row in s.notes["written"]] for s in (file.score, full)]
    assert named[0] == named[1]
    assert sorted(file.score.damps, key=lambda m: m.onset) == [
        DampMark(round((Q + Q / 3) / (Q / 24)) * (Q // 24)),  # drawn on the nearest of 24 places a quarter
        DampMark(3 * Q, 6),
        DampMark(5 * Q, everything=True),
    ]


def test_the_order_of_elements_is_the_schemas(full):
    sections = [Section(0, 1, "One"), Section(2, 2, "Two", twice=True)]
    in_order(ET.fromstring(to_musicxml(full, cues=[Cue(Q // 2, "now")], sections=sections)))
    in_order(ET.fromstring(to_musicxml(full, apart=True, keys=[Key(2, minor=True)] * len(full.bars))))


def test_damp_marks_follow_our_convention(full):
    root = ET.fromstring(to_musicxml(full))
    marks = [d for d in root.iter("direction") if d.find("direction-type/damp") is not None]
    named = [[kind.tag for kind in d.iterfind("direction-type/*")] for d in marks]
    assert named == [["damp"], ["damp", "words"]]
    assert marks[1].findtext("direction-type/words") == "6"
    assert {d.get("placement") for d in marks} == {"below"}


def test_let_ring_and_fermata_stand_at_the_last_part_of_a_tied_note(full):
    root = ET.fromstring(to_musicxml(full))
    ringing = [n for n in root.iter("note") if n.find("notations/tied[@type='let-ring']") is not None]
    assert [note.find("notations/tied[@type='start']") for note in ringing] == [None] * len(ringing)
    assert len(ringing) == 2
    assert len(list(root.iter("fermata"))) == 1
    assert not list(root.iterfind(".//tie[@type='let-ring']"))  # a `tie` knows start and stop only


def test_sections_have_double_bars_or_repeats_and_lines_of_their_own(full, tmp_path):
    sections = [Section(0, 0, "One"), Section(1, 1, "Two", twice=True), Section(2, 2, "Three")]
    text = to_musicxml(full, sections=sections)
    bars = list(ET.fromstring(text).iter("measure"))
    styles = [[(b.get("location"), b.findtext("bar-style")) for b in bar.iter("barline")] for bar in bars]
    assert styles == [
        [("right", "light-light")],
        [("left", "heavy-light"), ("right", "light-heavy")],
        [("right", "light-heavy")],
    ]
    assert [bar.find("print") is not None for bar in bars] == [False, True, True]
    bold = [w.text for bar in bars for w in bar.iter("words") if w.get("font-weight") == "bold"]
    assert bold == ["One", "Two", "Three"]
    score = read_back(text, tmp_path).score
    assert [bar.number for bar in score.bars] == [1, 2, 2, 3]


def test_words_are_never_taken_for_more_than_words(tmp_path):
    score = with_bars(piece("4/4", "A2 4", "C4 4"))
    for words in ("stop ⑤: finger up", "play ④", "stop ⑥: rest stroke", "stop ⑤: a finger", "⑤"):
        found = read_back(to_musicxml(score, cues=[Cue(0, words)]), tmp_path)
        assert (found.notices, found.score.tuning, found.score.damps) == ((), score.tuning, ())


def test_a_capo_is_kept(tmp_path):
    score = with_bars(piece("4/4", "B2@5 4", "E4@2 4", tuning=Tuning(capo=2)))
    back = read_back(to_musicxml(score), tmp_path).score
    assert five_lines(to_musicxml(score))
    assert back.tuning == Tuning(capo=2)
    assert back.notes["fret"].tolist() == score.notes["fret"].tolist() == [0, 3]


STRANGE = [
    (64, 59, 55, 50, 45, 38),
    (62, 57, 54, 50, 45, 38),
    (64, 59, 55, 50, 44, 40),
    (64, 59, 55, 50, 45, 40, 33),
]


def five_lines(text):
    toolkit = verovio.toolkit()
    assert toolkit.loadData(text)
    staff = toolkit.getMEI().partition("<staffDef")[2].partition(">")[0]
    return 'lines="5"' in staff and "notationtype" not in staff


@pytest.mark.parametrize("opens", STRANGE)
def test_any_tuning_is_kept_and_drawn_on_a_staff_of_five_lines(tmp_path, opens):
    score = with_bars(piece("4/4", "A2@5 4", "E4 4"))
    notes = score.notes.copy()
    tuning = Tuning(opens)
    notes["pitch"] = [tuning.pitch(int(n["string"]), 2) for n in notes]
    notes["fret"] = 2
    notes.flags.writeable = False
    text = to_musicxml(dataclasses.replace(score, notes=notes, tuning=tuning))
    file = read_back(text, tmp_path)
    assert (file.score.tuning, file.notices) == (tuning, ())
    assert file.score.notes["fret"].tolist() == [2, 2]
    assert five_lines(text)


def test_keys_and_modes_spell():
    def spelt(score, **more):
        root = ET.fromstring(to_musicxml(score, **more))
        return [(p.findtext("step"), p.findtext("alter")) for p in root.iter("pitch")]

    score = with_bars(piece("4/4", "", "G#4@1 4, Bb3@3 4"))
    minor = dataclasses.replace(score, mode="minor")  # A minor by its signature
    assert spelt(minor) == [("G", "1"), ("B", "-1")]
    f_minor, b_major = Key(-1, minor=True), Key(5)
    assert spelt(score, keys=[f_minor, b_major]) == [("A", "-1"), ("A", "1")]


def test_voices_stay_apart_where_asked():
    score = read_score(Path(__file__).parents[1] / "scores" / "04-pages-turning.musicxml").score
    first = dataclasses.replace(
        score,
        notes=score.notes[score.notes["bar"] < 8],
        bars=score.bars[:8],
    )
    root = ET.fromstring(to_musicxml(first, apart=True))
    lengths = {}
    for note in root.iter("note"):
        if note.find("pitch") is not None:
            lengths.setdefault(note.findtext("voice"), []).append(int(note.findtext("duration")))
    # by hand, bar 1: the tune holds its dotted quarter while the inner voice moves in eighths
    assert lengths["1"][:3] == [36, 24, 12]
    assert lengths["2"][0] == 72
    assert lengths["3"][:4] == [12, 12, 12, 12]
    hidden = [n for n in root.iter("note") if n.find("rest") is not None and n.findtext("voice") == "3"]
    assert hidden
    assert all(note.get("print-object") == "no" for note in hidden)


def test_short_notes_are_beamed_at_every_level():
    score = with_bars(piece("2/4", "", "C4 1/4, D4 1/4, E4 1/2, C4 3/4, D4 1/4"))
    beams = [
        [b.text for b in note.findall("beam")] for note in ET.fromstring(to_musicxml(score)).iter("note")
    ]
    assert beams == [["begin", "begin"], ["continue", "end"], ["end"], ["begin"], ["end", "backward hook"]]


@pytest.mark.parametrize(
    ("meter", "line", "rests"),
    [
        ("3/4", "C4 1, - 2", ["quarter", "quarter"]),
        ("4/4", "C4 1, - 3", ["quarter", "half"]),
        ("4/4", "C4 2, - 2", ["half"]),
        ("4/4", "C4 1, - 2, C4 1", ["quarter", "quarter"]),
        ("4/4", "C4 1/2, - 3/2, C4 2", ["eighth", "quarter"]),
        ("6/8", "C4 1/2, - 5/2", ["quarter", "quarter."]),
        ("2/2", "C4 2, - 2", ["half"]),
    ],
)
def test_rests_show_the_beats(meter, line, rests):
    root = ET.fromstring(to_musicxml(with_bars(piece(meter, "", line))))
    found = [n for n in root.iter("note") if n.find("rest") is not None]
    assert [note.findtext("type") + "." * len(note.findall("dot")) for note in found] == rests


def test_a_compound_tempo_is_given_in_its_own_beat(tmp_path):
    score = with_bars(piece("6/8", "A2 3", "C4 3", qpm=72))
    text = to_musicxml(score)
    assert "<beat-unit>quarter</beat-unit><beat-unit-dot/><per-minute>48</per-minute>" in text
    assert read_back(text, tmp_path).score.qpm(0) == 72


def test_ties_are_joined_by_the_engraver_and_carry_their_fingers_once(full):
    text = to_musicxml(full)
    toolkit = verovio.toolkit()
    assert toolkit.loadData(text)
    ties = ET.fromstring(toolkit.getMEI()).findall(".//{http://www.music-encoding.org/ns/mei}tie")
    assert len(ties) == 1  # the D of four quarters, over the barline
    assert {ties[0].get("startid"), ties[0].get("endid")} == {"#n0", "#n0-2"}
    second = next(n for n in ET.fromstring(text).iter("note") if n.get("id") == "n0-2")
    assert [child.tag for child in second.find("notations/technical")] == ["string", "fret"]


def test_the_piece_ends_with_a_double_bar(full):
    bars = list(ET.fromstring(to_musicxml(full)).iter("measure"))
    assert [bar.findtext("barline/bar-style") for bar in bars] == [None] * (len(bars) - 1) + ["light-heavy"]


def test_music21_and_verovio_open_it(full):
    text = to_musicxml(full, cues=[Cue(0, "play ⑥")], sections=[Section(0, 2, "All", twice=True)], apart=True)
    assert verovio.toolkit().loadData(text)
    stream = music21.converter.parseData(text, format="musicxml")
    words = [e.content for e in stream.recurse().getElementsByClass(music21.expressions.TextExpression)]
    assert "play ⑥" in words
    assert "All" in words
    assert stream.metadata.title == full.title


def test_grace_notes_stand_before_what_they_lead_to(tmp_path):
    score = with_bars(piece("2/4", "A2 2", "C4 1, E4 1"))
    notes = np.concatenate((score.notes, score.notes[-1:]))
    notes["pitch"][-1], notes["string"][-1], notes["fret"][-1] = 65, 1, 1  # an F before the E
    notes["duration"][-1], notes["grace"][-1] = 0, True
    notes["written"] = np.arange(4)
    graced = make_score(notes, score.bars, ids=("a", "b", "c", "d"), bar_ids=score.bar_ids)
    text = to_musicxml(graced, apart=True)
    in_order(ET.fromstring(text))
    names = [note.get("id") for note in ET.fromstring(text).iter("note")]
    assert names.index("d") + 1 == names.index("c")
    file = read_back(text, tmp_path)
    assert file.notices == ()
    for name in (*SAME, "grace"):
        assert file.score.notes[name].tolist() == graced.notes[name].tolist(), name
    assert verovio.toolkit().loadData(text)


def test_apart_keeps_every_length_within_a_voice(tmp_path):
    # A2 and E3 struck together, E3 shorter; C4 sounding on under D4; a triplet on the last half of a beat
    score = with_bars(piece("4/4", "A2 4", "C4 2, D4 1, E4 3/4, F4 1/12, E4 1/12, D4 1/12"))
    notes = np.concatenate((score.notes, score.notes[:1]))
    notes["pitch"][-1], notes["string"][-1], notes["fret"][-1], notes["duration"][-1] = 52, 4, 2, Q
    notes["duration"][notes["pitch"] == 60] = 3 * Q
    notes["pluck"][notes["bass"]] = 1
    notes["written"] = np.arange(len(notes))
    names = tuple(f"n{row}" for row in range(len(notes)))
    whole = make_score(notes, score.bars, ids=names, bar_ids=score.bar_ids)
    back = read_back(to_musicxml(whole, apart=True), tmp_path).score
    for name in ("onset", "duration", "pitch"):
        assert back.notes[name].tolist() == whole.notes[name].tolist(), name


def test_notes_are_spelt_as_the_score_tells():
    score = with_bars(piece("4/4", "", "G#4@1 4"), places=(-4,))  # A flat: four fifths below C
    pitch = ET.fromstring(to_musicxml(score, keys=[Key(0)])).find(".//pitch")
    assert [pitch.findtext(tag) for tag in ("step", "alter", "octave")] == ["A", "-1", "4"]
