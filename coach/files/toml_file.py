"""A small TOML file that people write by hand, read within bounds."""

from __future__ import annotations

import errno
import stat
import tomllib
from pathlib import Path
from typing import Any

from coach.core.errors import CoachError

MOST_BYTES = 1 << 20
MOST_NESTED = 20  # arrays and tables inside one another
BYTE_ORDER = "\ufeff"  # some editors begin UTF-8 with it


def text_of_file(path: Path) -> str | None:
    """Return the text of a file, its line ends as they are; None where there is none.

    Raises CoachError for one that is no text, too large, or cannot be read.
    """
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise CoachError(str(path), "this is no regular file", "move it out of the way")
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as fault:
        if fault.errno in (errno.ENOENT, errno.ENAMETOOLONG):  # so long a name no file can have
            return None
        raise CoachError(
            str(path), f"it cannot be read ({fault.strerror})", "check its permissions"
        ) from fault
    if len(data) > MOST_BYTES:
        raise CoachError(str(path), f"it is larger than {MOST_BYTES >> 20} MB", "make it shorter")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as fault:
        raise CoachError(str(path), f"byte {fault.start + 1} is no UTF-8 text", "save it as UTF-8") from fault


def parse_toml(text: str, path: Path) -> dict[str, Any]:
    """Return what TOML ``text`` says; ``path`` names it in messages.  Raises CoachError where it is none."""
    nested = CoachError(str(path), "brackets stand too deep in one another", "take the innermost away")
    try:
        plain = tomllib.loads(text.removeprefix(BYTE_ORDER))
    except RecursionError:
        raise nested from None
    except ValueError as fault:  # TOMLDecodeError; or a number of thousands of figures
        raise CoachError(str(path), f"it is no TOML: {fault}", "mend that line") from fault
    level: list[Any] = [plain]
    for _ in range(MOST_NESTED):
        inner = (one.values() if isinstance(one, dict) else one for one in level)
        level = [found for values in inner for found in values if isinstance(found, dict | list)]
    if level:
        raise nested
    return plain
