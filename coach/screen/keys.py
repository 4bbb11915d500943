"""What the keys do, and the few sentences that say so."""

from __future__ import annotations

from collections.abc import Container, Mapping
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
    # Looking back.
    PREV_FAULT = "previous fault"
    NEXT_PASS = "next pass"
    PREV_PASS = "previous pass"
    OTHER_PASS = "pass to compare with"
    LEAF_PAGE = "page"
    LEAF_BAR = "one bar"
    LEAF_ALL = "all passes"
    LEAF_TWO = "two passes"
    LEAF_DRIFT = "drift"
    LEAF_WORDS = "in words"
    # In the studio.
    FREEZE = "freeze"
    PLAN = "plan"
    HIDE = "hide verdicts"
    COMPARE = "compare"
    CARD = "one stop"
    # In a drill.
    ACCEPT = "accept"
    LISTEN = "listen"
    ALONG = "play along"
    DIFFERENCE = "the difference"
    LAST_PASS = "last pass"
    MENDED = "last pass mended"
    CLICK = "click"
    HARDER = "harder"
    EASIER = "easier"
    HURTS = "hurts"


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

REVIEW_KEYS = {
    **KEYS,
    pygame.K_1: Action.LEAF_PAGE,
    pygame.K_2: Action.LEAF_BAR,
    pygame.K_3: Action.LEAF_ALL,
    pygame.K_4: Action.LEAF_TWO,
    pygame.K_5: Action.LEAF_DRIFT,
    pygame.K_6: Action.LEAF_WORDS,
    pygame.K_RETURN: Action.LEAF_BAR,
    pygame.K_b: Action.PREV_FAULT,
    pygame.K_p: Action.NEXT_PASS,
    pygame.K_o: Action.PREV_PASS,
    pygame.K_c: Action.OTHER_PASS,
    pygame.K_t: Action.LAST_PASS,
    pygame.K_m: Action.MENDED,
}
DRILL_KEYS = {
    **KEYS,
    pygame.K_SPACE: Action.LISTEN,
    pygame.K_RETURN: Action.ACCEPT,
    pygame.K_RIGHT: Action.ACCEPT,
    pygame.K_PAGEDOWN: Action.ACCEPT,
    pygame.K_a: Action.ALONG,
    pygame.K_d: Action.DIFFERENCE,
    pygame.K_t: Action.LAST_PASS,
    pygame.K_m: Action.MENDED,
    pygame.K_c: Action.CLICK,
    pygame.K_n: Action.HARDER,
    pygame.K_b: Action.EASIER,
    pygame.K_x: Action.HURTS,
}
STUDIO_KEYS = {
    **KEYS,
    pygame.K_SPACE: Action.FREEZE,
    pygame.K_RIGHT: Action.FREEZE,
    pygame.K_PAGEDOWN: Action.FREEZE,
    pygame.K_LEFT: Action.PLAN,
    pygame.K_PAGEUP: Action.PLAN,
    pygame.K_p: Action.PLAN,
    pygame.K_v: Action.HIDE,
    pygame.K_c: Action.COMPARE,
    pygame.K_s: Action.CARD,
}


BY_SIGN = {"?": Action.HELP, "+": Action.FASTER}  # wherever a keyboard has them

MODIFIERS = {
    pygame.K_LSHIFT,
    pygame.K_RSHIFT,
    pygame.K_LCTRL,
    pygame.K_RCTRL,
    pygame.K_LALT,
    pygame.K_RALT,
    pygame.K_LGUI,
    pygame.K_RGUI,
    pygame.K_MODE,
    pygame.K_CAPSLOCK,
    pygame.K_NUMLOCK,
}

# What a key that is held down does again and again when a take is looked back at.  All else it does once:
# much of it switches something over, and a second time would undo it.
REVIEW_HELD = frozenset(
    {
        Action.NEXT_BAR,
        Action.PREV_BAR,
        Action.NEXT_FAULT,
        Action.PREV_FAULT,
        Action.NEXT_PASS,
        Action.PREV_PASS,
        Action.FASTER,
        Action.SLOWER,
    }
)


def action_of(
    event: pygame.event.Event, keys: Mapping[int, Action] = KEYS, held: Container[Action] = ()
) -> Action | None:
    """Return what a key event asks for, by a window's own keys; held down it does only what ``held`` has."""
    if event.type != pygame.KEYDOWN:
        return None
    action = BY_SIGN.get(getattr(event, "unicode", "")) or keys.get(event.key)
    return None if getattr(event, "again", False) and action not in held else action


def is_other_key(event: pygame.event.Event) -> bool:
    """Return whether a key was pressed anew that is no modifier: where any key will do, this one does."""
    if event.type != pygame.KEYDOWN or getattr(event, "again", False):
        return False
    return event.key not in MODIFIERS
