"""What the keys do, and the few sentences that say so."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum

import pygame


class Action(Enum):
    """What a person at the keyboard (or a page-turner pedal) may ask for."""

    QUIT = "quit"
    PAUSE = "pause"
    NEXT_FAULT = "next fault"
    NEXT_BAR = "next bar"
    PREV_BAR = "previous bar"
    FASTER = "faster"
    SLOWER = "slower"
    RESTART = "restart"
    HELP = "help"
    NIGHT = "night"
    FULLSCREEN = "full screen"


# Page-turner pedals send arrow or page keys.
KEYS = {
    pygame.K_ESCAPE: Action.QUIT,
    pygame.K_q: Action.QUIT,
    pygame.K_SPACE: Action.PAUSE,
    pygame.K_n: Action.NEXT_FAULT,
    pygame.K_TAB: Action.NEXT_FAULT,
    pygame.K_RIGHT: Action.NEXT_BAR,
    pygame.K_PAGEDOWN: Action.NEXT_BAR,
    pygame.K_LEFT: Action.PREV_BAR,
    pygame.K_PAGEUP: Action.PREV_BAR,
    pygame.K_UP: Action.FASTER,
    pygame.K_PLUS: Action.FASTER,
    pygame.K_KP_PLUS: Action.FASTER,
    pygame.K_DOWN: Action.SLOWER,
    pygame.K_MINUS: Action.SLOWER,
    pygame.K_KP_MINUS: Action.SLOWER,
    pygame.K_r: Action.RESTART,
    pygame.K_HOME: Action.RESTART,
    pygame.K_F1: Action.HELP,
    pygame.K_h: Action.HELP,
    pygame.K_l: Action.NIGHT,
    pygame.K_F11: Action.FULLSCREEN,
    pygame.K_f: Action.FULLSCREEN,
}

HELP_TITLE = "Keys and marks"
KEY_LINES = (
    ("space", "pause, go on"),
    ("→  ←", "next bar, bar before"),
    ("n", "next fault"),
    ("↑  ↓", "faster, slower"),
    ("r", "from the start"),
    ("l", "lamp: day or night paper"),
    ("f", "full screen"),
    ("h", "this sheet"),
    ("Esc", "leave"),
)


def action_of(event: pygame.event.Event, keys: Mapping[int, Action] = KEYS) -> Action | None:
    """Return what a key event asks for, by a window's own keys."""
    if event.type != pygame.KEYDOWN:
        return None
    if getattr(event, "unicode", "") == "?":
        return Action.HELP
    if getattr(event, "unicode", "") == "+":
        return Action.FASTER
    return keys.get(event.key)
