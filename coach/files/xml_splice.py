"""Elements put into the text of an XML file or taken out of it; all else stays as it is, to the byte.

Comments, layout, attribute order and line breaks are somebody's work: a tree written out anew would lose
them, so the text is cut open at the elements' own places instead.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from xml.etree.ElementTree import Element
from xml.parsers import expat

_START_TAG = re.compile(rb"<[^>\"']*(?:(?:\"[^\"]*\"|'[^']*')[^>\"']*)*>")
_BLANKS = re.compile(rb"\r?\n[ \t]*\Z")
_LONGEST_INDENT = 200  # bytes


@dataclass(frozen=True, slots=True)
class Span:
    """Where one element stands, in bytes."""

    start: int  # of its start tag
    inner: int  # first byte after its start tag
    close: int  # first byte of its end tag; as ``inner`` where it has none
    end: int  # first byte after it


class Splicer:
    """The text of a file, and what is to be put into it.

    ``root`` is the tree parsed from the same text, none of its elements moved.
    """

    def __init__(self, text: str, root: Element) -> None:
        self._data = text.encode("utf-8")
        self._edits: list[tuple[int, int, bytes]] = []  # from, to, what stands there instead
        self._spans = dict(zip(root.iter(), _spans(self._data), strict=True))

    def before(self, element: Element, xml: str) -> None:
        """Put ``xml`` in front of an element, on a line of its own if that has one."""
        start = self._spans[element].start
        self._edits.append((start, start, xml.encode() + self._indent(start)))

    def after(self, element: Element, xml: str) -> None:
        """Put ``xml`` behind an element, on a line of its own if that has one."""
        span = self._spans[element]
        self._edits.append((span.end, span.end, self._indent(span.start) + xml.encode()))

    def append(self, parent: Element, xml: str) -> None:
        """Put ``xml`` into an element, behind all that is there (once for an element that is empty)."""
        if len(parent):
            self.after(parent[-1], xml)
            return
        span = self._spans[parent]
        if span.close > span.inner or self._data[span.inner - 2 : span.inner] != b"/>":
            self._edits.append((span.close, span.close, xml.encode()))
            return
        opened = self._data[span.start : span.inner - 2].rstrip()
        whole = opened + b">" + xml.encode() + b"</" + parent.tag.encode() + b">"
        self._edits.append((span.start, span.end, whole))

    def remove(self, element: Element) -> None:
        """Take an element out, with the line break and blanks before it if nothing else is on its line."""
        span = self._spans[element]
        self._edits.append((span.start - len(self._indent(span.start)), span.end, b""))

    def put_text(self, element: Element, text: str) -> None:
        """Give an element with an end tag another text (already escaped)."""
        span = self._spans[element]
        self._edits.append((span.inner, span.close, text.encode()))

    def put_attribute(self, element: Element, name: str, value: str) -> None:
        """Give an element's start tag an attribute, or another value for it."""
        span = self._spans[element]
        tag = self._data[span.start : span.inner]
        found = re.search(rb"\s" + name.encode() + rb"\s*=\s*(\"[^\"]*\"|'[^']*')", tag)
        new = f'{name}="{value}"'.encode()
        if found:
            self._edits.append((span.start + found.start() + 1, span.start + found.end(), new))
        else:
            at = span.start + 1 + len(element.tag.encode())
            self._edits.append((at, at, b" " + new))

    def text(self) -> str:
        """Return the text with every change made."""
        out: list[bytes] = []
        at = 0
        for first, last, new in sorted(self._edits, key=lambda edit: edit[:2]):
            out += (self._data[at:first], new)
            at = max(at, last)
        return b"".join((*out, self._data[at:])).decode("utf-8")

    def lead(self, root: Element) -> str:
        """Return what stands before the root element."""
        return self._data[: self._spans[root].start].decode("utf-8")

    def _indent(self, start: int) -> bytes:
        """Return the line break and blanks before a place, if nothing else stands on its line."""
        found = _BLANKS.search(self._data[max(start - _LONGEST_INDENT, 0) : start])
        return found.group() if found else b""


def _spans(data: bytes) -> list[Span]:
    """Return where each element stands, in document order."""
    starts: list[int] = []
    ends: dict[int, int] = {}  # number of an element -> where expat saw it end
    open_ones: list[int] = []
    parser = expat.ParserCreate("utf-8")

    def began(_name: str, _attributes: dict[str, str]) -> None:
        open_ones.append(len(starts))
        starts.append(parser.CurrentByteIndex)

    def ended(_name: str) -> None:
        ends[open_ones.pop()] = parser.CurrentByteIndex

    parser.StartElementHandler, parser.EndElementHandler = began, ended
    parser.Parse(data, True)
    spans: list[Span] = []
    for number, start in enumerate(starts):
        tag = _START_TAG.match(data, start)
        inner = tag.end() if tag else start
        if data[inner - 2 : inner] == b"/>":
            spans.append(Span(start, inner, inner, inner))
        else:
            spans.append(Span(start, inner, ends[number], data.index(b">", ends[number]) + 1))
    return spans
