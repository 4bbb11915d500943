"""What a player reads from the stand: labels of stops, figures, drift, alarms, the half-turned page.

Stamps are looked at one by one: each that should be there is there, whole, and none lies on another.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pygame
import pytest

from coach.core.score import TICKS_PER_QUARTER as Q
from coach.core.score import Score
from coach.core.session import Session
from coach.core.shapes import DriftMark, Foot, MarkKind, NoteMark, Ring, RingState, StopSign
from coach.core.view import Viewer
from coach.core.words import LEAVE_HINT
from coach.files.score_file import read_score
from coach.screen import lettering
from coach.screen.engraving import can_engrave
from coach.screen.lines import lines_for
from coach.screen.names import spelt
from coach.screen.page import Page
from coach.screen.plain_staff import plain_staff
from coach.screen.sheets import summary_sheet
from coach.screen.signs import LETTERS, Sign, half_width, plan_signs
from coach.screen.stamps import Stamp
from coach.screen.theme import DAY, Colour, Sizes
from coach.screen.window import Window
from tests.scores import piece
from tests.test_page import SIZE, long_score, page_of, ring, score, view

SCORES = sorted((Path(__file__).parents[1] / "scores").glob("*.musicxml"))
WINDOWS = [(1024, 600), (1280, 720), (1920, 1080), (3840, 2160)]
PORT_LOST = "“guitar:out” is no longer there; what was played is kept, and listening goes on when it is back."


WRITTEN: dict[int, tuple[str, int, pygame.Surface]] = {}  # by surface: text, height; kept, ids stay theirs


@pytest.fixture(autouse=True)
def written_down(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take down whatever is written, with its surface."""
    original = lettering.words
    WRITTEN.clear()

    def words(text: str, height: int, colour: Colour, *, hand: bool = False) -> lettering.Written:
        found = original(text, height, colour, hand=hand)
        WRITTEN[id(found.surface)] = text, height, found.surface
        return found

    monkeypatch.setattr(lettering, "words", words)


def said(stamp: Stamp, texts: list[str]) -> str:
    """Return which of some texts a stamp writes; empty if none."""
    text = WRITTEN.get(id(stamp.surface), ("", 0, stamp.surface))[0]
    return text if text in texts else ""


def ink_of(stamp: Stamp) -> pygame.Rect:
    """Return the pixels of the page that a stamp's ink reaches."""
    box = stamp.surface.get_bounding_rect()
    if stamp.area is not None:
        box = box.clip(pygame.Rect(stamp.area)).move(-stamp.area[0], -stamp.area[1])
    return box.move(stamp.x, stamp.y)


# --- stop signs -------------------------------------------------------------------------------------


def boxes(sign: Sign, sizes: Sizes) -> list[pygame.Rect]:
    """Return a sign and its label as rectangles; y from the line of signs."""
    half = round(half_width(sizes))
    tall = round(sizes.sign)
    own = pygame.Rect(sign.x - half, -tall // 2, 2 * half, tall)
    return [own, *(line.rect.move(sign.x, 0) for line in sign.lines)]


def check_signs(signs: tuple[Sign, ...], sizes: Sizes, width: int) -> None:
    every = [box for sign in signs for box in boxes(sign, sizes)]
    for one, other in combinations(every, 2):
        assert not one.colliderect(other), (one, other)
    for sign in signs:
        for line in sign.lines:
            assert sizes.margin + sign.x + line.x >= 0
            assert sizes.margin + sign.x + line.rect.right <= width


@pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")
@pytest.mark.parametrize("size", WINDOWS[:3])
@pytest.mark.parametrize("path", SCORES, ids=lambda path: path.stem)
def test_every_wanted_stop_of_the_etudes_has_its_label_and_none_touches_another(
    path: Path, size: tuple[int, int]
):
    read = read_score(path)
    shown = Viewer(Session(read.score)).view(0)
    with Window(read.score, read.xml, size=size, offscreen=True) as window:
        window.show(shown)
        page = window.page
        assert page is not None
        for system, signs in page.layout.signs.items():
            check_signs(signs, page.sizes, size[0])
            dark = page.layout.dark(system)
            staff = page.engraved.systems[system].staff_bottom
            for sign in signs:
                for box in boxes(sign, page.sizes):
                    left, right = max(box.left, 0), max(box.right, 1)
                    inked = np.flatnonzero(dark[:, left:right].any(axis=1))
                    top = staff + page.layout.signs_below + box.top
                    assert not len(inked) or inked[-1] < top, "the music's ink reaches the sign"
        wanted = [stop for stop in shown.stops if stop.wanted]
        assert wanted
        assert all(stop.way for stop in wanted)
        for stop in wanted:
            place = page.layout.places.x_of(stop.tick)
            assert place is not None
            # A bare sign is stopped as the one before it.
            written, way = list[str](), ""
            for sign in page.layout.signs[place[0]]:
                way = " ".join(line.words for line in sign.lines) or way
                if abs(sign.x - place[1]) <= page.sizes.px(9) + 1:
                    written.append(way)
            assert any(text in (stop.way, LETTERS.get(stop.way)) for text in written), (stop, written)


@pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")
@pytest.mark.parametrize("size", WINDOWS[1:3])
def test_the_labels_of_the_etudes_are_large_and_even(size: tuple[int, int]):
    # One size a page where it can be had: labels of three sizes in a line look like three kinds of label.
    heights: Counter[bool] = Counter()
    for path in SCORES:
        read = read_score(path)
        with Window(read.score, read.xml, size=size, offscreen=True) as window:
            window.show(Viewer(Session(read.score)).view(0))
            assert window.page is not None
            sizes = window.page.sizes
            for signs in window.page.layout.signs.values():
                heights.update(line.height >= sizes.sign for sign in signs for line in sign.lines)
    assert heights[True] == heights.total() > 0


def stops_every(quarters: float, count: int, way: str, bars: int = 4) -> tuple[Score, tuple[StopSign, ...]]:
    music = piece("4/4", ", ".join(["A2@5 1, D3@4 1, A2@5 1, D3@4 1"] * bars))
    ticks = [(i + 1) * quarters * Q for i in range(count)]
    return music, tuple(StopSign(t, music.bar_index(t), 5, 0, way, True) for t in ticks)


@pytest.mark.parametrize("way", [*LETTERS, "l.h. touch"])
@pytest.mark.parametrize("quarters", [4.0, 2.0, 1.0, 0.5, 0.25])
def test_however_close_the_stops_no_label_is_left_out_or_lies_on_another(way: str, quarters: float):
    music, stops = stops_every(quarters, round(16 / quarters), way)
    sizes = Sizes.of(*SIZE)
    page = Page(
        music,
        plain_staff(music, sizes.music_width, sizes.space),
        sizes,
        DAY,
        bars=(0, 3),
        title="",
        stops=stops,
    )
    signs = [sign for line in page.layout.signs.values() for sign in line]
    assert len(signs) > (12 if quarters < 1 else round(16 / quarters) - 1)
    for sign in signs:
        letters = {way, LETTERS.get(way, "lh"), ""}  # bare: as the one before
        assert " ".join(line.words for line in sign.lines) in letters
    for line in page.layout.signs.values():
        assert line[0].lines, "every system begins by saying it"
        if quarters >= 0.5:
            check_signs(line, sizes, SIZE[0])
        labels = [one.rect.move(sign.x, 0) for sign in line for one in sign.lines]
        for one, other in combinations(labels, 2):
            assert not one.colliderect(other) or one.y != other.y or abs(one.x - other.x) < 1


def test_the_labels_are_stamped_where_they_were_planned():
    music, stops = stops_every(2.0, 8, "p back")
    page = page_of(music, stops=stops)
    surface = page.base(view(music, stops=stops))
    pixels = pygame.surfarray.array3d(surface).transpose(1, 0, 2).astype(int)
    for system, signs in page.layout.signs.items():
        y = page.layout.signs_y(page.layout.spread(0, 0.0).index(system))
        assert signs[0].lines
        for sign in signs:
            for line in sign.lines:
                box = line.rect.move(page.layout.left + sign.x, y)
                area = pixels[box.top : box.bottom, box.left : box.right]
                assert (area.sum(axis=2) < 200).any(axis=0).mean() > 0.5


def test_a_stop_that_is_not_wanted_has_no_sign():
    music, stops = stops_every(2.0, 8, "p back")
    unwanted = tuple(replace(stop, wanted=False) for stop in stops)
    page = page_of(music, stops=unwanted)
    assert plan_signs(unwanted, page.layout.places, page.layout.systems, page.sizes) == {}


# --- rows, strays, figures --------------------------------------------------------------------------


def test_a_strays_lozenge_keeps_clear_of_the_signs():
    music, stops = stops_every(2.0, 8, "p plant")
    page = page_of(music, stops=stops)
    # Three strings more than the score has: the rows are squeezed as far as they ever are.
    for strings in ((3,), (3, 2), (3, 2, 1)):
        rings = tuple(Ring(s, 2.0 * Q, 3.0 * Q, None, RingState.STRAY, False, True, 0) for s in strings)
        found = [s for s in page.stamps(view(music, rings=rings, stops=stops)) if s.area is None]
        top = min(ink_of(stamp).top for stamp in found if ink_of(stamp).top > page.layout.signs_y(0) - 5)
        lane = page.layout.signs_y(0) + page.sizes.sign / 2
        assert top > lane, strings


@pytest.mark.parametrize("end", [1.2, 1.6, 2.5, 5.0])
@pytest.mark.parametrize("size", WINDOWS[1:3])
def test_a_late_stop_always_has_its_figure(end: float, size: tuple[int, int]):
    # Only a beat before the string is played again: the figure then breaks the line or the wave.
    music = piece("4/4", "A2@5 1, - 1, A2@5 1, - 1, D3@4 4")
    page = page_of(music, size=size)
    for due in (1.0, 3.0):
        late = ring(RingState.LATE, min(end, 2.0) - 1 + due, start_tick=(due - 1) * Q, slot_end_tick=due * Q)
        late = replace(late, note=0 if due == 1.0 else 1)
        bare = page.stamps(view(music, rings=(late,)))
        worded = page.stamps(view(music, rings=(replace(late, words="+240 ms"),)))
        new = [stamp for stamp in worded if stamp not in bare]
        assert any(said(stamp, ["+240 ms", "+240"]) for stamp in new), (end, due)


def test_a_figure_at_twenty_minutes_of_arc_where_there_is_room():
    page = page_of(score())
    stamps = page.stamps(view(page.score, rings=(ring(RingState.LATE, 2.0, words="+240 ms"),)))
    (figure,) = [stamp for stamp in stamps if said(stamp, ["+240 ms"])]
    large = lettering.words("+240 ms", round(0.97 * page.sizes.sign), DAY.rang, hand=True)
    assert figure.surface.get_height() >= large.surface.get_height()


def test_a_ring_carried_into_bars_that_are_taken_has_its_figure_at_its_stop():
    music = long_score(8)  # A on string 5 at the start of every bar: the next system begins with one
    page = page_of(music)
    first, second = page.layout.systems[:2]
    last = max(i for i in range(8) if page.layout.places.system_of(i) == first)
    row = int(np.flatnonzero(music.notes["bass"] & (music.notes["bar"] == last))[0])
    onset = float(music.notes["onset"][row])
    end = float(music.bars[last + 1].onset)
    carried = Ring(5, onset, end, onset + 2 * Q, RingState.RINGING, False, True, last, "+1400 ms", row)
    stamps = page.stamps(view(music, rings=(carried,)))
    (figure,) = [stamp for stamp in stamps if said(stamp, ["+1400 ms", "+1400"])]
    above = page.layout.slot_top(page.layout.spread(0, 0.0).index(second))
    assert figure.rect.bottom < above
    due = page.layout.places.x_of(onset + 2 * Q)
    assert due is not None
    assert figure.rect.left > page.layout.left + due[1]


# --- drift ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("drift_ms", [50.0, -50.0])
def test_drift_in_words_never_goes_without_its_direction(drift_ms: float):
    behind = drift_ms > 0
    full, short = ("50 ms behind", "50 late") if behind else ("50 ms ahead", "50 early")
    found = set()
    for bars, size in ((2, (1920, 1080)), (8, (1280, 720)), (40, (1280, 720))):
        music = piece("2/4", ", ".join(["A2@5 1, D3@4 1"] * bars))
        page = page_of(music, size=size)
        for bar in range(3):
            bare = page.stamps(view(music))
            mark = DriftMark(bar, drift_ms, 0.0, full)
            new = [s for s in page.stamps(view(music, drifts=(mark,))) if s not in bare]
            texts = {said(stamp, [full, short, "50 ms", "50"]) for stamp in new} - {""}
            assert texts <= {full, short}
            found |= texts
    assert full in found
    narrow = page_of(piece("2/4", "A2@5 1, D3@4 1"))
    left = 100.0
    for room, text in ((900.0, full), (140.0, short)):
        (written,) = narrow.marks._drift_words(DriftMark(0, drift_ms, 0.0, full), left, left + room, 300)
        assert said(written, [full, short]) == text
        assert written.rect.right <= left + room


# --- the foot ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", WINDOWS)
@pytest.mark.parametrize(
    "port", [PORT_LOST, PORT_LOST + " " + PORT_LOST, "gone"], ids=["long", "twice", "short"]
)
def test_an_alarm_is_whole_and_takes_the_line(size: tuple[int, int], port: str):
    page = page_of(score(), size=size)
    foot = Foot(
        chunk="bars 101–104",
        tempo="♩ = 58",
        tally=3,
        next_stop="next: stop ⑤ at the D, thumb back",
        message="Bar 3, beat 2: the A on string 5 was stopped late (+240 ms).",
        port=port,
        alarm=True,
    )
    stamps = page.foot.stamps(foot)
    lines = []
    for stamp in stamps:
        text = WRITTEN.get(id(stamp.surface), ("", 0, stamp.surface))[0]
        if text and text in port:
            lines.append((stamp.y, text))
            box = ink_of(stamp)
            assert page.sizes.margin - 3 <= box.left
            assert box.right <= size[0] - page.sizes.margin
            assert size[1] - page.sizes.foot - page.sizes.quiet <= box.top < box.bottom <= size[1]
    assert " ".join(text for _, text in sorted(lines)) == port
    for stamp in stamps:
        assert not said(stamp, [foot.next_stop, foot.message])
    for number, one in enumerate(stamps):
        assert ink_of(one).collidelist([ink_of(other) for other in stamps[number + 1 :]]) == -1


def test_without_an_alarm_the_message_has_the_line():
    page = page_of(score())
    foot = Foot(message="One sentence.", port="guitar heard")
    assert [said(s, ["One sentence.", "guitar heard"]) for s in page.foot.stamps(foot)] == [
        "One sentence.",
        "guitar heard",
    ]


# --- names of notes ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "written"), [("Ab", "A♭"), ("C#", "C♯"), ("B", "B"), ("Bb", "B♭"), ("E♭", "E♭")]
)
def test_notes_are_spelt_with_the_signs_of_the_trade(name: str, written: str):
    assert spelt(name) == written


def test_a_flat_does_not_look_like_a_b():
    flat, letter = (lettering.words(t, 40, DAY.ink, hand=True) for t in ("A♭", "Ab"))
    # The sign stands higher: its foot is well above the line that the letter stands on.
    low = flat.surface.subsurface((flat.width * 3 // 4, 0, flat.width // 4, flat.surface.get_height()))
    assert flat.baseline - low.get_bounding_rect().bottom > 4
    low = letter.surface.subsurface(
        (letter.width * 3 // 4, 0, letter.width // 4, letter.surface.get_height())
    )
    assert letter.baseline - low.get_bounding_rect().bottom < 4


@pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")
@pytest.mark.parametrize("path", SCORES, ids=lambda path: path.stem)
def test_the_name_of_a_wrong_note_lies_on_no_number_beam_or_head(path: Path):
    read = read_score(path)
    music = read.score
    with Window(music, read.xml, size=SIZE, offscreen=True) as window:
        window.show(Viewer(Session(music)).view(0))
        page = window.page
        assert page is not None
        crossed = tried = 0
        for row in range(0, len(music.notes), 2):
            bar = int(music.notes["bar"][row])
            system = page.layout.places.system_of(bar)
            assert system is not None
            mark = NoteMark(MarkKind.WRONG, float(music.notes["onset"][row]), bar, 56, True, row, "A♭")
            stamps = page.marks.note(mark, {system: 0})
            if len(stamps) < 2:
                continue
            box = ink_of(stamps[1]).move(-page.layout.left, -page.layout.system_y(0, system))
            assert box.collidelist(page.marks._numbers(system)) == -1
            shown, space = page.engraved.systems[system], page.engraved.space
            for top in range(max(box.top, 0), box.bottom):
                line = (top - shown.staff_top) / space
                if abs(line - round(line)) * space < 0.2 * space and 0 <= round(line) <= 4:
                    continue  # a staff line
                if page.layout.dark(system)[top : top + 1, box.left : box.right].any():
                    crossed += 1
                    break
            tried += 1
        assert tried > 5
        assert crossed <= 0.05 * tried


# --- lines and turns --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bars", "lines"), [(1, 1), (4, 1), (5, 1), (6, 2), (8, 2), (10, 2), (12, 3), (13, 3), (16, 4), (24, 6)]
)
def test_three_to_five_bars_stand_on_a_line(bars: int, lines: int):
    assert lines_for(bars) == lines
    assert 3 <= bars / lines <= 5 or bars < 3


@pytest.mark.skipif(not can_engrave(), reason="verovio or resvg is not installed")
@pytest.mark.parametrize("size", WINDOWS[:3])
@pytest.mark.parametrize("path", SCORES, ids=lambda path: path.stem)
def test_the_etudes_stand_large_and_two_systems_to_a_page(path: Path, size: tuple[int, int]):
    read = read_score(path)
    with Window(read.score, read.xml, size=size, offscreen=True) as window:
        window.show(Viewer(Session(read.score)).view(0))
        assert window.page is not None
        layout = window.page.layout
        counts = [len(layout.engraved.systems[s].bars) for s in layout.systems]
        assert max(counts) <= 5
        assert max(counts) - min(counts) <= 1
        assert layout.slots == 2


def turned(music: Score, page: Page) -> tuple[int, float]:
    """Return a performed bar and tick at which the page is half turned."""
    for index, bar in enumerate(music.bars):
        for tick in (float(bar.onset), float(bar.end - Q)):
            if page.layout.ahead(page.layout.spread(index, tick), index):
                return index, tick
    raise AssertionError("the page is never half turned")


def test_a_half_turned_page_is_light_above_and_ruled():
    music = long_score()
    page = page_of(music)
    bar, tick = turned(music, page)
    spread = page.layout.spread(bar, tick)
    assert spread[0] is not None
    assert spread[1] is not None
    assert spread[0] > spread[1] == page.layout.places.system_of(bar)
    assert page.layout.ahead(spread, bar) == {spread[0]}
    surface = page.base(view(music, bar=bar, tick=tick))
    pixels = pygame.surfarray.array3d(surface).transpose(1, 0, 2).astype(int)
    split = round(page.layout.slot_top(1) - page.layout.gap / 2)
    pencil, ink = sum(DAY.pencil), sum(DAY.ink)

    def darkest(slot: int) -> int:
        top = page.layout.staff_y(slot)
        rows = pixels[round(top) - 2 : round(top + page.layout.staff) + 2, 40 : SIZE[0] - 150]
        return int(rows.sum(axis=2).min())

    assert darkest(0) >= pencil - 6
    assert darkest(1) <= ink + 6
    ruled = pixels[split - 3 : split + 4, page.sizes.margin : SIZE[0] - page.sizes.margin].sum(axis=2)
    assert (ruled < 450).any(axis=0).mean() > 0.97
    # When the player has come to the top it is in ink.
    coming = next(i for i in range(bar, len(music.bars)) if page.layout.places.system_of(i) == spread[0])
    arrived = page.base(view(music, bar=coming, tick=float(music.bars[coming].onset)))
    assert arrived is not surface
    pixels = pygame.surfarray.array3d(arrived).transpose(1, 0, 2).astype(int)
    assert darkest(0) <= ink + 6


def test_what_reads_downwards_is_neither_ruled_nor_light():
    music = long_score()
    layout = page_of(music).layout
    for index, bar in enumerate(music.bars):
        spread = layout.spread(index, float(bar.onset))
        known = [s for s in spread if s is not None]
        if known == sorted(known):
            assert layout.broken(spread) is None
            assert layout.ahead(spread, index) == frozenset()


def test_the_next_page_is_ready_in_both_lights():
    music = long_score()
    page = page_of(music)
    bar, _ = turned(music, page)
    now = view(music, bar=bar, tick=float(music.bars[bar].onset))
    page.base(now)
    for _ in range(200):
        if not page.prepare(now):
            break
    known = set(map(id, page._bases.values()))
    spread = page.layout.next_spread(bar)
    coming = next(i for i in range(bar, len(music.bars)) if page.layout.places.system_of(i) == spread[0])
    late = float(music.bars[bar].end - 1)
    assert id(page.base(view(music, bar=bar, tick=late))) in known
    assert id(page.base(view(music, bar=coming, tick=float(music.bars[coming].onset)))) in known


# --- title and summary ------------------------------------------------------------------------------


@pytest.mark.parametrize("size", WINDOWS)
def test_the_title_has_a_margin(size: tuple[int, int]):
    page = page_of(score(), size=size)
    (title,) = page.still.heading()
    assert ink_of(title).top >= page.sizes.px(4)
    assert ink_of(title).bottom <= page.sizes.head


@pytest.mark.parametrize("size", WINDOWS)
def test_the_summary_says_how_to_leave_it(size: tuple[int, int]):
    from tests.test_sheets import LONG, SHORT, inked

    sizes = Sizes.of(*size)
    for summary in (SHORT, LONG):
        ink = inked(summary_sheet(summary, sizes, DAY), DAY)
        foot = ink[-round(sizes.margin * 1.2) :]
        hint = lettering.words(LEAVE_HINT, round(sizes.quiet * 0.85), DAY.pencil)
        columns = np.flatnonzero(foot.any(axis=0))
        assert columns.max() - columns.min() == pytest.approx(hint.width, abs=6)
        above = ink[: -round(sizes.margin * 1.2)].any(axis=1)
        assert size[1] - round(sizes.margin * 1.2) - np.flatnonzero(above).max() > sizes.quiet * 0.3
