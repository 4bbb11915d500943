"""Tables of text for a terminal."""

from __future__ import annotations

Cells = tuple[str, ...]
GAP = "  "


def table(rows: list[Cells]) -> str:
    """Return rows as text in columns; the first row is the heading."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = [GAP.join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]
    lines.insert(1, GAP.join("-" * width for width in widths))
    return "\n".join(line.rstrip() for line in lines)
