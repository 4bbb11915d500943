"""Foot switches: learnt from one press, heard without double presses, and never at the strings' cost."""

from __future__ import annotations

import queue
import subprocess
import sys
import threading
from itertools import pairwise
from pathlib import Path

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.app import play as play_module
from coach.app.pedal import PedalReader, Presence, own_port, pedal_of, run_pedal
from coach.app.play import choose_port, guitar_in
from coach.core.errors import PortError
from coach.core.events import NoteOn
from coach.core.pedal import BACK, FORWARD, QUIET_US, Learner, Pedal, Press, Switch
from coach.core.profile import Profile
from coach.core.wire import Decoder
from coach.devices.messages import PortState, State
from coach.devices.ports import Port, list_ports
from coach.files.settings import load_settings
from tests.harness import ROOT, Inbox, JackServer, Plug, sending, until

MS = 1000


def cc(number: int, value: int, channel: int = 1) -> bytes:
    return bytes([0xB0 | channel - 1, number, value])


def note(number: int, velocity: int, channel: int) -> bytes:
    return bytes([0x90 | channel - 1, number, velocity])


def program(number: int, channel: int = 1) -> bytes:
    return bytes([0xC0 | channel - 1, number])


def learn(*messages: bytes, profile: Profile | None = None, taken: tuple[Switch, ...] = ()) -> Learner:
    learner = Learner(profile, taken)
    for at, data in enumerate(messages):
        learner.hear(at * 100 * MS, data)
    return learner


def learnt(*messages: bytes) -> Switch:
    switch = learn(*messages).learnt(10_000 * MS)
    assert switch is not None
    return switch


def times(switch: Switch, *rows: tuple[int, bytes]) -> list[int]:
    """Return at which ms the switch counted as pressed."""
    pedal = Pedal(switch)
    found = [press for at_ms, data in rows for press in pedal.hear(at_ms * MS, data)]
    assert all(press.switch == FORWARD for press in found)
    return [press.time_us // MS for press in found]


# Learnt from one press, then used.


def test_a_momentary_switch_counts_when_it_goes_down():
    # MIDI 1.0 Detailed Specification 4.2.1, table 3 (from memory): a switch is off to 63, on from 64.
    switch = learnt(cc(64, 127), cc(64, 0))
    assert switch == Switch(64, 1, 63, rest=0)
    rows = [(0, cc(64, 63)), (200, cc(64, 64)), (400, cc(64, 0)), (600, cc(64, 127)), (900, cc(64, 0))]
    assert times(switch, *rows) == [200, 600]


def test_a_switch_that_rests_high_counts_when_it_goes_low():
    switch = learnt(cc(80, 0), cc(80, 127))
    assert (switch.on_above, switch.rest) == (63, 127)
    rows = [(0, cc(80, 127)), (300, cc(80, 0)), (600, cc(80, 127)), (900, cc(80, 0)), (1200, cc(80, 127))]
    assert times(switch, *rows) == [300, 900]
    values = [(0, 64), (200, 63), (400, 95), (600, 60), (800, 96), (1000, 63)]  # 96 is half-way back
    assert times(switch, *((at, cc(80, value)) for at, value in values)) == [200, 1000]


def test_a_latching_switch_counts_with_either_value():
    switch = learnt(cc(81, 127))
    assert switch.every
    assert times(switch, (0, cc(81, 0)), (500, cc(81, 127)), (1000, cc(81, 0))) == [0, 500, 1000]


def test_a_switch_that_always_sends_the_same_counts_each_time():
    switch = learnt(cc(81, 127))
    assert times(switch, (0, cc(81, 127)), (500, cc(81, 127))) == [0, 500]


def test_small_values_are_parted_half_way():
    switch = learnt(cc(20, 1), cc(20, 0))
    assert switch.on_above == 0
    assert times(switch, (0, cc(20, 1)), (300, cc(20, 0)), (600, cc(20, 1))) == [0, 600]
    assert learnt(cc(20, 40), cc(20, 10)).on_above == 25


def test_values_on_either_side_of_the_published_border_are_parted_there():
    assert learnt(cc(20, 100), cc(20, 0)).on_above == 63  # half-way would be 50


def test_a_treadle_counts_once_a_push_although_it_trembles_at_the_border():
    sweep = [cc(11, value) for value in (5, 40, 90, 127, 80, 30, 0)]
    switch = learnt(*sweep)
    assert (switch.on_above, switch.rest) == (63, 0)
    pushed = [(0, 40), (20, 64), (300, 60), (450, 66), (600, 50), (800, 70), (1000, 10), (1300, 90)]
    assert times(switch, *((at, cc(11, value)) for at, value in pushed)) == [20, 1300]


def test_a_treadle_that_stays_down_rests_where_it_began():
    assert learnt(*(cc(11, value) for value in (4, 50, 100, 127))).rest == 4
    assert learnt(*(cc(11, value) for value in (120, 70, 20, 2))).rest == 120


def test_a_program_change_is_a_switch():
    switch = learnt(program(7))
    assert switch.address == ("program", 1, 7)
    assert times(switch, (0, program(7)), (300, program(8)), (600, program(7, 2)), (900, program(7))) == [
        0,
        900,
    ]


def test_a_bank_is_not_taken_for_the_switch_that_follows_it():
    assert learnt(cc(0, 3), cc(32, 0), program(7)).address == ("program", 1, 7)
    assert learnt(cc(0, 3)).address == ("controller", 1, 0)


def test_a_note_on_a_free_channel_is_a_switch_however_soft():
    switch = learnt(note(60, 100, 9), note(60, 0, 9))
    assert switch == Switch(60, 9, 0, "note")
    off = bytes([0x88, 60, 64])
    assert times(switch, (0, note(60, 1, 9)), (300, off), (600, note(60, 90, 9))) == [0, 600]


def test_the_end_of_an_older_note_is_no_switch():
    learner = learn(bytes([0x88, 60, 64]), note(61, 0, 9), bytes([0x84, 45, 64]))
    assert (learner.learnt(10_000 * MS), learner.refused) == (None, "")


def test_nothing_is_known_until_the_foot_has_let_go():
    learner = learn(cc(64, 127), cc(64, 0))
    assert learner.learnt(100 * MS + QUIET_US - 1) is None
    assert learner.learnt(100 * MS + QUIET_US) == Switch(64, 1, 63)


# No double presses.


def test_two_presses_are_120_ms_apart():
    switch = Switch(64, 1, every=True)
    rows = [(0, cc(64, 127)), (119, cc(64, 0)), (120, cc(64, 127)), (239, cc(64, 0)), (240, cc(64, 0))]
    assert times(switch, *rows) == [0, 120, 240]


def test_contacts_that_bounce_are_one_press():
    switch = Switch(64, 1)
    down = [(0, cc(64, 127)), (3, cc(64, 0)), (6, cc(64, 127)), (9, cc(64, 0)), (11, cc(64, 127))]
    up = [(700, cc(64, 0)), (704, cc(64, 127)), (709, cc(64, 0))]
    again = [(800, cc(64, 127)), (900, cc(64, 0))]
    assert times(switch, *down, *up, *again) == [0, 800]


def test_the_other_switch_need_not_wait():
    pedal = Pedal(Switch(64, 1), Switch(65, 1))
    assert pedal.hear(0, cc(64, 127)) == [Press(0, FORWARD)]
    assert pedal.hear(10 * MS, cc(65, 127)) == [Press(10 * MS, BACK)]


def test_a_clock_that_begins_again_holds_nothing_back():
    assert times(Switch(64, 1, every=True), (5000, cc(64, 127)), (0, cc(64, 127))) == [5000, 0]


def test_running_status_is_understood():
    pedal = Pedal(Switch(64, 1), Switch(65, 1))
    assert pedal.hear(0, cc(64, 127) + b"\x41\x7f") == [Press(0, FORWARD), Press(0, BACK)]


@given(
    st.lists(st.tuples(st.integers(0, 400), st.integers(0, 127)), max_size=40), st.booleans(), st.booleans()
)
def test_whatever_is_sent_presses_are_apart_and_need_the_pressed_side(rows, high, every):
    switch = Switch(64, 1, 63, rest=127 if high else 0, every=every)
    pedal, now_ms, found = Pedal(switch), 0, []
    for gap_ms, value in rows:
        now_ms += gap_ms
        presses = pedal.hear(now_ms * MS, cc(64, value))
        assert len(presses) <= 1
        if presses:
            assert every or switch.pressed(value)
            found.append(now_ms)
    assert all(later - earlier >= 120 for earlier, later in pairwise(found))


# What the session needs is not to be had.


@pytest.mark.parametrize("number", [6, 38, 100, 101, 120, 121, 122, 123, 124, 125, 126, 127])
def test_a_controller_that_the_strings_need_is_refused_in_one_sentence(number):
    learner = learn(cc(number, 0, 9))  # 0 is what "all notes off" always carries
    assert learner.learnt(10_000 * MS) is None
    assert f"Controller {number} " in learner.refused
    assert "another controller" in learner.refused
    with pytest.raises(ValueError, match=f"Controller {number} "):
        Switch.from_plain({"controller": number, "channel": 9})


def test_a_strings_own_note_is_refused_and_the_string_named():
    learner = learn(note(45, 80, 5), note(45, 0, 5))
    assert learner.learnt(10_000 * MS) is None
    assert "string 5's own" in learner.refused
    other = learn(note(45, 80, 12), profile=Profile(base_channel=11))
    assert "string 2's own" in other.refused
    one = learn(note(45, 80, 3), profile=Profile(base_channel=3, single_channel=True))
    assert "channel 3, which carries the strings" in one.refused


def test_bends_are_refused():
    learner = learn(bytes([0xE8, 0, 64]), bytes([0xD8, 50]))
    assert learner.learnt(10_000 * MS) is None
    assert "Bends and pressure" in learner.refused


def test_playing_meanwhile_does_not_disturb_the_learning():
    learner = learn(note(45, 80, 5), bytes([0xE4, 0, 65]), cc(64, 127), note(45, 0, 5), cc(64, 0))
    assert learner.learnt(10_000 * MS) == Switch(64, 1, 63)


def test_the_switch_learnt_first_is_not_learnt_again_and_letting_it_go_late_is_no_attempt():
    first = Switch(64, 1, 63)
    learner = learn(cc(64, 0), taken=(first,))
    assert learner.refused == ""
    learner.hear(10 * MS, cc(64, 127))
    assert "already" in learner.refused
    assert learner.learnt(10_000 * MS) is None


def test_the_session_hears_all_that_the_pedal_hears():
    pedal, decoder = Pedal(Switch(64, 1)), Decoder(Profile())
    data = note(45, 80, 5) + cc(64, 127)
    assert pedal.hear(0, data) == [Press(0, FORWARD)]
    assert decoder.decode(0, data) == [NoteOn(0, 45, 80, 5)]


def test_a_message_is_the_pedals_only_where_nothing_else_is_in_it():
    pedal = Pedal(Switch(64, 1), Switch(7, 1, kind="program", every=True))
    assert pedal.owns(cc(64, 0))
    assert pedal.owns(program(7))
    assert not pedal.owns(program(8))
    assert not pedal.owns(cc(64, 127) + note(45, 80, 5))
    assert not pedal.owns(b"\xf8")


# By which port it is heard.


def settings_with(tmp_path, port, guitar="", **switches):
    settings = load_settings(tmp_path)
    settings.pedal_port, settings.last_port = port, guitar
    settings.pedal_forward = switches.get("forward", Switch(64, 1))
    settings.pedal_back = switches.get("back")
    return settings


@pytest.mark.parametrize(
    ("pedal_port", "remembered", "in_use", "through_the_guitar"),
    [
        ("", "", None, True),
        ("Box:Box MIDI 1", "Box:Box MIDI 1 20:0", None, True),
        ("Box:Box MIDI 1", "Box:Box MIDI 1 20:0", "Other:out", False),
        ("Steps:out", "", None, False),
        ("Steps:out", "Box:out", None, False),
        ("Steps:out", "Box:out", "Steps:out", True),
        ("Steps:out", "Box:out", "step", True),
        ("Steps:out", "Box:out", "", False),
        ("Steps:out", "Steps:out", "box", False),
    ],
)
def test_exactly_one_hears_the_pedal(tmp_path, pedal_port, remembered, in_use, through_the_guitar):
    settings = settings_with(tmp_path, pedal_port, remembered)
    assert (pedal_of(settings, in_use) is not None) == through_the_guitar
    assert PedalReader(settings, print, guitar_port=in_use).reads != through_the_guitar


@pytest.mark.parametrize(
    ("pedal_port", "remembered", "avoided"),
    [
        ("", "", None),  # it comes by the guitar's port, whichever that is
        ("Steps:Steps MIDI 1", "", "Steps:Steps MIDI 1"),
        ("Steps:Steps MIDI 1", "Box:Box MIDI 1 20:0", "Steps:Steps MIDI 1"),
        ("Box:Box MIDI 1", "Box:Box MIDI 1 20:0", None),
        ("a2j:Box (capture): Box MIDI 1", "Box:Box MIDI 1 20:0", None),  # one device, bridged
    ],
)
def test_only_a_port_of_the_pedals_own_is_kept_from_the_guitar(tmp_path, pedal_port, remembered, avoided):
    settings = settings_with(tmp_path, pedal_port, remembered)
    assert own_port(settings) == avoided
    settings.pedal_forward = None
    assert own_port(settings) is None


STEPS, BOX = Port("ALSA", "Steps:Steps MIDI 1 20:0"), Port("ALSA", "Box:Box MIDI 1 24:0")
KEYS = Port("ALSA", "Keys:Keys MIDI 1 28:0")


@pytest.mark.parametrize(
    ("there", "wanted", "chosen"),
    [
        ([STEPS], None, None),
        ([STEPS, BOX], None, BOX),
        ([STEPS], "steps", STEPS),
        ([STEPS, BOX, KEYS], None, PortError),
        ([STEPS, BOX, KEYS], "lute", None),
        ([STEPS, BOX, KEYS], "MIDI", PortError),
        ([STEPS, BOX, KEYS], "box", BOX),
    ],
)
def test_the_guitars_port_is_chosen_beside_the_pedals(tmp_path, monkeypatch, there, wanted, chosen):
    monkeypatch.setattr(play_module, "list_ports", lambda: there)
    settings = settings_with(tmp_path, STEPS.stable_name)
    if chosen is PortError:
        with pytest.raises(PortError, match="name"):
            choose_port(wanted, settings)
    else:
        assert choose_port(wanted, settings) == chosen


def test_a_port_where_a_guitar_is_heard_while_learning_is_known_by_a_bend_or_three_notes():
    assert not learn(cc(64, 127), note(60, 9, 1), note(62, 9, 1), note(60, 9, 1)).guitar
    assert learn(note(60, 9, 1), note(62, 9, 1), note(64, 9, 2)).guitar
    assert learn(bytes([0xE4, 0, 65])).guitar


def test_without_a_switch_nothing_is_read(tmp_path):
    settings = settings_with(tmp_path, "Steps:out", forward=None)
    reader = PedalReader(settings, print)
    assert not reader.reads
    reader.start()
    reader.close()
    settings.pedal_port = ""
    assert pedal_of(settings) is None


def test_a_note_that_has_become_a_strings_is_left_to_it(tmp_path):
    learnt_note, controller = Switch(60, 9, 0, "note"), Switch(64, 1)
    settings = settings_with(tmp_path, "", forward=learnt_note, back=controller)
    assert set(pedal_of(settings).switches) == {FORWARD, BACK}
    assert set(pedal_of(settings, profile=Profile(base_channel=9)).switches) == {BACK}


def state(name: State) -> PortState:
    return PortState(name, "what the port says", "steps:out")


def test_the_foot_switch_is_told_of_once_when_it_goes_and_once_when_it_comes_back():
    said: list[str] = []
    presence = Presence(said.append)
    presence.take(state("open"))
    assert said == []  # that it is there is nothing to speak of
    for name in ("lost", "waiting", "no-backend"):
        presence.take(state(name))
    assert said == ["The foot switch is unplugged; the keys still work."]
    presence.take(state("open"))
    presence.take(state("open"))
    assert said[1:] == ["The foot switch is there again."]
    presence.take(state("failed"))
    assert said[2:] == ["The foot switch is not heard now; the keys still work."]


def test_a_foot_switch_that_was_not_plugged_in_is_told_of():
    said: list[str] = []
    presence = Presence(said.append)
    presence.take(state("waiting"))
    presence.take(state("open"))
    assert said == [
        "The foot switch is not plugged in; the keys still work.",
        "The foot switch is there again.",
    ]


# The command, with real ports.


@pytest.fixture
def on_jack(jack: JackServer, monkeypatch: pytest.MonkeyPatch) -> JackServer:
    for key, value in jack.env.items():
        monkeypatch.setenv(key, value)
    return jack


def nobody_types(_entered):
    return None


def write(path: Path, *rows: tuple[float, bytes]) -> Path:
    """Write messages at their seconds; 480 ticks are half a second."""
    track, before = mido.MidiTrack(), 0
    for seconds, data in rows:
        at = round(seconds * 960)
        track.append(mido.Message.from_bytes(data, time=at - before))
        before = at
    mido.MidiFile(type=1, ticks_per_beat=480, tracks=[mido.MidiTrack(), track]).save(path)
    return path


def playing(path: Path, seconds: float) -> Path:
    """Write a string plucked ten times a second, with a bend: what a converter sends meanwhile."""
    rows = []
    for n in range(int(seconds * 10)):
        rows += [
            (n / 10, note(45, 80, 5)),
            (n / 10 + 0.03, bytes([0xE4, 0, 66])),
            (n / 10 + 0.06, note(45, 0, 5)),
        ]
    return write(path, *rows)


def test_two_switches_are_learnt_while_somebody_plays_and_then_heard(on_jack, tmp_path, capsys):
    presses = write(
        tmp_path / "steps.mid",
        (1.0, cc(64, 127)), (1.2, cc(64, 0)), (3.0, program(5, 3)), (6.0, cc(99, 1)),
    )  # fmt: skip
    settings = load_settings(tmp_path / "config")
    with (
        sending("steps", presses, on_jack.env),
        sending("hexbox", playing(tmp_path / "guitar.mid", 8), on_jack.env),
    ):
        assert until(lambda: len(list_ports()) == 2)
        assert run_pedal(settings, enter=nobody_types) == 0
    said = capsys.readouterr().out
    assert "forward is controller 64 on channel 1, pressed above 63; back is program 5 on channel 3." in said
    assert said.count("string 5's own") == 1
    assert "“steps:out” is the pedal's own from now on" in said
    again = load_settings(tmp_path / "config")
    assert (again.pedal_port, again.pedal_forward, again.pedal_back) == (
        "steps:out", Switch(64, 1, 63), Switch(5, 3, kind="program", every=True),
    )  # fmt: skip

    heard: queue.SimpleQueue[str] = queue.SimpleQueue()
    reader = PedalReader(again, heard.put, guitar_port="hexbox:out")
    used = write(
        tmp_path / "used.mid",
        (0.1, cc(64, 127)), (0.3, cc(64, 0)), (0.4, program(5, 3)), (0.6, cc(64, 127)), (0.61, cc(64, 0)),
        (0.62, cc(64, 127)), (0.9, program(5, 3)),
    )  # fmt: skip
    with sending("steps", used, on_jack.env):
        reader.start()
        try:
            assert [heard.get(timeout=10) for _ in range(4)] == [FORWARD, BACK, FORWARD, BACK]
        finally:
            reader.close()


def test_a_foot_switch_that_is_unplugged_is_told_of_and_taken_up_again(on_jack, tmp_path):
    settings = settings_with(tmp_path / "config", "steps:out", forward=Switch(64, 1))
    said: queue.SimpleQueue[str] = queue.SimpleQueue()
    heard: queue.SimpleQueue[str] = queue.SimpleQueue()
    reader = PedalReader(settings, heard.put, guitar_port="hexbox:out", on_state=Presence(said.put).take)
    try:
        with Plug("steps") as plug:
            reader.start()
            plug.send(cc(64, 127), cc(64, 0))
            assert heard.get(timeout=10) == FORWARD
        assert said.get(timeout=20) == "The foot switch is unplugged; the keys still work."
        with Plug("steps") as plug:
            assert said.get(timeout=20) == "The foot switch is there again."
            plug.send(cc(64, 127), cc(64, 0))
            assert heard.get(timeout=10) == FORWARD
        assert said.get(timeout=20) == "The foot switch is unplugged; the keys still work."
    finally:
        reader.close()
    assert said.empty()


def test_while_the_guitar_is_away_the_pedal_is_not_taken_for_it(on_jack, tmp_path):
    settings = settings_with(tmp_path / "config", "steps:out")
    presses = write(tmp_path / "steps.mid", *((n / 5, cc(64, 127 * (n % 2))) for n in range(100)))
    inbox = Inbox()
    with sending("steps", presses, on_jack.env):
        assert until(lambda: bool(list_ports()))
        assert choose_port(None, settings) is None
        with guitar_in(None, inbox, settings):
            inbox.wait(lambda box: box.kinds() == ["waiting"])
            with sending("hexbox", playing(tmp_path / "guitar.mid", 3), on_jack.env):
                assert until(lambda: choose_port(None, settings) == Port("JACK", "hexbox:out"))
                inbox.wait(lambda box: len(box.heard) >= 10)
            assert inbox.states[-1].port == "hexbox:out"
            assert {message.data[0] for message in inbox.heard} <= {0x94, 0xE4}  # nothing of the pedal's
        named = Inbox()
        with guitar_in("steps", named, settings):  # who names it means it
            named.wait(lambda box: bool(box.heard))
        assert named.states[-1].port == "steps:out"


def test_a_pedal_learnt_while_its_port_carries_a_guitar_is_not_kept_from_it(on_jack, tmp_path):
    rows = [(n / 10, bytes([0xE4, 0, 60 + n])) for n in range(5)]
    one_box = write(tmp_path / "box.mid", *rows, (1.0, cc(64, 127)), (1.2, cc(64, 0)), (9.0, cc(99, 1)))
    settings = load_settings(tmp_path / "config")
    with sending("hexbox", one_box, on_jack.env):
        assert until(lambda: bool(list_ports()))
        assert run_pedal(settings, enter=nobody_types, wait_s=3) == 0
        again = load_settings(tmp_path / "config")
        assert (again.pedal_port, again.last_port, own_port(again)) == ("hexbox:out", "hexbox:out", None)
        assert choose_port(None, again) == Port("JACK", "hexbox:out")


def test_enter_leaves_it_at_one_switch(on_jack, tmp_path, capsys):
    presses = write(tmp_path / "steps.mid", (1.0, cc(80, 0)), (1.1, cc(80, 127)), (15.0, cc(99, 1)))
    settings = load_settings(tmp_path / "config")
    settings.pedal_back = Switch(1, 1)

    def enter_after_the_first(entered):
        def look():
            until(lambda: "Now press" in capsys.readouterr().out)
            entered()

        threading.Thread(target=look, daemon=True).start()

    with sending("steps", presses, on_jack.env):
        assert until(lambda: bool(list_ports()))
        assert run_pedal(settings, port="step", enter=enter_after_the_first) == 0
    again = load_settings(tmp_path / "config")
    assert (again.pedal_forward, again.pedal_back) == (Switch(80, 1, 63, rest=127), None)
    assert "there is no switch to go back" in capsys.readouterr().out


def test_without_a_press_one_line_says_so_and_all_stays(on_jack, tmp_path):
    settings = load_settings(tmp_path / "config")
    settings.pedal_forward = Switch(1, 1)
    with sending("hexbox", playing(tmp_path / "guitar.mid", 8), on_jack.env):
        assert until(lambda: bool(list_ports()))
        with pytest.raises(PortError, match=r"none was pressed within 1\.5 s"):
            run_pedal(settings, enter=nobody_types, wait_s=1.5)
    assert settings.pedal_forward == Switch(1, 1)
    assert not settings.path.exists()


def test_enter_in_a_terminal_leaves_all_as_it_was_and_the_program_ends(on_jack, tmp_path):
    silent = write(tmp_path / "silent.mid", (15.0, cc(64, 127)))
    program_text = (
        "import sys, pathlib; from coach.app.pedal import run_pedal; from coach.files.settings import "
        "load_settings; sys.exit(run_pedal(load_settings(pathlib.Path(sys.argv[1]))))"
    )
    with sending("steps", silent, on_jack.env):
        assert until(lambda: bool(list_ports()))
        command = [sys.executable, "-c", program_text, str(tmp_path / "config")]
        with subprocess.Popen(
            command,
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "Listening to “steps:out”.\n"
            assert process.stdout.readline().startswith("Press the switch")
            assert process.stdin is not None
            process.stdin.write("\n")
            process.stdin.flush()  # and it stays open: the thread that reads it must not keep the program
            assert process.wait(10) == 0
            assert process.stdout.read() == "Nothing was learnt; all is as it was.\n"
            assert process.stderr is not None
            assert process.stderr.read() == ""
    assert not (tmp_path / "config").exists()


def test_no_port_and_an_unknown_port_are_one_line(on_jack, tmp_path):
    settings = load_settings(tmp_path / "config")
    with pytest.raises(PortError, match="plug in the pedal"):
        run_pedal(settings, enter=nobody_types)
    with pytest.raises(PortError, match="there is no MIDI port"):
        run_pedal(settings, port="steps", enter=nobody_types)


def test_forgetting_needs_no_port(tmp_path, capsys):
    settings = settings_with(tmp_path, "Steps:out", "Box:out", back=Switch(65, 1))
    settings.save()
    assert run_pedal(load_settings(tmp_path), forget=True) == 0
    again = load_settings(tmp_path)
    assert (again.pedal_port, again.pedal_forward, again.pedal_back) == ("", None, None)
    assert again.last_port == "Box:out"
    assert "forgotten" in capsys.readouterr().out
