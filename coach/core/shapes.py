"""What any screen is given to draw: plain shapes in score time, with their words; no colours, no pixels.

Horizontal places are ticks of the *performed* score (``Score.bars``); a screen maps them to where the
engraver put the bar.  Everything here is rebuilt whenever something changed; nothing here is ever edited.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class RingState(Enum):
    """How a sounding string stands to what is written."""

    SOUNDING = "sounding"  # within its written length: nothing to say yet
    OVERDUE = "overdue"  # past its due point, not yet judged
    CLEAN = "clean"
    LATE = "late"
    RINGING = "ringing"
    CUT = "cut"
    FADED = "faded"
    REPLACED = "replaced"
    FREE = "free"
    MISSED = "missed"  # the bass note was never played: an empty slot
    STRAY = "stray"


class MarkKind(Enum):
    """What a teacher would pencil on a note."""

    WRONG = "wrong"
    MISSING = "missing"
    EXTRA = "extra"


@dataclass(frozen=True, slots=True)
class Ring:
    """One string's sound in the ring strip, beside the length the score gives it."""

    string: int
    start_tick: float  # where it began to sound (for MISSED: where it should have)
    end_tick: float  # where it stopped; where it is now while it sounds
    slot_end_tick: float | None  # where the stop is due; None for a stray
    state: RingState
    sounding: bool  # still heard now
    settled: bool  # no longer subject to change; unsettled marks are drawn in grey pencil
    bar: int  # performed bar in which it began
    words: str = ""  # the overhang, such as "+240 ms"; shown past the threshold only
    note: int = -1  # row in Score.notes; -1 for a stray


@dataclass(frozen=True, slots=True)
class NoteMark:
    """A pencil mark on the staff."""

    kind: MarkKind
    tick: float
    bar: int
    pitch: int  # sounding pitch: of the missing note, or of what was played
    settled: bool
    note: int = -1  # row in Score.notes; -1 for an extra
    words: str = ""  # the name of what was played, for a wrong note


@dataclass(frozen=True, slots=True)
class DriftMark:
    """How one bar stood to the click, or to the player's own tempo."""

    bar: int
    drift_ms: float  # mean; positive: behind
    slope_ms: float  # change within the bar; positive: falling further behind
    words: str = ""  # such as "35 ms behind", past the threshold only


@dataclass(frozen=True, slots=True)
class StopSign:
    """A stop the plan asks for, to be engraved under the bass."""

    tick: float  # due point
    bar: int
    string: int
    note: int  # the bass note to be stopped
    way: str  # a few letters of the trade: "p back", "p side", "p rest", "l.h."
    wanted: bool


@dataclass(frozen=True, slots=True)
class Foot:
    """The quiet line at the foot of the page, part by part; empty parts are left out."""

    chunk: str = ""  # "bars 1–4"
    tempo: str = ""  # "♩ = 58"
    tally: int | None = None  # clean passes in a row; None when nothing is counted
    next_stop: str = ""  # "next: stop ⑤ at the D, thumb back"
    port: str = ""  # one word or short sentence on the guitar's connection
    message: str = ""  # one plain sentence after a pass, the worst fault first
    alarm: bool = False  # ``port`` says that something is wrong: it comes before all else, and whole
    stop_string: int = 0  # the next stop's parts: its string (0 when none is to come) …
    stop_where: str = ""  # … its place, "at the D" …
    stop_way: str = ""  # … and its way in words, "returning thumb"; empty when none is asked for


@dataclass(frozen=True, slots=True)
class View:
    """One moment of the page."""

    first_bar: int  # performed bars the page should hold
    last_bar: int
    bar: int  # performed bar the player is in
    tick: float  # the player's place
    unsure: bool  # the follower does not know, or hesitates between places
    pass_number: int  # from 1
    rings: tuple[Ring, ...]
    marks: tuple[NoteMark, ...]
    drifts: tuple[DriftMark, ...]
    stops: tuple[StopSign, ...]
    foot: Foot
    finished: bool = False
    at_rest: bool = False  # nobody plays: the page is leafed through, and stands in reading order


@dataclass(frozen=True, slots=True)
class SummaryRow:
    """One stop to mend, the worst first; every field but ``string`` is ready to print."""

    bar: str
    beat: str
    string: int
    verdict: str  # "rang on"
    amount: str  # by how much: "+240 ms"
    advice: str  # what to do
    early: bool = False  # it was cut, not late


@dataclass(frozen=True, slots=True)
class Summary:
    """What is said after a take."""

    headline: str
    sentences: tuple[str, ...]  # three: what went well, what to mend first, how
    rows: tuple[SummaryRow, ...]
    more: str = ""  # said under the rows when there are more of them
    caution: str = ""  # the care for hands that belongs to every suggestion to drill
    hidden: int = 0  # how many stops of ``more`` have no row …
    also: str = ""  # … and its rest: what a screen with room for fewer rows says after its own count
