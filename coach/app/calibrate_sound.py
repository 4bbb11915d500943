"""``coach calibrate sound``: how late the speaker is heard, measured with a microphone or a cable."""

from __future__ import annotations

import sys
import time
from time import perf_counter_ns

import numpy as np

from coach.app.calibrate import await_sound
from coach.core import calibrate_words as words
from coach.core.errors import CoachError
from coach.core.sound_latency import Measured, click_train, measure
from coach.devices.listener import Listener
from coach.devices.sound import Speaker
from coach.files.settings import LATENCY_MS, Settings

AHEAD_S = 0.7  # from the order to the train's beginning
TAIL_S = 0.8  # a speaker that is as late as can be is still recorded
LOOK_S = 0.02
GAIN = 0.7  # of full scale: loud, but not bent by the limit


def run_calibrate_sound(
    settings: Settings, *, by_hand_ms: float | None = None, source: str | None = None, dry: bool = False
) -> int:
    """Measure the output latency, or take it ``by_hand_ms``; keep it unless ``dry``; return the exit code.

    ``source``: the input's name or part of it.  Raises CoachError, and keeps nothing, where there is no
    sound, no input, or no trustworthy measurement.
    """
    for notice in settings.notices:
        print(f"coach: {notice}", file=sys.stderr)
    if by_hand_ms is not None:
        late_ms = by_hand_ms
        print(words.BY_HAND.format(ms=words.ms(late_ms)))
    else:
        own_ms, found = listen(settings.sound_device or None, source)
        if found.fault is not None:
            raise CoachError("audio input", *words.sound_fault(found))
        late_ms = own_ms + found.late_ms
        low, high = LATENCY_MS
        if not low <= late_ms <= high:
            raise CoachError("audio input", *words.impossible(late_ms))
        print(words.measured(late_ms, own_ms, found))
    before = settings.sound_latency_ms
    print(words.BEFORE.format(ms=words.ms(before)) if before is not None else words.BEFORE_NONE)
    if dry:
        print(words.DRY)
        return 0
    settings.sound_latency_ms = round(late_ms, 1)
    settings.save()
    print(words.SAVED.format(path=settings.path))
    return 0


def sound_only(asked: bool) -> None:
    """Refuse what is ``asked`` of the guitar's calibration.  Raises CoachError."""
    if asked:
        raise CoachError("calibrate sound", words.ONLY_GUITAR, words.ONLY_GUITAR_REMEDY)


def listen(output: str | None, source: str | None) -> tuple[float, Measured]:
    """Play the train and hear it; return the output's own figure in ms, and what was measured beyond it."""
    said: list[str] = []
    track = click_train()
    with Speaker(device=output, on_state=said.append, click_gain=GAIN) as speaker:
        await_sound(speaker, said)
        print(said[-1])
        with Listener(source) as listener:
            print(words.LISTENING.format(name=listener.name, s=round(track.length_s)), flush=True)
            token = speaker.play(track, at_ns=perf_counter_ns() + round(AHEAD_S * 1e9))
            told: list[tuple[int, int]] = []  # when it was said, when the train's second 0 is heard
            while speaker.playing:
                start_ns = speaker.start_ns(token)
                if start_ns is not None:
                    told.append((perf_counter_ns(), start_ns))
                time.sleep(LOOK_S)
            own_ms = speaker.latency_ms
            if not told or speaker.state != "sound":
                raise CoachError("sound", said[-1].rstrip("."), words.NO_OUTPUT)
            time.sleep(TAIL_S)
            recording = listener.recording()
        if speaker.underruns:
            print(words.GAPS.format(count=speaker.underruns))
    said_ns, starts_ns = np.array(told, np.int64).T
    into_ns = np.array([round(tick.start_s * 1e9) for tick in track.ticks], np.int64)
    # The told start follows the sound card's clock: for each click what was said last before it.
    last = np.searchsorted(said_ns, starts_ns[0] + into_ns).clip(1, len(told)) - 1
    return own_ms, measure(recording, starts_ns[last] + into_ns)
