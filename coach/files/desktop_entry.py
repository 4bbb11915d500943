"""An entry for the program in the desktop's menu.

Source: freedesktop.org Desktop Entry Specification 1.5: keys and their types, and how an argument of Exec is
quoted and escaped ("The Exec key", "Possible value types").  Desktop Menu Specification 1.1 registers the
categories: Education and Audio are main ones, Music an additional one that goes with them; Audio asks for
AudioVideo beside it.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from coach.core.errors import CoachError
from coach.files.whole_file import write_whole

NAME = "coach.desktop"
ICON_NAME = "coach-damp-sign.png"
CATEGORIES = ("AudioVideo", "Audio", "Music", "Education")
RESERVED = " \t\n\"'\\><~|&;$*?#()`"
REMEDY = "free or unlock the folder"


def applications_folder() -> Path:
    """Return where a user's own desktop entries lie: ``$XDG_DATA_HOME/applications``."""
    home = os.environ.get("XDG_DATA_HOME", "")
    # The base directory specification: a relative path there is to be ignored.
    return (Path(home) if Path(home).is_absolute() else Path.home() / ".local" / "share") / "applications"


def install_desktop_entry(icon: bytes) -> Path:
    """Write the entry, and ``icon`` (a PNG) beside it; return the entry's path.

    Raises CoachError on other systems than Linux, and where the folder cannot be written.
    """
    if not sys.platform.startswith("linux"):
        raise CoachError("desktop entry", "only Linux desktops know them", "start it with `coach`")
    folder = applications_folder()
    picture = folder / ICON_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise CoachError(str(folder), f"nothing can be written there ({fault.strerror})", REMEDY) from None
    write_whole(picture, icon, what="the icon", remedy=REMEDY)
    path = folder / NAME
    text = entry_text([sys.executable, "-m", "coach"], picture)
    write_whole(path, text, what="the desktop entry", remedy=REMEDY)
    return path


def entry_text(command: list[str], icon: Path) -> str:
    """Return the entry's text for a command and the path of its icon."""
    entry = {
        "Type": "Application",
        "Version": "1.5",
        "Name": "coach",
        "GenericName": "Muting and Timing Coach",
        "Comment": "Follow the guitar through a score and see which basses ring on",
        "Exec": _string(" ".join(quoted(argument) for argument in command)),
        "Icon": _string(str(icon)),
        "Terminal": "false",
        "Categories": "".join(f"{category};" for category in CATEGORIES),
        "StartupWMClass": "coach",
    }
    return "[Desktop Entry]\n" + "".join(f"{key}={value}\n" for key, value in entry.items())


def quoted(argument: str) -> str:
    """Return an argument of Exec: quoted where it holds a reserved sign, a percent sign doubled."""
    argument = argument.replace("%", "%%")
    if argument and not any(sign in RESERVED for sign in argument):
        return argument
    return '"' + "".join(f"\\{sign}" if sign in '"`$\\' else sign for sign in argument) + '"'


def _string(text: str) -> str:
    """Escape a value of the type string; this comes after the quoting of Exec and on top of it."""
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace("\t", "\\t").replace("\r", "\\r")
