"""One bass end: where a string is due to stop, why, how, and how much it matters."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

from coach.core.clash import Clash, RingOver
from coach.core.ways import Hindrance, Way

THUMB_ALONE = (Way.RETURNING_THUMB, Way.PLANTED_THUMB)  # ways for which the thumb must be at one place


class Reason(Enum):
    """Why the bass ends where it does."""

    NEXT_BASS = "next-bass"
    REST = "rest"
    END = "end"
    MARKED = "marked"
    REPLACED = "replaced"
    FREE = "free"


@dataclass(frozen=True, slots=True)
class Stop:
    """One bass end."""

    note: int  # row in Score.notes
    due: int  # tick
    reason: Reason
    next_note: int  # row of the note whose own onset is the due point; -1 where there is none
    string: int  # 0 where unknown
    fret: int  # -1 where unknown
    next_string: int | None
    ways: tuple[Way, ...]  # those that serve, easiest first; none where nothing is to be stopped or can be
    barred: tuple[tuple[Way, Hindrance], ...]  # the others, and why they do not serve
    time_ms: float | None  # from the due point to the thumb's next stroke, at the tempo asked for
    over: RingOver  # what would be heard if it rang on
    wanted: bool  # asked for, and judged
    lenient: bool  # at the end of the piece or chunk
    heard_at: int = 0  # tick at which a ring-over is worst: the due point, or into a rest the next bass
    broken: bool = False  # a note of a broken chord, which rings on with the others

    @property
    def way(self) -> Way | None:
        """The way to use: the easiest."""
        return self.ways[0] if self.ways else None

    @property
    def clash(self) -> Clash:
        """How much a ring-over would be heard."""
        return self.over.clash

    @property
    def in_chord(self) -> bool:
        """Whether the ringing note belongs to the harmony that follows."""
        return self.over.in_chord

    @property
    def asked(self) -> bool:
        """Whether anything is to be stopped at all."""
        return self.reason not in (Reason.FREE, Reason.REPLACED)

    @property
    def reachable(self) -> bool:
        """Whether it can be done, or nothing is to be done."""
        return bool(self.ways) or not self.asked

    @property
    def pair(self) -> tuple[int, int | None]:
        """The strings it is about: the ringing one and the one the thumb plays."""
        return self.string, self.next_string


def worst_first(stops: Sequence[Stop]) -> list[Stop]:
    """Return the stops that are asked for, the one to mend first in front."""
    return sorted((s for s in stops if s.wanted), key=lambda s: s.over.rank, reverse=True)


def one_thumb(stops: list[Stop]) -> tuple[Stop, ...]:
    """Let the thumb stop one string at a time, or two that lie side by side (common practice, no source)."""
    together: dict[int, list[int]] = defaultdict(list)
    for index, stop in enumerate(stops):
        if stop.wanted and stop.way in THUMB_ALONE:
            together[stop.due].append(index)
    for indices in together.values():
        strings = {stops[i].string for i in indices}
        if max(strings) - min(strings) <= 1:
            continue
        first = max(indices, key=lambda i: stops[i].over.rank)
        for index in indices:
            if abs(stops[index].string - stops[first].string) > 1:
                stops[index] = _without_thumb(stops[index])
    return tuple(stops)


def _without_thumb(stop: Stop) -> Stop:
    ways = tuple(way for way in stop.ways if way not in THUMB_ALONE)
    taken = tuple((way, Hindrance.HAND_BUSY) for way in stop.ways if way in THUMB_ALONE)
    return replace(stop, ways=ways, barred=taken + stop.barred, wanted=bool(ways))
