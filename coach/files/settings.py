"""What the program remembers for one person, and where the included music lies.

Settings are a small TOML file in the user's configuration folder.  It is written aside, then renamed, so
that a crash leaves the old one; a broken one is moved aside with a notice, never silently lost.
"""

from __future__ import annotations

import os
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import platformdirs
import tomli_w

from coach.core.errors import CoachError, one_line
from coach.core.pedal import Switch
from coach.core.pitch import STANDARD, Tuning, parse_name
from coach.core.profile import BY_STRING, MOST_STRINGS, Profile
from coach.files.whole_file import write_whole

APP = "coach"
PICKUP = "pickup.toml"  # what `coach calibrate` learnt, beside the settings
TOLERANCE_MS = (0.001, 10_000.0)
SCREEN_MM = (50.0, 10_000.0)  # a picture's height, from a small tablet to a hall's projection
LATENCY_MS = (0.1, 2_000.0)
TEXT_SCALE = (1.0, 2.0)  # how many times larger than must be


@dataclass(slots=True)
class Settings:
    """The remembered choices; ``save`` writes them back."""

    path: Path
    last_port: str = ""
    tolerance_ms: float | None = None
    pedal_forward: Switch | None = None  # what was learnt by `coach pedal`
    pedal_back: Switch | None = None
    pedal_port: str = ""  # the pedal's port, without numbers that change; "": the guitar's own
    screen_mm: float | None = None  # height of the screen's picture, where a person measured it
    text_scale: float = 1.0
    still: bool = False  # reduced motion: nothing slides
    sound_device: str = ""  # an output's name or part of it; "": the system's usual one
    sound_latency_ms: float | None = None  # until a sound is heard, where a person measured it
    notices: list[str] = field(default_factory=list)
    rest: dict[str, Any] = field(default_factory=dict)  # keys of other versions, kept as they are

    def save(self) -> None:
        """Write the settings.  Raises CoachError where the folder cannot be written."""
        plain = dict(self.rest)
        plain["last_port"] = self.last_port
        for key in ("tolerance_ms", "screen_mm", "sound_latency_ms"):
            if (value := getattr(self, key)) is not None:
                plain[key] = value
        for key, usual in (
            ("pedal_port", ""),
            ("text_scale", 1.0),
            ("still", False),
            ("sound_device", ""),
        ):
            if (value := getattr(self, key)) != usual:
                plain[key] = value
        for key in ("pedal_forward", "pedal_back"):
            strange = plain.pop(key, {})  # of another version, within the table
            if (switch := getattr(self, key)) is not None:
                plain[key] = {**strange, **switch.to_plain()}
        what, remedy = "the settings", "free or unlock the folder"
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise CoachError(
                str(self.path), f"{what} cannot be written ({error.strerror})", remedy
            ) from error
        write_whole(self.path, tomli_w.dumps(plain), what=what, remedy=remedy)


def load_settings(folder: Path | None = None) -> Settings:
    """Return the saved settings, or the defaults; a broken file is moved aside and named in ``notices``."""
    path = _folder(folder) / "settings.toml"
    settings = Settings(path)
    try:
        plain = tomllib.loads(path.read_text("utf-8"))
        _take(settings, plain)
    except FileNotFoundError:
        return settings
    except (OSError, ValueError) as error:
        aside = path.with_suffix(".broken.toml")
        try:
            path.replace(aside)
        except OSError:
            aside = path
        settings = Settings(path)
        settings.notices.append(
            one_line(f"{path}: {error}; the file is kept as {aside.name}, defaults are used")
        )
        return settings
    return settings


def _take(settings: Settings, plain: dict[str, Any]) -> None:
    """Move what is known from ``plain`` to the settings, and keep the rest.  ValueError for a bad value."""
    settings.last_port = _text(plain, "last_port")
    settings.pedal_port = _text(plain, "pedal_port")
    settings.tolerance_ms = _number(plain, "tolerance_ms", TOLERANCE_MS)
    settings.sound_device = _text(plain, "sound_device")
    settings.sound_latency_ms = _number(plain, "sound_latency_ms", LATENCY_MS)
    settings.screen_mm = _number(plain, "screen_mm", SCREEN_MM)
    scale = _number(plain, "text_scale", TEXT_SCALE)
    settings.text_scale = 1.0 if scale is None else scale
    settings.still = plain.pop("still", False)
    if not isinstance(settings.still, bool):
        raise ValueError("still is neither true nor false")
    settings.pedal_forward = _switch(plain, "pedal_forward")
    settings.pedal_back = _switch(plain, "pedal_back")
    settings.rest = plain


def _text(plain: dict[str, Any], key: str) -> str:
    value = plain.pop(key, "")
    if not isinstance(value, str):
        raise ValueError(f"{key} is no text")
    return value


def _number(plain: dict[str, Any], key: str, limits: tuple[float, float]) -> float | None:
    low, high = limits
    value = plain.pop(key, None)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ValueError(f"{key} is not between {low:g} and {high:,g}")
    return float(value)


def _switch(plain: dict[str, Any], key: str) -> Switch | None:
    """Return the switch of a table; keys of it that we do not know stay in ``plain``."""
    table = plain.pop(key, None)
    if table is None:
        return None
    if not isinstance(table, dict):
        raise ValueError(f"{key} is no table")
    try:
        switch = Switch.from_plain(table)
    except ValueError as error:
        raise ValueError(f"{key}: {error}") from error
    known = {"every", "on_above", "rest", *switch.to_plain()}
    if strange := {name: value for name, value in table.items() if name not in known}:
        plain[key] = strange
    return switch


def takes_folder() -> Path:
    """Return the folder that new takes go to: ``COACH_TAKES``, or one in the user's data folder."""
    chosen = os.environ.get("COACH_TAKES")
    return Path(chosen) if chosen else Path(platformdirs.user_data_dir(APP, appauthor=False)) / "takes"


def material_folders(kind: str) -> Iterator[Path]:
    """Yield the folders where included material may lie: ``kind`` is ``scores`` or ``recordings``."""
    yield Path(__file__).resolve().parents[2] / kind  # a checkout
    yield Path(sys.prefix) / "share" / APP / kind  # an installed package


def included(kind: str, name: str) -> Path:
    """Return the path of an included file.  Raises CoachError where the installation lacks it."""
    for folder in material_folders(kind):
        if (folder / name).is_file():
            return folder / name
    raise CoachError(f"{kind}/{name}", "this included file is not there", "install the program again")


def read_profile(path: Path) -> Profile:
    """Return a pickup profile from a TOML file.  Raises CoachError with one line where it is unusable."""
    try:
        return _profile_of(path.read_text("utf-8"))
    except OSError as error:
        raise CoachError(str(path), f"cannot be read ({error.strerror})", "give a profile file") from error
    except (ValueError, UnicodeDecodeError) as error:
        raise CoachError(str(path), f"is no pickup profile ({error})", "mend that line") from error


def _folder(folder: Path | None) -> Path:
    """Return the folder of the settings: the user's, unless another is given."""
    return folder or Path(platformdirs.user_config_dir(APP, appauthor=False))


def kept_profile(folder: Path | None = None) -> Profile | None:
    """Return the profile that ``coach calibrate`` learnt, from beside the settings; None where none was.

    Raises CoachError where the file is unusable: without its delays every verdict would be another.
    """
    path = _folder(folder) / PICKUP
    if not path.exists():
        return None
    try:
        return read_profile(path)
    except CoachError as error:
        remedy = "run `coach calibrate` again, or remove the file"
        raise CoachError(error.where, error.what, remedy) from error


def _profile_of(text: str) -> Profile:
    """Return the profile that TOML describes.  Raises ValueError where it describes none."""
    plain = tomllib.loads(text)
    known = {item.name: item for item in fields(Profile)}
    if unknown := [key for key in plain if key not in known]:
        raise ValueError(f"it has no entry called {unknown[0]!r}; there are: {', '.join(known)}")
    profile = Profile.from_plain(plain)
    for key in BY_STRING:
        if len(getattr(profile, key)) not in (0, profile.strings):
            raise ValueError(f"{key} has {len(getattr(profile, key))} values for {profile.strings} strings")
    return profile


def keep_profile(profile: Profile, folder: Path | None = None) -> Path:
    """Keep a learnt profile whole, the one before as ``pickup.before.toml``; return its path.

    Raises CoachError where the folder cannot be written; the old file is then as it was, and where what was
    learnt could not be read again too (ValueError: a fault of ours).
    """
    text = tomli_w.dumps(profile.to_plain())
    _profile_of(text)
    path = _folder(folder) / PICKUP
    what, remedy = "the pickup profile", "free or unlock the folder"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        before = path.read_bytes() if path.exists() else None
    except OSError as error:
        raise CoachError(str(path), f"{what} cannot be written ({error.strerror})", remedy) from error
    if before is not None:
        write_whole(path.with_name("pickup.before.toml"), before, what=what, remedy=remedy)
    write_whole(path, text, what=what, remedy=remedy)
    return path


def parse_tuning(text: str | None, capo: int | None, given: Tuning) -> Tuning:
    """Return the tuning a person asked for: pitch names, lowest string first, such as ``D2 A2 D3 G3 B3 E4``.

    None leaves what the score gives.  Raises CoachError for anything that is no tuning.
    """
    pitches = given.open_pitches
    if text is not None and text.strip().lower() == "standard":
        pitches = STANDARD.open_pitches
    elif text is not None:
        try:
            pitches = tuple(parse_name(part) for part in reversed(text.replace(",", " ").split()))
        except ValueError as error:
            raise CoachError(
                f"tuning {text!r}", str(error), "name each string, lowest first: E2 A2 D3 G3 B3 E4"
            ) from error
        if not 1 <= len(pitches) <= MOST_STRINGS or not all(20 <= p <= 90 for p in pitches):
            raise CoachError(
                f"tuning {text!r}",
                f"{len(pitches)} strings or a pitch no guitar has",
                f"name 1 to {MOST_STRINGS} strings, lowest first",
            )
    fret = given.capo if capo is None else capo
    if not 0 <= fret <= 12:
        raise CoachError(f"capo {fret}", "is not on the neck", "give a fret from 0 to 12")
    return Tuning(pitches, fret)
