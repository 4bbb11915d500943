"""The whole way of a message on a real port: another process, a JACK server, our child, our pipe."""

from __future__ import annotations

import os
import signal
from itertools import pairwise
from pathlib import Path

import mido
import pytest

from coach.devices.midi_in import MidiIn
from coach.devices.ports import list_ports, pick_port
from tests.harness import Inbox, JackServer, sending, until

NOTES = 150  # each on and off


@pytest.fixture
def on_jack(jack: JackServer, monkeypatch: pytest.MonkeyPatch) -> JackServer:
    for key, value in jack.env.items():
        monkeypatch.setenv(key, value)
    return jack


def write_take(path: Path, notes: int = NOTES, gap_ticks: int = 12) -> list[bytes]:
    """Write notes that are all different and return their bytes; a gap of 12 ticks is 12.5 ms."""
    track = mido.MidiTrack()
    sent = []
    for number in range(notes):
        for velocity in (1 + number % 127, 0):  # velocity 0: as many converters end a note
            message = mido.Message(
                "note_on", channel=number % 6, note=40 + number % 45, velocity=velocity, time=gap_ticks
            )
            track.append(message)
            sent.append(bytes(message.bytes()))
    mido.MidiFile(type=1, ticks_per_beat=480, tracks=[mido.MidiTrack(), track]).save(path)
    return sent


def test_all_messages_arrive_in_order_with_stamps_that_increase(on_jack: JackServer, tmp_path: Path) -> None:
    take = tmp_path / "take.mid"
    sent = write_take(take)
    inbox = Inbox()
    with sending("hexbox", take, on_jack.env, speed=2), MidiIn("HEXBOX", inbox):
        inbox.wait(lambda box: len(box.heard) == len(sent))
    assert [m.data for m in inbox.heard] == sent
    stamps = [m.stamp_ns for m in inbox.heard]
    assert all(earlier < later for earlier, later in pairwise(stamps))
    # 299 gaps of 6.25 ms.  The server's period (2.7 ms) may take a little away; a busy machine only adds.
    assert stamps[-1] - stamps[0] > 299 * 6.25e6 - 2 * 2.7e6
    assert inbox.states[-1].state == "open"
    assert inbox.states[-1].port == "hexbox:out"


def test_the_list_and_the_choice_see_the_port(on_jack: JackServer, tmp_path: Path) -> None:
    take = tmp_path / "take.mid"
    write_take(take, 1)
    assert list_ports() == []
    with sending("hexbox", take, on_jack.env):
        assert until(lambda: bool(list_ports()))
        ports = list_ports()
    assert [(p.backend, p.name) for p in ports] == [("JACK", "hexbox:out")]
    assert pick_port(ports, "hex") == ports[0]


def test_a_killed_sender_is_lost_and_taken_up_again(on_jack: JackServer, tmp_path: Path) -> None:
    take, endless = tmp_path / "take.mid", tmp_path / "endless.mid"
    sent = write_take(take)
    write_take(endless, 2, gap_ticks=480 * 60)  # silent for a minute: it is there, and then it is killed
    inbox = Inbox()
    with MidiIn("hexbox", inbox):
        inbox.wait(lambda box: box.kinds() == ["waiting"])
        with sending("hexbox", endless, on_jack.env) as sender:
            inbox.wait(lambda box: box.kinds() == ["waiting", "open"])
            sender.kill()
            # A synchronous server waits 5 s for the killed client before it takes its port away.
            inbox.wait(lambda box: box.kinds() == ["waiting", "open", "lost"])
        with sending("hexbox", take, on_jack.env, speed=4):
            inbox.wait(lambda box: len(box.heard) == len(sent))
    assert inbox.kinds() == ["waiting", "open", "lost", "open"]
    assert [m.data for m in inbox.heard] == sent
    lost = inbox.states[2]
    assert lost.port == "hexbox:out"
    assert "“hexbox:out” is no longer there" in lost.text


def test_a_killed_server_is_one_sentence_and_a_new_one_is_found(on_jack: JackServer, tmp_path: Path) -> None:
    take, endless = tmp_path / "take.mid", tmp_path / "endless.mid"
    sent = write_take(take)
    write_take(endless, 2, gap_ticks=480 * 60)
    inbox = Inbox()
    with MidiIn(None, inbox):
        with sending("hexbox", endless, on_jack.env):
            inbox.wait(lambda box: box.kinds()[-1:] == ["open"])
            before = inbox.kinds()
            on_jack.kill()
            inbox.wait(lambda box: len(box.kinds()) > len(before))
        assert inbox.kinds() == [*before, "lost"]
        assert inbox.states[-1].text.startswith("JACK has stopped, and “hexbox:out” with it;")
        on_jack.start()
        with sending("hexbox", take, on_jack.env, speed=4):
            inbox.wait(lambda box: len(box.heard) == len(sent))
    assert inbox.kinds() == [*before, "lost", "open"]
    assert [m.data for m in inbox.heard] == sent


def test_a_killed_reader_is_started_again(on_jack: JackServer, tmp_path: Path) -> None:
    endless = tmp_path / "endless.mid"
    write_take(endless, 2, gap_ticks=480 * 60)
    inbox = Inbox()
    with sending("hexbox", endless, on_jack.env), MidiIn("hexbox", inbox) as midi_in:
        inbox.wait(lambda box: box.kinds()[-1:] == ["open"])
        before = inbox.kinds()
        assert midi_in.child_pid is not None
        os.kill(midi_in.child_pid, signal.SIGKILL)
        inbox.wait(lambda box: box.kinds() == [*before, "failed", "open"])
    assert "SIGKILL" in inbox.states[-2].text


def test_closing_leaves_the_server_in_good_order(on_jack: JackServer, tmp_path: Path) -> None:
    take = tmp_path / "take.mid"
    sent = write_take(take, 20)
    for _ in range(3):  # a client that went without a word would stop the next one for 5 s
        inbox = Inbox()
        with sending("hexbox", take, on_jack.env, speed=4), MidiIn("hexbox", inbox):
            inbox.wait(lambda box: len(box.heard) == len(sent), timeout_s=4.5)
        assert [m.data for m in inbox.heard] == sent
