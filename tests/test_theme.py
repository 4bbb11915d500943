"""Contrast by WCAG 2, sizes by the visual angle."""

import math

import numpy as np
import pytest

from coach.screen.theme import (
    DAY,
    ESSENTIAL,
    LEAST_STAFF_SPACE,
    NIGHT,
    ORDINARY,
    READING_DISTANCE_M,
    SCREEN_HEIGHT_MM,
    STAFF_SPACE,
    Colour,
    Palette,
    Reading,
    Sizes,
    arc_minutes,
    contrast,
    height_mm,
)

WINDOWS = [(1024, 600), (1280, 720), (1920, 1080), (3840, 2160)]


def test_the_published_example_of_wcag():
    # The example in the documentation of the npm package contrast-ratio-checker.
    assert contrast((255, 129, 0), (100, 0, 58)) == pytest.approx(5.235369975583679, abs=1e-12)


def test_black_on_white_is_the_greatest_contrast():
    # WCAG 2.x: ratios run from 1 to 21.
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)
    assert contrast((90, 90, 90), (90, 90, 90)) == 1.0


@pytest.mark.parametrize("page", [DAY, NIGHT], ids=["day", "night"])
@pytest.mark.parametrize("role", ["ink", "pencil", "written", "rang"])
def test_whatever_is_written_in_words_has_the_contrast_of_text(page: Palette, role: str):
    # WCAG 2.x success criterion 1.4.3: 4.5 to 1.  Words are set in each of these four.
    assert contrast(getattr(page, role), page.paper) >= 4.5


@pytest.mark.parametrize("page", [DAY, NIGHT], ids=["day", "night"])
def test_marks_have_the_contrast_of_graphics(page: Palette):
    # WCAG 2.x success criterion 1.4.11: 3 to 1.
    assert contrast(page.faint, page.paper) >= 3.0


@pytest.mark.parametrize("page", [DAY, NIGHT], ids=["day", "night"])
def test_the_tooth_of_the_paper_leaves_marks_their_contrast(page: Palette):
    from coach.screen.pencil import GRAIN_FLOOR

    for role in ("ink", "pencil", "written", "rang"):
        colour = getattr(page, role)
        thinnest = tuple(round(p + (c - p) * GRAIN_FLOOR) for p, c in zip(page.paper, colour, strict=True))
        assert contrast(thinnest, page.paper) >= 3.0


def test_visual_angle_by_the_published_formula():
    # NUREG-0700: H = 6.283 D MA / 21600.  20 minutes at 2 m are then 11.6 mm.
    assert height_mm(20, 2.0) == pytest.approx(6.283 * 2000 * 20 / 21600, rel=1e-4)
    assert arc_minutes(height_mm(17.5, 3.0), 3.0) == pytest.approx(17.5)
    # The small-angle formula against the angle itself.
    assert math.degrees(math.atan(height_mm(20, 2.0) / 2000)) * 60 == pytest.approx(20, rel=1e-4)


@pytest.mark.parametrize("size", WINDOWS)
def test_essential_signs_fill_twenty_minutes_of_arc(size: tuple[int, int]):
    sizes = Sizes.of(*size)
    mm_per_pixel = SCREEN_HEIGHT_MM / size[1]

    def minutes(pixels: float) -> float:
        return arc_minutes(pixels * mm_per_pixel, READING_DISTANCE_M)

    assert minutes(sizes.sign) >= ESSENTIAL - 1e-9
    assert minutes(sizes.words) >= ORDINARY - 1e-9
    assert minutes(sizes.row) >= ESSENTIAL - minutes(1)  # whole pixels
    assert minutes(4 * sizes.space) >= 4 * LEAST_STAFF_SPACE - minutes(1)
    assert minutes(sizes.space) <= STAFF_SPACE + minutes(0.5)


def test_twice_as_far_is_twice_as_large_until_a_system_no_longer_fits():
    near, far = Sizes.of(1920, 1080, Reading(1.0)), Sizes.of(1920, 1080, Reading(2.0))
    assert far.sign == pytest.approx(2 * near.sign)
    very_far = Sizes.of(1920, 1080, Reading(6.0))
    assert far.sign < very_far.sign < 3 * far.sign
    assert very_far.body_height > very_far.strip_height(3) + 14 * very_far.space


def test_the_page_is_the_same_at_every_resolution():
    small, large = Sizes.of(1920, 1080), Sizes.of(3840, 2160)
    for name in ("sign", "words", "quiet", "row", "signs_lane", "drift_lane", "margin", "head", "foot"):
        assert getattr(large, name) == pytest.approx(2 * getattr(small, name), abs=2), name


# Machado, Oliveira and Fernandes (2009), "A physiologically-based model for simulation of color vision
# deficiency", severity 1.0, on linear RGB.
DEFICIENCIES = {
    "protanopia": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritanopia": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


def seen(colour: Colour, matrix: tuple[tuple[float, ...], ...]) -> np.ndarray:
    """Return a colour as seen, in CIE L*a*b* (D65)."""
    share = np.array(colour) / 255
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    xyz = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    ) @ np.clip(np.array(matrix) @ linear, 0, 1)
    f = np.cbrt(xyz / np.array([0.95047, 1.0, 1.08883]))
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("page", [DAY, NIGHT], ids=["day", "night"])
@pytest.mark.parametrize("name", list(DEFICIENCIES))
def test_the_two_pencil_colours_stay_apart_for_colour_blind_eyes(page: Palette, name: str):
    matrix = DEFICIENCIES[name]
    for row in matrix:
        assert sum(row) == pytest.approx(1.0, abs=2e-6)  # white stays white
    apart = np.linalg.norm(seen(page.written, matrix) - seen(page.rang, matrix))
    assert apart > 40  # CIE 1976; some 2.3 are just noticed side by side
