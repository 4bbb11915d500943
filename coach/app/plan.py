"""``coach plan``: a piece prepared, told, printed and handed on."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from coach.app.outputs import checked_outputs
from coach.app.piece import Piece
from coach.app.terms import terms_beside
from coach.core import plan_words, tempo_words
from coach.core.errors import CoachError
from coach.core.preparation import Preparation
from coach.files.plan_report import plan_json
from coach.files.plan_text import fingers_text, plan_text, stop_text
from coach.files.taste import (
    Taste,
    free_written,
    parse_place,
    read_taste,
    taste_path,
    with_free,
    without_free,
    write_taste,
)

SLOWEST, FASTEST = 0.1, 4.0  # times the written tempo


@dataclass(frozen=True, slots=True)
class Outputs:
    """What a plan is shown as, and the files it goes to."""

    json: bool = False
    fingers: bool = False
    stop: int | None = None  # tell this one in full
    musicxml: Path | None = None
    pdf: Path | None = None
    png: Path | None = None
    paper: Literal["a4", "letter"] = "a4"
    replace: bool = False  # files that are there may be written over

    @property
    def files(self) -> tuple[Path | None, ...]:
        """The files by kind: MusicXML, PDF, PNG."""
        return self.musicxml, self.pdf, self.png


def run_plan(
    piece: Piece,
    *,
    level: str | None,
    beats_a_minute: float | None,
    free: list[str],
    ask: list[str],
    outputs: Outputs,
) -> int:
    """Prepare a piece and show it; ``free`` and ``ask`` change what taste lets ring, and are kept."""
    sources = (piece.path, taste_path(piece.path))
    targets = checked_outputs(outputs.files, sources=sources, replace=outputs.replace)
    tempo = _tempo(piece, beats_a_minute)
    taste = _taste(piece, free, ask)
    terms, notices = terms_beside(piece, level, taste)
    prepared = terms.prepare(piece, tempo)
    if outputs.stop is not None:
        checked_number(prepared, outputs.stop, piece)
    if free or ask:
        kept = write_taste(piece.path, taste, title=piece.title)
        print(plan_words.TASTE_KEPT.format(path=kept), file=sys.stderr)
    for notice in (*piece.notices, *notices):
        print(f"coach: {piece.path.name}: {notice}", file=sys.stderr)
    written = _write(piece, prepared, outputs, targets)
    _tell(piece, prepared, outputs)
    for line in written:
        print(line, file=sys.stderr if outputs.json else sys.stdout)
    return 0


def _tell(piece: Piece, prepared: Preparation, outputs: Outputs) -> None:
    """Print what was asked for; the whole plan unless it goes to files."""
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    if outputs.json:
        print(plan_json(prepared))
    elif outputs.stop is not None:
        print(stop_text(prepared, outputs.stop, width))
    elif outputs.fingers:
        print(f"{piece.title}\n\n{fingers_text(prepared)}")
    elif not any(outputs.files):
        print(f"{piece.title}\n\n{plan_text(prepared, width)}")


def checked_number(prepared: Preparation, number: int, piece: Piece) -> int:
    """Return a stop's number if there is such a stop.  Raises CoachError where not."""
    if not 1 <= number <= len(prepared.stops):
        raise CoachError(
            f"{piece.path.name}: stop {number}",
            plan_words.NO_SUCH_STOP.format(count=len(prepared.stops)),
            plan_words.SEE_NUMBERS,
        )
    return number


def _tempo(piece: Piece, beats_a_minute: float | None) -> float:
    """Return a tempo as a multiple of the written one."""
    if beats_a_minute is None:
        return 1.0
    share = beats_a_minute * tempo_words.beat_quarters(piece.score) / piece.score.qpm(0)
    if not SLOWEST <= share <= FASTEST:
        raise CoachError(
            f"tempo {beats_a_minute:g}",
            plan_words.STRANGE_TEMPO.format(tempo=tempo_words.written_tempo(piece.score) or "♩ = 60"),
            plan_words.NEARER_TEMPO,
        )
    return share


def _taste(piece: Piece, free: list[str], ask: list[str]) -> Taste:
    """Return the taste kept beside a score with what is asked for now.

    Raises CoachError where there is no bass to let ring, or none that rings to be asked for.
    """
    taste = read_taste(piece.path)
    for text in free:
        mark = parse_place(text)
        if not free_written(Taste(None, (mark,)), piece.score)[0]:
            raise CoachError(f"--free {text}", plan_words.NO_BASS_THERE, plan_words.SEE_PLACES)
        taste = with_free(taste, mark)
    for text in ask:
        without = without_free(taste, parse_place(text))
        if without.free == taste.free:
            raise CoachError(f"--ask {text}", plan_words.NOT_FREE, plan_words.SEE_FREE)
        taste = without
    return taste


def _write(
    piece: Piece, prepared: Preparation, outputs: Outputs, targets: Sequence[Path | None]
) -> list[str]:
    """Write the files asked for to their targets; return a line about each, by the name it was given."""
    lines: list[str] = []
    for named, target in zip(outputs.files, targets, strict=True):
        if named is None or target is None:
            continue
        if named is outputs.musicxml:
            from coach.files.annotated import write_annotated

            for notice in write_annotated(piece.path, prepared, target):
                print(f"coach: {named.name}: {notice}", file=sys.stderr)
            lines.append(plan_words.WRITTEN.format(path=named))
        else:
            from coach.screen.paper import print_page

            kind: Literal["pdf", "png"] = "pdf" if named is outputs.pdf else "png"
            pages = print_page(prepared, piece.xml, piece.title, target, kind=kind, paper=outputs.paper)
            said = plan_words.PAGE_WRITTEN if pages == 1 else plan_words.PAGES_WRITTEN
            lines.append(said.format(path=named, pages=pages))
    return lines
