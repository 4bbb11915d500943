"""Turning to any page at any time shows what a page made from nothing would show, and finds it prepared."""

from __future__ import annotations

import gc
import weakref
from dataclasses import replace

import numpy as np
import pygame
import pytest

from coach.core.score import TICKS_PER_QUARTER as Q
from coach.core.score import Score
from coach.core.shapes import Ring, RingState, StopSign, View
from coach.screen import page as page_module
from coach.screen import pencil, rules, still
from coach.screen.page import Page
from coach.screen.plain_staff import plain_staff
from coach.screen.stamps import changed, paint, repaint
from coach.screen.theme import DAY, NIGHT, Palette, Sizes
from tests.scores import piece
from tests.views import blank_view

SIZE = (1280, 720)
BASS = "A2@5 1, - 3, D3@4 2, E2@6 2"
MELODY = "C4 1, E4 1, D4 1, B3 1, E4 2, C4 2"


@pytest.fixture(scope="module")
def music() -> Score:
    return piece("4/4", ", ".join([BASS] * 24), ", ".join([MELODY] * 24))


def page_of(music: Score, palette: Palette = DAY) -> Page:
    sizes = Sizes.of(*SIZE)
    engraved = plain_staff(music, SIZE[0] - 2 * sizes.margin, sizes.space)
    return Page(music, engraved, sizes, palette, bars=(0, len(music.bars) - 1), title="Turns", stops=STOPS)


STOPS = tuple(StopSign(4.0 * Q * i + Q, i, 5, 0, "p back", True) for i in range(0, 48, 2))


def moments(music: Score, count: int) -> list[View]:
    """Views in no order, at the start and the end of bars, some with a string that strays into a system."""
    dice = np.random.default_rng(5)
    found: list[View] = []
    for number in range(count):
        bar = int(dice.integers(len(music.bars)))
        one = music.bars[bar]
        tick = float(one.onset if dice.random() < 0.5 else one.end - 1)
        bass = next(
            int(row) for row in np.flatnonzero(music.notes["bass"] & (music.notes["bar"] <= bar))[::-1]
        )
        onset = float(music.notes["onset"][bass])
        ring = Ring(
            5, onset, tick, onset + Q, RingState.LATE, False, True, int(music.notes["bar"][bass]), "", bass
        )
        stray = Ring(3, float(one.onset), tick, None, RingState.STRAY, True, False, bar, "", -1)
        rings = (ring, stray) if number % 3 == 0 else (ring,)
        found.append(blank_view(music, bar=bar, tick=tick, rings=rings, stops=STOPS))
    return found


def drawn(page: Page, shown: View) -> bytes:
    surface = pygame.Surface(SIZE)
    page.draw(surface, shown)
    return pygame.image.tobytes(surface, "RGB")


@pytest.mark.parametrize(("palette", "jobs"), [(DAY, 0), (DAY, 2), (NIGHT, 7)])
def test_every_turn_shows_what_a_page_from_nothing_shows(music: Score, jobs: int, palette: Palette):
    page, surface = page_of(music, palette), pygame.Surface(SIZE)
    base: pygame.Surface | None = None
    stamps, turns = page.stamps(moments(music, 1)[0]), 0
    for shown in moments(music, 18):
        now, after = page.base(shown), page.stamps(shown)
        if now is not base:  # as the window does it
            surface.blit(now, (0, 0))
            paint(surface, after)
            turns += 1
        else:
            repaint(surface, now, after, changed(stamps, after, surface.get_rect()))
        base, stamps = now, after
        assert pygame.image.tobytes(surface, "RGB") == drawn(page_of(music, palette), shown)
        for _ in range(jobs):
            page.prepare(shown)
    assert turns > 10


def test_once_all_is_prepared_no_page_has_anything_left_to_find(
    music: Score, monkeypatch: pytest.MonkeyPatch
):
    page = page_of(music)
    first = blank_view(music, stops=STOPS)
    count = 0
    while page.prepare(first):
        count += 1
        assert count < 5000

    def late(*_: object, **__: object) -> None:
        raise AssertionError("found only when it was wanted")

    monkeypatch.setattr(still.Still, "_found", late)
    monkeypatch.setattr(still.Still, "_across", late)
    monkeypatch.setattr(rules, "Sheet", late)
    for bar, one in enumerate(music.bars):
        for tick in (one.onset, one.end - 1):
            page.base(blank_view(music, bar=bar, tick=float(tick), stops=STOPS))


def test_long_strokes_are_prepared_for_every_number_of_rows(music: Score, monkeypatch: pytest.MonkeyPatch):
    page = page_of(music)
    pencil.piece.cache_clear()
    while page.prepare(blank_view(music, stops=STOPS)):
        pass
    before = pencil.piece.cache_info().misses
    assert before > 50
    for rows in range(page.layout.rows, 7):
        strokes = page.rings.strokes(rows)
        for kind, colour in (("line", DAY.written), ("wave", DAY.rang), ("hatch", DAY.rang)):
            assert strokes.run(kind, 0, SIZE[0], 40, colour, 5)
    assert pencil.piece.cache_info().misses == before


def test_painted_pages_stay_within_their_bound_and_are_right_when_painted_over(
    music: Score, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(page_module, "BASES_BYTES", 1)
    monkeypatch.setattr(page_module, "LEAST_BASES", 2)
    page = page_of(music)
    shown = moments(music, 12)
    held = page.base(shown[0])
    pixels = {id(page.base(one).get_abs_parent()) for one in shown}
    assert len(pixels) == 2
    again = page.base(shown[0])
    assert again is not held  # the window must see that it was painted over
    surface = pygame.Surface(SIZE)
    surface.blit(again, (0, 0))
    scratch = page_of(music).base(shown[0])
    assert pygame.image.tobytes(surface, "RGB") == pygame.image.tobytes(scratch, "RGB")


def test_unpacked_systems_stay_within_their_bound(music: Score, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(still, "PICTURE_BYTES", 1)
    monkeypatch.setattr(still, "LEAST_PICTURES", 3)
    monkeypatch.setattr(still, "MOST_LEAVES", 4)
    page = page_of(music)
    assert len(page.layout.systems) > 4
    for shown in moments(music, 12):
        assert drawn(page, shown) == drawn(page_of(music), shown)
        assert len(page.still._pictures) <= 3
        assert len(page.still._leaves) <= 4


def test_a_page_given_up_is_gone_at_once(music: Score):
    # Its surfaces are large, and no collector runs while somebody plays.
    page = page_of(music)
    shown = moments(music, 1)[0]
    drawn(page, shown)
    for _ in range(5):
        page.prepare(shown)
    gone = weakref.ref(page)
    gc.disable()
    try:
        del page
        assert gone() is None
    finally:
        gc.enable()


@pytest.mark.parametrize("kind", ["line", "wave", "hatch", "dots", "blank"])
def test_the_pieces_of_a_stroke_meet_without_a_seam(kind: str, monkeypatch: pytest.MonkeyPatch):
    def pixels(length: int, index: int) -> np.ndarray:
        monkeypatch.setattr(pencil, "PIECE", length)
        drawn = pencil.piece.__wrapped__(kind, index, 39, 9.5, DAY.rang)
        return np.dstack([pygame.surfarray.array3d(drawn), pygame.surfarray.array_alpha(drawn)])

    halves = np.concatenate([pixels(256, 2), pixels(256, 3)])
    assert halves[..., 3].any()
    assert (halves == pixels(512, 1)).all()


def test_the_written_length_goes_on_to_its_stop_on_the_next_system_alone(music: Score):
    # A stop due after the note's own end, one bar on: its line is there although its note is not on the page.
    page = page_of(music)
    second = page.layout.systems[1]
    first_bar = min(bar for bar in range(len(music.bars)) if page.layout.places.system_of(bar) == second)
    note = int(np.flatnonzero(music.notes["bass"] & (music.notes["bar"] == first_bar - 1))[-1])
    due = float(music.bars[first_bar].onset + 2 * Q)
    sizes, engraved = page.sizes, page.engraved
    stop = StopSign(due, first_bar, int(music.notes["string"][note]), note, "p back", True)

    def lengths(stops: tuple[StopSign, ...]) -> int:
        one = Page(music, engraved, sizes, DAY, bars=page.bars, title="", stops=stops)
        return len(one.still._lengths(second, 0, one.layout.strings[second]))

    assert lengths((stop,)) == lengths((replace(stop, tick=float(music.bars[first_bar].onset - 1)),)) + 2
