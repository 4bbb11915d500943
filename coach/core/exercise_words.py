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
PLAY_AND_STOP = "play, {stop}"
# A cue must never look like a retuning ("⑤ = D"), which the reader would believe.
STOP_BY = {
    Way.RETURNING_THUMB: "stop {string}: thumb back",
    Way.SIDE_OF_THUMB: "stop {string}: side of the thumb",
    Way.REST_STROKE: "stop {string}: rest stroke",
    Way.PLANTED_THUMB: "stop {string}: thumb down",
    Way.LEFT_HAND_RELEASE: "stop {string}: finger up",
    Way.LEFT_HAND_TOUCH: "stop {string}: left hand touches",
    Way.FINGER: "stop {string}: a finger",
}

TITLE_STOP = "{title}: stop {number}, bar {bar}"
TITLE_MELODY = "{title}: the tune alone"
TITLE_BASS = "{title}: the bass line alone"
TITLE_SCALE = "{title}: the scale of the tune ({scale})"

WRITTEN = "Written: {path}"
TRAINS_STOP = (
    "It trains stop {number} of “{title}”: in bar {bar} the {tone} on string {string} has to end {when}, "
    "and {way}."
)
WHEN_BASS = "as the {tone} on string {string} begins"
WHEN_REST = "where the rest begins"
WHEN_END = "where the piece does"
WHEN_MARKED = "where its damping mark stands"
HOW = {
    Way.RETURNING_THUMB: "the thumb goes back to it as soon as it has played",
    Way.SIDE_OF_THUMB: "the side of the thumb leans on it while the thumb plays",
    Way.REST_STROKE: "the thumb comes to rest on it as it plays the new bass",
    Way.PLANTED_THUMB: "the thumb lies down on it",
    Way.LEFT_HAND_RELEASE: "the left hand lets its finger up, still touching the string",
    Way.LEFT_HAND_TOUCH: "a free left-hand finger touches it",
    Way.FINGER: "a finger of the right hand stops it",
}
STAGES = {
    BASSES_ALONE: "the basses alone, counted “play, stop”",
    HELD_NOTE: "the same under a held note, which must sound on through the stop",
    MOVING_TUNE: "the same under the tune as it moves",
    IN_CONTEXT: "{bars} of the piece",
}
CONTEXT_HEADING = "{name}: {bars}"
STAGES_TOLD = "Stage by stage, each twice: {stages}."
EASED = "There, basses whose own stops are harder come to rest early."
SLOWLY = "It stands at {tempo}, slow enough to think “stop” before it is due."
ON = "Go on to the next stage when three times in a row were clean."
TRAINS_MELODY = "It is the tune of “{title}” alone: sing it, then play it with an even tone."
TRAINS_BASS = (
    "It is the bass of “{title}” alone, for the thumb: each has to end where the next begins or a rest does."
)
TRAINS_SCALE = (
    "It is what the tune of “{title}” is made of, {scale}, up and down in even notes, i and m in turn."
)

NO_STOP_NUMBER = ("there is no stop {number}: the piece has {count}", "see the numbers with coach plan")
NO_STOPS = ("no bass has to be stopped in it", "choose --melody, --bass or --scale")
ASKS_NOTHING = {
    "replaced": "stop {number} asks for nothing: the same string is played again there",
    "free": "stop {number} asks for nothing: that bass may ring",
    "unreachable": "stop {number} is not asked for: no hand has the time for it at this tempo",
    "not-yet": "stop {number} is not asked for at this level",
}
ASKS_NOTHING_REMEDY = "choose one of {numbers}"
NO_MELODY = ("it has no tune beside the bass", "choose a piece in two voices, or --bass")
NO_BASS = ("it has no bass voice", "choose a piece in two voices, or --melody")
FILE_EXISTS = ("it exists already", "give --replace, or another name with -o")
NO_FOLDER = ("there is no such folder", "make it first, or give another name with -o")
IS_FOLDER = ("this is a folder", "give a file's name with -o")
BAD_SUFFIX = ("an exercise is written as MusicXML", "end the name in .musicxml or .xml")
NOT_WRITTEN = ("it cannot be written ({why})", "give another name with -o")


def play_cue(string: int) -> str:
    """Return the cue under a bass that is to ring."""
    return PLAY.format(string=words.string_sign(string))


def stop_cue(string: int, way: Way | None) -> str:
    """Return the cue where a string is to be stopped."""
    text = STOP_BY[way] if way is not None else STOP
    return text.format(string=words.string_sign(string))


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
