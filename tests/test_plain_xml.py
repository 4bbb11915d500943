"""The plain engraving source, as read by music21 and verovio."""

import xml.etree.ElementTree as ET

import music21
import pytest
import verovio

from coach.core.score import TICKS_PER_QUARTER as Q
from coach.files.plain_xml import spell, to_musicxml
from coach.files.smf import read_smf_score
from tests.smf_build import music


def table(score, *fields):
    return [tuple(row[field].item() for field in fields) for row in score.notes]


WALTZ = [(0, 0.5, 64), (0.5, 1, 67), (1.5, 1, 69), (2.5, 1, 71), (3.5, 3, 68)]
WALTZ_BASS = [(0.5, 3, 45), (3.5, 2, 40)]


def engraved(score):
    """Return verovio's note ids, and music21's reading of the same text."""
    text = to_musicxml(score)
    toolkit = verovio.toolkit()
    assert toolkit.loadData(text)
    svg = "".join(toolkit.renderToSVG(page) for page in range(1, toolkit.getPageCount() + 1))
    return svg, music21.converter.parseData(text, format="musicxml")


@pytest.mark.parametrize(
    ("meters", "key"),
    [(((0, 1, 8), (0.5, 3, 4)), "Am"), (((0, 4, 4),), "Eb"), (((0, 6, 8),), "F#m"), (((0, 5, 4),), "Dm")],
)
def test_the_plain_engraving_holds_every_note_where_it_is(tmp_path, meters, key):
    melody = [
        (0, 0.5, 64), (0.5, 0.5, 67), (1, 1, 69), (2, 1 / 3, 71), (7 / 3, 1 / 3, 72), (8 / 3, 1 / 3, 69),
        (3.5, 3, 68), (6.75, 0.25, 69), (7, 0.75, 71), (7.75, 2.25, 73), (12, 1.5, 66), (14, 0.125, 70),
    ]  # fmt: skip
    bass = [(0.5, 3, 45), (3.5, 2, 40), (6, 6, 43), (14.5, 0.5, 46)]
    score = read_smf_score(music(tmp_path / "x.mid", melody, bass, meters=meters, key=key)).score
    svg, stream = engraved(score)
    for name in (*score.ids, *score.bar_ids):
        assert f'id="{name}"' in svg
    wanted = sorted(table(score, "onset", "pitch"))
    read_back = [
        (round(note.getOffsetInHierarchy(stream) * Q), pitch.midi)
        for note in stream.recurse().notes
        if note.tie is None or note.tie.type == "start"
        for pitch in note.pitches
    ]
    assert sorted(read_back) == wanted
    # With no tie chains left out, a voice's lengths are what was written unless the next note cuts them.
    total = sum(note.quarterLength for note in stream.recurse().notes)
    assert total == pytest.approx(float(score.notes["duration"].sum()) / Q)


def test_every_drawn_thing_has_its_place(tmp_path):
    path = music(tmp_path / "x.mid", WALTZ, WALTZ_BASS, meters=((0, 1, 8), (0.5, 3, 4)))
    file = read_smf_score(path)
    score = file.score
    root = ET.fromstring(file.xml)
    drawn = [note.get("id") for note in root.iter("note")]
    assert sorted(drawn) == sorted(score.anchor_ids)
    assert len(set(drawn)) == len(drawn)
    assert set(score.ids) <= set(drawn)
    places = {score.anchor_ids[a["id"]]: (int(a["bar"]), int(a["offset"])) for a in score.anchors}
    for row, note in enumerate(score.notes):
        bar = int(note["bar"])
        name = score.ids[score.notes["written"][row]]
        assert places[name] == (bar, int(note["onset"]) - score.bars[bar].onset)
    assert not score.anchors.flags.writeable
    assert not score.notes.flags.writeable
    bars = [(bar.get("number"), bar.get("implicit")) for bar in root.iter("measure")]
    assert bars == [("0", "yes"), ("1", None), ("2", None)]


def test_pitches_are_spelt_by_the_key():
    # common practice, no source: leading notes of minor keys are raised, not the next note lowered
    assert spell(73, -1) == ("C", 1, 5)  # D minor
    assert spell(68, 0) == ("G", 1, 4)  # A minor
    assert spell(70, 0) == ("B", -1, 4)
    assert spell(63, -3) == ("E", -1, 4)
    assert spell(61, 4) == ("C", 1, 4)
    assert spell(71, -7) == ("C", -1, 5)  # C flat
    assert spell(60, 7) == ("B", 1, 3)  # B sharp
    for fifths in range(-7, 8):
        for pitch in range(128):
            step, alter, octave = spell(pitch, fifths)
            assert (
                12 * (octave + 1) + {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[step] + alter
                == pitch
            )


def test_accidentals_are_drawn_once_a_bar(tmp_path):
    score = read_smf_score(
        music(tmp_path / "x.mid", [(k, 1, p) for k, p in enumerate((66, 66, 65, 66, 66, 65))], key="C")
    ).score
    root = ET.fromstring(to_musicxml(score))
    drawn = [
        (note.findtext("pitch/step"), note.findtext("accidental"))
        for note in root.iter("note")
        if note.find("pitch")
    ]
    assert drawn[:6] == [
        ("F", "sharp"),
        ("F", None),
        ("F", "natural"),
        ("F", "sharp"),
        ("F", "sharp"),
        ("F", "natural"),
    ]
