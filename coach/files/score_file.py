"""A score as read from a file, of whatever format."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from coach.core.errors import ScoreError, one_line
from coach.core.score import Score
from coach.files.limits import MAX_FILE_BYTES

MIDI_MARK = b"MThd"
LONGEST_NAME = 160  # characters of a name in a message
SUFFIXES = (".musicxml", ".xml", ".mxl", ".mid", ".midi")


@dataclass(frozen=True)
class ScoreFile:
    """A score and how it was come by.

    ``xml``: our own MusicXML for the engraver, in written order, with the ids of ``score`` ("" where there
    is none).  ``notices``: plain sentences about what was assumed.
    """

    score: Score
    xml: str
    notices: tuple[str, ...] = ()


def read_score(path: Path) -> ScoreFile:
    """Read a score: MusicXML (plain or compressed) or a Standard MIDI File, told apart by content.

    Raises ScoreError, one line, for anything that cannot be read as a score.
    """
    data = read_bytes(path)
    if is_midi(path, data):
        from coach.files.smf import read_smf_score  # here, so that a MusicXML score never loads it

        return read_smf_score(path)
    from coach.files.musicxml import parse_musicxml

    return parse_musicxml(data, str(path))


def is_midi(path: Path, data: bytes) -> bool:
    """Return whether a score file's bytes are to be read as a Standard MIDI File."""
    return data.startswith(MIDI_MARK) or (
        path.suffix.lower() in (".mid", ".midi") and not data.startswith(b"<")
    )


def read_bytes(path: Path) -> bytes:
    """Return the bytes of a score file of bounded size.

    Raises ScoreError where there is no such file, or it cannot or should not be read.
    """
    where = str(path)
    try:
        if path.is_dir():
            raise ScoreError(where, "this is a folder", "name a score file in it")
        if path.exists() and not path.is_file():
            raise ScoreError(where, "this is no regular file", "name a score file")
        with path.open("rb") as file:
            data = file.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError:
        raise ScoreError(where, "there is no such file", "check the name") from None
    except (OSError, ValueError) as fault:  # ValueError: a name with a NUL
        why = getattr(fault, "strerror", None) or "the name is no file name"
        where = one_line(where, LONGEST_NAME)
        raise ScoreError(where, f"it cannot be opened ({why})", "check its name and permissions") from None
    if len(data) > MAX_FILE_BYTES:
        raise ScoreError(where, f"more than {MAX_FILE_BYTES // 2**20} MB", "give a score for one guitar")
    return data
