"""The card: the next stop alone, or one sentence, read from the back row."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pygame
import pytest

from coach.core.pitch import STANDARD
from coach.core.session import Session
from coach.core.shapes import Foot, View
from coach.core.view import Viewer
from coach.core.view_words import NO_STOP, UNSURE
from coach.screen import card as card_module
from coach.screen import lettering
from coach.screen.card import Card, card_of, draw_card
from coach.screen.theme import BOARD_NIGHT, DAY, Colour, Palette, Reading, Sizes
from tests.scores import piece
from tests.views import blank_view

SIZES = [(1024, 600), (1024, 768), (1920, 1080), (3840, 2160)]
STOP = Card("stop", 5, "at the D", "returning thumb")
LONGEST = Card("stop", 6, "at the rest", "a finger stops it")
SAID = Card("said", sentence="Bar 3, beat 2: the A on string 5 was stopped late (+240 ms).")
LOST = Card(
    "said",
    sentence="“guitar:out” is no longer there; what was played is kept, and listening goes on "
    "when it is back.",
)


def minutes(pixels: float, height: int, distance_m: float = 6.0, screen_mm: float = 300.0) -> float:
    """Return the visual angle of so many pixels of a screen, by the tangent."""
    size_mm = pixels * screen_mm / height
    return math.degrees(2 * math.atan(size_mm / (2 * distance_m * 1000))) * 60


class Drawn:
    """A card as drawn, with what was written on it and how large."""

    def __init__(
        self, card: Card, size: tuple[int, int], palette: Palette, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        self.lines: list[tuple[str, int]] = []
        self.circles: list[int] = []
        self.damps: list[int] = []
        written, circle, sign = card_module._afresh, lettering.string_number, lettering.sign

        def words(text: str, height: int, colour: Colour, *, hand: bool = False) -> lettering.Written:
            found = written(text, height, colour, hand=hand)
            self.lines.append((text, found.surface.get_bounding_rect().height and height))
            return found

        def number(string: int, height: int, colour: Colour) -> pygame.Surface:
            self.circles.append(height)
            return circle(string, height, colour)

        def damp(code: str, height: int, colour: Colour) -> pygame.Surface:
            self.damps.append(height)
            return sign(code, height, colour)

        with monkeypatch.context() as patched:
            patched.setattr(card_module, "_afresh", words)
            patched.setattr(lettering, "string_number", number)
            patched.setattr(lettering, "sign", damp)
            self.surface = pygame.Surface(size)
            draw_card(self.surface, card, Sizes.of(*size, Reading(6.0)), palette)
        pixels = pygame.surfarray.array3d(self.surface).transpose(1, 0, 2).astype(int)
        self.ink = np.abs(pixels - np.array(palette.paper)).sum(axis=2) > 60

    @property
    def last(self) -> dict[str, int]:
        """Each line as it was finally written: its capitals' height in pixels."""
        return dict(self.lines)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("card", [STOP, LONGEST, SAID, LOST], ids=["stop", "longest", "said", "lost"])
def test_everything_on_a_card_is_read_at_six_metres(
    card: Card, size: tuple[int, int], monkeypatch: pytest.MonkeyPatch
):
    # FAA Human Factors Design Standard: 20 minutes of arc for what is critical; here on a screen 0.3 m high.
    drawn = Drawn(card, size, DAY, monkeypatch)
    for text, height in drawn.last.items():
        capital = lettering.words("H", height, DAY.ink, hand=card.kind != "stop").surface
        least = 20.0 if card is not LOST or size[0] > 1.5 * size[1] else 16.0  # ISO 9241-3's minimum
        assert minutes(capital.get_bounding_rect().height + 0.5, size[1]) >= least, text
    for height in drawn.circles + drawn.damps:
        assert minutes(height, size[1]) >= 20.0
    assert len(drawn.circles) == len(drawn.damps) == (card.kind == "stop")
    if card.kind == "stop":
        assert [*drawn.last] == ["stop", card.where, card.way]
        # The sign is no larger than the word that says what it means, and the string is what strikes the eye.
        assert drawn.damps[0] <= drawn.last["stop"] < drawn.circles[0] / 2
    else:
        assert " ".join(drawn.last) == card.sentence


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    "card", [STOP, LONGEST, SAID, LOST, Card("stop", 4, "at the end"), Card("waiting", sentence=UNSURE)]
)
def test_a_card_keeps_within_the_surface_and_its_lines_apart(
    card: Card, size: tuple[int, int], monkeypatch: pytest.MonkeyPatch
):
    drawn = Drawn(card, size, BOARD_NIGHT, monkeypatch)
    rows, columns = np.flatnonzero(drawn.ink.any(axis=1)), np.flatnonzero(drawn.ink.any(axis=0))
    edge = round(0.02 * size[1])
    assert rows[0] >= edge
    assert rows[-1] < size[1] - edge
    assert columns[0] >= edge
    assert columns[-1] < size[0] - edge
    # In the middle, and from the middle outwards.
    assert abs(columns[0] - (size[0] - columns[-1])) < 0.05 * size[0]
    if card.kind == "stop":  # the circle and the line below it: a band without ink lies between
        top = drawn.ink[:, size[0] // 2 :].any(axis=1)
        ends = np.flatnonzero(top[:-1] & ~top[1:])
        assert len(ends) >= 2


def test_the_number_always_stands_at_the_same_place(monkeypatch: pytest.MonkeyPatch):
    with_way = Drawn(STOP, (1920, 1080), DAY, monkeypatch)
    without = Drawn(replace(STOP, way=""), (1920, 1080), DAY, monkeypatch)
    half = 1080 // 2
    assert (with_way.ink[:half] == without.ink[:half]).mean() > 0.999
    assert with_way.circles == without.circles


def test_a_sentence_without_end_is_written_whole_and_small(monkeypatch: pytest.MonkeyPatch):
    words = " ".join(["many words are said here"] * 40)
    drawn = Drawn(Card("said", sentence=words), (1024, 600), DAY, monkeypatch)
    assert sum(len(text.split()) for text, _ in drawn.lines) == 200
    assert min(height for _, height in drawn.lines) < 40


def test_a_card_shows_its_kind_in_its_ink(monkeypatch: pytest.MonkeyPatch):
    surface = pygame.Surface((1024, 600))
    for kind, role in (("said", "ink"), ("waiting", "pencil")):
        card = Card(kind, sentence="One sentence.")  # type: ignore[arg-type]
        draw_card(surface, card, Sizes.of(1024, 600), DAY)
        pixels = pygame.surfarray.array3d(surface).reshape(-1, 3)
        assert (pixels == np.array(getattr(DAY, role))).all(axis=1).any()


# --- what stands on it ------------------------------------------------------------------------------


def view(**more: object) -> View:
    return blank_view(piece("4/4", "A2@5 1, - 3"), **more)


def test_the_worst_news_comes_first():
    stop = Foot(stop_string=5, stop_where="at the D", stop_way="returning thumb", port="guitar heard")
    assert card_of(view(foot=stop)) == STOP
    assert card_of(view(foot=stop, unsure=True)) == Card("waiting", sentence=UNSURE)
    said = replace(stop, message="One sentence.")
    assert card_of(view(foot=said, unsure=True)) == Card("said", sentence="One sentence.")
    gone = replace(said, port="gone", alarm=True)
    assert card_of(view(foot=gone)) == Card("said", sentence="gone")
    assert card_of(view()) == Card("waiting", sentence=NO_STOP)


def test_the_foot_of_a_view_has_the_next_stop_in_parts():
    # A on string 5 gives way to D on string 4 at the second beat of bar 2.
    music = piece("4/4", "A2@5 1, D3@4 3, E2@6 2, - 2", tuning=STANDARD)
    session = Session(music)
    foot = Viewer(session).view(0).foot
    wanted = [stop for stop in session.stops if stop.wanted]
    first = min(wanted, key=lambda stop: stop.due)
    assert foot.stop_string == first.string == 5
    assert foot.stop_where == "at the D"
    parts = f"next: stop ⑤ {foot.stop_where}" + (f", {foot.stop_way}" if foot.stop_way else "")
    assert foot.next_stop == parts
    assert card_of(Viewer(session).view(0)).string == 5
