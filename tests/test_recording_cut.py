"""Takes cut off: a kill loses at most 250 ms, and what is on disk opens, here and elsewhere, unmodified."""

import os
import random
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import mido
import pytest

from coach.files.recording import Recorder, read_take
from tests.take_build import FULL, ODD, OFF, ON, record


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
        "The take was cut off (4096 bytes at its end make no message): all 2 messages up to 01:05 are here",
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
