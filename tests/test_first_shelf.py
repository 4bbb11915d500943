"""The shelf of scores, the takes at hand, and the entry in the desktop's menu."""

from __future__ import annotations

import shlex
import shutil
import struct
import sys
from pathlib import Path

import pytest

from coach.app.first import install_entry
from coach.core.errors import CoachError
from coach.files import desktop_entry
from coach.files.desktop_entry import entry_text, install_desktop_entry
from coach.files.shelf import MOST_SCORES, Shelved, included_scores, read_shelf, recent_takes
from tests.harness import ROOT


def score(folder: Path, name: str) -> Path:
    path = folder / name
    path.write_text("<score-partwise/>", "utf-8")
    return path


def test_the_newest_score_stands_first_and_once(tmp_path):
    shelf = read_shelf(tmp_path)
    assert shelf.at_hand == []
    one, two = score(tmp_path, "ä one.xml"), score(tmp_path, "two.xml")
    shelf.put(one, "One")
    shelf.put(two, "Two “quoted” \\ [x]")
    shelf.put(one, "One again")
    again = read_shelf(tmp_path)
    assert again.scores == [Shelved(one, "One again"), Shelved(two, "Two “quoted” \\ [x]")]
    assert again.notices == []


def test_a_missing_score_is_left_out_quietly_and_comes_back_with_its_stick(tmp_path):
    shelf = read_shelf(tmp_path)
    path = score(tmp_path, "one.xml")
    shelf.put(path, "One")
    path.unlink()
    shelf = read_shelf(tmp_path)
    assert (shelf.at_hand, shelf.notices) == ([], [])
    shelf.put(score(tmp_path, "two.xml"), "Two")
    score(tmp_path, "one.xml")
    assert [one.title for one in read_shelf(tmp_path).at_hand] == ["Two", "One"]


def test_the_shelf_holds_so_many_and_no_more(tmp_path):
    shelf = read_shelf(tmp_path)
    for i in range(MOST_SCORES + 3):
        shelf.put(score(tmp_path, f"{i}.xml"), str(i))
    titles = [one.title for one in read_shelf(tmp_path).at_hand]
    assert titles == [str(i) for i in range(MOST_SCORES + 2, 2, -1)]


@pytest.mark.parametrize(
    "text",
    ["score = 3", "[[score]]\ntitle = 'no path'", "[[score]]\npath = 3", "[[score", "\0", "score = ['x']"],
)
def test_a_broken_shelf_is_kept_aside_with_a_notice(tmp_path, text):
    (tmp_path / "scores.toml").write_text(text, "utf-8")
    shelf = read_shelf(tmp_path)
    assert shelf.scores == []
    assert len(shelf.notices) == 1
    assert (tmp_path / "scores.broken.toml").read_text("utf-8") == text
    shelf.put(score(tmp_path, "one.xml"), "One")
    assert [one.title for one in read_shelf(tmp_path).at_hand] == ["One"]


def test_a_folder_that_cannot_be_written_is_one_line(tmp_path):
    (tmp_path / "file").write_text("", "utf-8")
    shelf = read_shelf(tmp_path / "file")
    with pytest.raises(CoachError, match="list of scores cannot be written"):
        shelf.put(score(tmp_path, "one.xml"), "One")


def test_the_included_scores_have_their_titles():
    assert [one.title for one in included_scores()][:2] == ["Lamps On", "A Borrowed Umbrella"]


def test_takes_come_newest_first_with_piece_and_day(tmp_path):
    source = ROOT / "recordings"
    shutil.copy(source / "01-lamps-on-evening.mid", tmp_path / "2026-11-24-190400-lamps-on.mid")
    shutil.copy(source / "04-pages-turning-evening.mid", tmp_path / "2026-11-25-080000-pages.mid")
    (tmp_path / "2026-11-26-080000-broken.mid").write_bytes(b"nothing")
    (tmp_path / "notes.txt").write_text("no take", "utf-8")
    takes = recent_takes(tmp_path)
    assert [take.title for take in takes] == ["", "Pages Turning", "Lamps On"]
    assert takes[0].path.stem.endswith("broken")
    assert takes[2].started is not None
    assert takes[2].started.isoformat()[:16] == "2026-11-24T19:04"  # as the file's own JSON says
    assert len(recent_takes(tmp_path, most=2)) == 2
    assert recent_takes(tmp_path / "none") == []


# --- the desktop entry ------------------------------------------------------------------------------

# Keys for Type Application and those it requires, listed by hand: Desktop Entry Specification 1.5,
# "Recognized desktop entry keys", specifications.freedesktop.org/desktop-entry-spec/1.5/recognized-keys.html
KNOWN = {
    "Type", "Version", "Name", "GenericName", "NoDisplay", "Comment", "Icon", "Hidden", "OnlyShowIn",
    "NotShowIn", "DBusActivatable", "TryExec", "Exec", "Path", "Terminal", "Actions", "MimeType",
    "Categories", "Implements", "Keywords", "StartupNotify", "StartupWMClass",
    "PrefersNonDefaultGPU", "SingleMainWindow",
}  # fmt: skip
REQUIRED = {"Type", "Name", "Exec"}
# Desktop Menu Specification, "Registered Categories": Audio must have AudioVideo beside it.
CATEGORIES = {"AudioVideo", "Audio", "Music", "Education"}


def keys_of(text: str) -> dict[str, str]:
    head, *lines = text.splitlines()
    assert head == "[Desktop Entry]"
    pairs = [line.split("=", 1) for line in lines]
    assert len({key for key, _ in pairs}) == len(pairs)
    return dict(pairs)


def on_linux(monkeypatch: pytest.MonkeyPatch, data: Path) -> None:
    monkeypatch.setattr(desktop_entry.sys, "platform", "linux")
    monkeypatch.setenv("XDG_DATA_HOME", str(data))


def test_the_entry_is_a_desktop_entry_and_its_icon_lies_beside_it(tmp_path, monkeypatch):
    on_linux(monkeypatch, tmp_path / "data")
    path = install_entry()
    assert path == tmp_path / "data" / "applications" / "coach.desktop"
    keys = keys_of(path.read_text("utf-8"))
    assert keys.keys() <= KNOWN
    assert keys.keys() >= REQUIRED
    assert keys["Type"] == "Application"
    assert keys["Terminal"] == "false"
    categories = keys["Categories"]
    assert categories.endswith(";")
    assert set(categories[:-1].split(";")) == CATEGORIES
    assert shlex.split(keys["Exec"]) == [sys.executable, "-m", "coach"]
    assert Path(sys.executable).is_absolute()
    picture = Path(keys["Icon"]).read_bytes()
    assert Path(keys["Icon"]).parent == path.parent
    assert picture.startswith(b"\x89PNG\r\n\x1a\n")
    assert struct.unpack(">II", picture[16:24]) == (256, 256)
    assert install_entry() == path  # again: it is written over


def test_an_odd_path_is_quoted_as_the_specification_says():
    # "The Exec key": an argument with a reserved sign is put in double quotes, in which double quote,
    # backtick, dollar and backslash are escaped; a percent sign is doubled; then string escaping makes
    # \\ of each \.
    text = entry_text(['/opt/a b/100%/$x"y\\z', "-m", "coach"], Path("/i con.png"))
    keys = keys_of(text)
    assert keys["Exec"] == r'"/opt/a b/100%%/\\$x\\"y\\\\z" -m coach'
    assert keys["Icon"] == "/i con.png"


def test_elsewhere_than_on_linux_there_is_one_line(tmp_path, monkeypatch):
    on_linux(monkeypatch, tmp_path)
    monkeypatch.setattr(desktop_entry.sys, "platform", "darwin")
    with pytest.raises(CoachError, match="only Linux"):
        install_desktop_entry(b"")
    assert list(tmp_path.iterdir()) == []


def test_a_relative_data_home_is_ignored(monkeypatch, tmp_path):
    on_linux(monkeypatch, tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", "somewhere")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert desktop_entry.applications_folder() == tmp_path / ".local" / "share" / "applications"


def test_a_data_home_that_is_a_file_is_one_line(monkeypatch, tmp_path):
    (tmp_path / "file").write_text("", "utf-8")
    on_linux(monkeypatch, tmp_path / "file")
    with pytest.raises(CoachError, match="nothing can be written there"):
        install_entry()
