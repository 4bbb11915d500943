"""A drill without clock, display, port or loudspeaker: what is played goes in, what is told comes out."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from types import SimpleNamespace

import pytest

from coach.app import live as live_module
from coach.app.drill import Wanted, drill_part, keep, ladder_of, maker, stand
from coach.app.drill_live import DrillLive
from coach.app.history import remember_sitting
from coach.app.piece import Piece, open_piece
from coach.app.sitting import Sitting, limits_of
from coach.app.terms import Terms
from coach.core import tempo_words
from coach.core.drill import Drill, Rules
from coach.core.ladder import Rung
from coach.core.pedal import Pedal
from coach.core.shapes import Summary, View
from coach.core.sounding import Track
from coach.devices.messages import Heard
from coach.files.ladder_file import ladder_path
from tests.harness import ROOT
from tests.player import Converter, Faults, Manner, Performance, Placed, Player

__all__ = ["EVEN", "Faults", "Loudspeaker", "Placed", "Room", "etude", "ladder_of_etude"]

BEGIN_NS = 10**12
SECOND = 1_000_000_000
EVEN = Manner(rush=0.0, rubato=0.0, uneven=0.0, spread_ms=0.0, jitter_ms=0.0)  # every note on its beat
LOOK_NS = 50_000_000  # so often the drill looks whether something is due
AHEAD_US = 500_000  # a player begins so long after sitting down


def own_clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """Return the clock of a drill that a test sits down to, in folders of the test's own."""
    for name in ("XDG_CONFIG_HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.setenv("COACH_TAKES", str(tmp_path / "takes"))
    clock = SimpleNamespace(now=BEGIN_NS)
    monkeypatch.setattr(live_module, "time", SimpleNamespace(perf_counter_ns=lambda: clock.now))
    return clock


@lru_cache
def etude(number: int) -> Piece:
    """One of the included scores, by the number its name begins with."""
    (path,) = (ROOT / "scores").glob(f"{number:02}-*.musicxml")
    return open_piece(path)


@lru_cache
def ladder_of_etude(number: int) -> tuple[Rung, ...]:
    return ladder_of(etude(number), Terms(), Wanted())


class Paper:
    """Takes the window's place: keeps what it was shown."""

    def __init__(self, title: str) -> None:
        self.title = title
        self.views: list[View] = []
        self.turned: list[object] = []
        self.said: list[str] = []
        self.summaries: list[Summary] = []

    def show(self, view: View) -> None:
        self.views.append(view)

    def turn_to(self, score: object, xml: str) -> None:
        self.turned.append(score)

    def say(self, sentence: str) -> None:
        self.said.append(sentence)

    def show_summary(self, summary: Summary) -> None:
        self.summaries.append(summary)

    def wake(self) -> None: ...

    def close(self) -> None: ...


class Loudspeaker:
    """Takes the sound's place: each track is heard ``latency_ns`` after it was asked for."""

    def __init__(self, clock: SimpleNamespace, latency_ns: int = 40_000_000) -> None:
        self.clock, self.latency_ns = clock, latency_ns
        self.tracks: list[Track] = []
        self.starts_ns: list[int] = []
        self.stopped = 0
        self._silent = True
        self.trouble = ""  # why nothing is heard

    def play(self, track: Track, *, at_ns: int | None = None) -> int:
        soonest_ns = self.clock.now + self.latency_ns
        self.tracks.append(track)
        self.starts_ns.append(soonest_ns if at_ns is None else max(at_ns, soonest_ns))
        self._silent = False
        return len(self.tracks)

    def start_ns(self, token: int) -> int | None:
        return self.starts_ns[token - 1]

    def stop(self) -> None:
        self.stopped += 1
        self._silent = True

    @property
    def playing(self) -> bool:
        if self._silent or not self.tracks:
            return False
        track = self.tracks[-1]
        return track.period_s is not None or self.clock.now < self.starts_ns[-1] + track.length_s * 1e9

    @property
    def rounds(self) -> bool:
        """Whether what plays comes again and again."""
        return self.playing and self.tracks[-1].period_s is not None


class Room:
    """One sitting with the drill.  Its takes, history and ladder file are where the environment says."""

    def __init__(
        self,
        clock: SimpleNamespace,
        number: int,
        at: int | None,
        *,
        rules: Rules | None = None,
        sound: bool = True,
        pedal: Pedal | None = None,
        drift_ms: float = 80.0,
        click: bool = False,
        listen: bool = False,
    ) -> None:
        """``clock.now`` is the time in ns; ``number`` is the étude's, ``at`` the step's, from 1.

        Without ``at`` the player goes on where the kept ladder says, by the usual rules.
        """
        self.piece = etude(number)
        self.rungs = ladder_of_etude(number)
        self.kept = ladder_path(self.piece.score.digest)
        self.clock = clock
        self.drill: Drill
        if at is None:
            self.drill = stand(self.piece, self.rungs, Wanted(), self.kept)
        else:
            self.drill = Drill(self.rungs, rules or Rules(step_up=0.1, step_down=0.1), at=at - 1)
            self.drill.tempo_words = lambda speed: tempo_words.beats_a_minute(self.piece.score, speed)
        self.speaker = Loudspeaker(self.clock) if sound else None
        self.paper = Paper(self.piece.title)
        self.ended: list[Sitting] = []
        self.told: list[str] = []
        profile = Converter.ideal().profile(self.piece.score.tuning)
        self.live = DrillLive(
            self.drill,
            maker(self.piece, Terms(), profile, limits_of({"drift_fault_ms": drift_ms})),
            self.paper,  # type: ignore[arg-type]
            player=self.speaker,
            pedal=pedal,
            click=click,
            listen=listen,
            ended=self._ended,
        )
        self.live.speak = self.told.append  # type: ignore[method-assign]
        self.seed = 0

    def _ended(self, sitting: Sitting) -> None:
        assert remember_sitting(sitting, part=drill_part(sitting)) == ()
        keep(self.kept, self.drill, self.piece.title)
        self.ended.append(sitting)

    # --- time ---------------------------------------------------------------------------------------

    def until(self, ns: int) -> None:
        """Let time pass to a moment."""
        while self.clock.now < ns:
            self.clock.now = min(self.clock.now + LOOK_NS, ns)
            self.live.step(self.clock.now)

    def rest(self, seconds: float) -> None:
        """Nobody plays for so long."""
        self.until(self.clock.now + round(seconds * SECOND))

    def hear(self, data: bytes) -> bool:
        """One message comes now; return whether it ends the drill."""
        self.live.on_message(Heard(self.clock.now, data))
        return self.live._drain()

    # --- playing ------------------------------------------------------------------------------------

    def performance(self, *placed: Placed, manner: Manner | None = None) -> Performance:
        """What a player makes of the step; another each time."""
        self.seed += 1
        return Player(
            self.live.sitting.piece.score,
            seed=self.seed,
            tempo=self.live.speed,
            faults=Faults(placed=placed),
            manner=manner,
            converter=Converter.ideal(),
            start_us=AHEAD_US,
        ).play()

    def perform(self, messages: Iterable[tuple[int, bytes]]) -> None:
        """Messages come at their times from now on."""
        begin_ns = self.clock.now
        for time_us, data in messages:
            self.until(begin_ns + time_us * 1000)
            self.hear(data)

    def play(self, *placed: Placed, only: int | None = None, manner: Manner | None = None) -> Performance:
        """Play the step once, or ``only`` its first so many strokes."""
        made = self.performance(*placed, manner=manner)
        self.perform(made.messages if only is None else begun(made.messages, only))
        return made

    def plays(self, times: int, *placed: Placed, rest_s: float = 4.0) -> None:
        """Play the step so often, with a rest after each."""
        for _ in range(times):
            self.play(*placed)
            self.rest(rest_s)

    def view(self) -> View:
        """What the page shows now."""
        self.live._show()
        return self.paper.views[-1]

    def leave(self) -> Summary | None:
        """The player gets up."""
        self.live.sitting.end(self.clock.now)
        summary = self.live.summary()
        if self.live.sitting.begun:
            self._ended(self.live.sitting)
        else:
            keep(self.kept, self.drill, self.piece.title)
        return summary

    @property
    def takes(self) -> list[Path]:
        return sorted(Path(self.kept.parent.parent).glob("*.mid"))


def begun(messages: Iterable[tuple[int, bytes]], strokes: int) -> list[tuple[int, bytes]]:
    """Return the first so many strokes of a performance, and their ends."""
    found: list[tuple[int, bytes]] = []
    sounding: set[tuple[int, int]] = set()
    for time_us, data in messages:
        key = (data[0] & 0x0F, data[1])
        if data[0] & 0xF0 == 0x90 and data[2]:
            if not strokes:
                continue
            strokes -= 1
            sounding.add(key)
        elif key not in sounding:
            continue
        found.append((time_us, data))
    return found
