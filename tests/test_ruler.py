"""The time ruler: every time has its place, every kind of fault a shape of its own."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pygame
import pytest

from coach.screen.ruler import GRAVEST, Ruler, RulerFault, RulerPainter, RulerPass, fault_sign
from coach.screen.theme import DAY, NIGHT, Palette, Sizes

WIDTH, HEIGHT, TOP = 1280, 720, 500
SECOND = 1_000_000
PASSES = (
    RulerPass(1, 2 * SECOND, 20 * SECOND, clean=False, complete=True),
    RulerPass(2, 22 * SECOND, 30 * SECOND, clean=True, complete=False),
    RulerPass(3, 32 * SECOND, 58 * SECOND, clean=True, complete=True),
)
RULER = Ruler(60 * SECOND, PASSES, (RulerFault(10 * SECOND, "late"),))


def painter(ruler: Ruler = RULER, palette: Palette = DAY) -> RulerPainter:
    return RulerPainter(ruler, WIDTH, Sizes.of(WIDTH, HEIGHT), palette)


def drawn(
    one: RulerPainter, now_s: float = 0.0, chosen: int | None = 1, other: int | None = None
) -> np.ndarray:
    """Return the band's pixels, shape (height, width, 3)."""
    surface = pygame.Surface((WIDTH, HEIGHT))
    surface.fill(one.palette.paper)
    one.draw(surface, TOP, round(now_s * SECOND), chosen, other)
    return pygame.surfarray.array3d(surface).transpose(1, 0, 2)[TOP : TOP + one.height].astype(int)


def near(pixels: np.ndarray, colour: tuple[int, int, int], within: int = 60) -> np.ndarray:
    return np.abs(pixels - np.array(colour)).sum(axis=2) < within


def bracket(one: RulerPainter, pixels: np.ndarray, start_s: float, end_s: float) -> np.ndarray:
    """Return a part of the lane of brackets."""
    left, right = one.x_of(round(start_s * SECOND)), one.x_of(round(end_s * SECOND))
    return pixels[: one.fault_y - 14, round(left) : round(right) + 1]


def test_an_x_is_a_time_and_back():
    one = painter()
    for second in (0, 1, 17, 30, 59, 60):
        x = one.x_of(second * SECOND)
        assert one.time_at(round(x)) == pytest.approx(second * SECOND, abs=60 * SECOND / WIDTH)
    assert one.time_at(-50) == 0
    assert one.time_at(WIDTH + 50) == 60 * SECOND
    assert one.x_of(-5) == one.left
    assert one.x_of(61 * SECOND) == one.right


def test_a_pass_is_pointed_at_by_its_bracket_and_nothing_else():
    one = painter()
    drawn(one)
    at = {number: round(one.x_of(second * SECOND)) for number, second in ((1, 10), (2, 25), (3, 40))}
    for number, x in at.items():
        assert one.pass_at(x, 3) == number
        assert one.pass_at(x, one.line_y) is None  # there it is the time that is pointed at
        assert one.pass_at(x, -1) is None
    assert one.pass_at(round(one.x_of(21 * SECOND)), 3) is None


def test_only_the_caret_changes_as_time_goes_by_and_nothing_else_is_painted_again(monkeypatch):
    one = painter()
    before = drawn(one, 5.0)
    painted: list[object] = []
    monkeypatch.setattr(RulerPainter, "_stamps", lambda *args: painted.append(args) or iter(()))
    after = drawn(one, 25.0)
    assert painted == []
    changed = (before != after).any(axis=2)
    rects = [one.caret_rect(0, 5 * SECOND), one.caret_rect(0, 25 * SECOND)]
    for rect in rects:
        assert changed[rect.top : rect.bottom, rect.left : rect.right].any()
        changed[rect.top : rect.bottom, rect.left : rect.right] = False
    assert not changed.any()
    drawn(one, 25.0, chosen=3)
    assert len(painted) == 1


def test_the_caret_points_at_the_time():
    one = painter()
    changed = (drawn(one, 40.0) != drawn(one, 0.0)).any(axis=2)
    changed[:, : one.left + 30] = False
    rows, columns = np.nonzero(changed)
    tip = columns[rows == rows.min()]
    assert tip.mean() == pytest.approx(one.x_of(40 * SECOND), abs=2)


@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
def test_every_kind_of_fault_has_a_shape_of_its_own(palette: Palette):
    row = 40
    masks = {}
    for kind in GRAVEST:
        canvas = pygame.Surface((80, 60), pygame.SRCALPHA)
        patch = fault_sign(kind, row, palette)
        canvas.blit(patch.surface, (40 + patch.x, 30 + patch.y))
        masks[kind] = pygame.surfarray.array_alpha(canvas) > 100
        assert masks[kind].sum() > 60
    for one, other in combinations(GRAVEST, 2):
        differs = (masks[one] ^ masks[other]).sum()
        assert differs > 0.5 * min(masks[one].sum(), masks[other].sum()), (one, other)


@pytest.mark.parametrize("kind", GRAVEST)
def test_a_fault_stands_over_its_time(kind: str):
    bare = painter(replace(RULER, faults=()))
    one = painter(replace(RULER, faults=(RulerFault(45 * SECOND, kind),)))
    _, columns = np.nonzero((drawn(one) != drawn(bare)).any(axis=2))
    assert (columns.min() + columns.max()) / 2 == pytest.approx(one.x_of(45 * SECOND), abs=4)


def test_of_two_faults_at_one_place_the_graver_has_its_sign():
    alone = painter(replace(RULER, faults=(RulerFault(45 * SECOND, "ringing"),)))
    both = painter(
        replace(RULER, faults=(RulerFault(45 * SECOND, "extra"), RulerFault(45 * SECOND, "ringing")))
    )
    one, other = drawn(alone), drawn(both)
    assert near(one, DAY.rang).sum() > 0
    # The lesser one is a stroke on the line, under the sign.
    rows, columns = np.nonzero((one != other).any(axis=2))
    assert len(rows) > 0
    assert rows.min() > alone.fault_y
    assert columns.max() - columns.min() < 8


def test_a_fault_without_a_sign_is_refused():
    with pytest.raises(ValueError, match="dropped"):
        painter(replace(RULER, faults=(RulerFault(0, "dropped"),)))


def test_on_a_clean_pass_stands_the_upright_of_a_clean_stop():
    one = painter()
    pixels = drawn(one, chosen=None)
    assert near(bracket(one, pixels, 2, 20), DAY.written).sum() == 0
    for start, end in ((22, 30), (32, 58)):
        blue = near(bracket(one, pixels, start, end), DAY.written)
        assert blue.sum() > 20
        rows, columns = np.flatnonzero(blue.any(axis=1)), np.flatnonzero(blue.any(axis=0))
        assert len(rows) > 2.5 * len(columns), "it is upright"
        assert rows.max() <= one.bracket_y + 2, "and above the line: what closes a bracket hangs below"
        assert columns.min() > blue.shape[1] - 8, "at its end, where no figure is read with it"


def test_a_complete_pass_is_closed_at_its_end_and_a_broken_one_is_open():
    one = painter()
    pixels = drawn(one, chosen=None)
    for number, closed in ((1, True), (2, False), (3, True)):
        end = round(one.x_of(PASSES[number - 1].end_us))
        foot = pixels[one.bracket_y + 5 : one.bracket_y + 9, end - 5 : end + 1]
        assert near(foot, DAY.pencil).any() == closed, number
        start = round(one.x_of(PASSES[number - 1].start_us))
        assert near(pixels[one.bracket_y + 5 : one.bracket_y + 9, start : start + 6], DAY.pencil).any()


def test_the_chosen_pass_is_in_ink_and_the_other_dashed():
    one = painter()
    pixels = drawn(one, chosen=1, other=3)
    y = one.bracket_y
    line = near(pixels[y - 1 : y + 2], DAY.ink, 150).any(axis=0)

    def inked(start_s: float, end_s: float) -> float:
        return float(line[round(one.x_of(start_s * SECOND)) : round(one.x_of(end_s * SECOND))].mean())

    assert inked(3, 9) > 0.95
    assert 0.3 < inked(33, 43) < 0.9
    assert inked(23, 25) == 0.0


def test_bars_are_numbered_only_where_no_number_meets_another():
    bars = tuple((round(i * 0.9 * SECOND), 1 + i % 24) for i in range(64))
    for step in (1, 3):
        one = painter(replace(RULER, bars=bars[::step]))
        numbers = [stamp for stamp in one._marks() if stamp.y > one.line_y + 4]
        boxes = [stamp.surface.get_bounding_rect().move(stamp.x, stamp.y) for stamp in numbers]
        assert len(boxes) >= 5
        for a, b in combinations(boxes, 2):
            assert not a.inflate(6, 0).colliderect(b)
            assert a.bottom <= one.height


@pytest.mark.parametrize("size", [(1024, 600), (1920, 1080), (3840, 2160)])
def test_it_takes_a_seventh_of_the_window_and_nothing_is_cut_off(size: tuple[int, int]):
    one = RulerPainter(RULER, size[0], Sizes.of(*size), DAY)
    assert one.height <= size[1] / 6.5
    surface = pygame.Surface(size)
    surface.fill((1, 2, 3))
    one.draw(surface, size[1] - one.height, 0, 1, 2)
    pixels = pygame.surfarray.array3d(surface).transpose(1, 0, 2)
    assert (pixels[: -one.height] == (1, 2, 3)).all()
    for edge in (pixels[-one.height], pixels[-1]):
        assert (edge == DAY.paper).all()


def test_an_empty_take_has_an_empty_ruler():
    one = painter(Ruler(0, (), ()))
    drawn(one, chosen=None)
    assert one.time_at(600) == 0
    assert one.pass_at(600, 3) is None
