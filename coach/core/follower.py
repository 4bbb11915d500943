"""Score following: which note of the score an incoming note is, by token passing over onset groups.

A note moves every token (``coach.core.follower_tokens``): on to one of the next groups, within a chord,
nowhere (an extra note), back to a note of the chord just left (a late note), or anywhere (a jump: restarts
and leaps).  Jumps come from the most likely places only, so that a note costs O(N) for N groups (the idea
is Nakamura's et al., Journal of New Music Research 43, 2014).  The moves of the last notes are kept, so
that the best path can be traced back and a label be revised by what followed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from coach.core import follower_tables as ft
from coach.core.follower_chords import EARLY_STEP_US, EARLY_US, MOST, WEIGHED_US, Chords, Heard
from coach.core.follower_steps import EXTRA, JUMP, LATE, STAY
from coach.core.follower_tables import BAND
from coach.core.follower_tokens import Tokens
from coach.core.groups import Groups
from coach.core.score import Score

Kind = TypeVar("Kind", bound=np.generic)

HISTORY = 64  # notes that can be traced back without hindsight
# Lost: the best way's gains by the last notes, each clipped, are so low in the mean; or those of more notes
# are rather low and the last few no better.  Another piece fits now and then, but never for long.
LOST_NOTES, LOST_UNDER, LOST_CLIP = 8, -4.8, -12.0
LOST_LONG, LOST_LONG_UNDER, LOST_STILL_UNDER = 24, -2.9, -1.5
LOST_LAST, FOUND_FROM = 4, -1.0  # where the very last fit, the place is found again
PARTS = ("both", "bass", "melody")
AMBIGUOUS_WITHIN, SAME_PLACE = 3.0, 2  # another place so likely, and so many groups away
# Another way so likely, and so many such ways at most, are asked whether they say the same of a note.
RIVAL_WITHIN, RIVALS = 5.0, 6
# A note's softness is told by its velocity against so many last ones'.
FAINT_NOTES = 16


@dataclass(frozen=True, slots=True)
class Label:
    """What the best path says of one note that was fed."""

    group: int  # onset group the player is at after the note
    note: int  # row in ``score.notes`` the note is matched with; -1: it matches nothing
    right: bool  # matched, and the pitch is the score's
    jump: bool  # the player jumped here: a new pass starts with this note (the first note too)


class Margin(NamedTuple):
    """By how many nats the likeliest way that takes a note otherwise is less likely; inf where none is near.

    The second figure lets notes of exactly equal bars pass for the same: which of the bars it is may show
    much later, and whether the note was right does not hang on it.
    """

    exact: float
    equal: float


class Follower:
    """Follows one player through one score.  Feed notes in order; ask for labels at any time.

    Nothing here depends on a clock or on chance: the same notes give the same labels.
    """

    def __init__(
        self,
        score: Score,
        *,
        chunk: tuple[int, int] | None = None,
        groups: Groups | None = None,
        hindsight: bool = False,
    ) -> None:
        """Open the score; ``chunk`` is the first and last performed bar being practised (inclusive).

        With ``hindsight`` every note can be traced back, else the last ``HISTORY``; it costs three bytes
        for each group and note.
        """
        self.score = score
        self.groups = groups or Groups(score)
        self.hindsight = hindsight
        self._tokens = Tokens(self.groups, chunk) if self.groups.count else None
        self._chords = Chords(self._tokens.fits) if self._tokens else None
        self._fed = 0
        self._best = 0
        self._gains: list[float] = []
        self._usual_velocity = 0.0
        n = self.groups.count
        self._pitches = np.zeros(HISTORY, np.int16)
        self._strings = np.zeros(HISTORY, np.int16)
        self._faint = np.zeros(HISTORY, np.float32)
        self._us = np.zeros(HISTORY, np.int64)
        self._origins = np.zeros((HISTORY, 2), np.int32)  # where a jump at this note would come from
        self._moves = np.zeros((HISTORY, n), np.int8)
        self._slots = np.zeros((HISTORY, n), np.int16)  # row matched, counted from the group's first

    # --- asked ----------------------------------------------------------------------------------

    @property
    def fed(self) -> int:
        """Number of notes fed."""
        return self._fed

    @property
    def group(self) -> int:
        """The onset group the player is most likely at."""
        return self._best

    @property
    def lost(self) -> bool:
        """Whether the last notes fit nowhere well."""
        count = len(self._gains)
        if count < LOST_NOTES or self._gained(LOST_LAST) >= FOUND_FROM:
            return False
        lately = self._gained(LOST_NOTES)
        long = count == LOST_LONG and self._gained(LOST_LONG) < LOST_LONG_UNDER
        return lately < LOST_UNDER or (long and lately < LOST_STILL_UNDER)

    def _gained(self, count: int) -> float:
        """Return the mean of the last gains, of which there are so many."""
        return sum(self._gains[-count:]) / count

    @property
    def begun(self) -> bool:
        """Whether the first notes fit; of too few to be called lost it may be too soon to say."""
        count = len(self._gains)
        return count >= LOST_NOTES or not count or self._gained(count) >= FOUND_FROM

    @property
    def certain(self) -> bool:
        """Whether the place is known: not lost, and no other place nearly as likely."""
        if self._tokens is None or not self._fed or self.lost:
            return False
        likely = np.flatnonzero(self._tokens.like[BAND:] > -AMBIGUOUS_WITHIN)
        return bool(likely[0] >= self._best - SAME_PLACE and likely[-1] <= self._best + SAME_PLACE)

    @property
    def part(self) -> str:
        """What the player seems to play: "both" parts, "bass" or "melody" alone.

        A part alone is told by steps over the other part's onsets; where the two begin together it shows
        only in the labels, by what is left out.
        """
        if self._tokens is None or not self._fed:
            return PARTS[0]
        return PARTS[int(self._tokens.hand[self._best + BAND])]

    @property
    def beat_us(self) -> float:
        """The player's quarter note, in µs."""
        ratio = 0.0
        if self._tokens is not None and self._fed:
            ratio = float(self._tokens.tempo[self._best + BAND])
        return float(np.exp(ratio)) * 60e6 / self.score.qpm(self.groups.onset_of(self._best))

    def through(self, group: int, count: int) -> int:
        """Return where a way stands that was at ``group`` before the last ``count`` notes.

        Of the ways nearly as likely as the best it is the likeliest; the best itself where none was there.
        What is settled is kept to: between two equal passages the best way may turn with every note.
        """
        kept = self._fed if self.hindsight else min(self._fed, HISTORY)
        if self._tokens is None or count >= kept:
            return self._best
        like = self._tokens.like[BAND:]
        near = (like > -RIVAL_WITHIN).nonzero()[0]
        for at in near[np.argsort(-like[near], kind="stable")][: RIVALS + 1].tolist():
            *_, before = self._way(at, count + 1)
            if before[0] == group:
                return int(at)
        return self._best

    def trace(self, count: int, at: int | None = None) -> list[Label]:
        """Return the labels of the last ``count`` notes, oldest first, as the best path has them now.

        ``at``: as the path has them that stands at this group.
        """
        fed = self._fed
        count = max(min(count, fed if self.hindsight else min(fed, HISTORY)), 0)
        if self._tokens is None:
            return [Label(0, -1, False, index == 0) for index in range(fed - count, fed)]
        labels: list[Label] = []
        pitches = self.score.notes["pitch"]
        way = self._weighed(count, self._best if at is None else at)
        for number, (group, row, jump) in enumerate(way, fed - count):
            pitch = self._pitches[number % len(self._moves)]
            labels.append(Label(group, row, row >= 0 and bool(pitches[row] == pitch), jump))
        return labels

    def _weighed(self, count: int, at: int) -> list[tuple[int, int, bool]]:
        """Return a way, oldest first, the notes that came with one chord weighed together."""
        kept = self._fed if self.hindsight else min(self._fed, HISTORY)
        way = list(self._way(at, min(count + MOST, kept)))[::-1]
        first, size = self._fed - len(way), len(self._moves)
        came = [int(self._us[(first + index) % size]) for index in range(len(way))]
        moves = [int(self._moves[(first + index) % size, at]) for index, (at, _, _) in enumerate(way)]
        chord: list[int] = []
        entered = 0
        for index, move in enumerate(moves):
            if move in (STAY, EXTRA):
                if chord and came[index] < came[entered] + WEIGHED_US:
                    chord.append(index)
            elif move != LATE:
                # A wrong note of this chord, before its first right one, may seem to be one more before it.
                early, soon = index, came[index] - self._early_us(way[index][0], way[index][2])
                while (
                    early > max(index - MOST + 1, 0) and moves[early - 1] == EXTRA and came[early - 1] > soon
                ):
                    early -= 1
                self._weigh(way, first, [at for at in chord if at < early], entered)
                chord, entered = [*range(early, index + 1)], index
        self._weigh(way, first, chord, entered)
        return way[len(way) - count :]

    def _early_us(self, group: int, jump: bool) -> int:
        """Return how long before a group was entered a note may have come that is of it."""
        chord = self.groups.starts[group + 1] > self.groups.starts[group] + 1 and not self.groups.grace[group]
        return EARLY_US if jump else EARLY_STEP_US if chord else 0

    def _weigh(self, way: list[tuple[int, int, bool]], first: int, chord: list[int], entered: int) -> None:
        """Share out the notes of one chord, unless each is what the score asks for."""
        if self._chords is None or len(chord) < 2:
            return
        pitches = self.score.notes["pitch"]
        heard = [self._heard((first + index) % len(self._moves)) for index in chord[:MOST]]
        rows = [way[index][1] for index in chord[:MOST]]
        if all(row >= 0 and pitches[row] == note.pitch for row, note in zip(rows, heard, strict=True)):
            return
        group, _, jump = way[entered]
        start = int(self.groups.starts[group])
        here = False
        for index, slot in zip(chord, self._chords.share_out(group, heard), strict=False):
            here |= slot >= 0 or index >= entered
            if here:
                way[index] = (group, start + slot if slot >= 0 else -1, jump)
                jump = False
        given = {way[index][1] for index in chord[:MOST]}
        for index in chord[MOST:]:
            if way[index][1] in given:
                way[index] = (way[index][0], -1, way[index][2])

    def _heard(self, kept: int) -> Heard:
        return Heard(
            int(self._us[kept]), int(self._pitches[kept]), int(self._strings[kept]), float(self._faint[kept])
        )

    def margins(self, count: int, at: int | None = None) -> list[Margin]:
        """Return how sure each of the last ``count`` labels is against other ways, oldest first.

        Ways that were at one group after one note have one past, so doubts are about the last notes.  ``at``:
        of the way that stands at this group; where another is likelier, a margin is below 0.
        """
        count = max(min(count, self._fed, len(self._moves)), 0)
        exact, equal = [inf] * count, [inf] * count
        if self._tokens is None or not count:
            return [Margin(inf, inf)] * count
        at = self._best if at is None else at
        best, twins = list(self._way(at, count)), self.groups.twins
        like = self._tokens.like[BAND:] - self._tokens.like[at + BAND]
        rivals = (like > -RIVAL_WITHIN).nonzero()[0]
        if len(rivals) > RIVALS:
            rivals = rivals[np.argpartition(-like[rivals], RIVALS)[:RIVALS]]
        for rival in rivals.tolist():
            less = -float(like[rival])
            for back, (mine, other) in enumerate(zip(best, self._way(rival, count), strict=True)):
                if mine[0] == other[0]:
                    break
                one, two, index = mine[1], other[1], count - 1 - back
                if one != two:
                    exact[index] = min(exact[index], less)
                    if one < 0 or two < 0 or twins[one] != twins[two]:
                        equal[index] = min(equal[index], less)
        return [Margin(*both) for both in zip(exact, equal, strict=True)]

    def _way(self, at: int, count: int) -> Iterator[tuple[int, int, bool]]:
        """Go back along the way of the token at a group: group, row matched (or -1), whether jumped to."""
        size, starts = len(self._moves), self.groups.starts
        for index in range(self._fed - 1, self._fed - 1 - count, -1):
            kept = index % size
            move = int(self._moves[kept, at])
            row = -1 if move == EXTRA else int(starts[at]) + int(self._slots[kept, at])
            yield at, row, move >= JUMP
            if move >= JUMP:
                at = int(self._origins[kept, move - JUMP])
            elif self._tokens is not None and 0 < move < STAY:
                at = int(self._tokens.steps.back[move - 1, at])

    # --- fed ------------------------------------------------------------------------------------

    def feed(self, onset_us: int, pitch: int, string: int | None, velocity: int = 64) -> None:
        """Take one more note: its time (never before the last one's), pitch, and string where known."""
        kept = self._room()
        faint = self._faintness(velocity)
        if self._tokens is not None:
            moves, slots = self._moves[kept], self._slots[kept]
            if self._fed:
                done = self._tokens.step(self._fed, onset_us, pitch, string or 0, faint, moves, slots)
                self._gains = [*self._gains[1 - LOST_LONG :], max(done.gained, LOST_CLIP)]
            else:
                done = self._tokens.begin(onset_us, pitch, string or 0, moves, slots)
            self._us[kept], self._pitches[kept], self._strings[kept] = onset_us, pitch, string or 0
            self._faint[kept] = faint
            self._origins[kept] = done.origins
            self._best = done.best
        self._fed += 1

    def _room(self) -> int:
        """Return where the next note's moves go, making room where everything is kept."""
        if self.hindsight and self._fed == len(self._moves):
            self._strings, self._faint = _doubled(self._strings), _doubled(self._faint)
            self._us = _doubled(self._us)
            self._pitches, self._origins = _doubled(self._pitches), _doubled(self._origins)
            self._moves, self._slots = _doubled(self._moves), _doubled(self._slots)
        return self._fed % len(self._moves)

    def _faintness(self, velocity: int) -> float:
        usual = self._usual_velocity or float(velocity)
        self._usual_velocity = usual + (velocity - usual) / min(self._fed + 1, FAINT_NOTES)
        odds = ft.FAINT_SLOPE * (ft.FAINT_AT - velocity / max(usual, 1.0))
        return min(max(odds, ft.FAINT_LEAST), ft.FAINT_MOST)


def _doubled(array: NDArray[Kind]) -> NDArray[Kind]:
    return np.concatenate((array, np.zeros_like(array)))
