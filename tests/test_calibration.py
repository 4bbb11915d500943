"""The calibration against a simulated player whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from coach.core.calibration import Calibration, GaveUp, Say
from coach.core.calibration_fit import Stroke, fit
from coach.core.pitch import STANDARD
from coach.core.profile import Profile
from tests.converter import Converter
from tests.pupil import Pupil

STRINGS = range(1, 7)


def truth_on(pupil):
    return [pupil.converter.on_delay_us(STANDARD.open_pitch(s)) / 1e3 for s in STRINGS]


def learnt(pupil):
    pupil.play()
    assert pupil.gave_up is None
    assert pupil.learnt is not None
    return pupil.learnt.fit


def test_delays_and_fades_are_found_within_what_is_stated():
    """Over 20 players: two standard deviations as stated hold the truth in at least nine of ten delays."""
    inside, sizes, fades = [], [], []
    for seed in range(20):
        pupil = Pupil(seed)
        made = learnt(pupil)
        profile = made.profile
        for s, true_ms in zip(STRINGS, truth_on(pupil), strict=True):
            off_error = abs(profile.off_delay_ms[s - 1] - made.ahead_ms - pupil.converter.off_ms)
            on_error = abs(profile.on_delay_ms[s - 1] - made.ahead_ms - true_ms)
            inside += [
                on_error <= 2 * profile.on_error_ms[s - 1],
                off_error <= 2 * profile.off_error_ms[s - 1] + made.ahead_ms,  # not below 0
            ]
            sizes += [on_error]
            for velocity in (50, 80, 105):
                found = profile.fade_us(s, velocity)
                assert found is not None
                fades.append((found / 1e6 - pupil.fade_s(s, velocity)) / (profile.fade_spread_us(s) / 1e6))
    assert np.mean(inside) >= 0.9
    assert np.median(sizes) < 6.0  # ms, with a hand that jitters by 12
    assert np.mean(np.abs(fades) <= 2) >= 0.9
    print(np.mean(inside), np.median(sizes), np.mean(np.abs(fades) <= 2))


def test_a_quiet_hand_gives_the_delays_nearly_exactly():
    pupil = Pupil(1, converter=Converter(on_jitter_ms=0.2, off_jitter_ms=0.2, ghost_rate=0.0), jitter_ms=0.2)
    profile = learnt(pupil).profile
    assert profile.on_delay_ms == pytest.approx(truth_on(pupil), abs=0.4)
    assert profile.off_delay_ms == pytest.approx([18.0] * 6, abs=0.4)
    assert max(profile.on_error_ms) < 0.3
    assert (profile.base_channel, profile.reversed, profile.single_channel) == (1, False, False)


def test_the_spread_is_the_hands_and_the_converters_together():
    spreads = [np.mean(learnt(Pupil(seed, jitter_ms=12.0)).profile.on_spread_ms) for seed in range(6)]
    assert np.mean(spreads) == pytest.approx(np.hypot(12.0, 1.5), rel=0.15)


def test_a_player_ahead_of_the_click_is_found_out_as_far_as_can_be():
    """Ahead by 60 ms every string seems to answer before it sounds: differences stay, the floor holds."""
    pupil = Pupil(3, converter=Converter(on_jitter_ms=0.3, off_jitter_ms=0.3), ahead_ms=60.0, jitter_ms=0.5)
    made = learnt(pupil)
    on, true = np.array(made.profile.on_delay_ms), np.array(truth_on(pupil))
    assert made.ahead_ms == pytest.approx(60 - min(true - [1e3 / 440 * 2 ** ((69 - p) / 12)
        for p in STANDARD.open_pitches]), abs=2.0)  # fmt: skip
    assert on - on[0] == pytest.approx(true - true[0], abs=2.0)
    assert np.array(made.profile.off_delay_ms) - on == pytest.approx(18.0 - true, abs=2.0)
    assert min(on) > 0


def test_a_sound_later_than_told_is_in_the_delays():
    plain, late = Pupil(4, jitter_ms=0.5), Pupil(4, jitter_ms=0.5, late_ms=25.0)
    one, two = learnt(plain).profile, learnt(late).profile
    assert np.subtract(two.on_delay_ms, one.on_delay_ms) == pytest.approx(25.0, abs=0.5)


@pytest.mark.parametrize(
    ("converter", "expected"),
    [
        (Converter(base_channel=11), (11, False, False)),
        (Converter(base_channel=14), (14, False, False)),  # round the end: 14 15 16 1 2 3
        (Converter(reversed=True), (1, True, False)),
        (Converter(base_channel=5, single_channel=True), (5, False, True)),
    ],
)
def test_the_channels_are_found_and_said(converter, expected):
    pupil = Pupil(5, converter=converter)
    profile = learnt(pupil).profile
    assert (profile.base_channel, profile.reversed, profile.single_channel) == expected
    said = " ".join(pupil.said)
    if profile.single_channel:
        assert "All strings come on channel 5" in said
    else:
        assert "The usual channels are 1 to 6" in said
        first, last = profile.channel_of(1), profile.channel_of(6)
        assert f"String 1 comes on channel {first}, string 6 on channel {last}." in said


def test_the_usual_channels_are_said_without_ado():
    pupil = Pupil(6)
    learnt(pupil)
    assert "String 1 comes on channel 1, string 6 on channel 6." in pupil.said


def test_channels_out_of_order_end_it_and_are_named():
    pupil = Pupil(7, swapped=True)
    pupil.play()
    assert pupil.learnt is None
    assert pupil.gave_up is not None
    assert pupil.gave_up.what == "strings 1 to 6 come on channels 1, 2, 4, 3, 5, 6"


def test_a_missed_click_is_asked_for_again_and_three_end_it():
    pupil = Pupil(8, misses=frozenset({0, 5, 26}))  # two rings, one round of stops
    learnt(pupil)
    assert pupil.said.count("That did not come with the click. Once more:") == 3
    pupil = Pupil(8, misses=frozenset({4, 5, 6}))
    pupil.play()
    assert pupil.gave_up is not None
    assert pupil.gave_up.what == "string 5 did not come with the click, three times over"


def test_a_touched_string_does_not_spoil_the_fade():
    pupil = Pupil(9, touches=frozenset({1, 6}), slope_s=0.0)
    made = learnt(pupil)
    assert made.touched == 2
    for s in STRINGS:
        assert made.profile.fade_s[s - 1] == pytest.approx(pupil.converter.fade_s[s - 1], abs=0.3)


def test_who_plays_nothing_is_reminded_and_then_left_in_peace():
    pupil = Pupil(10, silent=True)
    pupil.play()
    assert pupil.gave_up is not None
    assert pupil.gave_up.what == "string 6 was not heard"
    assert pupil.said.count("Nothing was heard for a while. Whenever you are ready:") == 1


def test_another_string_than_the_one_asked_for_is_named_once_and_not_counted():
    lesson = Calibration(STANDARD.open_pitches)
    lesson.begin()
    (said,) = lesson.hear(1_000_000, bytes([0x94, 45, 80]))
    assert said == Say("That was A2; string 6 is to sound E2 (--tuning says otherwise).")
    assert lesson.hear(2_000_000, bytes([0x94, 45, 80])) == []
    for k in range(2):  # one pluck reported twice is one
        assert lesson.hear(3_000_000 + k * 900_000, bytes([0x95, 40, 80, 0x95, 40, 70])) == []
    (said,) = lesson.hear(5_000_000, bytes([0x95, 40, 80]))
    assert said == Say("Pluck string 5, open (A2), 3 times.")


def test_a_click_that_never_sounds_ends_it():
    lesson = Calibration((64,))
    lesson.begin()
    steps = [step for k in range(3) for step in lesson.hear(1_000_000 * k + 1, bytes([0x90, 64, 80]))]
    steps += [step for k in range(3, 40) for step in lesson.tick(1_000_000 * k)]
    assert isinstance(steps[-1], GaveUp)
    assert steps[-1].what == "the click did not begin"


def test_the_median_the_error_and_the_line_of_fades_by_hand():
    """One string: on 10, 12, 30 ms: median 12; fades 4 s at velocity 40 and 4 + ln 2 at 80: slope 1 s."""
    strokes = [
        Stroke(1, 40, 10.0, fade_s=4.0),
        Stroke(1, 80, 12.0, fade_s=4.0 + np.log(2)),
        Stroke(1, 160, 30.0, fade_s=4.0 + 2 * np.log(2)),
        Stroke(1, 80, 12.0, off_ms=12.0),
    ]
    made = fit(strokes, Profile(strings=1), (64,))
    assert made.profile.on_delay_ms == (12.0,)
    assert made.profile.off_delay_ms == (12.0,)
    assert made.profile.fade_s == pytest.approx((4.0 + np.log(2),), abs=0.01)
    assert made.profile.fade_slope_s == (1.0,)
    assert made.ahead_ms == 0.0
    assert Profile.from_plain(made.profile.to_plain()) == made.profile
