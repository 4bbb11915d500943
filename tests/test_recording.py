"""Takes on disk: what goes in comes out, in this program and in others.

Byte layouts are those of Standard MIDI Files 1.0 (MMA, RP-001), pages named beside each check.
"""

import json
import os
import random
from datetime import datetime

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.files import recording
from coach.files.recording import Recorder, TakeMeta, new_take_path, read_take
from coach.files.take import LONGEST_US
from tests.take_build import FULL, ODD, OFF, ON, record


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
