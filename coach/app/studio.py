"""``coach studio``: a teacher plays for a class that looks at a large screen, one thing at a time."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pygame

from coach.app.judged import Judged
from coach.app.live import Live
from coach.app.pedal import pedal_of
from coach.app.piece import Piece
from coach.app.play import Asked, run_live, sit_down
from coach.app.review import judged_beside
from coach.app.sitting import Sitting
from coach.core import tempo_words, words
from coach.core.pedal import Pedal
from coach.core.shapes import Foot, View
from coach.files.settings import Settings
from coach.screen.card import Card, card_of, draw_card
from coach.screen.keys import STUDIO_KEYS
from coach.screen.page_words import STUDIO_KEYS as KEY_LINES
from coach.screen.theme import BOARD_DAY, BOARD_NIGHT, ESSENTIAL, Palette, Reading, Sizes, furthest_m
from coach.screen.window import Action, Window

ROOM = Reading(distance_m=6.0, screen_mm=700.0)  # the back row; a picture 70 cm high, as of a 55-inch screen


class Studio(Live):
    """A live sitting with the teacher's keys."""

    def __init__(
        self,
        sitting: Sitting,
        window: Window,
        *,
        tempo: str = "",
        pedal: Pedal | None = None,
        still: bool = False,
        beside: Judged | None = None,
        card: bool = False,
    ) -> None:
        """``beside``: a take to compare with; ``card``: begin with the next stop alone."""
        super().__init__(sitting, window, tempo=tempo, pedal=pedal, still=still)
        self._beside, self._comparing, self._card = beside, False, card
        self._shown: Card | None = None
        self._answer = ""  # to the last key, until the next

    def act(self, action: Action) -> bool:
        """Do what a key or the pedal asks for; return whether the sitting is to end."""
        lens, self._answer = self.lens, ""
        match action:
            case Action.FREEZE | Action.NEXT_BAR:
                lens.freeze(not lens.frozen)
            case Action.PLAN | Action.PREV_BAR:
                lens.plan = not lens.plan
            case Action.HIDE:
                lens.hidden = not lens.hidden
            case Action.CARD:
                self._card = not self._card
            case Action.COMPARE:
                self._comparing = not self._comparing
                if self._beside is None or not self._beside.best:
                    self._comparing = False
                    self._answer = words.NOTHING_BESIDE
            case _:
                return super().act(action)
        return False

    def draw(self, view: View) -> None:
        """Draw the one thing that is shown now: the page, the next stop alone, or two pages."""
        view = replace(view, foot=self._foot(view))
        if self._card:
            card = card_of(view)
            if card != self._shown:
                self.window.lay(lambda sizes, palette: _card_sheet(card, sizes, palette))
                self._shown = card
            return
        self._shown = None
        if self._comparing and self._beside is not None:
            self.window.show_two(view, self._lower(self._beside, view))
        else:
            self.window.show(view)

    def _lower(self, beside: Judged, upper: View) -> View:
        """Return the other take's page at the same place; what is kept from sight above is so below."""
        told = beside.name if self.lens.plan or self.lens.hidden else beside.told(beside.best)
        lower = self.lens.thin(beside.view(beside.best, Foot()))
        return replace(
            lower, bar=upper.bar, tick=upper.tick, finished=upper.finished, foot=Foot(message=told)
        )

    def _foot(self, view: View) -> Foot:
        """Return a foot that says one thing: a key's answer, how the page stands, or what there is to say."""
        lens, foot = self.lens, view.foot
        if self._answer and not foot.alarm:
            return replace(foot, message=self._answer, port="", tempo="", chunk="", next_stop="")
        state = [
            text
            for on, text in (
                (lens.frozen, words.FROZEN),
                (lens.plan, words.PLAN_ALONE),
                (lens.hidden, words.VERDICTS_HIDDEN),
            )
            if on
        ]
        if state and not foot.alarm:
            return replace(foot, message="", port="", tempo="", chunk="", next_stop=" ".join(state))
        return replace(foot, tempo="", chunk="")


def _card_sheet(card: Card, sizes: Sizes, palette: Palette) -> pygame.Surface:
    surface = pygame.Surface((sizes.width, sizes.height))
    draw_card(surface, card, sizes.plain, palette)
    return surface


def run_studio(piece: Piece, asked: Asked, *, settings: Settings, take: Path | None) -> int:
    """Follow the teacher's guitar on a large screen; print the summary and where the take is.

    ``take``: one to compare with.  Raises CoachError where there is no display.
    """
    sitting, chosen = sit_down(piece, asked, settings)
    named = None if asked.kept else asked.profile
    beside = None if take is None else judged_beside(take, piece, level=asked.level, profile=named)
    look, reading = asked.look, asked.look.reading(settings, ROOM)
    window = Window(
        piece.score,
        piece.xml,
        size=look.size,
        fullscreen=look.size is None,
        night=look.night,
        reading=reading,
        palettes=(BOARD_DAY, BOARD_NIGHT),
        keys=STUDIO_KEYS,
        key_lines=KEY_LINES,
        pointer=False,
    )
    holds = window.sizes.holds
    if too_far := holds < ESSENTIAL * reading.text - 0.05:
        metres = furthest_m(*window.stage.size, reading.screen_mm)
        told = words.TOO_FAR.format(minutes=ESSENTIAL, metres=metres, screen=reading.screen_mm / 10)
        print(f"coach: {told}", file=sys.stderr)
    live = Studio(
        sitting,
        window,
        tempo=tempo_words.written_tempo(piece.score),
        pedal=pedal_of(settings, asked.port, sitting.session.profile),
        still=look.still or settings.still,
        beside=beside,
        card=too_far,
    )
    return run_live(live, chosen, asked, settings)
