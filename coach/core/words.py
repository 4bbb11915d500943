"""Every sentence the program says about playing, in one place, ready to translate."""

from __future__ import annotations

from collections.abc import Iterable

from coach.core.clash import Clash
from coach.core.damping import Reason, Stop
from coach.core.score import Score
from coach.core.verdicts import Damping, Stroke
from coach.core.ways import Way

CIRCLED = "⓪①②③④⑤⑥⑦⑧⑨⑩"

WAY_SHORT = {
    Way.RETURNING_THUMB: "p back",
    Way.SIDE_OF_THUMB: "p side",
    Way.REST_STROKE: "p rest",
    Way.PLANTED_THUMB: "p plant",
    Way.LEFT_HAND_RELEASE: "l.h.",
    Way.LEFT_HAND_TOUCH: "l.h. touch",
    Way.FINGER: "finger",
}
WAY_LETTER = {
    Way.RETURNING_THUMB: "b",
    Way.SIDE_OF_THUMB: "s",
    Way.REST_STROKE: "r",
    Way.PLANTED_THUMB: "pl",
    Way.LEFT_HAND_RELEASE: "lh",
    Way.LEFT_HAND_TOUCH: "lh",
    Way.FINGER: "f",
}
WAY_NAME = {
    Way.RETURNING_THUMB: "returning thumb",
    Way.SIDE_OF_THUMB: "side of the thumb",
    Way.REST_STROKE: "rest stroke",
    Way.PLANTED_THUMB: "thumb plants",
    Way.LEFT_HAND_RELEASE: "left hand lifts",
    Way.LEFT_HAND_TOUCH: "left hand touches",
    Way.FINGER: "a finger stops it",
}
WAY_ADVICE = {
    Way.RETURNING_THUMB: "play the new bass, then lay the thumb straight back on string {string}",
    Way.SIDE_OF_THUMB: "let the side of the thumb lean on string {string} as it plays the new bass",
    Way.REST_STROKE: "play the new bass as a rest stroke, so that the thumb lands on string {string}",
    Way.PLANTED_THUMB: "plant the thumb on string {string} where the rest begins",
    Way.LEFT_HAND_RELEASE: "release the left-hand finger, but keep touching string {string}",
    Way.LEFT_HAND_TOUCH: "touch string {string} lightly with a free left-hand finger",
    Way.FINGER: "let a right-hand finger stop string {string}",
}
DAMPING_WORDS = {
    Damping.CLEAN: "clean",
    Damping.LATE: "stopped late",
    Damping.RINGING: "rang on",
    Damping.CUT: "cut short",
    Damping.FADED: "died away",
    Damping.REPLACED: "replaced",
    Damping.FREE: "free to ring",
    Damping.MISSED: "not played",
}
STROKE_WORDS = {
    Stroke.RIGHT: "right",
    Stroke.WRONG: "wrong note",
    Stroke.MISSING: "left out",
    Stroke.EXTRA: "extra note",
}
STROKE_ADVICE = {
    Stroke.RIGHT: "",
    Stroke.WRONG: "play the bar alone, slowly, and name the notes",
    Stroke.MISSING: "play this voice alone, then both together",
    Stroke.EXTRA: "look where the finger goes before it plays",
}
PLAYED = "{tone} played"
STRAY_COUNTED = "string unasked"
PLURALS = {"wrong note": "wrong notes", "extra note": "extra notes", STRAY_COUNTED: "strings unasked"}
SINGULARS = {
    "ghost notes": "ghost note", "double triggers": "double trigger", "late events": "late event",
    "strings that answered": "string that answered", "octave errors": "octave error",
    "pulled strings": "pulled string", "note-offs that never came": "note-off that never came",
}  # fmt: skip
TOO_FEW = "too few notes"
PLACE = "{bar}, beat {beat}"
PICKUP, PICKUP_TO = "the pickup", "the pickup to bar {last}"
SHORT_PICKUP, SHORT_PICKUP_TO = "pickup", "pickup to {last}"
THE_END = "the end"
DUE_BEAT = "beat {beat}"
END_OF_BAR = "end of {bar}"
TO_THE_END = "to the end"
STRAY_ADVICE = "keep a finger or the thumb resting on that string"
REASON_WORDS = {
    Reason.NEXT_BASS: "next bass",
    Reason.REST: "rest",
    Reason.END: "end",
    Reason.MARKED: "damp mark",
    Reason.REPLACED: "same string again",
    Reason.FREE: "may ring",
}
CLASH_WORDS = {Clash.LOW: "blends", Clash.MIDDLE: "muddies", Clash.HIGH: "clashes"}

NOTHING_HEARD = "Nothing of this piece was heard."
# The three sentences of a summary: what went well …
WELL_NOTES_ALL = "Every note was right"
WELL_NOTES = "{right} of {all} were right"
WELL_STOPS_ALL = ", and every stop came in time"
WELL_STOPS = ", and {clean} of {asked} came in time"
WELL_BEGUN = "You played {bars}."
WELL_LAST = "The last time you played it all without a fault."
# … what to mend first …
MEND_HEARD = "First the guitar must be heard: look at its cable, and whether this is the right piece."
MEND_PIECE = "First see whether this is the right piece."
MEND_NOTES = "Mend first the notes of {bar}: {count} wrong or left out."
MEND_FIRST = "Mend first {fault}"
MEND_OFTEN = "{fault}, {count} times."
MEND_BEAT = "Mend first the beat of {bar}: it was {drift}."
MEND_DONE = "What went wrong before is mended."
MEND_NOTHING = "There is nothing to mend."
# … and how.
HOW_HEARD = "Then play its first bar."
HOW_NOTES = "Play {bar} alone and slowly, and name each note as you play it."
HOW_STROKE = {
    Stroke.WRONG: "Play {bar} alone and slowly, and name each note as you play it.",
    Stroke.MISSING: "Play the line of this note alone in {bar}, then everything together.",
    Stroke.EXTRA: "Play {bar} slowly, and look where the finger goes before it plays.",
}
HOW_STRAY = "Play {bar} slowly, and keep a finger or the thumb resting on string {string}."
STRAY_SENTENCE = "{bar}: string {string} rang for {amount} and nobody asked for it."
DRIFT_WORST = "The time strayed most in {bar}: {drift}."
DRIFT_NONE = "The time was steady."
DRIFT_WORST_OF = "{name}: the time strayed most in {bar}, {drift}."  # of several passes
DRIFT_NONE_OF = "{name}: the time was steady."
PASS_CLEAN = "{bars}: clean."
ALONE = {"bass": "{bars}, bass alone", "melody": "{bars}, melody alone"}  # of a pass in one voice
# By core.feedback.Amount: what is said when it becomes less, or more again, while playing.
SHOWN_LESS = {
    "large": "Three clean passes: only large faults now show as you play.",
    "each-pass": "Three clean passes: the marks now come after each pass.",
    "every-second-pass": "Three clean passes: the marks now come after every second pass.",
}
SHOWN_MORE = {
    "everything": "Two passes with faults: every mark shows again as you play.",
    "large": "Two passes with faults: large faults show again as you play.",
    "each-pass": "Two passes with faults: the marks come after each pass again.",
}
SHOWN_NOW = {
    "everything": "Every mark shows as you play.",
    "large": "Only large faults show as you play.",
    "each-pass": "The marks come after each pass.",
    "every-second-pass": "The marks come after every second pass.",
}
FROZEN = "The page stands still; space lets it go on."
PLAN_ALONE = "The plan alone."
VERDICTS_HIDDEN = "The verdicts are hidden."
NOTHING_BESIDE = "No take was brought along to compare with: start with --take FILE."
TOO_FAR = (
    "a page holds its {minutes:.0f} minutes of arc only up to {metres:.1f} m on a screen {screen:.0f} cm "
    "high; the next stop alone is shown, S shows the page (--screen gives another height)"
)
ONCE_MORE = "Once more to end."
NEXT_DRILL = "Play {bars} slowly, three clean times in a row: {todo}."
NEXT_FASTER = "Play it again a little faster."
NEXT_STEADY = "Play {bars} again at the same tempo, and count aloud until the beat is steady."
NEXT_ON = "Play on to the end of the piece."

THIS_TAKE = "this take"
PASS_CALLED = "pass {number}"
PASS_TOLD = "Pass {number} of {all}, {bars}"
CLEAN = "clean"
NO_FAULTS = "There is no fault in this take."
NO_MORE_FAULTS = "There is no other fault on this side."
ONE_PASS = "There is only one pass: nothing to lay beside it."

OTHER_SCORE = "only {right} of its {heard} notes fit {score}"
DEMO_INTRO = "A simulated student plays “{title}”; nobody recorded it, the faults are planted."
DEMO_SOURCE = "the demo's take"
PLAY_UNSEEN = "No window: play, and press Ctrl-C to end."
NOTHING_PLAYED = "Nothing was played, so nothing was recorded."
TAKE_SAVED = "The take is kept: {path}"
NO_DISPLAY = "No display: running without a window."
LEAVE_HINT = "Esc or any key: leave"
MORE_ROWS = "and {count} more, in the review"
OTHER_FAULTS = "Also: {faults}."
WAITING_FOR_PORT = "waiting for the guitar"
FAULT_SHOWN_US = 4_000_000  # a fault's sentence stays up this long in a replay
HAND_CARE = (
    "Warm up first, take a break of at least ten minutes every hour, and stop at once if anything hurts; "
    "pain that stays is for a teacher or a clinician, not for more practice."
)


def string_sign(string: int) -> str:
    """Return a string's circled number, the trade's sign."""
    return CIRCLED[string] if 0 < string < len(CIRCLED) else "–"


def milliseconds(ms: float | None, *, signed: bool = True) -> str:
    """Return a figure such as ``+240 ms``, or ``–`` where it is not known."""
    if ms is None:
        return "–"
    whole = round(ms)
    return f"{whole:+d} ms".replace("-", "−") if signed and whole else f"{whole} ms"


FRACTIONS = {0.25: "¼", 1 / 3: "⅓", 0.5: "½", 2 / 3: "⅔", 0.75: "¾"}


def beat_name(beat: float) -> str:
    """Return a beat as a musician reads it: ``2``, ``2½``, ``3⅓``; other parts as ``3.17``."""
    whole, part = divmod(beat, 1)
    if part < 0.005:
        return f"{whole:.0f}"
    sign = next((sign for share, sign in FRACTIONS.items() if abs(part - share) < 0.005), None)
    return f"{whole:.0f}{sign}" if sign else f"{beat:.2f}"


def advice(kind: Damping, way: Way | None, string: int, beat: str) -> str:
    """Return what to do about a bass end; empty where nothing is to be done."""
    if kind in (Damping.LATE, Damping.RINGING):
        if way is None:
            return f"stop string {string} at beat {beat}"
        return WAY_ADVICE[way].format(string=string)
    if kind is Damping.CUT:
        return f"let string {string} sound until its end is due"
    if kind is Damping.MISSED:
        return "play the bass alone until it is sure"
    return ""


def too_soon(beats: float | None, ms: float | None) -> str:
    """Return how early a note was cut, in beats: ``1¾ beats too soon``; in ms where the beat is not known."""
    if beats is None:
        return milliseconds(ms)
    quarters = max(round(-beats * 4), 1)
    whole, part = divmod(quarters, 4)
    amount = f"{whole or ''}{['', '¼', '½', '¾'][part]}"
    return f"{amount} {'beat' if quarters <= 4 else 'beats'} too soon"


def fault_sentence(
    kind: Damping | Stroke,
    bar: int,
    beat: str,
    *,
    tone: str,
    string: int = 0,
    due: str = "",
    amount: str = "",
) -> str:
    """Return one fault in one sentence.

    ``tone`` is the note's name; of a bass end also its string, where it was due and by how much it missed.
    """
    place = place_words(bar, beat)
    match kind:
        case Damping.LATE:
            return f"{place}: the {tone} on string {string} was stopped late, after {due} ({amount})."
        case Damping.RINGING:
            return f"{place}: the {tone} on string {string} rang on past {due}."
        case Damping.CUT:
            return f"{place}: the {tone} on string {string} was cut short, before {due}."
        case Damping.MISSED | Stroke.MISSING:
            return f"{place}: the {tone} was left out."
        case Stroke.WRONG:
            return f"{place}: {tone} was played, another note is written."
        case Stroke.EXTRA:
            return f"{place}: an extra {tone}."
    return f"{place}: {kind.value}."


def part_words(bars: str, part: str) -> str:
    """Return the bars of a pass with the voice that was played alone: ``part`` "bass", "melody", "" both."""
    return ALONE[part].format(bars=bars) if part else bars


DRIFTED = "Bar {bar} was {drift}."
UNCLEAR = "not clear where"
UNCLEAR_NOTES = "It was not clear where you were: nothing is said of {notes}."


def unclear_sentence(count: int) -> str:
    """Return that so many played notes could not be placed in the score."""
    return UNCLEAR_NOTES.format(notes="one note" if count == 1 else f"{count} notes")


def drift_words(drift_ms: float, threshold_ms: float) -> str:
    """Return a bar's drift in words once it passes the threshold."""
    if abs(drift_ms) < threshold_ms:
        return ""
    return f"{abs(drift_ms):.0f} ms {'behind' if drift_ms > 0 else 'ahead'}"


def replay_words(now_us: int, end_us: int, speed: float, paused: bool) -> str:
    """Return where a replay stands, such as ``0:12 of 0:48, half speed``."""
    pace = "" if speed == 1 else f"{speed:g} times the speed"
    parts = (f"{clock(now_us)} of {clock(end_us)}", "paused" if paused else "", pace)
    return ", ".join(part for part in parts if part)


def fate_words(count: int, unclear: int) -> str:
    """Return how a pass came out: ``clean``, ``3 faults``, or that it could not be followed."""
    return faults_words(count) if count else UNCLEAR if unclear else CLEAN


def faults_words(count: int) -> str:
    """Return ``1 fault`` or ``3 faults``."""
    return f"{count} {'fault' if count == 1 else 'faults'}"


def take_name(started: str, stem: str) -> str:
    """Return what a take is called beside another: its day and hour, or its file's name."""
    return f"{started[:10]}, {started[11:16]}" if len(started) >= 16 else stem


def plural(what: str, count: int) -> str:
    """Return a counted thing in the right number."""
    return what if count == 1 else PLURALS.get(what, what)


def number_of(what: str, count: int) -> str:
    """Return a number of things, such as ``3 stops`` or ``2 passes``."""
    return f"{count} {what if count == 1 else what + ('es' if what.endswith('s') else 's')}"


def place_words(bar: int, beat: str) -> str:
    """Return ``bar 3, beat 1``; without a beat ``bar 3``."""
    return PLACE.format(bar=bar_words(bar), beat=beat) if beat else bar_words(bar)


def due_words(score: Score, stop: Stop) -> str:
    """Return where a bass is due to end, told from where it begins: ``beat 3``, ``bar 4, beat 1``."""
    if stop.lenient or stop.due >= score.end:
        return THE_END
    bar = score.bar_index(stop.due)
    beat = beat_name(score.beat(stop.due, bar))
    same = bar == int(score.notes["bar"][stop.note])
    return DUE_BEAT.format(beat=beat) if same else place_words(score.bars[bar].number, beat)


def counted(what: str, count: int) -> str:
    """Return what was passed over, whose words are plurals, in the right number."""
    return SINGULARS.get(what, what) if count == 1 else what


def clock(us: int) -> str:
    """Return a time as minutes and seconds."""
    return f"{us // 60_000_000}:{us // 1_000_000 % 60:02d}"


def bar_words(number: int) -> str:
    """Return ``bar 4``; number 0 is a pickup's, and only a pickup's."""
    return bars_words(number, number)


def bars_words(first: int, last: int) -> str:
    """Return ``bar 4``, ``bars 1–4``, ``the pickup`` (number 0) or ``the pickup to bar 4``."""
    if first == 0:
        return PICKUP if last == 0 else PICKUP_TO.format(last=last)
    return f"bar {first}" if first == last else f"bars {first}–{last}"


def bar_runs(numbers: Iterable[int]) -> str:
    """Return the numbers of bars without the word, such as ``6–7``, ``1–2, 5`` or ``pickup to 4``."""
    runs: list[tuple[int, int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1] = runs[-1][0], number
        else:
            runs.append((number, number))
    return ", ".join(_run_words(first, last) for first, last in runs)


def _run_words(first: int, last: int) -> str:
    if first == 0:
        return SHORT_PICKUP if last == 0 else SHORT_PICKUP_TO.format(last=last)
    return str(first) if first == last else f"{first}–{last}"


def sentence_case(sentence: str) -> str:
    """Return a sentence with its first letter large."""
    return sentence[:1].upper() + sentence[1:]
