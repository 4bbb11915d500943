"""The user's own MusicXML with the preparation written in: nothing lost or twice, and the same plan again."""

import io
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import lxml.etree
import music21
import numpy as np
import partitura
import pytest
import verovio

from coach.app.piece import open_piece
from coach.core.damping import Reason
from coach.core.errors import CoachError
from coach.core.preparation import prepare
from coach.core.score import TICKS_PER_QUARTER as Q
from coach.files.annotated import annotated_xml
from coach.files.annotated_notes import safe_plucks
from tests.smf_build import music
from tests.xml_scores import (
    BACKWARD,
    FORWARD,
    META,
    PLAIN_CLEF,
    attributes,
    back,
    chord,
    container,
    document,
    ending,
    note,
    packed,
    technical,
    tie,
    tied,
    words,
)

SCORES = sorted((Path(__file__).parents[1] / "scores").glob("*.musicxml"))
DAMP_5 = (
    "<direction><direction-type><damp/></direction-type>"
    "<direction-type><words>⑤</words></direction-type></direction>"
)
IDENTIFICATION = re.compile("<identification>.*?</identification>", re.DOTALL)
AGAIN = '<repeat direction="backward"/>'
HOLDERS = ("technical", "notations", "encoding", "identification")


def stripped(text):
    """Return a score's text without strings and fingers."""
    return re.sub(r"(<notations>)?<technical>.*?</technical>(?(1)</notations>|)", "", text, flags=re.DOTALL)


def placed(folder, text, name="tune.musicxml"):
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def plan(preparation):
    return [
        (s.note, s.due, s.reason, s.string, s.fret, s.next_string, s.ways, s.way, s.time_ms, s.over, s.wanted)
        for s in preparation.stops
    ]


def prepared(path, **options):
    return prepare(open_piece(path, **options).score)


def annotate(path, preparation=None):
    """Return a file's annotated text, having read it back: the same plan, and nothing to add any more."""
    preparation = preparation or prepared(path)
    text = annotated_xml(path, preparation)
    marked = path.with_name(f"{path.stem} marked.musicxml")
    marked.write_text(text, "utf-8")
    again = prepared(marked)
    assert plan(again) == plan(preparation)
    assert annotated_xml(marked, again) == text
    return text


def tree(text):
    return ET.fromstring(text.encode() if isinstance(text, str) else text)


def is_ours(element):
    """Return whether an element is one of those that are put in."""
    if element.tag == "direction":
        return element.find("direction-type/damp") is not None or element.find("*/scordatura") is not None
    if element.tag == "tied":
        return element.get("type") == "let-ring"
    tags = ("string", "fret", "fingering", "pluck", "software")
    return element.tag in tags or (element.tag in HOLDERS and all(is_ours(child) for child in element))


def same(new, old):
    """Return whether ``new`` is ``old``, or ``old`` with something put in."""
    if new.tag != old.tag or not is_ours(new) or new.tag in HOLDERS:
        return new.tag == old.tag
    return ET.tostring(new).split() == ET.tostring(old).split()


def additions(old, new):
    """Return what of ``new`` is not in ``old``, having checked that all of ``old`` is in it, in order."""
    assert new.tag == old.tag
    assert (old.text or "").strip() == (new.text or "").strip()
    if old.tag != "score-partwise":
        assert old.attrib == new.attrib
    found = []
    waiting = list(old)
    for child in new:
        if waiting and same(child, waiting[0]):
            found += additions(waiting.pop(0), child)
        else:
            assert is_ours(child), ET.tostring(child)
            found.append(child)
    assert not waiting, ET.tostring(waiting[0])
    return found


def marks(text):
    """Return (bar number, quarters from its start, string, way) of each mark, counted by music21's clock."""
    score = music21.converter.parseData(text, format="musicxml")
    found = []
    for measure in score.recurse().getElementsByClass("Measure"):
        here = list(measure.getElementsByClass("TextExpression"))
        for number, way in pairwise(here):
            if not number.content.isdigit():
                continue
            assert number.offset == way.offset
            found.append((measure.number, float(number.offset), int(number.content), way.content))
    return found


STUB = """<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" targetNamespace="{}">{}</xs:schema>"""
STUBS = {
    "xlink.xsd": STUB.format(
        "http://www.w3.org/1999/xlink",
        "".join(
            f'<xs:attribute name="{name}"/>' for name in ("href", "type", "role", "title", "show", "actuate")
        ),
    ),
    "xml.xsd": STUB.format(
        "http://www.w3.org/XML/1998/namespace", '<xs:attribute name="lang"/><xs:attribute name="space"/>'
    ),
}


class Local(lxml.etree.Resolver):
    """Answers for the two small schemas that MusicXML's imports, so that nothing is fetched."""

    def resolve(self, url, _public, context):
        name = url.rpartition("/")[2]
        return self.resolve_string(STUBS[name], context) if name in STUBS else None


@pytest.fixture(scope="module")
def schema():
    """MusicXML's own schema (version 3.1, as partitura ships it): the order of elements is that of 4.0."""
    parser = lxml.etree.XMLParser(no_network=True)
    parser.resolvers.add(Local())
    path = Path(partitura.__file__).parent / "assets" / "musicxml.xsd"
    return lxml.etree.XMLSchema(lxml.etree.parse(str(path), parser))


def check_opens(text, schema):
    """Check a text against the schema and in the programs that others use."""
    found = lxml.etree.parse(io.BytesIO(text.encode()))
    assert schema.validate(found), schema.error_log.last_error
    verovio.enableLog(verovio.LOG_OFF)
    toolkit = verovio.toolkit()
    assert toolkit.loadData(text)
    svg = "".join(toolkit.renderToSVG(page) for page in range(1, toolkit.getPageCount() + 1))
    return svg, music21.converter.parseData(text, format="musicxml")


# --- the études -----------------------------------------------------------------------------------


@pytest.mark.parametrize("bare", [False, True], ids=["given", "bare"])
@pytest.mark.parametrize("path", SCORES, ids=lambda p: p.stem)
def test_an_etude_reads_back_to_its_plan_and_loses_nothing(path, bare, tmp_path, schema):
    text = path.read_text("utf-8")
    if bare:
        text = stripped(text)
        assert "<string>" not in text
    source = placed(tmp_path, text)
    preparation = prepared(source)
    new = annotate(source, preparation)
    added = [element.tag for element in additions(tree(text), tree(new))]
    assert re.findall("<!--.*?-->", text, re.DOTALL) == re.findall("<!--.*?-->", new, re.DOTALL)
    wanted = {(s.due, s.string) for s in preparation.stops if s.wanted}
    assert 0 < added.count("direction") <= len(wanted)
    damps = {(mark.onset, mark.string) for mark in prepared(tmp_path / "tune marked.musicxml").score.damps}
    assert wanted <= damps
    _, stream = check_opens(new, schema)
    strings = [
        a.number for n in stream.recurse().notes for a in n.articulations if "StringInd" in a.classes[0]
    ]
    heads = set(preparation.score.notes["written"].tolist())
    if bare:
        assert len(strings) == len(heads) == new.count("<fret>")
    else:
        assert "string" not in added
        assert "fret" not in added


def test_the_second_etude_is_marked_where_a_teacher_would_mark_it():
    """Counted by hand in the score: open basses, a bar or half a bar each, stopped as the next one speaks."""
    found = marks(annotated_xml(SCORES[1], prepared(SCORES[1])))
    assert [mark[:3] for mark in found] == [
        (2, 0, 5), (3, 0, 4), (4, 0, 6), (5, 0, 5), (6, 0, 4), (7, 0, 5), (7, 1, 4), (8, 0, 5), (9, 0, 6),
        (9, 1, 5), (10, 0, 6), (10, 1, 4), (11, 0, 5), (12, 0, 6), (12, 1.5, 5),
    ]  # fmt: skip


def test_verovio_draws_the_strings_numbers_and_our_own_page_leaves_them_out(tmp_path, schema):
    source = placed(tmp_path, document(attributes(2, 4) + note("E2", 1) + note("A2", 1), note("D3", 2)))
    text = annotate(source)
    svg, _ = check_opens(text, schema)
    assert svg.count("p back") + svg.count("p rest") + svg.count("p side") > 0
    marked = open_piece(tmp_path / "tune marked.musicxml")
    assert "<string>6</string>" in marked.xml
    assert "<words" not in marked.xml
    assert [(m.onset, m.string) for m in marked.score.damps] == [(Q, 6), (2 * Q, 5), (4 * Q, 4)]


def test_other_words_after_a_damp_still_reach_our_page(tmp_path):
    other = "<direction-type><words>{}</words></direction-type>"
    damp = f"<direction><direction-type><damp/></direction-type>{other * 2}</direction>"
    bar = attributes(2, 4) + note("E2", 1) + damp.format("6", "dolce") + note("A2", 1)
    assert "dolce" in open_piece(placed(tmp_path, document(bar))).xml


# --- bars, repeats, voices ------------------------------------------------------------------------


def test_repeats_and_endings_are_marked_once_where_each_is_played(tmp_path, schema):
    source = placed(
        tmp_path,
        document(
            FORWARD + attributes(2, 4) + note("A2", 2),
            ending("1", "start", "left") + note("E2", 2) + ending("1", "stop", "right", AGAIN),
            ending("2", "start", "left") + note("D3", 2) + ending("2", "discontinue", "right"),
        ),
    )  # fmt: skip
    text = annotate(source)
    check_opens(text, schema)
    # A into either ending: at its first beat.  E into the repeat: at the end of its bar.  D: the end.
    assert [mark[:3] for mark in marks(text)] == [(2, 0.0, 5), (2, 2.0, 6), (3, 0.0, 5), (3, 2.0, 4)]


def test_a_plain_repeat_is_marked_before_its_sign_only(tmp_path):
    source = placed(
        tmp_path,
        document(FORWARD + attributes(2, 4) + note("A2", 2), note("E2", 2) + BACKWARD, note("D3", 2)),
    )
    assert [mark[:3] for mark in marks(annotate(source))] == [(2, 0.0, 5), (2, 2.0, 6), (3, 2.0, 4)]


def test_a_tied_bass_is_fingered_at_its_head_and_stopped_at_its_end(tmp_path):
    bars = (
        attributes(2, 4) + note("A2", 2, before="", inside=tie("start") + tied("start")),
        note("A2", 1, inside=tie("stop") + tied("stop")) + note("rest", 1),
        note("E2", 2),
    )
    text = annotate(
        placed(
            tmp_path,
            document(*bars).replace(
                b"</pitch><duration>8</duration><voice>1</voice><tie", b"</pitch><duration>8</duration><tie"
            ),
        )
    )
    assert text.count("<string>5</string>") == 1
    assert [mark[:3] for mark in marks(text)] == [(2, 1.0, 5), (3, 2.0, 6)]


def test_a_mark_that_would_stop_another_note_is_left_out(tmp_path):
    """Two basses of one chord on one string, one longer: a mark for the short one would cut the long one."""
    on_5 = technical("<string>5</string><fret>0</fret>")
    bass = note("A2", 2, 2, inside=on_5) + note("A2", 4, 2, before="<chord/>", inside=on_5)
    bar = attributes(4, 4) + note("E4", 4, 1) + back(4) + bass + note("rest", 2, 2)
    source = placed(tmp_path, document(bar, note("C4", 4, 1) + back(4) + note("E2", 4, 2)))
    preparation = prepared(source)
    short = next(s for s in preparation.stops if s.due == 2 * Q)
    assert short.wanted
    assert short.string == 5
    assert (1, 2.0, 5) not in [mark[:3] for mark in marks(annotate(source, preparation))]


def test_two_basses_may_stop_together(tmp_path):
    bar = attributes(2, 4) + note("G4", 2, 1) + back(2) + chord("E2", "B2", length=1, voice=2)
    text = annotate(placed(tmp_path, document(bar + note("rest", 1, 2))))
    assert [mark[:3] for mark in marks(text)] == [(1, 1.0, 6), (1, 1.0, 5)]


@pytest.mark.parametrize(("length", "offset"), [(2, "2"), (1.5, "1.5")])
def test_offsets_are_whole_divisions_where_the_file_allows_it(tmp_path, length, offset):
    """One voice, its chord's lower note ends where nothing else begins or ends; one division a quarter."""
    a3 = "<note><pitch><step>A</step><octave>3</octave></pitch><duration>3</duration><voice>1</voice></note>"
    e2 = (
        "<note><chord/><pitch><step>E</step><octave>2</octave></pitch>"
        f"<duration>{length}</duration><voice>1</voice></note>"
    )
    text = annotate(placed(tmp_path, document(attributes(3, 4, divisions=1) + a3 + e2)))
    assert re.findall("<offset>(.*?)</offset>", text) == [offset]


@pytest.mark.parametrize("divisions", [1, 2])
def test_coarse_divisions_need_no_offset_beside_notes(tmp_path, divisions):
    def one(name, quarters, voice):
        what = f"<pitch><step>{name[0]}</step><octave>{name[1]}</octave></pitch>" if name else "<rest/>"
        return f"<note>{what}<duration>{quarters * divisions}</duration><voice>{voice}</voice></note>"

    bar = attributes(3, 4, divisions=divisions) + "".join(one("E4", 1, 1) for _ in range(3))
    bar += f"<backup><duration>{3 * divisions}</duration></backup>" + one("E2", 2, 2) + one("", 1, 2)
    text = annotate(placed(tmp_path, document(bar)))
    assert "<offset>" not in text
    assert [mark[:3] for mark in marks(text)] == [(1, 2.0, 6)]
    assert "<voice>2</voice></direction>" in text


# --- what the file has already ----------------------------------------------------------------------


def test_given_values_and_marks_are_left_as_they_are(tmp_path):
    given = technical("<string>3</string><fret>14</fret><fingering>4</fingering><pluck>a</pluck>")
    half = technical("<string>5</string>")
    bar = attributes(3, 4) + note("A3", 3, 1, inside=given) + back(3)
    bar += note("B2", 1, 2, inside=half) + DAMP_5 + note("E2", 2, 2)
    text = annotate(placed(tmp_path, document(bar)))
    assert given in text
    assert "<string>5</string><fret>2</fret>" in text
    assert "<fret>0</fret>" in text  # the E, which had nothing
    assert text.count("<damp/>") == 2  # theirs, and the end's
    assert DAMP_5 in text


def test_fingers_are_written_where_they_are_missing(tmp_path, schema):
    bar = attributes(2, 4) + note("C4", 2, 1, inside=technical("<fingering>1</fingering>")) + back(2)
    source = placed(tmp_path, document(bar + note("C3", 1, 2) + note("E2", 1, 2)))
    preparation = prepared(source)
    notes = preparation.score.notes.copy()
    for row, pitch in enumerate(notes["pitch"].tolist()):
        notes["finger"][row] = {60: 1, 48: 3, 40: 0}[pitch]
        notes["pluck"][row] = 2 if pitch == 60 else 1
    text = annotated_xml(source, replace(preparation, score=replace(preparation.score, notes=notes)))
    _, stream = check_opens(text, schema)
    found = {
        n.pitch.midi: sorted(a.fingerNumber for a in n.articulations if type(a).__name__ == "Fingering")
        for n in stream.recurse().notes
    }
    assert found == {60: [1], 48: [3], 40: []}
    read = open_piece(placed(tmp_path, text, "back.musicxml")).score.notes
    assert sorted(zip(read["pitch"].tolist(), read["pluck"].tolist(), strict=True)) == [
        (40, 1),
        (48, 1),
        (60, 2),
    ]
    assert text.count("<fingering>1</fingering>") == 1


def test_a_thumb_that_would_make_a_bass_of_an_inner_note_is_not_written():
    """Voice 2 has the bass; p on the low note of voice 1 where it rests would be read as a bass."""
    from tests.scores import piece

    score = piece("4/4", "E2 1, - 1, A2 2", "E4 1, D3 1, E4 2")
    low = int(score.notes["written"][score.notes["pitch"] == 50].item())
    wanted = dict.fromkeys(range(len(score.notes)), 1) | {1: 2}
    assert not score.notes["bass"][score.notes["written"] == low].item()
    safe = safe_plucks(score.notes, wanted, score.notes["bass"])
    assert low in wanted
    assert low not in safe
    assert np.count_nonzero(score.notes["bass"]) == sum(
        bool(score.notes["bass"][score.notes["written"] == w].item()) for w in safe
    )


def test_a_bass_that_taste_lets_ring_gets_a_tie_into_nothing(tmp_path, schema):
    first = (
        note("A2", 2)
        .replace("</duration>", "</duration>" + tie("start"))
        .replace("</note>", tied("start") + "</note>")
    )
    second = (
        note("A2", 1)
        .replace("</duration>", "</duration>" + tie("stop"))
        .replace("</note>", tied("stop") + "</note>")
    )
    source = placed(tmp_path, document(attributes(2, 4) + first, second + note("E2", 1), note("D3", 2)))
    score = open_piece(source).score
    free = frozenset(score.notes["written"][score.notes["pitch"] == 45].tolist())
    text = annotate(source, prepare(score, free=free))
    check_opens(text, schema)
    assert text.count("let-ring") == 1
    assert '<tied type="stop"/><tied type="let-ring"/>' in text
    assert prepared(tmp_path / "tune marked.musicxml").stops[0].reason is Reason.FREE


# --- kinds of file ----------------------------------------------------------------------------------


def test_only_the_guitar_of_two_parts_is_marked(tmp_path, schema):
    lyric = "<lyric><text>la</text></lyric>"
    bar = attributes(2, 4, more=PLAIN_CLEF) + note("E5", 2, inside=lyric)
    flute = f"<part id='P2'><measure number='1'>{bar}</measure></part>"
    listed = "<score-part id='P2'><part-name>Flute</part-name></score-part>"
    data = document(attributes(2, 4) + note("E2", 1) + note("A2", 1), more_parts=flute, more_list=listed)
    text = annotate(placed(tmp_path, data))
    check_opens(text, schema)
    assert flute in text
    assert text.count("<damp/>") == 2
    additions(tree(data), tree(text))


def test_a_compressed_file_is_written_plain(tmp_path):
    data = SCORES[0].read_bytes()
    zipped = placed(tmp_path, packed({META: container("s.musicxml"), "s.musicxml": data}), "tune.mxl")
    assert annotate(zipped) == annotate(placed(tmp_path, data, "plain.musicxml"))


def test_a_timewise_file_is_written_partwise(tmp_path, schema):
    data = document(attributes(2, 4) + note("E2", 2), note("A2", 2)).decode()
    body = re.sub("<part id='P1'>(.*)</part>", r"\1", data)
    body = re.sub("(<measure [^>]*>)(.*?)(</measure>)", r'\1<part id="P1">\2</part>\3', body)
    timewise = body.replace("score-partwise", "score-timewise")
    text = annotate(placed(tmp_path, timewise))
    check_opens(text, schema)
    assert [mark[:3] for mark in marks(text)] == [(2, 0.0, 6), (2, 2.0, 5)]


def test_a_midi_file_gets_a_marked_engraving(tmp_path, schema):
    melody = [(0, 1, 64), (1, 1, 67), (2, 1, 69), (3, 1.5, 71), (4.5, 0.5, 69), (5, 1, 67), (6, 3, 64)]
    bass = [(0, 1, 45), (1, 2, 40), (3, 2, 50), (6, 3, 45)]
    path = music(tmp_path / "tune.mid", melody, bass, meters=((0, 3, 4),), key="C", qpm=60)
    text = annotate(path)
    check_opens(text, schema)
    assert [mark[:3] for mark in marks(text)] == [(1, 1.0, 5), (2, 0.0, 6), (2, 2.0, 4), (3, 3.0, 5)]


def test_a_midi_file_played_unevenly_is_marked_where_its_notes_are_drawn(tmp_path):
    melody = [(0, 1, 64), (1.01, 1, 67), (2, 0.98, 69)]
    bass = [(0.02, 0.9, 45), (1.01, 0.95, 40), (2.02, 0.97, 50)]
    path = music(tmp_path / "tune.mid", melody, bass, meters=((0, 3, 4),))
    preparation = prepared(path)
    text = annotated_xml(path, preparation)
    back_again = prepared(placed(tmp_path, text, "back.musicxml"))
    assert [s.reason for s in back_again.stops if s.wanted].count(Reason.MARKED) == 0
    assert text.count("<damp/>") == sum(s.wanted for s in preparation.stops) > 0


def test_a_part_without_notes_in_a_bar_is_marked_too(tmp_path):
    long_a = note("A2", 4).replace("</duration>", "</duration>")
    bars = (
        attributes(2, 4) + long_a.replace("<duration>16", "<duration>8"),
        '<measure number="2"/>',
        note("E2", 2),
    )
    source = placed(tmp_path, document(*bars))
    preparation = prepared(source)
    text = annotated_xml(source, preparation)
    assert plan(prepared(placed(tmp_path, text, "back.musicxml"))) == plan(preparation)


def test_another_tuning_is_stated(tmp_path, schema):
    source = placed(tmp_path, document(attributes(2, 4) + note("E2", 1) + note("A2", 1), note("D3", 2)))
    low = open_piece(source, tuning="D2 A2 D3 G3 B3 E4").score
    text = annotate(source, prepare(low))
    check_opens(text, schema)
    assert open_piece(tmp_path / "tune marked.musicxml").score.tuning == low.tuning
    high = placed(tmp_path, document(attributes(2, 4) + note("B2", 1) + note("E3", 1)), "high.musicxml")
    with_capo = open_piece(high, capo=7).score
    annotate(high, prepare(with_capo))
    again = open_piece(tmp_path / "high marked.musicxml").score
    assert again.notes["fret"].tolist() == with_capo.notes["fret"].tolist() == [0, 0]


def latin(text):
    return text.replace("UTF-8", "ISO-8859-1").replace("é", "&#233;").encode("latin-1", "xmlcharrefreplace")


def prefixed(text):
    body = re.sub(r"<(/?)([a-z-]+)", r"<\1m:\2", text.partition("-->")[2].lstrip())
    return body.replace("<m:score-partwise", '<m:score-partwise xmlns:m="http://example.org/m"').encode()


SPELLINGS = {
    "crlf": lambda t: t.replace("\n", "\r\n").encode(),
    "bom": lambda t: ("\ufeff" + t).encode(),
    "utf16": lambda t: t.replace("UTF-8", "UTF-16").encode("utf-16"),
    "latin1": latin,
    "namespace": lambda t: t.replace("<score-partwise", '<score-partwise xmlns="http://a.org/m"').encode(),
    "prefix": prefixed,
    "empty": lambda t: t.replace("<notations>", "<notations/><notations>").encode(),
    "older": lambda t: t.replace('version="4.0"', "version='3.1'", 1).encode(),
    "no-version": lambda t: t.replace('<score-partwise version="4.0">', "<score-partwise>").encode(),
    "encoding": lambda t: t.replace("<identification>", "<identification><encoding/>").encode(),
    "emptied": lambda t: IDENTIFICATION.sub("<identification/>", t).encode(),
    "none": lambda t: IDENTIFICATION.sub("", t).encode(),
}


@pytest.mark.parametrize("change", SPELLINGS.values(), ids=SPELLINGS.keys())
def test_however_the_xml_is_spelt(tmp_path, change):
    plain = prepared(SCORES[1])
    source = placed(tmp_path, change(stripped(SCORES[1].read_text("utf-8"))))
    text = annotate(source)
    assert text.startswith('<?xml version="1.0" encoding="UTF-8"?>\n<!DOCTYPE score-partwise PUBLIC')
    root = tree(text)
    assert root.get("version") == "4.0"
    software = [e.text for e in root.iter() if e.tag.endswith("software")]
    assert len(software) == 1
    assert software[0].startswith("coach ")
    assert sum(e.tag.endswith("damp") for e in root.iter()) == sum(s.wanted for s in plain.stops)
    assert "étude" in text.lower() or "&#233;" in text


def test_an_older_note_of_the_program_is_brought_up_to_date(tmp_path):
    text = annotate(placed(tmp_path, SCORES[0].read_bytes()))
    older = placed(tmp_path, re.sub("<software>coach [^<]*", "<software>coach 0.0.1", text), "older.musicxml")
    assert annotate(older) == text


def test_a_file_that_changed_meanwhile_is_not_marked(tmp_path):
    source = placed(tmp_path, SCORES[0].read_bytes())
    preparation = prepared(source)
    source.write_bytes(SCORES[1].read_bytes())
    with pytest.raises(CoachError, match="has changed since it was opened; open it again"):
        annotated_xml(source, preparation)


def test_words_of_the_score_are_kept(tmp_path):
    bar = attributes(2, 4) + words("dolce &amp; <![CDATA[<piano>]]>") + note("E2", 1) + note("A2", 1)
    text = annotate(placed(tmp_path, document(bar)))
    assert "dolce &amp; <![CDATA[<piano>]]>" in text


def test_marks_of_two_voices_are_heard_in_time_not_in_file_order(tmp_path):
    """The first voice's mark stands first in the file and comes later in the bar."""
    late = DAMP_5.replace("<direction>", '<direction placement="below">')
    bar = attributes(4, 4) + note("E4", 3, 1) + late + note("E4", 1, 1) + back(4)
    bar += note("A2", 4, 2)
    bar += back(3) + DAMP_5
    preparation = prepared(placed(tmp_path, document(bar)))
    assert [mark.onset for mark in preparation.score.damps] == [Q, 3 * Q]
    stop = preparation.stops[0]
    assert (stop.due, stop.reason) == (Q, Reason.MARKED)
