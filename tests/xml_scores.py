"""Small MusicXML scores for tests, written as text."""

from __future__ import annotations

import io
import re
import zipfile

from coach.core.score import TICKS_PER_QUARTER
from coach.files.musicxml import parse_musicxml
from coach.files.score_file import ScoreFile

Q = TICKS_PER_QUARTER
GUITAR_CLEF = "<clef><sign>G</sign><line>2</line><clef-octave-change>-1</clef-octave-change></clef>"


def attributes(beats=4, unit=4, fifths=0, divisions=4, more=GUITAR_CLEF) -> str:
    return (
        f"<attributes><divisions>{divisions}</divisions><key><fifths>{fifths}</fifths></key>"
        f"<time><beats>{beats}</beats><beat-type>{unit}</beat-type></time>{more}</attributes>"
    )


def note(name: str, length: float | None, voice=1, *, inside="", before="", attrs="") -> str:
    """Return a note such as ``note("F#3", 1)``, its length in quarters of 4 divisions; or a "rest".

    ``before`` stands before the pitch (chord, grace), ``inside`` after the voice.
    """
    if name == "rest":
        what = "<rest/>"
    else:
        alter = name.count("#") - name.count("b")
        altered = f"<alter>{alter}</alter>" if alter else ""
        what = f"<pitch><step>{name[0]}</step>{altered}<octave>{name[-1]}</octave></pitch>"
    timed = "" if length is None else f"<duration>{round(length * 4)}</duration>"
    return f"<note {attrs}>{before}{what}{timed}<voice>{voice}</voice>{inside}</note>"


def chord(*names: str, length: float, voice=1) -> str:
    first, *others = names
    return note(first, length, voice) + "".join(note(n, length, voice, before="<chord/>") for n in others)


def back(length: float) -> str:
    return f"<backup><duration>{round(length * 4)}</duration></backup>"


def ahead(length: float) -> str:
    return f"<forward><duration>{round(length * 4)}</duration></forward>"


def tie(*kinds: str) -> str:
    return "".join(f'<tie type="{kind}"/>' for kind in kinds)


def tied(kind: str) -> str:
    return f'<notations><tied type="{kind}"/></notations>'


def technical(content: str) -> str:
    return f"<notations><technical>{content}</technical></notations>"


def measures(*bars: str) -> str:
    """Return numbered measures; a bar that begins with "<measure" is taken as it is."""
    return "".join(
        bar if bar.startswith("<measure") else f'<measure number="{i}">{bar}</measure>'
        for i, bar in enumerate(bars, 1)
    )


def document(*bars: str, name="Guitar", head="", more_parts="", more_list="") -> bytes:
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<score-partwise version="4.0">'
        f"{head}<part-list><score-part id='P1'><part-name>{name}</part-name></score-part>{more_list}"
        "</part-list>"
        f"<part id='P1'>{measures(*bars)}</part>{more_parts}</score-partwise>"
    ).encode()


def read(*bars: str, where="inline.musicxml", **options) -> ScoreFile:
    return parse_musicxml(document(*bars, **options), where)


def rows(found: ScoreFile) -> list[tuple]:
    """Return (onset in quarters, pitch, length in quarters) of every note."""
    return [
        (n["onset"] / TICKS_PER_QUARTER, int(n["pitch"]), n["duration"] / TICKS_PER_QUARTER)
        for n in found.score.notes
    ]


def field(found: ScoreFile, name: str) -> list:
    return found.score.notes[name].tolist()


def bar_numbers(found: ScoreFile) -> list[int]:
    return [bar.number for bar in found.score.bars]


PLAIN_CLEF = "<clef><sign>G</sign><line>2</line></clef>"
OCTAVE_DOWN = "<transpose><chromatic>0</chromatic><octave-change>-1</octave-change></transpose>"
C4 = "<pitch><step>C</step><octave>4</octave></pitch>"
FULL = note("C4", 4)  # a bar of 4/4


def words(text: str) -> str:
    return f"<direction><direction-type><words>{text}</words></direction-type></direction>"


def sound(attrs: str) -> str:
    return f"<direction><direction-type><words/></direction-type><sound {attrs}/></direction>"


def barline(content: str, location="right") -> str:
    return f'<barline location="{location}">{content}</barline>'


FORWARD = barline('<repeat direction="forward"/>', "left")
BACKWARD = barline('<repeat direction="backward"/>')


def ending(number: str, kind: str, location: str, repeat="") -> str:
    return barline(f'<ending number="{number}" type="{kind}"/>{repeat}', location)


META = "META-INF/container.xml"


def checked(line: str, where: str) -> str:
    """Return a line of refusal, having checked its form."""
    assert line.startswith(where)
    assert line.isprintable()
    assert len(line) <= 300
    assert re.fullmatch(r".+: .+; .+", line)  # where: what; remedy
    return line


def packed(files: dict[str, bytes], method=zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


def container(path: str) -> bytes:
    return f'<container><rootfiles><rootfile full-path="{path}"/></rootfiles></container>'.encode()
