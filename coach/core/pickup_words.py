"""What is said of the pickup and its converter; ready to translate."""

from __future__ import annotations

from coach.core import words
from coach.core.channels import Channels
from coach.core.verdicts import Source

CHANNELS_OFF = (
    "The strings seem to be on MIDI channels {found}, not {asked}; until that is put right the score says "
    "which string is which: run `coach calibrate`, or name a profile with --profile."
)
ALL_ON_ONE = "{first} alone"
FROM_TO = "{first} to {last}"
BACKWARDS = "{first} to {last}, string {strings} first"
LIFTED = "let go"  # of an open string, by the finger that stopped it
LIFTED_SENTENCE = "{bar}: string {string} rang for {amount} as the finger let it go."
LIFTED_ADVICE = "lift the finger straight up, and let another one stop the string"
RANG_ON = "melody rang on"
RANG_ON_SENTENCE = "{bar}: the melody's string {string} rang on for {amount}."
RANG_ON_ADVICE = "lift the left-hand finger, or touch the string, when its note is over"
STRAY_WORDS = {Source.LIFTED: LIFTED, Source.RANG_ON: RANG_ON}
STRAY_ADVICE = {Source.LIFTED: LIFTED_ADVICE, Source.RANG_ON: RANG_ON_ADVICE}
DOUBT = "{amount} ± {doubt}"
DOUBT_SHOWN_MS = 5.0  # a smaller uncertainty is not worth its place


def with_doubt(amount: str, uncertainty_ms: float) -> str:
    """Return an amount with its uncertainty, where that is worth saying."""
    known = uncertainty_ms < DOUBT_SHOWN_MS
    return amount if known else DOUBT.format(amount=amount, doubt=f"{uncertainty_ms:.0f}")


def stray_sentence(source: Source, *, bar: str, string: int, amount: str) -> str:
    """Return a sound nobody asked for in one sentence, by where it came from."""
    if source is Source.LIFTED:
        return LIFTED_SENTENCE.format(bar=bar, string=string, amount=amount)
    if source is Source.RANG_ON:
        return RANG_ON_SENTENCE.format(bar=bar, string=string, amount=amount)
    return words.STRAY_SENTENCE.format(bar=bar, string=string, amount=amount)


def channels_off(channels: Channels) -> str:
    """Return in one sentence where the strings seem to be; nothing where they are as they should be."""
    proposed, asked = channels.proposed, channels.profile
    if not channels.off or proposed is None:
        return ""
    first, last = asked.base_channel, (asked.base_channel + asked.strings - 2) % 16 + 1
    return CHANNELS_OFF.format(found=_found(channels), asked=FROM_TO.format(first=first, last=last))


def _found(channels: Channels) -> str:
    proposed = channels.proposed
    assert proposed is not None
    first, strings = proposed.base_channel, proposed.strings
    if proposed.single_channel:
        return ALL_ON_ONE.format(first=first)
    last = (first + strings - 2) % 16 + 1
    if proposed.reversed and not channels.profile.reversed:
        return BACKWARDS.format(first=first, last=last, strings=strings)
    return FROM_TO.format(first=first, last=last)
