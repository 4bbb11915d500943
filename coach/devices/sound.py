"""What is heard: one continuous stream of sound in a child process, with a known place on the clock.

The times are ``perf_counter_ns``, the clock that stamps the guitar's messages, so that what is played can
be held against what is heard.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from coach.devices.child import python_command
from coach.devices.sounder import LOOK_AGAIN_S, Sounder

CHILD = "coach.devices.sound_child"


class Speaker(Sounder):
    """The computer's own sound; see ``Sounder`` for how it is used."""

    def __init__(
        self,
        *,
        device: str | None = None,
        latency_ms: float = 0.0,
        on_state: Callable[[str], None],
        click_gain: float | None = None,
        tone_gain: float | None = None,
        command: Sequence[str] | None = None,
        look_again_s: float = LOOK_AGAIN_S,
    ) -> None:
        """``device`` is an output's name or part of it; without it, or without that output, the usual one.

        ``latency_ms`` is the calibrated output latency, in place of the device's own figure; 0: not
        calibrated.  The gains are of full scale; None: the mixer's own.  ``command`` runs another child
        that speaks the same lines.
        """
        options = [f"--latency-ms={latency_ms}"]
        for key, gain in (("--click-gain", click_gain), ("--tone-gain", tone_gain)):
            if gain is not None:
                options.append(f"{key}={gain}")
        if device:
            # No device has a NUL in its name, and no command line can carry one.
            options.append("--device=" + device.replace("\0", ""))
        super().__init__(command or python_command(CHILD, *options), on_state, look_again_s=look_again_s)
