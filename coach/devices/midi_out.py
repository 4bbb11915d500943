"""The same tracks played by a synthesizer at a MIDI output, as an alternative to the computer's own sound."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from coach.devices.child import python_command
from coach.devices.sounder import LOOK_AGAIN_S, Sounder

CHILD = "coach.devices.midi_out_child"


class MidiSpeaker(Sounder):
    """A synthesizer; it is used as ``Speaker`` is, see ``Sounder``.

    ``stop`` ends the notes at once; how they fade is the synthesizer's own.
    """

    def __init__(
        self,
        *,
        port: str | None = None,
        latency_ms: float = 0.0,
        on_state: Callable[[str], None],
        command: Sequence[str] | None = None,
        look_again_s: float = LOOK_AGAIN_S,
    ) -> None:
        """``port`` is an output's name or part of it; without it the only one there is.

        ``latency_ms`` is the time from a message to the synthesizer's sound, calibrated.  ``command`` runs
        another child that speaks the same lines.
        """
        options = [f"--latency-ms={latency_ms}"]
        if port:
            options.append("--port=" + port.replace("\0", ""))
        super().__init__(command or python_command(CHILD, *options), on_state, look_again_s=look_again_s)
