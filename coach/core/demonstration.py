"""What a passage sounds like: as it is meant, ringing on, as it was played, and as it would be mended.

Time 0 is where the passage begins.  The velocities and the length of grace notes are our own figures.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from coach.core.count_in import beat_ticks
from coach.core.groups import Groups
from coach.core.pluck import LOUDNESS, level
from coach.core.score import Score
from coach.core.session import Session
from coach.core.sounding import Tick, Tone, Track
from coach.core.stops import Reason, Stop
from coach.core.verdicts import DAMPING_FAULTS, DampingVerdict

MELODY_VELOCITY, BASS_VELOCITY, GRACE_VELOCITY = 86, 80, 68
MODEL_VELOCITY = (MELODY_VELOCITY + BASS_VELOCITY) / 2
GRACE_S = 0.08  # a grace note, about as long as the follower expects it
LEAST_S = 0.03  # no tone is shorter
TAIL_S = 1.0  # what is heard after the last bar of a track that does not come again


def demonstration(
    score: Score,
    stops: tuple[Stop, ...],
    bars: tuple[int, int],
    speed: float,
    *,
    melody: bool = True,
    bass: bool = True,
    ring_on: bool = False,
    lead_tick: int | None = None,
) -> tuple[Tone, ...]:
    """Return the tones of some performed bars, first to last inclusive, with the note they run into.

    A bass that is to be stopped ends at its planned stop, as any that is replaced; one that the plan lets
    ring rings on, and with ``ring_on`` every bass does, until its string is plucked again.  Melody notes
    sound for their written length.  Grace notes come just before what they lead to, also before time 0.  The
    note the bars run into sounds for a beat at most.  ``lead_tick`` begins earlier, with an upbeat.

    Raises ValueError for a speed that is none.
    """
    if not speed > 0:
        raise ValueError(f"nobody plays at {speed} times the tempo")
    made = _Maker(score, stops, speed, score.bars[bars[0]].onset if lead_tick is None else lead_tick)
    end = score.bars[bars[1]].end
    lands = _landing(score, end)
    notes, needed = score.notes, Groups(score).needed
    heard = ((notes["onset"] >= made.begin) & (notes["onset"] < end)) | (notes["onset"] == lands)
    heard &= ~notes["grace"] & np.where(notes["bass"], bass, melody)
    if melody and bass:
        heard &= needed  # where two voices share one stroke
    tones: list[Tone] = []
    for row in np.flatnonzero(heard).tolist():
        onset, tone = int(notes["onset"][row]), made.tone(row, ring_on=ring_on)
        if onset >= end and tone.stop_s is not None:
            beat = beat_ticks(score.bars[score.bar_index(onset)])
            tone = replace(tone, stop_s=min(tone.stop_s, made.second(onset + beat)))
        tones += [tone, *made.graces(row)]
    return tuple(sorted(tones, key=lambda tone: (tone.start_s, -tone.string)))


def passage_s(
    score: Score,
    bars: tuple[int, int],
    speed: float,
    *,
    landing: bool = True,
    lead_tick: int | None = None,
) -> float:
    """Return how long some performed bars take, with a beat for the note they run into where ``landing``."""
    begin = score.bars[bars[0]].onset if lead_tick is None else lead_tick
    over = score.bars[bars[1]].end
    lands = _landing(score, over)
    if landing and lands >= 0:
        over = lands + beat_ticks(score.bars[score.bar_index(lands)])
    return (score.nominal_us(over) - score.nominal_us(begin)) / 1e6 / speed


def take_tones(session: Session, pass_number: int | None = None, *, mended: bool = False) -> tuple[Tone, ...]:
    """Return a take, or one pass of it, as it rang, from its first note on; times are the player's own.

    ``mended`` moves every late, ringing or cut bass end to where it was due; everything else stays.

    Raises ValueError where the take has no such pass.
    """
    if pass_number is None:
        played = list(session.ringing.played)
    else:
        if not 1 <= pass_number <= len(session.matching.passes):
            raise ValueError(f"the take has no pass {pass_number}")
        played = [m.played for m in session.matching.matches if m.during.number == pass_number]
    if not played:
        return ()
    due: dict[int, int] = {}
    if mended:
        for verdict in session.verdicts.values():
            faulty = isinstance(verdict, DampingVerdict) and verdict.kind in DAMPING_FAULTS
            if faulty and isinstance(verdict, DampingVerdict) and verdict.due_us is not None:
                due[verdict.played] = verdict.due_us
    begin_us = min(note.on_us for note in played)
    tones = []
    for note in played:
        off_us = due.get(note.index, note.off_us)
        stop_s = None if off_us is None else max(off_us - begin_us, note.on_us - begin_us) / 1e6
        start_s = (note.on_us - begin_us) / 1e6
        tones.append(Tone(start_s, float(note.pitch), note.string or 0, note.velocity, stop_s))
    return tuple(sorted(tones, key=lambda tone: (tone.start_s, -tone.string)))


def as_loud_as(velocity: float, tones: Iterable[Tone]) -> tuple[Tone, ...]:
    """Return tones with their velocities in one proportion, so that their mean power is that of this one.

    Loud and soft keep their distance, but for what would pass 127.
    """
    found = tuple(tones)
    power = sum(level(tone.velocity) ** 2 for tone in found) / len(found) if found else 0.0
    if not power:
        return found
    share = (level(velocity) ** 2 / power) ** (0.5 / LOUDNESS)
    return tuple(
        replace(tone, velocity=min(max(round(tone.velocity * share), 1), 127)) if tone.velocity else tone
        for tone in found
    )


def assemble(
    tones: Iterable[Tone],
    ticks: Iterable[Tick] = (),
    lead_s: float = 0.0,
    *,
    count: Iterable[Tick] = (),
    music_s: float | None = None,
    tail_s: float = TAIL_S,
    repeat: bool = False,
) -> Track:
    """Return the track of a passage: ``count`` from the track's beginning, the passage after ``lead_s``.

    ``tones`` and ``ticks`` count from the passage's beginning; what comes before the track's own beginning (a
    grace note without a lead) comes with it.  ``music_s`` is the passage's length (``passage_s``): by
    default up to its last stop, stroke or tick.  With ``repeat`` the track comes again,
    count-in and all, when the passage is over; else it ends ``tail_s`` later.

    Raises ValueError for what ``Track`` refuses.
    """
    shifted = tuple(
        replace(
            tone,
            start_s=max(tone.start_s + lead_s, 0.0),
            stop_s=None if tone.stop_s is None else tone.stop_s + lead_s,
        )
        for tone in tones
    )
    clicks = (*count, *(replace(tick, start_s=tick.start_s + lead_s) for tick in ticks))
    if music_s is None:
        ends = [tone.start_s if tone.stop_s is None else tone.stop_s for tone in shifted]
        over_s = max([lead_s, *ends, *(tick.start_s for tick in clicks)])
    else:
        over_s = lead_s + music_s
    if repeat:
        return Track(shifted, clicks, over_s, over_s)
    return Track(shifted, clicks, over_s + tail_s)


class _Maker:
    """Turns rows of a score into tones."""

    def __init__(self, score: Score, stops: tuple[Stop, ...], speed: float, begin: int) -> None:
        self.score, self.speed, self.begin = score, speed, begin
        self.stops = {stop.note: stop for stop in stops}
        self._begin_us = score.nominal_us(begin)
        self._graces: dict[int, list[int]] = defaultdict(list)
        rows: list[int] = np.flatnonzero(score.notes["grace"]).tolist()
        for row in sorted(rows, key=lambda r: int(score.notes["written"][r])):
            main = self._main(row)
            if main >= 0:
                self._graces[main].append(row)

    def second(self, tick: float) -> float:
        """Return the time of a score tick in s from the beginning."""
        return (self.score.nominal_us(tick) - self._begin_us) / 1e6 / self.speed

    def tone(self, row: int, *, ring_on: bool) -> Tone:
        """Return the tone of a note that is no grace note."""
        note = self.score.notes[row]
        start_s = self.second(int(note["onset"]))
        stop_s: float | None = self.second(int(note["onset"] + note["duration"]))
        if note["bass"]:
            stop = self.stops.get(row)
            if ring_on:
                stop_s = None
            elif stop is not None:
                ends = stop.wanted or stop.reason is Reason.REPLACED
                stop_s = self.second(stop.due) if ends else None
        elif note["let_ring"]:
            stop_s = None
        if stop_s is not None:
            stop_s = max(stop_s, start_s + LEAST_S)
        velocity = BASS_VELOCITY if note["bass"] else MELODY_VELOCITY
        return Tone(start_s, float(note["pitch"]), int(note["string"]), velocity, stop_s)

    def graces(self, row: int) -> list[Tone]:
        """Return the grace notes that lead to a note, each ending where the next begins."""
        rows = self._graces.get(row, [])
        main_s = self.second(int(self.score.notes["onset"][row]))
        made = []
        for place, grace in enumerate(rows):
            note = self.score.notes[grace]
            start_s = main_s - (len(rows) - place) * GRACE_S
            pitch, string = float(note["pitch"]), int(note["string"])
            made.append(Tone(start_s, pitch, string, GRACE_VELOCITY, start_s + GRACE_S))
        return made

    def _main(self, row: int) -> int:
        """Return the note that a grace note leads to: of its voice, else of its bass or melody, else -1."""
        notes = self.score.notes
        at = (notes["onset"] == notes["onset"][row]) & ~notes["grace"]
        same: list[int] = np.flatnonzero(at).tolist()
        voice = [other for other in same if notes["voice"][other] == notes["voice"][row]]
        kind = [other for other in same if notes["bass"][other] == notes["bass"][row]]
        return next(iter(voice or kind or same), -1)


def _landing(score: Score, end: int) -> int:
    """Return the tick of the note that bars run into: the first at or after their end; -1 at the piece's."""
    notes = score.notes
    after = notes["onset"][(notes["onset"] >= end) & ~notes["grace"]]
    return int(after[0]) if len(after) else -1
