"""The first page's model: focus, keys, clicks; without a window."""

from __future__ import annotations

import ast
from datetime import date, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.core.errors import CoachError, PortError, TakeError
from coach.screen import first_layout, first_model, first_shapes, first_words
from coach.screen.first_model import Act, Column, Entry, FirstModel, Key, Spot
from coach.screen.first_words import day_words, fault_words


def entries(kind: str, count: int) -> list[Entry]:
    return [Entry(Path(f"/{kind}/{i}"), f"{kind} {i}") for i in range(count)]


def page(scores: int = 3, takes: int = 2) -> FirstModel:
    return FirstModel(entries("score", scores), entries("take", takes))


@pytest.mark.parametrize("module", [first_model, first_layout, first_shapes, first_words])
def test_model_layout_and_words_know_no_pygame(module):
    tree = ast.parse(Path(module.__file__).read_text("utf-8"))
    for node in ast.walk(tree):
        names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        assert not any(name.startswith("pygame") for name in names)


def test_the_focus_begins_on_the_first_score_and_stops_at_the_ends():
    model = page()
    assert model.focus.title == "score 0"
    model.press(Key.UP)
    assert model.focus.title == "score 0"
    for _ in range(5):
        model.press(Key.DOWN)
    assert model.focus.title == "score 2"


def test_tab_changes_the_column_and_each_remembers_its_row():
    model = page()
    model.press(Key.DOWN)
    model.press(Key.TAB)
    assert model.focus.title == "take 0"
    model.press(Key.DOWN)
    model.press(Key.TAB)
    assert model.focus.title == "score 1"
    model.press(Key.RIGHT)
    assert model.focus.title == "take 1"
    model.press(Key.LEFT)
    assert model.focus.title == "score 1"


def test_enter_plays_a_score_and_looks_back_at_a_take():
    model = page()
    choice = model.press(Key.ENTER)
    assert (choice.act, choice.entry.title) == (Act.PLAY, "score 0")
    model.press(Key.TAB)
    choice = model.press(Key.ENTER)
    assert (choice.act, choice.entry.title) == (Act.LOOK_BACK, "take 0")


@pytest.mark.parametrize(
    ("key", "act", "title"),
    [
        (Key.PLAY, Act.PLAY, "score 1"),
        (Key.PREPARE, Act.PREPARE, "score 1"),
        (Key.DRILL, Act.DRILL, "score 1"),
        (Key.STUDIO, Act.STUDIO, "score 1"),
        (Key.LOOK_BACK, Act.LOOK_BACK, "take 1"),
    ],
)
def test_a_letter_acts_on_the_chosen_row_of_its_column(key, act, title):
    for column in Column:
        model = page()
        model.press(Key.DOWN)
        model.press(Key.TAB)
        model.press(Key.DOWN)
        if column is Column.SCORES:
            model.press(Key.TAB)
        choice = model.press(key)
        assert (choice.act, choice.entry.title) == (act, title)


def test_two_pedals_reach_and_open_everything():
    model = page(2, 2)
    seen = [model.focus.title]
    for _ in range(4):
        model.press(Key.NEXT)
        seen.append(model.focus.title)
    assert seen == ["score 0", "score 1", "take 0", "take 1", "score 0"]
    assert model.press(Key.OPEN).entry.title == "score 0"


def test_an_empty_column_is_never_entered_and_its_letter_does_nothing():
    model = page(2, 0)
    for key in (Key.TAB, Key.RIGHT, Key.NEXT, Key.NEXT, Key.NEXT):
        assert model.press(key) is None
        assert model.column is Column.SCORES
    assert model.press(Key.LOOK_BACK) is None
    assert page(0, 2).focus.title == "take 0"


def test_escape_puts_away_help_then_the_message_then_leaves():
    model = page()
    model.message = "something"
    model.press(Key.ESCAPE)
    assert model.message == ""
    model.press(Key.HELP)
    assert model.helping
    assert model.press(Key.ESCAPE) is None
    assert not model.helping
    assert model.press(Key.ESCAPE).act is Act.LEAVE


def test_the_first_click_chooses_the_second_opens():
    model = page()
    spot = Spot(Column.TAKES, 1)
    assert model.click(spot) is None
    assert model.focus.title == "take 1"
    assert model.click(spot).act is Act.LOOK_BACK
    assert model.click(Spot(key=Key.PLAY)).act is Act.PLAY
    assert model.click(Spot(Column.TAKES, 9)) is None


def test_the_focus_stays_on_its_file_when_the_list_changes():
    model = page()
    model.press(Key.DOWN)
    model.refill([Entry(Path("/new"), "new"), *entries("score", 3)], [])
    assert model.focus.title == "score 1"
    model.refill(entries("score", 1), [])
    assert model.focus.title == "score 0"


KEYS = st.sampled_from(list(Key))
SPOTS = st.builds(Spot, st.sampled_from([None, *Column]), st.integers(-1, 6), st.sampled_from([None, *Key]))
LISTS = st.tuples(st.integers(0, 5), st.integers(0, 5))


@given(LISTS, st.lists(st.one_of(KEYS, SPOTS, LISTS), max_size=40))
def test_whatever_is_pressed_the_focus_is_on_a_row_that_is_listed(first, doings):
    model = page(*first)
    for doing in doings:
        if isinstance(doing, Key):
            choice = model.press(doing)
        elif isinstance(doing, Spot):
            choice = model.click(doing)
        else:
            model.refill(entries("score", doing[0]), entries("take", doing[1]))
            choice = None
        for column in Column:
            assert 0 <= model.row(column) < max(len(model.entries(column)), 1)
        if any(model.entries(column) for column in Column):
            assert model.focus in model.entries(model.column)
        else:
            assert model.focus is None
        if choice is not None and choice.act in (Act.PLAY, Act.DRILL, Act.PREPARE, Act.STUDIO):
            assert choice.entry in model.entries(Column.SCORES)
        if choice is not None and choice.act is Act.LOOK_BACK:
            assert choice.entry in model.entries(Column.TAKES)


def test_a_string_sounds_while_it_sounds_and_has_answered_ever_after():
    model = page()
    model.hear_port("open", "")
    before = model.port_words
    model.hear(5, True)
    assert model.sounding == {5}
    assert model.port_words == first_words.HEARD != before
    model.hear(5, False)
    assert (model.sounding, model.answered) == (set(), {5})
    model.hear(7, True)
    assert model.sounding == set()
    model.hear_port("waiting", "")
    assert model.answered == set()
    assert model.port_words == "Waiting for the guitar"


def test_where_one_channel_carries_all_strings_no_number_claims_to_answer():
    model = page()
    model.hear_port("open", "")
    model.hear(1, True)
    before = model.state
    model.one_channel = 1
    assert model.state != before  # so that the page is drawn
    assert (model.sounding, model.answered) == (set(), set())
    assert model.port_words == "All strings come on channel 1. Set the converter to one channel a string."
    model.one_channel = None  # another channel was heard after all
    assert (model.sounding, model.answered) == ({1}, {1})
    model.one_channel = 1
    model.hear_port("lost", "It is gone.")
    assert (model.one_channel, model.port_words) == (None, "It is gone.")


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        ((2031, 5, 4, 18, 20), "today, 18:20"),
        ((2031, 5, 3, 7, 5), "yesterday, 07:05"),
        ((2031, 5, 2, 18, 0), "on Friday"),  # 4 May 2031 is a Sunday
        ((2031, 4, 27, 18, 0), "27 April"),
        ((2030, 12, 31, 23, 0), "31 December 2030"),
        ((2031, 5, 5, 1, 0), "5 May"),  # a clock that was wrong
    ],
)
def test_the_day_in_plain_words(moment, words):
    assert day_words(datetime(*moment), date(2031, 5, 4)) == words


def test_no_sentence_speaks_of_the_command_line():
    lost = TakeError("/home/a/x.mid", "the score is not found", "give it with --score FILE")
    said = fault_words(lost)
    assert said.startswith("x.mid: the score is not found; drop the score")
    for error in (lost, PortError("MIDI", "two ports", "name one with --port"), CoachError("a", "b", "--x")):
        assert "--" not in fault_words(error)
    assert fault_words(CoachError("rain.xml", "no note", "choose another")) == (
        "rain.xml: no note; choose another."
    )
