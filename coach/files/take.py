"""A recorded take: every message of the port with its time, and what it was played under.

A take of ours is a Standard MIDI File of type 1.  Track 0 holds the title, one text meta of JSON (the
fields of ``TakeMeta``), tempo, meter and key; track 1 the raw messages.  Any other file of type 0 or 1, such
as a converter's own recording, is read as a take too: all tracks merged, metas left out.

While a take is being recorded its last track has no end-of-track meta and its length lags behind
(``recording.py``).  Such a file, cut off by a crash, is read up to its last whole event and never modified.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from datetime import datetime
from itertools import chain
from operator import itemgetter
from pathlib import Path
from typing import Any

from coach import __version__
from coach.core.errors import TakeError, one_line
from coach.core.profile import Profile
from coach.files import smf_bytes
from coach.files.smf_bytes import TAKE_LIMITS, Smf, TempoMap

FORMAT = 1
LONGEST_US = 24 * 3600 * 1_000_000
_LONGEST_JSON = 64 << 10  # bytes; ours are under 2 KiB


@dataclass(frozen=True, slots=True)
class TakeMeta:
    """What a take was played under.  A raw file has the defaults."""

    format: int = FORMAT
    program: str = f"coach {__version__}"  # the program that recorded it; "" for a raw file
    title: str = ""
    digest: str = ""  # SHA-256 of the score's file, hex; "" where no score is known
    profile: Profile = field(default_factory=Profile)
    tolerances: dict[str, float] = field(default_factory=dict)  # units in the names
    level: str = ""  # how much was asked for, a token of core/levels; "" where not said
    free: tuple[int, ...] = ()  # written notes that taste let ring, indices into Score.ids
    chunk: tuple[int, int] | None = None  # first and last bar practised; None for the whole piece
    part: str = ""  # of a step of the ladder, a token of core/ladder.Part; "" for all that is written
    lands: int = -1  # tick of the note that a step is played on to
    upbeat: int = 0  # ticks by which a step starts before its first bar
    speed: float | None = None  # share of the written tempo that was asked for; None: none was
    click_qpm: float | None = None  # quarter notes a minute; None without a click
    click_us: int | None = None  # when the click's first beat of the music was heard; None without a click
    tick_us: int = 0  # length of a tick: every time is a multiple; 0 for a raw file
    started: str = ""  # local date and time, ISO 8601; "" where not known

    def to_json(self) -> str:
        """Return the fields as one line of ASCII."""
        plain: dict[str, Any] = {name: getattr(self, name) for name in self.__slots__}
        plain["profile"] = self.profile.to_plain()
        return json.dumps(plain, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class Take:
    """One recording.  Times are µs from the session's start, never decreasing."""

    messages: tuple[tuple[int, bytes], ...]  # (time_us, the bytes as they came from the port)
    meta: TakeMeta
    end_us: int  # when the recording was ended; the last message's time where it was cut off
    complete: bool = True  # False when the recording was cut off
    notices: tuple[str, ...] = ()  # lines for the person at the keyboard


def read_take(path: Path | str) -> Take:
    """Return the take in a file: one of ours, whole or cut off, or any Standard MIDI File.

    Raises TakeError, one line, when the file cannot be read as one.
    """
    path = Path(path)
    where = str(path)
    data = smf_bytes.read_bytes(path, TAKE_LIMITS, TakeError)
    smf = smf_bytes.parse_smf(data, where, TAKE_LIMITS, TakeError)
    meta, notices = _find_meta(smf, where)
    if meta is None:
        if smf.fault is not None:
            raise smf.fault
        return _make(smf, TakeMeta(program="", title=_title(smf)), where, "", notices)
    return _make(smf, meta, where, _mend(smf, data), notices)


def read_raw_take(path: Path | str) -> Take:
    """Return a converter's recording: type 0 or 1, all tracks merged, times by its tempo map.

    The same as ``read_take``: a file says by itself whether it is one of ours.
    """
    return read_take(path)


def _mend(smf: Smf, data: bytes) -> str:
    """Read an unfinished last track to the end of the file; return how the take was cut off, or "".

    The length an unfinished track states is behind the events, so it is not believed.
    """
    last = smf.tracks[-1]
    if last.finished and smf.fault is None:
        return ""
    if last.number == 1:
        return "The take was cut off at its start"
    smf.tracks.pop()
    room = TAKE_LIMITS.events
    # No running status: the recorder writes none, and the zeros that a power cut leaves would be notes.
    fault = smf_bytes.read_track(data, last.start, len(data), last.number, room, smf.tracks, running=False)
    smf.fault = None
    last = smf.tracks[-1]
    if last.finished and not fault:  # stopped between the last event and the last length
        return ""
    left = len(data) - last.stop
    # Behind the last whole event a crash leaves a part of one; more than that is damage of another kind.
    return "The take was cut off" + (f" ({left} bytes at its end make no message)" if left > 64 else "")


def _make(smf: Smf, meta: TakeMeta, where: str, cut: str, notices: list[str]) -> Take:
    """Return the take of all tracks merged; simultaneous messages keep the tracks' order."""
    tempo = TempoMap(smf)
    end_tick = max(track.end_tick for track in smf.tracks)
    end_us = tempo.us(end_tick)
    if end_us > LONGEST_US:
        raise TakeError(where, f"it lasts {end_us / 3.6e9:.0f} hours, more than 24", "give a shorter take")
    playing = [track.events for track in smf.tracks if track.events]
    events = playing[0] if len(playing) == 1 else sorted(chain(*playing), key=itemgetter(0))
    division = smf.division
    if len(tempo.changes) == 1:  # the common case, spelt out for speed
        twice, whole = 2 * tempo.changes[0][1], 2 * division
        messages = tuple([((tick * twice + division) // whole, data) for tick, data in events])
    else:
        messages = tuple([(tempo.us(tick), data) for tick, data in events])
    if cut:
        end_us = messages[-1][0] if messages else 0
        minutes, seconds = divmod(end_us // 1_000_000, 60)
        notices.append(f"{cut}: all {len(messages)} messages up to {minutes:02}:{seconds:02} are here")
    return Take(messages, meta, end_us, complete=not cut, notices=tuple(notices))


def _title(smf: Smf) -> str:
    """Return the first track's name, or ""."""
    names = [m[2] for m in smf.tracks[0].metas if m[1] == smf_bytes.TRACK_NAME] if smf.tracks else []
    return one_line(names[0][:200].decode("utf-8", "replace")) if names else ""


def _find_meta(smf: Smf, where: str) -> tuple[TakeMeta | None, list[str]]:
    """Return what our JSON in the first track says, and notices; None when there is none.

    Raises TakeError when a later version of the program wrote it.
    """
    texts = [m[2] for m in smf.tracks[0].metas if m[1] == smf_bytes.TEXT] if smf.tracks else []
    for text in texts:
        if text.startswith(b'{"format":') and b'"profile":' in text and len(text) <= _LONGEST_JSON:
            try:
                plain = json.loads(text)
            except (ValueError, RecursionError):
                what = (
                    "What the take says of itself is damaged: defaults are used, and the score must be named"
                )
                return TakeMeta(title=_title(smf)), [what]
            if isinstance(plain["format"], int) and plain["format"] > FORMAT:
                what = f"its format is {plain['format']}, and this program knows {FORMAT}"
                raise TakeError(where, what, "use the version that recorded it, or a later one")
            return _from_plain(plain)
    return None, []


def _from_plain(plain: dict[str, Any]) -> tuple[TakeMeta, list[str]]:
    """Return the fields that are of the right kind; the others keep their defaults, with a notice."""
    values: dict[str, Any] = {}
    notices = []
    for name, read in _READERS.items():
        if name in plain:
            try:
                values[name] = read(plain[name])
            except (ValueError, TypeError, OverflowError) as fault:
                notices.append(one_line(f"The take's {name} cannot be used ({fault}): the default is taken"))
    return TakeMeta(**values), notices


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError("not text")
    return one_line(value)


def _started(value: object) -> str:
    text = _text(value)
    if text:
        datetime.fromisoformat(text)
    return text


def _count(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 1 << 31:
        raise ValueError("not a whole number")
    return value


def _figure(value: object) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
        raise ValueError("not a number")
    return float(value)


def _profile(value: object) -> Profile:
    if not isinstance(value, dict):
        raise ValueError("not a group of settings")
    return Profile.from_plain(value)


def _tolerances(value: object) -> dict[str, float]:
    if not isinstance(value, dict):
        raise ValueError("not a group of numbers")
    return {one_line(name): _figure(number) for name, number in value.items()}


def _written(value: object) -> tuple[int, ...]:
    if not isinstance(value, list):
        raise ValueError("not a list of notes")
    return tuple(_count(item) for item in value)


def _chunk(value: object) -> tuple[int, int] | None:
    if value is None:
        return None
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("not two bar numbers")
    first, last = _count(value[0]), _count(value[1])
    if first > last:
        raise ValueError("its first bar comes after its last")
    return first, last


def _tick(value: object) -> int:
    return -1 if value == -1 else _count(value)


def _speed(value: object) -> float | None:
    if value is None:
        return None
    speed = _figure(value)
    if not 0 < speed <= 10:
        raise ValueError("not from 0 to 10 times the tempo")
    return speed


def _moment(value: object) -> int | None:
    if value is None:
        return None
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) > LONGEST_US:
        raise ValueError("no moment of a take")
    return value


def _click(value: object) -> float | None:
    if value is None:
        return None
    qpm = _figure(value)
    if not 0 < qpm <= 1000:
        raise ValueError("not from 0 to 1000 quarter notes a minute")
    return qpm


_READERS = {
    "format": _count,
    "program": _text,
    "title": _text,
    "digest": _text,
    "profile": _profile,
    "tolerances": _tolerances,
    "level": _text,
    "free": _written,
    "chunk": _chunk,
    "part": _text,
    "lands": _tick,
    "upbeat": _count,
    "speed": _speed,
    "click_qpm": _click,
    "click_us": _moment,
    "tick_us": _count,
    "started": _started,
}
