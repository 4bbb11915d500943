"""What a take says of itself, and what is done where that is damaged."""

import json
from pathlib import Path

import pytest

from coach.core.errors import TakeError
from coach.files.recording import TakeMeta, read_take
from coach.files.smf_bytes import meta as meta_event
from tests.take_build import OFF, ON, record


def _told(path: Path, change) -> None:
    """Write a take whose JSON ``change`` has been at."""
    record(path, [(0, ON), (50_000, OFF)], meta=TakeMeta(title="x"))
    data = path.read_bytes()
    at = data.index(b"\xff\x01") + 4
    text = data[at : data.index(b"\x00\xff\x51", at)]
    changed = change(json.loads(text))
    changed = changed if isinstance(changed, bytes) else json.dumps(changed, separators=(",", ":")).encode()
    head = meta_event(3, b"x") + meta_event(1, changed) + data[at + len(text) : data.rindex(b"MTrk")]
    path.write_bytes(data[:18] + len(head).to_bytes(4, "big") + head + data[data.rindex(b"MTrk") :])


def test_what_cannot_be_used_has_its_default_and_a_notice(tmp_path):
    bad = {
        "profile": {"base_channel": 99},
        "tolerances": {"damp_ms": "much"},
        "chunk": [9, 2],
        "click_qpm": -4,
        "started": "yesterday",
        "tick_us": True,
    }
    _told(tmp_path / "t.mid", lambda plain: plain | bad)
    take = read_take(tmp_path / "t.mid")
    assert take.meta == TakeMeta(title="x")
    assert take.messages == ((0, ON), (50_000, OFF))
    assert [notice.split()[2] for notice in take.notices] == [
        "profile", "tolerances", "chunk", "click_qpm", "tick_us", "started",
    ]  # fmt: skip
    assert (
        take.notices[0]
        == "The take's profile cannot be used (base_channel is 99, not 1 to 16): the default is taken"
    )


def test_fields_left_out_or_unknown_are_no_fault(tmp_path):
    _told(tmp_path / "t.mid", lambda plain: {"format": 1, "profile": {}, "mood": "fine"})
    take = read_take(tmp_path / "t.mid")
    assert (take.meta, take.notices) == (TakeMeta(), ())


def test_damaged_json_still_gives_the_messages(tmp_path):
    _told(tmp_path / "t.mid", lambda plain: b'{"format":1,"profile":' + b"[" * 30_000)
    take = read_take(tmp_path / "t.mid")
    assert take.messages == ((0, ON), (50_000, OFF))
    assert "damaged" in take.notices[0]


def test_a_later_format_is_refused_with_a_remedy(tmp_path):
    _told(tmp_path / "t.mid", lambda plain: plain | {"format": 2})
    with pytest.raises(TakeError, match=r"t.mid: its format is 2, and this program knows 1; use the version"):
        read_take(tmp_path / "t.mid")
