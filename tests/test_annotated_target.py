"""Where a marked score is written: whole, through links, and refused in one line where it cannot be."""

import os
import re
from pathlib import Path

import pytest

from coach.app.piece import open_piece
from coach.core.errors import CoachError
from coach.core.preparation import prepare
from coach.files.annotated import annotated_xml, write_annotated
from coach.files.taste import Taste, read_taste, write_taste
from tests.xml_scores import attributes, document, note

LONG = "x" * 250 + ".musicxml"
NOBODY = 65534


def placed(folder, text, name="tune.musicxml"):
    path = folder / name
    path.write_bytes(text)
    return path


def prepared(path):
    return prepare(open_piece(path).score)


@pytest.fixture
def source(tmp_path):
    return placed(tmp_path, document(attributes(2, 4) + note("E2", 1) + note("A2", 1), note("D3", 2)))


@pytest.fixture
def shut(tmp_path):
    """A folder that whoever runs the tests cannot enter."""
    folder = tmp_path / "shut"
    folder.mkdir()
    user = os.geteuid()
    folder.chmod(0)
    if user == 0:
        os.seteuid(NOBODY)
    yield folder
    if user == 0:
        os.seteuid(user)
    folder.chmod(0o700)


def refused(act):
    with pytest.raises(CoachError) as caught:
        act()
    line = str(caught.value)
    assert line.isprintable()
    assert re.fullmatch(r".+: .+; .+", line)
    return line


def test_the_file_is_written_whole_and_never_over_the_score(tmp_path, source):
    source_bytes = source.read_bytes()
    preparation = prepared(source)
    target = tmp_path / "out.musicxml"
    for _ in range(2):  # a file of ours may be written again
        write_annotated(source, preparation, target)
        assert target.read_text("utf-8") == annotated_xml(source, preparation)
    for bad, says in (
        (source, "this is the score itself; name another file"),
        (tmp_path / "x" / ".." / source.name, "itself|cannot be written"),
        (tmp_path / "out.mxl", "call it .musicxml"),
        (tmp_path / "no" / "out.musicxml", "cannot be written"),
        (tmp_path, "this is a folder"),
    ):
        with pytest.raises(CoachError, match=says):
            write_annotated(source, preparation, bad)
    assert source.read_bytes() == source_bytes
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out.musicxml", source.name]


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("", "this is a folder"),
        (".", "this is a folder"),
        ("/", "this is a folder"),
        ("tune.musicxml/x", "Not a directory"),
        ("tune.musicxml/x/y.musicxml", "Not a directory"),
        (LONG, "File name too long"),
        ("a\0b", "no file name"),
        ("fifo", "no regular file"),
        ("loop", "no regular file"),
        ("/dev/null", "no regular file"),
    ],
)
def test_a_name_that_cannot_be_written_is_told_in_one_line(tmp_path, source, monkeypatch, name, says):
    monkeypatch.chdir(tmp_path)
    os.mkfifo("fifo")
    Path("loop").symlink_to("loop")
    before = sorted(p.name for p in tmp_path.iterdir())
    line = refused(lambda: write_annotated(source, prepared(source), Path(name)))
    assert says in line
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_a_folder_that_may_not_be_entered_is_told_in_one_line(source, shut):
    line = refused(lambda: write_annotated(source, None, shut / "out.musicxml"))
    assert "Permission denied" in line
    score = shut / "tune.musicxml"
    assert "Permission denied" in refused(lambda: read_taste(score))
    assert "Permission denied" in refused(lambda: write_taste(score, Taste("concert")))


def test_a_name_as_long_as_can_be_is_written(tmp_path, source):
    target = tmp_path / ("x" * 246 + ".musicxml")  # 255 bytes, the most that usual file systems take
    write_annotated(source, prepared(source), target)
    assert target.read_text("utf-8") == annotated_xml(source, prepared(source))


def test_what_a_link_leads_to_is_written(tmp_path, source):
    (tmp_path / "kept").mkdir()
    target, link = tmp_path / "kept" / "out.musicxml", tmp_path / "out.musicxml"
    link.symlink_to(Path("kept", "out.musicxml"))
    for _ in range(2):  # the first time there is nothing at its end yet
        write_annotated(source, prepared(source), link)
        assert link.is_symlink()
        assert target.read_text("utf-8") == annotated_xml(source, prepared(source))
        target.chmod(0o640)
    assert target.stat().st_mode & 0o777 == 0o640
    assert [p.name for p in target.parent.iterdir()] == ["out.musicxml"]
    back = tmp_path / "back.musicxml"
    back.symlink_to(source)
    assert "score itself" in refused(lambda: write_annotated(source, prepared(source), back))
    hard = tmp_path / "hard.musicxml"
    hard.hardlink_to(source)
    assert "score itself" in refused(lambda: write_annotated(source, prepared(source), hard))


def test_a_taste_file_that_is_a_link_stays_one(tmp_path):
    kept = tmp_path / "mine.toml"
    kept.write_text("teacher = 'K.'\n", "utf-8")
    (tmp_path / "tune.taste.toml").symlink_to(kept)
    write_taste(tmp_path / "tune.musicxml", Taste("concert"))
    assert (tmp_path / "tune.taste.toml").is_symlink()
    assert kept.read_text("utf-8") == "level = \"concert\"\nteacher = 'K.'\n"


def test_a_disk_that_fails_leaves_the_old_file_and_no_other(tmp_path, source, monkeypatch):
    target = placed(tmp_path, b"old", "out.musicxml")

    def full(*_args, **_options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    monkeypatch.setattr(Path, "unlink", full)  # even tidying up may fail
    line = refused(lambda: write_annotated(source, prepared(source), target))
    assert "No space left on device" in line
    assert target.read_bytes() == b"old"
