"""The pipe's frames, the child's search for a port, and the parent that outlives its child."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.devices import child as child_module
from coach.devices.backends import OnHeard, Unavailable
from coach.devices.child_end import DONE, LOOK_AGAIN, Outlet
from coach.devices.messages import Alive, Finished, Heard, Message, PortState, Unpacker, pack
from coach.devices.midi_child import Reader, Wish
from coach.devices.midi_in import MidiIn
from tests.harness import ROOT, Inbox, until

FAKE_CHILD = str(Path(__file__).with_name("fake_midi_child.py"))
MESSAGES: list[Message] = [
    Heard(123_456_789_012, b"\x90\x40\x7f"),
    Heard(-1, b""),
    Heard(2**62, b"\xf0" + bytes(70_000) + b"\xf7"),
    PortState("lost", "“Hexbox” is no longer there.", "Hexbox"),
    PortState("waiting", "There is no MIDI port."),
    Alive(),
    Finished(5),
]


# --- frames -------------------------------------------------------------------------------------------


@given(st.lists(st.integers(1, 200), max_size=400))
def test_messages_cross_in_pieces_of_any_size(sizes: list[int]) -> None:
    wire, unpacker, found, at = b"".join(map(pack, MESSAGES)), Unpacker(), list[Message](), 0
    for size in sizes:
        found += unpacker.feed(wire[at : at + size])
        at += size
    found += unpacker.feed(wire[at:])
    assert found == MESSAGES


def test_a_frame_is_kind_length_stamp_and_bytes() -> None:
    # By hand: kind 1, length 8 + 3, the stamp 258 = 0x0102 little-endian, then the message.
    assert pack(Heard(258, b"\x80\x40\x00")) == bytes.fromhex("01 0b000000 0201000000000000 804000")


def test_foreign_bytes_are_refused() -> None:
    with pytest.raises(ValueError, match="byte 76 begins no frame"):
        Unpacker().feed(b"Listen")


# --- the child: finding and keeping a port ----------------------------------------------------------------


class FakeBackend:
    """A MIDI system whose list of ports and whose life are a script: one entry for each look."""

    live = True

    def __init__(self, name: str, lists: list[list[str]], dies_at_look: int | None = None) -> None:
        self.name, self.lists, self.dies_at_look = name, lists, dies_at_look
        self.look = 0
        self.opened: str | None = None
        self.closed = False
        self.heard: OnHeard | None = None

    def names(self) -> list[str]:
        return self.lists[min(self.look, len(self.lists) - 1)]

    def open(self, index: int, heard: OnHeard) -> None:
        self.opened, self.heard = self.names()[index], heard

    def run(self, seconds: float, gone: threading.Event) -> None:
        assert self.heard is not None
        self.heard(1000 + self.look, bytes((0x90, self.look, 1)))
        self.look += 1

    def dead(self) -> bool:
        return self.dies_at_look is not None and self.look >= self.dies_at_look

    def close(self) -> None:
        self.closed = True


class Gone(threading.Event):
    """The parent goes away at the n-th look; waiting takes no time and advances the backends' scripts."""

    def __init__(self, backends: list[FakeBackend], after: int) -> None:
        super().__init__()
        self.backends, self.left = backends, after

    def wait(self, timeout: float | None = None) -> bool:
        for backend in self.backends:
            backend.look += 1
        self.left -= 1
        if not self.left:
            self.set()
        return self.is_set()


class Said(Outlet):
    """Keeps what a child would have written."""

    def __init__(self) -> None:
        self.messages: list[Message] = []

    def send(self, message: Message) -> None:
        if not isinstance(message, Alive):
            self.messages.append(message)

    def kinds(self) -> list[str]:
        return [m.state if isinstance(m, PortState) else "heard" for m in self.messages]


def run_reader(
    backends: list[FakeBackend], wish: Wish | None = None, after: int = 50, missing: tuple[str, ...] = ()
) -> tuple[int, Said]:
    def absent(name: str) -> Callable[[], FakeBackend]:
        def make() -> FakeBackend:
            raise Unavailable(f"{name}: gone fishing")

        return make

    known = [(b.name, lambda b=b: b) for b in backends] + [(name, absent(name)) for name in missing]
    said = Said()
    return Reader(wish or Wish(), said, Gone(backends, after)).run(known), said


def test_a_port_is_waited_for_heard_and_lost() -> None:
    alsa = FakeBackend("ALSA", [[], [], ["Hexbox 20:0"], ["Hexbox 20:0"], []])
    code, said = run_reader([alsa])
    assert code == LOOK_AGAIN
    assert said.messages == [
        PortState("waiting", "There is no MIDI port; plug in the guitar's converter and switch it on."),
        PortState("open", "Listening to “Hexbox 20:0”.", "Hexbox 20:0"),
        Heard(1002, b"\x90\x02\x01"),
        Heard(1003, b"\x90\x03\x01"),
        PortState(
            "lost",
            "“Hexbox 20:0” is no longer there; what was played is kept, "
            "and listening goes on when it is back.",
            "Hexbox 20:0",
        ),
    ]
    assert alsa.closed


def test_the_second_system_has_the_port() -> None:
    alsa, jack = FakeBackend("ALSA", [["Midi Through 14:0"]]), FakeBackend("JACK", [["hexbox:out"], []])
    code, said = run_reader([alsa, jack])
    assert (code, alsa.opened, jack.opened) == (LOOK_AGAIN, None, "hexbox:out")
    assert said.kinds() == ["open", "heard", "lost"]


def test_a_dead_server_is_left_without_a_farewell() -> None:
    jack = FakeBackend("JACK", [["hexbox:out"]], dies_at_look=2)
    code, said = run_reader([jack])
    assert code == LOOK_AGAIN
    assert said.kinds() == ["open", "heard", "heard", "lost"]
    assert not jack.closed  # tearing down a client of a dead server has been seen to crash


def test_a_server_that_dies_while_nothing_is_open_is_no_loss() -> None:
    code, said = run_reader([FakeBackend("JACK", [[]], dies_at_look=3)])
    assert (code, said.kinds()) == (LOOK_AGAIN, ["waiting"])


def test_several_ports_are_named_and_waited_over() -> None:
    _code, said = run_reader([FakeBackend("ALSA", [["Hexbox 20:0", "Keys 24:0"], ["Hexbox 20:0"], []])])
    assert said.kinds() == ["ambiguous", "open", "heard", "lost"]
    assert isinstance(said.messages[0], PortState)
    assert said.messages[0].text == (
        "There are 2 ports: “Hexbox 20:0”, “Keys 24:0”; name one of them after --port."
    )


def test_while_only_the_pedals_port_is_there_the_guitars_is_waited_for() -> None:
    alsa = FakeBackend("ALSA", [["Steps 20:0"], ["Steps 20:0", "Hexbox 24:0"], ["Steps 20:0"]])
    _code, said = run_reader([alsa], Wish(avoid="Steps"))
    assert said.kinds() == ["waiting", "open", "heard", "lost"]
    assert alsa.opened == "Hexbox 24:0"
    named = FakeBackend("ALSA", [["Steps 20:0", "Hexbox 24:0"], []])
    run_reader([named], Wish(wanted="steps", avoid="Steps"))
    assert named.opened == "Steps 20:0"


def test_a_lost_port_is_known_again_under_another_number() -> None:
    wish = Wish(wanted="box", only="Hexbox:Hexbox MIDI 1 20:0")
    alsa = FakeBackend("ALSA", [["Boxwood 20:0"], ["Boxwood 20:0", "Hexbox:Hexbox MIDI 1 131:0"], []])
    run_reader([alsa], wish)
    assert alsa.opened == "Hexbox:Hexbox MIDI 1 131:0"


def test_a_missing_system_is_looked_for_by_a_fresh_process() -> None:
    code, said = run_reader([FakeBackend("ALSA", [[]])], missing=("JACK",))
    assert (code, said.kinds()) == (LOOK_AGAIN, ["waiting"])
    code, said = run_reader([FakeBackend("ALSA", [[]])])  # nothing missing: this process goes on waiting
    assert (code, said.kinds()) == (DONE, ["waiting"])


def test_no_system_at_all_is_one_sentence() -> None:
    code, said = run_reader([], missing=("ALSA", "JACK"))
    assert code == LOOK_AGAIN
    assert said.messages == [
        PortState(
            "no-backend",
            "No MIDI system answers (ALSA: gone fishing; JACK: gone fishing): "
            "load ALSA's sequencer (modprobe snd-seq) or start a JACK server.",
        )
    ]


def test_a_port_in_use_is_said() -> None:
    class Busy(FakeBackend):
        def open(self, index: int, heard: OnHeard) -> None:
            raise OSError("device busy")

    code, said = run_reader([Busy("WinMM", [["Hexbox 0"]])])
    assert code == LOOK_AGAIN
    assert said.messages == [
        PortState("waiting", "“Hexbox 0” cannot be opened (device busy); it may be in use.", "Hexbox 0")
    ]


# --- the parent -------------------------------------------------------------------------------------------


def fake(tmp_path: Path, then: str) -> list[str]:
    return [sys.executable, FAKE_CHILD, str(tmp_path / "starts"), then]


def test_a_killed_child_is_started_again_and_its_port_is_heard_again(tmp_path: Path) -> None:
    inbox = Inbox()
    with MidiIn(None, inbox, command=fake(tmp_path, "stay")) as midi_in:
        inbox.wait(lambda box: len(box.heard) == 1)
        assert midi_in.child_pid is not None
        os.kill(midi_in.child_pid, signal.SIGKILL)
        inbox.wait(lambda box: len(box.heard) == 2)
    assert [m.data for m in inbox.heard] == [b"\x90\x01\x40", b"\x90\x02\x40"]
    assert inbox.kinds() == ["open", "failed", "open"]
    assert inbox.states[1] == PortState(
        "failed",
        "The reader of the MIDI port stopped by itself (SIGKILL); "
        "it is started again, and what was played is kept.",
        "pretence",
    )


def test_a_child_that_wants_a_fresh_start_gets_one_without_a_word(tmp_path: Path) -> None:
    inbox = Inbox()
    with MidiIn(None, inbox, command=fake(tmp_path, str(LOOK_AGAIN))):
        inbox.wait(lambda box: len(box.heard) == 3)
    assert "failed" not in inbox.kinds()


def test_a_hung_child_is_killed_and_started_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(child_module, "LOOK_S", 0.5)
    inbox = Inbox()
    with MidiIn(None, inbox, command=fake(tmp_path, "hang")):
        inbox.wait(lambda box: len(box.heard) == 2)
        assert inbox.kinds() == ["open", "failed", "open"]
        assert inbox.states[1].text.startswith("The reader of the MIDI port did not answer any more;")


def test_restarts_back_off_and_begin_anew_once_open() -> None:
    waits: list[float] = []
    ends_at_once = [sys.executable, "-c", f"raise SystemExit({LOOK_AGAIN})"]
    midi_in = MidiIn(None, Inbox(), command=ends_at_once, back_off_s=(1, 2, 3))

    def wait(seconds: float) -> bool:
        waits.append(seconds)
        if len(waits) == 5:
            midi_in._closing.set()
        return midi_in._closing.is_set()

    closing = threading.Event()
    midi_in._closing = SimpleNamespace(wait=wait, set=closing.set, is_set=closing.is_set)  # type: ignore[assignment]
    midi_in._run()
    assert waits == [1, 2, 3, 3, 3]
    midi_in._tell(PortState("open", "Listening.", "Hexbox"))
    assert midi_in._starts == 0


def test_a_lost_port_is_one_sentence_until_it_is_back() -> None:
    inbox = Inbox()
    midi_in = MidiIn(None, inbox)
    opened = PortState("open", "Listening.", "Hexbox 20:0")
    lost = PortState("lost", "It is gone.", "Hexbox 20:0")
    for state in [
        PortState("waiting", "No port."),
        PortState("waiting", "No port."),
        opened,
        lost,
        PortState("no-backend", "No MIDI system."),
        PortState("waiting", "No port."),
        opened,
        opened,
    ]:
        midi_in._tell(state)
    assert inbox.states == [PortState("waiting", "No port."), opened, lost, opened, opened]
    assert "--only=Hexbox 20:0" in midi_in._own_command()


def test_the_child_is_told_which_port_to_avoid() -> None:
    command = MidiIn(None, Inbox(), avoid="Steps:out")._own_command()
    assert "--avoid=Steps:out" in command
    assert not any(word.startswith("--avoid") for word in MidiIn(None, Inbox())._own_command())


def test_after_close_nothing_more_is_handed_on_and_the_child_is_gone(tmp_path: Path) -> None:
    inbox = Inbox()
    midi_in = MidiIn(None, inbox, command=fake(tmp_path, "stay"))
    midi_in.start()
    inbox.wait(lambda box: len(box.heard) == 1)
    pid = midi_in.child_pid
    midi_in.close()
    count = len(inbox.messages)
    assert pid is not None
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    assert not midi_in._thread.is_alive()
    assert len(inbox.messages) == count


def test_closing_before_the_start_and_twice_is_harmless(tmp_path: Path) -> None:
    midi_in = MidiIn(None, Inbox(), command=fake(tmp_path, "stay"))
    midi_in.close()
    midi_in.start()
    midi_in.close()
    assert not (tmp_path / "starts").exists()


def test_the_child_ends_when_its_parent_is_killed(tmp_path: Path) -> None:
    program = f"""
import time
from coach.devices.midi_in import MidiIn
command = {fake(tmp_path, "stay")!r}
midi_in = MidiIn(None, lambda message: print(midi_in.child_pid, flush=True), command=command)
midi_in.start()
time.sleep(600)
"""
    parent = subprocess.Popen([sys.executable, "-c", program], cwd=ROOT, stdout=subprocess.PIPE)
    assert parent.stdout is not None
    pid = int(parent.stdout.readline())
    os.kill(pid, 0)
    parent.kill()
    parent.wait()
    parent.stdout.close()

    def ended() -> bool:
        # Nobody may be left to collect it in a container, so a zombie is as good as gone.
        stat = Path(f"/proc/{pid}/stat")
        return not stat.exists() or stat.read_text().rpartition(")")[2].split()[0] == "Z"

    assert until(ended, 10)


def run_python(program: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", program]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def test_the_real_child_loads_neither_pygame_nor_numpy() -> None:
    program = """
import sys, coach.devices.midi_child
coach.devices.midi_child.makers()
print("pygame" in sys.modules, "numpy" in sys.modules)
"""
    done = run_python(program)
    assert done.stdout.split() == ["False", "False"]


def test_an_error_in_the_child_shows_its_traceback_though_the_libraries_are_silenced() -> None:
    program = """
import os
from coach.devices.child_end import private_output
private_output()
os.write(2, b"chatter of a C library")
os.write(1, b"more of it")
raise KeyError("a bug")
"""
    done = run_python(program)
    assert "KeyError: 'a bug'" in done.stderr
    assert "chatter" not in done.stderr
    assert done.stdout == ""
