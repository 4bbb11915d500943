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
from coach.core.pitch import STANDARD, Tuning, parse_name
from coach.core.profile import MOST_STRINGS, Profile
from coach.files.whole_file import write_whole

APP = "coach"


@dataclass(slots=True)
class Settings:
    """The remembered choices; ``save`` writes them back."""

    path: Path
    last_port: str = ""
    tolerance_ms: float | None = None
    notices: list[str] = field(default_factory=list)
    rest: dict[str, Any] = field(default_factory=dict)  # keys of other versions, kept as they are

    def save(self) -> None:
        """Write the settings.  Raises CoachError where the folder cannot be written."""
        plain = dict(self.rest)
        plain["last_port"] = self.last_port
        if self.tolerance_ms is not None:
            plain["tolerance_ms"] = self.tolerance_ms
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
    path = (folder or Path(platformdirs.user_config_dir(APP, appauthor=False))) / "settings.toml"
    settings = Settings(path)
    try:
        plain = tomllib.loads(path.read_text("utf-8"))
        if not isinstance(plain.get("last_port", ""), str):
            raise ValueError("last_port is no text")
        tolerance = plain.get("tolerance_ms")
        if tolerance is not None and not (isinstance(tolerance, int | float) and 0 < tolerance < 10_000):
            raise ValueError("tolerance_ms is not between 0 and 10,000")
    except FileNotFoundError:
        return settings
    except (OSError, ValueError) as error:
        aside = path.with_suffix(".broken.toml")
        try:
            path.replace(aside)
        except OSError:
            aside = path
        settings.notices.append(
            one_line(f"{path}: {error}; the file is kept as {aside.name}, defaults are used")
        )
        return settings
    settings.last_port = plain.pop("last_port", "")
    settings.tolerance_ms = float(tolerance) if tolerance is not None else None
    plain.pop("tolerance_ms", None)
    settings.rest = plain
    return settings


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
        plain = tomllib.loads(path.read_text("utf-8"))
        known = {item.name: item for item in fields(Profile)}
        if unknown := [key for key in plain if key not in known]:
            raise ValueError(f"it has no entry called {unknown[0]!r}; there are: {', '.join(known)}")
        profile = Profile.from_plain(plain)
        for key in ("on_delay_ms", "off_delay_ms", "fade_s"):
            if len(getattr(profile, key)) not in (0, profile.strings):
                raise ValueError(
                    f"{key} has {len(getattr(profile, key))} values for {profile.strings} strings"
                )
        return profile
    except OSError as error:
        raise CoachError(str(path), f"cannot be read ({error.strerror})", "give a profile file") from error
    except (ValueError, UnicodeDecodeError) as error:
        raise CoachError(str(path), f"is no pickup profile ({error})", "mend that line") from error


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
