"""Where a command may write: checked before any work is done, so that nothing is lost."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from coach.core.errors import CoachError
from coach.files.whole_file import checked_target

MOST_PAGES = 99  # numbered pictures looked for beside the one that is named


def checked_outputs(
    outputs: Iterable[Path | None], *, sources: Iterable[Path], replace: bool
) -> list[Path | None]:
    """Return the files to write, links followed; None stays None.

    ``sources`` are files never to be written over; others only with ``replace``.  Raises CoachError for an
    output that is a folder, a device, one of the sources, named twice, or there already.
    """
    keep = [Path(os.path.realpath(source)) for source in sources]
    found: list[Path | None] = []
    for output in outputs:
        if output is None:
            found.append(None)
            continue
        target = _checked(output, keep, replace)
        for page in _numbered(target):
            _checked(page, keep, replace)
        if target in found:
            raise CoachError(str(output), "it is named twice", "give each output a name of its own")
        found.append(target)
    return found


def _numbered(target: Path) -> list[Path]:
    """Return the numbered pictures of a page's name that are there already."""
    if target.suffix.lower() != ".png":
        return []
    names = (target.with_name(f"{target.stem}-{page}{target.suffix}") for page in range(1, MOST_PAGES + 1))
    try:
        return [name for name in names if name.exists()]
    except OSError:
        return []  # too long with a number; without one it will do


def _checked(output: Path, sources: list[Path], replace: bool) -> Path:
    where = str(output)
    target = checked_target(output, "name a file in a folder that can be written")
    if not target.parent.is_dir():
        raise CoachError(where, "there is no such folder", "name a file in a folder that exists")
    there = target.exists()
    if there and any(source.exists() and target.samefile(source) for source in sources):
        raise CoachError(where, "the piece itself is kept there", "name another file")
    if target in sources:
        raise CoachError(where, "what may ring is kept there", "name another file")
    if there and not replace:
        raise CoachError(where, "it exists already", "give --replace, or another name")
    return target
