"""Marks stand where they belong and look like what they mean: pixels read at mapped places, offscreen.

The score is a plain staff (no engraver), so every machine draws the same page.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pygame
import pytest

from coach.core.score import TICKS_PER_QUARTER as Q
from coach.core.score import Score
from coach.core.shapes import DriftMark, Foot, MarkKind, NoteMark, Ring, RingState, StopSign, View
from coach.screen import lettering
from coach.screen.engraved import Places
from coach.screen.layout import Layout
from coach.screen.page import Page
from coach.screen.plain_staff import plain_staff, staff_steps
from coach.screen.stamps import changed, paint, repaint
from coach.screen.theme import DAY, LEAST_STAFF_SPACE, NIGHT, Colour, Palette, Sizes
from coach.screen.window import Window
from tests.scores import piece
from tests.views import blank_view as view

SIZE = (1280, 720)
BASS = "A2@5 1, - 3, D3@4 2, E2@6 2, A2@5 2, D3@4 2, A2@5 4"
MELODY = "C4 1, E4 1, D4 1, B3 1, E4 2, C4 2, B3 1, C4 1, D4 2, E4 4"
ROLES = ("paper", "ink", "pencil", "faint", "written", "rang")
DAMPED = 0  # row of the first bass in ``SCORE.notes``: A2 on string 5, a quarter from the start


@pytest.fixture(scope="module", params=[DAY, NIGHT], ids=["day", "night"])
def page(request: pytest.FixtureRequest) -> Page:
    return page_of(score(), request.param)


def score() -> Score:
    return piece("4/4", BASS, MELODY)


def page_of(music: Score, palette: Palette = DAY, size: tuple[int, int] = SIZE, **more: object) -> Page:
    sizes = Sizes.of(*size)
    engraved = plain_staff(music, size[0] - 2 * sizes.margin, sizes.space)
    return Page(music, engraved, sizes, palette, bars=(0, len(music.bars) - 1), title="Test", **more)  # type: ignore[arg-type]


def ring(state: RingState, end: float, **more: object) -> Ring:
    """A ring of the first bass: string 5, from 0, due at 1 quarter."""
    plain = Ring(5, 0.0, end * Q, 1.0 * Q, state, False, True, 0, "", DAMPED)
    return replace(plain, **more)  # type: ignore[arg-type]


class Picture:
    """A drawn page, and what stands in a string's row."""

    def __init__(self, page: Page, shown: View) -> None:
        surface = pygame.Surface((page.sizes.width, page.sizes.height))
        page.draw(surface, shown)
        self.page, self.shown = page, shown
        self.pixels = pygame.surfarray.array3d(surface).transpose(1, 0, 2).astype(np.int16)

    def is_(self, role: str, pixels: np.ndarray | None = None) -> np.ndarray:
        """Return where a palette's colour is: nearer than any other of the palette's."""
        pixels = self.pixels if pixels is None else pixels
        palette = self.page.palette
        away = np.stack([np.abs(pixels - np.int16(getattr(palette, name))).sum(axis=2) for name in ROLES])
        return away.argmin(axis=0) == ROLES.index(role)

    def x(self, quarters: float, bar: int | None = None) -> int:
        place = self.page.layout.places.x_of(quarters * Q, bar)
        assert place is not None
        return round(self.page.layout.left + place[1])

    def row(self, string: int) -> int:
        strings = self.page.layout.strings[0]
        return self.page.layout.row_y(0, strings.index(string), len(strings))

    def box(self, role: str, left: float, right: float, y: int, half: float) -> np.ndarray:
        """Return where a colour stands between two x, within ``half`` of a height."""
        area = self.pixels[round(y - half) : round(y + half) + 1, round(left) : round(right)]
        return self.is_(role, area)


def strip(page: Page, *rings: Ring, **more: object) -> Picture:
    return Picture(page, view(page.score, rings=rings, **more))


def solid(picture: Picture, role: str, left: float, right: float, string: int = 5) -> float:
    """Return the share of columns in which a colour crosses the row's middle."""
    half = picture.page.sizes.row * 0.12
    return float(picture.box(role, left, right, picture.row(string), half).any(axis=0).mean())


# --- the ring strip ---------------------------------------------------------------------------------


def test_a_written_length_is_a_hairline_with_a_tick_before_anything_sounds(page: Page):
    picture = Picture(page, view(page.score))
    start, due, y = picture.x(0), picture.x(1), picture.row(5)
    assert picture.box("faint", start + 4, due - 4, y, 2).any(axis=0).mean() > 0.95
    tall = picture.box("ink", due - 3, due + 4, y, page.sizes.row * 0.4).any(axis=1)
    assert tall.mean() > 0.7
    assert picture.box("faint", due + 6, due + 30, y, 2).sum() == 0
    for role in ("written", "rang"):
        assert picture.is_(role).sum() == 0


def test_a_sounding_string_is_a_solid_line_that_grows(page: Page):
    music = strip(page, ring(RingState.SOUNDING, 0.5, sounding=True))
    start, now, due = music.x(0), music.x(0.5), music.x(1)
    assert solid(music, "written", start, now) > 0.98
    assert solid(music, "written", now + 3, due) == 0.0
    longer = strip(page, ring(RingState.SOUNDING, 0.8, sounding=True))
    assert solid(longer, "written", start, longer.x(0.8)) > 0.98


def test_clean_ends_in_an_upright_at_the_tick(page: Page):
    picture = strip(page, ring(RingState.CLEAN, 1.06))
    due, y = picture.x(1), picture.row(5)
    assert solid(picture, "written", picture.x(0), due) > 0.98
    upright = picture.box("written", due - 3, due + 4, y, page.sizes.row * 0.32).any(axis=1)
    assert upright.mean() > 0.95
    assert picture.box("written", due + page.sizes.row * 0.2, due + 90, y, page.sizes.row * 0.4).sum() == 0
    assert picture.is_("rang").sum() == 0


def test_late_turns_wavy_and_heavier_past_the_tick(page: Page):
    picture = strip(page, ring(RingState.LATE, 2.5, words="+240 ms"))
    due, end, y, row = picture.x(1), picture.x(2.5), picture.row(5), page.sizes.row
    assert solid(picture, "written", picture.x(0), due - 2) > 0.98
    wave = picture.box("rang", due + 4, end - 8, y, row * 0.5)
    calm = picture.box("written", picture.x(0) + 20, due - 8, y, row * 0.5)
    assert wave.any(axis=0).mean() > 0.95
    assert wave.mean() > 2 * calm.mean()  # heavier: to be seen across a room
    upper = wave[: len(wave) // 3].any(axis=0)
    lower = wave[-len(wave) // 3 :].any(axis=0)
    assert upper.mean() > 0.2
    assert lower.mean() > 0.2
    swings = np.abs(np.diff(np.array([np.flatnonzero(c).mean() for c in wave.T if c.any()])))
    assert swings.max() > 1.0  # its middle wanders, that of a straight line would not


def test_the_overhang_is_written_at_the_end_of_the_wave(page: Page):
    silent = strip(page, ring(RingState.LATE, 2.0))
    worded = strip(page, ring(RingState.LATE, 2.0, words="+240 ms"))
    added = (silent.pixels != worded.pixels).any(axis=2)
    ys, xs = np.nonzero(added)
    assert xs.min() > worded.x(2)
    assert xs.min() < worded.x(2) + page.sizes.row
    assert abs(ys.mean() - worded.row(5)) < page.sizes.row * 0.3
    assert ys.max() - ys.min() >= page.sizes.words * 0.9


def test_the_overhang_gives_way_to_the_next_note(page: Page):
    # The next A of string 5 comes at quarter 8; written in full or without its unit, never across it.
    picture = strip(page, ring(RingState.LATE, 7.3, words="+1234 ms"))
    bare = strip(page, ring(RingState.LATE, 7.3))
    added = (bare.pixels != picture.pixels).any(axis=2)
    assert added.sum() == 0 or np.nonzero(added)[1].max() < picture.x(8)


def test_where_the_string_is_played_again_the_overhang_breaks_the_wave(page: Page):
    # Row of the first A of string 5; its next note is at quarter 8.
    again = ring(RingState.RINGING, 8.0, words="+5432 ms")
    picture, bare = strip(page, again), strip(page, replace(again, words=""))
    ys, xs = np.nonzero((bare.pixels != picture.pixels).any(axis=2))
    due, end = picture.x(1), picture.x(8)
    assert due < xs.min() < xs.max() < end
    assert (xs.min() + xs.max()) / 2 == pytest.approx((due + end) / 2, abs=6)
    assert abs((ys.min() + ys.max()) / 2 - picture.row(5)) < page.sizes.row * 0.2
    assert solid(picture, "rang", due + 4, xs.min() - 2) > 0.5
    assert solid(picture, "rang", xs.max() + 2, end - page.sizes.row * 0.3) > 0.5


def test_ringing_goes_on_open_ended_with_an_arrow_while_it_lasts(page: Page):
    lasting = strip(page, ring(RingState.RINGING, 3.0, sounding=True))
    ended = strip(page, ring(RingState.RINGING, 3.0))
    end, y, row = lasting.x(3), lasting.row(5), page.sizes.row
    arrow = (lasting.pixels != ended.pixels).any(axis=2)
    ys, xs = np.nonzero(arrow)
    assert abs(xs.mean() - end) < row * 0.5
    assert abs(ys.mean() - y) < row * 0.2
    assert solid(lasting, "rang", lasting.x(1) + 3, end - 3) > 0.5


def test_ringing_crosses_the_barline(page: Page):
    picture = strip(page, ring(RingState.RINGING, 5.0, sounding=True))
    barline = page.layout.left + page.layout.places.bar_box(0)[1]
    half = page.sizes.row * 0.45
    assert picture.box("rang", barline - 30, barline + 30, picture.row(5), half).any(axis=0).all()


def test_overdue_shows_the_same_wave_in_pencil_before_it_is_judged(page: Page):
    picture = strip(page, ring(RingState.OVERDUE, 2.0, sounding=True, settled=False))
    wave = picture.box("pencil", picture.x(1.4), picture.x(2) - 4, picture.row(5), page.sizes.row * 0.45)
    assert wave.any(axis=0).mean() > 0.95
    for role in ("written", "rang"):
        assert picture.is_(role).sum() == 0


def test_a_stop_just_being_made_is_not_yet_a_wave(page: Page):
    picture = strip(page, ring(RingState.OVERDUE, 1.1, sounding=True))
    assert picture.is_("rang").sum() == 0


def test_cut_ends_hollow_and_is_dotted_to_the_tick(page: Page):
    note = bass_at(page.score, 4)
    picture = strip(page, Ring(4, 4.0 * Q, 4.8 * Q, 6.0 * Q, RingState.CUT, False, True, 1, "", note))
    release, due, y, row = picture.x(4.8), picture.x(6), picture.row(4), page.sizes.row
    assert solid(picture, "written", picture.x(4), release - row * 0.4, string=4) > 0.98
    radius = row * 0.27
    for dx, dy in ((radius, 0), (0, radius), (0, -radius)):
        near = picture.box("written", release + dx - 3, release + dx + 4, round(y + dy), 3)
        assert near.any(), (dx, dy)
    inside = picture.box("paper", release + 1, release + radius * 0.5, y, 1)
    assert inside.all()
    middle = picture.box("written", release + row * 0.55, due - 8, y, 2).any(axis=0)
    assert 0.2 < middle.mean() < 0.8
    assert np.abs(np.diff(middle.astype(int))).sum() >= 6  # at least three dots
    bare = picture.box("paper", release + row * 0.55, due - 8, y, 1).all(axis=0)
    assert bare.mean() > 0.3  # no hairline under them


def test_faded_tapers_to_nothing(page: Page):
    picture = strip(page, ring(RingState.FADED, 0.95))
    start, due, y, row = picture.x(0), picture.x(1), picture.row(5), page.sizes.row
    third = (due - start) / 3
    first = picture.box("written", start + row * 0.3, start + third, y, row * 0.3).sum(axis=0).mean()
    last = picture.box("written", due - third, due - 4, y, row * 0.3).sum(axis=0).mean()
    assert last < 0.6 * first
    assert picture.box("written", due - 3, due + 4, y, row * 0.4).any(axis=1).mean() < 0.2  # no upright


def test_replaced_ends_without_a_judgement(page: Page):
    picture = strip(page, ring(RingState.REPLACED, 1.0))
    due, y, row = picture.x(1), picture.row(5), page.sizes.row
    assert solid(picture, "written", picture.x(0), due - 2) > 0.98
    assert picture.box("written", due - 3, due + 4, y, row * 0.4).any(axis=1).mean() < 0.4
    assert picture.is_("rang").sum() == 0


def test_free_ends_in_a_let_ring_arc(page: Page):
    free = strip(page, ring(RingState.FREE, 1.0))
    plain = strip(page, ring(RingState.REPLACED, 1.0))
    ys, xs = np.nonzero((free.pixels != plain.pixels).any(axis=2))
    due, y, row = free.x(1), free.row(5), page.sizes.row
    assert xs.min() >= due - row * 0.2
    assert row * 0.7 < xs.max() - due < row * 1.3
    assert ys.min() >= y - 2  # it hangs, as a tie under the note does
    middle = ys[np.abs(xs - (due + row * 0.47)) < 3].mean()
    ends = ys[np.abs(xs - xs.max()) < 3].mean()
    assert middle > ends


def test_missed_leaves_an_empty_slot_with_a_pencilled_gap(page: Page):
    picture = strip(page, ring(RingState.MISSED, 0.0))
    y, row = picture.row(5), page.sizes.row
    assert picture.is_("written").sum() == 0
    paper = picture.box("paper", picture.x(0) + 3, picture.x(1) - 4, y, 1).all(axis=0)
    gap = np.flatnonzero(paper)
    assert row * 0.2 < len(gap)
    assert gap.max() - gap.min() < row * 1.2
    bare = Picture(page, view(page.score))
    strokes = (picture.pixels != bare.pixels).any(axis=2) & picture.is_("pencil")
    assert strokes.sum() > 40


def test_a_stray_begins_with_an_open_lozenge(page: Page):
    stray = Ring(5, 2.0 * Q, 3.2 * Q, None, RingState.STRAY, False, True, 0)
    picture = strip(page, stray)
    x, y, row = picture.x(2), picture.row(5), page.sizes.row
    assert picture.box("paper", x - 2, x + 3, y, 2).all()
    for dx, dy in ((-row * 0.3, 0), (row * 0.3, 0), (0, -row * 0.38), (0, row * 0.38)):
        assert picture.box("rang", x + dx - 5, x + dx + 6, round(y + dy), 5).any(), (dx, dy)
    assert picture.box("rang", x + row * 0.5, picture.x(3.2) - 4, y, row * 0.5).any(axis=0).mean() > 0.95
    assert picture.is_("written").sum() == 0


def test_a_string_that_strays_in_gets_a_row_of_its_own(page: Page):
    stray = Ring(3, 2.0 * Q, 3.0 * Q, None, RingState.STRAY, False, True, 0)
    shown = view(page.score, rings=(stray,))
    assert 3 not in page.layout.strings[0]
    ys = np.nonzero(Picture(page, shown).is_("rang"))[0]
    rows = page.layout.ordered({3, *page.layout.strings[0]})
    assert rows[0] == 3  # the higher-sounding on top
    assert abs(ys.mean() - page.layout.row_y(0, 0, len(rows))) < page.sizes.row * 0.25


@pytest.mark.parametrize("state", list(RingState))
def test_nothing_unsettled_is_in_colour(page: Page, state: RingState):
    due = None if state is RingState.STRAY else 1.0 * Q
    loose = ring(state, 2.0, settled=False, slot_end_tick=due, words="+240 ms")
    picture = strip(page, loose)
    assert picture.is_("written").sum() == 0
    assert picture.is_("rang").sum() == 0
    bare = Picture(page, view(page.score))
    assert (picture.pixels != bare.pixels).any()


def test_what_is_not_settled_is_sketched_more_lightly(page: Page):
    firm = strip(page, ring(RingState.SOUNDING, 0.9, sounding=True))
    loose = strip(page, ring(RingState.SOUNDING, 0.9, sounding=True, settled=False))
    left, right, y = firm.x(0.2), firm.x(0.8), firm.row(5)
    thick = firm.box("written", left, right, y, page.sizes.row * 0.3).sum(axis=0).mean()
    thin = loose.box("pencil", left, right, y, page.sizes.row * 0.3).sum(axis=0).mean()
    assert thin < 0.85 * thick


def test_states_are_told_apart_without_any_colour(page: Page):
    shown = {
        RingState.CLEAN: 1.0,
        RingState.LATE: 2.5,
        RingState.CUT: 0.4,
        RingState.FADED: 0.95,
        RingState.FREE: 1.0,
        RingState.REPLACED: 1.0,
        RingState.MISSED: 0.0,
    }
    weights = np.array([0.2126, 0.7152, 0.0722])
    rows = {}
    for state, end in shown.items():
        picture = strip(page, ring(state, end))
        y, half = picture.row(5), page.sizes.row // 2
        area = picture.pixels[y - half : y + half, picture.x(0) - 10 : picture.x(4)]
        rows[state] = (area @ weights).astype(int)
    ground = int(np.array(page.palette.paper) @ weights)
    for one, first in rows.items():
        for other, second in rows.items():
            if one is other:
                continue
            marked = (np.abs(first - ground) > 60).sum()
            differ = (np.abs(first - second) > 60).sum()
            assert differ > 0.12 * marked, (one, other)


def test_strings_stand_from_the_higher_sounding_down(page: Page):
    assert page.layout.strings[0] == (4, 5, 6)
    picture = Picture(page, view(page.score))
    assert picture.row(4) < picture.row(5) < picture.row(6)
    for string in (4, 5, 6):
        ink = picture.box(
            "ink", page.sizes.margin, page.sizes.margin + page.sizes.sign + 2, picture.row(string), 30
        )
        assert ink.any(axis=1).sum() >= page.sizes.sign - 2  # the circled number, 20 minutes of arc tall


# --- the staff --------------------------------------------------------------------------------------


def note(page: Page, pitch: int) -> int:
    return int(np.flatnonzero(page.score.notes["pitch"] == pitch)[0])


def head(page: Page, row: int) -> tuple[float, float]:
    system = page.engraved.systems[0]
    box = system.boxes[page.score.ids[int(page.score.notes["written"][row])]]
    return page.layout.left + box.middle, page.layout.system_y(0, 0) + box.y + box.height / 2


def added(page: Page, mark: NoteMark) -> tuple[np.ndarray, np.ndarray]:
    bare, marked = Picture(page, view(page.score)), Picture(page, view(page.score, marks=(mark,)))
    ys, xs = np.nonzero((bare.pixels != marked.pixels).any(axis=2))
    return xs, ys


def test_a_wrong_note_is_ringed_with_the_played_name_beside_it(page: Page):
    row = note(page, 62)
    mark = NoteMark(MarkKind.WRONG, float(page.score.notes["onset"][row]), 0, 61, True, row)
    xs, ys = added(page, mark)
    x, y = head(page, row)
    space = page.engraved.space
    assert xs.min() == pytest.approx(x - 1.35 * space, abs=0.4 * space)
    assert xs.max() == pytest.approx(x + 1.35 * space, abs=0.4 * space)
    assert ys.min() == pytest.approx(y - 1.1 * space, abs=0.4 * space)
    assert not ((np.abs(xs - x) < 0.5 * space) & (np.abs(ys - y) < 0.5 * space)).any()  # the head stays clear
    named_xs, named_ys = added(page, replace(mark, words="C♯"))
    assert len(named_xs) > 1.4 * len(xs)
    far = np.hypot(named_xs - x, named_ys - y) > 1.7 * space
    assert far.any()
    assert np.hypot(named_xs - x, named_ys - y).max() < 1.8 * space + 3.2 * page.sizes.words


def test_a_missing_note_stands_in_brackets(page: Page):
    row = note(page, 62)
    xs, ys = added(page, NoteMark(MarkKind.MISSING, 0.0, 0, 62, True, row))
    x, y = head(page, row)
    space = page.engraved.space
    left, right = xs[xs < x], xs[xs > x]
    assert 0.5 * space < x - left.max()
    assert 0.5 * space < right.min() - x
    assert abs((ys.min() + ys.max()) / 2 - y) < 0.3 * space
    assert ys.max() - ys.min() > 2 * space


def test_an_extra_note_is_a_cross_at_its_height(page: Page):
    pitch = 57  # A3, written A4: the second space
    xs, ys = added(page, NoteMark(MarkKind.EXTRA, 1.5 * Q, 0, pitch, True))
    picture = Picture(page, view(page.score))
    steps, _ = staff_steps(pitch, 0)
    assert steps == 3
    staff_bottom = page.layout.staff_y(0) + 4 * page.engraved.space
    assert xs.mean() == pytest.approx(picture.x(1.5), abs=2)
    assert ys.mean() == pytest.approx(staff_bottom - 1.5 * page.engraved.space, abs=2)
    assert xs.max() - xs.min() < 1.7 * page.engraved.space


def test_a_mark_outside_the_page_is_not_drawn():
    music = piece("4/4", ", ".join(["A2@5 2, D3@4 2"] * 40))
    page = page_of(music)
    shown_now = page.layout.spread(0, 0.0)
    off = next(i for i in range(len(music.bars)) if page.layout.places.system_of(i) not in shown_now)
    row = int(np.flatnonzero(music.notes["bar"] == off)[0])
    mark = NoteMark(MarkKind.MISSING, 0.0, off, 45, True, row)
    assert page.stamps(view(music, marks=(mark,))) == page.stamps(view(music))


# --- bars -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("drift_ms", "slope_ms"), [(40.0, 0.0), (-40.0, 0.0), (0.0, 60.0), (0.0, -60.0)])
def test_a_bars_drift_hangs_below_when_behind_and_tilts_with_its_change(
    page: Page, drift_ms: float, slope_ms: float
):
    bare = Picture(page, view(page.score))
    shown = Picture(page, view(page.score, drifts=(DriftMark(1, drift_ms, slope_ms),)))
    marks = (bare.pixels != shown.pixels).any(axis=2) & (shown.is_("pencil"))
    ys, xs = np.nonzero(marks)
    left, right = page.layout.places.bar_box(1)
    assert page.layout.left + left < xs.min() < xs.max() < page.layout.left + right
    baseline = page.layout.drift_y(0, len(page.layout.strings[0]))
    assert np.sign(round((ys.mean() - baseline) / 2)) == np.sign(drift_ms)
    middle = (xs.min() + xs.max()) / 2
    tilt = ys[xs > middle].mean() - ys[xs < middle].mean()
    assert np.sign(round(tilt / 2)) == np.sign(slope_ms)


def test_drift_is_put_into_words_only_where_there_are_any(page: Page):
    quiet = page.stamps(view(page.score, drifts=(DriftMark(1, 20.0, 0.0),)))
    worded = page.stamps(view(page.score, drifts=(DriftMark(1, 48.0, 0.0, "48 ms behind"),)))
    assert len(worded) == len(quiet) + 1


def test_the_current_bars_number_is_ringed_dotted_when_unsure(page: Page):
    sure, unsure = view(page.score, bar=1, tick=5.0 * Q), view(page.score, bar=1, tick=5.0 * Q, unsure=True)
    place = page.marks.number_at(1, {0: 0})
    assert place is not None
    drawn = []
    for shown in (sure, unsure):
        ring_only = page.marks.current(1, {0: 0}, unsure=shown.unsure)
        assert ring_only[0].rect.collidepoint(place)
        drawn.append(Picture(page, shown))
    bare = Picture(page, view(page.score, bar=1, tick=5.0 * Q, finished=True))
    x, y = (round(v) for v in place)
    reach = round(page.sizes.quiet * 1.4)
    area = np.s_[y - reach : y + reach, x - reach : x + reach]
    whole, dots = ((p.pixels != bare.pixels).any(axis=2)[area].sum() for p in drawn)
    assert whole > 100
    assert 0.25 * whole < dots < 0.75 * whole


def bass_at(music: Score, quarters: float) -> int:
    return int(np.flatnonzero(music.notes["bass"] & (music.notes["onset"] == quarters * Q))[0])


def test_damp_signs_stand_under_the_bass_where_a_stop_is_wanted():
    music = score()
    stops = (
        StopSign(1.0 * Q, 0, 5, DAMPED, "p plant", True),
        StopSign(6.0 * Q, 1, 4, bass_at(music, 4), "p side", True),
        StopSign(8.0 * Q, 2, 6, bass_at(music, 6), "p side", False),
    )
    page = page_of(music, stops=stops)
    picture = Picture(page, view(music, stops=stops))
    lane, tall = page.layout.signs_y(0), page.sizes.sign
    for quarters, wanted in ((1.0, True), (6.0, True), (8.0, False), (12.0, False)):
        x = picture.x(quarters)
        ink = picture.box("ink", x - 2, x + 3, lane, tall / 2 + 1)
        assert ink.any(axis=1).sum() >= 0.95 * tall if wanted else not ink.any()  # 20 minutes of arc
    assert lane - tall / 2 > page.layout.staff_y(0) + 4 * page.engraved.space
    assert lane + tall / 2 <= page.layout.row_y(0, 0, 3) - page.sizes.row / 2 + 1
    named = picture.box("ink", picture.x(1) + tall, picture.x(1) + 3 * tall, lane, tall / 2)
    assert named.any()  # the way, beside the first of its kind


# --- the foot ---------------------------------------------------------------------------------------


def strokes_of(picture: Picture) -> int:
    """Return how many separate upright ink strokes the foot has."""
    page = picture.page
    bare = Picture(page, view(page.score))
    mask = (picture.pixels != bare.pixels).any(axis=2) & picture.is_("ink")
    columns = mask[-page.sizes.foot :].sum(axis=0) > page.sizes.quiet * 0.5
    return int((np.diff(np.concatenate(([0], columns.astype(int)))) == 1).sum())


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_the_count_is_kept_in_strokes(count: int):
    page = page_of(score())
    assert strokes_of(Picture(page, view(page.score, foot=Foot(tally=count)))) == count


def test_a_count_that_starts_again_is_visibly_rubbed_out():
    page = page_of(score())
    two, none = view(page.score, foot=Foot(tally=2)), view(page.score, foot=Foot(tally=0))
    fresh = Picture(page_of(score()), none)
    kept = Picture(page, two)
    rubbed = Picture(page, none)
    ghost = (rubbed.pixels != fresh.pixels).any(axis=2)
    assert ghost.sum() > 50
    assert rubbed.is_("ink").sum() < kept.is_("ink").sum()
    assert strokes_of(rubbed) == 0


@pytest.mark.parametrize("size", [(1024, 600), (1280, 720), (1920, 1080), (3840, 2160)])
@pytest.mark.parametrize(
    "foot",
    [
        Foot(
            chunk="bars 101–104",
            tempo="♩ = 58",
            tally=3,
            message="Bar 3, beat 2: the A on string 5 was stopped late (+240 ms). " * 3,
            port="the guitar's port has gone; looking for it",
        ),
        Foot(next_stop="next: stop ⑤ at the D, returning thumb", port="guitar heard"),
    ],
    ids=["crowded", "usual"],
)
def test_the_foot_stays_on_its_lines_inside_the_page(size: tuple[int, int], foot: Foot):
    page = page_of(score(), size=size)
    stamps = page.foot.stamps(foot)
    for stamp in stamps:
        assert 0 <= stamp.rect.left <= stamp.rect.right <= size[0]
        ink = stamp.surface.get_bounding_rect().move(stamp.x, stamp.y)
        # A long sentence has more lines, on paper of their own, rather than smaller letters.
        more = 2 * 1.5 * page.sizes.sign if foot.message and stamp is stamps[0] else 0.0
        assert size[1] - page.sizes.foot - page.sizes.quiet - more <= ink.top < ink.bottom <= size[1]
    for number, one in enumerate(stamps):
        assert one.rect.collidelist([other.rect for other in stamps[number + 1 :]]) == -1


LONG_STEP = "together, bars 5–8 from the upbeat"


@pytest.mark.parametrize(
    "message", ["", "Clean, 2 of 3.", "The click goes along, and that is said.", "Bar 9, beat 1: late. " * 3]
)
@pytest.mark.parametrize("port", ["", "guitar heard", "Listening to “guitar:out”."])
@pytest.mark.parametrize("size", [(1024, 600), (1280, 720), (1920, 1080)])
def test_the_name_of_a_step_is_never_cut(
    size: tuple[int, int], port: str, message: str, monkeypatch: pytest.MonkeyPatch
):
    page, written, words = page_of(score(), size=size), list[str](), lettering.words

    def noted(text: str, *given: object, **more: object) -> lettering.Written:
        written.append(text)
        return words(text, *given, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(lettering, "words", noted)
    page.foot.stamps(Foot(chunk=LONG_STEP, tempo="♩ = 36", tally=2, message=message, port=port))
    names = {text for text in written if "bars" in text}
    assert names <= {LONG_STEP, "together, bars 5–8", "bars 5–8"}
    if not message:
        assert "bars 5–8" not in names  # there is room for more


# --- layout -----------------------------------------------------------------------------------------


def long_score(bars: int = 40) -> Score:
    return piece("4/4", ", ".join(["A2@5 2, D3@4 2"] * bars), ", ".join(["E4 1"] * 4 * bars))


def layout_of(music: Score, bars: tuple[int, int] | None = None) -> Layout:
    return (
        page_of(music).layout
        if bars is None
        else Layout(music, plain_staff(music, 1800, 16.0), Sizes.of(*SIZE), bars)
    )


def test_the_system_played_and_the_next_one_always_stand_on_the_page():
    music = long_score()
    layout = layout_of(music)
    assert layout.slots == 2
    assert len(layout.systems) >= 4
    for index, bar in enumerate(music.bars[:-1]):
        here, coming = layout.places.system_of(index), layout.places.system_of(index + 1)
        early = bar.end - bar.beat_ticks
        assert here in layout.spread(index, bar.onset)
        assert {here, coming} <= set(layout.spread(index, early)), f"bar {bar.number}"


def test_the_system_being_played_never_moves():
    music = long_score()
    layout = layout_of(music)
    slots: dict[int, set[int]] = {}
    for index, bar in enumerate(music.bars):
        for tick in range(bar.onset, bar.end, Q // 2):
            here = layout.places.system_of(index)
            assert here is not None
            slots.setdefault(here, set()).add(layout.spread(index, tick).index(here))
    assert all(len(found) == 1 for found in slots.values())


def test_nothing_turns_where_all_fits():
    music = long_score(8)
    layout = layout_of(music)
    spreads = {layout.spread(i, bar.onset + k * Q) for i, bar in enumerate(music.bars) for k in range(4)}
    assert spreads == {(0, 1)}


def test_at_the_end_the_systems_stand_in_their_order():
    music = long_score()
    layout = layout_of(music)
    last = len(music.bars) - 1
    spread = layout.spread(last, music.end, finished=True)
    assert list(spread) == sorted(s for s in spread if s is not None)
    assert layout.places.system_of(last) in spread


def test_only_the_chunk_stands_on_the_page():
    music = long_score()
    layout = layout_of(music, (0, 3))
    assert layout.systems == sorted({layout.places.system_of(i) for i in range(4)})


@pytest.mark.parametrize("size", [(1024, 600), (1280, 720), (1920, 1080), (3840, 2160)])
def test_slots_lie_between_title_and_foot_without_touching(size: tuple[int, int]):
    page = page_of(long_score(), size=size)
    layout, sizes = page.layout, page.sizes
    tops = [layout.slot_top(slot) for slot in range(layout.slots)]
    assert tops[0] >= sizes.head
    for above, below in pairwise(tops):
        assert below >= above + layout.slot_height
    assert tops[-1] + layout.slot_height <= sizes.height - sizes.foot


def test_a_short_chunk_is_written_larger_and_still_fits():
    music = score()
    with Window(music, "", size=SIZE, offscreen=True) as window:
        window.show(view(music))
        whole = window.page
        window.show(view(music, last_bar=0))
        one_bar = window.page
    assert whole is not None
    assert one_bar is not None
    assert one_bar.sizes.sign > 1.2 * whole.sizes.sign
    assert one_bar.layout.slots == 1
    assert one_bar.layout.slot_top(0) + one_bar.layout.slot_height <= SIZE[1] - one_bar.sizes.foot
    assert one_bar.sizes.foot == pytest.approx(whole.sizes.foot, abs=1)


def test_a_slightly_smaller_staff_lets_a_second_system_stand():
    # Ledger lines far above and below: at the usual size one such system fills the page.
    music = piece("4/4", ", ".join(["E2@6 1, A2@5 1, D3@4 2"] * 24), ", ".join(["B5 1"] * 96))
    sizes = Sizes.of(*SIZE, staff_spaces=9.0)
    plain = plain_staff(music, sizes.music_width, sizes.space)
    alone = Page(music, plain, sizes, DAY, bars=(0, len(music.bars) - 1), title="")
    assert alone.layout.slots == 1
    better = alone.layout.better_space
    assert better is not None
    assert LEAST_STAFF_SPACE * 0.94 * sizes.minute <= better < sizes.space
    with Window(music, "", size=SIZE, offscreen=True) as window:
        window.show(view(music))
        assert window.page is not None
        assert window.page.layout.slots == 2


def test_the_last_stop_of_a_chunk_stands_at_its_last_barline():
    music = long_score(8)
    sizes = Sizes.of(*SIZE)
    places = Places(music, plain_staff(music, sizes.music_width, sizes.space, (2, 3)))
    end = music.bars[3].end
    last = places.bar_box(3)
    assert places.x_of(end) == (0, pytest.approx(last[1]))
    spans = places.spans(end - 2 * Q, end)
    assert spans[-1].ends
    assert spans[-1].right == pytest.approx(last[1])
    assert places.x_of(end + 1) is None


# --- drawing only what changed ----------------------------------------------------------------------


def test_redrawing_the_rectangles_gives_the_page_drawn_whole():
    music = long_score()
    page = page_of(music)
    rows = [i for i in range(len(music.notes)) if music.notes["bass"][i]]

    def moment(tick: float) -> View:
        rings = []
        for number, row in enumerate(rows):
            onset = float(music.notes["onset"][row])
            if onset > tick:
                break
            due = onset + 2 * Q
            late = number % 3 == 1
            end = min(tick, due + (1.2 * Q if late else 0.0))
            sounding = tick < due + (1.2 * Q if late else 0.0)
            state = RingState.LATE if late and not sounding else RingState.CLEAN
            if sounding:
                state = RingState.OVERDUE if tick > due else RingState.SOUNDING
            rings.append(
                Ring(
                    int(music.notes["string"][row]),
                    onset,
                    end,
                    due,
                    state,
                    sounding,
                    not sounding,
                    0,
                    "",
                    row,
                )
            )
        bar = music.bar_index(tick)
        return view(music, rings=tuple(rings), bar=bar, tick=tick, foot=Foot(tally=bar % 4))

    surface = pygame.Surface(SIZE)
    base, stamps = None, []
    for step in range(0, 70):
        shown = moment(step * 0.45 * Q)
        after_base, after = page.base(shown), page.stamps(shown)
        if after_base is not base:
            surface.blit(after_base, (0, 0))
            paint(surface, after)
        else:
            repaint(surface, after_base, after, changed(stamps, after, surface.get_rect()))
        base, stamps = after_base, after
        whole = pygame.Surface(SIZE)
        whole.blit(base, (0, 0))
        paint(whole, after)
        assert pygame.image.tobytes(surface, "RGB") == pygame.image.tobytes(whole, "RGB"), step


def test_little_is_redrawn_while_a_string_sounds(page: Page):
    before = page.stamps(view(page.score, rings=(ring(RingState.SOUNDING, 0.50, sounding=True),)))
    after = page.stamps(view(page.score, rings=(ring(RingState.SOUNDING, 0.52, sounding=True),)))
    rects = changed(before, after, pygame.Rect(0, 0, *SIZE))
    assert rects
    assert sum(r.width * r.height for r in rects) < 0.01 * SIZE[0] * SIZE[1]
    assert changed(after, after, pygame.Rect(0, 0, *SIZE)) == []


def test_colours_of_the_test_are_told_apart():
    # The pixel tests above rest on this: no two roles of a palette look alike.
    for palette in (DAY, NIGHT):
        roles: list[Colour] = [
            getattr(palette, r) for r in ("paper", "ink", "pencil", "faint", "written", "rang")
        ]
        for i, one in enumerate(roles):
            for other in roles[i + 1 :]:
                assert sum(abs(a - b) for a, b in zip(one, other, strict=True)) > 90


def test_pictures_for_the_eye(page: Page, tmp_path: Path):
    """Every state at once draws without complaint (looked at by hand while the page was designed)."""
    rings = tuple(
        replace(ring(state, 0.9), start_tick=0.0, note=DAMPED, words="+240 ms") for state in RingState
    )
    picture = Picture(page, view(page.score, rings=rings, unsure=True, foot=Foot(message="One sentence.")))
    assert picture.is_("rang").any()
