"""Which port is meant, by literal lists of names as the MIDI systems give them."""

from __future__ import annotations

import sys

import pytest

from coach.core.errors import PortError
from coach.devices import ports as ports_module
from coach.devices.ports import Listing, Port, candidates, list_ports, parse_list, pick_port, same_device

THROUGH = Port("ALSA", "Midi Through:Midi Through Port-0 14:0")
BOX = Port("ALSA", "Hexbox:Hexbox MIDI 1 20:0")
KEYS = Port("ALSA", "Keys:Keys MIDI 1 24:0")
KEYS_TWO = Port("ALSA", "Keys Two:Keys Two MIDI 1 28:0")
JACK_BOX = Port("JACK", "a2j:Hexbox [20] (capture): Hexbox MIDI 1")


@pytest.mark.parametrize(
    "wanted", ["hexbox", "HEX", "Hexbox:Hexbox MIDI 1", "Hexbox:Hexbox MIDI 1 20:0", "20:0"]
)
def test_any_part_of_the_name_will_do(wanted: str) -> None:
    assert pick_port([THROUGH, BOX, KEYS], wanted) == BOX


def test_a_whole_name_wins_over_a_part() -> None:
    short, long = Port("JACK", "keys:out"), Port("JACK", "keys:out 2")
    assert pick_port([long, short], "keys:out") == short
    assert pick_port([long, short], "KEYS:OUT") == short


def test_several_that_fit_are_named() -> None:
    with pytest.raises(PortError, match="2 ports fit 'keys': “Keys:Keys MIDI 1 24:0”, “Keys Two:Keys Two"):
        pick_port([BOX, KEYS, KEYS_TWO], "keys")


def test_several_and_no_wish_are_named() -> None:
    with pytest.raises(PortError, match=r"there are 2 ports: “Hexbox.*”, “Keys.*”; name one of them after"):
        pick_port([THROUGH, BOX, KEYS])


def test_none_that_fits_says_what_there_is() -> None:
    with pytest.raises(PortError, match="no port has 'lute' in its name; there are: “Hexbox"):
        pick_port([BOX], "lute")


def test_no_port_at_all_says_what_to_do() -> None:
    with pytest.raises(PortError, match="there is no MIDI port; plug in the guitar's converter"):
        pick_port([])
    with pytest.raises(PortError, match="there is no MIDI port; plug in the guitar's converter"):
        pick_port([], "hexbox")


def test_the_only_port_is_taken_a_loop_through_is_not() -> None:
    assert pick_port([THROUGH, BOX]) == BOX
    with pytest.raises(PortError, match="there is only “Midi Through"):
        pick_port([THROUGH])
    with pytest.raises(PortError, match="there is only “a2j:Midi Through"):
        pick_port([Port("JACK", "a2j:Midi Through [14] (capture): Midi Through Port-0")])


def test_a_loop_through_is_taken_when_named() -> None:
    assert pick_port([THROUGH, BOX], "through") == THROUGH


def test_the_remembered_port_is_taken_while_it_is_there() -> None:
    assert pick_port([BOX, KEYS], remembered="Keys:Keys MIDI 1 24:0") == KEYS
    assert (
        pick_port([BOX, KEYS], remembered="Keys:Keys MIDI 1 131:0") == KEYS
    )  # the number is another each time
    assert pick_port([BOX], remembered="Keys:Keys MIDI 1 24:0") == BOX
    assert pick_port([BOX, KEYS], "hex", "Keys:Keys MIDI 1 24:0") == BOX


def test_of_two_systems_the_first_is_taken() -> None:
    assert pick_port([BOX, JACK_BOX], "hexbox") == BOX
    assert pick_port([BOX, JACK_BOX]) == BOX
    assert pick_port([THROUGH, JACK_BOX]) == JACK_BOX


@pytest.mark.parametrize(
    ("port", "stable"),
    [
        (BOX, "Hexbox:Hexbox MIDI 1"),
        (JACK_BOX, "a2j:Hexbox (capture): Hexbox MIDI 1"),
        (Port("JACK", "a2j:Hexbox (20) [capture]: Hexbox MIDI 1"), "a2j:Hexbox [capture]: Hexbox MIDI 1"),
        (Port("JACK", "system:midi_capture_1"), "system:midi_capture_1"),
        (Port("CoreMIDI", "Hexbox Port 2"), "Hexbox Port 2"),
        (Port("WinMM", "Hexbox 3"), "Hexbox"),
    ],
)
def test_names_without_the_numbers_that_change(port: Port, stable: str) -> None:
    assert port.stable_name == stable


def test_after_a_loss_only_the_same_port_fits() -> None:
    assert candidates([KEYS], "keys", only=BOX.name) == []
    assert candidates([KEYS, Port("ALSA", "Hexbox:Hexbox MIDI 1 44:0")], only=BOX.name)[0].name.endswith(
        "44:0"
    )
    assert candidates([Port("WinMM", "Hexbox 0")], only="Hexbox 3") == [Port("WinMM", "Hexbox 0")]


STEPS = Port("ALSA", "Steps:Steps MIDI 1 32:0")
JACK_STEPS = Port("JACK", "a2j:Steps [32] (capture): Steps MIDI 1")
PEDAL = "Steps:Steps MIDI 1"  # as it is remembered


def test_the_pedals_port_is_never_taken_for_the_guitars() -> None:
    assert candidates([THROUGH, STEPS], avoid=PEDAL) == []
    assert candidates([STEPS, BOX], avoid=PEDAL) == [BOX]  # and so two ports are no riddle
    assert candidates([STEPS, BOX], remembered="Gone:Gone 1 20:0", avoid=PEDAL) == [BOX]
    assert candidates([STEPS, JACK_STEPS], avoid=PEDAL) == []  # one device, shown by two systems
    assert candidates([STEPS, JACK_STEPS, JACK_BOX], avoid=PEDAL) == [JACK_BOX]
    assert candidates([BOX, STEPS, KEYS], avoid=PEDAL) == [BOX, KEYS]


def test_the_pedals_port_is_taken_when_it_is_named() -> None:
    assert candidates([STEPS, BOX], "steps", avoid=PEDAL) == [STEPS]
    assert candidates([STEPS], only=STEPS.name, avoid=PEDAL) == [STEPS]


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (STEPS.name, PEDAL, True),
        (JACK_STEPS.name, PEDAL, True),
        (STEPS.name, JACK_STEPS.stable_name, True),
        ("a2j:Steps (32) [capture]: Steps MIDI 1", PEDAL, True),
        ("Midi-Bridge:Steps:(capture_0) Steps MIDI 1", PEDAL, True),  # as PipeWire's, from memory
        (BOX.name, PEDAL, False),
        ("Steps:Steps MIDI 2 32:1", PEDAL, False),  # another socket of one box
        ("Hexbox Port 1", "Hexbox Port 2", False),
        ("steps:out", "steps:out", True),
    ],
)
def test_one_device_under_the_names_of_two_days_or_systems(one: str, other: str, same: bool) -> None:
    assert same_device(one, other) == same_device(other, one) == same


def test_two_devices_under_one_name_are_no_riddle() -> None:
    twin = Port("CoreMIDI", "Hexbox")
    assert pick_port([twin, twin]) == twin


def test_a_name_is_shown_on_one_line() -> None:
    with pytest.raises(PortError) as caught:
        pick_port([Port("JACK", "bad\nname\x1b[2J:out"), BOX], "lute")
    assert "\n" not in str(caught.value)
    assert "\x1b" not in str(caught.value)


def test_a_hung_system_costs_only_the_time_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    def run(program: str, *arguments: str) -> None:
        command = [sys.executable, "-c", f"import sys, time; {program}", *arguments]
        monkeypatch.setattr(ports_module, "python_command", lambda *_: command)

    first = '{"port": ["ALSA", "Hexbox"]}'
    run("print(sys.argv[1], flush=True); time.sleep(60)", first)
    assert list_ports(timeout_s=1.5) == [Port("ALSA", "Hexbox")]  # what was said before it hung still counts
    run("time.sleep(60)")
    with pytest.raises(PortError, match=r"did not answer within 0\.2 s"):
        list_ports(timeout_s=0.2)


def test_a_crash_while_listing_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    crash = "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)"
    monkeypatch.setattr(ports_module, "python_command", lambda *_: [sys.executable, "-c", crash])
    with pytest.raises(PortError, match="looking for ports ended with SIGSEGV"):
        list_ports()


def test_a_line_cut_short_is_passed_over() -> None:
    whole = b'{"answered": "ALSA"}\n{"port": ["ALSA", "Hexbox"]}\n{"trouble": "JACK: no server"}\n'
    read = parse_list(whole + b'{"port": ["AL')
    assert read == Listing((Port("ALSA", "Hexbox"),), ("ALSA",), ("JACK: no server",))


def test_a_system_without_ports_is_an_empty_list_even_beside_a_missing_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    program = """print('{"trouble": "ALSA: not there"}'); print('{"answered": "JACK"}')"""
    monkeypatch.setattr(ports_module, "python_command", lambda *_: [sys.executable, "-c", program])
    assert list_ports() == []


@pytest.mark.skipif(sys.platform != "linux", reason="the systems named are Linux's")
def test_where_no_system_answers_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "coach-nothing-here")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    with pytest.raises(
        PortError, match=r"^MIDI: no MIDI system answers \(JACK: no server is running\); load ALSA"
    ):
        list_ports(backend="JACK")
