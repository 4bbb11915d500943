"""Scores and raw takes from Standard MIDI Files; byte examples are from RP-001 (MMA), pages beside them."""

import glob
import os

import mido
import music21
import partitura
import pytest

from coach.core.pitch import Tuning
from coach.core.score import TICKS_PER_QUARTER as Q
from coach.files.smf import read_raw_take, read_smf_score
from coach.files.smf_bytes import vlq
from tests.smf_build import EXAMPLE_0, EXAMPLE_1, music, smf


def read(path, data):
    path = path / "piece.mid"
    path.write_bytes(data)
    return read_smf_score(path)


def table(score, *fields):
    return [tuple(row[field].item() for field in fields) for row in score.notes]


# -- RP-001's own example ----------------------------------------------------------------------------

# pp. 12-14: at 96 ticks a quarter, C3 and C4 from 0, G4 from 96, E5 from 192, all until 384
EXAMPLE_NOTES = [(0, 4 * Q, 48), (0, 4 * Q, 60), (Q, 3 * Q, 67), (2 * Q, 2 * Q, 76)]


@pytest.mark.parametrize("data", [EXAMPLE_0, EXAMPLE_1], ids=["type 0", "type 1"])
def test_the_standards_own_example_as_a_score(tmp_path, data):
    file = read(tmp_path, data)
    score = file.score
    assert table(score, "onset", "duration", "pitch") == EXAMPLE_NOTES
    assert table(score, "pitch", "voice", "bass") == [
        (48, 3, True),
        (60, 3, False),
        (67, 2, False),
        (76, 1, False),
    ]
    assert [(bar.number, bar.onset, bar.length, bar.beats, bar.beat_unit) for bar in score.bars] == [
        (1, 0, 4 * Q, 4, 4)
    ]
    assert score.tempo.tolist() == [(0, 120.0)]
    assert score.tempo_given
    assert score.title == "piece"
    assert file.notices == ()


def test_the_standards_own_example_as_a_take(tmp_path):
    (tmp_path / "t.mid").write_bytes(EXAMPLE_0)
    take = read_raw_take(tmp_path / "t.mid")
    # 500,000 µs a quarter: 96 ticks are half a second
    assert [(at, data.hex()) for at, data in take.messages] == [
        (0, "c005"), (0, "c12e"), (0, "c246"), (0, "923060"), (0, "923c60"), (500_000, "914340"),
        (1_000_000, "904c20"), (2_000_000, "823040"), (2_000_000, "823c40"), (2_000_000, "814340"),
        (2_000_000, "804c40"),
    ]  # fmt: skip
    assert (take.end_us, take.complete, take.meta.program, take.notices) == (2_000_000, True, "", ())
    (tmp_path / "t1.mid").write_bytes(EXAMPLE_1)
    merged = read_raw_take(tmp_path / "t1.mid")
    ons = [(at, data.hex()) for at, data in merged.messages if data[0] >> 4 == 9 and data[2]]
    assert ons == [(0, "923060"), (0, "923c60"), (500_000, "914340"), (1_000_000, "904c20")]


def test_sysex_in_packets_gives_its_wire_bytes(tmp_path):  # p. 6: F0, then F7 after 200 and 100 ticks
    body = bytes.fromhex("00F003431200 8148 F706431200431200 64 F704431200F7")
    (tmp_path / "t.mid").write_bytes(smf(body, division=100))
    assert [(at, data.hex()) for at, data in read_raw_take(tmp_path / "t.mid").messages] == [
        (0, "f0431200"), (1_000_000, "431200431200"), (1_500_000, "431200f7"),
    ]  # fmt: skip


def test_tempo_changes_are_exact_to_the_rounding(tmp_path):
    # 7 ticks a quarter; 333,333 µs for 10 ticks, then 1,000,001: sums of fractions, rounded once (pp. 4, 14)
    body = bytes.fromhex("00FF5103051615 0A FF51030F4241 03 90407F 0A 804000")
    (tmp_path / "t.mid").write_bytes(smf(body, division=7))
    at = [time_us for time_us, _ in read_raw_take(tmp_path / "t.mid").messages]
    first = 10 * 333_333 + 3 * 1_000_001
    assert at == [round(first / 7), round((first + 10 * 1_000_001) / 7)] == [904_762, 2_333_335]


def test_unknown_chunks_and_longer_headers_are_passed_over(
    tmp_path,
):  # p. 2: expect alien chunks; p. 3: honour the length
    head = bytearray(EXAMPLE_1[:14])
    head[7] = 8
    alien = b"XFIH\x00\x00\x00\x05hello"
    data = bytes(head) + b"\xab\xcd" + alien + EXAMPLE_1[14:42] + alien + EXAMPLE_1[42:] + alien
    assert table(read(tmp_path, data).score, "onset", "duration", "pitch") == EXAMPLE_NOTES


# -- a second reader --------------------------------------------------------------------------------

PACKAGED = sorted(
    path
    for package in (music21, partitura)
    for path in glob.glob(os.path.dirname(package.__file__) + "/**/*.mid", recursive=True)
)


def test_there_are_files_to_compare():
    assert len(PACKAGED) >= 15


@pytest.mark.parametrize("path", PACKAGED, ids=os.path.basename)
def test_onsets_and_pitches_equal_midos(path):
    score = read_smf_score(path).score
    file = mido.MidiFile(path)
    wanted = set()
    for track in file.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "note_on" and message.velocity and message.channel != 9:
                wanted.add((tick * Q / file.ticks_per_beat, message.note))
    found = {(int(note["onset"]), int(note["pitch"])) for note in score.notes}
    assert len(found) == len({(round(at / 210), pitch) for at, pitch in wanted})
    for at, pitch in wanted:  # half a file tick, or half a 96th of a beat where moved with a notice
        nearest = min((abs(at - onset) for onset, other in found if other == pitch), default=Q)
        assert nearest <= max(Q / file.ticks_per_beat / 2, 52.5)
    assert score.bars[0].onset == 0
    assert all(bar.end == following.onset for bar, following in zip(score.bars, score.bars[1:], strict=False))
    assert score.end >= (score.notes["onset"] + score.notes["duration"]).max()
    assert (score.notes["duration"] > 0).all()


# -- bars, keys, tempo -------------------------------------------------------------------------------

WALTZ = [(0, 0.5, 64), (0.5, 1, 67), (1.5, 1, 69), (2.5, 1, 71), (3.5, 3, 68)]
WALTZ_BASS = [(0.5, 3, 45), (3.5, 2, 40)]


def test_a_short_first_bar_by_time_signature_is_a_pickup(tmp_path):
    path = music(
        tmp_path / "w.mid",
        WALTZ,
        WALTZ_BASS,
        meters=((0, 1, 8), (0.5, 3, 4)),
        key="Am",
        qpm=96,
        name="Late shift",
    )
    file = read_smf_score(path)
    score = file.score
    bars = [(bar.number, bar.onset, bar.length, bar.beats, bar.beat_unit, bar.lead) for bar in score.bars]
    assert bars == [
        (0, 0, Q // 2, 3, 4, 5 * Q // 2), (1, Q // 2, 3 * Q, 3, 4, 0), (2, 7 * Q // 2, 3 * Q, 3, 4, 0),
    ]  # fmt: skip
    assert score.beat(0) == 3.5
    assert (score.title, score.mode, score.bars[0].fifths) == ("Late shift", "minor", 0)
    assert (score.tempo.tolist(), score.tempo_given) == ([(0, 96.0)], True)
    assert table(score, "pitch", "voice", "bass")[:3] == [(64, 1, False), (45, 2, True), (67, 1, False)]
    (notice,) = file.notices
    assert "pickup, bar 0" in notice


def test_meters_keys_and_tempo_change_where_they_say(tmp_path):
    body = (
        bytes.fromhex("00FF580402021808 00FF5902FE00")  # 2/4, two flats
        + bytes.fromhex(
            "00904040 60804000 8220FF580406031808 00FF59020301 00FF51030F4240 00904040 8120804000"
        )
    )
    score = read(tmp_path, smf(body)).score
    assert [(b.number, b.onset, b.length, b.beats, b.beat_unit, b.fifths) for b in score.bars] == [
        (1, 0, 2 * Q, 2, 4, -2), (2, 2 * Q, 2 * Q, 2, 4, -2), (3, 4 * Q, 3 * Q, 6, 8, 3),
    ]  # fmt: skip
    assert score.mode == "major"
    assert score.tempo.tolist() == [(0, 120.0), (4 * Q, 60.0)]  # 120 until the first mark: RP-001 p. 5


def test_without_any_metas_it_is_four_four_at_120(tmp_path):  # RP-001 p. 5
    score = read(tmp_path, smf(bytes.fromhex("00904040 8400804000"))).score
    assert [(b.beats, b.beat_unit, b.length) for b in score.bars] == [(4, 4, 4 * Q), (4, 4, 4 * Q)]
    assert (score.tempo.tolist(), score.tempo_given, score.mode) == ([(0, 120.0)], False, "")


def test_a_meter_that_comes_inside_a_bar_cuts_it_short(tmp_path):
    body = bytes.fromhex("00904040 8340804000 00FF580403021808 00904040 8220804000")  # 4/4 until 4½ quarters
    score = read(tmp_path, smf(body)).score
    assert [(b.number, b.onset, b.length) for b in score.bars] == [
        (1, 0, 4 * Q), (2, 4 * Q, 2 * Q // 3), (3, 14 * Q // 3, 3 * Q),
    ]  # fmt: skip


# -- times -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("division", [24, 96, 100, 120, 480, 960, 10_080, 32_767])
def test_written_parts_of_the_beat_are_exact_at_any_division(tmp_path, division):
    parts = [0, 1 / 4, 1 / 3, 1 / 2, 2 / 3, 3 / 4] + ([] if division == 24 else [1 / 8, 1 / 6, 1 / 12])
    notes = [(bar + part, 1 / 12, 60 + bar) for bar, part in enumerate(parts)]
    file = read_smf_score(music(tmp_path / "p.mid", notes, division=division))
    assert table(file.score, "onset") == [(round((bar + part) * Q),) for bar, part in enumerate(parts)]
    assert not [notice for notice in file.notices if "part of the beat" in notice]


def test_quintuplets_and_septuplets_stay(tmp_path):
    fives = [(k / 5, 1 / 5, 60) for k in range(5)]
    sevens = [(1 + k / 7, 1 / 7, 60) for k in range(7)]
    file = read_smf_score(music(tmp_path / "p.mid", fives + sevens, division=480))
    assert table(file.score, "onset", "duration") == [(k * Q // 5, Q // 5) for k in range(5)] + [
        (Q + k * Q // 7, Q // 7) for k in range(7)
    ]
    assert file.notices == ()


@pytest.mark.parametrize("gate", [0.90, 0.95, 0.97, 0.998, 1.002])
def test_a_players_gap_is_no_rest(tmp_path, gate):
    melody = [
        (0, 1, 64),
        (1, 0.5, 65),
        (1.5, 0.5, 67),
        (2, 1, 69),
        (4, 4, 64),
    ]  # a rest of a beat before the whole note
    bass = [(0, 2, 45), (2, 2, 40), (4, 3, 45), (7, 1, 40)]
    file = read_smf_score(music(tmp_path / "p.mid", melody, bass, gate=gate))
    spans = {
        (on / Q, length / Q, pitch) for on, length, pitch in table(file.score, "onset", "duration", "pitch")
    }
    assert spans == set(melody) | set(bass)


def test_a_short_touch_is_a_short_touch(tmp_path):
    bass = [
        (0, 0.5, 45),
        (1, 0.75, 40),
        (2, 1.5, 45),
    ]  # eighth, dotted eighth, dotted quarter, with rests after
    score = read_smf_score(music(tmp_path / "p.mid", bass)).score
    assert [length for (length,) in table(score, "duration")] == [Q // 2, 3 * Q // 4, 3 * Q // 2]


def test_what_was_played_rather_than_written_is_said(tmp_path):
    file = read_smf_score(
        music(tmp_path / "p.mid", [(0.004, 1, 64), (1.047, 1, 65), (2.03, 1, 67)], division=1000)
    )
    assert [on for (on,) in table(file.score, "onset")] == [0, round(1.047 * Q), round(2.03 * Q)]
    assert any(n.startswith("1 of its 3 notes are moved a little") for n in file.notices)
    assert any(n.startswith("2 of its 3 notes are on no written part") for n in file.notices)


# -- odd notes ---------------------------------------------------------------------------------------


def odd(tmp_path, *events):
    """Read (tick, on or off, pitch) on one channel at 96 ticks a quarter."""
    body, now = b"", 0
    for tick, on, pitch in events:
        delta = tick - now
        body += (bytes((0x80 | delta >> 7,)) if delta > 127 else b"") + bytes(
            (delta & 0x7F, 0x90, pitch, 64 if on else 0)
        )
        now = tick
    return read(tmp_path, smf(body))


def test_a_pitch_struck_again_while_it_sounds_ends_there(tmp_path):
    file = odd(tmp_path, (0, 1, 45), (96, 1, 45), (192, 0, 45), (288, 0, 45))
    assert table(file.score, "onset", "duration") == [(0, Q), (Q, 2 * Q)]
    assert "1 of its 2 notes are struck again while they sound: they end there" in file.notices
    file = odd(tmp_path, (0, 1, 45), (96, 1, 45), (288, 0, 45))  # one note-off for both
    assert table(file.score, "onset", "duration") == [(0, Q), (Q, 2 * Q)]
    file = odd(tmp_path, (0, 1, 45), (96, 1, 45), (96, 0, 45), (192, 0, 45))  # on before off at one tick
    assert table(file.score, "onset", "duration") == [(0, Q), (Q, Q)]
    assert file.notices == ()


def test_a_note_that_never_ends_is_held_to_the_next_or_the_barline(tmp_path):
    file = odd(tmp_path, (0, 1, 45), (96, 1, 40), (192, 1, 43))
    assert table(file.score, "onset", "duration", "pitch") == [(0, Q, 45), (Q, Q, 40), (2 * Q, 2 * Q, 43)]
    assert (
        "3 of its 3 notes never end: they are held to the next of their voice or the end of the bar"
        in file.notices
    )


def test_a_note_without_length_gets_one(tmp_path):
    file = odd(tmp_path, (0, 1, 45), (0, 0, 45), (48, 1, 40), (48, 0, 40))
    assert table(file.score, "onset", "duration") == [(0, Q // 2), (Q // 2, 7 * Q // 2)]


def test_a_note_written_twice_is_one(tmp_path):
    file = odd(tmp_path, (0, 1, 45), (0, 1, 45), (96, 0, 45), (96, 0, 45))
    assert table(file.score, "onset", "duration") == [(0, Q)]


def test_percussion_is_left_out_unless_it_is_all_there_is(tmp_path):
    drums, tune = [(0, 1, 36), (1, 1, 38)], [(0, 2, 64)]
    file = read_smf_score(music(tmp_path / "d.mid", tune, drums, channels=(1, 10)))
    assert table(file.score, "pitch") == [(64,)]
    assert file.notices == ("2 of its 3 notes are percussion (channel 10): they are left out",)
    assert len(read_smf_score(music(tmp_path / "e.mid", tune, channels=(10,))).score.notes) == 1


# -- voices and strings ------------------------------------------------------------------------------


@pytest.mark.parametrize("one_track", [False, True])
def test_voices_by_track_or_by_channel(tmp_path, one_track):
    bass, melody = [(0, 2, 45), (2, 2, 40)], [(0, 1, 64), (1, 1, 60), (2, 2, 59)]
    score = read_smf_score(music(tmp_path / "v.mid", bass, melody, one_track=one_track)).score
    assert table(score, "pitch", "voice", "bass") == [
        (45, 2, True), (64, 1, False), (60, 1, False), (40, 2, True), (59, 1, False),
    ]  # fmt: skip


def test_a_single_voice_is_parted_into_bass_and_melody(tmp_path):
    notes = [(0, 4, 45), (0, 1, 64), (1, 1, 67), (2, 1, 69), (3, 1, 67), (4, 4, 40), (4, 2, 64), (6, 2, 68)]
    score = read_smf_score(music(tmp_path / "v.mid", notes)).score
    assert {pitch for pitch, bass in table(score, "pitch", "bass") if bass} == {45, 40}
    assert set(table(score, "voice", "string")) == {(1, 0)}


SIX = (
    [(1, 1, 64), (3, 1, 67)], [(1, 1, 59)], [(1, 1, 55)], [(1, 1, 52)], [(2, 2, 47)],
    [(0, 2, 40), (4, 4, 43)],
)  # fmt: skip


@pytest.mark.parametrize(
    "channels", [(1, 2, 3, 4, 5, 6), (11, 12, 13, 14, 15, 16), (6, 5, 4, 3, 2, 1), (16, 15, 14, 13, 12, 11)]
)
def test_a_string_a_channel_is_recognised(tmp_path, channels):
    file = read_smf_score(music(tmp_path / "s.mid", *SIX, channels=channels))
    assert table(file.score, "pitch", "string", "fret") == [
        (40, 6, 0), (52, 4, 2), (55, 3, 0), (59, 2, 0), (64, 1, 0), (47, 5, 2), (67, 1, 3), (43, 6, 3),
    ]  # fmt: skip
    assert {voice for (voice,) in table(file.score, "voice")} == {1}
    names = ", ".join(map(str, channels))
    assert f"Channels {names} are taken as strings 1, 2, 3, 4, 5, 6" in file.notices


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda six: [*six[:5], [*six[5], (6, 1, 64)]], id="a pitch no fret of the sixth gives"),
        pytest.param(lambda six: [[*six[0], (3, 1, 71)], *six[1:]], id="two notes at once on a string"),
        pytest.param(lambda six: six[:3], id="three voices"),
        pytest.param(lambda six: six[:4], id="four trebles"),
        pytest.param(lambda six: [six[5], *six[1:5], six[0]], id="out of order"),
    ],
)
def test_what_is_not_clearly_a_string_a_channel_is_read_as_voices(tmp_path, change):
    score = read_smf_score(music(tmp_path / "s.mid", *change(list(SIX)))).score
    assert {string for (string,) in table(score, "string")} == {0}
    assert len({voice for (voice,) in table(score, "voice")}) > 1


def test_a_dropped_sixth_string_is_told_by_its_low_notes(tmp_path):
    six = [*SIX[:5], [(0, 2, 38), (4, 4, 43)]]
    file = read_smf_score(music(tmp_path / "s.mid", *six))
    assert file.score.tuning == Tuning((64, 59, 55, 50, 45, 38))
    assert [row for row in table(file.score, "pitch", "string", "fret") if row[1] == 6] == [
        (38, 6, 0),
        (43, 6, 5),
    ]
    two = read_smf_score(music(tmp_path / "t.mid", [(0, 1, 38)], [(0, 1, 62)]))
    assert two.score.tuning.open_pitches[-1] == 38


def test_a_part_an_octave_too_high_is_lowered(tmp_path):
    file = read_smf_score(music(tmp_path / "o.mid", [(0, 1, 52), (1, 1, 88)]))
    assert table(file.score, "pitch") == [(40,), (76,)]
    assert "octave lower" in file.notices[0]
    wide = read_smf_score(music(tmp_path / "p.mid", [(0, 1, 40), (1, 1, 88)]))  # lowering would not help
    assert table(wide.score, "pitch") == [(40,), (88,)]
    assert wide.notices == ("1 of its 2 notes are on no string of a guitar in this tuning",)


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
