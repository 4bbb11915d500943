"""How a window looks: what was asked for now, else what is remembered, else the usual."""

from __future__ import annotations

from dataclasses import dataclass

from coach.files.settings import Settings
from coach.screen.theme import USUAL_READING, Reading


@dataclass(frozen=True, slots=True)
class Look:
    """What a person asked for; None where nothing was."""

    night: bool = False
    size: tuple[int, int] | None = None  # pixels
    distance_m: float | None = None  # from the eye to the screen
    screen_cm: float | None = None  # height of the screen's picture
    text: float | None = None  # signs and words so many times larger
    still: bool = False  # nothing slides

    def reading(self, settings: Settings, usual: Reading = USUAL_READING) -> Reading:
        """Return where the page is read from, and how large it is wanted."""
        kept_mm = usual.screen_mm if settings.screen_mm is None else settings.screen_mm
        return Reading(
            distance_m=usual.distance_m if self.distance_m is None else self.distance_m,
            screen_mm=kept_mm if self.screen_cm is None else self.screen_cm * 10,
            text=settings.text_scale if self.text is None else self.text,
        )


USUAL_LOOK = Look()
