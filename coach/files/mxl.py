"""The compressed MusicXML container (.mxl): a ZIP archive whose META-INF/container.xml names the score.

Nothing is ever unpacked to disk, and nothing is inflated past a bound, whatever sizes the archive claims.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib

from coach.core.errors import ScoreError
from coach.files.limits import MAX_FILE_BYTES, MAX_MXL_BYTES
from coach.files.xml_tree import parse_tree

ZIP_MARK = b"PK\x03\x04"
CONTAINER = "META-INF/container.xml"
EXPORT_AGAIN = "export it again, as .musicxml if it can be"
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, NotImplementedError, struct.error)


def unpack(data: bytes, where: str) -> bytes:
    """Return the bytes of the score in a .mxl archive.

    Raises ScoreError for a damaged, encrypted, boundless or score-less archive.
    """
    if len(data) > MAX_MXL_BYTES:
        raise ScoreError(where, f"more than {MAX_MXL_BYTES // 2**20} MB", "give a score for one guitar")
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except _BROKEN:
        raise ScoreError(where, "the .mxl archive is damaged or breaks off", EXPORT_AGAIN) from None
    with archive:
        names = archive.namelist()
        for name in names:
            if _leaves_folder(name):
                raise ScoreError(
                    where, f"the archive names a file outside itself (“{name[:80]}”)", "do not trust it"
                )
        return _read(archive, _score_name(archive, names, where), where)


def _score_name(archive: zipfile.ZipFile, names: list[str], where: str) -> str:
    """Return the name of the score within the archive."""
    if CONTAINER in names:
        root = parse_tree(_read(archive, CONTAINER, where), f"{where} ({CONTAINER})")
        for rootfile in root.iter("rootfile"):
            kind = rootfile.get("media-type", "")
            if not kind or "musicxml" in kind or kind.endswith("/xml"):
                name = rootfile.get("full-path", "")
                if name not in names:
                    raise ScoreError(where, f"the archive lacks its score “{name[:80]}”", EXPORT_AGAIN)
                return name
        raise ScoreError(where, f"{CONTAINER} names no score", EXPORT_AGAIN)
    scores = [n for n in names if n.lower().endswith((".musicxml", ".xml")) and "META-INF" not in n]
    if len(scores) != 1:
        raise ScoreError(
            where, f"the archive has no {CONTAINER} to say which file is the score", EXPORT_AGAIN
        )
    return scores[0]


def _read(archive: zipfile.ZipFile, name: str, where: str) -> bytes:
    """Return one file of the archive, inflated to at most MAX_FILE_BYTES."""
    info = archive.getinfo(name)
    if info.flag_bits & 1:
        raise ScoreError(where, "the archive is encrypted", "save it without a password")
    # Other methods inflate a whole block before any bound can act; MusicXML allows only these two.
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise ScoreError(where, "the archive uses a compression MusicXML does not know", EXPORT_AGAIN)
    try:
        with archive.open(info) as file:
            data = file.read(MAX_FILE_BYTES + 1)
    except _BROKEN:
        raise ScoreError(where, f"“{name[:80]}” in the archive is damaged", EXPORT_AGAIN) from None
    if len(data) > MAX_FILE_BYTES:
        what = f"“{name[:80]}” unpacks to more than {MAX_FILE_BYTES // 2**20} MB"
        raise ScoreError(where, what, "give a score for one guitar")
    return data


def _leaves_folder(name: str) -> bool:
    """Return whether a file of this name would land outside the archive's own folder."""
    parts = name.replace("\\", "/").split("/")
    return name.startswith(("/", "\\")) or ".." in parts or (len(parts[0]) > 1 and parts[0][1] == ":")
