"""What a calibration asks for, turn by turn, and the clicks that go with it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal

from coach.core.profile import Profile
from coach.core.sounding import BAR_ACCENT, BEAT_ACCENT, SUBDIVISION, Tick, Track

Part = Literal["channels", "fades", "delays"]
PARTS: tuple[Part, ...] = ("channels", "fades", "delays")
RING_BEAT_S, RING_COUNT = 0.8, 3  # three beats are counted, the fourth is the pluck
STOP_BEAT_S, STOP_BARS, STOP_AT = 0.75, 4, 2  # bars of four; pluck on the first beat, stop two beats later
HOW = ("softly", "as usual", "as usual", "strongly")  # a string's four plucks that fade
CHANNELS_S, RING_S, STOP_S = 5, 11, 17  # what a string takes, what one turn takes, about


@dataclass(frozen=True, slots=True)
class Turn:
    """One thing that is asked for."""

    kind: Literal["ring", "stop"]
    string: int
    number: int = 0  # of a string's rings
    tie: bool = False  # a string that is not learnt anew: it ties the new figures to the kept ones


def turns(wired: Profile, strings: Collection[int], parts: Collection[Part], *, click: bool) -> list[Turn]:
    """Return all turns for ``strings`` of a guitar whose channels are known; lowest string first.

    Delays need a click.  Where only some strings are learnt, one of the others is asked for too: what the
    player and the sound have in common is another every time, and a string known before tells by how much.
    """
    ordered = sorted(strings, reverse=True)
    made = [Turn("ring", s, k) for s in ordered for k in range(len(HOW))] if "fades" in parts else []
    if "delays" in parts and click:
        made += [Turn("stop", s) for s in ordered]
        known = [s for s in range(1, wired.strings + 1) if s not in ordered and has_delays(wired, s)]
        if known:
            made.append(Turn("stop", min(known, key=lambda s: wired.error_us(s, s)), tie=True))
    return made


def has_delays(profile: Profile, string: int) -> bool:
    """Whether both delays of a string are known."""
    return all(len(row) >= string for row in (profile.on_delay_ms, profile.off_delay_ms)) and (
        profile.on_delay_ms[string - 1] > 0
    )


def minutes(strings: int, asked: Sequence[Turn], *, channels: bool) -> int:
    """Return about how long it takes, in whole minutes, at least one."""
    seconds = CHANNELS_S * strings if channels else 0
    seconds += sum(RING_S if turn.kind == "ring" else STOP_S for turn in asked)
    return max(round(seconds / 60), 1)


def ring_click() -> Track:
    """Return three beats, and the fourth, higher, to pluck with."""
    accents = [BEAT_ACCENT] * RING_COUNT + [BAR_ACCENT]
    ticks = tuple(Tick(k * RING_BEAT_S, accent) for k, accent in enumerate(accents))
    return Track((), ticks, RING_BEAT_S * (RING_COUNT + 1))


def stop_click() -> Track:
    """Return a bar to count and the bars to play: high to pluck with, middle to stop with, low between."""
    accents = {0: BAR_ACCENT, STOP_AT: BEAT_ACCENT}
    beats = 4 * (STOP_BARS + 1)
    ticks = tuple(Tick(k * STOP_BEAT_S, accents.get(k % 4, SUBDIVISION)) for k in range(beats))
    return Track((), ticks, beats * STOP_BEAT_S)
