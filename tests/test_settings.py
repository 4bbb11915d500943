"""What is remembered, and that nothing is lost when it cannot be read or written."""

import tomllib

import pytest

from coach.core.errors import CoachError
from coach.core.pitch import STANDARD, Tuning
from coach.files.settings import included, load_settings, parse_tuning, read_profile


def test_what_is_saved_is_read_back_and_strange_keys_stay(tmp_path):
    (tmp_path / "settings.toml").write_text('last_port = "old"\nfuture = [1, 2]\n')
    settings = load_settings(tmp_path)
    assert settings.last_port == "old"
    settings.last_port, settings.tolerance_ms = "guitar 1", 90.0
    settings.save()
    again = load_settings(tmp_path)
    assert (again.last_port, again.tolerance_ms, again.notices) == ("guitar 1", 90.0, [])
    assert tomllib.loads((tmp_path / "settings.toml").read_text())["future"] == [1, 2]
    assert [p.name for p in tmp_path.iterdir()] == ["settings.toml"]


@pytest.mark.parametrize(
    "text", ["last_port = ", "last_port = 3", "tolerance_ms = -5", 'tolerance_ms = "much"', "\x00\xff"]
)
def test_a_broken_file_is_kept_aside_and_named(tmp_path, text):
    path = tmp_path / "settings.toml"
    path.write_bytes(text.encode("latin-1"))
    settings = load_settings(tmp_path)
    assert settings.last_port == ""
    (notice,) = settings.notices
    assert "settings.broken.toml" in notice
    assert (tmp_path / "settings.broken.toml").read_bytes() == text.encode("latin-1")
    settings.save()
    assert load_settings(tmp_path).notices == []


def test_a_folder_that_cannot_be_written_is_one_line(tmp_path):
    (tmp_path / "file").write_text("in the way")
    settings = load_settings(tmp_path / "file")
    with pytest.raises(CoachError, match="cannot be written"):
        settings.save()


def test_tunings_are_named_lowest_string_first():
    assert parse_tuning("D2 A2 D3 G3 B3 E4", None, STANDARD) == Tuning((64, 59, 55, 50, 45, 38))
    assert parse_tuning("standard", 2, Tuning((64, 59, 55, 50, 45, 38))) == Tuning(STANDARD.open_pitches, 2)
    assert parse_tuning(None, None, STANDARD) is not None
    assert parse_tuning("B1 E2 A2 D3 G3 B3 E4", None, STANDARD).strings == 7


@pytest.mark.parametrize("text", ["", "X2", "E2 A2 D3 G3 B3 E9", " ".join(["E2"] * 11)])
def test_what_is_no_tuning_is_one_line(text):
    with pytest.raises(CoachError):
        parse_tuning(text, None, STANDARD)


def test_a_profile_file(tmp_path):
    path = tmp_path / "pickup.toml"
    path.write_text("base_channel = 11\nbend_range = 12\non_delay_ms = [1, 2, 3.5, 4, 5, 6]\n")
    profile = read_profile(path)
    assert (profile.base_channel, profile.bend_range, profile.on_delay_ms) == (
        11, 12.0, (1.0, 2.0, 3.5, 4.0, 5.0, 6.0),
    )  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        "base_channel = 17",
        "base_channel = true",
        "strings = 0",
        "on_delay_ms = 3",
        "name = [",
        "colour = 3",
        "fade_s = [5, 6]",
    ],
)
def test_a_profile_that_is_none_is_one_line(tmp_path, text):
    path = tmp_path / "pickup.toml"
    path.write_text(text)
    with pytest.raises(CoachError, match=r"pickup\.toml"):
        read_profile(path)


def test_what_is_included_is_found_and_what_is_not_is_said():
    assert included("scores", "01-lamps-on.musicxml").is_file()
    with pytest.raises(CoachError, match="not there"):
        included("scores", "nothing.musicxml")
