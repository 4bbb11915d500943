"""One part as written in a MusicXML file, before repeats are played and ties are joined.

Times are ticks (``coach.core.score.TICKS_PER_QUARTER``) from the start of the bar.  These classes are
filled by the readers in this folder and used by nobody else.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from xml.etree.ElementTree import Element

from coach.core.errors import ScoreError
from coach.core.repeats import BarSigns
from coach.core.score import DampMark

Ticks = int | Fraction  # a place within a bar; whole ticks unless the file's divisions are odd


@dataclass(slots=True)
class WrittenNote:
    """One note head or rest."""

    element: Element
    bar: int  # index of the written bar
    onset: int
    duration: int
    pitch: int = 0  # sounding; 0 for a rest
    place: int | None = None  # how it is spelt: sounding, on the line of fifths; None where that is not told
    voice: int = 1
    staff: int = 1
    stem: int = 0
    string: int = 0
    fret: int = -1
    finger: int = 0
    pluck: int = 0
    rest: bool = False
    chord: bool = False
    grace: bool = False
    tie_start: bool = False
    tie_stop: bool = False
    let_ring: bool = False
    fermata: bool = False
    silent: bool = False  # engraved but not asked of the player: cue, slash, unpitched, hidden
    id: str = ""
    index: int = -1  # among the part's sounding notes


@dataclass(slots=True)
class WrittenBar:
    """One measure element."""

    element: Element
    token: str  # its number as written
    implicit: bool
    full: int = 0  # ticks the meter gives it; 0 without a meter
    beats: int = 4
    beat_unit: int = 4
    fifths: int = 0
    extent: int = 0  # ticks its contents reach
    length: int = 0  # ticks it is played for
    lead: int = 0  # ticks of the meter's bar that lie before it
    number: int = 0
    id: str = ""
    signs: BarSigns = field(default_factory=BarSigns)
    section_start: bool = False
    section_end: bool = False
    notes: list[WrittenNote] = field(default_factory=list)  # heads and rests, in file order
    tempos: list[tuple[int, float]] = field(default_factory=list)  # tick, quarter notes a minute
    damps: list[DampMark] = field(default_factory=list)  # onsets within the bar
    content: list[tuple[int, Element]] = field(default_factory=list)  # what is engraved, with its tick


@dataclass(slots=True)
class Part:
    """One part, read."""

    bars: list[WrittenBar] = field(default_factory=list)
    staves: int = 1
    tab_staves: set[int] = field(default_factory=set)
    mode: str = ""
    octave_said: bool = False  # a transposition or an octave clef
    transposed: int = 0  # semitones already added to the pitches by ``transpose``, if constant
    plain_treble: bool = True  # no clef but G on the second line (or tablature)
    tuning_lines: dict[int, int] = field(default_factory=dict)  # string -> sounding pitch, staff-tuning
    accords: dict[int, int] = field(default_factory=dict)  # string -> pitch, scordatura
    worded: dict[int, int] = field(default_factory=dict)  # string -> pitch class, from words
    lines: int = 0  # strings, from the number of tablature lines
    capo: int = 0

    def heads(self) -> list[WrittenNote]:
        """Return the notes asked of the player, in file order."""
        return [note for bar in self.bars for note in bar.notes if not note.rest and not note.silent]


class Notices:
    """What had to be assumed: each sentence once, with the bars it holds for."""

    def __init__(self, where: str) -> None:
        self.where = where
        self._bars: dict[str, list[str]] = {}

    def add(self, sentence: str, bar: str = "") -> None:
        """Note ``sentence`` (which ends without a full stop), for the bar with this number if given."""
        bars = self._bars.setdefault(sentence, [])
        if bar and (not bars or bars[-1] != bar) and len(bars) < 1000:
            bars.append(bar)

    def lines(self) -> tuple[str, ...]:
        """Return the sentences, in the order first noted."""
        return tuple(f"{sentence}{_named(bars)}." for sentence, bars in self._bars.items())

    def fault(self, bar: str, what: str, remedy: str) -> ScoreError:
        """Return the error that refuses this file, naming the bar."""
        return ScoreError(f"{self.where}, bar {bar[:20]}" if bar else self.where, what, remedy)


def _named(bars: list[str]) -> str:
    """Return “ (bars 3, 4 and 7)”."""
    if not bars:
        return ""
    shown = [bar[:8] for bar in bars[:6]]
    if len(bars) > 6:
        return f" (bars {', '.join(shown)} and {len(bars) - 6} more)"
    if len(bars) == 1:
        return f" (bar {shown[0]})"
    return f" (bars {', '.join(shown[:-1])} and {shown[-1]})"
