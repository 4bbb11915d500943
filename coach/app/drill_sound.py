"""What a drill lets hear: the step played by a model, the click, and the player's own last pass."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil
from typing import Protocol

from coach.app.step import Step
from coach.core.count_in import beat_ticks, click_ticks, count_in
from coach.core.demonstration import (
    MODEL_VELOCITY,
    as_loud_as,
    assemble,
    demonstration,
    passage_s,
    take_tones,
)
from coach.core.score import Score
from coach.core.session import Session
from coach.core.sounding import Tone, Track

SAME_S = 1e-6  # two strokes nearer than this are one


class Player(Protocol):
    """What makes sound: a loudspeaker, or a synthesizer at a MIDI port."""

    def play(self, track: Track, *, at_ns: int | None = None) -> int:
        """Play this instead of what plays now; return its token."""

    def start_ns(self, token: int) -> int | None:
        """Return when a track's second 0 is heard; None while that is not known."""

    def stop(self) -> None:
        """Fade out what plays."""

    @property
    def playing(self) -> bool:
        """Whether something is heard."""

    @property
    def trouble(self) -> str:
        """Why nothing is heard, in a sentence; "" while all is well."""

    def close(self) -> None:
        """End the sound."""


@dataclass(frozen=True, slots=True)
class Passage:
    """One step at one tempo, ready to be played to or listened to."""

    step: Step
    speed: float

    @property
    def score(self) -> Score:
        """What is played."""
        return self.step.piece.score

    @property
    def begin(self) -> int:
        """Tick at which the playing begins: the first bar, or its first note where that is a pickup's."""
        onsets = self.score.notes["onset"]
        bar = self.score.bars[self._bars[0]]
        first = int(onsets.min(initial=bar.end))
        return first if first > bar.onset and self._leads else bar.onset

    @property
    def _bars(self) -> tuple[int, int]:
        return self.step.chunk or (0, len(self.score.bars) - 1)

    @property
    def _inner(self) -> tuple[int, int]:
        """The bars without the one it lands in."""
        rung = self.step.rung
        return self._bars if rung is None else (self._bars[0], rung.last)

    @property
    def _leads(self) -> bool:
        return self.step.rung is not None and self.step.rung.upbeat > 0

    @property
    def lead_s(self) -> float:
        """Seconds of the count-in."""
        return count_in(self.score, self._bars[0], self.speed, lead_tick=self.begin).length_s

    def beat_s(self, tick: float) -> float:
        """Return the time of a tick from the passage's beginning."""
        nominal_us = self.score.nominal_us(tick) - self.score.nominal_us(self.begin)
        return nominal_us / 1e6 / self.speed

    def model(
        self,
        *,
        melody: bool = True,
        bass: bool = True,
        ring_on: bool = False,
        click: bool = True,
        repeat: bool = False,
    ) -> Track:
        """Return the step as it should sound, after its count-in; ``ring_on``: as it must not sound."""
        tones = demonstration(
            self.score,
            self.step.stops,
            self._inner,
            self.speed,
            melody=melody,
            bass=bass,
            ring_on=ring_on,
            lead_tick=self.begin,
        )
        return self._track(tones, click=click, repeat=repeat)

    def difference(self) -> Track:
        """Return the step twice: first every bass ringing on, then stopped as it is asked for."""
        one, other = self.model(ring_on=True), self.model()
        later = one.length_s
        tones = (*one.tones, *(_later(tone, later) for tone in other.tones))
        ticks = (*one.ticks, *(replace(tick, start_s=tick.start_s + later) for tick in other.ticks))
        return Track(tones, ticks, later + other.length_s)

    def clicks(self, *, subdivide: int = 1, silent: int = 0) -> Track:
        """Return count-in and click, round after round."""
        return self._track((), click=True, repeat=True, subdivide=subdivide, silent=silent)

    def _track(
        self, tones: tuple[Tone, ...], *, click: bool, repeat: bool, subdivide: int = 1, silent: int = 0
    ) -> Track:
        first, last = self._inner
        count = count_in(self.score, first, self.speed, lead_tick=self.begin)
        ticks = (
            click_ticks(
                self.score,
                first,
                last,
                self.speed,
                subdivide=subdivide,
                silent=silent,
                lead_tick=self.begin,
                landing=last + 1 < len(self.score.bars),
            )
            if click
            else ()
        )
        music_s = passage_s(self.score, self._inner, self.speed, lead_tick=self.begin)
        if repeat:
            # Rounds are whole beats: a pass is held against the click whatever round it is begun in.
            bar = self.score.bars[first]
            beat_s = self.beat_s(bar.onset + beat_ticks(bar)) - self.beat_s(bar.onset)
            music_s = ceil((count.length_s + music_s - SAME_S) / beat_s) * beat_s - count.length_s
            # Where nothing is landed on, the beat after the last is the next round's first.
            ticks = tuple(tick for tick in ticks if tick.start_s < music_s - SAME_S)
        return assemble(tones, ticks, count.length_s, count=count.ticks, music_s=music_s, repeat=repeat)


def heard_again(session: Session, number: int, *, mended: bool) -> Track:
    """Return a pass as it rang, or as it would have with its stops in time; at once, without a count-in.

    As a whole it is as loud as the model, however the player's converter is set.
    """
    tones = as_loud_as(MODEL_VELOCITY, take_tones(session, number, mended=mended))
    start_s = min((tone.start_s for tone in tones), default=0.0)
    return assemble(_later(tone, -start_s) for tone in tones)


def _later(tone: Tone, by_s: float) -> Tone:
    stop_s = None if tone.stop_s is None else tone.stop_s + by_s
    return replace(tone, start_s=tone.start_s + by_s, stop_s=stop_s)
