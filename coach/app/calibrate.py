"""``coach calibrate``: leads through, hears the guitar, plays the click, keeps what was learnt."""

from __future__ import annotations

import contextlib
import queue
import sys
import time
from collections.abc import Callable, Iterator
from time import perf_counter_ns
from typing import Protocol

from coach.app.play import choose_port, guitar_in, remember_port
from coach.core import calibrate_words as words
from coach.core.calibration import Calibration, Click, GaveUp, Learnt, Say
from coach.core.calibration_fit import Fit
from coach.core.errors import CoachError
from coach.core.pitch import STANDARD
from coach.core.profile import Profile
from coach.core.sound_words import reason
from coach.core.sounding import Track
from coach.devices.messages import Finished, Heard, PortState
from coach.devices.sound import Speaker
from coach.files.settings import Settings, keep_profile, kept_profile, parse_tuning

LOOK_S = 0.05
SOUND_S = 10.0  # for the sound to be there
AHEAD_S = 0.6  # from the sentence to the first beat
TICK_LAG_US = 60_000  # a message may be so long on its way from the driver to us


class Messages(Protocol):
    """Where messages come from; ``queue.SimpleQueue`` is one."""

    def get(self, block: bool = True, timeout: float | None = None) -> Heard | PortState | Finished:
        """Return the next message; queue.Empty where none came in time."""


class Clicker(Protocol):
    """What plays the click; ``coach.devices.sound.Speaker`` does."""

    def play(self, track: Track, *, at_ns: int | None = None) -> int:
        """Play a track; return its token."""

    def start_ns(self, token: int) -> int | None:
        """Return when its second 0 is heard."""


def run_calibrate(
    settings: Settings, *, port: str | None = None, tuning: str | None = None, dry: bool = False
) -> int:
    """Learn the pickup profile and keep it unless ``dry``; return the exit code.

    Raises CoachError, and keeps nothing, where there is no port, no sound, or the player could not be
    followed.  Ctrl-C leaves all as it was.
    """
    for notice in settings.notices:
        print(f"coach: {notice}", file=sys.stderr)
    open_pitches = parse_tuning(tuning, 0, STANDARD).open_pitches
    before = profile_before(settings)
    choose_port(port, settings)
    inbox: queue.SimpleQueue[Heard | PortState | Finished] = queue.SimpleQueue()
    try:
        with sound(settings) as speaker, guitar_in(port, inbox.put, settings):
            found, name = lead(Calibration(open_pitches), inbox, speaker, _print)
    except KeyboardInterrupt:
        print(f"\n{words.LEFT}")
        return 130
    remember_port(settings, name)
    for line in told(found, before):
        print(line)
    if dry:
        print(words.DRY)
        return 0
    print(words.SAVED.format(path=keep_profile(found.profile, settings.path.parent)))
    return 0


def profile_before(settings: Settings) -> Profile | None:
    """Return the profile kept before, or None; one that cannot be read is named, and stays for now."""
    try:
        return kept_profile(settings.path.parent)
    except CoachError as fault:
        print(f"coach: {words.OLD_BROKEN.format(why=fault.what)}", file=sys.stderr)
        return None


def told(found: Fit, before: Profile | None) -> list[str]:
    """Return what was learnt, in sentences."""
    lines = words.learnt(found.profile, before)
    if found.ahead_ms:
        lines.append(words.AHEAD.format(ms=f"{found.ahead_ms:.0f}"))
    if found.touched:
        lines.append(words.TOUCHED.format(count=found.touched))
    return lines


def lead(
    lesson: Calibration,
    inbox: Messages,
    clicker: Clicker,
    say: Callable[[str], None],
    *,
    clock_ns: Callable[[], int] = perf_counter_ns,
) -> tuple[Fit, str]:
    """Go through a calibration to its end; return what was learnt and the port's name.

    Raises CoachError where the lesson gave up, the port went away, or ``Finished`` came to end it.
    """
    name, token, origin_ns = "", None, clock_ns()
    steps = lesson.begin()
    waiting = True  # for the port
    fed_us = 0
    while True:
        for step in steps:
            match step:
                case Say(text):
                    say(text)
                case Click(track):
                    token = clicker.play(track, at_ns=clock_ns() + round(AHEAD_S * 1e9))
                case GaveUp(what, remedy):
                    raise CoachError(name or "guitar", what, remedy)
                case Learnt(found):
                    return found, name
        if token is not None and (start_ns := clicker.start_ns(token)) is not None:
            lesson.told((start_ns - origin_ns) // 1000)
        try:
            message = inbox.get(timeout=LOOK_S)
        except queue.Empty:
            fed_us = max(fed_us, (clock_ns() - origin_ns) // 1000 - TICK_LAG_US)
            steps = [] if waiting else lesson.tick(fed_us)
            continue
        steps = []
        match message:
            case Heard(stamp_ns, data):
                fed_us = max(fed_us, (stamp_ns - origin_ns) // 1000)
                steps = lesson.hear(fed_us, data)
            case PortState(state, text, port):
                say(text)
                waiting, name = state != "open", port or name
                if state in ("lost", "no-backend"):
                    raise CoachError(name or "guitar", words.PORT_GONE, words.PORT_REMEDY)
            case Finished():
                raise CoachError(name or "guitar", *words.LEFT_PAGE)


@contextlib.contextmanager
def sound(settings: Settings) -> Iterator[Speaker]:
    """Yield the sound once it is there.  Raises CoachError where there is none."""
    said: list[str] = []
    latency_ms = settings.sound_latency_ms or 0.0
    with Speaker(
        device=settings.sound_device or None, latency_ms=latency_ms, on_state=said.append
    ) as speaker:
        await_sound(speaker, said)
        yield speaker


def await_sound(speaker: Speaker, said: list[str]) -> None:
    """Wait until the sound is there; ``speaker`` fills ``said``.  Raises CoachError where it is not."""
    ends = time.monotonic() + SOUND_S
    while speaker.state != "sound":
        if said or time.monotonic() > ends:
            raise CoachError("sound", reason(said[-1] if said else words.NO_ANSWER), words.NO_OUTPUT)
        time.sleep(LOOK_S)


def _print(text: str) -> None:
    print(text, flush=True)
