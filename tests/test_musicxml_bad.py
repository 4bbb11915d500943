"""Files that are no usable score: one line each (file, bar where known, fault, remedy).

Time and memory stay bounded.
"""

import os
import time
import tracemalloc
import zipfile
from pathlib import Path

import pytest

from coach.core.errors import ScoreError
from coach.files import limits, xml_tree
from coach.files.musicxml import parse_musicxml, read_musicxml
from coach.files.score_file import read_score
from tests.xml_scores import (
    C4,
    FORWARD,
    FULL,
    META,
    Q,
    attributes,
    back,
    barline,
    checked,
    chord,
    container,
    document,
    note,
    packed,
    read,
    sound,
    tie,
)

MEGABYTE = 2**20
SOUND = document(attributes() + FULL)


def refused(data: bytes, where="bad.musicxml") -> str:
    """Return the line with which ``data`` is refused."""
    with pytest.raises(ScoreError) as caught:
        parse_musicxml(data, where)
    return checked(str(caught.value), where)


# --- bytes that are no MusicXML ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "line"),
    [
        (b"", "the file is empty"),
        (b" \n\t ", "the file is empty"),
        (b"\0" * 5000, "the file is empty"),
        (b"Dear student, play this slowly.", "this is no XML"),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "this is no XML"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "this is no XML"),
        (b"{}", "this is no XML"),
        (b"<html><body/></html>", "this is a web page"),
        (b"<sketch version='4'/>", "the root element <sketch> is no MusicXML score"),
        (b"<opus/>", "this lists several scores; open one of them"),
        (b"<note/>", "the root element <note> is no MusicXML score"),
        (SOUND[:-40], "the file breaks off at line 2"),
        (SOUND[:60], "the file breaks off at line 2"),
        (SOUND.replace(b"</part>", b"</parts>"), "damaged XML at line 2, column"),
        (SOUND.replace(b"Guitar", b"Gu\x00itar"), "damaged XML at line 2, column"),
        (SOUND.replace(b"Guitar", b"Gu\xffitar"), "is no UTF-8 text; save it as UTF-8"),
        (SOUND.replace(b"Guitar", b"&guitar;"), "damaged XML"),
        (b"<score-partwise/>", "the score has no parts"),
        (b"<score-timewise/>", "the score has no parts"),
        (b"<score-partwise><part id='P1'/></score-partwise>", "the part has no bars"),
        (document(attributes() + note("rest", 4)), "there are no notes to play"),
        (document("<note><unpitched/><duration>4</duration></note>"), "there are no notes to play"),
    ],
)
def test_what_is_no_score(data, line):
    assert line in refused(data)


@pytest.mark.parametrize("seed", range(20))
def test_random_bytes(seed):
    import random

    refused(random.Random(seed).randbytes(2000))


def test_a_score_cut_off_anywhere():
    data = document(attributes() + chord("C4", "E4", length=2) + note("rest", 2), FULL)
    for end in range(1, len(data) - 1):
        refused(data[:end])


# --- encodings --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "data",
    [
        SOUND.replace(b"Guitar", b"Gui\xed\xa0\x80tar"),  # a lone surrogate in UTF-8
        SOUND.decode().replace("Guitar", "Gui\ud800tar").encode("utf-16", "surrogatepass"),
        b"\xff\xfe" + b"<\0a\0\x00\xd8/\0>\0",
    ],
)
def test_lone_surrogates(data):
    assert "text; save it as UTF-8" in refused(data)


@pytest.mark.parametrize("reference", [b"&#xD800;", b"&#0;", b"&#xFFFF;", b"&#x110000;"])
def test_references_to_no_character(reference):
    assert "damaged XML" in refused(SOUND.replace(b"Guitar", reference))


@pytest.mark.parametrize("name", ["x-unknown", "punycode", "idna", "unicode_escape", "base64", "zlib"])
def test_encodings_that_are_none(name):
    data = SOUND.replace(b"UTF-8", name.encode())
    assert f"the text encoding “{name}” is not known" in refused(data)


def test_a_file_named_with_odd_characters_is_one_line():
    with pytest.raises(ScoreError) as caught:
        parse_musicxml(b"", "a\n\ud800.musicxml")
    assert str(caught.value) == "a \\ud800.musicxml: the file is empty; export it again as MusicXML"


# --- what XML can be abused for ---------------------------------------------------------------------


def with_doctype(subset: str, inside: str) -> bytes:
    text = SOUND.decode().replace("\n", f"\n<!DOCTYPE score-partwise [{subset}]>\n", 1)
    return text.replace("Guitar", inside).encode()


@pytest.mark.parametrize(
    ("subset", "inside"),
    [
        (
            '<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;">',
            "&c;",
        ),
        ('<!ENTITY x SYSTEM "file:///etc/hostname">', "&x;"),
        ('<!ENTITY x SYSTEM "http://127.0.0.1:9/x">', "&x;"),
        ('<!ENTITY % p SYSTEM "file:///etc/hostname"> %p;', "Guitar"),
    ],
    ids=["bomb", "file", "http", "parameter"],
)
def test_entities_are_refused(subset, inside):
    assert "entities" in refused(with_doctype(subset, inside))


def test_a_document_type_is_never_fetched(tmp_path: Path):
    """A DTD that would be refused if it were read: it declares an entity."""
    dtd = tmp_path / "evil.dtd"
    dtd.write_text('<!ENTITY x "y">')
    data = SOUND.replace(b"\n", f'\n<!DOCTYPE score-partwise SYSTEM "{dtd.as_uri()}">\n'.encode(), 1)
    assert len(parse_musicxml(data, "x").score.notes) == 1


def bounded(data: bytes, megabytes: float) -> str:
    """Return the line of refusal, having checked that memory stays below a bound."""
    tracemalloc.start()
    try:
        line = refused(data)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < megabytes * MEGABYTE
    return line


def test_too_large():
    assert "more than 16 MB" in bounded(b"<a>" + b" " * (limits.MAX_FILE_BYTES + 1), 1)


def test_too_many_elements():
    data = b"<score-partwise>" + b"<part/>" * (limits.MAX_TAGS + 1)
    assert "marks of XML" in bounded(data, 40)


def test_too_many_attributes():
    many = b" ".join(b'a%d=""' % i for i in range(limits.MAX_TAGS + 1))
    assert "marks of XML" in bounded(b"<score-partwise " + many + b"/>", 60)


def test_elements_nested_very_deep():
    data = b"<score-partwise>" + b"<part>" * 100_000 + b"</part>" * 100_000 + b"</score-partwise>"
    assert "nested" in refused(data)


def test_too_many_bars():
    data = document(attributes() + FULL, *["<measure/>"] * limits.MAX_WRITTEN_BARS)
    assert "more than 5,000 written bars" in refused(data)


# --- containers -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "line"),
    [
        (b"PK\x03\x04", "damaged or breaks off"),
        (packed({META: container("s.xml"), "s.xml": SOUND})[:-30], "damaged or breaks off"),
        (packed({META: container("s.xml")}), "lacks its score “s.xml”"),
        (packed({META: container("../s.xml"), "../s.xml": SOUND}), "names a file outside itself"),
        (packed({META: container("s.xml"), "s.xml": SOUND, "/etc/x": b""}), "names a file outside itself"),
        (packed({META: container("s.xml"), "s.xml": SOUND, "C:/x": b""}), "names a file outside itself"),
        (packed({META: container("../../etc/passwd")}), "lacks its score"),
        (packed({META: b"<container/>"}), "names no score"),
        (packed({META: b"<container>"}), "breaks off"),
        (packed({META: b""}), "the file is empty"),
        (packed({"readme.txt": b"hello"}), f"has no {META}"),
        (packed({"a.xml": SOUND, "b.xml": SOUND}), f"has no {META}"),
        (packed({META: container("s.xml"), "s.xml": b""}), "the file is empty"),
        (packed({META: container("s.xml"), "s.xml": packed({})}), "this is no XML"),
        (
            packed({META: container("s.xml"), "s.xml": SOUND}, zipfile.ZIP_BZIP2),
            "a compression MusicXML does not",
        ),
        (
            packed({META: container("s.xml"), "s.xml": SOUND}, zipfile.ZIP_LZMA),
            "a compression MusicXML does not",
        ),
    ],
)
def test_archives(data, line):
    assert line in refused(data, "bad.mxl")


def test_a_damaged_file_within_an_archive():
    data = bytearray(packed({META: container("s.xml"), "s.xml": SOUND}))
    at = data.index(b"s.xml", data.index(META.encode()) + 60) + 30
    data[at : at + 8] = b"\xff" * 8
    assert "damaged" in refused(bytes(data), "bad.mxl")


def test_an_encrypted_archive():
    data = bytearray(packed({META: container("s.xml"), "s.xml": SOUND}))
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.find(mark)
        while at >= 0:
            data[at + offset] |= 1
            at = data.find(mark, at + 4)
    assert "encrypted" in refused(bytes(data), "bad.mxl")


def test_a_zip_bomb_is_not_inflated():
    bomb = packed({META: container("s.xml"), "s.xml": b"<a>" + b" " * (100 * MEGABYTE)})
    assert len(bomb) < MEGABYTE
    assert "unpacks to more than 16 MB" in bounded(bomb, 60)


def test_an_archive_too_large():
    assert "more than 8 MB" in refused(b"PK\x03\x04" + b"\0" * limits.MAX_MXL_BYTES, "bad.mxl")


# --- music that cannot be ---------------------------------------------------------------------------

LATER = note("D4", 4)


def timed(text: str, tag="note") -> str:
    return f"<{tag}>{C4 if tag == 'note' else ''}<duration>{text}</duration></{tag}>"


@pytest.mark.parametrize(
    ("bar", "line"),
    [
        (timed("0"), "no length that is no grace note"),
        (timed("-4"), "a <note> of negative length"),
        (timed("four"), "a <note> with the duration “four”"),
        (timed(""), "a <note> with the duration “”"),
        (timed("1e9"), "a <note> with the duration “1e9”"),
        (timed("nan"), "a <note> with the duration “nan”"),
        (timed("9" * 400), "a <note> with the duration “999"),
        (timed("999999999"), "more than 256 quarter notes in one bar"),
        (timed("-4", "forward"), "a <forward> of negative length"),
        (timed("-4", "backup"), "a <backup> of negative length"),
        (timed("999999999", "forward"), "more than 256 quarter notes"),
        (f"<note>{C4}</note>", "a note without a duration"),
        (f"<note>{C4}<type>long-ish</type></note>", "a note without a duration"),
        (FULL.replace("<octave>4", "<octave>99"), "C99 lies outside the MIDI range"),
        (FULL.replace("<octave>4", "<octave>-2"), "C-2 lies outside the MIDI range"),
        (FULL.replace("<octave>4", "<octave>"), "a pitch of “C” with octave “”"),
        (FULL.replace("<step>C", "<step>H"), "a pitch of “H”"),
        (FULL.replace("</step>", "</step><alter>99</alter>"), "a pitch of “C”"),
        ("<attributes><divisions>0</divisions></attributes>", "“0” divisions in a quarter note"),
        ("<attributes><divisions>-4</divisions></attributes>", "“-4” divisions in a quarter note"),
        ("<attributes><divisions/></attributes>", "“” divisions in a quarter note"),
        ("<attributes><divisions>10000000</divisions></attributes>", "10,000,000 divisions"),
        (attributes(0, 4), "a time signature of 0/4"),
        (attributes(4, 0), "a time signature of 4/0"),
        (attributes(4, -4), "a time signature of 4/-4"),
        (attributes(4, 11), "a time signature of 4/11"),
        (attributes("x", 4), "a time signature of x/4"),
        (attributes(9999, 4), "a time signature of 9999/4"),
        ("<attributes><time/></attributes>", "a time signature of none"),
        (barline('<repeat direction="backward" times="1000000"/>'), "played 1,000,000 times"),
    ],
)
def test_the_line_names_the_bar(bar, line):
    found = refused(document(attributes() + FULL, bar + LATER))
    assert found.startswith("bad.musicxml, bar 2: ")
    assert line in found


def test_repeats_beyond_any_piece():
    """20 sections of 2 bars, each played 1,000 times."""
    section = [FORWARD + FULL, FULL + barline('<repeat direction="backward" times="1000"/>')]
    assert "the repeats make more than 20,000 bars" in refused(document(attributes() + FULL, *section * 20))


def test_notes_beyond_any_piece():
    many = "".join(note("C4", 4, before="<chord/>" if i else "") for i in range(1000))
    again = barline('<repeat direction="backward" times="1000"/>')
    assert "more than 200,000 notes" in refused(document(attributes() + many + again))


def test_ties_of_very_many_unisons_take_no_longer_than_notes():
    """Quadratic pairing of 5,000 tied unisons with 5,000 more would take minutes."""
    start = "".join(note("C4", 4, before="<chord/>" if i else "", inside=tie("start")) for i in range(5000))
    stop = start.replace("start", "stop")
    began = time.perf_counter()
    found = read(attributes() + start, stop)
    assert time.perf_counter() - began < 10
    assert found.score.notes["duration"].tolist() == [8 * Q] * 5000


def test_a_fault_in_a_part_that_is_not_read_does_not_matter():
    listed = "<score-part id='F'><part-name>Flute</part-name></score-part>"
    flute = f"<part id='F'><measure>{timed('-4')}</measure></part>"
    data = document(attributes() + FULL, more_parts=flute, more_list=listed)
    assert len(parse_musicxml(data, "x").score.notes) == 1


# --- oddities that are told and not refused ---------------------------------------------------------


@pytest.mark.parametrize(
    ("bar", "notice"),
    [
        (back(9) + FULL, "A backup goes beyond the beginning of its bar"),
        (note("C4", 2) + back(2) + note("A2", 4, 2), "A voice does not fill its bar"),
        ("<blob/>" + FULL, "The unknown element <blob> is passed over"),
        (note("C4", 4, before="<chord/>"), "A chord note without a note before it"),
        (FULL + sound('dalsegno="s"'), "D.S. without a segno"),
        (FULL + barline('<repeat direction="forward"/>', "middle"), "A repeat sign inside a bar"),
        ("<attributes><staff-details><staff-tuning/></staff-details></attributes>" + FULL, "A staff tuning"),
    ],
)
def test_oddities(bar, notice):
    found = read(attributes() + FULL, bar)
    assert any(line.startswith(notice) for line in found.notices)
    assert all(line.endswith(".") and line.isprintable() for line in found.notices)


def test_a_notice_names_its_bars_once():
    found = read(attributes() + FULL, *["<blob/><blob/>" + FULL] * 9)
    assert found.notices == ("The unknown element <blob> is passed over (bars 2, 3, 4, 5, 6, 7 and 3 more).",)


def test_a_file_without_divisions():
    found = read("<note>" + C4 + "<duration>4</duration></note>")
    assert found.score.notes["duration"].tolist() == [4 * Q]
    assert "no divisions" in found.notices[0]


# --- paths ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("read_path", [read_musicxml, read_score])
def test_paths_that_hold_no_score(tmp_path: Path, read_path):
    def line(path: Path) -> str:
        with pytest.raises(ScoreError) as caught:
            read_path(path)
        return checked(str(caught.value), str(path))

    assert "no such file" in line(tmp_path / "missing.musicxml")
    assert "this is a folder" in line(tmp_path)
    pipe = tmp_path / "pipe.musicxml"
    os.mkfifo(pipe)
    assert "no regular file" in line(pipe)
    empty = tmp_path / "empty.musicxml"
    empty.write_bytes(b"")
    assert "the file is empty" in line(empty)


def test_numbers_have_bounded_digits():
    assert xml_tree.whole("1" * 10) is None
    assert xml_tree.decimal("1" * 10) is None
    assert xml_tree.whole("-12") == -12
    assert xml_tree.decimal("1.25") == 1.25
    assert xml_tree.decimal("1e3") is None
