"""What the prepared page says in words."""

from __future__ import annotations

from coach.core import words
from coach.core.preparation import Preparation
from coach.core.stops import THUMB_ALONE, Reason, Stop
from coach.core.ways import Hindrance, Way

LEVEL_NAME = {"first-lesson": "first lesson", "intermediate": "intermediate", "concert": "concert"}
HINDRANCE_WORDS = {
    Hindrance.NO_TIME: "no time: the thumb plays again after {time}",
    Hindrance.NOT_NEXT_LOWER: "string {string} is not the next lower-sounding one beside string {next}",
    Hindrance.NOT_NEXT_HIGHER: "string {string} is not the next higher-sounding one beside string {next}",
    Hindrance.NO_STROKE: "the thumb plays nothing at that moment",
    Hindrance.OPEN_STRING: "the string is open: no finger is on it",
    Hindrance.FINGER_HELD: "its finger holds another note that sounds on",
    Hindrance.HAND_BUSY: "every finger for it is busy",
    Hindrance.LATER: "not asked for at this level",
}
THUMB_BUSY = "the thumb is busy with another string"
STOP_HEADS = ("", "bar", "beat", "bass", "string", "ends at", "because", "how", "thumb has", "if it rings on")
STOP_PLACE = "{bar}:{beat}  {bass} {string} to {end} ({why})"
STOP_HOW = "{how}{time}; {rings}"
STOP_TIME = "; the thumb has {time}"
FINGER_HEADS = ("bar", "beat", "voice", "note", "string", "fret", "left hand", "right hand")
BASS_VOICE = "bass"
TUNE = "tune"
CHORD_HEADS = ("bar", "chord", "in the key")
KEY_TURN = "{key}: {roman}"
NO_NEIGHBOUR = "the strings are no neighbours"
JUST_PLAYED = "no time: the thumb has only just played"
MOST_WAYS = 3  # named in the table; ``--stop`` tells them all
BELOW = "{grade}, below the bass"
HEARD_LATER = "{grade}, at {place}"
TRUE_CHORD = "it belongs to the chord there, {chord}"
NO_CHORD_NOTE = "it does not belong to the chord there, {chord}"
NO_TIME = "no time: not asked for"
NOT_YET = "not asked for yet"
BROKEN = "broken chord: may ring"
MEND_FIRST = "Mend these first: {stops}."
ALIKE = "{stop}, and alike {others}"
MORE_WAYS = ", …"
AGAIN = "{beat}, {time} time"
ORDINALS = {1: "1st", 2: "2nd", 3: "3rd"}
MAY_RING = "These blend if they ring on, so taste may let them: {stops} (--free BAR:BEAT keeps it)."
NO_SUCH_STOP = "the piece has {count} bass ends"
SEE_NUMBERS = "take a number from the first column of `coach plan`"
STRANGE_TEMPO = "is far from the written tempo ({tempo})"
NEARER_TEMPO = "give the beats a minute of a tempo nearer to it"
NO_BASS_THERE = "no bass starts there"
SEE_PLACES = "give a bar and beat from `coach plan`, such as 3:1"
NOT_FREE = "nothing there was set free"
SEE_FREE = "see what is free in the taste file beside the score"
TASTE_KEPT = "What may ring is kept in {path}."
WRITTEN = "Written: {path}"
PAGE_WRITTEN = "Printed: {path}"
PAGES_WRITTEN = "Printed: {path}, {pages} pages"
MELODY_SCALE = "The tune uses {scale}."
MELODY_OUTSIDE = "The tune uses {scale}, and {notes} outside it."
LEVEL_LINE = "Asked for: {level} level."
PHRASES = "Phrases: {phrases}."
ALSO = "{name} (or {other})"
ENDS = "It must end at {place}: {reason}."
RINGS_FREE = "It may ring on past {place}: a let-ring tie, or your own mark, says so."
TAKEN_OVER = "It ends at {place}, where the same string is played again: nothing is to be done."
RINGS_ON = "If it rings on: {grade}."
WAY_SERVES = "  yes  {way}."
WAY_BARRED = "  no   {way}: {why}."
TIME_LINE = "The thumb's next stroke comes {time} later."
STOP_NAME = "stop {number} (the {bass} of {bar}, string {string})"


def over_words(stop: Stop) -> str:
    """Return how a ring-over would be heard, such as ``clashes, below the bass``."""
    grade = words.CLASH_WORDS[stop.clash]
    return BELOW.format(grade=grade) if stop.over.below else grade


def why_not(stop: Stop, way: Way, hindrance: Hindrance) -> str:
    """Return in words why a way does not serve a stop."""
    if hindrance is Hindrance.NO_TIME and way is Way.PLANTED_THUMB and stop.time_ms is None:
        return JUST_PLAYED
    if hindrance is Hindrance.HAND_BUSY and way in THUMB_ALONE:
        return THUMB_BUSY
    if stop.next_string is None and hindrance in (Hindrance.NOT_NEXT_LOWER, Hindrance.NOT_NEXT_HIGHER):
        return NO_NEIGHBOUR
    return HINDRANCE_WORDS[hindrance].format(
        time=seconds(stop.time_ms),
        string=words.string_sign(stop.string),
        next=words.string_sign(stop.next_string or 0),
    )


def ways_words(stop: Stop) -> str:
    """Return the ways of a stop, easiest first, or why it is not asked for."""
    if not stop.asked:
        return "–"
    if not stop.ways:
        return NO_TIME
    if not stop.wanted:
        return BROKEN if stop.broken else NOT_YET
    named = ", or ".join(words.WAY_NAME[way] for way in stop.ways[:MOST_WAYS])
    return named + (MORE_WAYS if len(stop.ways) > MOST_WAYS else "")


def ordinal(number: int) -> str:
    """Return a number such as ``2nd``."""
    return ORDINALS.get(number, f"{number}th")


def roman_words(roman: str) -> str:
    """Return a Roman numeral with the signs of print: ø for half-diminished, ° for diminished."""
    return roman.replace("%", "ø").replace("o", "°")


def seconds(ms: float | None) -> str:
    """Return a time such as ``1.8 s``."""
    return "–" if ms is None else f"{ms / 1000:.1f} s"


def stop_name(prepared: Preparation, number: int) -> str:
    """Return a stop's name, such as ``stop 3 (the D of bar 1, string ④)``."""
    stop = prepared.stops[number - 1]
    score = prepared.score
    bar = int(score.notes["bar"][stop.note])
    return STOP_NAME.format(
        number=number,
        bass=bass_name(prepared, stop),
        bar=words.bar_words(score.bars[bar].number),
        string=words.string_sign(stop.string),
    )


def bass_name(prepared: Preparation, stop: Stop) -> str:
    """Return the ringing bass's name as its chord or key spells it."""
    note = prepared.score.notes[stop.note]
    tick, bar, written = int(note["onset"]), int(note["bar"]), int(note["written"])
    return prepared.harmony.spelt(int(note["pitch"]), tick, bar, written)


def may_ring(stop: Stop) -> bool:
    """Return whether taste may let a stop ring: it blends, and something else follows it."""
    return stop.wanted and stop.clash.rank == 0 and stop.reason is Reason.NEXT_BASS
