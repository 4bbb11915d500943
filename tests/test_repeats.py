"""The order of playing, each expectation written out by hand (common practice, no source)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.core.repeats import BarSigns, TooManyBars, unfold

PLAIN = BarSigns()


def played(*signs: BarSigns, limit: int = 1000) -> str:
    """Return the order as letters: bar 0 is A."""
    return "".join(chr(65 + i) for i in unfold(signs, limit).order)


def test_without_signs_each_bar_is_played_once():
    assert played(PLAIN, PLAIN, PLAIN) == "ABC"
    assert played() == ""


def test_a_section_between_signs_is_played_twice():
    assert played(PLAIN, BarSigns(forward=True), BarSigns(backward=2), PLAIN) == "ABCBCD"


def test_one_bar_may_hold_both_signs():
    assert played(PLAIN, BarSigns(forward=True, backward=2), PLAIN) == "ABBC"


def test_a_closing_sign_alone_goes_back_to_the_beginning_or_to_the_last_closing_sign():
    assert played(PLAIN, BarSigns(backward=2), PLAIN, BarSigns(backward=2)) == "ABABCDCD"


def test_times():
    assert played(BarSigns(backward=4), PLAIN) == "AAAAB"
    assert played(BarSigns(backward=1), PLAIN) == "AB"


def test_first_and_second_ending():
    one, two = BarSigns(ending=(1,), ending_stop=True, backward=2), BarSigns(ending=(2,), ending_stop=True)
    assert played(PLAIN, one, two, PLAIN) == "ABACD"


def test_endings_of_two_bars():
    signs = (
        PLAIN,
        BarSigns(ending=(1,)),
        BarSigns(ending_stop=True, backward=2),
        BarSigns(ending=(2,)),
        BarSigns(ending_stop=True),
        PLAIN,
    )
    assert played(*signs) == "ABCADEF"


def test_first_ending_without_a_bracket_over_the_second():
    assert played(PLAIN, BarSigns(ending=(1,), ending_stop=True, backward=2), PLAIN, PLAIN) == "ABACD"


def test_a_bracket_for_two_rounds_then_a_third():
    both = BarSigns(ending=(1, 2), ending_stop=True, backward=2)
    assert played(PLAIN, both, BarSigns(ending=(3,), ending_stop=True), PLAIN) == "ABABACD"


def test_second_ending_left_open_does_not_swallow_the_next_section():
    signs = (
        PLAIN,
        BarSigns(ending=(1,), ending_stop=True, backward=2),
        BarSigns(ending=(2,)),
        BarSigns(forward=True),
        BarSigns(backward=2),
    )
    assert played(*signs) == "ABACDEDE"


def test_two_sections_each_with_endings():
    one, two = BarSigns(ending=(1,), ending_stop=True, backward=2), BarSigns(ending=(2,), ending_stop=True)
    assert played(PLAIN, one, two, BarSigns(forward=True), one, two) == "ABACDEDF"


def test_closing_sign_after_the_second_ending_too_is_no_third_round():
    one = BarSigns(ending=(1,), ending_stop=True, backward=2)
    two = BarSigns(ending=(2,), ending_stop=True, backward=2)
    assert played(PLAIN, one, two, PLAIN) == "ABACD"


def test_da_capo_al_fine_takes_no_repeat_again():
    signs = (BarSigns(forward=True), BarSigns(backward=2, fine=True), PLAIN, BarSigns(da_capo=True))
    assert played(*signs) == "ABABCDAB"


def test_a_closing_sign_after_a_fine_repeats_the_trio_alone():
    signs = (PLAIN, BarSigns(fine=True), PLAIN, BarSigns(backward=2, da_capo=True))
    assert played(*signs) == "ABCDCDAB"
    opened = (BarSigns(forward=True), BarSigns(fine=True), BarSigns(backward=2))
    assert played(*opened) == "ABCABC"


def test_plain_da_capo_plays_to_the_end_once_more():
    assert played(PLAIN, BarSigns(da_capo=True)) == "ABAB"


def test_da_capo_waits_for_the_repeat_in_its_own_bar():
    assert played(PLAIN, BarSigns(backward=2, da_capo=True)) == "ABABAB"


def test_repeats_are_taken_again_where_the_sign_says_so():
    signs = (BarSigns(backward=2, backward_after_jump=True, fine=True), BarSigns(da_capo=True))
    assert played(*signs) == "AABAA"


def test_after_a_da_capo_the_last_ending_is_played():
    one, two = BarSigns(ending=(1,), ending_stop=True, backward=2), BarSigns(ending=(2,), ending_stop=True)
    assert played(PLAIN, one, two, BarSigns(da_capo=True)) == "ABACDACD"


def test_dal_segno_al_coda():
    signs = (
        PLAIN,
        BarSigns(segno="1"),
        BarSigns(to_coda="1"),
        BarSigns(dal_segno="1"),
        BarSigns(coda="1"),
        PLAIN,
    )
    assert played(*signs) == "ABCDBCEF"


def test_two_segnos_are_told_apart_by_name():
    signs = (BarSigns(segno="a"), BarSigns(segno="b"), BarSigns(dal_segno="b", fine=True), PLAIN)
    assert played(*signs) == "ABCBC"


def test_da_capo_al_coda_with_a_repeat_on_the_way():
    signs = (
        BarSigns(forward=True),
        BarSigns(backward=2),
        BarSigns(to_coda="coda"),
        BarSigns(da_capo=True),
        BarSigns(coda="coda"),
    )
    assert played(*signs) == "ABABCDABCE"


def test_a_segno_that_is_not_there_is_told_and_passed_over():
    found = unfold([PLAIN, BarSigns(dal_segno="x"), PLAIN], 10)
    assert found.order == (0, 1, 2)
    assert found.oddities == (("D.S. without a segno", 1),)


def test_a_coda_that_is_not_there_is_told_and_passed_over():
    found = unfold([BarSigns(to_coda="x"), BarSigns(da_capo=True)], 10)
    assert found.order == (0, 1, 0, 1)
    assert found.oddities == (("there is no coda to go to", 0),)


def test_a_million_rounds_stop_at_the_limit():
    with pytest.raises(TooManyBars) as caught:
        unfold([PLAIN, BarSigns(backward=1_000_000)], 500)
    assert caught.value.bar == 0


a_bar = st.builds(
    BarSigns,
    forward=st.booleans(),
    backward=st.integers(0, 4),
    backward_after_jump=st.booleans(),
    ending=st.lists(st.integers(1, 4), max_size=2).map(tuple),
    ending_stop=st.booleans(),
    segno=st.sampled_from(["", "", "s"]),
    coda=st.sampled_from(["", "", "c"]),
    to_coda=st.sampled_from(["", "", "c", "d"]),
    dal_segno=st.sampled_from(["", "", "s"]),
    da_capo=st.booleans(),
    fine=st.booleans(),
)


@given(st.lists(a_bar, max_size=12))
def test_any_heap_of_signs_ends(signs):
    try:
        order = unfold(signs, 2000).order
    except TooManyBars:
        return
    assert all(0 <= i < len(signs) for i in order)
    assert not signs or signs[0].ending or order[0] == 0


@given(st.lists(a_bar, min_size=1, max_size=12))
def test_without_jumps_and_endings_the_last_bar_is_last_and_all_are_played(signs):
    plain = [BarSigns(forward=s.forward, backward=s.backward) for s in signs]
    order = unfold(plain, 100_000).order
    assert order[-1] == len(signs) - 1
    assert set(order) == set(range(len(signs)))
