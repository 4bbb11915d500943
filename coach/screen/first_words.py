"""Every sentence of the first page, in one place, ready to translate."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

from coach.core.errors import CoachError

TITLE = "coach"
REMEDY = "start it from a desktop, or name a command"
SCORES, TAKES = "Scores", "Takes"
TODAY = "Today"
TODAY_FROM = "Today, after the take of “{title}”"
PLACE = "{row} of {all}"
NO_SCORES = "Drop a score on this page."
NO_TAKES = "None yet: what you play is kept here."
PLUCK = "Pluck each string: does its number answer?"
HEARD = "The guitar is heard."
ONE_CHANNEL = "All strings come on channel {channel}. Set the converter to one channel a string."
WAITING = "Waiting for the guitar"
SEVERAL = "Several ports: press g until the guitar answers"
BEGIN = "Begin with “{title}”: play it through once, slowly."
BEGIN_ANY = "Drop a score on this page, and begin slowly."
MAKING = "The marked page of “{title}” is being made …"
MADE = "The marked page is written: {path}"
NO_PORTS = "No MIDI port is there: plug in the guitar's converter and switch it on."
LISTENING = "Listening at {name}: pluck the strings, and press g again if none answers."
NO_GUITAR = "No guitar is heard yet: pluck a string, then calibrate."
ONE_PORT = "There is no other port for the guitar than {name}."
ONLY_PEDAL = (
    "Only {name} is there, which was learnt as the pedal's own: switch the guitar's converter on. If the "
    "pedal is plugged into it, learn the pedal again and pluck some strings meanwhile."
)
SCORE_ADDED = "“{title}” stands among the scores now."
DROP_SCORE = "drop the score it was played from on this page, then look back again"
CHOOSE_PORT = "press g until the guitar's port is named"
SEE_HELP = "see the keys with F1"

# What can be done with a row: the letter, and the word beside it.
PLAY = ("p", "play")
DRILL = ("d", "drill")
PREPARE = ("m", "print")
STUDIO = ("s", "studio")
LOOK_BACK = ("b", "look back")
OTHER_PORT = ("g", "another port")
CALIBRATE = ("c", "calibrate")
FOOT = (("Enter", "open"), ("Tab", "other column"), ("F1", "keys"), ("Esc", "leave"))

HELP_TITLE = "Keys"
HELP_LINES = (
    ("↑  ↓", "choose a row"),
    ("Tab  ←  →", "from the scores to the takes and back"),
    ("Enter", "play the score, look back at the take"),
    ("p", "play the score"),
    ("d", "drill it: step by step, three clean in a row"),
    ("m", "print the marked score, as a PDF file"),
    ("s", "studio: the score on a large screen, for a class"),
    ("b", "look back at the take"),
    ("g", "listen at another port"),
    ("c", "calibrate: learn the guitar's delays, by plucking"),
    ("pedal", "page forward: next row; page back: open it"),
    ("mouse", "click a row, click it again to open it"),
    ("drop a file", "a score joins the scores, a take is opened"),
    ("l   f", "lamp: day or night paper; full screen"),
    ("F1  ?", "this sheet"),
    ("Esc", "leave"),
)

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def day_words(moment: datetime, today: date) -> str:
    """Return when a take was played, in plain words: ``today, 18:20``, ``on Monday``, ``4 May``."""
    days = (today - moment.date()).days
    if days in (0, 1):
        return f"{'yesterday' if days else 'today'}, {moment:%H:%M}"
    if 1 < days < 7:
        return f"on {WEEKDAYS[moment.weekday()]}"
    year = "" if moment.year == today.year else f" {moment.year}"
    return f"{moment.day} {MONTHS[moment.month - 1]}{year}"


def fault_words(error: CoachError) -> str:
    """Return an error as one sentence for a person who never typed a command."""
    remedy = error.remedy
    if "--score" in remedy:
        remedy = DROP_SCORE
    elif "--port" in remedy or "coach ports" in remedy:
        remedy = CHOOSE_PORT
    elif "--" in remedy:
        remedy = SEE_HELP
    where = Path(error.where).name if "/" in error.where or "\\" in error.where else error.where
    return f"{where}: {error.what}; {remedy}."


def port_words(state: str, text: str, heard: bool, one_channel: int | None = None) -> str:
    """Return how the guitar stands, from a ``PortState``'s state and text.

    ``one_channel``: the MIDI channel that carries all strings, where one does.
    """
    if state == "open":
        if one_channel is not None:
            return ONE_CHANNEL.format(channel=one_channel)
        return HEARD if heard else PLUCK
    if state in ("", "waiting"):
        return WAITING
    return SEVERAL if state == "ambiguous" else text
