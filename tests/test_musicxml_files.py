"""Ids, the engraver's text, encodings and containers of MusicXML."""

import hashlib
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from coach.files.musicxml import parse_musicxml, read_musicxml
from coach.files.score_file import read_score
from tests.xml_scores import (
    BACKWARD,
    C4,
    FORWARD,
    FULL,
    Q,
    ahead,
    attributes,
    back,
    bar_numbers,
    chord,
    document,
    field,
    note,
    packed,
    read,
    rows,
    tie,
)

# --- identity and engraving -------------------------------------------------------------------------


def test_ids_are_kept_where_they_are_sound_and_unique_and_filled_elsewhere():
    found = read(
        f'<measure number="1" id="m1">{attributes()}'
        + note("C4", 1, attrs='id="a"')
        + note("D4", 1, attrs='id="a"')
        + note("E4", 1, attrs='id="9"')
        + note("rest", 1, attrs='id="note1"')
        + "</measure>"
    )
    ids = [*found.score.bar_ids, *found.score.anchor_ids]
    assert (ids[0], ids[1], ids[4]) == ("m1", "a", "note1")
    assert len(set(ids)) == 5
    assert all(name[0].isalpha() for name in ids)
    root = ET.fromstring(found.xml)
    assert [e.get("id") for e in root.iter() if e.tag in ("measure", "note")] == ids


def test_anchors_give_every_head_and_rest_its_place():
    found = read(attributes() + chord("C4", "E4", length=2) + note("rest", 2), ahead(1) + note("C4", 3))
    places = [(int(a["bar"]), a["offset"] / Q, found.score.anchor_ids[a["id"]]) for a in found.score.anchors]
    assert [place[:2] for place in places] == [(0, 0), (0, 0), (0, 2), (1, 1)]
    assert [place[2] for place in places if "rest" not in place[2]] == list(found.score.ids)


def test_the_engravers_text_has_whole_ticks_written_order_and_nothing_unknown():
    odd = f'<harmony/><print new-page="yes"/><note>{C4}<duration>16</duration>'
    found = read(attributes() + FORWARD + odd + "<lyric><text>la</text></lyric><blob/></note>" + BACKWARD)
    assert bar_numbers(found) == [1, 1]
    root = ET.fromstring(found.xml)
    assert len(root.findall("part/measure")) == 1
    assert root.find("part/measure/attributes/divisions").text == str(Q)
    assert root.find("part/measure/note/duration").text == str(4 * Q)
    assert {e.tag for e in root.iter()}.isdisjoint({"harmony", "print", "lyric", "blob"})
    assert [e.get("direction") for e in root.iter("repeat")] == ["forward", "backward"]


def test_the_engravers_text_reads_back_to_the_same_score():
    bars = [
        attributes(2, 4, fifths=1) + FORWARD + chord("G3", "B3", length=1) + note("D4", 1) + back(2)
        + note("G2", 2, 2, inside=tie("start") + "<stem>down</stem>"),
        note("F#4", 0.5) + note("rest", 1.5) + back(2)
        + note("G2", 1, 2, inside=tie("stop")) + note("D3", 1, 2) + BACKWARD,
    ]  # fmt: skip
    first = read(*bars)
    again = parse_musicxml(first.xml.encode(), "again")
    for name in ("onset", "duration", "pitch", "voice", "stem", "bass"):
        assert field(again, name) == field(first, name)
    assert again.score.ids == first.score.ids
    assert again.score.bar_ids == first.score.bar_ids
    assert again.xml == first.xml


def test_accidentals_and_beams_are_filled_where_a_file_has_none():
    eighths = "".join(note(n, 0.5, inside="<type>eighth</type>") for n in ("F#4", "F#4", "F4", "G4"))
    found = read(attributes(2, 4, fifths=0) + eighths, note("F#4", 2, inside="<type>half</type>"))
    root = ET.fromstring(found.xml)
    notes = root.findall("part/measure/note")
    assert [n.findtext("accidental") for n in notes] == ["sharp", None, "natural", None, "sharp"]
    assert [n.findtext("beam") for n in notes] == ["begin", "end", "begin", "end", None]


def test_a_files_own_accidentals_and_beams_are_left_alone():
    shown = note("F#4", 1, inside="<type>quarter</type><accidental>sharp</accidental>")
    found = read(attributes(2, 4) + shown + note("G#4", 1))
    notes = ET.fromstring(found.xml).findall("part/measure/note")
    assert [n.findtext("accidental") for n in notes] == ["sharp", None]


def test_titles():
    assert (
        read(attributes() + FULL, head="<work><work-title> Lamp \n Oil </work-title></work>").score.title
        == "Lamp Oil"
    )
    assert (
        read(attributes() + FULL, head="<movement-title>Second Stair</movement-title>").score.title
        == "Second Stair"
    )
    assert read(attributes() + FULL).score.title == ""


# --- files ------------------------------------------------------------------------------------------

TEXT = document(attributes() + note("A2", 4)).decode()


@pytest.mark.parametrize(
    "data",
    [
        TEXT.encode(),
        b"\xef\xbb\xbf" + TEXT.encode(),
        TEXT.replace("UTF-8", "UTF-16").encode("utf-16"),
        TEXT.replace("UTF-8", "UTF-16").encode("utf-16-be"),
        TEXT.replace("UTF-8", "ISO-8859-1").replace("Guitar", "Guitarra española").encode("latin-1"),
        TEXT.replace("UTF-8", "windows-1252").encode("cp1252"),
        TEXT.replace("UTF-8", "UTF-16").encode(),  # saved again as UTF-8 by an editor
        TEXT.split("\n", 1)[1].encode(),  # without a declaration
        TEXT.replace("<score-partwise", '<score-partwise xmlns="http://example.org/ns"').encode(),
        TEXT.replace(
            "\n",
            '\n<!DOCTYPE score-partwise PUBLIC "-//X//DTD Partwise//EN" "http://x.invalid/partwise.dtd">\n',
        ).encode(),
    ],
    ids=[
        "utf-8",
        "bom",
        "utf-16",
        "utf-16-be",
        "latin-1",
        "cp1252",
        "mislabelled",
        "bare",
        "namespace",
        "doctype",
    ],
)
def test_encodings_and_doctypes(data):
    assert rows(parse_musicxml(data, "encoded")) == [(0, 45, 4)]


CONTAINER = b'<container><rootfiles><rootfile full-path="music/score.xml"/></rootfiles></container>'


def test_compressed_scores(tmp_path: Path):
    data = packed(
        {"META-INF/container.xml": CONTAINER, "music/score.xml": TEXT.encode(), "cover.jpg": b"\xff\xd8"}
    )
    path = tmp_path / "piece.mxl"
    path.write_bytes(data)
    assert rows(read_score(path)) == [(0, 45, 4)]
    misnamed = tmp_path / "piece.xml"
    misnamed.write_bytes(data)
    assert rows(read_score(misnamed)) == [(0, 45, 4)]
    assert read_score(path).score.digest == read_score(misnamed).score.digest


def test_a_compressed_score_without_a_container_but_with_one_score():
    assert rows(parse_musicxml(packed({"score.musicxml": TEXT.encode()}), "x.mxl")) == [(0, 45, 4)]


def test_the_digest_is_that_of_the_files_bytes(tmp_path: Path):
    path = tmp_path / "piece.musicxml"
    path.write_bytes(TEXT.encode())
    assert read_musicxml(path).score.digest == hashlib.sha256(path.read_bytes()).hexdigest()
