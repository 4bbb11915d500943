"""What is remembered, and that nothing is lost when it cannot be read or written."""

import tomllib

import pytest

from coach.core.errors import CoachError
from coach.core.pedal import Switch
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


def test_the_page_and_the_pedal_are_read_back_and_strange_keys_within_a_table_stay(tmp_path):
    (tmp_path / "settings.toml").write_text(
        "future = [1, 2]\n"
        "[pedal_forward]\ncontroller = 64\nchannel = 2\nfoot = 'left'\n"
        "[pedal_back]\nprogram = 5\nchannel = 16\n"
    )
    settings = load_settings(tmp_path)
    assert settings.pedal_forward == Switch(64, 2, 63, "controller", 0)
    assert settings.pedal_back == Switch(5, 16, kind="program", every=True)
    assert (settings.screen_mm, settings.text_scale, settings.still, settings.pedal_port) == (
        None,
        1.0,
        False,
        "",
    )
    settings.screen_mm, settings.text_scale, settings.still, settings.pedal_port = 340.0, 1.5, True, "Steps"
    settings.pedal_back = Switch(60, 9, 0, "note")
    settings.save()
    again = load_settings(tmp_path)
    assert (again.screen_mm, again.text_scale, again.still, again.pedal_port) == (340.0, 1.5, True, "Steps")
    assert (again.pedal_forward, again.pedal_back) == (Switch(64, 2), Switch(60, 9, 0, "note"))
    plain = tomllib.loads((tmp_path / "settings.toml").read_text())
    assert plain["future"] == [1, 2]
    assert plain["pedal_forward"]["foot"] == "left"
    again.pedal_forward = again.pedal_back = None
    again.save()
    plain = tomllib.loads((tmp_path / "settings.toml").read_text())
    assert plain == {
        "future": [1, 2], "last_port": "", "pedal_port": "Steps", "screen_mm": 340.0, "still": True,
        "text_scale": 1.5,
    }  # fmt: skip


@pytest.mark.parametrize(
    "switch",
    [
        Switch(0, 1),
        Switch(127 - 8, 16, 0, rest=127),
        Switch(81, 3, every=True),
        Switch(127, 9, 0, "note"),
        Switch(0, 1, kind="program", every=True),
    ],
    ids=str,
)
def test_every_kind_of_switch_is_read_back(tmp_path, switch):
    settings = load_settings(tmp_path)
    settings.pedal_back = switch
    settings.save()
    assert load_settings(tmp_path).pedal_back == switch


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("screen_mm = 5", "screen_mm is not between 50 and 10,000"),
        ("sound_latency_ms = 0", "sound_latency_ms is not between 0.1 and 2,000"),
        ("sound_device = 3", "sound_device is no text"),
        ("screen_mm = nan", "screen_mm is not between 50 and 10,000"),
        ("text_scale = 0.5", "text_scale is not between 1 and 2"),
        ("text_scale = true", "text_scale is not between 1 and 2"),
        ("still = 1", "still is neither true nor false"),
        ("pedal_port = 3", "pedal_port is no text"),
        ("pedal_forward = 64", "pedal_forward is no table"),
        ("[pedal_forward]\nchannel = 1", "pedal_forward: one of controller, note, program is needed"),
        ("[pedal_back]\nnote = 1\nprogram = 2", "pedal_back: one of controller, note, program is needed"),
        ("[pedal_back]\nnote = 128\nchannel = 1", "pedal_back: note is not between 0 and 127"),
        ("[pedal_back]\nnote = 60\nchannel = 0", "pedal_back: channel is not between 1 and 16"),
        ("[pedal_back]\nnote = 60\nchannel = 1\non_above = 127", "on_above is not between 0 and 126"),
        ("[pedal_back]\nnote = 60\nchannel = 1\nevery = 1", "every is neither true nor false"),
        ("[pedal_back]\ncontroller = 123\nchannel = 1", "Controller 123 "),
    ],
)
def test_a_bad_value_moves_the_file_aside_and_is_named(tmp_path, text, what):
    path = tmp_path / "settings.toml"
    path.write_text(f"{text}\n" if text.startswith("[") else f'last_port = "box"\n{text}\n')
    settings = load_settings(tmp_path)
    (notice,) = settings.notices
    assert what in notice
    assert "settings.broken.toml" in notice
    assert settings.last_port == ""
    assert (settings.pedal_forward, settings.pedal_back, settings.screen_mm) == (None, None, None)


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


def test_the_sounds_settings_are_kept(tmp_path):
    settings = load_settings(tmp_path)
    assert (settings.sound_device, settings.sound_latency_ms) == ("", None)
    settings.sound_device, settings.sound_latency_ms = "Headphones", 31.5
    settings.save()
    again = load_settings(tmp_path)
    assert (again.sound_device, again.sound_latency_ms) == ("Headphones", 31.5)
