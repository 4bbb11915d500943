"""The collector while somebody plays: as it was afterwards, and garbage in cycles still goes."""

from __future__ import annotations

import gc
import threading
import weakref
from collections.abc import Iterator

import pytest

from coach.app import quiet
from coach.app.quiet import quiet_collector


class Knot:
    """An object in a reference cycle with itself."""

    def __init__(self) -> None:
        self.me = self


@pytest.fixture(autouse=True)
def collector_as_it_was() -> Iterator[None]:
    before = gc.isenabled(), gc.get_threshold()
    yield
    gc.unfreeze()
    gc.set_threshold(*before[1])
    (gc.enable if before[0] else gc.disable)()


def fail_while_playing() -> None:
    with quiet_collector() as collector:
        collector.rest()
        raise KeyError("in mid-bar")


def state() -> tuple[bool, tuple[int, ...], int]:
    return gc.isenabled(), gc.get_threshold(), gc.get_freeze_count()


def test_the_collector_is_as_it_was_afterwards():
    gc.set_threshold(701, 11, 9)
    before = state()
    with quiet_collector():
        assert not gc.isenabled()  # or a collection in another thread could be broken by freezing
        assert gc.get_freeze_count() > 1000
    assert state() == before


def test_also_after_an_error():
    gc.set_threshold(702, 12, 8)
    before = state()
    with pytest.raises(KeyError):
        fail_while_playing()
    assert state() == before


def test_a_disabled_collector_stays_disabled():
    gc.disable()
    with quiet_collector():
        pass
    assert not gc.isenabled()


def test_what_somebody_else_set_aside_stays_there():
    gc.freeze()
    with quiet_collector():
        pass
    assert gc.get_freeze_count() > 0


def test_cycles_given_up_while_playing_go_at_a_rest():
    with quiet_collector() as collector:
        knots = [Knot() for _ in range(quiet.WORTH * 2)]
        gone = [weakref.ref(knot) for knot in knots]
        del knots
        assert all(ref() is not None for ref in gone)  # nothing else collects them
        collector.rest()
        assert not any(ref() is not None for ref in gone)


def test_cycles_that_outlive_a_rest_go_when_survivors_are_gone_through(monkeypatch: pytest.MonkeyPatch):
    with quiet_collector() as collector:
        old = [Knot() for _ in range(quiet.WORTH * 2)]
        monkeypatch.setattr(quiet, "PORTION_MS", 1e9)
        collector.rest()  # they are survivors now
        gone = [weakref.ref(knot) for knot in old]
        del old
        more = [Knot() for _ in range(quiet.WORTH * 2)]
        collector.rest()
        assert all(ref() is not None for ref in gone)  # a young collection does not see them
        monkeypatch.setattr(quiet, "PORTION_MS", 0.0)
        more += [Knot() for _ in range(quiet.WORTH * 2)]
        collector.rest(room_ms=1e9)
        assert not any(ref() is not None for ref in gone)
        assert all(knot.me is knot for knot in more)


def test_survivors_are_set_aside_and_fetched_back_at_the_end(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(quiet, "PORTION_MS", 0.0)
    with quiet_collector() as collector:
        aside = gc.get_freeze_count()
        alive = [Knot() for _ in range(quiet.WORTH * 2)]
        collector.rest(room_ms=1e9)
        assert gc.get_freeze_count() >= aside + len(alive)
        gone = weakref.ref(alive[0])
        del alive
    gc.collect()
    assert gone() is None


def test_without_room_survivors_wait(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(quiet, "PORTION_MS", 0.0)
    with quiet_collector() as collector:
        aside = gc.get_freeze_count()
        alive = [Knot() for _ in range(quiet.WORTH * 2)]
        collector.rest(room_ms=0.0)
        assert gc.get_freeze_count() <= aside
        assert alive


def test_a_rest_with_nothing_new_does_nothing():
    with quiet_collector() as collector:
        gc.collect(0)
        seen: list[str] = []
        gc.callbacks.append(lambda phase, info: seen.append(phase))
        try:
            assert collector.rest() == 0.0
        finally:
            gc.callbacks.pop()
        assert not seen


def test_what_a_part_of_the_playing_left_behind_is_given_up_when_another_begins():
    with quiet_collector() as collector:
        knot = Knot()
        gone = weakref.ref(knot)
        gc.collect()
        gc.freeze()  # as a rest does with what has lived for a while
        del knot
        gc.collect()
        assert gone() is not None
        collector.start_anew()
        assert gone() is None
        assert gc.get_freeze_count() > 0


def test_without_a_rest_the_young_are_kept_down(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(quiet, "MANY", 1000)
    with quiet_collector() as collector:
        gc.collect(0)
        few = [Knot() for _ in range(100)]
        gone = weakref.ref(few[0])
        del few
        collector.keep_down()
        assert gone() is not None  # they are not many
        many = [Knot() for _ in range(1500)]
        del many
        collector.keep_down()
        assert gone() is None


def test_it_begins_only_when_a_collection_in_another_thread_is_over():
    class Slow:
        """Lets go of the interpreter while it is collected."""

        def __init__(self) -> None:
            self.me = self

        def __del__(self) -> None:
            begun.set()
            end.wait(20)

    gc.disable()  # no other collection finds it first
    begun, end, inside = threading.Event(), threading.Event(), threading.Event()
    Slow()
    collecting = threading.Thread(target=gc.collect)
    collecting.start()
    assert begun.wait(20)

    def play() -> None:
        with quiet_collector():
            inside.set()

    playing = threading.Thread(target=play)
    playing.start()
    assert not inside.wait(0.2)
    end.set()
    assert inside.wait(20)
    collecting.join(20)
    playing.join(20)
