"""What the program says about its sound: one quiet sentence whenever something changed."""

from __future__ import annotations

SOUND_TO = "Sound goes to “{name}”."
SOUND_TO_OTHER = "“{wanted}” gives no sound now; it goes to “{name}” instead."
SOUND_SIMPLE = "Sound goes out in the simple way; a click may start {ms:.0f} ms early or late."
NO_DEVICE = "No sound here ({why}): mend that and ask again; all else works in silence."
NO_LIBRARY = "libportaudio2 is not installed"
NO_OUTPUT = "no output for sound was found"
DEVICE_LOST = "The sound stopped: “{name}” is gone. The next thing to be heard looks for it again."
SOUND_DIED = "The sound stopped by itself ({how}); it starts again with the next thing to be heard."
NOT_ANSWERING = "it did not answer any more"

SYNTH_TO = "The notes go to “{name}”."
NO_SYNTH = "No synthesizer here ({why}): mend that and ask again; all else works in silence."
NO_SYNTH_SYSTEM = "no MIDI system answers"
NO_SYNTH_PORT = "there is no MIDI output"
NO_SYNTH_FITS = "no MIDI output has “{wanted}” in its name; there are: {names}"
MANY_SYNTHS = "there are {count} MIDI outputs: {names}; choose one of them"
SYNTH_REFUSED = "“{name}” cannot be opened, it may be in use"
SYNTH_LOST = "The notes stopped: “{name}” is gone. The next thing to be heard looks for it again."


def reason(sentence: str) -> str:
    """Return why there is no sound: what ``NO_DEVICE`` has in brackets, else all of a sentence."""
    _, bracket, rest = sentence.partition("(")
    return rest.rpartition(")")[0] if bracket else sentence.rstrip(".")
