"""Files written whole: aside in the same folder, then put in the old one's place."""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from pathlib import Path

from coach.core.errors import CoachError, one_line

LONGEST = 160  # characters of a name in a message, or its remedy is cut off


def checked_target(path: Path, remedy: str, what: str = "it") -> Path:
    """Return the file that ``path`` stands for, links followed; it may not be there yet.

    ``what`` names it in the message.  Raises CoachError, with ``remedy``, for a folder, a device, a loop of
    links, a name that can be no file's or a folder that cannot be entered.
    """
    try:
        target = Path(os.path.realpath(path))
        if not path.name or not target.name:
            raise CoachError(str(path), "this is a folder", remedy)
        mode = os.lstat(target).st_mode
    except FileNotFoundError:
        return target
    except (OSError, ValueError) as fault:  # ValueError: a name with a NUL
        raise _refused(path, what, fault, remedy) from None
    if stat.S_ISREG(mode):
        return target
    what = "this is a folder" if stat.S_ISDIR(mode) else "this is no regular file"
    raise CoachError(str(path), what, remedy)


def write_whole(path: Path, data: str | bytes, *, what: str = "it", remedy: str) -> None:
    """Write ``data`` (text as UTF-8, its line ends as they are) to the file that ``path`` stands for.

    A link stays, and what it leads to is written.  ``what`` names the file in the message.  Raises CoachError
    where it cannot be written: then the old file is as it was.
    """
    target = checked_target(path, remedy, what)
    aside = target.with_name(f".coach-{os.getpid()}.new")  # short: the name itself may be as long as can be
    try:
        aside.write_bytes(data.encode("utf-8") if isinstance(data, str) else data)
        with suppress(FileNotFoundError):
            aside.chmod(stat.S_IMODE(target.stat().st_mode))
        aside.replace(target)
    except (OSError, ValueError) as fault:
        raise _refused(path, what, fault, remedy) from None
    finally:
        with suppress(OSError):
            aside.unlink(missing_ok=True)


def _refused(path: Path, what: str, fault: OSError | ValueError, remedy: str) -> CoachError:
    why = getattr(fault, "strerror", None) or "the name is no file name"
    return CoachError(one_line(str(path), LONGEST), f"{what} cannot be written ({why})", remedy)
