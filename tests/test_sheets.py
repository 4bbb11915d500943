"""The summary and the sheet of keys: everything inside the page, at every size."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pygame
import pytest

from coach.core.shapes import RingState, Summary, SummaryRow
from coach.core.ways import Way
from coach.core.words import WAY_LETTER
from coach.screen import page_words, sheets
from coach.screen.samples import WIDE, Samples
from coach.screen.sheets import Writer, help_plan, help_sheet, summary_sheet, wrapped
from coach.screen.stamps import Stamp
from coach.screen.theme import DAY, NIGHT, Palette, Reading, Sizes, arc_minutes

SIZES = [(1024, 600), (1280, 720), (1920, 1080), (3840, 2160)]
KEYS = {
    "play": page_words.PLAY_KEYS,
    "review": page_words.REVIEW_KEYS,
    "studio": page_words.STUDIO_KEYS,
    "drill": page_words.DRILL_KEYS,
}
SHORT = Summary("An Evening", ("All was clean.", "Play it again a little faster."), ())
ROW = SummaryRow(
    "112", "3½", 5, "stopped late", "+1240 ms", "play the new bass, then lay the thumb back " * 3
)
LONG = Summary(
    "A Title of Some Length for an Étude of Eight Bars",
    (
        *("One sentence that goes on for rather longer than a sentence on a page should. " * 2,) * 3,
        "Play bars 111–112 slowly, three clean times in a row: " + ROW.advice,
    ),
    (ROW,) * 6,
)


def inked(surface: pygame.Surface, palette: Palette) -> np.ndarray:
    pixels = pygame.surfarray.array3d(surface).transpose(1, 0, 2).astype(int)
    return np.abs(pixels - np.array(palette.paper)).sum(axis=2) > 30


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
@pytest.mark.parametrize("summary", [SHORT, LONG], ids=["short", "long"])
def test_a_summary_stays_inside_its_page(size: tuple[int, int], palette: Palette, summary: Summary):
    sizes = Sizes.of(*size)
    ink = inked(summary_sheet(summary, sizes, palette), palette)
    assert ink.shape == (size[1], size[0])
    ys, xs = np.nonzero(ink)
    edge = sizes.margin // 2
    assert edge < xs.min() < xs.max() < size[0] - edge
    assert edge < ys.min() < ys.max() < size[1] - edge // 2


def test_each_stop_to_mend_adds_a_line():
    sizes = Sizes.of(1920, 1080)
    row = SummaryRow("3", "2", 5, "rang on", "+240 ms", "lay the thumb back")

    def lines(rows: int) -> int:
        summary = Summary("Title", ("One.",), (row,) * rows)
        table = inked(summary_sheet(summary, sizes, DAY), DAY)[:, : sizes.width // 4].any(axis=1)
        return int((np.diff(np.concatenate(([0], table.astype(int)))) == 1).sum())

    assert lines(3) - lines(1) == 2


CROWDED = Summary(
    "A Borrowed Umbrella",
    (
        "10 of 12 notes were right, and 4 of 9 stops came in time.",
        "Mend first bar 3, beat 2: the A on string 5 rang on past bar 4, beat 1.",
        "Play bars 3–4 slowly, three clean times in a row: lay the thumb straight back on string 5.",
    ),
    (SummaryRow("3", "2", 5, "rang on", "+240 ms", "lay the thumb back"),) * 6,
    more="and 2 more, in the review. Also: 1 wrong note.",
    caution="Warm up first, rest ten minutes every hour, and stop at once if anything hurts.",
    hidden=2,
    also="Also: 1 wrong note.",
)


def written(summary: Summary, sizes: Sizes, monkeypatch: pytest.MonkeyPatch) -> tuple[str, int]:
    """Return what a summary finally says, and how many rows it has."""
    lines: list[str] = []

    def words(writer: Writer, text: str, *how: object, **more: object) -> int:
        if not writer.stamps:  # it is begun anew, smaller or with less
            lines.clear()
        lines.append(text)
        return real(writer, text, *how, **more)  # type: ignore[arg-type]

    real = Writer.words
    with monkeypatch.context() as patched:
        patched.setattr(Writer, "words", words)
        summary_sheet(summary, sizes, DAY)
    return " ".join(lines), lines.count("+240 ms")


def test_where_all_fits_all_is_said(monkeypatch: pytest.MonkeyPatch):
    said, rows = written(CROWDED, Sizes.of(1920, 1080), monkeypatch)
    assert rows == 6
    assert CROWDED.more in said
    assert CROWDED.caution in said


def test_the_caution_goes_before_any_stop_and_what_has_no_row_is_counted(monkeypatch: pytest.MonkeyPatch):
    sizes = Sizes.of(1280, 720, Reading(text=1.4))
    said, rows = written(CROWDED, sizes, monkeypatch)
    assert CROWDED.caution not in said
    assert 0 < rows < 6
    assert f"and {8 - rows} more, in the review. Also: 1 wrong note." in said
    assert CROWDED.sentences[1] in said
    # With no more rows than had room, all of them are kept without the caution.
    fewer = replace(CROWDED, rows=CROWDED.rows[:rows])
    said, kept = written(fewer, sizes, monkeypatch)
    assert kept == rows
    assert CROWDED.more in said
    assert CROWDED.caution not in said


def test_the_three_sentences_alone_are_whole_and_clear_of_the_hint(monkeypatch: pytest.MonkeyPatch):
    sizes = Sizes.of(1024, 600, Reading(text=2.0))
    said, rows = written(CROWDED, sizes, monkeypatch)
    assert rows == 0
    assert all(sentence in said for sentence in CROWDED.sentences)
    assert "and 7 more, in the review. Also: 1 wrong note." in said  # the first of the eight is in a sentence
    ink = inked(summary_sheet(CROWDED, sizes, DAY), DAY)
    hint = ink[-round(sizes.margin * 1.3) :].any(axis=0)
    assert not hint[: sizes.width // 2].any()


@pytest.mark.parametrize("keys", KEYS.values(), ids=KEYS)
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("reading", [Reading(1.0), Reading(6.0, 700.0)])
def test_the_sheet_of_keys_and_marks_stays_inside_its_page(
    size: tuple[int, int], reading: Reading, keys: tuple[tuple[str, str], ...]
):
    sizes = Sizes.of(*size, reading)
    ys, xs = np.nonzero(inked(help_sheet(sizes, DAY, keys), DAY))
    assert xs.min() > 5
    assert xs.max() < size[0] - 5
    assert ys.min() > 5
    assert ys.max() < size[1] - 5


@pytest.mark.parametrize("keys", KEYS.values(), ids=KEYS)
@pytest.mark.parametrize("distance_m", [1.0, 2.0])
def test_the_sheet_is_written_in_no_less_than_sixteen_minutes_of_arc_at_one_metre(
    distance_m: float, keys: tuple[tuple[str, str], ...]
):
    plan = help_plan(Sizes.of(1920, 1080, Reading(distance_m)), keys)
    # ISO 9241-3's minimum, on a screen 300 mm high.
    assert arc_minutes(plan.height * 300 / 1080, 1.0) >= 16


@pytest.mark.parametrize("size", [(1024, 600), (1920, 1080)])
@pytest.mark.parametrize("reading", [Reading(1.0), Reading(2.0)])
def test_nothing_on_the_sheet_meets_anything_else(
    size: tuple[int, int], reading: Reading, monkeypatch: pytest.MonkeyPatch
):
    kept: list[list[Stamp]] = []
    monkeypatch.setattr(sheets, "paint", lambda surface, stamps: kept.append(list(stamps)))
    help_sheet(Sizes.of(*size, reading), DAY, page_words.DRILL_KEYS)
    plan = help_plan(Sizes.of(*size, reading), page_words.DRILL_KEYS)
    # Words keep clear of the next column, and of the words beside and below them.
    columns: list[list[pygame.Rect]] = [[], [], []]
    for stamp in kept[0]:
        ink = stamp.surface.get_bounding_rect().move(stamp.x, stamp.y)
        if stamp.area is not None:
            ink = stamp.rect
        columns[sum(ink.centerx >= x - plan.height for x in plan.xs[1:])].append(ink)
    for one, after in pairwise(columns):
        assert max(rect.right for rect in one) < min(rect.left for rect in after)
    for i, (x, first, room) in enumerate(zip(plan.xs, plan.firsts, plan.rooms, strict=True)):
        words = [rect for rect in columns[i] if rect.left >= x + first - 2]
        assert len(words) >= (len(page_words.DRILL_KEYS), len(page_words.ROW_MARKS), 13)[i]
        assert max(rect.right for rect in words) <= x + first + room + 1
        examples = [rect for rect in columns[i] if rect not in words]
        assert max(rect.right for rect in examples) < x + first
        assert all(len(rect.collidelistall(words)) == 1 for rect in words)


def test_the_sheet_explains_every_sign_of_the_page():
    """Whatever a page can show has its line."""
    rows = {kind for kind, _ in page_words.ROW_MARKS}
    never_shown = {RingState.SOUNDING, RingState.OVERDUE, RingState.REPLACED}  # their lines have no sign
    assert rows >= {state.value for state in RingState if state not in never_shown}
    stops = {what for what, _ in page_words.STOP_MARKS}
    assert {"missing", "extra", "damp", "alone", "here", "unsure"} <= stops
    assert {WAY_LETTER[way] for way in Way} == {WAY_LETTER[way] for way in stops if isinstance(way, Way)}


@pytest.mark.parametrize("kind", [kind for kind, _ in (*page_words.ROW_MARKS, *page_words.STOP_MARKS)])
def test_every_mark_has_an_example_that_fits_its_column(kind: object):
    if isinstance(kind, Way) or kind == "alone":
        return
    sizes = Sizes.of(1920, 1080)
    found = Samples(sizes, DAY, 23).stamps(str(kind), 100, 100)
    ink = [stamp.surface.get_bounding_rect().move(stamp.x, stamp.y) for stamp in found if stamp.area is None]
    assert max(rect.right for rect in ink) < 100 + WIDE * 23


def test_an_unknown_mark_has_no_example():
    with pytest.raises(KeyError):
        Samples(Sizes.of(1920, 1080), DAY, 23).stamps("loud", 100, 100)


def test_lines_are_broken_between_words():
    text = "play the new bass as a rest stroke"
    broken = list(wrapped(text, 260, 20, DAY.ink))
    assert len(broken) > 1
    assert " ".join(broken) == text
    assert list(wrapped("", 260, 20, DAY.ink)) == []
