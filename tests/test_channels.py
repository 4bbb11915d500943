"""Strings on other channels than the profile says: found by the pitches, and told in one line."""

import pytest

from coach.core.channels import Channels
from coach.core.events import End
from coach.core.pickup_words import channels_off
from coach.core.profile import Profile
from coach.core.report import report
from coach.core.session import Session
from coach.core.verdicts import DAMPING_FAULTS
from coach.core.wire import Decoder
from coach.files.report import review_text
from tests.converter import Converter
from tests.pieces import generated_piece
from tests.player import Player

SCORE = generated_piece(11, bars=8)


def sat(converter: Converter, told: Profile | None = None, score=SCORE, seed=3):
    done = Player(score, seed=seed, converter=converter).play()
    session = Session(score, profile=told or Profile())
    decoder = Decoder(session.profile, session.channels)
    for time_us, data in done.messages:
        for event in decoder.decode(time_us, data):
            session.feed(event)
    session.feed(End(done.end_us))
    return session, done, decoder


@pytest.mark.parametrize(
    ("converter", "found"),
    [
        (Converter(base_channel=11), "11 to 16"),
        (Converter(base_channel=2), "2 to 7"),
        (Converter(reversed=True), "1 to 6, string 6 first"),
        (Converter(single_channel=True), "1 alone"),
        (Converter(single_channel=True, base_channel=3), "3 alone"),
    ],
)
def test_the_channels_are_found_and_nobody_is_blamed_for_them(converter, found):
    session, done, _ = sat(converter)
    assert f"on MIDI channels {found}, not 1 to 6" in channels_off(session.channels)
    assert "coach calibrate" in channels_off(session.channels)
    result = report(session)
    assert channels_off(session.channels) in review_text(result)
    # Nothing was played wrong: no bass end is a fault, and most of them are judged all the same.
    assert not [row for row in result.damps if row.verdict.kind in DAMPING_FAULTS]
    assert len(result.damps) >= 0.7 * len(done.truth.ends)


@pytest.mark.parametrize("converter", [Converter(), Converter(base_channel=11), Converter(reversed=True)])
def test_nothing_is_said_where_the_profile_is_right(converter):
    session, _, _ = sat(converter, converter.profile(SCORE.tuning))
    assert channels_off(session.channels) == ""
    assert report(session).notices == ()


def test_another_instrument_beside_the_guitar_is_passed_over():
    channels = Channels(Profile(), SCORE)
    string, pitch = (int(SCORE.notes[name][0]) for name in ("string", "pitch"))
    channels.note_on(string, pitch, 80)
    assert channels.carries(string)
    assert not channels.carries(10)
    for _ in range(4):
        channels.note_on(string, pitch, 80)
        channels.note_on(10, 36, 80)
    assert not channels.off


def test_until_a_string_is_heard_on_its_own_channel_any_channel_may_be_the_guitars():
    channels = Channels(Profile(), SCORE)
    assert channels.carries(13)
    assert channels.string_of(13) is None
