"""MIDI bytes against the MIDI 1.0 Detailed Specification 4.2.1 (pages named beside each check)."""

from hypothesis import given
from hypothesis import strategies as st

from coach.core.events import AllOff, Bend, NoteOff, NoteOn
from coach.core.profile import Profile
from coach.core.wire import Decoder


def decode(*messages: bytes, profile: Profile | None = None):
    decoder = Decoder(profile or Profile())
    return [event for data in messages for event in decoder.decode(7, data)], decoder.ignored


def test_note_on_and_off_on_the_fifth_string():
    events, ignored = decode(bytes([0x94, 45, 90]), bytes([0x84, 45, 64]))
    assert events == [NoteOn(7, 45, 90, 5), NoteOff(7, 45, 5)]
    assert not ignored


def test_note_on_with_velocity_0_is_a_note_off():  # p. 10
    assert decode(bytes([0x94, 45, 0]))[0] == [NoteOff(7, 45, 5)]


def test_running_status_and_real_time_inside_a_message():  # pp. 4-5
    events, ignored = decode(bytes([0x95, 40, 0xF8, 80, 40, 0]))
    assert events == [NoteOn(7, 40, 80, 6), NoteOff(7, 40, 6)]
    assert ignored == {"real-time": 1}


def test_system_common_cancels_running_status():  # p. 5
    events, ignored = decode(bytes([0x95, 40, 80, 0xF6, 40, 0]))
    assert events == [NoteOn(7, 40, 80, 6)]
    assert ignored == {"system": 1, "malformed": 2}


def test_pitch_bend_is_14_bit_lsb_first_centre_8192():  # p. 19
    assert decode(bytes([0xE4, 0x00, 0x40]))[0] == [Bend(7, 0.0, 5)]
    assert decode(bytes([0xE4, 0x00, 0x00]))[0] == [Bend(7, -200.0, 5)]
    (top,) = decode(bytes([0xE4, 0x7F, 0x7F]))[0]
    assert abs(top.cents - 200 * 8191 / 8192) < 1e-9


def test_rpn_0_sets_the_bend_range():  # p. 18
    events, _ = decode(
        bytes([0xB4, 101, 0]), bytes([0xB4, 100, 0]), bytes([0xB4, 6, 12]), bytes([0xE4, 0, 0x60])
    )
    assert events == [Bend(7, 600.0, 5)]


def test_all_notes_off_and_all_sound_off():  # p. 20
    assert decode(bytes([0xB4, 123, 0]), bytes([0xB0, 120, 0]))[0] == [AllOff(7, 5), AllOff(7, 1)]


def test_channels_that_carry_no_string_are_counted_not_guessed():
    events, ignored = decode(bytes([0x9A, 45, 90]))
    assert events == []
    assert ignored == {"other channel": 1}


def test_profiles_map_channels_to_strings():
    high = Profile(base_channel=11)
    assert [high.string_of(c) for c in (11, 16, 1)] == [1, 6, None]
    assert high.channel_of(6) == 16
    low_first = Profile(reversed=True)
    assert [low_first.string_of(c) for c in (1, 6)] == [6, 1]
    one = Profile(single_channel=True, base_channel=3)
    assert decode(bytes([0x92, 45, 90]), profile=one)[0] == [NoteOn(7, 45, 90, None)]


def test_messages_are_had_before_they_become_events():
    decoder = Decoder(Profile())
    data = bytes([0x9A, 45, 90, 0xF8, 45, 0, 0xC0, 7, 0xB3, 64])  # running status, a clock, one cut short
    assert decoder.channel_messages(data) == [(0x90, 11, (45, 90)), (0x90, 11, (45, 0)), (0xC0, 1, (7,))]
    assert decoder.channel_messages(bytes([127])) == [(0xB0, 4, (64, 127))]
    assert decoder.ignored == {"real-time": 1}  # nothing is ignored for having no string


@given(st.lists(st.binary(max_size=12), max_size=30), st.data())
def test_any_bytes_in_any_chunks_give_the_same_events(chunks, data):
    whole = b"".join(chunks)
    at_once, counted = decode(whole)
    piecewise, counted_too = decode(*chunks)
    assert piecewise == at_once
    assert counted == counted_too


@given(
    st.builds(Profile, base_channel=st.integers(1, 16), strings=st.integers(1, 10), reversed=st.booleans())
)
def test_profile_round_trips_and_channels_invert(profile):
    assert Profile.from_plain(profile.to_plain()) == profile
    for string in range(1, profile.strings + 1):
        assert profile.string_of(profile.channel_of(string)) == string
