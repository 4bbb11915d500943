"""A score in performed order: repeats unfolded, ties merged, every time in ticks.

``notes`` is one read-only structured array sorted by onset, then pitch.  A written note that is played
twice (a repeat) has two rows with the same ``written`` index.  ``ids`` names the written notes as the
engraver knows them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from coach.core.pitch import STANDARD, Tuning

TICKS_PER_QUARTER = 10_080  # divisible by 2^5, 3^2, 5, 7: triplets to septuplets stay exact
DEFAULT_QPM = 60.0  # quarter notes a minute where the score gives no tempo: a practice tempo

NOTE = np.dtype(
    [
        ("onset", "i8"),  # ticks from the start of the performance
        ("duration", "i8"),  # ticks, ties merged; 0 for a grace note
        ("pitch", "i2"),  # sounding MIDI pitch
        ("string", "i1"),  # 1 = highest-pitched; 0 = the score does not say
        ("fret", "i1"),  # -1 = the score does not say
        ("finger", "i1"),  # left hand 1-4; 0 = not given (or open)
        ("pluck", "i1"),  # right hand: 1 p, 2 i, 3 m, 4 a; 0 = not given
        ("voice", "i1"),  # voice number within the part, 1-based, as written
        ("stem", "i1"),  # 1 up, -1 down, 0 not given
        ("bass", "?"),  # belongs to the bass voice
        ("let_ring", "?"),  # let-ring tie: may sound on
        ("fermata", "?"),
        ("grace", "?"),
        ("bar", "i4"),  # index into ``bars`` (performed)
        ("written", "i4"),  # index into ``ids``: the written note (head of the tie chain)
    ]
)
ANCHOR = np.dtype([("bar", "i4"), ("offset", "i8"), ("id", "i4")])
TEMPO = np.dtype([("onset", "i8"), ("qpm", "f8")])

Array = NDArray[np.void]


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar as performed."""

    number: int  # as a musician counts: a pickup is 0, the first full bar 1; repeats keep their number
    onset: int  # ticks
    length: int  # ticks, as performed (a pickup or a short bar is shorter than its meter)
    beats: int  # meter, upper figure
    beat_unit: int  # meter, lower figure
    fifths: int  # key signature: sharps positive, flats negative
    written: int  # index into ``Score.bar_ids``
    round: int = 1  # 1 the first time this written bar is played, 2 the second …
    lead: int = 0  # ticks of the meter's bar before it: of a pickup, or of a bar divided by a repeat sign

    @property
    def end(self) -> int:
        """Tick at which the bar is over."""
        return self.onset + self.length

    @property
    def beat_ticks(self) -> int:
        """Length of the meter's written denominator, in ticks."""
        return 4 * TICKS_PER_QUARTER // self.beat_unit

    @property
    def full_length(self) -> int:
        """Length the meter gives a full bar, in ticks."""
        return self.beats * self.beat_ticks


@dataclass(frozen=True, slots=True)
class DampMark:
    """A written damping mark: ``string`` None means the sounding bass; ``everything`` means all strings."""

    onset: int  # ticks, performed
    string: int | None = None
    everything: bool = False


@dataclass(frozen=True)
class Score:
    """A piece to be played.  Arrays are read-only; build with ``make_score``."""

    notes: Array  # dtype NOTE, sorted by (onset, grace last-first, pitch)
    bars: tuple[Bar, ...]
    title: str = ""
    digest: str = ""  # SHA-256 of the file's bytes, hex
    tuning: Tuning = STANDARD
    tempo: Array = field(default_factory=lambda: np.array([(0, DEFAULT_QPM)], TEMPO))  # first row at tick 0
    tempo_given: bool = False
    mode: str = ""  # of the first key signature, where given: major, minor, …
    damps: tuple[DampMark, ...] = ()
    ids: tuple[str, ...] = ()  # element ids of written notes; index = NOTE.written
    bar_ids: tuple[str, ...] = ()  # element ids of written bars; index = Bar.written
    anchor_ids: tuple[str, ...] = ()  # element ids of everything that has a horizontal place
    anchors: Array = field(default_factory=lambda: np.zeros(0, ANCHOR))  # written bar, ticks from its start
    places: tuple[int, ...] = ()  # spelling by NOTE.written, on the line of fifths (C 0, G 1); () unknown

    @cached_property
    def end(self) -> int:
        """Tick at which the performance is over."""
        return self.bars[-1].end if self.bars else 0

    @cached_property
    def first_performed(self) -> dict[int, int]:
        """The performed bar in which each written bar is played for the first time, in order of playing."""
        first: dict[int, int] = {}
        for index, bar in enumerate(self.bars):
            first.setdefault(bar.written, index)
        return first

    @cached_property
    def _bar_onsets(self) -> NDArray[np.int64]:
        return np.array([bar.onset for bar in self.bars], np.int64)

    @cached_property
    def _tempo_us(self) -> NDArray[np.float64]:
        """Nominal time in µs of each tempo row."""
        ticks = np.diff(self.tempo["onset"]).astype(float)
        us = ticks / TICKS_PER_QUARTER * 60e6 / self.tempo["qpm"][:-1]
        return np.concatenate(([0.0], np.cumsum(us)))

    def bar_index(self, tick: float) -> int:
        """Return the index of the performed bar that holds ``tick`` (clipped to the score)."""
        index = int(np.searchsorted(self._bar_onsets, tick, "right")) - 1
        return min(max(index, 0), len(self.bars) - 1)

    def beat(self, tick: float, bar: int | None = None) -> float:
        """Return the 1-based beat of ``tick`` in the meter's written denominator.

        A short first bar (a pickup) is counted from its end, so that its last beat leads to 1; so is any bar
        with a ``lead``.
        """
        index = self.bar_index(tick) if bar is None else bar
        found = self.bars[index]
        lead = found.lead or (found.full_length - found.length if found.number == 0 else 0)
        return 1.0 + (tick - found.onset + max(lead, 0)) / found.beat_ticks

    def nominal_us(self, tick: float) -> float:
        """Return the time of ``tick`` in µs from the start, at the written tempo."""
        row = max(int(np.searchsorted(self.tempo["onset"], tick, "right")) - 1, 0)
        ticks = tick - float(self.tempo["onset"][row])
        return float(self._tempo_us[row] + ticks / TICKS_PER_QUARTER * 60e6 / float(self.tempo["qpm"][row]))

    def qpm(self, tick: float) -> float:
        """Return the written tempo at ``tick`` in quarter notes a minute."""
        row = max(int(np.searchsorted(self.tempo["onset"], tick, "right")) - 1, 0)
        return float(self.tempo["qpm"][row])


def make_score(notes: Array, bars: tuple[Bar, ...], **rest: object) -> Score:
    """Return a Score of ``notes`` in any order: sorted, with the bar index filled, arrays made read-only.

    Grace notes (duration 0) stand before the main notes of the same onset.
    """
    score = Score(notes=notes, bars=bars)
    score = replace(score, **rest)  # type: ignore[arg-type]
    ordered = notes[np.lexsort((notes["pitch"], ~notes["grace"], notes["onset"]))].copy()
    onsets = np.array([bar.onset for bar in bars], np.int64)
    ordered["bar"] = np.clip(np.searchsorted(onsets, ordered["onset"], "right") - 1, 0, max(len(bars) - 1, 0))
    tempo, anchors = score.tempo.copy(), score.anchors.copy()
    for array in (ordered, tempo, anchors):
        array.flags.writeable = False
    return replace(score, notes=ordered, tempo=tempo, anchors=anchors)
