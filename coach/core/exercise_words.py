"""Every word of the exercises, and of what is said about them, in one place, ready to translate."""

from __future__ import annotations

from collections.abc import Sequence

from coach.core import words
from coach.core.ways import Way

BASSES_ALONE = "Basses alone"
HELD_NOTE = "Under a held note"
MOVING_TUNE = "Under the tune"
IN_CONTEXT = "In the piece"

PLAY = "play {string}"
STOP = "stop {string}"
# Neither a cue nor a heading must look like a retuning ("⑤ = D"), which the reader would believe.
WAY_HEADING = "{name}: stop {string} {way}"
BY = {
    Way.RETURNING_THUMB: "with the returning thumb",
    Way.SIDE_OF_THUMB: "with the side of the thumb",
    Way.REST_STROKE: "with a rest stroke",
    Way.PLANTED_THUMB: "by planting the thumb",
    Way.LEFT_HAND_RELEASE: "by lifting the finger",
    Way.LEFT_HAND_TOUCH: "with a left-hand finger",
    Way.FINGER: "with a right-hand finger",
}

TITLE_STOP = "{title}: stop {number}, bar {bar}"
TITLE_MELODY = "{title}: the tune alone"
TITLE_BASS = "{title}: the bass line alone"
TITLE_SCALE = "{title}: the scale of the tune ({scale})"

WRITTEN = "Written: {path}"
TRAINS_STOP = (
    "It trains stop {number} of “{title}”: in bar {bar} the {tone} on string {string} has to end {when}; "
    "{way}."
)
WHEN_BASS = "as the {tone} on string {string} begins"
WHEN_REST = "where the rest begins"
WHEN_END = "where the piece does"
WHEN_MARKED = "where its damping mark stands"
HOW = {
    Way.RETURNING_THUMB: "the thumb goes back to string {string} as soon as it has played",
    Way.SIDE_OF_THUMB: "the side of the thumb leans on string {string} as the thumb plays",
    Way.REST_STROKE: "the thumb comes to rest on string {string} as it plays the new bass",
    Way.PLANTED_THUMB: "the thumb is laid on string {string}",
    Way.LEFT_HAND_RELEASE: "the left hand lets the finger on string {string} up, but not yet off it",
    Way.LEFT_HAND_TOUCH: "a free left-hand finger touches string {string}",
    Way.FINGER: "a finger of the right hand touches string {string}",
}
STAGES = {
    BASSES_ALONE: "the basses alone, with “play” and “stop” to say aloud",
    HELD_NOTE: "the same under a held note, which must sound on through the stop",
    MOVING_TUNE: "the same under the tune as it moves",
    IN_CONTEXT: "{bars} of the piece, as written",
}
CONTEXT_HEADING = "{name}: {bars}"
STAGES_TOLD = "Stage by stage, each to be played twice and the last once: {stages}."
SLOWLY = "The tempo is {tempo}, slow enough to think “stop” before it is due."
ON = "Go on to the next stage once you have played it cleanly three times running."
TRAINS_MELODY = "It is the tune of “{title}” alone: sing it, then play it with an even tone."
TRAINS_BASS = (
    "It is the bass line of “{title}” alone, for the thumb: "
    "each note has to end where the next one or a rest begins."
)
TRAINS_SCALE = (
    "It is the scale that the tune of “{title}” is made from, {scale}, "
    "up and down in even notes, i and m in turn."
)

NO_STOP_NUMBER = ("there is no stop {number}: the piece has {count}", "look up the numbers with coach plan")
NO_STOPS = ("no bass in it has to be stopped", "choose --melody, --bass or --scale")
ASKS_NOTHING = {
    "replaced": "stop {number} asks for nothing: the same string is played again there",
    "free": "stop {number} asks for nothing: that bass may ring",
    "unreachable": "stop {number} is not asked for: no hand has the time for it at this tempo",
    "broken": "stop {number} is not asked for: its bass belongs to a broken chord, which may ring",
    "not-yet": "stop {number} is not asked for at this level",
}
ASKS_NOTHING_REMEDY = "choose one of {numbers}"
NO_MELODY = ("it has no tune beside the bass", "choose a piece in two voices, or --bass")
NO_BASS = ("it has no bass voice", "choose a piece in two voices, or --melody")
BAD_SUFFIX = ("an exercise is written as MusicXML", "end the name in .musicxml or .xml")
WRITE_ELSEWHERE = "free some space, or give another name with -o"


def play_cue(string: int) -> str:
    """Return the cue under a bass that is to ring."""
    return PLAY.format(string=words.string_sign(string))


def stop_cue(string: int) -> str:
    """Return the cue where a string is to be stopped."""
    return STOP.format(string=words.string_sign(string))


def way_heading(name: str, string: int, way: Way | None) -> str:
    """Return a stage's heading that tells how a string is stopped."""
    return WAY_HEADING.format(name=name, string=words.string_sign(string), way=BY[way]) if way else name


def bars_words(numbers: Sequence[int]) -> str:
    """Return ``bar 4``, ``bars 4–6`` or ``bars 7–8, 1`` for bars as a musician counts them."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1]:
            continue
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    told = ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]}–{run[-1]}" for run in runs)
    return f"bar {told}" if len(runs) == 1 and len(runs[0]) == 1 else f"bars {told}"
