"""One bar to true time: strokes, ends and figures stand where the milliseconds say."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pygame
import pytest

from coach.app.piece import find_score, open_piece
from coach.app.sitting import limits_of, replay
from coach.core.lanes import Lane, Lanes, Sound, Wanted, lanes
from coach.core.verdicts import Damping, Stroke
from coach.files.take import read_take
from coach.screen import bar_sheet, lettering
from coach.screen.bar_sheet import BarSheet, draw_bar
from coach.screen.theme import DAY, ESSENTIAL, NIGHT, Palette, Reading, Sizes
from tests.harness import ROOT

RECT = pygame.Rect(0, 20, 1280, 560)
SIZES = Sizes.of(1280, 720)
ROLES = ("paper", "ink", "pencil", "faint", "written", "rang")
DUE = 1000.0


def bass(kind: Damping | Stroke | None, off_ms: float | None, words: str = "", on_ms: float = 0.0) -> Sound:
    """A sound of the A on string 5, written from 0 to 1000 ms."""
    return Sound(5, 45, "A", on_ms, off_ms, kind, words)


def bar(*sounds: Sound, wanted: bool = True, said: tuple[str, ...] = ()) -> Lanes:
    """A bar of three beats, a second each, with one bass on string 5."""
    written = (Wanted(5, 45, "A", 0.0, DUE, True),) if wanted else ()
    return Lanes(
        pass_number=1,
        bar=0,
        number=1,
        first_ms=-1000.0,
        last_ms=4000.0,
        beats=((0.0, "1"), (1000.0, "2"), (2000.0, "3")),
        barlines=(0.0, 3000.0),
        lanes=(Lane(4, (), ()), Lane(5, written, sounds), Lane(6, (), ())),
        said=said,
    )


class Picture:
    """A drawn sheet."""

    def __init__(self, shown: Lanes, palette: Palette = DAY) -> None:
        surface = pygame.Surface((1280, 720))
        surface.fill((1, 2, 3))
        draw_bar(surface, RECT, shown, SIZES, palette)
        self.pixels = pygame.surfarray.array3d(surface).transpose(1, 0, 2).astype(np.int16)
        self.sheet, self.palette = BarSheet(RECT, shown, SIZES, palette), palette

    def y(self, row: int = 1) -> int:
        """Where the sounds of a row lie."""
        return round(self.sheet.top + (row + 1) * self.sheet.pitch - self.sheet.strokes.row * 0.58)

    def share(self, role: str, first_ms: float, last_ms: float, half: float = 0.1, row: int = 1) -> float:
        """Return the share of columns between two times in which a colour stands at a row's middle."""
        y, tall = self.y(row), round(self.sheet.strokes.row * half)
        left, right = round(self.sheet.x_of(first_ms)), round(self.sheet.x_of(last_ms))
        area = self.pixels[y - tall : y + tall + 1, left:right]
        away = np.stack([np.abs(area - np.int16(getattr(self.palette, name))).sum(axis=2) for name in ROLES])
        return float((away.argmin(axis=0) == ROLES.index(role)).any(axis=0).mean())


@pytest.fixture(params=[DAY, NIGHT], ids=["day", "night"])
def palette(request: pytest.FixtureRequest) -> Palette:
    found: Palette = request.param
    return found


def test_x_is_true_time():
    sheet = BarSheet(RECT, bar(), SIZES, DAY)
    second = sheet.x_of(1000.0) - sheet.x_of(0.0)
    assert second > 100
    for ms in (-1000.0, 500.0, 2000.0, 4000.0):
        assert sheet.x_of(ms) - sheet.x_of(0.0) == pytest.approx(second * ms / 1000)


def test_a_clean_stop_is_a_line_with_an_upright_where_it_was_heard_to_stop(palette: Palette):
    picture = Picture(bar(bass(Damping.CLEAN, 900.0)), palette)
    assert picture.share("written", 10, 890) > 0.97
    assert picture.share("written", 925, 1900) == 0.0
    assert picture.share("rang", -900, 3900, 0.5) == 0.0
    # The upright reaches above and below the line.
    x, tall = round(picture.sheet.x_of(900.0)), picture.sheet.strokes.row
    column = picture.pixels[picture.y() - round(tall * 0.33) : picture.y() + round(tall * 0.33), x]
    blue = np.abs(column - np.int16(palette.written)).sum(axis=1)
    assert (blue < 150).mean() > 0.9


def test_what_is_late_is_a_line_to_the_due_point_and_a_wave_past_it(palette: Palette):
    picture = Picture(bar(bass(Damping.LATE, 1400.0, "+400 ms")), palette)
    assert picture.share("written", 10, 990) > 0.97
    assert picture.share("rang", 0, 990, 0.5) == 0.0
    assert picture.share("rang", 1010, 1400, 0.4) > 0.9
    assert picture.share("written", 1020, 3900, 0.4) == 0.0
    # A wave is not a line: it leaves the middle.
    assert picture.share("rang", 1010, 1400, 0.03) < 0.9
    assert picture.share("rang", 1440, 2200, 0.4) > 0.2  # the figure
    assert picture.share("rang", 2600, 3900, 0.4) == 0.0


def test_what_rings_to_the_end_goes_to_the_edge():
    picture = Picture(bar(bass(Damping.RINGING, None, "to the end")))
    assert picture.share("rang", 3600, 3990, 0.4) > 0.8
    stopped = Picture(bar(bass(Damping.RINGING, 2500.0)))
    assert stopped.share("rang", 2550, 3990, 0.4) == 0.0


def test_what_was_cut_ends_hollow_with_dots_to_the_stop(palette: Palette):
    picture = Picture(bar(bass(Damping.CUT, 400.0)), palette)
    x = round(picture.sheet.x_of(400.0))
    middle = picture.pixels[picture.y(), x]
    assert np.abs(middle - np.int16(palette.paper)).sum() < 60
    assert picture.share("written", 10, 370) > 0.9
    dots = picture.share("written", 480, 980)
    assert 0.15 < dots < 0.85


def test_what_faded_grows_thin():
    picture = Picture(bar(bass(Damping.FADED, 950.0)))
    y = picture.y()

    def thick(ms: float) -> int:
        x = round(picture.sheet.x_of(ms))
        column = picture.pixels[y - 12 : y + 13, x - 3 : x + 4]
        return int((np.abs(column - np.int16(DAY.written)).sum(axis=2) < 200).sum())

    assert thick(150) > thick(450) > thick(800)


def test_ringing_over_from_before_is_a_wave_from_the_edge_and_no_line_of_the_next_note():
    # Begun long before the stretch; its own written length is not shown there.
    shown = bar(bass(Damping.RINGING, -200.0, on_ms=-5000.0), bass(Damping.CLEAN, 990.0))
    picture = Picture(shown)
    assert picture.share("rang", -990, -200, 0.4) > 0.9
    assert picture.share("written", -990, -220, 0.4) == 0.0


def test_a_stray_is_a_wave_with_a_lozenge():
    picture = Picture(bar(bass(None, 2100.0, "600 ms", on_ms=1500.0), wanted=False))
    assert picture.share("rang", 1460, 2100, 0.4) > 0.9
    assert picture.share("written", -900, 3900, 0.5) == 0.0
    x = round(picture.sheet.x_of(1500.0))
    assert np.abs(picture.pixels[picture.y(), x] - np.int16(DAY.paper)).sum() < 60  # hollow


def test_a_note_that_was_not_played_has_a_pencilled_gap():
    gap, played = Picture(bar()), Picture(bar(bass(Damping.CLEAN, 990.0)))
    assert gap.share("pencil", 20, 500, 0.3) > 0.03
    assert played.share("pencil", 20, 500, 0.3) == 0.0


def test_the_written_length_is_a_hairline_over_the_sound_with_a_tick_at_the_stop():
    picture = Picture(bar())
    sheet = picture.sheet
    above = picture.pixels[: picture.y() - 3, round(sheet.x_of(100.0)) : round(sheet.x_of(900.0))]
    rows = (np.abs(above - np.int16(DAY.faint)).sum(axis=2) < 30).mean(axis=1)
    assert (rows > 0.99).sum() in (1, 2, 3)
    x = round(sheet.x_of(DUE))
    hair = int(np.flatnonzero(rows > 0.99)[0])
    tick = picture.pixels[hair : picture.y() + round(sheet.strokes.row * 0.4), x - 2 : x + 3]
    assert (np.abs(tick - np.int16(DAY.ink)).sum(axis=2) < 30).any(axis=1).mean() > 0.95


def written_words(monkeypatch: pytest.MonkeyPatch, shown: Lanes, **more: object) -> list[str]:
    """Return what was written, in order."""
    said: list[str] = []
    real = lettering.words

    def words(text: str, *args: object, **kinds: object) -> lettering.Written:
        said.append(text)
        return real(text, *args, **kinds)  # type: ignore[arg-type]

    monkeypatch.setattr(bar_sheet.lettering, "words", words)
    list(BarSheet(RECT, shown, SIZES, DAY, **more).stamps())  # type: ignore[arg-type]
    return said


def test_notes_are_named_and_a_wrong_one_has_both_names(monkeypatch: pytest.MonkeyPatch):
    wrong = Sound(5, 46, "B♭", 5.0, 980.0, Damping.CLEAN)
    said = written_words(monkeypatch, bar(wrong))
    assert "A" in said
    assert "B♭" in said
    right = written_words(monkeypatch, bar(bass(Damping.CLEAN, 980.0)))
    assert right.count("A") == 1


def test_the_exact_figures_and_the_sentences_are_written(monkeypatch: pytest.MonkeyPatch):
    sentence = "Beat 1: the A on string 5 stopped 400 ms late."
    said = written_words(monkeypatch, bar(bass(Damping.LATE, 1400.0, "+400 ms"), said=(sentence,)))
    assert "+400 ms" in said
    assert sentence in said
    assert {"1", "2", "3"} <= {*said}


def test_a_sentence_is_shown_whole_or_not_at_all():
    long = "Beat 1: the A on string 5 stopped 400 ms late, " + "and so on " * 30
    for said in ((long,), ("Short.", long), (long, "Short.")):
        sheet = BarSheet(RECT, bar(said=said), SIZES, DAY)
        shown = " ".join(sheet.lines)
        assert shown in [" ".join(" ".join(said[:n]).split()) for n in range(len(said) + 1)]


def full(said: tuple[str, ...]) -> Lanes:
    """A bar with something on every string."""
    rows = [
        Lane(
            s, (Wanted(s, 70 - 5 * s, "A", 0.0, DUE, s > 3),), (Sound(s, 70 - 5 * s, "A", 0.0, 990.0, kind),)
        )
        for s in range(1, 7)
        for kind in (Damping.CLEAN if s > 3 else Stroke.RIGHT,)
    ]
    return replace(bar(), lanes=tuple(rows), said=said)


@pytest.mark.parametrize("size", [(1024, 600), (1920, 1080), (3840, 2160)])
@pytest.mark.parametrize(
    "reading", [Reading(), Reading(1.0), Reading(1.2), Reading(text=2.0), Reading(6.0, 700)]
)
def test_in_any_window_the_rows_keep_clear_of_the_sentences_and_all_stays_inside(
    size: tuple[int, int], reading: Reading
):
    sizes = Sizes.of(*size, reading)
    rect = pygame.Rect(0, 0, size[0], round(size[1] * 0.8))
    sheet = BarSheet(rect, full(("Beat 1: the A on string 5 stopped late.", "Second.")), sizes, DAY)
    boxes = [stamp.surface.get_bounding_rect().move(stamp.x, stamp.y) for stamp in sheet.stamps()]
    assert all(rect.contains(box) for box in boxes)
    rows = [lane.string for lane in sheet.plan.lanes]
    assert rows in ([1, 2, 3, 4, 5, 6], [4, 5, 6])  # the strings with a stop are never left out
    assert sheet.pitch >= sheet.strokes.row
    assert sheet.bottom <= rect.bottom
    lines = boxes[len(boxes) - len(sheet.lines) :]
    assert all(one.top > sheet.bottom for one in lines)
    assert not any(one.colliderect(other) for one, other in combinations(lines, 2))


@pytest.mark.parametrize("size", [(1024, 600), (1920, 1080)])
def test_what_must_be_read_has_twenty_minutes_of_arc(size: tuple[int, int]):
    sizes = Sizes.of(*size)
    rect = pygame.Rect(0, 0, size[0], round(size[1] * 0.8))
    sheet = BarSheet(rect, full(("The A stopped late.",)), sizes, DAY)
    assert sheet.sizes.sign >= sizes.px(ESSENTIAL)
    assert sheet.strokes.row >= sizes.px(ESSENTIAL)
    assert sheet.lines == ["The A stopped late."]
    (line,) = list(sheet.stamps())[-1:]
    capital = line.surface.get_bounding_rect().height  # with what hangs below the line
    assert capital >= sizes.px(ESSENTIAL)


def test_nothing_is_drawn_outside_its_rectangle():
    pixels = Picture(bar(bass(Damping.RINGING, None, "to the end"))).pixels
    outside = np.ones(pixels.shape[:2], bool)
    outside[RECT.top : RECT.bottom, RECT.left : RECT.right] = False
    assert (pixels[outside] == (1, 2, 3)).all()


def test_every_bar_of_a_real_take_has_its_sheet():
    take = read_take(ROOT / "recordings" / "02-a-borrowed-umbrella-evening.mid")
    piece = open_piece(find_score(take.meta.digest, []))
    session, _ = replay(take, piece, profile=None, limits=limits_of(take.meta.tolerances))
    drawn = 0
    for number in (1, 2, 3):
        for index in range(len(piece.score.bars)):
            shown = lanes(session, number, index)
            if shown is None:
                continue
            drawn += 1
            sheet = BarSheet(RECT, shown, SIZES, DAY)
            late = [s for lane in shown.lanes for s in lane.sounds if s.kind is Damping.LATE]
            picture = Picture(shown)
            for sound in late:
                if (
                    sound.off_ms is None
                    or not sheet.inside(sound.off_ms)
                    or sound.off_ms > shown.last_ms - 50
                ):
                    continue
                row = [lane.string for lane in sheet.plan.lanes].index(sound.string)
                assert picture.share("rang", sound.off_ms - 60, sound.off_ms, 0.4, row) > 0.5
    assert drawn >= 18
