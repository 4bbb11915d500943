"""Every sentence of ``coach calibrate``, in one place, ready to translate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from coach.core.pitch import name
from coach.core.profile import Profile
from coach.core.sound_latency import Fault, Measured

BY_HAND = "The latency is set by hand to {ms} ms; with a microphone `coach calibrate sound` measures it."
LISTENING = (
    "Listening at “{name}”: {s} s of short chirps. Put the microphone before the speaker, and be quiet."
)
MEASURED = "The sound is heard {late} ms ± {doubt} ms after its order, {found} of {played} clicks heard."
BEYOND = "The device itself says {own} ms."
BEFORE = "Before, {ms} ms were reckoned with."
BEFORE_NONE = "Before, the device's own figure was reckoned with."
DRY = "Nothing is kept (--dry-run)."
SAVED = "Kept: {path}"
GAPS = "The sound had {count} gaps meanwhile; measure again if the figure looks strange."
NO_ANSWER = "it did not answer"
NO_OUTPUT = "plug in or choose an output for sound; nothing was kept"
AGAIN = "; nothing was kept"


def ms(value: float) -> str:
    """Return milliseconds as they are shown: whole ones, a decimal only where one is given."""
    return f"{value:.0f}" if abs(value - round(value)) < 0.05 else f"{value:.1f}"


def measured(late_ms: float, own_ms: float, found: Measured) -> str:
    """Return the one sentence of a measurement, and what the device says of itself."""
    said = MEASURED.format(
        late=f"{late_ms:.0f}",
        doubt=f"{max(found.uncertainty_ms, 1.0):.0f}",
        found=found.found,
        played=found.played,
    )
    return f"{said} {BEYOND.format(own=f'{own_ms:.0f}')}"


def sound_fault(found: Measured) -> tuple[str, str]:
    """Return why nothing was measured, and the remedy."""
    match found.fault:
        case Fault.SILENT:
            return "it gives nothing at all", "switch the microphone on, or choose one with --input" + AGAIN
        case Fault.FEW:
            return (
                f"too noisy: only {found.found} of {found.played} clicks heard",
                "turn the speaker up or go nearer with the microphone" + AGAIN,
            )
        case Fault.SPREAD:
            return (
                f"the {found.found} clicks heard scatter by {found.spread_ms:.0f} ms",
                "close what else uses sound, and measure again" + AGAIN,
            )
        case _:
            return (
                "none of the clicks was heard",
                "put the microphone before the speaker and turn it up" + AGAIN,
            )


def impossible(late_ms: float) -> tuple[str, str]:
    """Return what is said of a latency that cannot be."""
    return (
        f"the sound would be heard {late_ms:.0f} ms after its order, which cannot be",
        "use the input and the output of one and the same device" + AGAIN,
    )


# --- the guitar ---

BEGIN = (
    "{strings} strings are learnt, in about seven minutes: first their channels, then how they fade, then "
    "how they stop. Nothing needs a key, and who leaves early leaves all as it was."
)
STILL_WAITING = "Nothing was heard for a while. Whenever you are ready:"
UNHEARD_REMEDY = "see that the converter is on and its port is the one named above" + AGAIN
IRREGULAR_REMEDY = "set the converter to one channel a string, in order" + AGAIN
NO_CLICK = "the click did not begin"
NO_CLICK_REMEDY = "see that the sound works" + AGAIN
NOT_WITH_CLICK_REMEDY = "begin again when you like, and let the click be loud enough" + AGAIN
RINGS = (
    "Now with the click: three beats, then pluck on the fourth, and let the string ring until it has gone."
)
STOPS = "Now pluck on the high click and stop the string with a finger on the middle one, in each bar."
AGAIN_WITH_CLICK = "That did not come with the click. Once more:"
STILL_RINGING = "It still rings after half a minute: stop it."
ALL_ON_ONE = "All strings come on channel {channel}: which string sounds must be inferred from the notes."
ON_CHANNELS = "String 1 comes on channel {first}, string {strings} on channel {last}."
NOT_USUAL = " The usual channels are 1 to {strings}: this is kept in the profile."
AHEAD = "You pluck at least {ms} ms ahead of the click; this is taken off the delays."
TOUCHED = "{count} of the fades ended early, as if the string was touched; they are left out."
BEGUN = "The calibration begins; Esc leaves it."
LEFT_PAGE = "the calibration was left", "nothing was kept"
NEWLY = "The guitar is learnt."
CHANGED = "The guitar is learnt: note-ons come up to {on} ms otherwise than before, note-offs up to {off} ms."
LEFT = "Left; nothing was kept."
PORT_GONE = "the guitar's port went away"
PORT_REMEDY = "plug it in and begin again; nothing was kept"
OLD_BROKEN = "The profile kept before cannot be read, and is not compared: {why}"


def pluck(string: int, pitch: int, plucks: int) -> str:
    """Return what is asked for while the channels are learnt."""
    return f"Pluck string {string}, open ({name(pitch)}), {plucks} times."


def ring(string: int, pitch: int, how: str) -> str:
    """Return what is asked for while fades are learnt."""
    return f"String {string} ({name(pitch)}), {how}, with the fourth click, and let it ring."


def stop(string: int, pitch: int, bars: int) -> str:
    """Return what is asked for while stops are learnt."""
    return (
        f"String {string} ({name(pitch)}): one bar to count, then in each of {bars} pluck high, stop middle."
    )


def strange(pitch: int, string: int, wanted: int) -> str:
    """Return what is said of a note that is not the one asked for."""
    return f"That was {name(pitch)}; string {string} is to sound {name(wanted)} (--tuning says otherwise)."


def unheard(string: int) -> str:
    """Return what is said where a string never came."""
    return f"string {string} was not heard"


def not_with_click(string: int) -> str:
    """Return what is said where a string never came with the click."""
    return f"string {string} did not come with the click, three times over"


def irregular(channels: Mapping[int, int]) -> str:
    """Return what is said of channels that no profile describes."""
    return "strings 1 to {} come on channels {}".format(
        len(channels), ", ".join(str(channels[string]) for string in sorted(channels))
    )


def wired(profile: Profile) -> str:
    """Return how the strings reach us."""
    if profile.single_channel:
        return ALL_ON_ONE.format(channel=profile.base_channel)
    first, last = profile.channel_of(1), profile.channel_of(profile.strings)
    said = ON_CHANNELS.format(first=first, strings=profile.strings, last=last)
    return said + (
        "" if (first, profile.reversed) == (1, False) else NOT_USUAL.format(strings=profile.strings)
    )


def learnt(profile: Profile, before: Profile | None) -> list[str]:
    """Return a line for each string: what was learnt, ± two standard deviations, and what it was before."""
    lines = []
    for at in range(profile.strings):
        fade = f"fades in {profile.fade_s[at]:.1f} s" if profile.fade_s[at] else "does not fade"
        line = (
            f"String {at + 1}: note-on {_pm(profile.on_delay_ms, profile.on_error_ms, at)} late, "
            f"note-off {_pm(profile.off_delay_ms, profile.off_error_ms, at)} late, {fade}"
        )
        if before is not None and all(
            len(row) > at for row in (before.on_delay_ms, before.off_delay_ms, before.fade_s)
        ):
            line += (
                f" (before: {before.on_delay_ms[at]:.0f} ms, {before.off_delay_ms[at]:.0f} ms, "
                f"{before.fade_s[at]:.1f} s)"
            )
        lines.append(line + ".")
    return lines


def changed(profile: Profile, before: Profile) -> str:
    """Return in one sentence how far the delays moved."""
    on, off = (
        max((abs(a - b) for a, b in zip(new, old, strict=False)), default=0.0)
        for new, old in (
            (profile.on_delay_ms, before.on_delay_ms),
            (profile.off_delay_ms, before.off_delay_ms),
        )
    )
    return CHANGED.format(on=f"{on:.0f}", off=f"{off:.0f}") if before.on_delay_ms else NEWLY


def _pm(values: Sequence[float], errors: Sequence[float], at: int) -> str:
    return f"{values[at]:.0f} ± {max(2 * errors[at], 1):.0f} ms"
