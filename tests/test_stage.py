"""The window under every page: what has happened, without harm to what is still to be taken."""

import sys

import pygame
import pytest

from coach.screen.stage import Stage


@pytest.fixture
def stage(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    made = Stage("a test", "", size=(64, 48))
    pygame.event.clear()
    yield made
    made.close()


def test_looking_for_what_happened_takes_nothing_from_a_posted_event(stage: Stage):
    """pygame 2.6.1's own peek, without types, gives up a reference each time: the crash of a busy evening."""
    told = {"by": "a thread"}
    for kind in (pygame.USEREVENT, pygame.KEYDOWN):
        pygame.event.post(pygame.event.Event(kind, told))
    before = sys.getrefcount(told)
    assert stage.pending()
    for _ in range(5):
        stage.pending()
    assert sys.getrefcount(told) == before


def test_a_wake_and_a_key_are_pending_until_they_are_waited_for(stage: Stage):
    assert not stage.pending()
    stage.wake()
    assert stage.pending()
    assert stage.wait(1) == []
    assert not stage.pending()
    pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=pygame.K_q, unicode="q"))
    assert stage.pending()
    assert [event.type for event in stage.wait(1)] == [pygame.KEYDOWN]
    assert not stage.pending()
