"""A session in rows: what every report, table, JSON document and summary is made of.

Times are seconds from the take's start; a figure that cannot be known is None.  Only settled verdicts
count (DESIGN: what is provisional may still be withdrawn).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from coach.core import words
from coach.core.clean import cleanness
from coach.core.damping import Stop
from coach.core.drift import BarDrift, PassDrift
from coach.core.drift_rows import drift_of
from coach.core.ledger import Key
from coach.core.passes import Pass
from coach.core.pickup_words import channels_off
from coach.core.score import Score
from coach.core.session import Session
from coach.core.spelling import tone_name
from coach.core.timing import BarTiming, Onset, bar_timings, deviations, pass_onsets
from coach.core.verdicts import (
    DAMPING_FAULTS,
    Damping,
    DampingVerdict,
    StrayVerdict,
    Stroke,
    StrokeVerdict,
)
from coach.core.ways import Way


@dataclass(frozen=True, slots=True)
class DampRow:
    """One bass end."""

    verdict: DampingVerdict
    stop: Stop
    bar: int  # as a musician counts
    beat: float
    fret: int | None
    due_bar: int
    due_beat: float
    due: str  # the same in words, from where it begins: "beat 3", "bar 4, beat 1", "the end"
    tone: str  # the name of the note that rang, as the score or its key spells it

    @property
    def overhang_beats(self) -> float | None:
        """The overhang in the player's own beats."""
        ms, beat_us = self.verdict.overhang_ms, self.verdict.beat_us
        return ms * 1000 / beat_us if ms is not None and beat_us > 0 else None

    @property
    def faulty(self) -> bool:
        """Whether this bass end is a fault of damping."""
        return self.verdict.kind in DAMPING_FAULTS

    @property
    def way(self) -> Way | None:
        """The way the plan proposes for this stop."""
        return self.stop.way


@dataclass(frozen=True, slots=True)
class NoteRow:
    """One note of the score, or an extra one."""

    verdict: StrokeVerdict
    bar: int
    beat: float | None
    voice: int | None
    asynchrony_ms: float | None
    tone: str  # the name of the note that was played, or left out


@dataclass(frozen=True, slots=True)
class StrayRow:
    """One sound that nobody asked for."""

    verdict: StrayVerdict
    bar: int

    @property
    def length_ms(self) -> float | None:
        """How long it sounded; None while it was never heard to stop."""
        release_us = self.verdict.release_us
        return None if release_us is None else (release_us - self.verdict.from_us) / 1000


@dataclass(frozen=True, slots=True)
class BarRow:
    """One bar's timing within a pass."""

    pass_number: int
    bar: int
    timing: BarTiming
    drift: BarDrift | None = None  # the same with intervals, and what is named


@dataclass(frozen=True, slots=True)
class PassRow:
    """One pass; what makes it clean is said in ``coach.core.clean``."""

    number: int
    first_bar: int
    last_bar: int
    complete: bool  # from the first note of the piece (or chunk) to its last
    faults: tuple[DampRow | NoteRow | StrayRow, ...]  # in order of time
    drifted: BarRow | None = None  # the bar that strayed furthest, where one strayed too far
    part: str = ""  # "bass" or "melody" where that voice was played without the other, if only for a while
    unclear: int = 0  # played notes of which nothing is said: it was not known where the player was
    drift_limit_ms: float | None = None  # how far a bar might stray at this pass's tempo; None: however far

    @property
    def clean(self) -> bool:
        """Whether nothing went wrong, and all of it could be followed."""
        return not self.count and not self.unclear

    @property
    def count(self) -> int:
        """How many faults there were, time that strayed too far among them."""
        return len(self.faults) + (self.drifted is not None)


@dataclass(frozen=True, slots=True)
class Report:
    """Everything settled that a take showed."""

    passes: tuple[PassRow, ...]
    damps: tuple[DampRow, ...]
    strays: tuple[StrayRow, ...]
    notes: tuple[NoteRow, ...]
    bars: tuple[BarRow, ...]
    ignored: dict[str, int]
    drifts: tuple[PassDrift, ...] = ()  # one for each pass
    bar_numbers: tuple[int, ...] = ()  # as a musician counts, by performed bar
    notices: tuple[str, ...] = ()  # what is to be put right with the pickup


def report(session: Session, extra_ignored: Counter[str] | None = None) -> Report:
    """Return the settled verdicts of a session as rows, in order of pass and time."""
    score = session.score
    stops = {stop.note: stop for stop in session.stops}
    settled = [v for v in session.verdicts.values() if v.settled]
    damps = [_damp_row(score, stops[v.note], v) for v in settled if isinstance(v, DampingVerdict)]
    damps.sort(key=lambda r: (r.verdict.pass_number, r.verdict.note, r.verdict.time_us))
    strays = [StrayRow(v, score.bars[v.bar].number) for v in settled if isinstance(v, StrayVerdict)]
    strays.sort(key=lambda r: r.verdict.from_us)
    late_by: dict[int, float] = {}
    bars: list[BarRow] = []
    drifts: list[PassDrift] = []
    for during in session.matching.passes:
        onsets = pass_onsets(score, during)
        drifts.append(drift_of(session, during))
        known = {bar.bar: bar for bar in drifts[-1].bars}
        bars += [
            BarRow(during.number, score.bars[t.bar].number, t, known.get(t.bar))
            for t in bar_timings(score, onsets, session.click)
        ]
        late_by |= _asynchronies(session, during, onsets)
    notes = [_note_row(score, v, late_by) for v in settled if isinstance(v, StrokeVerdict)]
    notes.sort(key=lambda r: (r.verdict.pass_number, _place(score, r), r.verdict.pitch, r.verdict.time_us))
    ignored = session.ignored + session.ringing.ignored + (extra_ignored or Counter())
    every: list[DampRow | NoteRow | StrayRow] = [*damps, *notes, *strays]
    rows = {row.verdict.key: row for row in every}
    passes = tuple(_pass_row(session, during, rows) for during in session.matching.passes)
    notices = tuple(filter(None, [channels_off(session.channels)]))
    return Report(
        passes,
        tuple(damps),
        tuple(strays),
        tuple(notes),
        tuple(bars),
        dict(ignored),
        drifts=tuple(drifts),
        bar_numbers=tuple(bar.number for bar in score.bars),
        notices=notices,
    )


def _asynchronies(session: Session, during: Pass, onsets: list[Onset]) -> dict[int, float]:
    """Return by played index how far each matched note of a pass stood from its time, in ms."""
    off = dict(zip((o.tick for o in onsets), deviations(session.score, onsets, session.click), strict=True))
    at = {o.tick: o.us for o in onsets}
    result: dict[int, float] = {}
    for row, match in (*during.claims.items(), *during.soft_claims.items()):
        tick = int(session.score.notes["onset"][row])
        if tick in off and not session.score.notes["grace"][row]:
            result[match.played.index] = (match.played.on_us - at[tick] + off[tick]) / 1000
    return result


def _damp_row(score: Score, stop: Stop, verdict: DampingVerdict) -> DampRow:
    note = score.notes[stop.note]
    bar, due_bar = int(note["bar"]), score.bar_index(stop.due)
    known = 0 < verdict.string <= score.tuning.strings
    return DampRow(
        verdict=verdict,
        stop=stop,
        bar=score.bars[bar].number,
        beat=score.beat(int(note["onset"]), bar),
        fret=score.tuning.fret(verdict.string, verdict.pitch) if known else None,
        due_bar=score.bars[due_bar].number,
        due_beat=score.beat(stop.due, due_bar),
        due=words.due_words(score, stop),
        tone=tone_name(score, verdict.note, verdict.pitch, bar),
    )


def _note_row(score: Score, verdict: StrokeVerdict, late_by: dict[int, float]) -> NoteRow:
    tone = tone_name(score, verdict.note, verdict.pitch, verdict.bar)
    if verdict.note < 0:
        return NoteRow(verdict, score.bars[verdict.bar].number, None, None, None, tone)
    note = score.notes[verdict.note]
    return NoteRow(
        verdict=verdict,
        bar=score.bars[verdict.bar].number,
        beat=score.beat(int(note["onset"]), verdict.bar),
        voice=int(note["voice"]),
        asynchrony_ms=late_by.get(verdict.played),
        tone=tone,
    )


def _place(score: Score, row: NoteRow) -> int:
    note = row.verdict.note
    return int(score.notes["onset"][note]) if note >= 0 else score.bars[row.verdict.bar].onset


def _pass_row(session: Session, during: Pass, rows: dict[Key, DampRow | NoteRow | StrayRow]) -> PassRow:
    score, groups = session.score, session.groups
    first, last = groups.bar_of(during.start), groups.bar_of(max(during.front, during.start))
    begin, end = groups.span(session.chunk or (0, len(score.bars)))
    found = cleanness(session, during)
    far = found.drifted
    return PassRow(
        number=during.number,
        first_bar=score.bars[first].number,
        last_bar=score.bars[last].number,
        complete=during.start <= begin and during.front >= end - 1,
        faults=tuple(rows[verdict.key] for verdict in found.faults),
        drifted=None if far is None else BarRow(during.number, score.bars[far.bar].number, far),
        part=alone_part(during),
        drift_limit_ms=found.drift_limit_ms,
        unclear=found.unclear,
    )


def alone_part(during: Pass) -> str:
    """Return which voice of a pass was played without the other; "" where both were."""
    return "" if not during.silent else "melody" if True in during.silent else "bass"


def count_damps(rows: tuple[DampRow, ...] | list[DampRow]) -> Counter[Damping]:
    """Return how often each kind of bass end occurred."""
    return Counter(row.verdict.kind for row in rows)


def count_strokes(rows: tuple[NoteRow, ...] | list[NoteRow]) -> Counter[Stroke]:
    """Return how often each kind of stroke occurred."""
    return Counter(row.verdict.kind for row in rows)
