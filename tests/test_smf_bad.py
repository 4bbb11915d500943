"""Files that are not what they say: one clear line each, in bounded time, and nothing else escapes."""

import random
import struct
import time
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.errors import CoachError, ScoreError, TakeError
from coach.files.recording import Recorder, TakeMeta, read_take
from coach.files.smf import MOST_BARS, read_smf_score
from coach.files.smf_bytes import SCORE_LIMITS, TAKE_LIMITS, vlq
from tests.smf_build import EXAMPLE_0, EXAMPLE_1, music, smf

NOTE = bytes.fromhex("00904040 60804000")


def refusal(path, data, reader=read_smf_score):
    path = path / "bad.mid"
    path.write_bytes(data)
    with pytest.raises(ScoreError if reader is read_smf_score else TakeError) as caught:
        reader(path)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert "\n" not in text
    assert text.count(";") >= 1  # what, then the remedy
    assert len(text) <= 300
    return text[len(str(path)) + 2 :]


def head(kind=1, tracks=1, division=96, length=6):
    return struct.pack(">4sIHHH", b"MThd", length, kind, tracks, division)


REFUSED = {
    "empty": (b"", "the file is empty"),
    "no midi": (b"<?xml version='1.0'?><score/>", "it does not begin with MThd"),
    "riff": (b"RIFF\x00\x00\x00\x00RMID", "RIFF"),
    "short header": (EXAMPLE_0[:13], "the header is cut short"),
    "header length": (head(length=4) + EXAMPLE_0[14:], "4 bytes long"),
    "type 2": (head(kind=2) + EXAMPLE_0[14:], "type 2"),
    "type 9": (head(kind=9) + EXAMPLE_0[14:], "its type is 9"),
    "smpte": (head(division=0xE728) + EXAMPLE_0[14:], "SMPTE"),  # RP-001 p. 4: 25 frames, 40 ticks each
    "division 0": (head(division=0) + EXAMPLE_0[14:], "0 ticks per quarter"),
    "no tracks": (head(tracks=0), "no tracks"),
    "many tracks": (head(tracks=60_000), "60000 tracks"),
    "missing track": (head(tracks=2) + EXAMPLE_0[14:], "1 of its 2 tracks"),
    "cut track": (EXAMPLE_0[:-7], "track 1 is cut short"),
    "cut in an event": (EXAMPLE_0[:-9], "track 1 is cut short"),
    "long chunk": (EXAMPLE_0[:18] + b"\xff\xff\xff\xff" + EXAMPLE_0[22:-4], "track 1 is cut short"),
    "data first": (smf(b"\x00\x40\x40"), "track 1, byte 22: a data byte stands where an event must begin"),
    "long number": (smf(b"\x81\x80\x80\x80\x00\x90\x40\x40"), "a number is longer than four bytes"),
    "endless number": (smf(b"\xff" * 400_000), "a number is longer than four bytes"),
    "bad data": (smf(b"\x00\x90\x40\x90"), "90 stands where a data byte must"),
    "bad program": (smf(b"\x00\xc0\x90"), "90 stands where a data byte must"),
    "system common": (smf(NOTE + b"\x00\xf3\x01"), "F3 begins no event"),
    "sysex past the end": (smf(b"\x00\xf0\x90\x00\x01\xf7"), "track 1 is cut short"),
    "events": (
        smf(NOTE + b"\x00\xff\x01\x00" * 100_000),
        "more events than this program takes in; give a shorter",
    ),
    "size": (EXAMPLE_0 + bytes(SCORE_LIMITS.size), "larger than 4 MiB"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_each_fault_has_its_line(tmp_path, name):
    data, words = REFUSED[name]
    assert words in refusal(tmp_path, data)
    if name not in ("size", "events"):
        assert words in refusal(tmp_path, data, read_take)


SCORES_REFUSED = {
    "no notes": (smf(b"\x00\xc0\x00"), "it has no notes"),
    "only note-offs": (smf(bytes.fromhex("00804040 00904000")), "it has no notes"),
    "meter 0": (smf(bytes.fromhex("00FF580400021808") + NOTE), "a time signature of 0/4"),
    "meter 255": (smf(bytes.fromhex("00FF5804FF021808") + NOTE), "a time signature of 255/4"),
    "meter 2^200": (smf(bytes.fromhex("00FF580404C81808") + NOTE), "a time signature of 4/2^200"),
    "bars": (smf(b"\x00\x90\x40\x40" + vlq(0xFFFFFFF) + b"\x80\x40\x00"), f"more than {MOST_BARS} bars"),
}


@pytest.mark.parametrize("name", SCORES_REFUSED)
def test_each_impossible_score_has_its_line(tmp_path, name):
    data, words = SCORES_REFUSED[name]
    assert words in refusal(tmp_path, data)


def test_a_take_longer_than_a_day_is_refused(tmp_path):
    data = smf(b"\x00\x90\x40\x40" + vlq(0xFFFFFFF) + b"\x80\x40\x00", division=1)
    assert "hours, more than 24" in refusal(tmp_path, data, read_take)


def test_a_take_of_too_many_messages_or_bytes_is_refused(tmp_path):
    assert "more events" in refusal(
        tmp_path, smf(b"\x00\x90\x40\x40" + b"\x00\x40\x00" * TAKE_LIMITS.events), read_take
    )
    assert "larger than 16 MiB" in refusal(tmp_path, smf(bytes(TAKE_LIMITS.size)), read_take)


def test_what_is_no_file_has_its_line(tmp_path):
    for reader in (read_smf_score, read_take):
        for path in (tmp_path / "none.mid", tmp_path, tmp_path / "a\0b.mid"):
            with pytest.raises(CoachError) as caught:
                reader(path)
            assert "\n" not in str(caught.value)


def test_odd_metas_are_left_out_with_a_notice(tmp_path):
    body = (
        bytes.fromhex("00FF59020900 00FF5103000000 00FF5103000001 00FF5902 0201 00FF510107 00FF5800") + NOTE
    )
    (tmp_path / "a.mid").write_bytes(smf(body))
    file = read_smf_score(tmp_path / "a.mid")
    assert file.score.bars[0].fifths == 2
    assert file.score.tempo.tolist() == [(0, 120.0)]
    assert len(file.notices) == 2
    (tmp_path / "b.mid").write_bytes(smf(bytes.fromhex("00FF5103000000") + NOTE))
    assert read_take(tmp_path / "b.mid").messages[1][0] == 500_000


def _sources(folder):
    path = folder / "take.mid"
    with Recorder(
        path, TakeMeta(title="fuzzed", chunk=(1, 4), started="2031-05-04T18:30:00"), qpm=72
    ) as recorder:
        for number in range(60):
            recorder.write(number * 31_000, bytes((0x90 | number % 6, 40 + number % 30, number % 3 * 40)))
            recorder.write(number * 31_000 + 7_000, (b"\xfe", b"\xf0\x01\xf7", b"\xe2\x01\x40")[number % 3])
    song = music(
        folder / "song.mid", [(0, 0.5, 64), (0.5, 1 / 3, 67), (1, 3, 69)], [(0.5, 2, 45), (2.5, 2, 40)],
        meters=((0, 1, 8), (0.5, 3, 4), (3.5, 6, 8)), key="Dm", qpm=80, name="fuzzed",
    )  # fmt: skip
    return [path.read_bytes(), song.read_bytes(), EXAMPLE_0, EXAMPLE_1]


def _mutated(rng, data):
    data = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4, 12))):
        at = rng.randrange(len(data) + 1)
        kind = rng.randrange(6)
        if kind == 0 and at < len(data):
            data[at] = rng.randrange(256)
        elif kind == 1 and at < len(data):
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 2:
            del data[at : at + rng.randrange(1, 9)]
        elif kind == 3:
            data[at:at] = rng.randbytes(rng.randrange(1, 9))
        elif kind == 4:
            data[at : at + 4] = rng.choice(
                (b"\xff\xff\xff\xff", b"\x00\x00\x00\x00", b"\xff\xff\xff\x7f", b"\x7f\xff\xff\xff")
            )
        else:
            del data[at:]
    return bytes(data)


def _try(path, data):
    """Read ``data`` both ways; return how many of the two readers took it in."""
    path.write_bytes(data)
    taken = 0
    for reader in (read_smf_score, read_take):
        began, found, line = time.perf_counter(), None, ""
        try:
            found = reader(path)
        except CoachError as fault:
            line = str(fault)
        assert "\n" not in line
        if found is not None:
            taken += 1
            if reader is read_smf_score:
                ET.fromstring(found.xml)
                assert (found.score.notes["duration"] > 0).all()
            else:
                times = [at for at, _ in found.messages]
                assert times == sorted(times)
        assert time.perf_counter() - began < 3.0  # the slowest, 10,000 bars, takes 0.2 s
    return taken


def test_mutated_files_give_a_reading_or_one_line(tmp_path):
    rng = random.Random(20310504)
    sources = _sources(tmp_path)
    taken = [
        _try(tmp_path / "m.mid", _mutated(rng, sources[number % len(sources)])) for number in range(1500)
    ]
    assert 100 < sum(taken) < 2900  # neither all refused nor all accepted: the mutations do bite


@settings(max_examples=200, deadline=None)
@given(tracks=st.lists(st.binary(max_size=60), min_size=1, max_size=3), division=st.integers(0, 0xFFFF))
def test_any_track_bytes_give_a_reading_or_one_line(tmp_path_factory, tracks, division):
    folder = tmp_path_factory.mktemp("any")
    _try(folder / "m.mid", smf(*tracks, division=division))


_event = st.one_of(
    st.tuples(
        st.integers(0x80, 0xBF) | st.integers(0xE0, 0xEF), st.integers(0, 127), st.integers(0, 127)
    ).map(bytes),
    st.tuples(st.integers(0xC0, 0xDF), st.integers(0, 127)).map(bytes),
    st.tuples(st.sampled_from((0x51, 0x58, 0x59, 0x01, 0x03, 0x7F)), st.binary(max_size=6)).map(
        lambda meta: bytes((0xFF, meta[0], len(meta[1]))) + meta[1]
    ),
    st.binary(max_size=6).map(lambda data: bytes((0xF7, len(data))) + data),
)
_delta = st.one_of(st.integers(0, 200), st.integers(0, 0xFFFFFFF)).map(vlq)
_body = st.lists(st.tuples(_delta, _event).map(b"".join), max_size=12).map(b"".join)


@settings(max_examples=200, deadline=None)
@given(tracks=st.lists(_body, min_size=1, max_size=3), division=st.sampled_from((1, 24, 100, 480, 32_767)))
def test_any_well_formed_events_give_a_reading_or_one_line(tmp_path_factory, tracks, division):
    folder = tmp_path_factory.mktemp("any")
    _try(folder / "m.mid", smf(*tracks, division=division))
