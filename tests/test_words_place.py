"""Strings of text stand in one place: all words that are shown in ``*words.py``, and none there without use.

Three walks over the syntax trees of the package.  The first finds text outside those modules, the second
fills every format string and looks whether each use fills it too, the third finds words that nobody uses.
"""

from __future__ import annotations

import ast
import importlib
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from string import Formatter

import pytest

from coach.core.clash import Clash
from coach.screen import paper_legend
from coach.screen.paper_ink import Letters
from tests.harness import ROOT

PACKAGE = ROOT / "coach"
SHOWING = ("screen", "app")  # the packages that show or print something
# Two words of letters with a space between them; a field of an f-string may stand there too.
WORDY = re.compile(r"[^\W\d_][^\w\s]*(?:\s+\S*\d\S*)*\s+[^\w\s]*[^\W\d_]")
LETTERS = re.compile(r"[^\W\d_]{2}")
DRAWING = {"words", "wrapped", "haloed", "letters", "say", "set_caption"}  # their first argument is shown

# What reads like words and is none that a translator has to see: (file, how it begins) and why.
EXCEPTIONS = {
    ("screen/font_files.py", r"Linux Libertine O$"): "the font's own name",
    ("screen/engraver_child.py", r"Times, serif$"): "names of fonts, in SVG",
    ("screen/engraver_child.py", r"<path d="): "a pattern of SVG",
    ("screen/paper_child.py", r"viewBox="): "a pattern of SVG",
    ("app/drill_paper.py", r"<note id="): "a pattern of MusicXML",
    ("screen/paper_picture.py", r"<(svg|path|use|g) "): "SVG",
    ("screen/paper_pdf.py", r"<<|/CIDInit |BT |\d w |xref|trailer|startxref"): "PDF",
    ("screen/engraver_process.py", r"the engraver"): "why an error is raised, or the staff plain",
    ("screen/engraving.py", r"the engraver is not installed$"): "why an error is raised, or the staff plain",
    ("app/outputs.py", r"name a file in a folder"): "an error's remedy, raised by what it is given to",
}
# Words that are still to be moved to a words module; to be emptied by the lead.
TO_MOVE = {
    ("app/piece.py", r".*the note is followed|and \d+ more notes|the score has no bass voice"),  # notices
    ("app/review.py", r"the take was played from another|no title|coach: .* it is judged by"),
    ("app/sitting.py", r"messages out of order$"),  # … what was passed over, counted in a review
}


def shown_texts(source: str) -> Iterator[tuple[int, str]]:
    """Yield (line, text) of everything in a module that reads like words to be shown.

    Left out are docstrings, values of enumerations (identifiers here) and arguments of errors, which are
    faults and told beside the code that raises them.
    """
    tree = ast.parse(source)
    parent = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}

    def above(node: ast.AST) -> Iterator[ast.AST]:
        while node in parent:
            node = parent[node]
            yield node

    def in_error(node: ast.AST) -> bool:
        return any(
            isinstance(one, ast.Call) and called(one).endswith(("Error", "pygame.error"))
            for one in above(node)
        )

    def only_for_errors(node: ast.AST) -> bool:
        """Return whether a text is given a name in its scope that only errors' arguments load."""
        chain = [node, *above(node)]
        given = next((one for one in chain if isinstance(one, (ast.Assign, ast.AnnAssign))), None)
        if given is None:
            return False
        targets = given.targets if isinstance(given, ast.Assign) else [given.target]
        names = {one.id for target in targets for one in ast.walk(target) if isinstance(one, ast.Name)}
        scope = next(one for one in above(given) if isinstance(one, (ast.FunctionDef, ast.Module)))
        loads = [
            one
            for one in ast.walk(scope)
            if isinstance(one, ast.Name) and one.id in names and isinstance(one.ctx, ast.Load)
        ]
        return bool(loads) and all(map(in_error, loads))

    for node in ast.walk(tree):
        text = text_of(node)
        if text is None or isinstance(parent.get(node), (ast.JoinedStr, ast.FormattedValue)):
            continue
        if isinstance(parent[node], ast.Expr):  # a docstring
            continue
        if any(isinstance(one, ast.ClassDef) and is_enum(one) for one in above(node)):
            continue
        drawn = is_drawn(node, parent) and LETTERS.search(text)
        if (drawn or WORDY.search(text)) and not in_error(node) and not only_for_errors(node):
            yield node.lineno, text  # type: ignore[attr-defined]
    # A name of one word, given to what draws.
    named = {
        target.id: node.value
        for node in tree.body
        if isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and node.id in named and is_drawn(node, parent):
            text = text_of(named[node.id])
            if text is not None and LETTERS.search(text) and not WORDY.search(text):
                yield node.lineno, text


def text_of(node: ast.AST) -> str | None:
    """Return a string constant, or an f-string with a figure in place of each field; None for all else."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(str(p.value) if isinstance(p, ast.Constant) else "0" for p in node.values)
    return None


def called(call: ast.Call) -> str:
    """Return the name of what is called, without its module or object; an exception of pygame's as it is."""
    name = ast.unparse(call.func)
    return name if name == "pygame.error" else name.rpartition(".")[2]


def is_enum(node: ast.ClassDef) -> bool:
    """Return whether a class is an enumeration."""
    return any(isinstance(base, ast.Name) and base.id in ("Enum", "StrEnum") for base in node.bases)


def is_drawn(node: ast.AST, parent: dict[ast.AST, ast.AST]) -> bool:
    """Return whether something is the first argument of what draws or says words."""
    one = parent.get(node)
    while isinstance(one, (ast.IfExp, ast.BoolOp)):
        node, one = one, parent[one]
    return isinstance(one, ast.Call) and called(one) in DRAWING and one.args[:1] == [node]


def excepted(path: str, text: str) -> bool:
    """Return whether a text of a file under ``coach/`` may stand where it is."""
    return any(path == file and re.match(begins, text.lstrip()) for file, begins in (*EXCEPTIONS, *TO_MOVE))


@cache
def outside() -> list[tuple[str, int, str]]:
    """Return (file, line, text) of all that reads like words outside the words modules."""
    return [
        (path.relative_to(PACKAGE).as_posix(), line, text)
        for package in SHOWING
        for path in sorted((PACKAGE / package).rglob("*.py"))
        if not path.stem.endswith("words")
        for line, text in shown_texts(path.read_text("utf-8"))
    ]


def test_words_stand_in_words_modules():
    assert [one for one in outside() if not excepted(one[0], one[2])] == []


def test_no_exception_is_stale():
    texts = [(path, text.lstrip()) for path, _, text in outside()]
    needed = {
        (path, begins)
        for path, begins in EXCEPTIONS
        if any(one == path and re.match(begins, text) for one, text in texts)
    }
    assert needed == {*EXCEPTIONS}


PLANTED = '''
"""Not for a window, though it reads like words."""
from enum import Enum
from coach.screen import lettering

LABEL = "so far"
NAME = "ahead"
HELD = "the folder is locked"
KEY = "leaf-page"

class Kind(Enum):
    """An identifier may have a space."""
    TWO = "two passes"

def draw(path, ms, count):
    """Draw it."""
    lettering.words(NAME, 12)
    lettering.words("behind" if ms > 0 else "", 12)
    lettering.words(f"{ms} ms", 12)
    lettering.words(f"{ms:+d}", 12)
    lettering.words("−10000", 12)
    window.show_error("in vain")
    told = f"bar {count} of this"
    said = f"pass {count}, faults"
    what = "no picture can be made"
    if not path:
        raise CoachError("the window", what, f"choose another place than {path}")
    raise ValueError(HELD)
'''


def test_what_is_planted_outside_is_found_and_nothing_else():
    assert sorted(text for _, text in shown_texts(PLANTED)) == [
        "0 ms",
        "ahead",
        "bar 0 of this",
        "behind",
        "in vain",
        "pass 0, faults",
        "so far",
    ]


def test_the_exceptions_let_no_other_words_through():
    assert not excepted("screen/foot.py", "so far")
    assert not excepted("screen/paper_pdf.py", "the page could not be printed")
    assert not excepted("screen/page.py", "Linux Libertine O")


# --- format strings, and words that nobody uses -----------------------------------------------------


def dotted(path: Path) -> str:
    """Return a module's name."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


WORDS = {
    dotted(path): importlib.import_module(dotted(path))
    for folder in ("core", "screen", "app")
    for path in sorted((PACKAGE / folder).glob("*words.py"))
}
Key = tuple[str, str]  # a words module, and a name in it


def leaves(value: object) -> list[str]:
    """Return all strings of a constant: of a table its values, not its keys."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        return [text for one in value.values() for text in leaves(one)]
    return [text for one in value for text in leaves(one)] if isinstance(value, tuple) else []


def fields(text: str) -> set[str]:
    """Return the names of a format string's fields."""
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


def defined() -> dict[Key, list[str]]:
    """Return all that the words modules define, a constant with its strings."""
    found: dict[Key, list[str]] = {}
    for module, loaded in WORDS.items():
        for node in ast.parse(Path(str(loaded.__file__)).read_text("utf-8")).body:
            targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            names = [one.id for t in targets if t for one in ast.walk(t) if isinstance(one, ast.Name)]
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
                names = [node.name]
            found |= {(module, name): leaves(getattr(loaded, name)) for name in names}
    return found


DEFINED = defined()


class Uses(ast.NodeVisitor):
    """All uses that one module makes of the words modules' names."""

    def __init__(self, source: str, own: str = "") -> None:
        """``own``: the module's name, where it is a words module itself."""
        tree = ast.parse(source)
        self.parent = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
        self.modules: dict[str, str] = {}  # a local name of a words module
        self.names: dict[str, Key] = {name: (own, name) for module, name in DEFINED if module == own}
        self.found: list[tuple[Key, ast.expr]] = []
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                for one in node.names:
                    if f"{node.module}.{one.name}" in WORDS:
                        self.modules[one.asname or one.name] = f"{node.module}.{one.name}"
                    elif node.module in WORDS:
                        self.names[one.asname or one.name] = (str(node.module), one.name)
        self.visit(tree)

    def visit_Name(self, node: ast.Name) -> None:
        if isinstance(node.ctx, ast.Load) and node.id in self.names:
            self.found.append((self.names[node.id], node))

    def visit_Attribute(self, node: ast.Attribute) -> None:
        if isinstance(node.value, ast.Name) and node.value.id in self.modules:
            self.found.append(((self.modules[node.value.id], node.attr), node))
        self.generic_visit(node)

    def unfilled(self) -> Iterator[str]:
        """Yield every use of a format string that leaves one of its fields empty."""
        for key, node in self.found:
            wanted = set().union(*map(fields, DEFINED.get(key, [])))
            if not wanted or isinstance(self.parent[node], ast.Compare):  # ``kind in TABLE``
                continue
            given = [*self._given(node)]
            if not given or not all(wanted <= one for one in given):
                yield f"{'.'.join(key)}, line {node.lineno}: {', '.join(sorted(wanted))}"

    def _given(self, node: ast.AST) -> Iterator[set[str]]:
        """Yield the fields that are given to what a use comes to: itself, or a local name it is given."""
        up = self.parent[node]
        passed_on = (ast.BoolOp, ast.Tuple, ast.Dict, ast.FormattedValue, ast.JoinedStr)
        if (
            isinstance(up, passed_on)
            or (isinstance(up, ast.Subscript) and up.value is node)
            or (isinstance(up, ast.IfExp) and up.test is not node)
        ):
            yield from self._given(up)
        elif isinstance(up, ast.Attribute) and isinstance(call := self.parent[up], ast.Call):
            if up.attr == "format":
                yield {str(one.arg) for one in call.keywords}
            elif up.attr == "get":
                yield from self._given(call)
            elif up.attr in ("split", "partition"):  # laid out piece by piece, around its field
                yield set().union(*(fields(one.value) for one in call.args if isinstance(one, ast.Constant)))
        elif isinstance(up, ast.Assign):
            scope: ast.AST = up
            while not isinstance(scope, (ast.FunctionDef, ast.Module)):
                scope = self.parent[scope]
            names = {one.id for target in up.targets for one in ast.walk(target) if isinstance(one, ast.Name)}
            for one in ast.walk(scope):
                if isinstance(one, ast.Name) and isinstance(one.ctx, ast.Load) and one.id in names:
                    yield from self._given(one)


@cache
def all_uses() -> dict[Path, Uses]:
    """Return the uses of every module of the package."""
    return {
        path: Uses(path.read_text("utf-8"), dotted(path) if dotted(path) in WORDS else "")
        for path in sorted(PACKAGE.rglob("*.py"))
    }


@pytest.mark.parametrize("key", [key for key, texts in DEFINED.items() if any(map(fields, texts))], ids=str)
def test_a_format_string_has_named_fields_and_no_other_braces(key: Key):
    for text in DEFINED[key]:
        parts = [(name, spec) for _, name, spec, _ in Formatter().parse(text) if name is not None]
        assert all(name.isidentifier() for name, _ in parts), text
        filled = text.format(**{name: 1 if spec else "so" for name, spec in parts})
        assert "{" not in filled, text
        assert "}" not in filled, text


def test_every_use_of_a_format_string_fills_it():
    # The drill hands its sentences to its own methods, which fill them: tests/test_drill*.py say all,
    # and a field left out is a KeyError there.
    drill = [PACKAGE / "core" / name for name in ("drill.py", "advice.py", "climb.py")]
    unfilled = {
        path.relative_to(PACKAGE).as_posix(): [*uses.unfilled()]
        for path, uses in all_uses().items()
        if path not in drill
    }
    assert {path: found for path, found in unfilled.items() if found} == {}


UNFILLED = """
from coach.core import words
from coach.screen.page_words import CAPTION as line

def said(title, kind):
    whole = line.format(title=title, said="so")
    short = words.PASS_TOLD.format(number=1, bars="so")
    text = line if title else words.PASS_CALLED
    if title:
        return text.format(title=title, said="so")
    print(words.STRAY_SENTENCE)
    return words.WAY_ADVICE[kind].format(strings=2)
"""


def test_a_use_that_leaves_a_field_empty_is_found():
    assert [one.split(": ") for one in Uses(UNFILLED).unfilled()] == [
        ["coach.core.words.PASS_TOLD, line 7", "all, bars, number"],
        ["coach.core.words.PASS_CALLED, line 8", "number"],
        ["coach.core.words.STRAY_SENTENCE, line 11", "amount, bar, string"],
        ["coach.core.words.WAY_ADVICE, line 12", "string"],
    ]


def test_no_word_is_dead():
    used = {key for uses in all_uses().values() for key, _ in uses.found}
    assert sorted({*DEFINED} - used) == []


def test_a_translator_may_put_the_grades_of_the_legend_first(monkeypatch: pytest.MonkeyPatch):
    def order() -> list[str]:
        ink, width = paper_legend._grades({Clash.MIDDLE, Clash.LOW})
        runs = sorted((one for one in ink if isinstance(one, Letters)), key=lambda one: one.x)
        assert runs[0].x == 0
        assert width > runs[-1].x
        return ["".join(char for _, char, _ in one.chars) for one in runs]

    assert order() == ["ringing on would", "muddy", "blend"]
    monkeypatch.setattr(paper_legend, "RINGING_ON", "{grades} it would")
    assert order() == ["muddy", "blend", "it would"]
