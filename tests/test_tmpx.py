"""The studio: a teacher's keys, offscreen on a clock of our own, and in a real window beside a real port."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from coach.app import live as live_module
from coach.app.judged import Judged
from coach.app.piece import Piece, open_piece
from coach.app.review import judged_beside
from coach.app.sitting import Sitting, limits_of
from coach.app.studio import ROOM, Studio
from coach.app.terms import terms_beside
from coach.core import words
from coach.core.shapes import RingState, View
from coach.devices.messages import Heard, PortState
from coach.files.take import read_take
from coach.screen.keys import STUDIO_KEYS, Action
from coach.screen.page_words import STUDIO_KEYS as KEY_LINES
from coach.screen.sheets import help_sheet
from coach.screen.theme import BOARD_DAY, BOARD_NIGHT, Sizes
from coach.screen.window import Window
from tests.harness import (
    ROOT,
    Display,
    JackServer,
    Picture,
    Program,
    differs,
    display_of,
    missing,
    picture_of,
    program,
    sending,
    until,
)

NAME = "02-a-borrowed-umbrella"
TAKE = ROOT / "recordings" / f"{NAME}-evening.mid"
SCORE = ROOT / "scores" / f"{NAME}.musicxml"
SIZE = (1280, 720)
BEGIN_NS = 10**12
SECOND = 1_000_000_000
FAULTY = {RingState.LATE, RingState.RINGING, RingState.CUT, RingState.MISSED}


# --- offscreen ----------------------------------------------------------------------------------------


class Desk:
    """A studio whose clock only goes on as the take is played."""

    def __init__(
        self, piece: Piece, clock: SimpleNamespace, beside: Judged | None = None, *, xml: str = ""
    ) -> None:
        self.take, self._clock, self._next = read_take(TAKE), clock, 0
        sitting = Sitting(
            piece,
            profile=self.take.meta.profile,
            limits=limits_of(self.take.meta.tolerances),
            folder=None,
            started=datetime(2031, 5, 4, 18, 30, tzinfo=UTC),
            terms=terms_beside(piece, None)[0],
        )
        self.window = Window(
            piece.score, xml, size=SIZE, offscreen=True, reading=ROOM, palettes=(BOARD_DAY, BOARD_NIGHT),
            keys=STUDIO_KEYS, key_lines=KEY_LINES, pointer=False,
        )  # fmt: skip
        self.studio = Studio(sitting, self.window, beside=beside)
        self.studio.on_message(PortState("open", "Listening to “guitar:out”.", "guitar:out"))
        self.shown: tuple[View, ...] = ()  # what was drawn last: one page, two, or none (a card)
        self._listen()

    def _listen(self) -> None:
        """Keep what is given to the window, and draw it all the same."""
        show, show_two, lay = self.window.show, self.window.show_two, self.window.lay

        def one(view: View) -> bool:
            self.shown = (view,)
            return show(view)

        def two(upper: View, lower: View) -> bool:
            self.shown = (upper, lower)
            return show_two(upper, lower)

        def sheet(drawn: object) -> None:
            self.shown = ()
            lay(drawn)  # type: ignore[arg-type]

        self.window.show, self.window.show_two, self.window.lay = one, two, sheet  # type: ignore[assignment]

    def play_to(self, seconds: float) -> Picture:
        """Play the take on to a moment; return what is shown then."""
        until_us = self.take.messages[0][0] + round(seconds * 1e6)
        while self.take.messages[self._next][0] <= until_us:
            time_us, data = self.take.messages[self._next]
            self._clock.now = BEGIN_NS + time_us * 1000
            self.studio.on_message(Heard(self._clock.now, data))
            self._round()
            self._next += 1
        self._clock.now = BEGIN_NS + until_us * 1000
        return self.picture()

    def press(self, action: Action) -> Picture:
        """Press a key; return what is shown then."""
        assert not self.studio.act(action)
        return self.picture()

    def picture(self) -> Picture:
        self._round()
        self.studio._show()
        return picture_of(self.window.surface)

    def _round(self) -> None:
        self.studio._drain()
        self.studio.sitting.tick(self._clock.now)
        self.studio._tell_pass(self._clock.now)

    @property
    def foot(self) -> tuple[str, str]:
        """What the foot says: a sentence, what is next."""
        return self.shown[0].foot.message, self.shown[0].foot.next_stop


@pytest.fixture(scope="module")
def piece() -> Piece:
    return open_piece(SCORE)


@pytest.fixture(scope="module")
def other(piece: Piece) -> Judged:
    """A take with faults, to compare with."""
    return judged_beside(TAKE, piece, level=None, profile=None)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    found = SimpleNamespace(now=BEGIN_NS)
    monkeypatch.setattr(live_module, "time", SimpleNamespace(perf_counter_ns=lambda: found.now))
    return found


@pytest.fixture
def desk(piece: Piece, clock: SimpleNamespace, other: Judged) -> Desk:
    return Desk(piece, clock, other)


def equal(one: Picture, other: Picture) -> bool:
    return bool(np.array_equal(one, other))


def test_frozen_it_stands_while_the_playing_goes_on_and_then_shows_where_that_is(
    desk: Desk, piece: Piece, clock: SimpleNamespace
):
    desk.play_to(5.0)
    before = desk.shown
    still = desk.press(Action.FREEZE)
    assert desk.foot == ("", "The page stands still; space lets it go on.")
    assert desk.shown[0].rings == before[0].rings
    assert equal(desk.play_to(8.0), still)
    going_on = desk.press(Action.FREEZE)
    assert not equal(going_on, still)
    assert equal(Desk(piece, clock).play_to(8.0), going_on)  # as if it had never stood still


@pytest.mark.parametrize(
    ("forward", "back"), [(Action.FREEZE, Action.PLAN), (Action.NEXT_BAR, Action.PREV_BAR)]
)
def test_the_pedal_freezes_and_shows_the_plan(desk: Desk, forward: Action, back: Action):
    page = desk.play_to(8.0)
    assert {ring.state for ring in desk.shown[0].rings} & FAULTY
    desk.press(back)
    (plan,) = desk.shown
    assert (plan.rings, plan.marks, plan.drifts) == ((), (), ())
    assert plan.stops
    assert desk.foot == ("", "The plan alone.")
    assert equal(desk.press(back), page)
    desk.press(forward)
    desk.press(back)
    assert desk.foot == ("", "The page stands still; space lets it go on. The plan alone.")
    desk.press(back)
    assert equal(desk.press(forward), page)


def test_hidden_verdicts_leave_the_sound_and_take_every_judgement(desk: Desk):
    page = desk.play_to(8.0)
    desk.press(Action.HIDE)
    (hidden,) = desk.shown
    assert {ring.state for ring in hidden.rings} == {RingState.SOUNDING}
    assert (hidden.marks, hidden.drifts) == ((), ())
    assert desk.foot == ("", "The verdicts are hidden.")
    assert equal(desk.press(Action.HIDE), page)


def test_no_sentence_tells_a_verdict_that_is_hidden(desk: Desk):
    """After a pass its worst fault is said, but not over a page that hides it, nor on the card."""
    end = desk.studio.sitting.piece.score.bars[-1]
    seconds = next(
        at / 2
        for at in range(30, 80)
        if (desk.play_to(at / 2), desk.shown[0].foot.message)[1].startswith("bar ")
    )
    assert seconds < end.number * 10
    for action in (Action.HIDE, Action.PLAN):
        desk.press(action)
        assert desk.foot[0] == ""
        desk.press(Action.CARD)
        assert desk.studio._shown is not None
        assert desk.studio._shown.kind != "said"
        desk.press(Action.CARD)
        desk.press(action)
        assert desk.foot[0].startswith("bar ")
        desk.press(Action.CARD)
        assert desk.studio._shown.sentence.startswith("bar ")
        desk.press(Action.CARD)


def test_the_card_is_the_next_stop_alone_and_goes_on_with_the_playing(desk: Desk):
    page = desk.play_to(1.5)
    (view,) = desk.shown
    assert view.foot.stop_string > 0
    card = desk.press(Action.CARD)
    assert desk.shown == ()
    assert desk.studio._shown is not None
    assert (desk.studio._shown.kind, desk.studio._shown.string) == ("stop", view.foot.stop_string)
    seen = {view.foot.stop_string}
    for at in range(4, 16):
        now = desk.play_to(at / 2)
        seen.add(desk.studio._shown.string)
    assert len(seen) > 1
    assert not equal(now, card)
    assert equal(desk.press(Action.FREEZE), now)  # what the page stands at is no card's matter
    desk.press(Action.FREEZE)
    assert not equal(desk.press(Action.CARD), page)
    assert len(desk.shown) == 1


def test_two_pages_the_teachers_and_below_it_the_take(desk: Desk, other: Judged):
    desk.play_to(8.0)
    desk.press(Action.COMPARE)
    upper, lower = desk.shown
    assert lower.foot.message == other.told(other.best)
    assert (lower.bar, lower.tick) == (upper.bar, upper.tick)
    assert lower.rings == other.view(other.best, lower.foot).rings
    desk.press(Action.COMPARE)
    assert len(desk.shown) == 1


def test_what_is_kept_from_sight_above_is_kept_from_sight_below(piece: Piece, clock: SimpleNamespace):
    """The take that a class shall judge for itself must not come with its verdicts."""

    class First(Judged):
        best = 1  # the first pass has a stop that came late

    other = judged_beside(TAKE, piece, level=None, profile=None)
    desk = Desk(piece, clock, First(other.session, other.result, "the other day"))
    desk.play_to(4.0)
    desk.press(Action.COMPARE)
    assert {ring.state for ring in desk.shown[1].rings} & FAULTY
    desk.press(Action.HIDE)
    lower = desk.shown[1]
    assert {ring.state for ring in lower.rings} == {RingState.SOUNDING}
    assert (lower.marks, lower.drifts) == ((), ())
    assert lower.foot.message == "the other day"
    desk.press(Action.PLAN)
    assert desk.shown[1].rings == ()


def test_without_a_take_c_says_so_until_the_next_key_however_the_page_stands(
    piece: Piece, clock: SimpleNamespace
):
    desk = Desk(piece, clock)
    desk.play_to(3.0)
    for way in (None, Action.FREEZE, Action.PLAN, Action.HIDE, Action.CARD):
        if way is not None:
            desk.press(way)
        before = desk.picture()
        said = desk.press(Action.COMPARE)
        if way is Action.CARD:
            assert desk.studio._shown is not None
            assert desk.studio._shown.sentence == words.NOTHING_BESIDE
        else:
            assert desk.foot[0] == words.NOTHING_BESIDE
            assert len(desk.shown) == 1
        assert not equal(said, before)
        desk.press(Action.PAUSE)  # a key without a meaning here
        assert equal(desk.picture(), before)


def test_an_unplugged_guitar_is_told_on_a_page_that_stands_still(desk: Desk):
    desk.play_to(3.0)
    still = desk.press(Action.FREEZE)
    desk.studio.on_message(PortState("lost", "“guitar” is no longer there.", "guitar"))
    assert not equal(desk.picture(), still)
    assert desk.shown[0].foot.alarm
    assert desk.shown[0].foot.port == "“guitar” is no longer there."
    desk.studio.on_message(PortState("open", "Listening to “guitar”.", "guitar"))
    assert equal(desk.picture(), still)


def test_only_the_key_that_ends_ends(desk: Desk):
    desk.play_to(2.0)
    for action in set(Action) - {Action.QUIT}:
        assert not desk.studio.act(action), action
    assert desk.studio.act(Action.QUIT)


# --- in a real window ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def display(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Display]:
    if why := missing("xdotool", "Xvfb"):
        pytest.skip(f"needs a window: {why} (apt-get install xdotool xvfb)")
    with display_of(tmp_path_factory.mktemp("frames"), *SIZE) as shown:
        yield shown


def heard(folder: Path) -> int:
    """How many messages have been recorded so far."""
    path = next(iter(folder.glob("*.mid")), None)
    return 0 if path is None else len(read_take(path).messages)


def corner_is(running: Program, colour: tuple[int, int, int]) -> bool:
    red, green, blue = colour
    return running.comes(lambda shown: bool(shown[2, 2] == red << 16 | green << 8 | blue))


def test_a_lesson_by_keyboard_alone(
    display: Display, jack: JackServer, tmp_path: Path, piece: Piece, clock: SimpleNamespace,
    monkeypatch: pytest.MonkeyPatch,
):  # fmt: skip
    # The page is engraved beforehand, so that it does not take the plain one's place in the middle.
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    Desk(piece, clock, xml=piece.xml).picture()
    env = {**jack.env, "PYTHONFAULTHANDLER": "1", "XDG_CACHE_HOME": str(tmp_path / "cache")}
    words_ = ("studio", str(SCORE), "--port", "guitar", "--take", str(TAKE))
    with (
        sending("guitar", TAKE, jack.env) as guitar,
        program(display, tmp_path, *words_, size=SIZE, env=env) as running,
    ):
        assert until(lambda: heard(tmp_path) > 4), running.said
        running.changes(running.shown)  # it follows
        running.press("space")
        still = running.steady()
        count = heard(tmp_path)
        assert until(lambda: heard(tmp_path) > count + 8), running.said
        assert equal(running.shown, still), "it did not stand still"
        # On the page that stands still every key leads somewhere, and the same key back.
        seen = [still]
        for key in ("p", "v", "s", "c", "Prior", "Left", "F1", "question", "h"):
            running.press(key)
            running.changes(still)
            now = running.steady()
            again = key in ("Left", "Prior", "question", "h")  # the second key of a kind
            assert any(equal(now, one) for one in seen[1:]) == again, key
            seen.append(now)
            running.press("Escape" if key == "F1" else key)
            if not running.comes(lambda shown: equal(shown, still), 10):
                raise AssertionError(differs(running.shown, still, tmp_path, f"back from {key}"))
        sheet = picture_of(help_sheet(Sizes.of(*SIZE, ROOM), BOARD_DAY, KEY_LINES))
        assert equal(seen[-1], sheet)
        running.press("l")
        assert corner_is(running, BOARD_NIGHT.paper)
        running.press("l")
        assert running.comes(lambda shown: equal(shown, still))
        # No pointer is on the page, not even over it.
        running.point(SIZE[0] / 2, SIZE[1] / 2)
        assert equal(running.steady(), still)
        running.point(SIZE[0], SIZE[1])
        assert guitar.poll() is None  # all this while the playing went on …
        running.press("Next")  # … and now the page follows it again
        assert running.comes(lambda shown: not equal(shown, still))
        running.press("Escape")
        assert until(lambda: read_take(next(tmp_path.glob("*.mid"))).complete)  # the summary is up
        assert running.process.poll() is None
        said = running.leave("x")  # "Esc or any key: leave"
    assert "Every note was right" in said
    assert "The take is kept" in said
