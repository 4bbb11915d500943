"""A teacher's taste: which basses may ring, in a small TOML file beside the score, written by hand or here.

It is called like the score: ``tune.taste.toml`` beside ``tune.musicxml``::

    # What may ring in “A Tune”. Bars and beats as printed.
    level = "intermediate"   # optional: first-lesson, intermediate, concert

    [[free]]
    bar = 3
    beat = 1.5
    string = 6               # optional, where several basses start together

A pickup is bar 0, beats count from 1 in the meter's lower figure.  What else the file holds, remarks
included, is kept when it is written again.  A file that is laid out in another way, such as
``free = [{bar = 3, beat = 1}]``, is then laid out like this one; its old text, if it has remarks, is kept
behind ``#`` at the top.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeGuard

import tomli_w

from coach.core.errors import CoachError, one_line
from coach.core.levels import LEVELS
from coach.core.score import Score
from coach.core.words import beat_name
from coach.files.toml_file import BYTE_ORDER, parse_toml, text_of_file
from coach.files.whole_file import write_whole
from coach.files.xml_marks import CIRCLED, string_number

SUFFIX = ".taste.toml"
NEAR = 0.01  # beats within which two places are one: a third of a beat may be written 1.33
MOST_STRINGS = 12

AS_BEFORE = "# The file as it was before it was laid out anew:"
UNLOCK = "free or unlock the folder"
NO_BASS = "The taste file lets {place} ring, but no bass starts there."

_FRACTIONS = {"¼": 0.25, "½": 0.5, "¾": 0.75, "⅓": 1 / 3, "⅔": 2 / 3}
_BEAT = re.compile(rf"(\d{{1,3}})(\.\d{{1,6}}|[{''.join(_FRACTIONS)}])?", re.ASCII)
_PLACE = re.compile(rf"\s*(\d{{1,5}})\s*:\s*([^@\s]+)\s*(?:@\s*(\d{{1,2}}|[{CIRCLED}])\s*)?")
_TABLE = re.compile(r"\s*\[")
_FREE_TABLE = re.compile(r"\s*\[\[\s*free\s*\]\]\s*(#.*)?")
_LEVEL = re.compile(r"\s*level\s*=[^#]*")


@dataclass(frozen=True, slots=True)
class FreeMark:
    """A place where a bass may ring: all basses that start there, or the one on ``string``."""

    bar: int  # as printed; a pickup is 0
    beat: float  # from 1, in the meter's lower figure
    string: int | None = None

    def same_place(self, other: FreeMark) -> bool:
        """Return whether two marks are of the same bar and beat."""
        return self.bar == other.bar and abs(self.beat - other.beat) <= NEAR

    def words(self) -> str:
        """Return ``bar 3 beat 1½``, with the string if it is named."""
        on = f" on string {self.string}" if self.string is not None else ""
        return f"bar {self.bar} beat {beat_name(self.beat)}{on}"


@dataclass(frozen=True, slots=True)
class Taste:
    """What a teacher chose for one piece."""

    level: str | None = None  # a token of coach.core.levels.LEVELS
    free: tuple[FreeMark, ...] = ()


def taste_path(score_path: Path) -> Path:
    """Return where the taste for a score is kept."""
    return score_path.with_name(score_path.stem + SUFFIX)


def read_taste(score_path: Path) -> Taste:
    """Return the taste kept beside a score; an empty one where there is no file.

    Raises CoachError, one line, for a file that cannot be read, naming its line or entry.
    """
    path = taste_path(score_path)
    text = text_of_file(path)
    return _taste(parse_toml(text, path), path) if text is not None else Taste()


def write_taste(score_path: Path, taste: Taste, *, title: str = "") -> Path:
    """Write the taste beside its score, keeping whatever else its file holds; return the file's path.

    ``title`` names the piece in the first line of a new file.  Raises CoachError where the file there is
    broken, or none can be written.  A link stays, and what it leads to is written.
    """
    path = taste_path(score_path)
    text = text_of_file(path)
    mark = BYTE_ORDER if text and text.startswith(BYTE_ORDER) else ""
    if text is None:
        text = f"# What may ring in “{one_line(title or score_path.stem)}”. Bars and beats as printed.\n"
    text = text.removeprefix(BYTE_ORDER)
    plain = parse_toml(text, path)
    _taste(plain, path)  # a broken file is mended by its owner, not written over
    wanted = _changed(plain, taste)
    new = _edited(text, taste, plain)
    try:
        fits = tomllib.loads(new) == wanted
    except tomllib.TOMLDecodeError:
        fits = False
    if not fits:  # laid out in a way that cannot be edited line by line
        new = _remarks(text) + _laid_out(wanted)
    if "\r\n" in text:
        new = new.replace("\r\n", "\n").replace("\n", "\r\n")
    write_whole(path, mark + new, what="the taste file", remedy=UNLOCK)
    return path


def with_free(taste: Taste, mark: FreeMark) -> Taste:
    """Return the taste with a bass let ring."""
    if any(old.same_place(mark) and old.string in (None, mark.string) for old in taste.free):
        return taste
    return replace(taste, free=(*taste.free, mark))


def without_free(taste: Taste, mark: FreeMark) -> Taste:
    """Return the taste with a stop asked for again.

    A mark that names no string is taken back whatever string is asked for; without a string all at the
    place are.
    """
    kept = tuple(
        old
        for old in taste.free
        if not (old.same_place(mark) and (mark.string is None or old.string in (None, mark.string)))
    )
    return replace(taste, free=kept)


def free_written(taste: Taste, score: Score) -> tuple[frozenset[int], tuple[str, ...]]:
    """Return the written-note indices of the basses that may ring, and notices about marks of no bass."""
    starts: dict[int, list[tuple[float, int, int]]] = {}  # bar number -> beat, string, written note
    for note in score.notes[score.notes["bass"] & ~score.notes["grace"]]:
        bar = int(note["bar"])
        place = score.beat(int(note["onset"]), bar), int(note["string"]), int(note["written"])
        starts.setdefault(score.bars[bar].number, []).append(place)
    found: set[int] = set()
    notices: list[str] = []
    for mark in taste.free:
        here = [
            written
            for beat, string, written in starts.get(mark.bar, [])
            if abs(beat - mark.beat) <= NEAR and mark.string in (None, string)
        ]
        found.update(here)
        if not here:
            notices.append(NO_BASS.format(place=mark.words()))
    return frozenset(found), tuple(notices)


def parse_place(text: str) -> FreeMark:
    """Return the place that ``3:1``, ``3:1½``, ``3:1.5`` or ``3:1@6`` (bar, beat, string) names.

    Raises CoachError for anything else.
    """
    found = _PLACE.fullmatch(text)
    beat = parse_beat(found.group(2)) if found else None
    string = string_number(found.group(3)) if found and found.group(3) else None
    if found is None or beat is None or not (string is None or 1 <= string <= MOST_STRINGS):
        remedy = "write BAR:BEAT or BAR:BEAT@STRING, such as 3:1, 3:2½ or 3:1@6"
        raise CoachError(f"place “{text[:40]}”", "this names no bar and beat", remedy)
    return FreeMark(int(found.group(1)), beat, string)


def parse_beat(text: str) -> float | None:
    """Return the beat that ``1``, ``1.5`` or ``1½`` names, None for anything else or a beat before 1."""
    found = _BEAT.fullmatch(text)
    if found is None:
        return None
    part = found.group(2) or ""
    beat = int(found.group(1)) + (_FRACTIONS[part] if part in _FRACTIONS else float(f"0{part}"))
    return beat if beat >= 1 else None


def _remarks(text: str) -> str:
    """Return all lines of a text as remarks, or nothing where it has none."""
    if "#" not in text:
        return ""
    lines = text.replace("\r\n", "\n").removesuffix("\n").split("\n")
    old = "".join((line if line.startswith("#") else f"# {line}".rstrip()) + "\n" for line in lines)
    return old + "\n" if old.startswith(AS_BEFORE) else f"{AS_BEFORE}\n{old}\n"


def _laid_out(wanted: dict[str, Any]) -> str:
    """Return a file's contents with each place in a table of its own."""
    rest = tomli_w.dumps({key: value for key, value in wanted.items() if key != "free"})
    text = rest + "".join(f"\n[[free]]\n{tomli_w.dumps(entry)}" for entry in wanted.get("free", []))
    try:
        return text if tomllib.loads(text) == wanted else tomli_w.dumps(wanted)
    except tomllib.TOMLDecodeError:  # tables within the places
        return tomli_w.dumps(wanted)


def _taste(plain: dict[str, Any], path: Path) -> Taste:
    """Return what the file says; keys of other versions, or of its owner, are passed over."""
    level = plain.get("level")
    if level is not None and not (isinstance(level, str) and level in LEVELS):
        raise CoachError(str(path), f"level = {level!r} is none", f"choose {', '.join(LEVELS)}")
    free = plain.get("free", [])
    if not isinstance(free, list):
        raise CoachError(str(path), "“free” is no list of places", "begin each place with a line [[free]]")
    return Taste(level, tuple(_mark(entry, number, path) for number, entry in enumerate(free, 1)))


def _mark(entry: Any, number: int, path: Path) -> FreeMark:
    where = f"{path}, [[free]] number {number}"
    if not isinstance(entry, dict):
        raise CoachError(where, "this is no place", "give it bar = 3 and beat = 1")
    bar, beat, string = entry.get("bar"), entry.get("beat"), entry.get("string")
    if not _is_whole(bar) or not 0 <= bar <= 99_999:
        raise CoachError(
            where, f"bar = {bar!r} is no bar" if "bar" in entry else "it has no bar", "give bar = 3"
        )
    beat = parse_beat(beat) if isinstance(beat, str) else beat
    if not isinstance(beat, int | float) or isinstance(beat, bool) or not 1 <= beat < 1000:
        what = f"beat = {entry['beat']!r} is no beat" if "beat" in entry else "it has no beat"
        raise CoachError(where, what, "give beat = 1.5, counted from 1")
    if string is not None and not (_is_whole(string) and 1 <= string <= MOST_STRINGS):
        raise CoachError(where, f"string = {string!r} is no string", "give its number; 6 is the low E")
    return FreeMark(bar, float(beat), string)


def _is_whole(value: object) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool)


def _kept(plain: dict[str, Any], taste: Taste) -> tuple[list[bool], list[FreeMark]]:
    """Return which marks of the file stay, and which are new."""
    left = list(taste.free)
    stays: list[bool] = []
    for number, entry in enumerate(plain.get("free", []), 1):
        mark = _mark(entry, number, Path())
        stays.append(mark in left)
        if stays[-1]:
            left.remove(mark)
    return stays, left


def _changed(plain: dict[str, Any], taste: Taste) -> dict[str, Any]:
    """Return the file's contents with the taste put in."""
    stays, new = _kept(plain, taste)
    marks = [entry for entry, stay in zip(plain.get("free", []), stays, strict=True) if stay]
    marks += [_entry(mark) for mark in new]
    changed = {key: value for key, value in plain.items() if key not in ("level", "free")}
    if taste.level is not None:
        changed = {"level": taste.level, **changed}
    return {**changed, "free": marks} if marks else changed


def _entry(mark: FreeMark) -> dict[str, Any]:
    entry: dict[str, Any] = {"bar": mark.bar, "beat": mark.beat}
    return entry if mark.string is None else {**entry, "string": mark.string}


def _edited(text: str, taste: Taste, plain: dict[str, Any]) -> str:
    """Return the file's text with only the lines changed that have to."""
    stays, new = _kept(plain, taste)
    lines = text.replace("\r\n", "\n").split("\n")  # no other sign ends a line of TOML
    while lines and not lines[-1]:
        lines.pop()
    if taste.level != plain.get("level"):
        lines = _with_level(lines, taste.level)
    kept: list[str] = []
    number = -1
    dropping = False
    for line in lines:
        if _FREE_TABLE.fullmatch(line):
            number += 1
            dropping = number < len(stays) and not stays[number]
        elif _TABLE.match(line):
            dropping = False
        if not dropping or not line.strip() or line.lstrip().startswith("#"):
            kept.append(line)
    for mark in new:
        kept += ["", "[[free]]", *tomli_w.dumps(_entry(mark)).splitlines()]
    return "\n".join(kept).rstrip("\n") + "\n"


def _with_level(lines: list[str], level: str | None) -> list[str]:
    """Return the lines with another level, or none; the remark behind it stays."""
    first = next((i for i, line in enumerate(lines) if _TABLE.match(line)), len(lines))
    at = next((i for i, line in enumerate(lines[:first]) if _LEVEL.match(line)), -1)
    said = [f'level = "{level}"'] if level is not None else []
    if at < 0:
        at = next((i for i, line in enumerate(lines) if not line.startswith("#")), len(lines))
        return lines[:at] + said + lines[at:]
    remark = _LEVEL.sub("", lines[at], count=1).strip()
    return lines[:at] + ["  ".join((*said, remark)).strip()] * bool(said or remark) + lines[at + 1 :]
