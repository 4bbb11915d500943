"""One bar to true time: what each string sounded, beside what is written, in the player's own time."""

from __future__ import annotations

import math
from dataclasses import dataclass

from coach.core import words
from coach.core.damping import Stop
from coach.core.lane_words import bar_sentences
from coach.core.matching import Match
from coach.core.passes import PACE_INTERVALS, Pass
from coach.core.pickup_words import with_doubt
from coach.core.score import TICKS_PER_QUARTER
from coach.core.session import Session
from coach.core.spelling import tone_name, written_name
from coach.core.verdicts import (
    DAMPING_FAULTS,
    Damping,
    DampingVerdict,
    StrayVerdict,
    Stroke,
    StrokeVerdict,
)


@dataclass(frozen=True, slots=True)
class Sound:
    """One sound of one string.  Times in ms from the bar's first beat, as it was played."""

    string: int  # 0: not known
    pitch: int
    name: str  # as it is read: ``A``, ``F♯``
    on_ms: float
    off_ms: float | None  # None: never heard to stop
    kind: Damping | Stroke | None  # of a bass its end, of any other note how it was struck; None: a stray
    words: str = ""  # by how much its end missed, such as "+240 ms"; "" where there is nothing to say


@dataclass(frozen=True, slots=True)
class Wanted:
    """One written note, in the player's own time, in ms from the bar's first beat."""

    string: int
    pitch: int
    name: str
    on_ms: float
    off_ms: float  # where its stop is due; of a melody note where it is written to end
    stop: bool  # a stop is asked for there


@dataclass(frozen=True, slots=True)
class Lane:
    """One string."""

    string: int
    wanted: tuple[Wanted, ...]
    sounds: tuple[Sound, ...]


@dataclass(frozen=True, slots=True)
class Lanes:
    """One bar of one pass, with what reaches into it and out of it."""

    pass_number: int
    bar: int  # performed bar
    number: int  # as a musician counts
    first_ms: float  # the stretch shown: from a beat before the bar to a beat behind it
    last_ms: float
    beats: tuple[tuple[float, str], ...]  # (ms, "1"), … where the player's beats fell
    barlines: tuple[float, ...]  # ms
    lanes: tuple[Lane, ...]  # the higher-sounding string first
    said: tuple[str, ...]  # the exact figures, a sentence each, the worst first


def lanes(session: Session, pass_number: int, bar: int) -> Lanes | None:
    """Return one performed bar of one pass (from 1) to true time; None where that pass did not play it.

    The stretch reaches from a beat before the bar to a beat behind it, in the player's own time.  Written are
    the notes that the pass came to (no grace notes: they have no length); heard is everything that sounded in
    the stretch, strings still ringing from a pass before included, with its true beginning and end.  The
    session may still run: what sounds now has no end yet, and verdicts are as they stand.
    """
    passes = session.matching.passes
    if not 1 <= pass_number <= len(passes) or not 0 <= bar < len(session.score.bars):
        return None
    during = passes[pass_number - 1]
    return _Reader(session, during, bar).read() if _played(session, during, bar) else None


def heard_us(session: Session, during: Pass, tick: int) -> int | None:
    """Return the player's own time of a tick in a pass, in µs; None in a pass without an onset.

    Between two onsets it is interpolated, as the judge does for due points; before the first and after the
    last it is reckoned from the player's pace, or from the written tempo where there is none.
    """
    before, after = during.around(tick)
    if before is not None and after is not None:
        return during.between(before, after, tick)
    anchor = before or after
    if anchor is None:
        return None
    if before is not None:
        pace = session.matching.pace(during, tick)
    else:
        first = (*during.anchors, *during.soft_anchors)[: PACE_INTERVALS + 1]
        pace = during.pace(first[-1].tick)
    if pace is None:
        speed = session.click.speed if session.click else 1.0
        pace = 60e6 / (session.score.qpm(tick) * TICKS_PER_QUARTER * speed)
    return anchor.us + round((tick - anchor.tick) * pace)


def _played(session: Session, during: Pass, bar: int) -> bool:
    if not during.anchors and not during.soft_anchors:
        return False
    groups, matching = session.groups, session.matching
    first, last = groups.bar_of(during.start), groups.bar_of(max(during.front, during.start))
    if during.front >= matching.last_group:  # bars in which nothing begins still belong to the end
        last = session.chunk[1] if session.chunk else len(session.score.bars) - 1
    return first <= bar <= last


class _Reader:
    """Reads one bar of one pass."""

    def __init__(self, session: Session, during: Pass, bar: int) -> None:
        self.session, self.during, self.bar = session, during, bar
        self.score = session.score
        found = self.score.bars[bar]
        self.first_tick, self.last_tick = found.onset - found.beat_ticks, found.end + found.beat_ticks
        self.start_us = self._us(found.onset)
        self.ends = {  # by row in Score.notes
            verdict.note: verdict
            for verdict in session.verdicts.values()
            if isinstance(verdict, DampingVerdict) and verdict.pass_number == during.number
        }

    def read(self) -> Lanes:
        """Return the bar."""
        found = self.score.bars[self.bar]
        wanted, sounds = self._wanted(), self._sounds()
        strings = [*range(1, self.score.tuning.strings + 1)]
        if 0 in {one.string for one in wanted} | {one.string for one in sounds}:
            strings.append(0)  # where the string is not known
        edges = sorted({edge for one in self.score.bars for edge in (one.onset, one.end)})
        return Lanes(
            pass_number=self.during.number,
            bar=self.bar,
            number=found.number,
            first_ms=self._ms(self._us(self.first_tick)),
            last_ms=self._ms(self._us(self.last_tick)),
            beats=self._beats(),
            barlines=tuple(
                self._ms(self._us(edge)) for edge in edges if self.first_tick <= edge <= self.last_tick
            ),
            lanes=tuple(
                Lane(
                    string,
                    tuple(one for one in wanted if one.string == string),
                    tuple(one for one in sounds if one.string == string),
                )
                for string in strings
            ),
            said=bar_sentences(self.session, self.during, self.bar, self.start_us),
        )

    # --- times ------------------------------------------------------------------------------------

    def _us(self, tick: int) -> int:
        found = heard_us(self.session, self.during, tick)
        assert found is not None, "a pass without an onset has played no bar"
        return found

    def _ms(self, us: int) -> float:
        return (us - self.start_us) / 1000

    def _beats(self) -> tuple[tuple[float, str], ...]:
        found, score = self.score.bars[self.bar], self.score
        first = score.beat(found.onset, self.bar)
        whole = math.ceil(first - 1e-9)
        at = found.onset + round((whole - first) * found.beat_ticks)
        beats = []
        while at < found.end:
            beats.append((self._ms(self._us(at)), f"{whole}"))
            whole, at = whole + 1, at + found.beat_ticks
        # A pickup shorter than a beat has none: its beginning is named.
        return tuple(beats) or ((0.0, words.beat_name(first)),)

    # --- what is written --------------------------------------------------------------------------

    def _wanted(self) -> list[Wanted]:
        session, notes = self.session, self.score.notes
        ends = notes["onset"] + notes["duration"]
        within = (notes["onset"] < self.last_tick) & (ends > self.first_tick) & ~notes["grace"]
        wanted = []
        for row in within.nonzero()[0].tolist():
            if not self.during.start <= session.groups.group_of(row) <= self.during.front:
                continue  # this pass did not come to it
            stop = session.stop_of.get(row)
            wanted.append(
                Wanted(
                    string=int(notes["string"][row]),
                    pitch=int(notes["pitch"][row]),
                    name=written_name(self.score, row),
                    on_ms=self._ms(self._us(int(notes["onset"][row]))),
                    off_ms=self._ms(self._due_us(row, stop)),
                    stop=stop is not None and stop.wanted,
                )
            )
        return wanted

    def _due_us(self, row: int, stop: Stop | None) -> int:
        """Return when a note is to end; for a bass the very moment that its verdict rests on."""
        if stop is None:
            note = self.score.notes[row]
            return self._us(int(note["onset"] + note["duration"]))
        verdict = self.ends.get(row)
        if verdict is not None and verdict.due_us is not None:
            return verdict.due_us
        following = self.during.claim(stop.next_note) if stop.next_note >= 0 else None
        return following.played.on_us if following is not None else self._us(stop.due)

    # --- what was heard ---------------------------------------------------------------------------

    def _sounds(self) -> list[Sound]:
        session, during = self.session, self.during
        first_us, last_us = self._us(self.first_tick), self._us(self.last_tick)
        said = self._words()
        sounds = []
        for match in session.matching.matches:
            played = match.played
            if match.during.number > during.number or played.on_us >= last_us:
                continue
            if played.off_us is not None and played.off_us <= first_us:
                continue
            row = match.label.note
            bar = session.groups.bar_of(match.label.group)
            sounds.append(
                Sound(
                    string=played.string or 0,
                    pitch=played.pitch,
                    name=tone_name(self.score, row, played.pitch, bar),
                    on_ms=self._ms(played.on_us),
                    off_ms=None if played.off_us is None else self._ms(played.off_us),
                    kind=self._kind(match),
                    words=said.get(played.index, ""),
                )
            )
        return sorted(sounds, key=lambda one: (one.on_ms, -one.string))

    def _kind(self, match: Match) -> Damping | Stroke | None:
        for key in ("damp", "note"):
            verdict = self.session.verdicts.get((key, match.played.index, 0))
            if isinstance(verdict, DampingVerdict | StrokeVerdict):
                return verdict.kind
        return None

    def _words(self) -> dict[int, str]:
        """Return by played index how far an end missed: at the stroke with which the string stopped."""
        matches = self.session.matching.matches
        said: dict[int, str] = {}
        for verdict in self.session.verdicts.values():
            if isinstance(verdict, StrayVerdict):
                if verdict.release_us is not None:
                    length_ms = (verdict.release_us - verdict.from_us) / 1000
                    said[verdict.played] = words.milliseconds(length_ms, signed=False)
            elif isinstance(verdict, DampingVerdict) and verdict.kind in DAMPING_FAULTS:
                played = matches[verdict.played].played
                # Plucked again by mistake, it sounded on: the verdict is about the string.
                while played.off_us != verdict.release_us and 0 <= played.heir < len(matches):
                    played = matches[played.heir].played
                told = words.TO_THE_END
                if verdict.overhang_ms is not None:
                    told = with_doubt(words.milliseconds(verdict.overhang_ms), verdict.uncertainty_ms)
                said[played.index] = told
        return said
