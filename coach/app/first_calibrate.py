"""The calibration as the first page runs it: on a thread of its own, its sentences in the page's foot."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable

from coach.app.calibrate import Left, lead, profile_before, sound, told
from coach.core import calibrate_words as words
from coach.core.calibration import Calibration
from coach.core.calibration_turns import PARTS
from coach.core.errors import CoachError
from coach.core.pitch import STANDARD
from coach.devices.messages import Finished, Heard, PortState
from coach.files.settings import Settings, keep_profile


class PageLesson:
    """One calibration; hears what the page hears.  ``leave`` ends it, and what was learnt by then is kept."""

    def __init__(self, settings: Settings, port: str, say: Callable[[str], None]) -> None:
        """``port`` is open; ``say`` is called on another thread, at last with what was learnt or why not."""
        self._settings, self._say = settings, say
        self._inbox: queue.SimpleQueue[Heard | PortState | Finished] = queue.SimpleQueue()
        self._inbox.put(PortState("open", words.BEGUN, port))
        # No daemon: what it keeps is kept.
        self._thread = threading.Thread(target=self._run, name="calibration")
        self._thread.start()

    @property
    def running(self) -> bool:
        """Whether it is not over."""
        return self._thread.is_alive()

    def hear(self, message: Heard | PortState) -> None:
        """Take what came by the guitar's port."""
        self._inbox.put(message)

    def leave(self) -> None:
        """End it, from any thread."""
        self._inbox.put(Finished(0))

    def _run(self) -> None:
        folder = self._settings.path.parent
        before = profile_before(self._settings)
        lesson: Calibration | None = None
        ending, found = "", None
        try:
            with sound(self._settings, PARTS, self._say) as speaker:
                lesson = Calibration(STANDARD.open_pitches, before=before, click=speaker is not None)
                found, _ = lead(lesson, self._inbox, speaker, self._say)
        except Left:
            ending = words.LEFT_PAGE
        except CoachError as fault:
            ending = f"{fault.what[:1].upper()}{fault.what[1:]}; {fault.remedy}"
        if ending:
            found = lesson.so_far() if lesson is not None else None
            ending += f"; {words.KEPT_SO_FAR if found else words.NOTHING_KEPT}."
        said = [ending] if ending else []
        if found is not None:
            try:
                path = keep_profile(found.profile, folder)
            except CoachError as fault:
                self._say(f"{fault.where}: {fault.what}; {fault.remedy}.")
                return
            if not ending:
                said.append(words.changed(found, before))
            said += [*told(found), *words.missing(found, lesson.strings, lesson.parts)] if lesson else []
            said.append(words.SAVED.format(path=path))
        self._say(" ".join(said))
