"""What crosses the pipes of a child process that makes sound: one line of JSON for each thing said.

No pickle: a broken child can do no more than end the conversation.  Times are ``perf_counter_ns``.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from coach.core.sounding import Tick, Tone, Track


@dataclass(frozen=True, slots=True)
class Play:
    """To the child: play this, and nothing of what was playing before."""

    token: int
    at_ns: int | None  # when second 0 is to be heard; None: as soon as possible
    track: Track


@dataclass(frozen=True, slots=True)
class Stop:
    """To the child: fade out what is playing."""


@dataclass(frozen=True, slots=True)
class Opened:
    """From the child: sound is possible from now on."""

    text: str  # one sentence
    latency_ns: int  # from the callback to the ear, as far as is known


@dataclass(frozen=True, slots=True)
class Silent:
    """From the child, the last that it says: there is no sound, or no longer."""

    text: str
    lost: bool  # whether there had been sound: then it is worth looking again at once


@dataclass(frozen=True, slots=True)
class Begun:
    """From the child, again and again while a track plays: how its time lies on the clock.

    ``heard_ns`` is the time at which the track's second 0 was heard (or will be), by the sound card's clock
    as it runs now: second t of what sounds at this moment is heard at ``heard_ns + t * 1e9``.
    """

    token: int
    heard_ns: int
    underruns: int  # since the child began


@dataclass(frozen=True, slots=True)
class Over:
    """From the child: this track has come to its end, or was stopped."""

    token: int


@dataclass(frozen=True, slots=True)
class StillThere:
    """From the child: nothing to say, but it runs."""


Order = Play | Stop
Report = Opened | Silent | Begun | Over | StillThere


def pack_order(order: Order) -> bytes:
    """Return the line of one order."""
    match order:
        case Play(token, at_ns, track):
            said: dict[str, Any] = {
                "play": token,
                "at_ns": at_ns,
                "tones": [[t.start_s, t.pitch, t.string, t.velocity, t.stop_s] for t in track.tones],
                "ticks": [[t.start_s, t.accent] for t in track.ticks],
                "length_s": track.length_s,
                "period_s": track.period_s,
            }
        case Stop():
            said = {"stop": True}
    return json.dumps(said).encode() + b"\n"


def unpack_order(line: bytes) -> Order:
    """Return the order of one line; ValueError or KeyError where it is none of ours."""
    said = json.loads(line)
    if "stop" in said:
        return Stop()
    track = Track(
        tuple(Tone(*row) for row in said["tones"]),
        tuple(Tick(*row) for row in said["ticks"]),
        said["length_s"],
        said["period_s"],
    )
    return Play(said["play"], said["at_ns"], track)


def pack_report(report: Report) -> bytes:
    """Return the line of one report."""
    match report:
        case Opened(text, latency_ns):
            said: list[Any] = ["opened", text, latency_ns]
        case Silent(text, lost):
            said = ["silent", text, lost]
        case Begun(token, heard_ns, underruns):
            said = ["begun", token, heard_ns, underruns]
        case Over(token):
            said = ["over", token]
        case StillThere():
            said = ["there"]
    return json.dumps(said).encode() + b"\n"


_REPORTS: dict[str, type[Report]] = {
    "opened": Opened,
    "silent": Silent,
    "begun": Begun,
    "over": Over,
    "there": StillThere,
}


def unpack_report(line: bytes) -> Report:
    """Return the report of one line; ValueError or KeyError where it is none of ours."""
    kind, *values = json.loads(line)
    return _REPORTS[kind](*values)
