"""``coach`` alone: the first page, from which everything is opened and to which everything returns."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from coach.app.drill import Wanted, run_drill
from coach.app.first_calibrate import PageLesson
from coach.app.first_strings import SoundingStrings
from coach.app.first_today import next_step, print_marked
from coach.app.look import Look
from coach.app.pedal import PedalReader, own_port, pedal_of
from coach.app.piece import find_score, open_piece
from coach.app.play import Asked, guitar_in, run_play
from coach.app.review import Shown, run_review
from coach.app.studio import run_studio
from coach.core.errors import CoachError
from coach.core.pedal import BACK, FORWARD, Pedal
from coach.core.profile import Profile
from coach.devices.messages import Finished, Heard, PortState
from coach.devices.ports import list_ports, same_device
from coach.files import desktop_entry
from coach.files.settings import Settings, kept_profile, load_settings, takes_folder
from coach.files.shelf import Shelf, Shelved, included_scores, is_take, kept_take, read_shelf, recent_takes
from coach.screen import first_words as said
from coach.screen.display import icon_png
from coach.screen.first_model import Act, Choice, Column, Entry, FirstModel, Key
from coach.screen.first_page import Done, FirstPage

CALM_MS = 250  # so that Ctrl-C in the terminal is heard
ICON_PIXELS = 256
PEDAL_KEYS = {FORWARD: Key.NEXT, BACK: Key.OPEN}


def run_first(
    *, night: bool = False, size: tuple[int, int] | None = None, screenshot: Path | None = None
) -> int:
    """Show the first page until it is left; with ``screenshot`` write it as a PNG then.

    Raises CoachError where there is no display.
    """
    first = First(load_settings(), read_shelf())
    fullscreen = False
    while True:
        first.refill()
        with FirstPage(first.model, size=size, night=night, fullscreen=fullscreen) as page:
            choice = first.sit(page)
            size, night, fullscreen = page.size, page.night, page.fullscreen
            if choice is None:
                if screenshot is not None:
                    page.screenshot(screenshot)
                return 0
        first.go(choice, night=night, size=size)


def install_entry() -> Path:
    """Install the entry in the desktop's menu, with its icon; return the entry's path.

    Raises CoachError on other systems than Linux, and where the folder cannot be written.
    """
    return desktop_entry.install_desktop_entry(icon_png(ICON_PIXELS))


@dataclass(frozen=True, slots=True)
class _Answer:
    """Something that was done beside the page: what to say, or what to practise."""

    message: str = ""
    today: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class _Press:
    """The foot switch was pressed."""

    switch: str  # FORWARD or BACK


@dataclass(frozen=True, slots=True)
class _Told:
    """The calibration said something."""

    text: str


_Message = Heard | PortState | Finished | _Press | _Answer | _Told


class First:
    """What the first page does, apart from showing it."""

    def __init__(self, settings: Settings, shelf: Shelf) -> None:
        self.settings, self.shelf = settings, shelf
        self.model = FirstModel()
        self.model.message = " ".join((*settings.notices, *shelf.notices))
        self._inbox: queue.SimpleQueue[_Message] = queue.SimpleQueue()
        self._wake: Callable[[], None] = lambda: None
        self._strings = SoundingStrings(Profile())
        self._pedal: Pedal | None = None  # a foot switch that comes by the guitar's port
        self._included: list[Shelved] = []
        self._advised: Path | None = None  # the take that today's advice comes from
        self._printing = False
        self._lesson: PageLesson | None = None

    # --- what is listed -------------------------------------------------------------------------

    def refill(self) -> None:
        """List what is at hand now, and have it considered what to practise."""
        self._included = self._included or included_scores()
        own = self.shelf.at_hand
        known = {score.path for score in own}
        scores = [*own, *(score for score in self._included if score.path not in known)]
        takes = recent_takes(takes_folder())
        today = date.today()
        self.model.refill(
            [Entry(score.path, score.title) for score in scores],
            [
                Entry(
                    take.path,
                    take.title or take.path.stem,
                    said.day_words(take.started, today) if take.started else "",
                    take.digest,
                )
                for take in takes
            ],
        )
        newest = takes[0].path if takes else None
        if not self.model.today or newest != self._advised:
            self._advised = newest
            near = self._near()
            self._beside(lambda: _Answer(today=next_step(takes, self._included or scores, near)))

    def _near(self) -> list[Path]:
        """The folders where a take's score may lie."""
        return list(dict.fromkeys(score.path.parent for score in self.shelf.at_hand))

    def _beside(self, work: Callable[[], _Answer]) -> None:
        """Have something done while the page stays awake; a fault of the input becomes a sentence."""

        def run() -> None:
            try:
                answer = work()
            except CoachError as fault:
                answer = _Answer(said.fault_words(fault))
            self._put(answer)

        threading.Thread(target=run, daemon=True).start()

    def _put(self, message: _Message) -> None:
        """Take a message on any thread."""
        self._inbox.put(message)
        self._wake()

    # --- the page -------------------------------------------------------------------------------

    def sit(self, page: FirstPage) -> Choice | None:
        """Show the page until something elsewhere is chosen; None when the page is left."""
        self._wake = page.wake
        ears = self._listen()
        try:
            doings = self._drain()
            while True:
                for done in doings:
                    choice = self._take(done)
                    if done.closed or (choice is not None and choice.act is Act.LEAVE):
                        return None
                    if choice is None:
                        continue
                    if choice.act is Act.OTHER_PORT:
                        ears.close()
                        self._other_port()
                        ears = self._listen()
                    elif choice.act is Act.CALIBRATE:
                        self._calibrate()
                    elif choice.act is Act.LEAVE_CALIBRATION:
                        self._leave_lesson()
                    elif choice.act is Act.PREPARE and choice.entry is not None:
                        self._print(choice.entry)
                    else:
                        return choice
                if self._lesson is not None and not self._lesson.running:
                    self._lesson, self.model.calibrating = None, False
                page.show()
                doings = [*page.wait(CALM_MS), *self._drain()]
        except KeyboardInterrupt:
            return None
        finally:
            self._leave_lesson()
            self._wake = lambda: None
            ears.close()
            self._drain()  # a press that comes too late does nothing
            self.model.hear_port("", "")

    def _take(self, done: Done) -> Choice | None:
        if done.key is not None:
            return self.model.press(done.key)
        if done.spot is not None:
            return self.model.click(done.spot)
        return self.drop(done.dropped) if done.dropped is not None else None

    def drop(self, path: Path) -> Choice | None:
        """Take a file that was dropped: a take is opened, a score joins the scores."""
        try:
            if path.suffix.lower() in (".mid", ".midi") and is_take(path):
                kept = kept_take(path)
                return Choice(Act.LOOK_BACK, Entry(path, kept.title or path.stem, "", kept.digest))
            piece = open_piece(path)
            self.shelf.put(path, piece.title)
        except CoachError as fault:
            self.model.message = said.fault_words(fault)
            return None
        self.refill()
        self.model.focus_on(Column.SCORES, path.absolute())
        self.model.message = said.SCORE_ADDED.format(title=piece.title)
        return None

    def _print(self, entry: Entry) -> None:
        if self._printing:
            return
        self._printing = True
        self.model.message = said.MAKING.format(title=entry.title)

        def work() -> _Answer:
            try:
                return _Answer(said.MADE.format(path=print_marked(entry.path)))
            finally:
                self._printing = False

        self._beside(work)

    def _calibrate(self) -> None:
        if not (self.model.answered or self.model.one_channel):
            self.model.message = said.NO_GUITAR
            return
        self.model.calibrating = True
        self._lesson = PageLesson(self.settings, self.settings.last_port, lambda text: self._put(_Told(text)))

    def _leave_lesson(self) -> None:
        if self._lesson is not None:
            self._lesson.leave()

    def _kept(self) -> Profile | None:
        """Return the learnt profile; one that is unusable is named on the page."""
        try:
            return kept_profile(self.settings.path.parent)
        except CoachError as fault:
            self.model.message = said.fault_words(fault)
            return None

    # --- the guitar -----------------------------------------------------------------------------

    def _listen(self) -> contextlib.ExitStack:
        """Hear the guitar, and the foot switch by whichever port it comes, until this is closed."""
        profile = self._kept() or Profile()
        self._strings, self._pedal = SoundingStrings(profile), pedal_of(self.settings, None, profile)
        reader = PedalReader(self.settings, lambda switch: self._put(_Press(switch)))
        ears = contextlib.ExitStack()
        ears.enter_context(guitar_in(None, self._put, self.settings))
        ears.callback(reader.close)
        reader.start()
        return ears

    def _other_port(self) -> None:
        """Remember the port after the remembered one, never the pedal's, so that it is listened at."""
        try:
            there = [port.name for port in list_ports() if not port.loops_back]
        except CoachError as fault:
            self.model.message = said.fault_words(fault)
            return
        self.model.hear_port("", "")
        pedals = own_port(self.settings) or ""
        names = [name for name in there if not same_device(name, pedals)]
        if not names:
            self.model.message = said.ONLY_PEDAL.format(name=pedals) if there else said.NO_PORTS
            return
        now = self.settings.last_port
        chosen = names[(names.index(now) + 1) % len(names)] if now in names else names[0]
        self.settings.last_port = chosen
        with contextlib.suppress(CoachError):  # remembering is a convenience
            self.settings.save()
        self.model.message = (said.LISTENING if len(names) > 1 else said.ONE_PORT).format(name=chosen)

    def _drain(self) -> list[Done]:
        """Take in what was heard and what was done beside the page; return the pedal's presses as keys."""
        pressed: list[Done] = []
        while True:
            try:
                message = self._inbox.get_nowait()
            except queue.Empty:
                return pressed
            if self._lesson is not None and isinstance(message, Heard | PortState):
                self._lesson.hear(message)
            match message:
                case Heard():
                    pressed += self._hear(message)
                case _Press():
                    pressed.append(Done(PEDAL_KEYS[message.switch]))
                case PortState():
                    self._strings.clear()
                    self.model.hear_port(message.state, message.text)
                case _Told(text):
                    self.model.message = text
                case _Answer(today=tuple() as today):
                    self.model.today, self.model.today_title = today
                case _Answer():
                    self.model.message = message.message

    def _hear(self, message: Heard) -> list[Done]:
        """Take in what came by the guitar's port; return the presses in it."""
        pedal = self._pedal
        if pedal is None or not pedal.owns(message.data):  # a switch that sends notes is no string
            self._strings.hear(message.data)
            self._light()
        presses = pedal.hear(message.stamp_ns // 1000, message.data) if pedal else ()
        return [Done(PEDAL_KEYS[press.switch]) for press in presses]

    def _light(self) -> None:
        """Show on the page which strings sound, or that nobody can know."""
        sounding = self._strings.sounding
        for string in range(1, self.model.strings + 1):
            self.model.hear(string, string in sounding)
        self.model.one_channel = self._strings.one_channel

    # --- elsewhere ------------------------------------------------------------------------------

    def go(self, choice: Choice, *, night: bool, size: tuple[int, int]) -> None:
        """Play or look back, in a window of its own; a fault becomes a sentence for the page."""
        entry = choice.entry
        if entry is None:
            return
        try:
            if choice.act is Act.PLAY:
                self._play(entry, night=night, size=size)
            elif choice.act is Act.DRILL:
                self._drill(entry, night=night, size=size)
            elif choice.act is Act.STUDIO:
                self._studio(entry, night=night)
            elif choice.act is Act.LOOK_BACK:
                self._look_back(entry, night=night, size=size)
        except CoachError as fault:
            self.model.message = said.fault_words(fault)

    def _asked(self, look: Look) -> Asked:
        return Asked(profile=kept_profile(self.settings.path.parent), kept=True, look=look)

    def _play(self, entry: Entry, *, night: bool, size: tuple[int, int]) -> None:
        asked = self._asked(Look(night=night, size=size))
        run_play(open_piece(entry.path), asked, settings=self.settings)

    def _drill(self, entry: Entry, *, night: bool, size: tuple[int, int]) -> None:
        asked = self._asked(Look(night=night, size=size))
        run_drill(open_piece(entry.path), asked, Wanted(), settings=self.settings)

    def _studio(self, entry: Entry, *, night: bool) -> None:
        asked = self._asked(Look(night=night))  # no size: it fills the screen that a class looks at
        run_studio(open_piece(entry.path), asked, settings=self.settings, take=None)

    def _look_back(self, entry: Entry, *, night: bool, size: tuple[int, int]) -> None:
        near = [entry.path.parent, entry.path.parent.parent / "scores", *self._near()]
        run_review(
            entry.path,
            Shown(how="window", look=Look(night=night, size=size)),
            score=find_score(entry.digest, near),
        )
