"""Writes pages as PDF 1.4: outlines as paths, letters as text that can be searched and copied.

The fonts are embedded as Type 3 fonts of just the glyphs that are used (ISO 32000-1, 9.6.5), which takes any
outline and needs no font file; a bold one thickens the outline, an italic one is slanted by the text matrix.
The same pages always give the same bytes.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence

from coach.screen.paper_ink import Ink, Letters, Shape
from coach.screen.paper_type import BOLD, EM, POINT, SLANT, Outline, face

MOST_CODES = 255  # glyphs in one font; a further one begins another


def write_pdf(pages: Sequence[Sequence[Ink]], width_mm: float, height_mm: float, title: str) -> bytes:
    """Return a PDF of pages of one size."""
    return _Writer(width_mm, height_mm).document(pages, title)


class _Type3:
    """The glyphs of one face that are used, with their codes."""

    def __init__(self, name: str, bold: bool) -> None:
        self.name, self.bold = name, bold
        self.codes: dict[str, int] = {}

    def code(self, char: str) -> int:
        return self.codes.setdefault(char, len(self.codes) + 1)


class _Writer:
    def __init__(self, width_mm: float, height_mm: float) -> None:
        self.width, self.height = width_mm / POINT, height_mm / POINT
        self.objects: list[bytes] = []
        self.fonts: list[_Type3] = []

    def document(self, pages: Sequence[Sequence[Ink]], title: str) -> bytes:
        catalog, tree, resources, info = (self._add(b"") for _ in range(4))
        kids = []
        for page in pages:
            content = self._stream(self._content(page).encode("ascii"))
            kids.append(
                self._add(
                    f"<</Type/Page/Parent {tree} 0 R/MediaBox[0 0 {_n(self.width)} {_n(self.height)}]"
                    f"/Resources {resources} 0 R/Contents {content} 0 R>>".encode()
                )
            )
        fonts = "".join(f"/F{i} {self._font(font)} 0 R" for i, font in enumerate(self.fonts))
        self.objects[catalog - 1] = f"<</Type/Catalog/Pages {tree} 0 R>>".encode()
        listed = " ".join(f"{kid} 0 R" for kid in kids)
        self.objects[tree - 1] = f"<</Type/Pages/Count {len(kids)}/Kids[{listed}]>>".encode()
        self.objects[resources - 1] = f"<</Font<<{fonts}>>>>".encode()
        name = title.encode("utf-16-be", "replace").hex()
        self.objects[info - 1] = f"<</Title<FEFF{name}>/Producer(coach)>>".encode()
        return self._file(catalog, info)

    def _add(self, body: bytes) -> int:
        self.objects.append(body)
        return len(self.objects)

    def _stream(self, data: bytes) -> int:
        packed = zlib.compress(data, 9)
        head = f"<</Length {len(packed)}/Filter/FlateDecode>>\nstream\n".encode()
        return self._add(head + packed + b"\nendstream")

    def _file(self, catalog: int, info: int) -> bytes:
        out = bytearray(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n")
        places = []
        for number, body in enumerate(self.objects, 1):
            places.append(len(out))
            out += f"{number} 0 obj\n".encode() + body + b"\nendobj\n"
        start = len(out)
        out += f"xref\n0 {len(places) + 1}\n0000000000 65535 f \n".encode()
        out += b"".join(f"{place:010d} 00000 n \n".encode() for place in places)
        size = len(places) + 1
        out += f"trailer\n<</Size {size}/Root {catalog} 0 R/Info {info} 0 R>>\n".encode()
        out += f"startxref\n{start}\n%%EOF\n".encode()
        return bytes(out)

    def _content(self, page: Sequence[Ink]) -> str:
        # Millimetres, y downwards; letters are turned upright again by their own matrix.
        scale = 1 / POINT
        out = [f"{_n(scale)} 0 0 {_n(-scale)} 0 {_n(self.height)} cm"]
        for ink in page:
            out.append(_shape(ink) if isinstance(ink, Shape) else self._letters(ink))
        return "\n".join(out)

    def _letters(self, run: Letters) -> str:
        slant = SLANT * run.size if run.italic else 0.0
        out = [f"BT {_n(run.grey)} g"]
        pen: float | None = None  # where the text matrix is, from the run's start
        current: _Type3 | None = None
        pending: list[int] = []

        def flush() -> None:
            if pending:
                out.append(f"<{bytes(pending).hex()}> Tj")
                pending.clear()

        for name, char, x in run.chars:
            font = self._face(name, run.bold, char)
            if font is not current:
                flush()
                out.append(f"/F{self.fonts.index(font)} 1 Tf")
                current, pen = font, None
            if pen is None or abs(pen - x) > 0.001:
                flush()
                out.append(f"{_n(run.size)} 0 {_n(slant)} {_n(-run.size)} {_n(run.x + x)} {_n(run.y)} Tm")
            pending.append(font.code(char))
            pen = x + face(name).glyph(char).advance / EM * run.size
        flush()
        return " ".join([*out, "ET"])

    def _face(self, name: str, bold: bool, char: str) -> _Type3:
        for font in self.fonts:
            if (font.name, font.bold) == (name, bold) and (
                char in font.codes or len(font.codes) < MOST_CODES
            ):
                return font
        self.fonts.append(_Type3(name, bold))
        return self.fonts[-1]

    def _font(self, font: _Type3) -> int:
        glyphs = [face(font.name).glyph(char) for char in font.codes]
        procs = []
        for glyph in glyphs:
            box = glyph.bounds or (0.0, 0.0, 0.0, 0.0)
            more = BOLD / 2 if font.bold else 0.0
            corners = " ".join(_n(v) for v in (box[0] - more, box[1] - more, box[2] + more, box[3] + more))
            paint = (
                f"{_n(BOLD)} w 1 j\n{_path(glyph.outline)} B" if font.bold else f"{_path(glyph.outline)} f"
            )
            body = f"{_n(glyph.advance)} 0 {corners} d1\n{paint if glyph.outline else ''}"
            procs.append(self._stream(body.encode("ascii")))
        codes = list(font.codes.values())
        names = " ".join(f"/g{code}" for code in codes)
        widths = " ".join(_n(glyph.advance) for glyph in glyphs)
        listed = " ".join(f"/g{code} {proc} 0 R" for code, proc in zip(codes, procs, strict=True))
        unicode = self._stream(_to_unicode(font.codes).encode("ascii"))
        return self._add(
            f"<</Type/Font/Subtype/Type3/FontBBox[0 0 0 0]/FontMatrix[0.001 0 0 0.001 0 0]"
            f"/CharProcs<<{listed}>>/Encoding<</Type/Encoding/Differences[1 {names}]>>"
            f"/FirstChar 1/LastChar {len(codes)}/Widths[{widths}]/Resources<<>>"
            f"/ToUnicode {unicode} 0 R>>".encode()
        )


def _shape(shape: Shape) -> str:
    out = [_path(shape.outline)]
    if shape.stroke is not None:
        cap = " [] 0 d" if shape.dash is None else f" [{_n(shape.dash[0])} {_n(shape.dash[1])}] 0 d"
        out.insert(0, f"{_n(shape.width)} w {_n(shape.stroke)} G{cap}")
    if shape.fill is not None:
        out.insert(0, f"{_n(shape.fill)} g")
    both = shape.fill is not None, shape.stroke is not None
    out.append({(True, True): "B", (True, False): "f", (False, True): "S", (False, False): "n"}[both])
    return " ".join(out)


def _path(outline: Outline) -> str:
    operators = {"M": "m", "L": "l", "C": "c", "Z": "h"}
    return " ".join(" ".join((*map(_n, at), operators[kind])) for kind, at in outline)


def _n(value: float) -> str:
    """Return a number as PDF writes it."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _to_unicode(codes: dict[str, int]) -> str:
    """Return the table by which a reader copies the text."""
    rows = [f"<{code:02x}> <{char.encode('utf-16-be', 'replace').hex()}>" for char, code in codes.items()]
    blocks = [rows[i : i + 100] for i in range(0, len(rows), 100)]
    listed = "\n".join(f"{len(block)} beginbfchar\n" + "\n".join(block) + "\nendbfchar" for block in blocks)
    return (
        "/CIDInit /ProcSet findresource begin 12 dict begin begincmap /CMapName /coach def /CMapType 2 def\n"
        f"1 begincodespacerange <00> <ff> endcodespacerange\n{listed}\n"
        "endcmap CMapName currentdict /CMap defineresource pop end end"
    )
