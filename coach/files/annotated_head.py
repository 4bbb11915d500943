"""What a marked score says at its head: how the strings are tuned, and which program wrote it."""

from __future__ import annotations

from coach import __version__
from coach.core.errors import CoachError
from coach.core.pitch import SHARP_NAMES, Tuning
from coach.core.score import Score
from coach.files.annotated_notes import first_child
from coach.files.musicxml import Document, read_document, score_of
from coach.files.written import Notices
from coach.files.xml_splice import Splicer
from coach.files.xml_tree import text_of

PROGRAM = f"coach {__version__}"
FEWER_STRINGS = "MusicXML has no sign for a guitar of {strings} strings only", "name a pitch for every string"
MOVED = (
    "with this tuning the strings and frets in the score would move its notes",
    "leave out --tuning and --capo, or take strings and frets out of the score",
)
UNSAID = "MusicXML cannot say this tuning", "leave out --tuning and --capo"
_AFTER_IDENTIFICATION = ("defaults", "credit", "part-list")
_AFTER_ENCODING = ("source", "relation", "miscellaneous")
_MOVING = ("note", "backup", "forward")


def write_tuning(splicer: Splicer, document: Document, tuning: Tuning, where: str) -> bool:
    """State the tuning where it is not the file's own; return whether that was so.

    Raises CoachError for fewer strings than the file's.
    """
    own = document.tuning
    sounding = open_strings(tuning)
    if sounding == open_strings(own):
        return False
    if tuning.strings < own.strings:
        what, remedy = FEWER_STRINGS
        raise CoachError(where, what.format(strings=tuning.strings), remedy)
    accords = "".join(
        f'<accord string="{string}">{_pitch(sounding[string - 1] - own.capo)}</accord>'
        for string in range(tuning.strings, 0, -1)
    )
    direction = (
        f'<direction placement="above"><direction-type><scordatura>{accords}</scordatura>'
        "</direction-type></direction>"
    )
    first = next(bar.element for bar in document.part.bars if bar.notes)
    moving = first_child(first, _MOVING)
    if moving is not None:
        splicer.before(moving, direction)
    return True


def check_tuning(text: str, score: Score, tuning: Tuning, where: str) -> None:
    """Read a marked file again.  Raises CoachError unless it has the tuning, and the pitches of ``score``."""
    document = read_document(text.encode("utf-8"), Notices(where))
    if open_strings(document.tuning) != open_strings(tuning):
        raise CoachError(where, *UNSAID)
    if score_of(document, Notices(where)).notes["pitch"].tolist() != score.notes["pitch"].tolist():
        raise CoachError(where, *MOVED)


def open_strings(tuning: Tuning) -> list[int]:
    """Return the sounding pitches of the open strings, string 1 first."""
    return [tuning.open_pitch(string) for string in range(1, tuning.strings + 1)]


def _pitch(pitch: int) -> str:
    name = SHARP_NAMES[pitch % 12]
    alter = "<tuning-alter>1</tuning-alter>" if len(name) > 1 else ""
    return f"<tuning-step>{name[0]}</tuning-step>{alter}<tuning-octave>{pitch // 12 - 1}</tuning-octave>"


def write_program(splicer: Splicer, document: Document) -> None:
    """Name the program among those that made the file."""
    root = document.root
    software = f"<software>{PROGRAM}</software>"
    ours = [e for e in root.iterfind("identification/encoding/software") if text_of(e).startswith("coach ")]
    if ours:
        splicer.put_text(ours[0], PROGRAM)
        return
    identification, encoding = root.find("identification"), root.find("identification/encoding")
    if encoding is not None:
        splicer.append(encoding, software)
    elif identification is not None:
        following = first_child(identification, _AFTER_ENCODING)
        written = f"<encoding>{software}</encoding>"
        if following is not None:
            splicer.before(following, written)
        else:
            splicer.append(identification, written)
    else:
        following = first_child(root, (*_AFTER_IDENTIFICATION, "part"))
        if following is not None:
            splicer.before(following, f"<identification><encoding>{software}</encoding></identification>")
