"""Where a player stood is kept in a file for each piece, and a broken one is never silently lost."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from coach.core.drill import Drill, PassResult, Rules
from coach.core.errors import CoachError
from coach.files.ladder_file import FORMAT, ladder_path, read_ladder, set_aside, write_ladder
from tests.drill_room import ladder_of_etude

RUNGS = ladder_of_etude(2)
CLEAN = PassResult(complete=True, clean=True, notes=10)


def practised() -> Drill:
    drill = Drill(RUNGS, Rules(), at=5)
    for minute in range(8):
        drill.take(CLEAN, minute * 60_000_000)
    drill.visit(RUNGS[2], 0.7)
    drill.take(CLEAN, 9 * 60_000_000)
    return drill


def test_what_is_kept_is_read_again(tmp_path: Path):
    path = tmp_path / "not yet" / "there" / "a.json"
    drill = practised()
    write_ladder(path, drill.to_plain(), "Étude, with “quotes” and a 𝄞")
    plain, notice = read_ladder(path)
    assert notice == ""
    again = Drill.from_plain(plain, RUNGS, Rules())
    assert again.to_plain() == drill.to_plain()
    assert (again.rung, again.count, again.passes) == (RUNGS[2], 1, 9)
    assert json.loads(path.read_text("utf-8"))["title"] == "Étude, with “quotes” and a 𝄞"
    write_ladder(path, Drill(RUNGS).to_plain(), "anew")
    assert json.loads(path.read_text("utf-8"))["title"] == "anew"
    assert [p.name for p in path.parent.iterdir()] == ["a.json"]


def test_nothing_kept_is_nothing_to_say(tmp_path: Path):
    assert read_ladder(tmp_path / "none.json") == (None, "")


@pytest.mark.parametrize(
    "broken",
    [
        b"",
        b"{",
        b"null",
        b"[1, 2]",
        b'"ladder"',
        b"\xff\xfe\x00",
        b'{"format": 2, "drill": {}}',
        b'{"drill": {}}',
        b"[" * 100_000,
    ],
    ids=["empty", "cut off", "null", "a list", "a string", "no text", "a later version", "none", "deep"],
)
def test_a_broken_file_is_moved_aside_with_one_line(tmp_path: Path, broken: bytes):
    path = tmp_path / "abc.json"
    path.write_bytes(broken)
    plain, notice = read_ladder(path)
    assert plain is None
    assert notice.startswith(str(path))
    assert notice.endswith("it is kept as abc.broken.json, the ladder begins at its foot")
    assert "\n" not in notice
    assert not path.exists()
    assert (tmp_path / "abc.broken.json").read_bytes() == broken


def test_a_second_broken_file_takes_the_first_ones_place_and_the_ladder_goes_on(tmp_path: Path):
    path = tmp_path / "abc.json"
    for _ in range(2):
        path.write_text("{")
        assert read_ladder(path)[1]
        write_ladder(path, practised().to_plain(), "t")
        assert read_ladder(path)[1] == ""


def test_a_path_that_cannot_be_read_says_so(tmp_path: Path):
    path = tmp_path / "abc.json"
    path.mkdir()
    plain, notice = read_ladder(path)
    assert plain is None
    assert "kept as" in notice


def test_a_file_that_cannot_be_moved_stays(tmp_path: Path):
    gone = tmp_path / "gone.json"
    assert "it is kept as gone.json" in set_aside(gone, "why")


def test_a_folder_that_cannot_be_written_is_one_clear_line(tmp_path: Path):
    (tmp_path / "taken").write_text("a file where the folder should be")
    with pytest.raises(CoachError) as raised:
        write_ladder(tmp_path / "taken" / "abc.json", practised().to_plain(), "t")
    line = str(raised.value)
    assert "where you stand on the ladder cannot be written" in line
    assert "free or unlock the folder" in line
    assert "\n" not in line


def test_each_score_has_its_own_file_in_the_takes_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("COACH_TAKES", str(tmp_path / "takes"))
    one, other = ladder_path("ab" * 32), ladder_path("cd" * 32)
    assert one == tmp_path / "takes" / "ladders" / "abababababababab.json"
    assert other.name == "cdcdcdcdcdcdcdcd.json"
    assert ladder_path("").name == "no-digest.json"
    assert ladder_path("../../etc/passwd").parent == one.parent
    assert FORMAT == 1
