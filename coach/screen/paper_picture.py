"""A printed page as an SVG text, for the renderer; and a picture with its size in the world."""

from __future__ import annotations

import zlib
from collections.abc import Sequence

from coach.screen.paper_ink import Ink, Letters, Shape
from coach.screen.paper_type import BOLD, EM, SLANT, Outline, face

DPI = 200  # of a picture of a page; legible when printed, and a page is not yet a megabyte
PNG_HEAD = 33  # bytes: signature and IHDR chunk


def page_svg(page: Sequence[Ink], width_mm: float, height_mm: float) -> str:
    """Return a page as SVG; one unit is a millimetre."""
    glyphs: dict[tuple[str, str], int] = {}
    body = [_shape(ink) if isinstance(ink, Shape) else _letters(ink, glyphs) for ink in page]
    defined = "".join(
        f'<path id="g{number}" d="{_path(face(name).glyph(char).outline)}"/>'
        for (name, char), number in glyphs.items()
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'width="{width_mm}" height="{height_mm}" viewBox="0 0 {width_mm} {height_mm}">'
        f"<defs>{defined}</defs>{''.join(body)}</svg>"
    )


def _grey(value: float) -> str:
    level = round(value * 255)
    return f"#{level:02x}{level:02x}{level:02x}"


def _shape(shape: Shape) -> str:
    fill = "none" if shape.fill is None else _grey(shape.fill)
    stroke = ""
    if shape.stroke is not None:
        stroke = f' stroke="{_grey(shape.stroke)}" stroke-width="{shape.width:.4f}"'
        if shape.dash is not None:
            stroke += f' stroke-dasharray="{shape.dash[0]:.4f} {shape.dash[1]:.4f}"'
    return f'<path d="{_path(shape.outline)}" fill="{fill}"{stroke}/>'


def _letters(run: Letters, glyphs: dict[tuple[str, str], int]) -> str:
    scale, out = run.size / EM, []
    slant = SLANT * scale if run.italic else 0.0
    for name, char, x in run.chars:
        if not face(name).glyph(char).outline:
            continue
        number = glyphs.setdefault((name, char), len(glyphs))
        matrix = f"{scale:.6f} 0 {slant:.6f} {-scale:.6f} {run.x + x:.4f} {run.y:.4f}"
        out.append(f'<use xlink:href="#g{number}" transform="matrix({matrix})"/>')
    bold = f' stroke="{_grey(run.grey)}" stroke-width="{BOLD}" stroke-linejoin="round"' if run.bold else ""
    return f'<g fill="{_grey(run.grey)}"{bold}>{"".join(out)}</g>'


def _path(outline: Outline) -> str:
    return " ".join(kind + " ".join(f"{v:.4f}" for v in at) for kind, at in outline)


def sized(png: bytes, dpi: int = DPI) -> bytes:
    """Return a PNG that says how large it is to be printed (its pHYs chunk; pixels to the metre)."""
    each = round(dpi / 0.0254)
    body = b"pHYs" + each.to_bytes(4, "big") * 2 + b"\x01"
    chunk = (9).to_bytes(4, "big") + body + zlib.crc32(body).to_bytes(4, "big")
    return png[:PNG_HEAD] + chunk + png[PNG_HEAD:]
