"""Where a command may write: checked before any work is done, so that nothing is lost."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from coach.core.errors import CoachError

MOST_PAGES = 99  # numbered pictures looked for beside the one that is named


def checked_outputs(
    outputs: Iterable[Path | None], *, sources: Iterable[Path], replace: bool
) -> list[Path | None]:
    """Return the files to write, links followed; None stays None.

    ``sources`` are files never to be written over; others only with ``replace``.  Raises CoachError for an
    output that is a folder, a device, one of the sources, named twice, or there already.
    """
    keep = [_resolved(source) for source in sources]
    found: list[Path | None] = []
    taken: set[Path] = set()
    for output in outputs:
        if output is None:
            found.append(None)
            continue
        target = _resolved(output)
        for name in (target, *_numbered(target)):
            _check(name, str(output if name == target else name), keep, replace)
        if target in taken:
            raise CoachError(str(output), "it is named twice", "give each output a name of its own")
        taken.add(target)
        found.append(target)
    return found


def _resolved(path: Path) -> Path:
    try:
        return path.resolve()
    except (OSError, RuntimeError, ValueError) as fault:  # a loop of links; a name with a NUL
        raise CoachError(str(path), f"it is no file name ({fault})", "give another") from None


def _numbered(target: Path) -> list[Path]:
    """Return the numbered pictures of a page's name that are there already."""
    if target.suffix.lower() != ".png" or not target.stem:
        return []
    names = (target.with_name(f"{target.stem}-{page}{target.suffix}") for page in range(1, MOST_PAGES + 1))
    try:
        return [name for name in names if name.exists()]
    except OSError:
        return []  # the name itself is refused below


def _check(target: Path, where: str, sources: list[Path], replace: bool) -> None:
    try:
        if not target.name or target.is_dir():
            raise CoachError(where or "''", "this is a folder", "name a file in it")
        if not target.parent.is_dir():
            raise CoachError(where, "there is no such folder", "name a file in a folder that exists")
        there = target.exists()
        if there and not target.is_file():
            raise CoachError(where, "this is no regular file", "name another")
        if there and any(source.exists() and target.samefile(source) for source in sources):
            raise CoachError(where, "the piece itself is kept there", "name another file")
    except OSError as fault:
        raise CoachError(
            where, f"it cannot be written ({fault.strerror})", "name a file in a folder that can be"
        ) from None
    if target in sources:
        raise CoachError(where, "what may ring is kept there", "name another file")
    if there and not replace:
        raise CoachError(where, "it exists already", "give --replace, or another name")
