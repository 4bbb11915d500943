"""What is said of a bass end, a note, a stray: the kinds, the figures, and the rule for a bass end.

A verdict carries the time at which it could first be given (its deadline, or the event that decided it).
``settled`` verdicts are never changed in kind; only the release of a string that was still ringing when it
was judged is filled in when it is heard.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

CUT_SHARE = 0.75  # sounding for less than this share of the written length is cut short
LENIENT_CUT_SHARE = 0.5  # at the very end of the piece
# An undamped open bass is heard for several seconds: Woodhouse 2004 (Acta Acustica 90, table I) gives
# string losses alone 4 to 5.5 dB a second for E2 to D3, so a gate 30 to 40 dB down closes after 5.5 s or
# more; the body takes its share.  Without calibration a release later than half of this may be fading.
FADE_S = 6.0

# Two limits for a bar that strays from the beat.  Just noticeable is about 2.5 % of the time between two
# tones of 240 to 1000 ms, 6 ms below (Friberg & Sundberg 1995, JASA 98:2524-2531): 25 ms at one a second.
# The first is what is worth showing, a little above what anybody hears; the second is what spoils a pass,
# about three times what is noticed, so that nobody begins again for what only the figures show.  Slower,
# the tones are further apart, and the second grows with them (divided by the speed, 1 as written).  Only a
# drill asks for it: over a whole piece played freely, slowing into a phrase's end is music, and strays more
# than that from any steady line.  Both figures are our own.
DRIFT_SHOWN_MS, DRIFT_FAULT_MS = 35.0, 80.0


class Damping(Enum):
    """How a bass note ended."""

    CLEAN = "clean"
    LATE = "late"
    RINGING = "ringing"
    CUT = "cut"
    FADED = "faded"
    REPLACED = "replaced"
    FREE = "free"
    MISSED = "missed"


class Source(Enum):
    """Where a sound came from that nobody asked for."""

    BRUSHED = "brushed"
    LIFTED = "lifted"  # the finger that ended a fretted note let the string go, and the open string sounds
    RANG_ON = "rang-on"  # a melody string long past its end, where all strings are judged


class Stroke(Enum):
    """How a note was played."""

    RIGHT = "right"
    WRONG = "wrong"
    MISSING = "missing"
    EXTRA = "extra"


DAMPING_FAULTS = (Damping.LATE, Damping.RINGING, Damping.CUT)
STROKE_FAULTS = (Stroke.WRONG, Stroke.MISSING, Stroke.EXTRA)


@dataclass(frozen=True, slots=True)
class DampingVerdict:
    """One bass end.  Times in µs since the session's start, corrected for the pickup."""

    time_us: int
    settled: bool
    pass_number: int  # from 1
    note: int  # row in Score.notes
    kind: Damping
    string: int  # the string that sounded; 0 unknown
    pitch: int  # the pitch that sounded (the score's, for a missed one)
    on_us: int | None = None
    due_us: int | None = None
    release_us: int | None = None  # None while it rings, or where nothing was played
    beat_us: float = 0.0  # the player's beat at the due point
    played: int = -1  # index of the played note
    uncertainty_ms: float = 0.0  # of the overhang, by the calibration: two standard deviations

    @property
    def overhang_ms(self) -> float | None:
        """Release minus due in ms (negative: early); None where either is unknown."""
        if self.release_us is None or self.due_us is None:
            return None
        return (self.release_us - self.due_us) / 1000

    @property
    def key(self) -> tuple[str, int, int]:
        """What this verdict is about: a later verdict with the same key takes its place."""
        return ("missed", self.pass_number, self.note) if self.played < 0 else ("damp", self.played, 0)


@dataclass(frozen=True, slots=True)
class StrokeVerdict:
    """One note of the score, or one extra note."""

    time_us: int
    settled: bool
    pass_number: int
    note: int  # row in Score.notes; -1 for an extra
    kind: Stroke
    string: int
    pitch: int  # as played; for a missing note the score's
    bar: int  # performed bar
    on_us: int | None = None
    played: int = -1

    @property
    def key(self) -> tuple[str, int, int]:
        """What this verdict is about."""
        return ("missing", self.pass_number, self.note) if self.played < 0 else ("note", self.played, 0)


@dataclass(frozen=True, slots=True)
class StrayVerdict:
    """A string sounding that no note in the score asks for."""

    time_us: int
    settled: bool
    pass_number: int
    string: int
    pitch: int
    bar: int  # performed bar
    from_us: int
    release_us: int | None
    played: int
    source: Source = Source.BRUSHED

    @property
    def key(self) -> tuple[str, int, int]:
        """What this verdict is about."""
        return ("stray", self.played, 0)


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """A provisional verdict that no longer stands."""

    time_us: int
    key: tuple[str, int, int]


Verdict = DampingVerdict | StrokeVerdict | StrayVerdict
Change = Verdict | Withdrawn


@dataclass(frozen=True, slots=True)
class Limits:
    """How strict the judge is.  A teacher's profile sets these."""

    tolerance_ms: float = 120.0  # overhang that passes as clean
    stray_ms: float = 80.0  # an unasked sound shorter than this is no stray
    drift_ms: float = DRIFT_SHOWN_MS  # a bar's drift is put in words past this
    drift_fault_ms: float | None = None  # past this, at the full tempo, a pass is not clean; None: never
    all_strings: bool = False  # a melody string that rings on past its note by a beat is a stray
    hands_alone: bool = True  # who plays one voice without the other has left nothing out
    settle_events: int = 12  # a match is settled after so many further notes …
    settle_us: int = 2_000_000  # … or after so long, whichever comes first

    @property
    def tolerance_us(self) -> int:
        """Tolerance in µs."""
        return round(self.tolerance_ms * 1000)


def ringing_after_us(beat_us: float, limits: Limits, lenient: bool) -> int:
    """Return how long after its due point a sounding string rings on: one beat, two if lenient; in µs."""
    return max(round(beat_us * (2 if lenient else 1)), limits.tolerance_us)


def judge_end(
    *,
    on_us: int,
    due_us: int,
    release_us: int | None,
    now_us: int,
    replaced: bool,
    replucked: bool,
    beat_us: float,
    fade_us: int,
    limits: Limits,
    lenient: bool = False,
    written_us: float | None = None,
    uncertainty_us: int = 0,
) -> Damping | None:
    """Return the verdict of one bass end, or None while it cannot be known.

    ``replaced``: the note that was due to start took over this very string; the finger that plays it may
    have stopped the string a moment before.  ``replucked``: some note took the string over.  ``now_us``
    matters only while the string sounds: the release, if it comes, is later.  ``written_us`` is the written
    length at the player's pace: who stopped the note in time and then hesitated has not cut it.
    ``uncertainty_us``: an overhang past the tolerance by less than this is no fault, nor is a note that may
    have sounded long enough.
    """
    ring_us = ringing_after_us(beat_us, limits, lenient) + uncertainty_us
    tolerance_us = max(limits.tolerance_us, round(beat_us)) if lenient else limits.tolerance_us
    if release_us is None:
        if replaced:
            return Damping.REPLACED
        return Damping.RINGING if now_us >= due_us + ring_us else None
    overhang_us, length_us = release_us - due_us, float(due_us - on_us)
    if written_us is not None:
        length_us = min(length_us, written_us)
    if overhang_us > tolerance_us + uncertainty_us and not replaced:
        return Damping.RINGING if replucked or overhang_us >= ring_us else Damping.LATE
    sounded_us = release_us - on_us
    faded = not replucked and 2 * sounded_us >= fade_us and overhang_us < -limits.tolerance_us
    if faded:
        return Damping.FADED
    share = LENIENT_CUT_SHARE if lenient else CUT_SHARE
    if length_us > 0 and sounded_us + uncertainty_us < share * length_us:
        return Damping.CUT
    return Damping.REPLACED if replaced else Damping.CLEAN
