"""The calibration as the first page runs it: on a thread of its own, its sentences in the page's foot."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable

from coach.app.calibrate import lead, profile_before, sound, told
from coach.core import calibrate_words as words
from coach.core.calibration import Calibration
from coach.core.errors import CoachError
from coach.core.pitch import STANDARD
from coach.devices.messages import Finished, Heard, PortState
from coach.files.settings import Settings, keep_profile


class PageLesson:
    """One calibration; hears what the page hears.  ``leave`` ends it, and then nothing is kept."""

    def __init__(self, settings: Settings, port: str, say: Callable[[str], None]) -> None:
        """``port`` is open; ``say`` is called on another thread, at last with what was learnt or why not."""
        self._settings, self._say = settings, say
        self._inbox: queue.SimpleQueue[Heard | PortState | Finished] = queue.SimpleQueue()
        self._inbox.put(PortState("open", words.BEGUN, port))
        self._thread = threading.Thread(target=self._run, name="calibration", daemon=True)
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
        try:
            with sound(self._settings) as speaker:
                found, _ = lead(Calibration(STANDARD.open_pitches), self._inbox, speaker, self._say)
            before = profile_before(self._settings)
            path = keep_profile(found.profile, self._settings.path.parent)
        except CoachError as fault:
            self._say(f"{fault.what[:1].upper()}{fault.what[1:]}; {fault.remedy}.")
            return
        said = [words.changed(found.profile, before) if before else words.NEWLY]
        said += told(found, None)[found.profile.strings :]  # the page has no room for a line a string
        self._say(" ".join((*said, words.SAVED.format(path=path))))
