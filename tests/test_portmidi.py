"""PortMidi as the way in: its words, its polling, and what is said where it cannot be had."""

from __future__ import annotations

import os
import sys
import threading
import time

import pytest

from coach.devices import portmidi as portmidi_module
from coach.devices.messages import PortState
from coach.devices.midi_in import MidiIn
from coach.devices.portmidi import PortMidi, Sorter
from tests.harness import Inbox


@pytest.mark.skipif(sys.platform != "linux" or os.path.exists("/dev/snd/seq"), reason="this machine has ALSA")
def test_portmidi_without_alsa_is_one_plain_sentence() -> None:
    inbox = Inbox()
    with MidiIn(None, inbox, backend="PortMidi"):
        inbox.wait(lambda box: len(box.states) == 1)
    assert inbox.states[0] == PortState(
        "no-backend",
        "No MIDI system answers (ALSA: its sequencer is not there): "
        "load ALSA's sequencer (modprobe snd-seq) or start a JACK server.",
    )


class FakePortMidi:
    """``pygame.midi`` with one output and one input, which holds what ``waiting`` holds."""

    MidiException = OSError

    def __init__(self) -> None:
        self.waiting: list[list[int]] = []
        self.ended = False

    def init(self) -> None:
        pass

    def quit(self) -> None:
        self.ended = True

    def get_count(self) -> int:
        return 2

    def get_device_info(self, index: int) -> tuple[bytes, bytes, int, int, int]:
        return (b"ALSA", b"Hexbox out", 0, 1, 0) if index == 0 else (b"ALSA", b"Hexbox in", 1, 0, 0)

    def Input(self, device: int, buffer: int) -> FakePortMidi:
        assert device == 1
        return self

    def poll(self) -> bool:
        return bool(self.waiting)

    def read(self, count: int) -> list[list[object]]:
        taken, self.waiting = self.waiting[:count], self.waiting[count:]
        return [[word, 0] for word in taken]

    def close(self) -> None:
        pass


def test_portmidi_hands_on_whole_messages_with_stamps_of_now() -> None:
    midi, heard = FakePortMidi(), list[tuple[int, bytes]]()
    backend = PortMidi(midi)
    assert backend.names() == ["Hexbox in"]
    backend.open(0, lambda stamp_ns, data: heard.append((stamp_ns, data)))
    midi.waiting = [[0x90, 64, 90, 0], [0xD0, 5, 0, 0], *([0x80, 64, 0, 0] for _ in range(40))]
    before = time.perf_counter_ns()
    backend.run(0.01, threading.Event())
    after = time.perf_counter_ns()
    assert [data for _, data in heard] == [b"\x90\x40\x5a", b"\xd0\x05", *([b"\x80\x40\x00"] * 40)]
    assert all(before <= stamp_ns <= after for stamp_ns, _ in heard)
    backend.close()
    assert midi.ended


@pytest.mark.parametrize(
    ("answer", "names"),
    [
        ("""print('{"answered": "PortMidi"}')""", []),  # the box was pulled out
        ("""print('{"answered": "PortMidi"}\\n{"port": ["PortMidi", "Hexbox in"]}')""", ["Hexbox in"]),
        ("raise SystemExit(1)", ["Hexbox in"]),  # the look failed: no reason to give the port up
    ],
)
def test_portmidi_has_a_fresh_process_look_while_nobody_plays(
    answer: str, names: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(portmidi_module, "python_command", lambda *_: [sys.executable, "-c", answer])
    monkeypatch.setattr(portmidi_module, "QUIET_NS", 0)
    backend = PortMidi(FakePortMidi())
    backend.open(0, lambda stamp_ns, data: None)
    backend.run(0.002, threading.Event())
    assert backend._look is not None
    backend._look.wait(20)
    backend.run(0.002, threading.Event())
    assert backend._look is None
    assert backend.names() == names


def test_portmidi_words_become_messages() -> None:
    # Lengths by the MIDI 1.0 Detailed Specification 4.2.1, table I (status bytes and data bytes).
    sorter = Sorter()
    assert sorter.sort([0xC3, 7, 0, 0]) == [b"\xc3\x07"]
    assert sorter.sort([0xF2, 1, 2, 0]) == [b"\xf2\x01\x02"]
    assert sorter.sort([0xF6, 0, 0, 0]) == [b"\xf6"]
    assert sorter.sort([0xFE, 0, 0, 0]) == [b"\xfe"]


def test_portmidi_puts_long_messages_together() -> None:
    sorter = Sorter()
    assert sorter.sort([0xF0, 1, 2, 3]) == []
    assert sorter.sort([0xF8, 0, 0, 0]) == [b"\xf8"]  # the clock ticks on meanwhile
    assert sorter.sort([4, 0xFE, 5, 6]) == [b"\xfe"]
    assert sorter.sort([0xF7, 0, 0, 0]) == [bytes.fromhex("f0 01 02 03 04 05 06 f7")]
    assert sorter.sort([0xF0, 1, 0xF7, 0]) == [b"\xf0\x01\xf7"]
    assert sorter.sort([0xF0, 1, 2, 3]) == []
    assert sorter.sort([0x90, 64, 1, 0]) == [b"\x90\x40\x01"]  # the long one was cut short
