"""``coach plan``: a piece prepared, told, printed and handed on."""

from __future__ import annotations

import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from coach.app.piece import Piece
from coach.app.terms import terms_beside
from coach.core import plan_words, words
from coach.core.errors import CoachError
from coach.core.preparation import Preparation
from coach.files.plan_report import plan_json
from coach.files.plan_text import plan_text, stop_text
from coach.files.taste import parse_place, read_taste, with_free, without_free, write_taste

SLOWEST, FASTEST = 0.1, 4.0  # times the written tempo


@dataclass(frozen=True, slots=True)
class Outputs:
    """Where a plan goes beside the terminal."""

    json: bool = False
    musicxml: Path | None = None
    pdf: Path | None = None
    png: Path | None = None
    paper: Literal["a4", "letter"] = "a4"


def run_plan(
    piece: Piece,
    *,
    level: str | None,
    beats_a_minute: float | None,
    stop: int | None,
    free: list[str],
    ask: list[str],
    outputs: Outputs,
) -> int:
    """Prepare a piece and show it; ``free`` and ``ask`` change what taste lets ring, and are kept."""
    _keep_taste(piece, free, ask)
    terms, notices = terms_beside(piece, level)
    for notice in (*piece.notices, *notices):
        print(f"coach: {piece.path.name}: {notice}", file=sys.stderr)
    prepared = terms.prepare(piece, _tempo(piece, beats_a_minute))
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    if stop is not None:
        print(stop_text(prepared, checked_number(prepared, stop, piece), width))
        return 0
    if outputs.json:
        print(plan_json(prepared))
    written = _write(piece, prepared, outputs)
    if not outputs.json and not written:
        print(f"{piece.title}\n\n{plan_text(prepared, width)}")
    for line in written:
        print(line, file=sys.stderr if outputs.json else sys.stdout)
    return 0


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
    share = beats_a_minute * words.beat_quarters(piece.score) / piece.score.qpm(0)
    if not SLOWEST <= share <= FASTEST:
        raise CoachError(
            f"tempo {beats_a_minute:g}",
            plan_words.STRANGE_TEMPO.format(tempo=words.tempo_words(piece.score) or "♩ = 60"),
            plan_words.NEARER_TEMPO,
        )
    return share


def _keep_taste(piece: Piece, free: list[str], ask: list[str]) -> None:
    """Write down what may ring from now on and what may not."""
    if not free and not ask:
        return
    taste = read_taste(piece.path)
    for text in free:
        taste = with_free(taste, parse_place(text))
    for text in ask:
        taste = without_free(taste, parse_place(text))
    print(
        plan_words.TASTE_KEPT.format(path=write_taste(piece.path, taste, title=piece.title)), file=sys.stderr
    )


def _write(piece: Piece, prepared: Preparation, outputs: Outputs) -> list[str]:
    """Write the files asked for; return a line about each."""
    lines: list[str] = []
    if outputs.musicxml is not None:
        from coach.files.annotated import write_annotated

        write_annotated(piece.path, prepared, outputs.musicxml)
        lines.append(plan_words.WRITTEN.format(path=outputs.musicxml))
    kinds: tuple[tuple[Literal["pdf", "png"], Path | None], ...] = (
        ("pdf", outputs.pdf),
        ("png", outputs.png),
    )
    for kind, path in kinds:
        if path is not None:
            from coach.screen.paper import print_page

            pages = print_page(prepared, piece.xml, piece.title, path, kind=kind, paper=outputs.paper)
            said = plan_words.PAGE_WRITTEN if pages == 1 else plan_words.PAGES_WRITTEN
            lines.append(said.format(path=path, pages=pages))
    return lines
