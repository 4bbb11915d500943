"""Every sentence of ``coach calibrate``, in one place, ready to translate."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING

from coach.core.pitch import name
from coach.core.profile import Profile
from coach.core.sound_latency import Fault, Measured

if TYPE_CHECKING:
    from coach.core.calibration_fit import Fit

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

PART_WORDS = {
    "channels": "which channel each string uses",
    "fades": "how long each string rings when let alone",
    "delays": "how late notes and their ends are reported",
}
BEGIN = (
    "Learning the guitar: {parts}; about {minutes} min. No key is needed; leaving early keeps what is done."
)
STILL_WAITING = "Nothing was heard for a while. Whenever you are ready:"
UNHEARD_REMEDY = "see that the converter is on and its port is the one named above"
TUNING_REMEDY = "tune the guitar, or say how it is tuned with --tuning"
IRREGULAR_REMEDY = "set the converter to one channel a string, in order"
RINGS = (
    "Now with the click: three beats, then pluck on the fourth, and let the string ring until it has gone."
)
RINGS_FREELY = "Now pluck when you like, and let the string ring until it has gone."
STOPS = "Now pluck on the high click and stop the string with a finger on the middle one, in each bar."
NOTHING_CAME = "Nothing was heard. Once more:"
FEW_STOPS = "{came} of {bars} were stopped with the click. Once more:"
FEW_PLUCKS = "{came} of {bars} were plucked and stopped with the click. Once more:"
OFF_THE_CLICK = "That came {s} s {side} the click. Once more:"
OTHER_STRING = "That was string {string}. Once more:"
OTHER_NOTE = "That was {note}. Once more:"
LEFT_OUT = "String {string} is left out for now."
NOBODY = "Nobody seems to play: it ends here."
NO_END = "No end of that note was reported; if the string still rings, stop it."
NOTHING_LEARNT = "nothing could be learnt"
TIE = "String {string} once too: it fits the new figures to the old. "
LEFT = "[{at} of {all}]"
ALL_ON_ONE = "All strings come on channel {channel}: which string sounds must be inferred from the notes."
ON_CHANNELS = "String 1 comes on channel {first}, string {strings} on channel {last}."
NOT_USUAL = " The usual channels are 1 to {strings}: this is kept in the profile."
NO_SOUND = "No sound ({why}), so no click: channels and fades are learnt, delays are left as they are."
SOUND_GONE = "The click cannot be heard any more: it goes on without, and delays are left as they are."
SOUND_NEEDED = "plug in or choose an output for sound: delays are measured against a click"
AHEAD = "You pluck at least {ms} ms ahead of the click; this is taken off the delays."
TOUCHED_ONE = "One of the fades ended early, as if the string was touched; it is left out."
TOUCHED = "{count} of the fades ended early, as if the string was touched; they are left out."
GUESSED = (
    "{strings}: delays are guessed from the other strings. "
    "To measure: coach calibrate --only delays --strings {numbers}"
)
MISSING_DELAYS = (
    "Delays are not measured: overhangs are taken to be known within ± {doubt} ms. "
    "To measure: coach calibrate --only delays"
)
MISSING_FADES = "{strings}: no fade was heard. To learn: coach calibrate --only fades --strings {numbers}"
BEGUN = "The calibration begins; Esc leaves it."
LEFT_PAGE = "The calibration was left"
LEFT_EARLY = "Left early."
LEARNT = "Learnt (± two standard deviations: 19 of 20 true values lie within):"
LEARNT_FADES = "Learnt:"
NEWLY = "The guitar is learnt."
CHANGED = "The guitar is learnt: note-ons come up to {on} ms otherwise than before, note-offs up to {off} ms."
NOTHING_KEPT = "nothing was kept, all is as it was"
KEPT_SO_FAR = "what was learnt so far is kept"
NOTHING_NEW = "Nothing was learnt yet; all is as it was."
PORT_AWAY = "It goes on where it was once the port is back; leaving now keeps what is done."
PORT_BACK = "It goes on."
PORT_GONE = "the guitar's port went away"
PORT_REMEDY = "plug it in and begin again"
OLD_BROKEN = "The profile kept before cannot be read, and is not used: {why}"
NO_STRING = "there is no string {string} on a guitar of {strings} strings"
STRINGS_REMEDY = "give string numbers such as --strings 4,5; 1 is the highest"
CHANNELS_ALL = "the channels of single strings are not learnt alone"
CHANNELS_ALL_REMEDY = "leave out --strings, or give --only fades or --only delays"
ONLY_GUITAR = "--strings and --only are for the guitar, not for its sound"
ONLY_GUITAR_REMEDY = "leave them out"


def begin(parts: Sequence[str], minutes: int) -> str:
    """Return what is going to be learnt."""
    return BEGIN.format(parts=_listed([PART_WORDS[part] for part in parts]), minutes=minutes)


def pluck(string: int, pitch: int, plucks: int) -> str:
    """Return what is asked for while the channels are learnt."""
    return f"Pluck string {string}, open ({name(pitch)}), {plucks} times."


def ring(string: int, pitch: int, how: str) -> str:
    """Return what is asked for while fades are learnt with the click."""
    return f"String {string} ({name(pitch)}), {how}, with the fourth click, and let it ring."


def ring_freely(string: int, pitch: int, how: str) -> str:
    """Return what is asked for while fades are learnt without a click."""
    return f"String {string} ({name(pitch)}), {how}, and let it ring."


def stop(string: int, pitch: int, bars: int) -> str:
    """Return what is asked for while stops are learnt."""
    return (
        f"String {string} ({name(pitch)}): one bar to count, then in each of {bars} bars pluck on the high "
        f"click and stop on the middle one."
    )


def tie(string: int) -> str:
    """Return why a string that is known is asked for."""
    return TIE.format(string=string)


def left(at: int, of: int) -> str:
    """Return how far it has come."""
    return LEFT.format(at=at, all=of)


def strange(pitch: int, string: int, wanted: int) -> str:
    """Return what is said of a note that is not the one asked for."""
    return f"That was {name(pitch)}; string {string} is to sound {name(wanted)} (--tuning says otherwise)."


def only_strange(pitch: int, string: int, wanted: int) -> str:
    """Return what is said where only other notes than the one asked for came."""
    return f"string {string} ({name(wanted)}) was not heard, but {name(pitch)} was"


def unheard(string: int) -> str:
    """Return what is said where a string never came."""
    return f"string {string} was not heard"


def other_string(string: int | None, pitch: int) -> str:
    """Return what is said of another string than the one asked for."""
    return OTHER_NOTE.format(note=name(pitch)) if string is None else OTHER_STRING.format(string=string)


def few_stops(came: int, bars: int, *, plucked: bool) -> str:
    """Return what is said where too few bars were played with the click."""
    return (FEW_STOPS if plucked else FEW_PLUCKS).format(came=came or "None", bars=bars)


def off_the_click(late_s: float) -> str:
    """Return what is said of a pluck that did not come with the click."""
    return OFF_THE_CLICK.format(s=f"{abs(late_s):.1f}", side="after" if late_s > 0 else "before")


def left_out(string: int) -> str:
    """Return what is said of a string that did not come, three times over."""
    return LEFT_OUT.format(string=string)


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


def learnt(found: Fit, before: Profile | None) -> list[str]:
    """Return a line for each string of which something was learnt, and what it was before."""
    profile, lines = found.profile, []
    for string in sorted(found.delays | found.guessed | found.fades, reverse=True):
        at = string - 1
        parts = []
        if string in found.delays | found.guessed:
            on = _pm(profile.on_delay_ms, profile.on_error_ms, at)
            off = _pm(profile.off_delay_ms, profile.off_error_ms, at)
            sure = "about " if string in found.guessed else ""
            parts += [f"note-on {sure}{on} late", f"note-off {sure}{off} late"]
        if string in found.fades:
            parts.append(f"fades in {profile.fade_s[at]:.1f} s")
        line = f"String {string}: " + ", ".join(parts)
        was = _before(before, found, string) if before is not None else []
        lines.append(line + (f" (before: {', '.join(was)})." if was else "."))
    return lines


def missing(found: Fit, strings: Collection[int], parts: Collection[str]) -> list[str]:
    """Return what was asked for and is not known yet, and how to learn it."""
    profile, lines = found.profile, []
    if found.guessed:
        lines.append(GUESSED.format(strings=_strings(found.guessed), numbers=_numbers(found.guessed)))
    elif "delays" in parts and not any(profile.on_delay_ms):
        lines.append(MISSING_DELAYS.format(doubt=f"{2 * profile.uncertainty_ms:.0f}"))
    faint = {s for s in strings if profile.fade_us(s) is None}
    if "fades" in parts and faint:
        lines.append(MISSING_FADES.format(strings=_strings(faint), numbers=_numbers(faint)))
    return lines


def touched(count: int) -> str:
    """Return what is said of fades that were left out."""
    return TOUCHED_ONE if count == 1 else TOUCHED.format(count=count)


def changed(found: Fit, before: Profile | None) -> str:
    """Return in one sentence how far the delays moved, where they were measured and known before."""
    if before is None or not before.on_delay_ms or not found.delays:
        return NEWLY
    profile = found.profile
    on, off = (
        max((abs(a - b) for a, b in zip(new, old, strict=False)), default=0.0)
        for new, old in (
            (profile.on_delay_ms, before.on_delay_ms),
            (profile.off_delay_ms, before.off_delay_ms),
        )
    )
    return CHANGED.format(on=f"{on:.0f}", off=f"{off:.0f}")


def _before(before: Profile, found: Fit, string: int) -> list[str]:
    """Return what a string's line was before."""
    measured = string in found.delays | found.guessed
    rows = [(before.on_delay_ms, "{:.0f} ms"), (before.off_delay_ms, "{:.0f} ms")] if measured else []
    rows += [(before.fade_s, "{:.1f} s")] if string in found.fades else []
    known = all(len(row) >= string for row, _ in rows)
    return [form.format(row[string - 1]) for row, form in rows] if known else []


def _strings(numbers: Collection[int]) -> str:
    word = "String " if len(numbers) == 1 else "Strings "
    return word + _listed([str(number) for number in sorted(numbers, reverse=True)])


def _numbers(numbers: Collection[int]) -> str:
    """Return strings as ``--strings`` takes them."""
    return ",".join(str(number) for number in sorted(numbers, reverse=True))


def _listed(items: Sequence[str]) -> str:
    return " and ".join((", ".join(items[:-1]), items[-1])) if len(items) > 1 else "".join(items)


def _pm(values: Sequence[float], errors: Sequence[float], at: int) -> str:
    return f"{values[at]:.0f} ± {max(2 * errors[at], 1):.0f} ms"
