"""Every sentence the history says, in one place, ready to translate."""

from __future__ import annotations

from coach.core import words
from coach.files.history_rows import TOGETHER

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
PART_NAMES = {"scale": "scale", "melody": "melody alone", "bass": "bass alone", TOGETHER: "together"}

NOTHING_YET = "Nothing has been practised yet: play a piece with coach play SCORE, and its passes stand here."
NOTHING_OF = "Nothing of “{title}” has been practised yet."
NOTHING_SINCE = "Nothing has been practised in the last {days}."
HEAD = "{pieces} on {days}, last on {day}."
TODAY = "To practise today"
TODAY_GO_ON = "Go on with {title} where you stopped: coach drill."
TODAY_NOTHING = "Play something you like."
PIECE = "{title}: {passes}, {clean}, on {days}, last on {day}."
PASSES_CLEAN = "{count} clean"
EDITED = "“{title}” was edited since; the passes of the score as it was are not counted here."
GONE = "Its score is not at hand."
CHUNK_HEADING = ("bars", "part", "passes", "clean", "fastest clean", "days", "last")
STOP_HEADING = ("bar", "beat", "string", "stop", "clean", "overhang, median", "days", "last")
SCALE = "scale"
NEVER = "–"
TEMPO = "{bpm:.0f} beats a minute ({speed:.2f})"
SPEED = "{speed:.2f} of the tempo"
CLEAN_OF = "{clean} of {asked}"
MORE_STOPS = "and {stops} that never failed"

# What to practise today, by core of ``history_today.What``.
CHECK = "Once more first: {chunk} of “{title}”, clean on {day}."
MEND = "Mend {place} of “{title}”: the stop on string {string} failed {failed} of the last {asked} times."
MEND_ONCE = "Mend {place} of “{title}”: the stop on string {string} failed when it was last asked."
RETURN = "Take up “{title}” again: it has lain for {days}."

# The picture.
TITLE = "History"
SHEET_TITLE = "{title}: how the stops went, day by day"
SHEET_EMPTY = "No stop has been asked for yet."
SHEET_HEADINGS = (("", "clean"), ("median", "overhang"))
SHEET_KEY = (("clean", "in time"), ("late", "late"), ("ringing", "rang on"), ("cut", "cut short"))
SHEET_MIXED = "in grey, with a figure: so many came off, the sign tells how it mostly ended"
SHEET_DAYS_OUT = "{days} before these had no room here."
SHEET_STOPS_OUT = "{stops} more had no room here."

# Notices, one line each.
ASIDE = "the history was damaged ({why}); it is kept as {name}, and is read anew from the takes"
LEFT_BEHIND = "{takes} not in the history, because the score is not at hand: {titles}"
UNREADABLE = "{takes} not in the history, because it cannot be read: {names}"
READING = "the takes that are not in the history yet are being read …"
WHAT_TO_WRITE = "the history cannot be written ({why})"
WHAT_TO_READ = "the history cannot be read ({why})"
BUSY = "another program is using the history"
REMEDY_WRITE = "free space or unlock the folder; the take is kept, and is read into the history the next time"
REMEDY_READ = "unlock the folder"
REMEDY_BUSY = "end that program; the take is kept, and is read into the history the next time"
NEWER = "the history was made by a later version of the program"
REMEDY_NEWER = "use that version; nothing was changed"
REMEDY_ASIDE = "move the file away by hand"
DAMAGED = "the history is damaged ({why}) and cannot be moved aside"
STRANGE = "it is another program's database"
NO_SCORE = "there is no such file, and no piece in the history has this title"
REMEDY_SCORE = "see the titles with coach history"


def day_words(day: str, year: int) -> str:
    """Return a date such as ``4 May``, with its year where that is not ``year``."""
    of_year, month, number = (int(part) for part in day.split("-"))
    text = f"{number} {MONTHS[month - 1]}"
    return text if of_year == year else f"{text} {of_year}"


def chunk_words(part: str, first_bar: int, last_bar: int) -> str:
    """Return what was practised: ``bars 1–4``, ``the bass of bars 1–4``, ``the scale``."""
    if part == "scale":
        return "the scale"
    bars = words.bars_words(first_bar, last_bar)
    return bars if part == TOGETHER else f"the {part} of {bars}"


def days_words(count: int) -> str:
    """Return ``1 day`` or ``3 days``."""
    return words.number_of("day", count)


def passes_words(count: int) -> str:
    """Return ``1 pass`` or ``3 passes``."""
    return "1 pass" if count == 1 else f"{count} passes"


def takes_are(count: int) -> str:
    """Return ``1 take is`` or ``3 takes are``."""
    return "1 take is" if count == 1 else f"{count} takes are"
