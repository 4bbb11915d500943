"""The drift sheet: behind hangs, ahead rides; the worst bar is ringed and said."""

from __future__ import annotations

import numpy as np
import pygame
import pytest

from coach.screen import drift_sheet, lettering
from coach.screen.drift_sheet import NOTHING, DriftLine, DriftSheet, draw_drift
from coach.screen.theme import DAY, ESSENTIAL, NIGHT, Palette, Sizes

RECT = pygame.Rect(0, 40, 1280, 480)
SIZES = Sizes.of(1280, 720)
BARS = tuple(range(1, 13))
WORST = 6  # place; bar 7
ONE = DriftLine(
    1, tuple((float(i), {WORST: 90.0, 2: -50.0}.get(i, 4.0 * (i % 3))) for i in range(12)), "pass 1"
)
TWO = DriftLine(2, tuple((float(i), -20.0) for i in range(12)), "pass 2")
THREE = DriftLine(3, tuple((float(i), 25.0) for i in range(12)), "pass 3")


def sheet(*lines: DriftLine) -> DriftSheet:
    return DriftSheet(RECT, list(lines), BARS, 35.0, SIZES, DAY)


def drawn(*lines: DriftLine, palette: Palette = DAY) -> np.ndarray:
    surface = pygame.Surface((1280, 720))
    surface.fill((1, 2, 3))
    draw_drift(surface, RECT, lines, BARS, 35.0, SIZES, palette)
    return pygame.surfarray.array3d(surface).transpose(1, 0, 2).astype(int)


def near(pixels: np.ndarray, colour: tuple[int, int, int], within: int = 60) -> np.ndarray:
    return np.abs(pixels - np.array(colour)).sum(axis=2) < within


def along(
    pixels: np.ndarray, colour: tuple[int, int, int], one: DriftSheet, first: float, last: float, ms: float
):
    """Return the share of columns between two places in which a colour stands at a drift's height."""
    y = round(one.y_of(ms))
    band = near(pixels[y - 2 : y + 3, round(one.x_of(first)) + 4 : round(one.x_of(last)) - 4], colour, 150)
    return float(band.any(axis=0).mean())


def test_behind_hangs_below_the_line_and_ahead_rides_above_it():
    one = sheet(ONE)
    assert one.y_of(90.0) > one.middle > one.y_of(-50.0)
    assert one.y_of(0.0) == one.middle
    pixels = drawn(ONE)
    for place, ms in ((WORST, 90.0), (2, -50.0)):
        x, y = round(one.x_of(place)), round(one.y_of(ms))
        assert near(pixels[y - 2 : y + 3, x - 2 : x + 3], DAY.ink).any()


def test_places_are_the_middles_of_bars():
    one = sheet(ONE)
    assert one.x_of(-0.5) == pytest.approx(one.left)
    assert one.x_of(11.5) == pytest.approx(one.right)
    assert one.x_of(3.0) - one.x_of(2.0) == pytest.approx((one.right - one.left) / 12)


def test_the_band_is_as_wide_as_the_threshold():
    one, pixels = sheet(), drawn()
    x = round(one.x_of(4.0)) + 10
    column = pixels[:, x]
    inside = [round(one.y_of(ms)) for ms in (-33.0, -12.0, 12.0, 33.0)]
    outside = [round(one.y_of(ms)) for ms in (-39.0, 39.0)]
    assert len({tuple(column[y]) for y in inside}) == 1
    assert tuple(column[inside[0]]) not in (DAY.paper, DAY.ink)
    assert all(tuple(column[y]) == DAY.paper for y in outside)


def test_the_first_line_is_solid_ink_and_a_second_dashed_pencil():
    flat = DriftLine(1, tuple((float(i), 20.0) for i in range(12)), "pass 1")
    one, pixels = sheet(flat, TWO), drawn(flat, TWO)
    assert along(pixels, DAY.ink, one, 0, 11, 20.0) > 0.97
    assert 0.35 < along(pixels, DAY.pencil, one, 0, 11, -20.0) < 0.95


def test_of_many_only_the_first_is_in_ink():
    flat = DriftLine(1, tuple((float(i), 0.0) for i in range(12)), "pass 1")
    one, pixels = sheet(flat, TWO, THREE), drawn(flat, TWO, THREE)
    for ms in (-20.0, 25.0):
        assert along(pixels, DAY.ink, one, 0, 11, ms) < 0.2  # the barlines
        y = round(one.y_of(ms))
        dark = pixels[y - 3 : y + 4, round(one.x_of(1.1)) : round(one.x_of(1.4))].sum(axis=2)
        assert (dark < sum(DAY.paper) - 150).any(axis=0).all()  # thin, but whole


def sentence(monkeypatch, *lines: DriftLine) -> str:
    """Return the last thing written: the sentence under the staff."""
    said: list[str] = []
    real = lettering.words

    def words(text: str, *args: object, **more: object) -> lettering.Written:
        said.append(text)
        return real(text, *args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(drift_sheet.lettering, "words", words)
    drawn(*lines)
    return max(said, key=len)


def test_the_worst_bar_is_said(monkeypatch):
    assert "Pass 1: the time strayed most in bar 7, 90 ms behind." in sentence(monkeypatch, ONE, TWO)


def test_a_steady_pass_is_said_to_be_steady(monkeypatch):
    assert sentence(monkeypatch, TWO) == "The time was steady."
    assert sentence(monkeypatch, TWO, ONE) == "Pass 2: the time was steady."
    assert sentence(monkeypatch, ONE) == "The time strayed most in bar 7: 90 ms behind."


def test_without_a_pass_that_tells_it_is_said(monkeypatch):
    assert sentence(monkeypatch, DriftLine(1, (), "pass 1")) == NOTHING


def test_the_worst_bar_is_ringed_and_has_its_figure():
    one, pixels = sheet(ONE), drawn(ONE)
    steady = drawn(DriftLine(1, tuple((p, min(ms, 30.0)) for p, ms in ONE.points), "pass 1"))
    x, y = round(one.x_of(WORST)), round(one.y_of(90.0))
    radius = round(SIZES.px(11))
    ring = near(pixels, DAY.ink)
    hits = [
        ring[round(y + radius * np.sin(a)) - 3 : round(y + radius * np.sin(a)) + 4,
             round(x + radius * np.cos(a)) - 3 : round(x + radius * np.cos(a)) + 4].any()
        for a in np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ]  # fmt: skip
    assert np.mean(hits) > 0.9
    below = slice(y + radius + 6, round(one.bottom))
    assert near(pixels[below, x - 30 : x + 30], DAY.ink).sum() > 30
    assert near(steady[below, x - 30 : x + 30], DAY.ink).sum() == 0


@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
def test_nothing_is_drawn_outside_its_rectangle(palette: Palette):
    pixels = drawn(ONE, TWO, THREE, palette=palette)
    outside = np.ones(pixels.shape[:2], bool)
    outside[RECT.top : RECT.bottom, RECT.left : RECT.right] = False
    assert (pixels[outside] == (1, 2, 3)).all()


@pytest.mark.parametrize("size", [(1024, 600), (1920, 1080), (3840, 2160)])
@pytest.mark.parametrize("count", [1, 3, 24, 120])
def test_any_number_of_bars_in_any_window(size: tuple[int, int], count: int):
    sizes = Sizes.of(*size)
    rect = pygame.Rect(0, 0, size[0], round(size[1] * 0.8))
    line = DriftLine(1, tuple((float(i), 300.0 * (i % 2)) for i in range(count)), "pass 1")
    bars = tuple(range(1, count + 1))
    one = DriftSheet(rect, [line], bars, 35.0, sizes, DAY)
    assert one.sizes.sign >= sizes.px(ESSENTIAL)
    for _, ms in line.points:
        assert one.top < one.y_of(ms) < one.bottom
    for stamp in one.stamps():
        assert rect.contains(stamp.surface.get_bounding_rect().move(stamp.x, stamp.y))


def test_long_names_do_not_take_the_staff_its_room(monkeypatch):
    long = DriftLine(1, ONE.points, "pass 2 of the evening before, bars 6 to 12")
    one = sheet(long, TWO)
    assert one.right - one.left > 0.75 * RECT.width
    assert one.top > sheet(ONE, TWO).top
    names = [stamp.surface.get_bounding_rect().move(stamp.x, stamp.y) for stamp in one._named()]
    assert max(box.bottom for box in names) < one.top


def test_a_line_to_be_compared_is_dashed_among_many():
    flat = DriftLine(1, tuple((float(i), 0.0) for i in range(12)), "pass 1")
    beside = DriftLine(2, TWO.points, "pass 2", beside=True)
    one, pixels = sheet(flat, beside, THREE), drawn(flat, beside, THREE)
    assert 0.35 < along(pixels, DAY.pencil, one, 0, 11, -20.0) < 0.95
    assert [name for name, _ in one.names] == ["pass 1", "pass 2", "pass 3"]
    many = sheet(flat, THREE, beside, THREE)
    assert [name for name, _ in many.names] == ["pass 1", "pass 2", drift_sheet.OTHERS]


def test_names_keep_clear_of_one_another():
    same = [DriftLine(i, ((0.0, 0.0), (11.0, 2.0)), f"pass {i}", beside=i > 1) for i in (1, 2, 3)]
    one = sheet(*same)
    boxes = [stamp.surface.get_bounding_rect().move(stamp.x, stamp.y) for stamp in one._named()]
    assert len(boxes) == 3
    assert not any(a.colliderect(b) for i, a in enumerate(boxes) for b in boxes[:i])
