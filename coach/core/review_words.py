"""What is said when looking back: one bar to true time, all passes together, two passes side by side."""

from __future__ import annotations

from coach.core.verdicts import Damping, Stroke

# One bar to true time (core.lanes): the exact figures.
BEAT_PLACE = "Beat {beat}"
EXACT_ENDS = {
    Damping.CLEAN: "{place}: the {tone} on string {string} stopped in time ({signed}).",
    Damping.LATE: "{place}: the {tone} on string {string} stopped {amount} late, after {due}.",
    Damping.RINGING: "{place}: the {tone} on string {string} rang on for {amount} past {due}.",
    Damping.CUT: "{place}: the {tone} on string {string} stopped {amount} too soon, before {due}.",
    Damping.FADED: "{place}: the {tone} on string {string} died away by itself.",
}
EXACT_TO_THE_END = "{place}: the {tone} on string {string} rang on past {due}, to the end."
EXACT_STROKES = {
    Stroke.WRONG: "{place}: {played} was played, {tone} is written.",
    Stroke.MISSING: "{place}: the {tone} was left out.",
    Stroke.EXTRA: "An extra {played} came {at} after the first beat.",
}
EXACT_NOTHING = "Nothing is to be mended in this bar."
EXACT_STRAY = "String {string} rang for {amount}, and nobody asked for it."
EXACT_STRAY_ON = "String {string} rang on, and nobody asked for it."
# All passes laid over one another (core.stop_counts).
OFTEN_PASSES = "{place}, string {string} fails most: in {failed} of {asked} passes."
OFTEN_TIMES = "{place}, string {string} fails most: {failed} of {asked} times."
OFTEN_ONCE = "{place}, string {string} failed the one time it was played."
OFTEN_EACH = "{count} stops failed, each of them once."
OFTEN_NONE = "No stop failed."
# Two passes beside one another (core.comparison).
STOP_MENDED = {
    Damping.LATE: "{place}: the {tone} on string {string} stops in time now (was {was}).",
    Damping.RINGING: "{place}: the {tone} on string {string} stops in time now (rang on before).",
    Damping.CUT: "{place}: the {tone} on string {string} sounds its full length now (was {was}).",
}
STOP_STILL = {
    Damping.LATE: "{place}: the {tone} on string {string} still stops late, after {due} ({now}, was {was}).",
    Damping.RINGING: "{place}: the {tone} on string {string} still rings on past {due}.",
    Damping.CUT: "{place}: the {tone} on string {string} is still cut short, before {due} "
    "({now}, was {was}).",
}
STOP_OTHERWISE = "{place}: the {tone} on string {string} {before} before; now it {after}."
STOP_BEFORE = {Damping.LATE: "stopped late", Damping.RINGING: "rang on", Damping.CUT: "was cut short"}
STOP_NOW = {
    Damping.LATE: "stops late, after {due} ({now})",
    Damping.RINGING: "rings on past {due}",
    Damping.CUT: "is cut short, before {due}",
}
STILL_SHORT = {
    Damping.LATE: "{bar} still stops late",
    Damping.RINGING: "{bar} still rings on",
    Damping.CUT: "{bar} is still cut short",
}
STILL_WRONG = "the notes of {bar} are still not right"
STILL_STRAY = "string {string} still rings unasked in {bar}"
STROKE_WAS = {Stroke.WRONG: "was another note", Stroke.MISSING: "was left out"}
NOW_RIGHT = "{place}: the {tone} is right now ({was})."
NOW_ALL_RIGHT = "{place}: the notes are right now (one {was})."
NO_EXTRA = "{bar}: no extra note any more."
NO_STRAY = "{bar}: string {string} is quiet now."
COMPARE_MENDED = "{faults} mended"
COMPARE_NEW = "{faults}"
COMPARE_ONE_MORE = ", and {count} more stays"
COMPARE_MORE = ", and {count} more stay"
COMPARE_SAME = "nothing is mended yet; {still}"
COMPARE_CLEAN = "nothing went wrong in either"
COMPARE_IN = "{bars}: {change}."  # where both passes have the same bars
COMPARE_IN_BOTH = "In the bars both have ({bars}): {change}."
COMPARE_IN_ONE = "In the bar both have ({bars}): {change}."
COMPARE_APART = "The two passes have no bar in common."


def compared_stop(
    was: Damping,
    now: Damping,
    *,
    place: str,
    due: str,
    tone: str,
    string: int,
    was_amount: str,
    now_amount: str,
) -> str:
    """Return how one stop changed between two passes of which one at least was faulty there.

    ``place`` is where its bass begins, ``due`` where it has to end.
    """
    if now is Damping.CLEAN:
        text = STOP_MENDED.get(was, "")
    else:
        text = STOP_STILL[now] if was is now else STOP_OTHERWISE
    return text.format(
        place=place,
        due=due,
        tone=tone,
        string=string,
        was=was_amount,
        now=now_amount,
        before=STOP_BEFORE.get(was, ""),
        after=STOP_NOW[now].format(now=now_amount, due=due) if now in STOP_NOW else "",
    )
