"""``coach calibrate``: leads through, hears the guitar, plays the click, keeps what was learnt."""

from __future__ import annotations

import contextlib
import queue
import sys
import threading
import time
from collections.abc import Callable, Collection, Iterator
from time import perf_counter_ns
from typing import Protocol

from coach.app.play import choose_port, guitar_in, remember_port
from coach.core import calibrate_words as words
from coach.core.calibration import Calibration
from coach.core.calibration_fit import Fit
from coach.core.calibration_steps import Click, GaveUp, Learnt, Say, Step
from coach.core.calibration_turns import PARTS, Part
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
    settings: Settings,
    *,
    port: str | None = None,
    tuning: str | None = None,
    strings: Collection[int] | None = None,
    only: Part | None = None,
    dry: bool = False,
) -> int:
    """Learn the pickup profile and keep it unless ``dry``; return the exit code.

    ``strings``: only their fades and delays; ``only``: only this part.  What is not learnt stays as it was.
    What was learnt before Ctrl-C (130) or before it could not go on (CoachError) is kept.  Raises CoachError
    where there is no port, nothing of what is asked for can be learnt, or the player could not be followed.
    """
    for notice in settings.notices:
        print(f"coach: {notice}", file=sys.stderr)
    open_pitches = parse_tuning(tuning, 0, STANDARD).open_pitches
    parts = parts_of(strings, only, len(open_pitches))
    before = profile_before(settings)
    choose_port(port, settings)
    inbox: queue.SimpleQueue[Heard | PortState | Finished] = queue.SimpleQueue()
    lesson: Calibration | None = None
    try:
        with sound(settings, parts, _print) as speaker:
            lesson = Calibration(
                open_pitches, before=before, strings=strings, parts=parts, click=speaker is not None
            )
            with guitar_in(port, inbox.put, settings):
                found, name = lead(lesson, inbox, speaker, _print)
    except KeyboardInterrupt:
        so_far = lesson.so_far() if lesson is not None else None
        print(f"\n{words.LEFT_EARLY if so_far is not None else words.NOTHING_NEW}")
        _tell_and_keep(settings, lesson, so_far, before, dry)
        return 130
    except CoachError as fault:
        so_far = lesson.so_far() if lesson is not None else None
        _tell_and_keep(settings, lesson, so_far, before, dry)
        raise with_kept(fault, so_far is not None and not dry) from fault
    remember_port(settings, name)
    _tell_and_keep(settings, lesson, found, before, dry)
    return 0


def parts_of(strings: Collection[int] | None, only: Part | None, count: int) -> frozenset[Part]:
    """Return what is to be learnt.  Raises CoachError where the strings or the part cannot be meant."""
    if strings is not None:
        for string in strings:
            if not 1 <= string <= count:
                what = words.NO_STRING.format(string=string, strings=count)
                raise CoachError("--strings", what, words.STRINGS_REMEDY)
        if only == "channels":
            raise CoachError("--strings", words.CHANNELS_ALL, words.CHANNELS_ALL_REMEDY)
    if only is not None:
        return frozenset((only,))
    return frozenset(PARTS) if strings is None else frozenset(("fades", "delays"))


def with_kept(fault: CoachError, kept: bool) -> CoachError:
    """Return a fault whose remedy also says whether anything was kept."""
    said = words.KEPT_SO_FAR if kept else words.NOTHING_KEPT
    return CoachError(fault.where, fault.what, f"{fault.remedy}; {said}")


def profile_before(settings: Settings) -> Profile | None:
    """Return the profile kept before, or None; one that cannot be read is named, and stays for now."""
    try:
        return kept_profile(settings.path.parent)
    except CoachError as fault:
        print(f"coach: {words.OLD_BROKEN.format(why=fault.what)}", file=sys.stderr)
        return None


def told(found: Fit) -> list[str]:
    """Return what there is to say beside the figures of the strings."""
    lines = []
    if found.ahead_ms:
        lines.append(words.AHEAD.format(ms=f"{found.ahead_ms:.0f}"))
    if found.touched:
        lines.append(words.touched(found.touched))
    return lines


def _tell_and_keep(
    settings: Settings, lesson: Calibration | None, found: Fit | None, before: Profile | None, dry: bool
) -> None:
    """Say what was learnt, and keep it unless ``dry``; nothing where there is nothing."""
    if lesson is None or found is None:
        return
    lines = words.learnt(found, before)
    heading = words.LEARNT if found.delays else words.LEARNT_FADES
    for line in [heading, *lines] if lines else []:
        print(line)
    for line in (*told(found), *words.missing(found, lesson.strings, lesson.parts)):
        print(line)
    print(words.DRY if dry else words.SAVED.format(path=keep_profile(found.profile, settings.path.parent)))


def lead(
    lesson: Calibration,
    inbox: Messages,
    clicker: Clicker | None,
    say: Callable[[str], None],
    *,
    clock_ns: Callable[[], int] = perf_counter_ns,
) -> tuple[Fit, str]:
    """Go through a calibration to its end; return what was learnt and the port's name.

    ``clicker``: None where the lesson orders no click.  While the port is away it waits.  Raises CoachError
    where the lesson gave up or no MIDI system answers any more, ``Left`` where ``Finished`` came to end it.
    """
    name, token, origin_ns = "", None, clock_ns()
    steps: list[Step] = []
    waiting, begun = True, False  # for the port; whether it was there before
    fed_us = 0
    while True:
        for step in steps:
            match step:
                case Say(text):
                    say(text)
                case Click(track) if clicker is not None:
                    token = clicker.play(track, at_ns=clock_ns() + round(AHEAD_S * 1e9))
                case GaveUp(what, remedy):
                    raise CoachError(name or "guitar", what, remedy)
                case Learnt(found):
                    return found, name
                case _:
                    raise TypeError(f"{step} without a clicker")
        if clicker is not None and token is not None and (start_ns := clicker.start_ns(token)) is not None:
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
                if state == "no-backend" and begun:
                    raise CoachError(name or "guitar", words.PORT_GONE, words.PORT_REMEDY)
                if state == "open":
                    if not begun:
                        steps = lesson.begin()
                    elif waiting:
                        steps = [Say(words.PORT_BACK), *lesson.again()]
                    waiting, begun, name = False, True, port or name
                elif not waiting:
                    waiting = True
                    say(words.PORT_AWAY)
            case Finished():
                raise Left


class Left(Exception):
    """The player left in the middle."""


@contextlib.contextmanager
def sound(
    settings: Settings, parts: Collection[Part], say: Callable[[str], None]
) -> Iterator[Speaker | None]:
    """Yield the sound once it is there; None, and a sentence why, where there is none or it is not needed.

    Raises CoachError where nothing of the ``parts`` can be learnt without sound.
    """
    if "delays" not in parts:
        yield None
        return
    said: list[str] = []
    there = threading.Event()

    def on_state(text: str) -> None:
        said.append(text)
        if there.is_set():  # a change, in the middle
            say(text)

    latency_ms = settings.sound_latency_ms or 0.0
    with Speaker(device=settings.sound_device or None, latency_ms=latency_ms, on_state=on_state) as speaker:
        try:
            await_sound(speaker, said)
        except CoachError as fault:
            if set(parts) == {"delays"}:
                raise CoachError(fault.where, fault.what, words.SOUND_NEEDED) from fault
            say(words.NO_SOUND.format(why=fault.what))
        if speaker.state == "sound":
            say(said[-1])
            there.set()
            yield speaker
            return
    yield None


def await_sound(speaker: Speaker, said: list[str]) -> None:
    """Wait until the sound is there; ``speaker`` fills ``said``.  Raises CoachError where it is not."""
    ends = time.monotonic() + SOUND_S
    while speaker.state != "sound":
        if said or time.monotonic() > ends:
            raise CoachError("sound", reason(said[-1] if said else words.NO_ANSWER), words.NO_OUTPUT)
        time.sleep(LOOK_S)


def _print(text: str) -> None:
    print(text, flush=True)
