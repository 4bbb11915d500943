"""The scores and takes at hand: what the first page lists.

The shelf is a small TOML file in the user's data folder: the scores that were dropped on the page, newest
first.  A score that is not there just now (a stick that was pulled out) is left out of the list, not
forgotten.  A broken file is moved aside with a notice.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import platformdirs
import tomli_w

from coach.core.errors import CoachError, ScoreError, TakeError, one_line
from coach.files.score_file import read_score
from coach.files.settings import APP, material_folders
from coach.files.take import read_take
from coach.files.toml_file import parse_toml, text_of_file
from coach.files.whole_file import write_whole

MOST_SCORES = 30
MOST_TAKES = 30
REMEDY = "free or unlock the folder"


@dataclass(frozen=True, slots=True)
class Shelved:
    """One score at hand."""

    path: Path
    title: str


@dataclass(frozen=True, slots=True)
class KeptTake:
    """One recorded take; ``title`` and ``digest`` are those of its score, "" where not known."""

    path: Path
    title: str
    digest: str
    started: datetime | None


@dataclass(slots=True)
class Shelf:
    """The remembered scores, newest first, whether or not they are there now."""

    path: Path
    scores: list[Shelved] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)

    @property
    def at_hand(self) -> list[Shelved]:
        """The scores whose files are there."""
        return [score for score in self.scores if score.path.is_file()]

    def put(self, path: Path, title: str) -> None:
        """Put a score in front and save.  Raises CoachError where the shelf's file cannot be written."""
        path = path.absolute()
        others = [score for score in self.scores if score.path != path]
        self.scores = [Shelved(path, one_line(title)), *others][:MOST_SCORES]
        plain = {"score": [{"path": str(score.path), "title": score.title} for score in self.scores]}
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            what = f"the list of scores cannot be written ({fault.strerror})"
            raise CoachError(str(self.path), what, REMEDY) from None
        write_whole(self.path, tomli_w.dumps(plain), what="the list of scores", remedy=REMEDY)


def read_shelf(folder: Path | None = None) -> Shelf:
    """Return the shelf kept in ``folder`` (default: the user's data folder); empty where there is none."""
    path = (folder or Path(platformdirs.user_data_dir(APP, appauthor=False))) / "scores.toml"
    shelf = Shelf(path)
    try:
        text = text_of_file(path)
        if text is not None:
            shelf.scores = _scores(parse_toml(text, path), path)
    except CoachError as fault:
        aside = path.with_suffix(".broken.toml")
        try:
            path.replace(aside)
            kept = f"it is kept as {aside.name}"
        except OSError:
            kept = "it is left as it is"
        shelf.notices.append(one_line(f"{path.name}: {fault.what}; {kept}, and the list begins anew"))
    return shelf


def _scores(plain: dict[str, Any], path: Path) -> list[Shelved]:
    """Return the scores of a shelf's file.  Raises CoachError where an entry is none."""
    found: list[Shelved] = []
    entries = plain.get("score", [])
    for entry in entries if isinstance(entries, list) else [None]:
        place = entry.get("path") if isinstance(entry, dict) else None
        title = entry.get("title", "") if isinstance(entry, dict) else None
        if not isinstance(place, str) or not place or "\0" in place or not isinstance(title, str):
            raise CoachError(str(path), "an entry names no score", "take it out")
        found.append(Shelved(Path(place), title or Path(place).stem))
    return found[:MOST_SCORES]


def included_scores() -> list[Shelved]:
    """Return the scores that come with the program, in the order of their names."""
    for folder in material_folders("scores"):
        paths = sorted(folder.glob("*.musicxml")) if folder.is_dir() else []
        found = []
        for path in paths:
            try:
                found.append(Shelved(path, read_score(path).score.title or path.stem))
            except ScoreError:  # someone's own file in the checkout's folder; playing it says what is wrong
                found.append(Shelved(path, path.stem))
        if found:
            return found
    return []


def recent_takes(folder: Path, most: int = MOST_TAKES) -> list[KeptTake]:
    """Return the takes in a folder, the newest first; an unreadable one is listed by its file's name."""
    try:
        paths = [path for path in folder.iterdir() if path.suffix.lower() == ".mid" and path.is_file()]
    except OSError:  # no take yet
        return []
    # New takes begin with their date, so that their names sort by age; others come by their names too.
    paths.sort(key=lambda path: path.name, reverse=True)
    return [kept_take(path) for path in paths[:most]]


def kept_take(path: Path) -> KeptTake:
    """Return what a take says of itself; of an unreadable one only its file."""
    try:
        meta = read_take(path).meta
    except TakeError:
        return KeptTake(path, "", "", None)
    started = datetime.fromisoformat(meta.started) if meta.started else None
    return KeptTake(path, meta.title, meta.digest, started)


def is_take(path: Path) -> bool:
    """Whether a MIDI file is a take of ours rather than a score."""
    try:
        return bool(read_take(path).meta.program)
    except TakeError:
        return False
