"""A take looked back at in a real window, by keyboard alone and with the mouse.

What stands on the screen of an X server of our own is compared, pixel by pixel, with what the same leaf is
offscreen: the test presses the key in the window and the same action in a model of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from coach.app.look_back import LEAF_OF, LookBack
from coach.app.piece import open_piece
from coach.app.replay import look_back, steer
from coach.app.review import judged_beside
from coach.app.sitting import limits_of
from coach.files.take import read_take
from coach.screen.keys import Action
from coach.screen.page_words import REVIEW_KEYS
from coach.screen.review_window import Asked, ReviewWindow
from coach.screen.ruler import RulerPainter
from coach.screen.scene import Leaf
from coach.screen.sheets import help_sheet
from coach.screen.theme import DAY, NIGHT, Reading, Sizes
from tests.harness import (
    ROOT,
    Display,
    Picture,
    Program,
    differs,
    display_of,
    missing,
    picture_of,
    program,
)

TAKE = ROOT / "recordings" / "02-a-borrowed-umbrella-evening.mid"
EARLIER = ROOT / "recordings" / "02-a-borrowed-umbrella-prepared.mid"
SCORE = ROOT / "scores" / "02-a-borrowed-umbrella.musicxml"
SIZE = (1280, 720)
SMALL, LARGE = (1024, 600), (3840, 2160)
ACTION_OF = {leaf: action for action, leaf in LEAF_OF.items()}
KEY_OF = {leaf: str(number) for number, leaf in enumerate(Leaf, 1)}
TABLE = 1.2  # metres: how far a take is looked back at from, unless it is said

pytestmark = pytest.mark.skipif(
    missing("xdotool", "Xvfb") is not None, reason="needs xdotool and Xvfb (apt-get install xdotool xvfb)"
)


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """Environment of all windows here: engraved pages are kept in one place, also the test's own."""
    kept = {"XDG_CACHE_HOME": str(tmp_path_factory.mktemp("cache"))}
    with pytest.MonkeyPatch.context() as patch:
        for key, value in kept.items():
            patch.setenv(key, value)
        yield kept


@pytest.fixture(scope="module")
def display(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Display]:
    with display_of(tmp_path_factory.mktemp("frames"), *LARGE) as shown:
        yield shown


def looked_back(*, beside: bool = False) -> LookBack:
    """The take, standing still at its very beginning, as after the keys space and r."""
    take, piece = read_take(TAKE), open_piece(SCORE)
    other = judged_beside(EARLIER, piece, level=None, profile=None) if beside else None
    found = look_back(take, piece, profile=None, limits=limits_of(take.meta.tolerances), other=other)
    found.press(Action.PAUSE)
    found.press(Action.RESTART)
    return found


def offscreen(
    found: LookBack, size: tuple[int, int], *, night: bool = False, reading: Reading | None = None
) -> ReviewWindow:
    piece = found.rewind.piece
    return ReviewWindow(
        piece.score, piece.xml, found.ruler, size=size, night=night, offscreen=True,
        reading=reading or Reading(distance_m=TABLE),
    )  # fmt: skip


class Pair:
    """The program's window, and offscreen what it ought to show."""

    def __init__(self, running: Program, found: LookBack, window: ReviewWindow) -> None:
        self.running, self.found, self.window = running, found, window

    def wanted(self) -> Picture:
        self.window.show(self.found.scene())
        return picture_of(self.window.stage.surface)

    def same(self, name: str, *, moved: bool = False) -> Picture:
        """Wait until the screen shows what it ought to; ``moved``: the window is no longer in its corner."""
        wanted = self.wanted()
        # SDL moves a window that fills the screen, or no longer does; it is fetched back until it stays.
        if not self.running.comes(lambda shown: np.array_equal(shown, wanted), 10, fetch=moved):
            raise AssertionError(differs(self.running.shown, wanted, self.running.folder, name))
        return wanted

    def press(self, key: str, action: Action) -> Picture:
        """Press a key here and its action there; both must come to show the same."""
        self.running.press(key)
        steer(self.found, Asked(action))
        return self.same(f"{self.found.leaf.value}-after-{key}")


@pytest.fixture
def opened(display: Display, shared: dict[str, str], tmp_path: Path) -> Iterator[Pair]:
    """The take beside an earlier one in a window, standing still at its beginning."""
    found = looked_back(beside=True)
    words = ("review", str(TAKE), "--window", "--with", str(EARLIER))
    with (
        program(display, tmp_path, *words, size=SIZE, env=shared) as running,
        offscreen(found, SIZE) as window,
    ):
        running.press("space", "r")
        pair = Pair(running, found, window)
        pair.same("opened")
        yield pair


def test_every_leaf_is_reached_by_its_number_and_left_by_it_again(opened: Pair):
    page = opened.wanted()
    seen = [page]
    for key, action in (
        ("2", Action.LEAF_BAR),
        ("3", Action.LEAF_ALL),
        ("4", Action.LEAF_TWO),
        ("5", Action.LEAF_DRIFT),
        ("6", Action.LEAF_WORDS),
    ):
        leaf = opened.press(key, action)
        assert not any(np.array_equal(leaf, other) for other in seen)
        seen.append(leaf)
    assert np.array_equal(opened.press("1", Action.LEAF_PAGE), page)
    for key, action in (("3", Action.LEAF_ALL), ("Return", Action.LEAF_BAR)):
        assert not np.array_equal(opened.press(key, action), page)
        assert np.array_equal(opened.press(key, action), page)
    opened.running.leave("Escape")


STEPS = (
    ("Right", Action.NEXT_BAR), ("Next", Action.NEXT_BAR), ("Right", Action.NEXT_BAR),
    ("Left", Action.PREV_BAR), ("Prior", Action.PREV_BAR),
    ("n", Action.NEXT_FAULT), ("Tab", Action.NEXT_FAULT), ("b", Action.PREV_FAULT),
    ("p", Action.NEXT_PASS), ("p", Action.NEXT_PASS), ("o", Action.PREV_PASS),
    ("Home", Action.RESTART),
)  # fmt: skip


def test_bars_faults_and_passes_by_key(opened: Pair):
    start = opened.wanted()
    before = start
    for key, action in STEPS:
        now = opened.press(key, action)
        assert not np.array_equal(now, before), f"{key} changes nothing"
        before = now
    assert np.array_equal(before, start)
    opened.running.leave("q")


def test_on_another_leaf_the_keys_move_its_own_picture(opened: Pair):
    upper = slice(0, round(SIZE[1] * 0.7))  # not only the ruler's playhead
    for leaf, keys in (
        (Leaf.BAR, (("p", Action.NEXT_PASS), ("Right", Action.NEXT_BAR))),
        (Leaf.ALL, (("p", Action.NEXT_PASS),)),
        (Leaf.TWO, (("o", Action.PREV_PASS), ("c", Action.OTHER_PASS))),
        (Leaf.DRIFT, (("o", Action.PREV_PASS), ("c", Action.OTHER_PASS))),
    ):
        before = opened.press(KEY_OF[leaf], ACTION_OF[leaf])
        for key, action in keys:
            now = opened.press(key, action)
            assert not np.array_equal(now[upper], before[upper]), f"{leaf.value}: {key} changes nothing"
            before = now
    opened.press("1", Action.LEAF_PAGE)
    # From the page c opens the leaf of two, and then goes on to every other pass.
    opened.press("p", Action.NEXT_PASS)
    seen = [opened.press("c", Action.OTHER_PASS)]
    assert opened.found.leaf is Leaf.TWO
    for _ in range(2):  # there are the earlier day's only pass, and two more of this take
        now = opened.press("c", Action.OTHER_PASS)
        assert not any(np.array_equal(now, other) for other in seen)
        seen.append(now)
    assert np.array_equal(opened.press("c", Action.OTHER_PASS), seen[0])
    opened.running.leave("Escape")


def test_space_plays_and_pauses(opened: Pair):
    running = opened.running
    running.press("space")
    first = running.changes(running.shown)
    running.changes(running.changes(first))
    running.press("space")
    still = running.steady()
    # The lamp, there and back, takes a moment in which a playhead that still moved would move on.
    running.press("l")
    assert running.comes(lambda shown: bool(shown[2, 2] == packed(NIGHT.paper)))
    running.press("l")
    assert running.comes(lambda shown: np.array_equal(shown, still))
    opened.running.leave("Escape")


def packed(colour: tuple[int, int, int]) -> int:
    red, green, blue = colour
    return red << 16 | green << 8 | blue


def test_lamp_help_and_full_screen_come_and_go(opened: Pair):
    running, day = opened.running, opened.wanted()
    running.press("l")
    with offscreen(opened.found, SIZE, night=True) as window:
        night = Pair(running, opened.found, window).same("night")
        assert night[2, 2] == packed(NIGHT.paper)
        running.press("2")
        opened.found.press(Action.LEAF_BAR)
        Pair(running, opened.found, window).same("night-bar")
    running.press("2", "l")
    opened.found.press(Action.LEAF_BAR)
    assert np.array_equal(opened.same("day again"), day)
    sheet = picture_of(help_sheet(Sizes.of(*SIZE, Reading(distance_m=TABLE)), DAY, REVIEW_KEYS))
    for there, back in (("F1", "F1"), ("question", "Escape"), ("h", "question")):
        running.press(there)
        assert running.comes(lambda shown: np.array_equal(shown, sheet)), there
        running.press(back)
        assert np.array_equal(opened.same(f"after {back}"), day)
    for key in ("f", "F11"):
        running.press(key)
        running.turned(*LARGE)  # the screen's
        with offscreen(opened.found, LARGE) as window:
            Pair(running, opened.found, window).same("full screen", moved=True)
        running.press(key)
        running.turned(*SIZE)
        assert np.array_equal(opened.same("window again", moved=True), day)
    opened.running.leave("Escape")


def test_resized_every_leaf_is_laid_out_anew(opened: Pair):
    for size in (SMALL, LARGE):
        opened.running.resize(*size)
        with offscreen(opened.found, size) as window:
            pair = Pair(opened.running, opened.found, window)
            pair.same(f"{size}")
            for leaf in Leaf:
                pair.press(KEY_OF[leaf], ACTION_OF[leaf])
            opened.found.press(Action.LEAF_WORDS)
            opened.running.press(KEY_OF[Leaf.WORDS])
            pair.same("page")
    opened.running.resize(*SIZE)
    opened.same("as before")
    opened.running.leave("Escape")


def test_text_twice_as_large(display: Display, shared: dict[str, str], tmp_path: Path):
    found, size = looked_back(), (1920, 1080)
    words = ("review", str(TAKE), "--window", "--text", "2")
    with (
        program(display, tmp_path, *words, size=size, env=shared) as running,
        offscreen(found, size, reading=Reading(distance_m=TABLE, text=2.0)) as window,
        offscreen(found, size) as usual,
    ):
        pair = Pair(running, found, window)
        running.press("space", "r")
        pair.same("large")
        usual.show(found.scene())
        assert not np.array_equal(pair.wanted(), picture_of(usual.stage.surface))
        for leaf in Leaf:
            pair.press(KEY_OF[leaf], ACTION_OF[leaf])
        running.leave("Escape")


def test_it_opens_at_the_leaf_and_the_pass_that_were_asked_for(
    display: Display, shared: dict[str, str], tmp_path: Path
):
    found = looked_back()
    words = ("review", str(TAKE), "--window", "--leaf", "drift", "--pass", "2", "--night")
    with (
        program(display, tmp_path, *words, size=SIZE, env=shared) as running,
        offscreen(found, SIZE, night=True) as window,
    ):
        found.press(Action.LEAF_DRIFT)
        found.choose(2)
        running.press("space")
        upper = slice(0, SIZE[1] // 2)  # the ruler's playhead has moved on
        window.show(found.scene())
        wanted = picture_of(window.stage.surface)
        assert running.comes(lambda shown: np.array_equal(shown[upper], wanted[upper]))
        assert running.display.ask("getwindowname", running.window) == "A Borrowed Umbrella"
        running.leave("q")


def test_the_mouse_scrubs_chooses_and_opens_leaves(opened: Pair):
    running, found, window = opened.running, opened.found, opened.window
    band, names = window._band, window._name_rects
    ruler = RulerPainter(found.ruler, SIZE[0], window.sizes.plain, DAY)
    line = next(y for y in range(ruler.height) if ruler.pass_at(SIZE[0] // 2, y) is None)
    # A press on the ruler is a place in time; with the button held the playhead goes along.
    for x, held in ((400, ["mousedown", "1"]), (700, []), (550, ["mouseup", "1"]), (900, ["click", "1"])):
        running.point(x, band.top + line, *held)
        found.seek(ruler.time_at(x))
        running.point(x, 20)  # out of the picture that is compared
        opened.same(f"at {x}")
    assert 0 < ruler.time_at(400) < ruler.time_at(550) < ruler.time_at(900) < found.rewind.end_us
    # A bracket is a pass.
    at = {ruler.pass_at(x, y): (x, y) for x in range(SIZE[0]) for y in range(0, ruler.height, 2)}
    for number in (2, 1):
        x, y = at[number]
        running.point(x, band.top + y, "click", "1", "mousemove", "0", "0")
        found.choose(number)
        assert found.chosen == number
        opened.same(f"pass {number}")
    # The names under the ruler are the leaves; the wheel leafs through the bars.
    for leaf, rect in zip(Leaf, names, strict=True):
        running.point(*rect.center, "click", "1", "mousemove", "0", "0")
        found.press(ACTION_OF[leaf])
        opened.same(leaf.value)
    before = opened.wanted()
    running.point(SIZE[0] // 2, SIZE[1] // 2, "click", "5", "mousemove", "0", "0")
    found.press(Action.NEXT_BAR)
    assert not np.array_equal(opened.same("wheel"), before)
    running.point(SIZE[0] // 2, SIZE[1] // 2, "click", "4", "mousemove", "0", "0")
    found.press(Action.PREV_BAR)
    opened.same("wheel back")
    running.leave("Escape")


def test_a_key_held_leafs_on_but_switches_only_once(opened: Pair):
    """A held key, or one whose letting go is seen late because drawing took long, is no second press."""
    ask, running = opened.running.display.ask, opened.running
    ask("keydown", "5")
    opened.found.press(Action.LEAF_DRIFT)
    opened.same("drift")
    ask("keydown", "Right")  # held, it goes on to the end of the take by itself
    opened.found.seek(opened.found.rewind.end_us)
    opened.same("the end")
    ask("keyup", "Right")
    ask("keyup", "5")
    running.leave("Escape")
