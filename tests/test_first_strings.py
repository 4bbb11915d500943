"""Which strings sound, and whether one channel carries them all, from literal messages of a port."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.app.first_strings import SoundingStrings
from coach.core.pitch import HIGHEST_FRET, STANDARD
from coach.core.profile import Profile

OPEN = (40, 45, 50, 55, 59, 64)  # strings 6 to 1; common practice


def on(channel: int, *pitches: int) -> bytes:
    return b"".join(bytes([0x90 | channel - 1, pitch, 90]) for pitch in pitches)


def off(channel: int, *pitches: int) -> bytes:
    return b"".join(bytes([0x80 | channel - 1, pitch, 64]) for pitch in pitches)


def plucked(channel: int, *pitches: int) -> bytes:
    """One string after the other, each damped before the next."""
    return b"".join(on(channel, pitch) + off(channel, pitch) for pitch in pitches)


def heard(*data: bytes) -> SoundingStrings:
    strings = SoundingStrings(Profile())
    for one in data:
        strings.hear(one)
    return strings


@pytest.mark.parametrize("channel", [1, 3, 12])
@pytest.mark.parametrize("order", [1, -1])
def test_six_strings_plucked_on_one_channel_are_known_as_such(channel, order):
    assert heard(plucked(channel, *OPEN[::order])).one_channel == channel


@pytest.mark.parametrize(
    ("data", "channel"),
    [
        (plucked(1, 40, 45), None),  # two pitches: the same string's second note, perhaps
        (plucked(1, 40, 45, 50), 1),  # none of them is on string 1
        (plucked(1, 40, 40, 40, 45, 45), None),
        (plucked(1, 64, 59, 55), 1),
        (plucked(1, 64, 66, 69), None),  # a scale on string 1
        (plucked(6, 40, 45, 50), None),  # so may string 6 be stopped
        (on(6, 40, 45, 50), 6),  # but no string holds three notes at once
        (on(6, 40) + on(6, 45) + off(6, 40) + on(6, 50), None),  # the new note before the old one's end
        (on(6, 40, 45) + bytes([0xB5, 123, 0]) + on(6, 50), None),  # all notes off in between
        (on(5, 40, 41, 42), None),  # no three strings have them: notes whose ends were lost
        (plucked(16, 40, 45, 50), 16),  # a channel that is no string's
        (plucked(1, 40, 45, 50) + on(2, 59), None),  # another channel after all
        (on(2, 59) + plucked(1, 40, 45, 50), None),
        (plucked(1, 38, 45, 50), 1),  # string 6 tuned down to D
    ],
)
def test_three_pitches_that_one_string_cannot_have_had(data, channel):
    strings = heard(data)
    assert strings.one_channel == channel


def test_a_port_that_went_away_and_came_back_is_heard_afresh():
    strings = heard(plucked(1, *OPEN))
    strings.clear()
    assert strings.one_channel is None
    strings.hear(on(5, 45))
    assert (strings.one_channel, strings.sounding) == (None, {5})


def test_running_status_and_a_velocity_of_0_are_understood():
    strings = heard(bytes([0x90, 40, 90, 40, 0, 45, 90, 45, 0, 50, 90, 50, 0]))
    assert strings.one_channel == 1


@given(st.integers(1, 6), st.lists(st.tuples(st.integers(0, HIGHEST_FRET), st.booleans()), max_size=30))
def test_one_string_played_alone_is_never_taken_for_all(string, notes):
    strings, last = SoundingStrings(Profile()), 0
    for fret, slurred in notes:
        pitch = STANDARD.pitch(string, fret)
        if pitch == last:
            continue
        end = off(string, last) if last else b""
        strings.hear(on(string, pitch) + end if slurred else end + on(string, pitch))
        last = pitch
        assert strings.one_channel is None


@given(st.permutations(range(1, 7)), st.integers(1, 16), st.booleans())
def test_a_channel_a_string_is_never_taken_for_one(order, base, backwards):
    profile = Profile(base_channel=base, reversed=backwards)
    strings = SoundingStrings(Profile())
    for string in order:
        strings.hear(on(profile.channel_of(string), STANDARD.open_pitch(string)))
        assert strings.one_channel is None
