"""The click: the count-in before the first note, and the ticks through the music.

Beats are the metre's own; 6/8, 9/8 and 12/8 (and the like in sixteenths) are counted in dotted beats, 3/8,
5/8 and 7/8 in eighths (common practice, no source).  Times follow the written tempo times ``speed``.
"""

from __future__ import annotations

from dataclasses import dataclass

from coach.core.score import TICKS_PER_QUARTER, Bar, Score
from coach.core.sounding import BAR_ACCENT, BEAT_ACCENT, SUBDIVISION, Tick

SOUNDING_BARS = 2  # bars with the click before each run of silent ones


@dataclass(frozen=True, slots=True)
class CountIn:
    """Ticks from time 0 on, and when the first note is due after them."""

    ticks: tuple[Tick, ...]
    length_s: float


def beat_ticks(bar: Bar) -> int:
    """Return the length of the beat that is counted in a bar, in score ticks."""
    compound = bar.beat_unit >= 8 and bar.beats > 3 and bar.beats % 3 == 0
    return bar.beat_ticks * (3 if compound else 1)


def count_in(
    score: Score, first_bar: int, speed: float, *, bars: int = 1, lead_tick: int | None = None
) -> CountIn:
    """Return ``bars`` full bars, and then the beats of the bar up to where the playing begins.

    The playing begins with the performed bar ``first_bar``, or at ``lead_tick``: a pickup, an upbeat inside
    the bar before.  Where that is the beginning of a full bar, only the full bars are counted.  The tempo is
    the one written there.

    Raises ValueError for a speed that is none, and fewer than one bar.
    """
    if not speed > 0 or bars < 1:
        raise ValueError(f"nobody counts {bars} bars at {speed} times the tempo")
    begin = score.bars[first_bar].onset if lead_tick is None else lead_tick
    bar = score.bars[score.bar_index(begin)]
    full, beat = bar.full_length, beat_ticks(bar)
    before = _place(bar, begin) % full
    second = 60.0 / TICKS_PER_QUARTER / score.qpm(begin) / speed  # seconds a tick
    ticks = [
        Tick((number * full + at) * second, BEAT_ACCENT if at else BAR_ACCENT)
        for number in range(bars + 1)
        for at in range(0, full if number < bars else before, beat)
    ]
    return CountIn(tuple(ticks), (bars * full + before) * second)


def click_ticks(
    score: Score,
    first_bar: int,
    last_bar: int,
    speed: float,
    *,
    subdivide: int = 1,
    silent: int = 0,
    lead_tick: int | None = None,
    landing: bool = False,
) -> tuple[Tick, ...]:
    """Return the ticks through some performed bars, first to last inclusive; time 0 is where playing begins.

    Each beat is divided into ``subdivide``.  ``silent`` bars without a click follow each two with it; a
    pickup counts with the bar it leads to.  ``lead_tick`` as in ``count_in``; ``landing`` adds the beat that
    the last bar runs into.

    Raises ValueError for a speed that is none, for a division by nothing, and for less than no silence.
    """
    if not speed > 0 or subdivide < 1 or silent < 0:
        raise ValueError(f"no click has {subdivide} to a beat, {silent} silent bars, {speed} times the tempo")
    begin = score.bars[first_bar].onset if lead_tick is None else lead_tick
    begin_us = score.nominal_us(begin)

    def tick(at: float, accent: int) -> Tick:
        return Tick((score.nominal_us(at) - begin_us) / 1e6 / speed, accent)

    found: list[Tick] = []
    heard = 0  # full bars so far
    for index in range(score.bar_index(min(begin, score.bars[first_bar].onset)), last_bar + 1):
        bar = score.bars[index]
        leads = _lead(bar) > 0
        quiet = silent > 0 and heard % (SOUNDING_BARS + silent) >= SOUNDING_BARS
        if index >= first_bar and not leads:
            heard += 1
        if quiet:
            continue
        beat, lead = beat_ticks(bar), _lead(bar)
        for number in range(-(-lead * subdivide // beat), -(-(lead + bar.length) * subdivide // beat)):
            at = bar.onset - lead + number * beat / subdivide
            if at >= begin:
                accent = BAR_ACCENT if number == 0 else SUBDIVISION if number % subdivide else BEAT_ACCENT
                found.append(tick(at, accent))
    if landing:
        last, end = score.bars[last_bar], score.bars[last_bar].end
        follows = score.bars[last_bar + 1] if last_bar + 1 < len(score.bars) else None
        begins = _lead(follows) == 0 if follows else _place(last, end) % last.full_length == 0
        found.append(tick(end, BAR_ACCENT if begins else BEAT_ACCENT))
    return tuple(found)


def _lead(bar: Bar) -> int:
    """Return the ticks of the metre's bar that are not played before a bar begins (see ``Score.beat``)."""
    return max(bar.lead or (bar.full_length - bar.length if bar.number == 0 else 0), 0)


def _place(bar: Bar, tick: int) -> int:
    """Return where a tick stands in the metre's bar."""
    return _lead(bar) + tick - bar.onset
