"""What the drill says to a player."""

from __future__ import annotations

from collections.abc import Sequence

from coach.core.words import number_of

SCALE = "the scale of {name}"
PARTS = {"melody": "melody alone", "bass": "bass alone", "together": "together"}  # by ladder.Part
WHOLE = "the whole piece"
WITH_PICKUP = "{bars} with the pickup"
FROM_UPBEAT = "{bars} from the upbeat"
BARS_RUNS = "bars {runs}"
AND = " and "

COUNTED = "Clean, {count} of {needed}."
FULL = "{count} clean in a row."
FULL_ONCE = "Clean."
STEP_UP = "{full} Now a little faster, at {speed}."
NEXT_RUNG = "{full} Next: {rung}."
NEXT_AT = "{full} Next: {rung}, at {speed}."
BACK = "{full} Back again: {rung}."
BACK_AT = "{full} Back again: {rung}, at {speed}."
DONE = "{full} That was the last step: all of it is done."
DONE_SOME = "{full} That was the last step; {steps} before it are still to be done."
FASTER = "Faster, at {speed}."
SLOWER = "Slower, at {speed}."
AGAIN = "{fault} Again from the beginning."
LOST = "{fault} The count starts again."
SOME_FAULT = "There was a fault."
BROKEN_OFF = "You stopped before the end."
STEP_DOWN = "{count} times with a fault: now slower, at {speed}."
RATE = "{clean} of the last {all} {were} clean; like that, {needed} in a row would take about {tries} tries."
MANY_TRIES = 100
RATE_MANY = "{clean} of the last {all} {were} clean; like that, {needed} in a row would hardly ever come."
RATE_NONE = "None of the last {all} was clean."
FAULTS = "{count} times with a fault."
SUGGEST_SLOWER = "{why} Slower, at {speed}? Yes: → or the pedal."
SUGGEST_SHORTER = "{why} First: {rung}? Yes: → or the pedal."
SUGGEST_SHORTER_TOO = "Or first: {rung}? Yes: → or the pedal."
SUGGEST_FREELY = "{why} Better slower."
SUGGEST_LATER = "{why} Leave it for today, and come back to it tomorrow."
SUGGEST_CHANGE = "{count} times the same. For a change: {rung}? Yes: → or the pedal."
SUGGEST_BACK = "{count} times the same. Back to: {rung}? Yes: → or the pedal."
SUGGEST_REST = "{count} times the same. Leave it for today, and come back to it tomorrow."
BREAK = "You have practised for {minutes}: put the guitar down for a while and move your hands."
HURT = (
    "Stop. Put the guitar down; go on (→) only when nothing hurts. Pain that stays is for a teacher or a "
    "clinician."
)
CHECKING_FREELY = "First what was clean before: {rung}."
CHECKING = "First what was clean before: {rung}, at {speed}."
BEGINNING_FREELY = "First: {rung}."
BEGINNING = "First: {rung}, at {speed}."
OWN_FIRST = "Before all others: {rung}."
STILL_CLEAN = "Still clean."

WAITING = "{next} Pause, or press →."
STILL_WAITING = "To go on: pause, or →."
TURNED_OFF = "No sound: the drill was begun with --silent; begin it without, to hear this."
SOUND_BACK = "There is sound again."
NO_PASS = "Nothing to hear yet: play it once."
DIFFERENCE = "First every bass ringing on, then each one stopped."
LAST_PASS = "Your last pass, as it rang.", "Your last pass, with its stops in time."  # then mended
CLICK_ON = "The click goes along."
CLICK_OFF = "No click."
ALONG = {
    "both": "Play along.",
    "melody": "Play the bass along with the tune.",
    "bass": "Play the tune along with the bass.",
}
ALONG_OFF = "Now alone."
RESUMED = "Going on. {rung}, at {speed}."
STOOD = "{passes} played, {clean} clean. You stand at: {rung}, at {speed}."
TOMORROW = "Tomorrow it begins there, and with what was clean today."
NOTHING_TO_DRILL = "there is nothing in it to practise"
NO_SUCH_PART = "it has no such part"
OTHER_PART = "ask for another --part, or for none"
NO_STEP = "its ladder has {all} steps, not {at}"
SEE_STEPS = "see them with --list"
ABOVE_GOAL = "it would begin at {start} beats a minute, faster than its goal of {goal}"
OTHER_TEMPI = "give other tempi"
LADDER_HEAD = "Each step {needed} times clean in a row; the steps with the worst stops come first."
OTHER_BARS = "give the numbers of two bars of it, such as 3-6"
FREE_FOLDER = "free or unlock the folder"
STEP_LINE = "{mark} {number:>3}  {rung}"
SPEED = "{percent} % of the tempo"
AT_TEMPO = "the full tempo"
NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def number_word(count: int) -> str:
    """Return a small number as a word, a larger one in figures."""
    return NUMBERS[count] if 0 <= count < len(NUMBERS) else str(count)


def sentence_number(count: int) -> str:
    """Return a number as it begins a sentence."""
    return number_word(count).capitalize()


def full_words(count: int) -> str:
    """Return that so many passes in a row were clean."""
    return FULL_ONCE if count == 1 else FULL.format(count=sentence_number(count))


def speed_words(speed: float) -> str:
    """Return a share of the tempo, such as ``65 % of the tempo``."""
    percent = round(100 * speed)
    return AT_TEMPO if percent == 100 else SPEED.format(percent=percent)


def question(sentence: str) -> str:
    """Return what a suggestion asks and how to say yes, without its reasons; empty where it asks nothing."""
    asked, mark, answer = sentence.partition("? ")
    return asked.rsplit(". ", 1)[-1] + mark + answer if mark else ""


def minutes_words(us: int) -> str:
    """Return a time such as ``25 minutes``."""
    return number_of("minute", round(us / 60e6))


def rung_name(part: str, bars: Sequence[tuple[int, bool]], *, whole: bool, upbeat: bool) -> str:
    """Return what a step of the ladder is called, such as ``bass alone, bars 3–4``.

    ``part``: a token of ``ladder.Part``, empty in a piece of one voice; ``bars``: in the order played, the
    printed number of each and whether it is a pickup; ``upbeat``: it begins before its first bar.
    """
    where = WHOLE if whole else _bars_words(bars, upbeat)
    return f"{PARTS[part]}, {where}" if part else where


def _bars_words(bars: Sequence[tuple[int, bool]], upbeat: bool) -> str:
    runs: list[list[int]] = []
    for number, pickup in bars:
        if pickup:
            continue
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        elif not runs or number != runs[-1][1]:
            runs.append([number, number])
    if not runs:
        return BARS_RUNS.format(runs=0)
    told = [str(a) if a == b else f"{a}–{b}" for a, b in runs]
    joined = AND.join(filter(None, (", ".join(told[:-1]), told[-1])))
    found = f"bar {joined}" if runs[0][0] == runs[0][1] and len(runs) == 1 else BARS_RUNS.format(runs=joined)
    if bars[0][1]:
        return WITH_PICKUP.format(bars=found)
    return FROM_UPBEAT.format(bars=found) if upbeat else found


def rate_words(clean: int, count: int, needed: int, tries: float) -> str:
    """Return how few of the last passes were clean, and how many it would take to enough in a row."""
    return (RATE if tries <= MANY_TRIES else RATE_MANY).format(
        clean=sentence_number(clean),
        all=number_word(count),
        were="was" if clean == 1 else "were",
        needed=number_word(needed),
        tries=round(tries),
    )


def steps_words(count: int) -> str:
    """Return a number of steps in words."""
    return f"{number_word(count)} {'step' if count == 1 else 'steps'}"
