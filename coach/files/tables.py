"""Tables of text for a terminal."""

from __future__ import annotations

import textwrap
from itertools import zip_longest

Cells = tuple[str, ...]
GAP = "  "
NARROWEST = 12  # columns left to the widest cells of a table in a narrow terminal


def table(rows: list[Cells], width: int | None = None) -> str:
    """Return rows as text in columns; the first row is the heading.

    Where the table is wider than ``width`` its widest column is wrapped.
    """
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    over = sum(widths) + len(GAP) * (len(widths) - 1) - (width or 10**9)
    widest = widths.index(max(widths))
    if over > 0:
        widths[widest] = max(widths[widest] - over, NARROWEST)
    lines = [line for row in rows for line in _lines(row, widths, widest)]
    heading = len(_lines(rows[0], widths, widest))
    lines.insert(heading, GAP.join("-" * size for size in widths))
    return "\n".join(line.rstrip() for line in lines)


def _lines(row: Cells, widths: list[int], widest: int) -> list[str]:
    """Return a row as one line, or several where its widest cell is wrapped."""
    cells = [[cell] for cell in row]
    cells[widest] = textwrap.wrap(row[widest], widths[widest], break_long_words=False) or [""]
    return [
        GAP.join(part.ljust(size) for part, size in zip(parts, widths, strict=True))
        for parts in zip_longest(*cells, fillvalue="")
    ]
