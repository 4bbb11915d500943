"""Pictures kept for the next time: never more bytes than asked for, the last used the last to go."""

from __future__ import annotations

from collections.abc import Iterator

import pygame
import pytest

from coach.screen import lettering
from coach.screen.kept import Kept, kept

BLACK = (0, 0, 0)


class Maker:
    """Makes strings of a length, and notes which."""

    def __init__(self) -> None:
        self.made: list[str] = []

    def make(self, sign: str, length: int = 1, *, loud: bool = False) -> str:
        """Return the sign so often."""
        self.made.append(sign)
        return (sign.upper() if loud else sign) * length


@pytest.fixture
def maker() -> Maker:
    return Maker()


def kept_of(maker: Maker, *, most: int = 100, most_bytes: int = 10) -> Kept[..., str]:
    return kept(len, most=most, most_bytes=most_bytes)(maker.make)


def test_the_same_is_made_once(maker: Maker):
    found = kept_of(maker)
    assert found("a", 3) == "aaa"
    assert found("a", 3) is found("a", 3)
    assert found("a", 3, loud=True) == "AAA"
    assert maker.made == ["a", "a"]
    assert (len(found), found.bytes) == (2, 6)


def test_what_was_not_used_for_longest_goes_first(maker: Maker):
    found = kept_of(maker)
    for sign in "abc":
        found(sign, 3)
    found("a", 3)  # used again
    found("d", 3)  # no room: b goes
    assert (len(found), found.bytes) == (3, 9)
    maker.made.clear()
    for sign in "acd":
        found(sign, 3)
    assert maker.made == []
    found("b", 3)
    assert maker.made == ["b"]


def test_one_that_is_too_large_is_kept_alone(maker: Maker):
    found = kept_of(maker)
    found("a", 3)
    assert found("b", 50) == "b" * 50
    assert (len(found), found.bytes) == (1, 50)
    found("c", 2)
    assert (len(found), found.bytes) == (1, 2)


def test_the_number_is_bounded_too(maker: Maker):
    found = kept_of(maker, most=2, most_bytes=1000)
    for sign in "abcd":
        found(sign)
    assert (len(found), found.bytes) == (2, 2)


def test_what_could_not_be_made_is_not_kept():
    def fail(sign: str) -> str:
        raise KeyError(sign)

    found = kept(len, most=2, most_bytes=10)(fail)
    for _ in range(2):
        with pytest.raises(KeyError):
            found("a")
    assert (len(found), found.bytes) == (0, 0)


def sentences() -> Iterator[str]:
    for number in range(200):
        yield f"Bar {number}, beat 1: the bass was stopped late. Again from the beginning, a little slower."


def test_an_hour_of_sentences_does_not_fill_the_memory():
    """Each is some 200 kB at this size; 200 of them were all kept."""
    whole = sum(lettering.words(text, 30, BLACK, hand=True).size() for text in sentences())
    assert whole > 2 * lettering.CACHED_BYTES
    assert lettering.words.bytes <= lettering.CACHED_BYTES


def test_breaking_lines_keeps_no_pictures():
    before = len(lettering.words)
    text = "One two three four five six seven eight nine ten, written nowhere else in these tests."
    lines = list(lettering.wrapped(text, 300, 31, BLACK, hand=True))
    assert " ".join(lines) == text
    assert len(lines) > 2
    assert all(lettering.words(line, 31, BLACK, hand=True).width <= 300 for line in lines)
    assert len(lettering.words) <= before + len(lines)


def test_a_size_is_that_of_the_pixels():
    written = lettering.Written(pygame.Surface((30, 20), depth=32), 15)
    assert written.size() == 30 * 20 * 4
