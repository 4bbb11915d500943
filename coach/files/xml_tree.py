"""From bytes to an element tree: encodings, damage, and everything XML can be abused for.

Text is decoded here and handed to the parser as UTF-8, so that a file is read by what it is
rather than by what its first line says.  Document type declarations are tolerated (older MusicXML files
all have one) but never fetched; entity declarations are refused.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from fractions import Fraction
from xml.etree.ElementTree import Element, ParseError

import defusedxml.ElementTree
from defusedxml.common import DefusedXmlException

from coach.core.errors import ScoreError
from coach.files.limits import MAX_DEPTH, MAX_FILE_BYTES, MAX_TAGS

EXPORT_AGAIN = "export it again as MusicXML"
_MARKS = (  # byte order marks, and the first character of a file without one
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
    (b"<\0", "utf-16-le"),
    (b"\0<", "utf-16-be"),
)
_DECLARED = re.compile(rb"^\s*<\?xml[^>]*?encoding\s*=\s*[\"']([A-Za-z0-9._:-]{1,40})[\"']")
_DECLARATION = re.compile(r"^\s*<\?xml[^>]{0,200}\?>")
# Encodings that programs have written scores in; Python knows others that are no text (punycode, idna).
_KNOWN = re.compile(
    r"utf-?8|us-ascii|ascii|latin-?1|iso-?8859-?\d{1,2}|(windows|cp)-?125\d|cp437|mac-?roman|macintosh|koi8-[ru]"
    r"|shift[-_]jis|euc-(jp|kr)|gb(k|2312|18030)|big5",
    re.IGNORECASE,
)
_DECIMAL = re.compile(r"[+-]?\d{1,9}(\.\d{0,6})?|[+-]?\.\d{1,6}", re.ASCII)


def decode(data: bytes, where: str) -> str:
    """Return the text of an XML file, without its declaration.

    Raises ScoreError for bytes that are not text in the encoding they claim.
    """
    encoding = next((name for mark, name in _MARKS if data.startswith(mark)), "")
    if not encoding:
        found = _DECLARED.match(data[:400])
        named = found.group(1).decode("ascii") if found else "utf-8"
        # A file that says UTF-16 in bytes that are not was saved again by an editor: it is UTF-8.
        if not data.lstrip().startswith(b"<"):
            raise ScoreError(where, "this is no XML", EXPORT_AGAIN)
        encoding = "utf-8" if named.lower().startswith(("utf-16", "utf16", "ucs-2", "iso-10646")) else named
        if not _KNOWN.fullmatch(encoding):
            raise ScoreError(where, f"the text encoding “{named}” is not known", "save it as UTF-8")
    try:
        text = data.decode(encoding)
        text.encode("utf-8")  # a lone surrogate would only fail here
    except UnicodeError as fault:
        at = getattr(fault, "start", 0)
        what = f"byte {at + 1} is no {encoding.upper().removesuffix('-SIG')} text"
        raise ScoreError(where, what, "save it as UTF-8, or export it again") from None
    except LookupError:
        raise ScoreError(where, f"the text encoding “{encoding}” is not known", "save it as UTF-8") from None
    return _DECLARATION.sub("", text, count=1)


def parse_tree(data: bytes, where: str) -> Element:
    """Return the root element of an XML file; names come without their namespace.

    Raises ScoreError for anything that is no well-formed XML of bounded size.
    """
    if not data.strip(b"\0 \t\r\n"):
        raise ScoreError(where, "the file is empty", EXPORT_AGAIN)
    if len(data) > MAX_FILE_BYTES:
        raise ScoreError(where, f"more than {MAX_FILE_BYTES // 2**20} MB", "give a score for one guitar")
    text = decode(data, where)
    if text.count("<") > MAX_TAGS or text.count("=") > MAX_TAGS:
        raise ScoreError(where, f"more than {MAX_TAGS:,} marks of XML", "give a score for one guitar")
    try:
        root: Element = defusedxml.ElementTree.fromstring(text)
    except ParseError as fault:
        raise ScoreError(where, _damage(text, fault), EXPORT_AGAIN) from None
    except DefusedXmlException:
        raise ScoreError(
            where, "it declares XML entities, which a score never needs", "remove the <!ENTITY …> lines"
        ) from None
    except (ValueError, LookupError):  # the parser's own words for a NUL or an encoding it cannot do
        raise ScoreError(where, "the file is damaged XML", EXPORT_AGAIN) from None
    if _depth_exceeds(root, MAX_DEPTH):
        raise ScoreError(where, f"elements nested over {MAX_DEPTH} deep", EXPORT_AGAIN)
    if root.tag.startswith("{"):
        for element in root.iter():
            element.tag = element.tag.rpartition("}")[2]
    return root


def _damage(text: str, fault: ParseError) -> str:
    """Return what is wrong with a text that is no XML, in words."""
    line, column = fault.position
    lines = text.count("\n") + 1
    if "no element found" in str(fault) or "unclosed" in str(fault) or line > lines:
        return f"the file breaks off at line {line}"
    return f"damaged XML at line {line}, column {column + 1}"


def _depth_exceeds(root: Element, limit: int) -> bool:
    """Return whether elements are nested deeper than ``limit`` (without recursion)."""
    level: list[Element] = [root]
    for _ in range(limit):
        level = [child for element in level for child in element]
        if not level:
            return False
    return True


def text_of(element: Element | None, path: str = "") -> str:
    """Return the stripped text of ``element``, or of its descendant at ``path``; "" where there is none."""
    found = element.find(path) if element is not None and path else element
    return (found.text or "").strip() if found is not None else ""


def children(element: Element, *tags: str) -> Iterator[Element]:
    """Yield the child elements with one of the ``tags``, in order."""
    return (child for child in element if child.tag in tags)


def whole(text: str | None) -> int | None:
    """Return the integer that ``text`` spells in at most nine digits, or None."""
    stripped = (text or "").strip()
    digits = stripped[1:] if stripped[:1] in ("-", "+") else stripped
    if not (digits.isdecimal() and len(digits) <= 9):
        return None
    return int(stripped)


def decimal(text: str | None) -> Fraction | None:
    """Return the number that ``text`` spells in at most nine digits and six decimals, exactly, or None."""
    found = _DECIMAL.fullmatch((text or "").strip())
    return Fraction(found.group()) if found else None
