"""Where a player stood on the ladder of a piece: a small JSON file for each piece, beside the takes."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from coach.core.errors import CoachError, one_line
from coach.files.settings import takes_folder
from coach.files.whole_file import write_whole

FORMAT = 1
DAMAGED = "the file is damaged"


def ladder_path(digest: str, folder: Path | None = None) -> Path:
    """Return the file of the score with a digest."""
    name = re.sub(r"[^0-9a-f]", "", digest.lower())[:16] or "no-digest"
    return (folder or takes_folder()) / "ladders" / f"{name}.json"


def read_ladder(path: Path) -> tuple[Any, str]:
    """Return what was kept, None where there is nothing; and a notice, "" where all is well.

    A broken file is moved aside, never silently lost.
    """
    try:
        plain = json.loads(path.read_text("utf-8"))
        if not isinstance(plain, dict) or plain.get("format") != FORMAT:
            raise ValueError("it is no ladder of this version")
        return plain.get("drill"), ""
    except FileNotFoundError:
        return None, ""
    except (json.JSONDecodeError, UnicodeDecodeError, RecursionError):
        return None, set_aside(path, DAMAGED)
    except (OSError, ValueError) as error:
        return None, set_aside(path, str(error))


def set_aside(path: Path, why: str) -> str:
    """Move a file that cannot be used aside; return the notice."""
    aside = path.with_suffix(".broken.json")
    try:
        path.replace(aside)
    except OSError:
        aside = path
    return one_line(f"{path}: {why}; it is kept as {aside.name}, the ladder begins at its foot")


def write_ladder(path: Path, drill: object, title: str) -> None:
    """Keep where a player stands.  Raises CoachError where the folder cannot be written."""
    what, remedy = "where you stand on the ladder", "free or unlock the folder"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CoachError(str(path), f"{what} cannot be written ({error.strerror})", remedy) from None
    plain = {"format": FORMAT, "title": title, "drill": drill}
    write_whole(path, json.dumps(plain, indent=1) + "\n", what=what, remedy=remedy)
