"""A track at a MIDI output: the messages themselves, the player with an output of paper, and real ports."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections import Counter
from collections.abc import Iterator
from time import perf_counter_ns
from typing import ClassVar

import pytest

from coach.core.sounding import Tick, Tone, Track
from coach.devices import midi_out_child
from coach.devices.midi_notes import channel_of, round_of
from coach.devices.midi_out import MidiSpeaker
from coach.devices.midi_out_child import Player
from coach.devices.midi_outputs import PortMidiOut, Unusable, choose
from coach.devices.ports import Port
from coach.devices.sound_wire import Play, Stop
from tests.harness import JackServer, until

NS = 1_000_000_000

# --- the messages -------------------------------------------------------------------------------------


def test_each_string_has_a_channel_and_none_has_the_percussions() -> None:
    assert [channel_of(string) for string in range(1, 7)] == [0, 1, 2, 3, 4, 5]
    channels = [channel_of(string) for string in range(1, 11)]
    assert 9 not in channels
    assert len(set(channels)) == 10
    assert channel_of(0) not in channels


def test_notes_are_sent_and_taken_back_at_their_times() -> None:
    track = Track((Tone(0.5, 40.0, 6, 90, 1.25), Tone(1.25, 45.3, 5, 70)), (), 2.0)
    assert [(row.at_s, tuple(row.data)) for row in round_of(track, 0)] == [
        (0.5, (0x95, 40, 90)),
        (1.25, (0x85, 40, 0)),  # before the next note at the same time
        (1.25, (0x94, 45, 70)),
        (2.0, (0x84, 45, 0)),  # what rings on is taken back at the end
    ]


def test_a_string_sounds_one_note() -> None:
    track = Track((Tone(0.0, 40.0, 6, 90), Tone(1.0, 40.0, 6, 80, 9.0), Tone(0.0, 64.0, 1, 70)), (), 2.0)
    string_6 = [(row.at_s, tuple(row.data)) for row in round_of(track, 0) if row.data[0] & 0x0F == 5]
    assert string_6 == [
        (0.0, (0x95, 40, 90)),
        (1.0, (0x85, 40, 0)),
        (1.0, (0x95, 40, 80)),
        (2.0, (0x85, 40, 0)),
    ]


def test_the_click_is_side_stick_and_closed_hi_hat_of_channel_10() -> None:
    track = Track((), (Tick(0.0, 2), Tick(0.5, 0), Tick(1.0, 1)), 2.0)
    ons = [tuple(row.data) for row in round_of(track, 0) if row.data[0] & 0xF0 == 0x90]
    assert [data[:2] for data in ons] == [(0x99, 37), (0x99, 42), (0x99, 37)]
    assert ons[0][2] > ons[2][2] > ons[1][2]
    offs = [row for row in round_of(track, 0) if row.data[0] & 0xF0 == 0x80]
    assert [row.data[1] for row in offs] == [37, 42, 37]


def test_a_later_round_is_reckoned_from_the_beginning() -> None:
    track = Track((Tone(0.1, 52.0, 4, 90),), (Tick(0.0, 2),), 0.7, period_s=0.7)
    rows = round_of(track, 100_000)
    assert rows[0].at_s == 100_000 * 0.7
    assert [row.at_s for row in rows if row.data[0] == 0x93] == [100_000 * 0.7 + 0.1]
    assert [row.at_s for row in rows if row.data[0] == 0x83] == [100_000 * 0.7 + 0.7]


# --- the player, with its time held still -------------------------------------------------------------


class Paper:
    """An output that writes down what it is sent."""

    name = "paper"

    def __init__(self, *names: str) -> None:
        self.sent: list[tuple[int, ...]] = []
        self.ports = list(names)
        self.closed = False

    def names(self) -> list[str]:
        return self.ports

    def open_out(self, index: int) -> None:
        pass

    def send(self, message: bytes) -> None:
        self.sent.append(tuple(message))

    def dead(self) -> bool:
        return False

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    now = [50 * NS]
    monkeypatch.setattr(midi_out_child, "perf_counter_ns", lambda: now[0])
    return now


TRACK = Track((Tone(0.0, 40.0, 6, 90), Tone(0.5, 47.0, 4, 80, 0.75)), (Tick(0.25, 1),), 1.0)


def test_the_player_sends_what_is_due_and_no_more(clock: list[int]) -> None:
    paper = Paper("box")
    player = Player(paper, Port("paper", "box"), latency_ns=30_000_000)
    player.obey(Play(3, 52 * NS, TRACK))
    assert player.begun() == (3, 52 * NS)
    assert player.wait_s() == pytest.approx(0.1)  # never longer, so that it reports now and then
    assert paper.sent == []
    clock[0] = 52 * NS - 30_000_000 - 1
    assert player.wait_s() == pytest.approx(1e-9)
    clock[0] += 1
    player.wait_s()
    assert paper.sent == [(0x95, 40, 90)]
    clock[0] += NS // 2
    player.wait_s()
    assert paper.sent[1:] == [(0x99, 37, 84), (0x89, 37, 0), (0x93, 47, 80)]
    clock[0] += NS
    player.wait_s()
    assert paper.sent[4:] == [(0x83, 47, 0), (0x85, 40, 0)]
    assert player.ended() == [3]
    assert player.begun() is None


def test_a_stop_takes_every_note_back(clock: list[int]) -> None:
    paper = Paper("box")
    player = Player(paper, Port("paper", "box"), 0)
    player.obey(Play(3, None, TRACK))
    clock[0] += NS * 6 // 10
    player.wait_s()
    del paper.sent[:]
    player.obey(Stop())
    assert paper.sent == [(0x83, 47, 0), (0x85, 40, 0), (0xB3, 123, 0), (0xB5, 123, 0)]
    assert player.ended() == [3]
    clock[0] += NS
    player.wait_s()
    player.obey(Stop())
    assert len(paper.sent) == 4
    assert player.ended() == []


def test_a_loop_comes_again_without_drifting(clock: list[int]) -> None:
    paper = Paper("box")
    player = Player(paper, Port("paper", "box"), 0)
    player.obey(Play(1, 60 * NS, Track((), (Tick(0.0, 2),), 0.3, period_s=0.3)))
    for _ in range(6000):  # ten minutes in steps of 0.1 s
        clock[0] += NS // 10
        player.wait_s()
    ons = [message for message in paper.sent if message[0] == 0x99]
    assert len(ons) == (clock[0] - 60 * NS) // (3 * NS // 10) + 1
    player.close()
    assert paper.closed


def test_nothing_to_choose_from_and_too_much() -> None:
    with pytest.raises(Unusable, match="no MIDI system"):
        choose([], None)
    with pytest.raises(Unusable, match="no MIDI output"):
        choose([Paper()], None)
    with pytest.raises(Unusable, match="2 MIDI outputs"):
        choose([Paper("one", "two")], None)
    with pytest.raises(Unusable, match="has “three” in its name"):
        choose([Paper("one", "two")], "three")
    assert choose([Paper("one", "two")], "tw")[1].name == "two"
    assert choose([Paper("Midi Through:0", "one")], None)[1].name == "one"


def test_portmidi_sends_where_the_other_library_has_no_wheel() -> None:
    sent: list[tuple[int, ...]] = []

    class Output:
        def __init__(self, index: int, latency: int) -> None:
            if index == 3:
                raise Midi.MidiException("busy")
            assert (index, latency) == (1, 0)

        def write_short(self, *message: int) -> None:
            sent.append(message)

        def close(self) -> None:
            sent.append(())

    class Midi:
        class MidiException(Exception):
            pass

        devices: ClassVar = [(b"x", b"keys", 1, 0, 0), (b"x", b"box", 0, 1, 0), (b"x", b"in", 1, 0, 0),
                             (b"x", b"b\xffx", 0, 1, 0)]  # fmt: skip

        def init(self) -> None:
            pass

        quit = init

        def get_count(self) -> int:
            return 4

        def get_device_info(self, index: int) -> tuple[bytes, bytes, int, int, int]:
            return self.devices[index]

    Midi.Output = Output  # type: ignore[attr-defined]
    out = PortMidiOut(Midi())
    assert out.names() == ["box", "b�x"]
    with pytest.raises(OSError, match="busy"):
        out.open_out(1)
    out.open_out(0)
    out.send(bytes((0x90, 40, 90)))
    out.close()
    assert sent == [(0x90, 40, 90), ()]
    assert not out.dead()


# --- real ports ---------------------------------------------------------------------------------------


class Synth:
    """A synthesizer at a JACK port of this process that writes down what it hears, and when."""

    def __init__(self, name: str) -> None:
        import rtmidi  # no wheel of it for every Python

        self.heard: list[tuple[int, tuple[int, ...]]] = []
        self._lock = threading.Lock()
        self._in = rtmidi.MidiIn(rtapi=rtmidi.API_UNIX_JACK, name=name)
        self._in.set_callback(self._hear)
        self._in.open_virtual_port("in")

    def _hear(self, event: tuple[list[int], float], _data: object) -> None:
        with self._lock:
            self.heard.append((perf_counter_ns(), tuple(event[0])))

    def messages(self) -> list[tuple[int, ...]]:
        with self._lock:
            return [message for _ns, message in self.heard]

    def close(self) -> None:
        self._in.cancel_callback()
        self._in.close_port()
        self._in.delete()


@contextlib.contextmanager
def synth(name: str) -> Iterator[Synth]:
    made = Synth(name)
    try:
        yield made
    finally:
        made.close()


@pytest.fixture
def on_jack(jack: JackServer, monkeypatch: pytest.MonkeyPatch) -> JackServer:
    pytest.importorskip("rtmidi")
    for key, value in jack.env.items():
        monkeypatch.setenv(key, value)
    return jack


def test_a_synthesizer_hears_every_note_in_order_and_when_it_is_said(on_jack: JackServer) -> None:
    said: list[str] = []
    tones = tuple(Tone(k * 0.02, 40.0 + k % 30, k % 6 + 1, 60 + k % 40, k * 0.02 + 0.015) for k in range(60))
    track = Track(tones, (Tick(0.0, 2), Tick(0.61, 1)), 1.3)
    with synth("soundbox") as box, MidiSpeaker(port="soundbox", on_state=said.append) as speaker:
        assert until(lambda: speaker.state == "sound"), said
        token = speaker.play(track, at_ns=perf_counter_ns() + NS // 4)
        assert until(lambda: speaker.start_ns(token) is not None)
        start_ns = speaker.start_ns(token) or 0
        assert until(lambda: not speaker.playing)
        rows = round_of(track, 0)
        assert until(lambda: len(box.messages()) >= len(rows))
        heard = list(box.heard)
    assert said == ["The notes go to “soundbox:in”."]
    assert [message for _ns, message in heard] == [tuple(row.data) for row in rows]
    late_ms = sorted((ns - start_ns - row.at_s * NS) / 1e6 for (ns, _m), row in zip(heard, rows, strict=True))
    # JACK holds a message for up to two periods of 2.7 ms; the middle one of 124 tells, not a busy moment.
    assert 0 < late_ms[len(late_ms) // 2] < 12, late_ms


def test_a_stop_in_the_middle_and_a_second_track(on_jack: JackServer) -> None:
    ringing = Track(tuple(Tone(0.0, 40.0 + 5 * k, 6 - k, 90) for k in range(6)), (), 30.0)
    with synth("soundbox") as box, MidiSpeaker(on_state=lambda _text: None) as speaker:
        speaker.play(ringing)
        assert until(lambda: len(box.messages()) == 6)
        speaker.play(Track((Tone(0.0, 72.0, 1, 90, 0.1),), (), 0.2))
        assert until(lambda: not speaker.playing)
        assert until(lambda: (0x80, 72, 0) in box.messages())
        speaker.play(ringing)
        assert until(lambda: len(box.messages()) == 6 + 12 + 2 + 6)
        speaker.stop()
        assert until(lambda: len(box.messages()) == 6 + 12 + 2 + 6 + 12)
        messages = box.messages()
    kinds = Counter(message[0] & 0xF0 for message in messages)
    assert kinds == {0x90: 13, 0x80: 13, 0xB0: 12}
    assert sorted(messages[6:12]) == sorted((0x80 | k, 65 - 5 * k, 0) for k in range(6))
    assert sorted(messages[12:18]) == [(0xB0 | k, 123, 0) for k in range(6)]


def test_no_synthesizer_is_one_sentence(on_jack: JackServer) -> None:
    said: list[str] = []
    with MidiSpeaker(on_state=said.append) as speaker:
        assert until(lambda: bool(said))
        speaker.play(TRACK)
        assert until(lambda: not speaker.playing)
        assert speaker.state == "silent"
    wanted = (
        "No synthesizer here (there is no MIDI output): mend that and ask again; all else works in silence."
    )
    assert said == [wanted]


def test_a_synthesizer_that_goes_and_a_child_that_is_killed(on_jack: JackServer) -> None:
    said: list[str] = []
    loop = Track((), (Tick(0.0, 2),), 0.1, period_s=0.1)
    with MidiSpeaker(on_state=said.append, look_again_s=0.0) as speaker:
        with synth("soundbox") as box:
            speaker.play(loop)
            assert until(lambda: len(box.messages()) > 4), said
        assert until(lambda: speaker.state == "silent" and not speaker.playing)
        assert said[-1].startswith("The notes stopped: “soundbox:in” is gone.")
        with synth("soundbox") as box:
            speaker.play(loop)
            assert until(lambda: len(box.messages()) > 4), said
            pid = speaker.child_pid
            assert pid is not None
            os.kill(pid, signal.SIGKILL)
            assert until(lambda: speaker.state == "silent")
            assert "SIGKILL" in said[-1]
            before = len(box.messages())
            speaker.play(loop)
            # A synchronous server stands still for 5 s after a client was killed.
            assert until(lambda: len(box.messages()) > before + 4, 30), said
