"""Takes on disk: what goes in comes out, in this program and in others; a kill loses at most 250 ms.

Byte layouts are those of Standard MIDI Files 1.0 (MMA, RP-001), pages named beside each check.
"""

import json
import os
import random
import select
import signal
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.errors import TakeError
from coach.core.profile import Profile
from coach.files import recording
from coach.files.recording import Recorder, TakeMeta, new_take_path, read_take
from coach.files.smf_bytes import meta as meta_event
from coach.files.smf_bytes import vlq
from coach.files.take import LONGEST_US

ON, OFF = bytes((0x94, 45, 90)), bytes((0x84, 45, 64))
FULL = TakeMeta(
    title="Étude du tram nº 2",
    digest="ab" * 32,
    profile=Profile(name="attic", base_channel=11, bend_range=12.0, on_delay_ms=(4.0, 5.0, 6.5)),
    tolerances={"damp_ms": 120.0, "melody_ms": 250.0},
    chunk=(5, 8),
    click_qpm=72.0,
    started="2031-05-04T18:30:00",
)


def record(path, messages, *, meta=FULL, end_us=None, **how):
    with Recorder(path, meta, **how) as recorder:
        for time_us, data in messages:
            recorder.write(time_us, data)
        recorder.close(end_us)
    assert recorder.failed is None
    return recorder


def test_a_take_comes_back_as_it_was_played(tmp_path):
    played = [(0, ON), (50, OFF), (1_000_000, b"\xe4\x00\x40"), (1_000_000, b"\xc3\x07"), (61_000_000, ON)]
    recorder = record(tmp_path / "t.mid", played, qpm=72, end_us=62_345_678)
    take = read_take(tmp_path / "t.mid")
    assert take.messages == tuple(played)
    assert take.meta == recorder.meta
    assert take.meta.tick_us == 50
    assert (take.complete, take.notices) == (True, ())
    assert take.end_us == recorder.quantise(62_345_678) == 62_345_700
    assert recorder.messages == 5


def test_every_byte_of_a_small_take_by_hand(tmp_path):  # RP-001 pp. 3-10
    record(tmp_path / "t.mid", [(100, ON), (12_900, OFF)], meta=TakeMeta(), qpm=60, meter=(6, 8), fifths=-3)
    data = (tmp_path / "t.mid").read_bytes()
    assert data[14:18] == b"MTrk"
    assert int.from_bytes(data[18:22], "big") == data.rindex(b"MTrk") - 22
    assert data[22:25] == b"\x00\xff\x01"
    text_end = 27 + ((data[25] & 0x7F) << 7 | data[26])  # a length of two bytes
    assert json.loads(data[27:text_end])["format"] == 1
    # 60 quarters a minute: 20,000 ticks (4E 20) of 50 µs, a tempo of 1,000,000 µs (0F 42 40)
    assert data[:14] == bytes.fromhex("4D546864 00000006 0001 0002 4E20")
    tail = bytes.fromhex(
        "00 FF5103 0F4240"
        "00 FF5804 06 03 24 08"  # 6/8, 36 clocks (24 hex) a dotted quarter: RP-001's own example, p. 10
        "00 FF5902 FD 00"  # three flats
        "00 FF2F00"
        "4D54726B 0000000D"
        "02 94 2D 5A"  # 100 µs are 2 ticks
        "8200 84 2D 40"  # 12,800 µs are 256 ticks
        "00 FF2F00"
    )
    assert data[text_end:] == tail


@pytest.mark.parametrize(
    ("qpm", "tick_us", "division", "tempo_us"),
    [
        (72, 50, 16_667, 833_350),
        (30, 100, 20_000, 2_000_000),
        (18.3, 50, 32_787 // 2 + 1, None),
        (10, 100, 30_000, None),
    ],
)
def test_the_tick_is_a_whole_number_of_us_and_the_tempo_the_pieces_own(
    tmp_path, qpm, tick_us, division, tempo_us
):
    if tempo_us is None:  # too slow for fifteen bits of division: a multiple of the tempo is stated
        recorder = record(tmp_path / "t.mid", [(0, ON)], qpm=qpm)
        file = mido.MidiFile(tmp_path / "t.mid")
        stated = next(m.tempo for m in file.tracks[0] if m.type == "set_tempo")
        assert stated == file.ticks_per_beat * recorder.tick_us
        assert file.ticks_per_beat <= 32_767
        assert recorder.tick_us <= 100
        assert abs(60e6 / qpm / stated - round(60e6 / qpm / stated)) < 1e-3
        return
    assert record(tmp_path / "t.mid", [(0, ON)], qpm=qpm).tick_us == tick_us
    file = mido.MidiFile(tmp_path / "t.mid")
    assert file.ticks_per_beat == division
    assert [m.tempo for m in file.tracks[0] if m.type == "set_tempo"] == [tempo_us]


def test_mido_opens_a_finished_take_and_sees_the_same(tmp_path):
    rng = random.Random(7)
    played, at = [], 0
    for _ in range(400):
        at += rng.randrange(0, 500_000, 50)
        string = rng.randrange(6)
        played.append(
            (at, bytes((rng.choice((0x80, 0x90, 0xE0)) | string, rng.randrange(128), rng.randrange(128))))
        )
    record(tmp_path / "t.mid", played, qpm=96, meter=(3, 4), fifths=2)
    file = mido.MidiFile(tmp_path / "t.mid")
    assert (file.type, len(file.tracks)) == (1, 2)
    names = {m.type: m for m in file.tracks[0]}
    assert names["track_name"].name.encode("latin1").decode() == FULL.title
    assert (names["time_signature"].numerator, names["time_signature"].denominator) == (3, 4)
    assert names["key_signature"].key == "D"
    tempo, ticks, seen = names["set_tempo"].tempo, 0, []
    for message in file.tracks[1]:
        ticks += message.time
        if not message.is_meta:
            us = mido.tick2second(ticks, file.ticks_per_beat, tempo) * 1e6
            seen.append((round(us), bytes(message.bytes())))
            assert abs(us - round(us)) < 1e-3
    assert seen == played
    assert file.tracks[1][-1].type == "end_of_track"
    file.save(tmp_path / "again.mid")  # another program's rewriting (running status) changes nothing for us
    assert read_take(tmp_path / "again.mid").messages == tuple(played)
    assert read_take(tmp_path / "again.mid").meta == read_take(tmp_path / "t.mid").meta


ODD = [
    b"\xf8",  # clock
    b"\xfe",  # active sensing
    b"\xff",  # reset
    b"\xf0\x7e\x7f\x06\x01\xf7",  # a whole sysex
    b"\xf0\x43\x12",  # one broken off
    b"\x43\x12\xf7",  # and its rest
    b"\xf0\x43\xf8\x12\xf7",  # a clock inside a sysex
    b"\x94",
    b"\x94\x2d",
    b"\x2d\x5a",  # data by running status
    b"\x94\x2d\x5a\x2d\x00",  # two messages in one
    b"\x94\x2d\xff",
    b"\xc2\xf0",
    b"\xf7",
    b"\xf0\xf7",
    bytes(range(256)),
]


def test_whatever_comes_is_recorded_and_the_file_stays_legal(tmp_path):
    played = [(number * 1000, data) for number, data in enumerate(ODD)]
    record(tmp_path / "t.mid", played)
    assert read_take(tmp_path / "t.mid").messages == tuple(played)
    file = mido.MidiFile(tmp_path / "t.mid")
    whole = [bytes(m.bytes()) for m in file.tracks[1] if m.type == "sysex"]
    assert whole == [b"\xf0\x7e\x7f\x06\x01\xf7", b"\xf0\xf7"]
    assert sum(m.type == "sequencer_specific" for m in file.tracks[1]) == len(ODD) - 2


_times = st.one_of(st.integers(0, 2_000_000), st.integers(0, LONGEST_US // 1000), st.integers(0, LONGEST_US))
_bytes = st.one_of(
    st.binary(min_size=1, max_size=6),
    st.tuples(st.integers(0x80, 0xEF), st.integers(0, 127), st.integers(0, 127)).map(bytes),
    st.sampled_from(ODD),
)


@settings(max_examples=150, deadline=None)
@given(played=st.lists(st.tuples(_times, _bytes), max_size=20), qpm=st.floats(5, 400), end=st.none() | _times)
def test_any_bytes_at_any_times_come_back(tmp_path_factory, played, qpm, end):
    path = tmp_path_factory.mktemp("any") / "t.mid"
    played.sort(key=lambda message: message[0])
    recorder = record(path, played, qpm=qpm, end_us=end)
    take = read_take(path)
    assert take.messages == tuple((recorder.quantise(at), data) for at, data in played)
    assert take.complete
    assert take.meta == recorder.meta
    last = take.messages[-1][0] if played else 0
    assert take.end_us == (last if end is None else max(last, recorder.quantise(end)))
    file = mido.MidiFile(path)
    ticks = sum(m.time for m in file.tracks[1])
    assert ticks * recorder.tick_us == take.end_us


def test_quantised_times_are_fixed_points_and_keep_their_order(tmp_path):
    recorder = record(tmp_path / "t.mid", [], qpm=30)
    assert recorder.tick_us == 100
    assert [recorder.quantise(t) for t in (0, 49, 50, 149, 150, 1_000_050)] == [
        0,
        0,
        100,
        100,
        200,
        1_000_100,
    ]


def test_a_time_that_runs_backwards_is_held_and_counted(tmp_path):
    recorder = record(tmp_path / "t.mid", [(1000, ON), (400, OFF), (-5, ON), (1050, OFF)])
    assert [at for at, _ in read_take(tmp_path / "t.mid").messages] == [1000, 1000, 1000, 1050]
    assert recorder.clamped == 2


def test_a_silence_longer_than_four_bytes_of_ticks(tmp_path):  # RP-001 p. 2: 0FFFFFFF is the greatest
    late = 5 * 3600 * 1_000_000
    record(tmp_path / "t.mid", [(0, ON), (late, OFF)], qpm=120, end_us=2 * late)
    take = read_take(tmp_path / "t.mid")
    assert take.messages == ((0, ON), (late, OFF))
    assert take.end_us == 2 * late
    texts = [m for m in mido.MidiFile(tmp_path / "t.mid").tracks[1] if m.type == "text"]
    assert [m.time for m in texts] == [0x0FFFFFFF, 0x0FFFFFFF]


def test_a_day_is_the_longest_take(tmp_path):
    with Recorder(tmp_path / "t.mid", TakeMeta()) as recorder:
        recorder.write(LONGEST_US, ON)
        recorder.write(LONGEST_US + 50, OFF)
        recorder.write(LONGEST_US, OFF)
        assert recorder.failed is not None
    assert "24 hours" in recorder.failed
    assert recorder.lost == 2
    assert read_take(tmp_path / "t.mid").messages == ((LONGEST_US, ON),)


def test_what_the_recorder_writes_the_reader_takes_in(tmp_path, monkeypatch):
    monkeypatch.setattr(recording, "TAKE_LIMITS", recording.TAKE_LIMITS.__class__(20_000, 256, 5_000))
    with Recorder(tmp_path / "t.mid", TakeMeta()) as recorder:
        for number in range(9000):
            recorder.write(number * 1000, ON)
    assert recorder.failed is not None
    assert recorder.messages + recorder.lost == 9000
    assert recorder.messages == len(read_take(tmp_path / "t.mid").messages) == 905
    assert (tmp_path / "t.mid").stat().st_size < 20_000


def test_a_huge_message_is_split_so_that_others_can_read_it(tmp_path):
    data = b"\xf0" + bytes(2_500_000) + b"\xf7"
    record(tmp_path / "t.mid", [(0, data), (0, ON)])
    take = read_take(tmp_path / "t.mid")
    assert b"".join(part for _, part in take.messages[:-1]) == data
    assert take.messages[-1] == (0, ON)
    assert len(mido.MidiFile(tmp_path / "t.mid").tracks[1]) == 5


# -- when the disk does not do its part --------------------------------------------------------------


def test_a_folder_that_cannot_be_made_is_one_line_and_playing_goes_on(tmp_path):
    (tmp_path / "file").write_text("in the way")
    recorder = Recorder(tmp_path / "file" / "takes" / "t.mid", TakeMeta())
    assert recorder.failed is not None
    assert "\n" not in recorder.failed
    assert "Not a directory" in recorder.failed
    recorder.write(0, ON)
    (tmp_path / "file").unlink()  # the stick is put back in
    recorder.write(50, OFF)
    recorder.close()
    assert recorder.failed is None
    assert read_take(tmp_path / "file" / "takes" / "t.mid").messages == ((0, ON), (50, OFF))


def test_a_take_is_never_written_over_another(tmp_path):
    (tmp_path / "t.mid").write_bytes(b"precious")
    with Recorder(tmp_path / "t.mid", TakeMeta()) as recorder:
        recorder.write(0, ON)
    assert recorder.failed is not None
    assert (tmp_path / "t.mid").read_bytes() == b"precious"


def test_a_full_disk_is_one_line_and_nothing_is_lost_once_there_is_room(tmp_path, monkeypatch):
    recorder = Recorder(tmp_path / "t.mid", TakeMeta())
    recorder.write(0, ON)
    recorder.flush()
    size = (tmp_path / "t.mid").stat().st_size
    real = os.write

    def torn(file, data):  # a full disk takes a part of what is given, then nothing
        if len(data) > 4:
            return real(file, bytes(data)[:3])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(recording.os, "write", torn)
    recorder.write(50, OFF)
    recorder.write(100, ON)
    recorder.flush()
    assert "No space left on device" in (recorder.failed or "")
    torn_take = read_take(tmp_path / "t.mid")  # one and a half of two events of four bytes are on disk
    assert (tmp_path / "t.mid").stat().st_size == size + 6
    assert torn_take.messages == ((0, ON), (50, OFF))
    assert not torn_take.complete
    monkeypatch.setattr(recording.os, "write", real)
    recorder.close()
    assert recorder.failed is None
    take = read_take(tmp_path / "t.mid")
    assert (take.messages, take.complete) == (((0, ON), (50, OFF), (100, ON)), True)


def test_after_the_end_nothing_is_recorded_and_nothing_raised(tmp_path):
    recorder = record(tmp_path / "t.mid", [(0, ON)])
    recorder.write(50, OFF)
    recorder.close()
    assert recorder.lost == 1
    assert read_take(tmp_path / "t.mid").messages == ((0, ON),)


def test_names_say_when_and_what_and_are_never_taken_twice(tmp_path):
    started = datetime(2031, 5, 4, 18, 30, 0)
    first = new_take_path(tmp_path, "Étude: a/b\\c\ud800 \x00..", started)
    assert first == tmp_path / "2031-05-04-183000-étude-a-b-c.mid"
    first.write_bytes(b"")
    second = new_take_path(tmp_path, "Étude: a/b\\c\ud800 \x00..", started)
    assert second == tmp_path / "2031-05-04-183000-étude-a-b-c-2.mid"
    assert new_take_path(tmp_path, "...", started).name == "2031-05-04-183000.mid"
    assert len(new_take_path(tmp_path, "x" * 5000, started).name) < 80


# -- cut off ----------------------------------------------------------------------------------------


def test_cut_anywhere_every_whole_message_is_there_and_the_file_is_left_alone(tmp_path):
    played = [(number * 40_000, data) for number, data in enumerate([ON, OFF, *ODD[:-1], b"\xe4\x00\x40"])]
    record(tmp_path / "t.mid", played, end_us=10_000_000)
    data = (tmp_path / "t.mid").read_bytes()
    head = data.rindex(b"MTrk") + 8
    ends, at = [head], head  # where each message ends, counted event by event as RP-001 pp. 5-7 lays them out
    while data[at : at + 2] != b"\x81\xff" and at < len(data) - 4:
        while data[at] >= 0x80:  # delta time
            at += 1
        status = data[at + 1]
        if status == 0xFF:
            at += 4 + data[at + 3]
        elif status == 0xF0:
            at += 3 + data[at + 2]
        else:
            at += 3 if 0xC0 <= status < 0xE0 else 4
        ends.append(at)
    ends = ends[: len(played) + 1]
    for cut in range(head, len(data)):
        for stated in (
            0,
            cut - head,
            len(data) - head,
        ):  # the length may lag behind, or run ahead of, the events
            torn = data[: head - 4] + stated.to_bytes(4, "big") + data[head:cut]
            (tmp_path / "cut.mid").write_bytes(torn)
            take = read_take(tmp_path / "cut.mid")
            there = sum(end <= cut for end in ends) - 1
            assert take.messages == tuple(played[:there])
            assert not take.complete
            assert take.meta.digest == FULL.digest
            (notice,) = take.notices
            assert f"all {there} messages up to 00:00 are here" in notice
            assert (tmp_path / "cut.mid").read_bytes() == torn


def test_a_file_cut_off_by_a_power_cut_ends_in_zeros(tmp_path):
    record(tmp_path / "t.mid", [(0, ON), (65_000_000, OFF)])
    data = (tmp_path / "t.mid").read_bytes()[:-4]
    (tmp_path / "t.mid").write_bytes(data + bytes(4096))
    take = read_take(tmp_path / "t.mid")
    assert take.messages == ((0, ON), (65_000_000, OFF))
    assert take.notices == (
        "The take was cut off (4096 bytes at its end make no message):"
        " all 2 messages up to 01:05 are here",
    )


def test_while_it_is_recorded_the_file_opens_in_other_programs(tmp_path):
    with Recorder(tmp_path / "t.mid", FULL) as recorder:
        assert [len(track) for track in mido.MidiFile(tmp_path / "t.mid").tracks] == [6, 0]
        for number in range(1, 6):
            recorder.write(number * 100_000, ON)
            recorder.flush()
            file = mido.MidiFile(tmp_path / "t.mid")
            assert [bytes(m.bytes()) for m in file.tracks[1]] == [ON] * number
            take = read_take(tmp_path / "t.mid")
            assert len(take.messages) == number
            assert not take.complete


CHILD = """
import os, sys, time, random
from coach.files.recording import Recorder, TakeMeta
path, seed, quiet = sys.argv[1], int(sys.argv[2]), sys.argv[3] == "quiet"
rng = random.Random(seed)
recorder = Recorder(path, TakeMeta(title="to be killed"), qpm=72)
start = time.perf_counter_ns()
assert recorder.failed is None
os.write(1, b"ready\\n")
while True:
    time.sleep(rng.choice((0.001, 0.004, 0.02, 0.12)))
    for _ in range(rng.choice((1, 1, 2, 6, 20))):
        status = rng.choice((0x80, 0x90, 0xE0)) | rng.randrange(6)
        data = bytes((status, rng.randrange(128), rng.randrange(128)))
        if rng.random() < 0.05:
            data = rng.choice((b"\\xfe", b"\\xf8", b"\\xf0\\x7e\\x00\\xf7", b"\\x90", bytes(300)))
        stamp = time.perf_counter_ns()
        at = recorder.quantise((stamp - start) // 1000)
        os.write(1, f"{stamp} {at} {data.hex()}\\n".encode())
        recorder.write(at, data)
    if quiet:
        time.sleep(100)
"""


def _start_child(path: Path, seed: int, manner: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", CHILD, str(path), str(seed), manner],
        stdout=subprocess.PIPE,
        bufsize=0,
        cwd=Path(__file__).parents[1],
    )


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is a POSIX matter")
@pytest.mark.parametrize("batch", range(10))
def test_kill_9_at_random_moments_loses_at_most_250_ms(tmp_path, batch):
    """Five recording processes at once, killed one after another: fifty kills in all."""
    rng = random.Random(batch)
    paths = [tmp_path / f"{number}.mid" for number in range(5)]
    children = [
        _start_child(path, batch * 100 + number, "quiet" if number == 0 else "busy")
        for number, path in enumerate(paths)
    ]
    try:
        for child in children:
            assert child.stdout.readline() == b"ready\n"
        began = time.perf_counter_ns()
        moments = sorted((rng.uniform(0.4, 1.1), number) for number in range(5))
        killed, told = {}, dict.fromkeys(range(5), b"")
        for moment, number in moments:
            while (left := moment - (time.perf_counter_ns() - began) / 1e9) > 0:
                pipes = {c.stdout: n for n, c in enumerate(children) if n not in killed}
                for pipe in select.select(list(pipes), [], [], left)[0]:  # a full pipe would stop the child
                    told[pipes[pipe]] += os.read(pipe.fileno(), 1 << 16)
            killed[number] = time.perf_counter_ns()
            children[number].send_signal(signal.SIGKILL)
        for number, child in enumerate(children):
            told[number] += child.stdout.read()
            assert child.wait() == -signal.SIGKILL
    finally:
        for child in children:
            child.kill()
            child.wait()
            child.stdout.close()
    for number, path in enumerate(paths):
        lines = [line.split() for line in told[number].decode().splitlines()]
        received = [(int(at), bytes.fromhex(data)) for _, at, data in lines]
        due = sum(int(stamp) <= killed[number] - 250_000_000 for stamp, _, _ in lines)
        before = path.read_bytes()
        take = read_take(path)
        assert due > 0
        assert len(take.messages) >= due
        assert take.messages == tuple(received[: len(take.messages)])
        assert not take.complete
        assert take.meta.title == "to be killed"
        assert path.read_bytes() == before
        assert len(mido.MidiFile(path).tracks[1]) <= len(take.messages)  # and it opens elsewhere as it is


# -- what a take says of itself ----------------------------------------------------------------------


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


# RP-001 p. 2: the table of variable-length quantities.
VLQ = [
    (0x00, "00"), (0x40, "40"), (0x7F, "7F"), (0x80, "81 00"), (0x2000, "C0 00"), (0x3FFF, "FF 7F"),
    (0x4000, "81 80 00"), (0x100000, "C0 80 00"), (0x1FFFFF, "FF FF 7F"), (0x200000, "81 80 80 00"),
    (0x8000000, "C0 80 80 00"), (0xFFFFFFF, "FF FF FF 7F"),
]  # fmt: skip


@pytest.mark.parametrize(("value", "octets"), VLQ)
def test_variable_length_quantities(value, octets):
    assert vlq(value) == bytes.fromhex(octets)


def test_a_number_of_more_than_four_bytes_is_never_written():
    for value in (-1, 0x10000000):
        with pytest.raises(ValueError, match="four bytes"):
            vlq(value)
