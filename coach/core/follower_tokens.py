"""Token passing over onset groups: the numbers behind ``coach.core.follower``.

One token a group holds the best way (Viterbi) to be at that group after the last note: its log likelihood,
when the group was begun, which of its notes were played, and a tempo of its own.  All arrays that steps
read have ``BAND`` dead tokens in front, so that every group has as many predecessors; an index into them
is a *place*, the group's number plus ``BAND``.
"""

from __future__ import annotations

from typing import NamedTuple, TypeVar

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from coach.core import follower_tables as ft
from coach.core.follower_fits import Fit, Fits
from coach.core.follower_jumps import Jumps
from coach.core.follower_steps import EXTRA, JUMP, JUMP_TOO, LATE, STAY, Steps
from coach.core.follower_tables import BAND, Floats, Ints
from coach.core.groups import Groups

Kind = TypeVar("Kind", bound=np.generic)

BEAM = np.float32(-16.0)  # tokens less likely than this beside the best are dropped: -30 finds no more
LEARN_AFTER = 16  # notes after a jump, the place that was turned to is remembered
OTHER_WITHIN, OTHER_BEYOND = 5.0, 8  # a second origin of jumps: so likely, and so many groups away
EARLY_STEPS = 3  # steps in which the tempo may still be far off

SURE, START, BORN = 0, 1, 2  # columns of a token's pass
BASS, MELODY = 1, 2  # a part that is played alone
ALONE = np.array([[BASS], [MELODY]])


class Moved(NamedTuple):
    """What one note did."""

    best: int  # the most likely group now
    gained: float  # log likelihood that the best way gained by the note
    origins: tuple[int, int]  # groups that its jumps (``JUMP``, ``JUMP_TOO``) come from


class Tokens:
    """The only owner of the tokens of one score."""

    def __init__(self, groups: Groups, chunk: tuple[int, int] | None) -> None:
        self._groups, self.fits, self._jumps = groups, Fits(groups), Jumps(groups, chunk)
        n, size = groups.count, groups.count + BAND
        self.like = np.full(size, ft.NEVER, np.float32)
        self.tempo = np.zeros(size, np.float32)  # log(player's time / written time)
        self._since = np.zeros(size, np.int64)  # µs
        self._leave = np.zeros(size, np.float32)  # log likelihood of leaving the group as it is
        self._row = np.zeros(size, np.int64)  # where the token's row of the advance table begins
        # By place: steps that taught the tempo; group where the pass began; number of its first note.
        self._pass = np.zeros((size, 3), np.int64)
        self.hand = np.zeros(size, np.int64)  # which part is played alone: 0 both, 1 bass, 2 melody
        self._goes_on = np.zeros((2, size), np.float32)  # what a further step of that part alone is spared
        # By group: bit mask of its notes that were played; the group just left, and the same of that.
        self._used = np.zeros(n, np.int64)
        self._left = np.zeros(n, np.int64)
        self._left_used = np.zeros(n, np.int64)
        self._unplayed = np.zeros(n, bool)  # the group has notes that were not played
        self._behind = np.zeros(n, bool)  # the group just left has
        self._main = ~groups.grace
        fermata = np.zeros(n, bool)
        fermata[groups.of_note[groups.score.notes["fermata"]]] = True
        self._fixed_row = np.where(groups.grace, ft.ROW_GRACE, np.where(fermata, ft.ROW_FERMATA, -1))
        self.steps = Steps(groups, self._jumps.last)
        self._advance, self._stay_in, self._late_in = ft.advance_table(), ft.stay_table(), ft.late_table()
        self._extra_in, self._faulty_in, self._jump_in = ft.extra_table(), ft.faulty_table(), ft.jump_table()
        self._gap = np.empty(size, np.int64)
        self._log_gap, self._ratio, self._from = (np.zeros(size, np.float32) for _ in range(3))
        self._float, self._index = np.zeros(n, np.float32), np.zeros(size, np.int64)
        self._cells, self._scores = np.zeros((STAY - 1, n), np.int64), np.zeros((STAY - 1, n), np.float32)
        self._index_band, self._from_band = _band(self._index, n), _band(self._from, n)

    # --- the first note -------------------------------------------------------------------------

    def begin(
        self, now_us: int, pitch: int, string: int, moves: NDArray[np.int8], slots: NDArray[np.int16]
    ) -> Moved:
        """Put a token on every group."""
        fit = self.fits.of(pitch, string)
        new = self._jumps.begin + fit.note
        best = int(new.argmax())
        gained = float(new[best])
        self.like[BAND:] = new - np.float32(gained)
        everywhere = np.arange(self._groups.count)
        self._pass[BAND:, START] = everywhere
        self._enter(everywhere, now_us, fit.slot[everywhere])
        moves[:] = JUMP
        slots[:] = fit.slot
        return Moved(best, gained, (-1, -1))

    # --- every other note -----------------------------------------------------------------------

    def step(
        self,
        number: int,
        now_us: int,
        pitch: int,
        string: int,
        faint: float,
        moves: NDArray[np.int8],
        slots: NDArray[np.int16],
    ) -> Moved:
        """Move every token by one note.

        ``number`` counts the notes; ``faint`` is the log odds by its softness that the note was not meant.
        Written for each group are its move and the note matched, in rows from the group's first.
        """
        fit = self.fits.of(pitch, string)
        here = self.like[BAND:]
        self._measure(now_us)
        since = self._index[BAND:]
        new = self._steps()
        new += fit.note
        gap = self._log_gap[BAND:]
        np.subtract(gap, np.float32(ft.LOG_MIN), out=self._float)
        np.multiply(self._float, np.float32(ft.BINS_PER_UNIT), out=self._float)
        np.copyto(since, self._float, casting="unsafe")  # from here on: bins of the time tables
        jump, too, origins = self._leaps(fit, since)
        extra = self._extra_in.take(since)
        extra += fit.extra
        faulty = self._faulty_in.take(since)
        faulty += fit.faulty
        faulty += np.float32(faint)
        np.maximum(extra, faulty, out=extra)
        extra += here
        moves.fill(1)
        np.copyto(moves, EXTRA, where=extra > new)
        np.maximum(new, extra, out=new)
        jumps = jump > new
        np.copyto(moves, JUMP, where=jumps)
        if too is not None:
            np.copyto(moves, JUMP_TOO, where=jumps & too)
        np.maximum(new, jump, out=new)
        np.copyto(slots, fit.slot)
        self._in_chords(new, moves, slots, fit, since)
        best = int(new.argmax())
        gained = float(new[best])
        new -= np.float32(gained)
        alive = new > BEAM
        np.copyto(new, ft.NEVER, where=~alive)
        alive &= moves != EXTRA
        self._move(number, now_us, alive.nonzero()[0], fit, moves, slots, origins)
        here[:] = new
        if number - self._pass[best + BAND, BORN] == LEARN_AFTER:
            self._jumps.learn(int(self._pass[best + BAND, START]))
        return Moved(best, gained, origins)

    def _measure(self, now_us: int) -> None:
        """Work out the log time since each group began, and against its token's tempo."""
        np.subtract(now_us, self._since, out=self._gap)
        log_gap = self._log_gap
        np.copyto(log_gap, self._gap, casting="unsafe")
        np.maximum(log_gap, np.float32(ft.SHORTEST_US), out=log_gap)
        np.minimum(log_gap, np.float32(ft.LONGEST_US), out=log_gap)
        np.log(log_gap, out=log_gap)
        np.subtract(log_gap, self.tempo, out=self._ratio)

    def _steps(self) -> Floats:
        """Return the best log likelihood of stepping on to each group, but for the note itself."""
        bins = self._from  # free until it is filled below
        np.multiply(self._ratio, np.float32(ft.BINS_PER_UNIT), out=bins)
        np.maximum(bins, np.float32(ft.RATIO_LOW * ft.BINS_PER_UNIT), out=bins)
        np.minimum(bins, np.float32(ft.RATIO_HIGH * ft.BINS_PER_UNIT), out=bins)
        np.copyto(self._index, bins, casting="unsafe")
        self._index += self._row
        np.subtract(self._index_band, self.steps.bins[:BAND], out=self._cells[:BAND])
        self._index.take(self.steps.hands, out=self._cells[BAND:], mode="clip")
        self._cells[BAND:] -= self.steps.bins[BAND:]
        self._advance.take(self._cells, out=self._scores, mode="clip")
        np.add(self.like, self._leave, out=self._from)
        self._scores[:BAND] += self._from_band
        self._scores[BAND:] += self._from.take(self.steps.hands)
        for kind, hands in enumerate(self.steps.hands):
            self._scores[BAND + kind] += self._goes_on[kind % 2].take(hands)
        self._scores += self.steps.cost
        return np.asarray(self._scores.max(axis=0))

    def _leaps(self, fit: Fit, since: Ints) -> tuple[Floats, NDArray[np.bool_] | None, tuple[int, int]]:
        """Return the log likelihood of a jump to each group, where it is the second kind, and the origins.

        A jump comes from the most likely place to turn from, or from the next likely one far from it: the
        player may be at either of two equal passages.
        """
        turn = self._from[BAND:] + self._jumps.stop
        origin = int(turn.argmax())
        jump = self._jumps.targets(origin)
        jump += np.float32(turn[origin] + self._jump_in[since[origin]])
        likely = turn[origin]
        turn[max(origin - OTHER_BEYOND, 0) : origin + OTHER_BEYOND + 1] = ft.NEVER
        other = int(turn.argmax())
        too = None
        if turn[other] > likely - OTHER_WITHIN:
            jump_too = self._jumps.targets(other)
            jump_too += np.float32(turn[other] + self._jump_in[since[other]])
            too = jump_too > jump
            np.maximum(jump, jump_too, out=jump)
        jump += fit.note
        first = self._jumps.first
        anew = jump[first] if self._jumps.in_chunk else ft.NEVER
        np.copyto(jump, ft.NEVER, where=~fit.right)
        jump[first] = max(jump[first], anew)  # who begins the chunk anew may begin with a wrong note
        return jump, too, (origin, other)

    def _in_chords(
        self, new: Floats, moves: NDArray[np.int8], slots: NDArray[np.int16], fit: Fit, since: Ints
    ) -> None:
        """Try the note as one more of the group a token is at, and as a late one of the group it left."""
        here, starts = self.like[BAND:], self._groups.starts
        live = here > BEAM
        stay, late = (live & self._unplayed).nonzero()[0], (live & self._behind).nonzero()[0]
        if not len(stay) + len(late):
            return
        left = self._left[late]
        at = np.concatenate((stay, late))
        kinds = self.fits.kinds[np.concatenate((stay, left))]
        used = np.concatenate((self._used[stay], self._left_used[late]))
        fits = fit.slots[kinds]
        fits += self.fits.taken[used]
        slot = fits.argmax(axis=1)
        score = fits[np.arange(len(at)), slot]
        score += here[at]
        bins = since[at]
        cut = len(stay)
        score[:cut] += self._stay_in[bins[:cut]] + np.float32(ft.STAY)
        score[cut:] += self._late_in[bins[cut:]] + np.float32(ft.LATE)
        better = (score[:cut] > new[stay]).nonzero()[0]
        stay = stay[better]
        new[stay] = score[better]
        moves[stay] = STAY
        slots[stay] = slot[better]
        better = (score[cut:] > new[late]).nonzero()[0]
        late = late[better]
        new[late] = score[cut:][better]
        moves[late] = LATE
        slots[late] = starts[left[better]] + slot[cut:][better] - starts[late]

    # --- the tokens' own state ------------------------------------------------------------------

    def _move(
        self,
        number: int,
        now_us: int,
        at: Ints,
        fit: Fit,
        moves: NDArray[np.int8],
        slots: NDArray[np.int16],
        origins: tuple[int, int],
    ) -> None:
        """Give each live token the state of the one it came from, as changed by its move."""
        move = moves[at]
        stay, late = at[move == STAY], at[move == LATE]
        onward = (move != STAY) & (move != LATE)
        at, move = at[onward], move[onward]
        if len(at):
            self._step_on(number, now_us, at, move, origins, fit, moves)
        if len(stay):
            bit = 1 << slots[stay].astype(np.int64)
            self._used[stay] |= bit
            self._settle_group(stay, bit)
        if len(late):
            left, starts = self._left[late], self._groups.starts
            self._left_used[late] |= 1 << (slots[late] + starts[late] - starts[left])
            self._behind[late] = self._left_used[late] != self.fits.all[left]

    def _step_on(
        self,
        number: int,
        now_us: int,
        at: Ints,
        move: NDArray[np.int8],
        origins: tuple[int, int],
        fit: Fit,
        moves: NDArray[np.int8],
    ) -> None:
        """Begin the groups that were stepped or jumped to."""
        step = self._scores[:, at].argmax(axis=0)
        steps_on = move < STAY
        back = self.steps.back[step, at]
        np.copyto(back, origins[0], where=move == JUMP)
        np.copyto(back, origins[1], where=move == JUMP_TOO)
        place = back + BAND
        steps = step + 1
        moves[at] = np.where(steps_on, steps, move)
        now, tempo = self._pass[place], self.tempo[place]
        sure = now[:, SURE]
        error = self._ratio[place] - self.steps.expected[step, at]
        taught = steps_on & fit.right[at] & self._main[at]
        gain = ft.GAINS[self._row[place] // ft.RATIO_BINS] * taught
        gain *= np.minimum(1.0, self._gap[place] / ft.SHORT_US)
        gain *= np.where(error > ft.HESITATION, 1 / 3, 1.0)
        limit = np.where(sure < EARLY_STEPS, ft.MOST_EARLY, ft.MOST)
        tempo += gain * np.maximum(np.minimum(error, limit), -limit)
        over = (steps > 1) & ~self._main[at - 1]  # grace notes left out may still come, late
        left = np.where(over, at - 1, back)
        left_used = np.where(over, 0, self._used[back])
        behind = steps_on & (steps <= BAND) & (over | self._unplayed[back])
        now[:, SURE] = np.minimum(sure + taught, np.where(steps_on, ft.SURE_AFTER, ft.ROW_AFTER_JUMP))
        now[:, START] = np.where(steps_on, now[:, START], at)
        now[:, BORN] = np.where(steps_on, now[:, BORN], number)
        self._pass[at + BAND], self.tempo[at + BAND] = now, tempo
        self._left[at], self._left_used[at], self._behind[at] = left, left_used, behind
        alone = np.where(steps_on & (step >= BAND), 1 + (step - BAND) % 2, self.hand[place])
        self.hand[at + BAND] = alone
        self._enter(at, now_us, fit.slot[at])

    def _enter(self, at: Ints, now_us: int, slot: NDArray[np.int16]) -> None:
        """Begin groups, each with one note played."""
        self._since[at + BAND] = now_us
        bit = self._used[at] = 1 << slot.astype(np.int64)
        fixed = self._fixed_row[at]
        row = np.where(fixed >= 0, fixed, self._pass[at + BAND, SURE])
        self._row[at + BAND] = row * ft.RATIO_BINS + ft.RATIO_ZERO
        self._settle_group(at, bit)

    def _settle_group(self, at: Ints, bit: Ints) -> None:
        """Take stock of groups after one of their notes (its bit) was played."""
        used, place = self._used[at], at + BAND
        self._unplayed[at] = used != self.fits.all[at]
        part = np.where(self.fits.bass[at] & bit, BASS, MELODY)
        alone = self.hand[place]
        alone *= alone == part  # a note of the other part: both are played
        self.hand[place] = alone
        self._goes_on[:, place] = np.where(alone == ALONE, ft.HAND_GOES_ON, 0)
        self._leave[place] = self.fits.leave[self.fits.need[alone, at] & ~used]


def _band(padded: NDArray[Kind], n: int) -> NDArray[Kind]:
    """Return a view, shape (BAND, n), of a padded array: row d - 1 is the array d groups back."""
    stride = padded.strides[0]
    return as_strided(padded[BAND - 1 :], (BAND, n), (-stride, stride))
