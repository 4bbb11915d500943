"""Every sentence of the playing, reviewing and studio windows, in one place, ready to translate."""

from __future__ import annotations

from coach.core.ways import Way

PLAY_KEYS = (
    ("→   pedal forward", "show less of the marks while playing, then all again"),
    ("←   pedal back", "twice: end, and see how it went"),
    ("l", "lamp: day or night paper"),
    ("f", "full screen"),
    ("h", "this sheet"),
    ("Esc", "end, then leave"),
)
REVIEW_KEYS = (
    ("space", "play, pause"),
    ("→  ←   pedal", "next bar, bar before"),
    ("n  b", "next fault, fault before"),
    ("↑  ↓", "faster, slower"),
    ("p  o", "next pass, pass before"),
    ("c", "another pass to compare with"),
    ("t  m", "hear the pass, and with its stops in time"),
    ("1 … 6", "the leaves at the foot"),
    ("r", "from the start"),
    ("mouse", "the ruler: go there; a leaf: show it"),
    ("l  f  h", "lamp, full screen, this sheet"),
    ("Esc", "leave"),
)
STUDIO_KEYS = (
    ("space   pedal forward", "freeze the page, go on"),
    ("p   pedal back", "the plan alone: what is to be stopped"),
    ("v", "hide the verdicts, show them"),
    ("s", "the next stop alone, large"),
    ("c", "beside the take brought along"),
    ("l  f  h", "lamp, full screen, this sheet"),
    ("Esc", "end, then leave"),
)
DRILL_KEYS = (
    ("→   pedal forward", "yes to what is suggested; else hear the step"),
    ("←   pedal back", "twice: end, and see how it went"),
    ("space", "hear the step, stop it"),
    ("a", "play along: both voices, the tune, the bass"),
    ("d", "hear the difference: ringing on, and stopped"),
    ("t  m", "hear your last pass, and with its stops in time"),
    ("c", "the click, on and off"),
    ("n  b", "on to the next step, an easier one"),
    ("↑  ↓", "faster, slower"),
    ("x", "it hurts: stop"),
    ("l  f  h", "lamp, full screen, this sheet"),
    ("Esc", "end, then leave"),
)
ROW_MARKS = (
    ("clean", "stopped where it is written"),
    ("late", "rang on past the stop, by so much"),
    ("ringing", "still ringing"),
    ("cut", "stopped too soon"),
    ("faded", "died away by itself"),
    ("free", "may ring"),
    ("missed", "the bass was not played"),
    ("stray", "a string nobody asked for"),
    ("unsettled", "thin, grey, with “?”: not yet settled"),
    ("slope", "behind hangs below, ahead rides above"),
    ("tally", "clean passes in a row"),
)
STOP_MARKS = (
    ("damp", "stop the string whose row ends here"),
    (Way.RETURNING_THUMB, "the thumb goes back"),
    (Way.SIDE_OF_THUMB, "the side of the thumb leans on it"),
    (Way.REST_STROKE, "the rest stroke lands on it"),
    (Way.PLANTED_THUMB, "the thumb lies down"),
    (Way.LEFT_HAND_RELEASE, "the left hand lifts"),
    (Way.FINGER, "a finger of the right hand stops it"),
    ("alone", "the sign alone: as before"),
    ("here", "here you are"),
    ("unsure", "not sure where you are"),
    ("missing", "left out"),
    ("extra", "extra: not written"),
    ("other", "another note was played"),
)
WAY_LABELS = "{short} · {letter}"  # a way as it stands beside its sign, and where there is little room
FIGURE, FIGURE_UNSURE = "+240", "+240 ?"  # by how much a sound rang on, as an example
UNSURE_FIGURE = "{figure} ?"  # a figure that may still change
HELP_HEADINGS = "Keys", "Under the music", "At the notes"
BAR_BEAT = "bar {bar}, beat {beat}"
LEAVES = ("page", "one bar", "all passes", "two passes", "drift", "in words")  # the keys 1 to 6
LEAF = "{number} {name}"  # a leaf's key and name

# The window itself.
UNTITLED = "coach"
CAPTION = "{title} – {said}"
NO_WINDOW_REMEDY = "start it from a desktop, or do without the window"
NO_REVIEW_REMEDY = "start it from a desktop, or do without --window"

# The next stop alone, for the back row.
CARD_STOP = "stop"

# The leaf with one bar to true time.
BAR_HEADING = "bar {bar}, pass {number}, to true time"
MS_UNIT = "ms"

# The leaf with the drift; it is said in words too.
AHEAD, IN_TIME, BEHIND = "ahead", "in time", "behind"
OTHER_PASSES = "the others"
NO_DRIFT = "No pass is long enough to tell how the time ran."

# All passes laid over one another: how often a stop failed.
FAILED_OF = "{failed} of {asked}"
FAILED_SHORT = "{failed}/{asked}"
