"""The printed page: its lines, and the files it is written to."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from coach.app.piece import Piece, open_piece
from coach.core.errors import CoachError
from coach.core.phrases import Form
from coach.core.preparation import Preparation, prepare
from coach.screen import paper
from coach.screen.engraver_process import can_engrave
from coach.screen.paper_ink import line
from coach.screen.paper_lines import break_lines
from coach.screen.paper_svg import SPACE_MM
from coach.screen.paper_type import POINT
from tests.papers import (
    SCORES,
    dressed,
)

pytestmark = pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")


# Lines


def test_lines_are_four_bars_where_they_fit():
    assert break_lines([20.0] * 8, 100.0, 5.0, [1] * 8) == (0, 4)
    assert break_lines([20.0] * 4, 100.0, 5.0, [1] * 4) == (0,)


def test_a_pickup_does_not_count_as_a_bar():
    assert break_lines([4.0, *[20.0] * 8], 100.0, 5.0, [0, *[1] * 8]) == (0, 5)


def test_a_line_had_better_begin_with_a_phrase():
    assert break_lines([15.0] * 10, 100.0, 5.0, [1] * 10, frozenset((0, 5))) == (0, 5)


def test_wide_bars_are_fewer_on_a_line_and_one_too_wide_stands_alone():
    assert break_lines([45.0] * 4, 100.0, 5.0, [1] * 4) == (0, 2)
    assert break_lines([150.0, 150.0], 100.0, 5.0, [1, 1]) == (0, 1)


# Files


@pytest.fixture(scope="module")
def etude() -> tuple[Piece, Preparation]:
    opened = open_piece(SCORES[4])
    return opened, dressed(prepare(opened.score))


@pytest.mark.parametrize(("size", "width", "height"), [("a4", 210.0, 297.0), ("letter", 215.9, 279.4)])
def test_a_pdf_has_its_size_its_pages_and_its_text(etude, tmp_path, size, width, height):
    from pypdf import PdfReader

    opened, preparation = etude
    path = tmp_path / "page.pdf"
    count = paper.print_page(preparation, opened.xml, opened.title, path, kind="pdf", paper=size)
    reader = PdfReader(path, strict=True)
    assert len(reader.pages) == count > 1
    assert reader.metadata is not None
    assert reader.metadata.title == opened.title
    for number, page in enumerate(reader.pages, 1):
        assert float(page.mediabox.width) * POINT == pytest.approx(width, abs=0.5)
        assert float(page.mediabox.height) * POINT == pytest.approx(height, abs=0.5)
        text = page.extract_text()
        assert f"{number} / {count}" in text
        assert opened.title in text
        assert "p back" in text
        operators = re.findall(rb"(?<![\w/])(rg|RG|k|K|sc|SC|scn|SCN)\b", page.get_contents().get_data())
        assert not operators  # shades of grey only
    assert "Am" in reader.pages[0].extract_text()
    assert [p.name for p in tmp_path.iterdir()] == ["page.pdf"]


def test_the_same_page_is_the_same_file(etude, tmp_path):
    opened, preparation = etude
    for name in ("a.pdf", "b.pdf"):
        paper.print_page(preparation, opened.xml, opened.title, tmp_path / name, kind="pdf")
    # The engraver names what has no name at random; nothing of that is in the file.
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_pictures_are_numbered_and_of_200_dots_to_the_inch(etude, tmp_path):
    import pygame

    opened, preparation = etude
    count = paper.print_page(
        preparation, opened.xml, opened.title, tmp_path / "p.png", kind="png", paper="letter"
    )
    assert count > 1
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"p-{i}.png" for i in range(1, count + 1)]
    for path in tmp_path.iterdir():
        assert pygame.image.load(path).get_size() == (1700, 2200)
        data = path.read_bytes()
        at = data.index(b"pHYs")
        assert int.from_bytes(data[at + 4 : at + 8], "big") == 7874  # 200 to the inch, PNG's unit the metre


def test_one_picture_has_the_name_asked_for(tmp_path):
    import pygame

    opened = open_piece(SCORES[0])
    path = tmp_path / "one.png"
    assert paper.print_page(prepare(opened.score), opened.xml, opened.title, path, kind="png") == 1
    assert pygame.image.load(path).get_size() == (1654, 2339)
    assert [p.name for p in tmp_path.iterdir()] == ["one.png"]


def one_line_error(found: pytest.ExceptionInfo[CoachError]) -> str:
    text = str(found.value)
    assert "\n" not in text
    return text


@pytest.mark.parametrize("kind", ["pdf", "png"])
def test_a_folder_that_is_not_there_is_one_line(etude, tmp_path, kind):
    opened, preparation = etude
    with pytest.raises(CoachError) as found:
        paper.print_page(preparation, opened.xml, opened.title, tmp_path / "no" / "page", kind=kind)
    assert "cannot be written" in one_line_error(found)


def test_a_folder_in_the_files_place_is_one_line_and_nothing_is_left_behind(etude, tmp_path):
    opened, preparation = etude
    (tmp_path / "page.pdf").mkdir()
    with pytest.raises(CoachError) as found:
        paper.print_page(preparation, opened.xml, opened.title, tmp_path / "page.pdf", kind="pdf")
    assert "cannot be written" in one_line_error(found)
    assert [p.name for p in tmp_path.iterdir()] == ["page.pdf"]


@pytest.mark.parametrize(
    ("child", "why"),
    [
        ("import sys; sys.exit(3)", "code 3"),
        ("import time; time.sleep(60)", "longer than"),
        ("print('not what was asked for')", "cannot be read"),
        ("print('[]')", "drew nothing"),
    ],
)
def test_an_engraver_that_fails_is_one_line_and_leaves_the_old_file(tmp_path, child, why):
    opened = open_piece(SCORES[0])
    path = tmp_path / "page.pdf"
    path.write_bytes(b"the old page")
    with pytest.raises(CoachError) as found:
        paper.print_page(
            prepare(opened.score), opened.xml, opened.title, path,
            kind="pdf", command=(sys.executable, "-c", child), timeout_s=1.0,
        )  # fmt: skip
    assert why in one_line_error(found)
    assert path.read_bytes() == b"the old page"
    assert [p.name for p in tmp_path.iterdir()] == ["page.pdf"]


def test_no_engraver_and_no_notation_are_one_line(etude, tmp_path, monkeypatch):
    opened, preparation = etude
    with pytest.raises(CoachError) as found:
        paper.print_page(preparation, "", opened.title, tmp_path / "page.pdf", kind="pdf")
    assert "no notation" in one_line_error(found)
    monkeypatch.setattr("coach.screen.engraver_process.version", lambda _: "")
    with pytest.raises(CoachError) as found:
        paper.print_page(preparation, opened.xml, opened.title, tmp_path / "page.pdf", kind="pdf")
    assert "verovio" in one_line_error(found)


def test_printing_needs_no_window(tmp_path):
    """With a pygame that cannot be imported, in this process and the engraver's."""
    (tmp_path / "pygame.py").write_text("raise ImportError('no window here')")
    code = (
        "import sys; from pathlib import Path\n"
        "from coach.app.piece import open_piece; from coach.core.preparation import prepare\n"
        "from coach.screen.paper import print_page\n"
        "piece = open_piece(Path(sys.argv[1])); ready = prepare(piece.score)\n"
        "for kind in ('pdf', 'png'):\n"
        "    print_page(ready, piece.xml, piece.title, Path(sys.argv[2]) / f'page.{kind}', kind=kind)\n"
    )
    root = Path(__file__).parents[1]
    environment = {**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{root}"}
    done = subprocess.run(
        [sys.executable, "-c", code, str(SCORES[0]), str(tmp_path)],
        env=environment, cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF-1.4")
    assert (tmp_path / "page.png").read_bytes().startswith(b"\x89PNG")


def test_a_title_of_any_letters_is_printed(tmp_path):
    from pypdf import PdfReader

    opened = open_piece(SCORES[0])
    title = "Été, Яблоко, ☃ " + "and so on " * 12
    path = tmp_path / "page.pdf"
    paper.print_page(replace(prepare(opened.score), form=Form()), opened.xml, title, path, kind="pdf")
    assert "Été, Яблоко, ☃" in PdfReader(path).pages[0].extract_text()


def test_ink_knows_where_it_is():
    level = line(10, 5, 30, 5, 0.4)
    assert [tuple(round(v, 3) for v in rect) for rect in level.rects()] == [(9.8, 4.8, 30.2, 5.2)]
    slanting = line(0, 0, 10, 10, 0.2)
    rects = list(slanting.rects())
    assert len(rects) == 20
    assert all(abs((r.top + r.bottom) / 2 - r.middle) < 0.3 for r in rects)
    assert SPACE_MM * 4 == 7.0  # a staff of 7 mm


def test_the_legend_says_why_letters_are_few(etude, tmp_path):
    from pypdf import PdfReader

    opened, preparation = etude
    paper.print_page(preparation, opened.xml, opened.title, tmp_path / "a.pdf", kind="pdf")
    text = PdfReader(tmp_path / "a.pdf").pages[0].extract_text()
    assert "fingers, letters and ways are written where they change" in text
