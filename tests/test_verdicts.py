"""The rule for one bass end, at its boundaries.  Times in µs; a beat is 500 ms, the tolerance 120 ms."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.core.verdicts import Damping, Limits, judge_end


def end(release=None, *, on=0, due=1_000_000, now=0, fade=6_000_000, **rest):
    given_ = {"replaced": False, "replucked": False, "beat_us": 500_000.0, "limits": Limits()} | rest
    return judge_end(on_us=on, due_us=due, release_us=release, now_us=now, fade_us=fade, **given_)


@pytest.mark.parametrize(
    ("release", "kind"),
    [
        (1_000_000, Damping.CLEAN),
        (1_120_000, Damping.CLEAN),  # the tolerance itself still passes
        (1_120_001, Damping.LATE),
        (1_499_999, Damping.LATE),
        (1_500_000, Damping.RINGING),  # one beat after the due point
        (750_000, Damping.CLEAN),  # three quarters of the written length
        (749_999, Damping.CUT),
    ],
)
def test_a_released_string(release, kind):
    assert end(release) is kind


def test_a_string_still_sounding_is_judged_one_beat_after_its_due_point():
    assert end(None, now=1_499_999) is None
    assert end(None, now=1_500_000) is Damping.RINGING


def test_a_string_taken_over_by_the_note_due_there_is_replaced_whenever_that_came():
    assert end(1_000_000, replaced=True) is Damping.REPLACED


def test_a_string_taken_over_later_was_never_stopped():
    assert end(1_300_000, replucked=True) is Damping.RINGING
    assert end(1_060_000, replucked=True) is Damping.CLEAN


def test_a_long_note_whose_gate_closes_early_has_faded():
    # Half the fading time and more: the string may have died away by itself.
    assert end(3_500_000, due=8_000_000) is Damping.FADED
    assert end(2_900_000, due=8_000_000) is Damping.CUT
    assert end(7_950_000, due=8_000_000) is Damping.CLEAN


def test_the_end_of_the_piece_is_lenient():
    assert end(1_499_999, lenient=True) is Damping.CLEAN
    assert end(1_500_001, lenient=True) is Damping.LATE
    assert end(2_000_000, lenient=True) is Damping.RINGING
    assert end(500_000, lenient=True) is Damping.CLEAN
    assert end(499_999, lenient=True) is Damping.CUT


def test_at_a_fast_beat_ringing_is_never_sooner_than_late():
    assert end(1_110_000, beat_us=100_000.0) is Damping.CLEAN
    assert end(1_121_000, beat_us=100_000.0) is Damping.RINGING


@given(st.integers(0, 4_000_000), st.integers(0, 4_000_000))
def test_a_later_release_never_reads_better(first, second):
    order = [Damping.CUT, Damping.CLEAN, Damping.LATE, Damping.RINGING]
    early, late = sorted((first, second))
    assert order.index(end(early)) <= order.index(end(late))
