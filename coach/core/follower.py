"""Score following: which note of the score an incoming note is, by token passing over onset groups.

One token a group holds the best way (Viterbi) to be at that group: its log likelihood, when the group was
begun, which of its notes were played, and its own tempo.  A note moves every token: on to one of the next
groups, within a chord, nowhere (an extra note), back to a note of the chord just left (a late note), or
anywhere (a jump: restarts and leaps).  A jump has one origin, the best token, so that a note costs O(N)
(the idea is Nakamura's et al., Journal of New Music Research 43, 2014).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from coach.core import follower_tables as ft
from coach.core.groups import Groups
from coach.core.score import Score

HISTORY = 64  # notes that can be traced back without hindsight
BEAM = np.float32(-45.0)  # tokens less likely than this beside the best are dropped
LEARN_AFTER = 16  # notes after a jump, the place the player turned to is remembered
LOST_UNDER, LOST_WINDOW, LOST_CLIP = -4.5, 8, -12.0
AMBIGUOUS_WITHIN, SAME_PLACE = 3.0, 2

# Codes of moves; 1..BAND are steps forward by so many groups.
EXTRA, STAY, LATE, JUMP, JUMP_TOO = 0, ft.BAND + 1, ft.BAND + 2, ft.BAND + 3, ft.BAND + 4
OTHER_WITHIN, OTHER_BEYOND = 5.0, 8


@dataclass(frozen=True, slots=True)
class Label:
    """What the best path says of one note that was fed."""

    group: int  # onset group the player is at after the note
    note: int  # row in ``score.notes`` the note is matched with; -1: it matches nothing
    right: bool  # matched, and the pitch is the score's
    jump: bool  # the player jumped here: a new pass starts with this note (the first note too)


class Follower:
    """Follows one player through one score.  Feed notes in order; ask for labels at any time."""

    def __init__(
        self,
        score: Score,
        *,
        chunk: tuple[int, int] | None = None,
        groups: Groups | None = None,
        hindsight: bool = False,
    ) -> None:
        """Open the score; ``chunk`` is the first and last performed bar being practised (inclusive).

        With ``hindsight`` every note can be traced back, else the last ``HISTORY``.
        """
        self.groups = groups or Groups(score)
        self.score = score
        self.hindsight = hindsight
        self._n = n = self.groups.count
        self._fed = 0
        self._now = 0
        self._best = 0
        self._gains: list[float] = []
        self._lost = False
        self._pitch = np.zeros(HISTORY, np.int16)
        self._origin = np.zeros((HISTORY, 2), np.int32)  # where jumps at this note would come from
        self._moves = np.zeros((HISTORY, n), np.int8)
        self._slots = np.zeros((HISTORY, n), np.int16)  # row matched, counted from the group's first
        self._mean_velocity = 0.0
        if n:
            self._terms = ft.PitchTerms(self.groups)
            self._prepare(chunk)

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
        return self._lost

    @property
    def certain(self) -> bool:
        """Whether the place is known: not lost, and no other place is nearly as likely."""
        if not self._n or not self._fed or self._lost:
            return False
        likely = np.flatnonzero(self._like[ft.BAND :] > -AMBIGUOUS_WITHIN)
        return bool((np.abs(likely - self._best) <= SAME_PLACE).all())

    @property
    def beat_us(self) -> float:
        """The player's quarter note, in µs."""
        if not self._n:
            return 60e6 / self.score.qpm(0)
        ratio = float(self._tempo[self._best + ft.BAND]) if self._fed else 0.0
        return float(np.exp(ratio)) * 60e6 / self.score.qpm(int(self.groups.onsets[self._best]))

    def trace(self, count: int) -> list[Label]:
        """Return the labels of the last ``count`` notes, oldest first, as the best path has them now."""
        kept = self._fed if self.hindsight else min(self._fed, HISTORY)
        count = min(count, kept)
        if not self._n:
            return [Label(0, -1, False, self._fed - count + i == 0) for i in range(count)]
        labels: list[Label] = []
        at = self._best
        size, starts = len(self._moves), self.groups.starts
        notes = self.score.notes
        for index in range(self._fed - 1, self._fed - 1 - count, -1):
            place = index % size
            move = int(self._moves[place, at])
            jumped = move >= JUMP
            row = -1
            if move != EXTRA:
                row = int(starts[at]) + int(self._slots[place, at])
            right = row >= 0 and int(notes["pitch"][row]) == int(self._pitch[place])
            labels.append(Label(at, row, right, jumped or index == 0))
            if jumped:
                at = int(self._origin[place, move - JUMP])
            elif 0 < move <= ft.BAND:
                at -= move
        labels.reverse()
        return labels

    # --- fed ------------------------------------------------------------------------------------

    def feed(self, onset_us: int, pitch: int, string: int | None, velocity: int = 64) -> None:
        """Take one more note: its time (never earlier than the last one's), pitch, string where known."""
        place = self._room()
        self._now = onset_us
        self._pitch[place] = pitch
        if self._n:
            if self._fed:
                self._step(place, onset_us, pitch, string or 0, velocity)
            else:
                self._faintness(velocity)
                self._begin(place, onset_us, pitch, string or 0)
        self._fed += 1

    def _room(self) -> int:
        size = len(self._moves)
        if self.hindsight and self._fed == size:
            self._pitch, self._origin, self._moves, self._slots = (
                np.concatenate((a, np.zeros_like(a)))
                for a in (self._pitch, self._origin, self._moves, self._slots)
            )
            size *= 2
        return self._fed % size

    # --- inside ---------------------------------------------------------------------------------

    def _prepare(self, chunk: tuple[int, int] | None) -> None:
        n, d, groups = self._n, ft.BAND, self.groups
        notes = self.score.notes
        # State, with BAND dead tokens in front so that every group has BAND predecessors.
        self._like = np.full(n + d, ft.NEVER, np.float32)
        self._since = np.zeros(n + d, np.int64)  # µs
        self._tempo = np.zeros(n + d, np.float32)  # log(player's time / written time)
        self._row = np.zeros(n + d, np.int64)
        self._leave = np.zeros(n + d, np.float32)
        self._used = np.zeros(n, np.int64)  # bit mask of the notes played
        self._open = np.zeros(n, np.int16)  # notes not played
        self._left = np.full(n, -1, np.int32)  # the group just left, while notes of it are missing
        self._left_used = np.zeros(n, np.int64)
        sizes = np.minimum(np.diff(groups.starts), ft.PitchTerms.MOST_COLUMNS)
        self._size = sizes.astype(np.int16)
        self._needed = np.minimum(
            np.add.reduceat(groups.needed, groups.starts[:-1], dtype=np.int64), sizes
        ).astype(np.int16)
        self._leave_cost = (
            np.minimum(np.arange(ft.PitchTerms.MOST_COLUMNS + 1), ft.LEAVE_MOST) * ft.LEAVE_EACH
        ).astype(np.float32)
        # Steps: expected log µs and cost, shape (BAND, n); row d - 1 comes from d groups back.
        written = np.array([self.score.nominal_us(int(t)) for t in groups.onsets])
        self._expected = np.zeros((d, n), np.float32)
        self._skip = np.full((d, n), ft.NEVER, np.float32)
        required = np.cumsum(~groups.grace)
        for step in range(1, d + 1):
            if step >= n + 1:
                break
            us = written[step:] - written[:-step]
            us = np.where(groups.grace[step:], np.maximum(us - ft.GRACE_US, us * 0.4), us)
            us = np.where(groups.grace[:-step] & (us < ft.GRACE_US), ft.GRACE_US, us)
            self._expected[step - 1, step:] = np.log(np.maximum(us, ft.SHORTEST_US))
            between = required[step - 1 : -1] - required[:-step]
            graces = step - 1 - between
            cost = graces * ft.SKIP_GRACE + np.where(
                between > 0, ft.SKIP_ONE + (between - 1) * ft.SKIP_MORE, 0
            )
            self._skip[step - 1, step:] = cost
        target = np.where(groups.grace, -ft.ROWS * ft.RATIO_BINS, 0)
        self._bins = np.rint(self._expected * ft.BINS_PER_UNIT).astype(np.int64) + target
        fermata = np.zeros(n, bool)
        rows_with = np.flatnonzero(notes["fermata"])
        fermata[groups.of_note[rows_with]] = True
        self._fixed_row = np.where(groups.grace, ft.ROW_GRACE, np.where(fermata, ft.ROW_FERMATA, -1))
        self._sure = np.zeros(n + d, np.int64)
        self._advance, self._stay_in = ft.advance_table(), ft.stay_table()
        self._faulty_in = ft.faulty_table()
        self._extra_in, self._late_in, self._jump_in = ft.extra_table(), ft.late_table(), ft.jump_table()
        # Buffers.
        self._gap = np.empty(n + d, np.int64)
        self._log_gap = np.empty(n + d, np.float32)
        self._ratio = np.empty(n + d, np.float32)
        self._index = np.empty(n + d, np.int64)
        self._from = np.empty(n + d, np.float32)
        self._cells = np.empty((d, n), np.int64)
        self._scores = np.empty((d, n), np.float32)
        s8, s4 = self._index.strides[0], self._from.strides[0]
        self._index_band = as_strided(self._index[d - 1 :], (d, n), (-s8, s8))
        self._from_band = as_strided(self._from[d - 1 :], (d, n), (-s4, s4))
        self._prepare_jumps(chunk)

    def _prepare_jumps(self, chunk: tuple[int, int] | None) -> None:
        n, groups = self._n, self.groups
        bars = len(self.score.bars)
        self._stop = np.full(n, ft.JUMP, np.float32)
        self._stop[n - 1] = ft.JUMP_AT_END
        per_bar = np.bincount(groups.bars, minlength=max(bars, 1)).astype(float)[groups.bars]
        is_first = np.concatenate(([True], np.diff(groups.bars) != 0))
        rest = (1 - ft.BAR_START) / np.maximum(per_bar - 1, 1)
        weight = np.where(is_first, np.where(per_bar > 1, ft.BAR_START, 1.0), rest)
        self._start_weight = np.log(weight).astype(np.float32)
        back = np.arange(-bars, bars + 1).astype(float)  # bars back; negative: ahead
        kernel = np.where(back >= 0, np.exp(-back / ft.BACK_FADE), 0)
        ahead = np.where(back < 0, np.exp(back / ft.AHEAD_FADE), 0)
        share = ft.TO_BACK * kernel / kernel.sum() + ft.TO_AHEAD * ahead / max(ahead.sum(), 1e-9)
        self._by_bars_back = np.log(share + ft.TO_ANY / max(bars, 1)).astype(np.float32)
        stutter = np.exp(-np.arange(ft.STUTTER_GROUPS) / ft.STUTTER_FADE)[::-1]
        self._stutter = np.log(ft.TO_STUTTER * stutter / stutter.sum()).astype(np.float32)
        self._bars = groups.bars.astype(np.int64)
        self._visits = np.zeros(n, np.int32)  # how often the player turned to each group
        self._learnt = np.zeros(n, np.float32)
        self._turns = 0
        self._pass_start = np.zeros(n + ft.BAND, np.int32)
        self._pass_age = np.zeros(n + ft.BAND, np.int32)
        self._jump_to: dict[int, NDArray[np.float32]] = {}
        begin = np.full(n, np.log(0.3 / n), np.float32)
        first = 0
        if chunk is not None:
            first, end = groups.span(chunk)
            first = min(first, n - 1)
            last = max(end - 1, first)
            self._stop[last] = ft.JUMP_AT_END
            for step in range(1, ft.BAND + 1):
                self._skip[step - 1, last + 1 : last + 1 + step] += np.float32(ft.PAST_CHUNK)
        begin[first] = np.log(0.7)
        self._begin_at = begin
        self._chunk_first = first if chunk is not None else -1

    def _targets(self, origin: int) -> NDArray[np.float32]:
        """Return the log share of each group among the places a jump from ``origin`` leads to."""
        if (kept := self._jump_to.get(origin)) is not None:
            return kept
        if len(self._jump_to) > 3:
            self._jump_to.clear()
        to = self._by_bars_back.take((int(self._bars[origin]) + len(self.score.bars)) - self._bars)
        to += self._start_weight
        first = max(origin - ft.STUTTER_GROUPS + 1, 0)
        near = slice(first, origin + 1)
        to[near] = np.logaddexp(to[near], self._stutter[ft.STUTTER_GROUPS - (origin + 1 - first) :])
        if self._turns:
            to += self._learnt
        if self._chunk_first >= 0:
            to += np.float32(np.log(1 - ft.TO_CHUNK))
            at = self._chunk_first
            to[at] = np.logaddexp(to[at], np.float32(np.log(ft.TO_CHUNK)))
        to[origin + 1 : origin + 1 + ft.BAND] = ft.NEVER  # that is a step, with or without a pause
        self._jump_to[origin] = to
        return to

    def _begin(self, place: int, onset_us: int, pitch: int, string: int) -> None:
        d = ft.BAND
        fit, slot, *_ = self._terms.of(pitch, string)
        like = self._begin_at + fit
        self._best = int(like.argmax())
        self._like[d:] = like - like[self._best]
        everywhere = np.arange(self._n)
        self._pass_start[d:] = everywhere
        self._enter(everywhere, onset_us, slot)
        self._set_row(everywhere)
        self._left[:] = -1
        self._moves[place] = JUMP
        self._slots[place] = slot
        self._origin[place] = -1

    def _enter(self, at: NDArray[np.int64], onset_us: int, slot: NDArray[np.int16]) -> None:
        self._since[at + ft.BAND] = onset_us
        self._used[at] = np.left_shift(1, slot[at].astype(np.int64))
        self._open[at] = self._size[at] - 1
        self._set_leave(at, np.maximum(self._needed[at] - 1, 0))

    def _set_leave(self, at: NDArray[np.int64], missing: NDArray[np.int16]) -> None:
        self._leave[at + ft.BAND] = self._leave_cost[missing]

    def _step(self, place: int, now: int, pitch: int, string: int, velocity: int) -> None:
        d, n = ft.BAND, self._n
        fit, slot, right, as_extra, as_faulty = self._terms.of(pitch, string)
        like = self._like
        # Time since each token's group began, and against its own tempo.
        np.subtract(now, self._since, out=self._gap)
        np.copyto(self._log_gap, self._gap, casting="unsafe")
        np.clip(self._log_gap, ft.SHORTEST_US, ft.LONGEST_US, out=self._log_gap)
        np.log(self._log_gap, out=self._log_gap)
        np.subtract(self._log_gap, self._tempo, out=self._ratio)
        bins = self._ratio * ft.BINS_PER_UNIT
        np.clip(bins, 5.5 * ft.BINS_PER_UNIT, 19.5 * ft.BINS_PER_UNIT, out=bins)
        np.copyto(self._index, bins, casting="unsafe")
        self._index += self._row
        # On by 1..BAND groups.
        np.subtract(self._index_band, self._bins, out=self._cells)
        np.take(self._advance, self._cells, out=self._scores, mode="clip")
        np.add(like, self._leave, out=self._from)
        self._scores += self._from_band
        self._scores += self._skip
        new = self._scores.max(axis=0)
        new += fit
        advanced = new
        # Nowhere: an extra note.
        log_bins = (self._log_gap[d:] - ft.LOG_MIN) * ft.BINS_PER_UNIT
        log_bins = log_bins.astype(np.int64)
        here = like[d:]
        faint = self._faintness(velocity)
        extra = self._extra_in.take(log_bins)
        extra += as_extra
        extra += np.float32(faint)
        faulty = self._faulty_in.take(log_bins)
        faulty += as_faulty
        faulty += np.float32(faint * ft.FAULTY_FAINT)
        np.maximum(extra, faulty, out=extra)
        extra += here
        # Anywhere: a jump from the most likely place to turn from.
        turn = self._from[d:] + self._stop
        origin = int(turn.argmax())
        jump = self._leap(turn, origin, log_bins)
        turn[max(origin - OTHER_BEYOND, 0) : origin + OTHER_BEYOND + 1] += ft.NEVER
        other = int(turn.argmax())
        self._origin[place] = origin, other
        too = None
        if turn[other] > like[origin + d] + self._stop[origin] - OTHER_WITHIN:
            jump_too = self._leap(turn, other, log_bins)
            too = jump_too > jump
            np.maximum(jump, jump_too, out=jump)
        jump += fit
        jump[~right] = ft.NEVER
        moves = self._moves[place]
        slots = self._slots[place]
        np.copyto(slots, slot)
        np.copyto(moves, 1)
        steps = np.greater(extra, new)
        new = np.maximum(advanced, extra)
        moves[steps] = EXTRA
        jumps = jump > new
        np.copyto(new, jump, where=jumps)
        moves[jumps] = JUMP
        if too is not None:
            moves[jumps & too] = JUMP_TOO
        self._within_chord(new, moves, slots, log_bins, pitch, string)
        self._late(new, moves, slots, log_bins, pitch, string)
        # The best, and what it gained: how the player is doing.
        best = int(new.argmax())
        gained = float(new[best])
        new -= np.float32(gained)
        self._best = best
        self._note_gain(gained)
        alive = new > BEAM
        new[~alive] = ft.NEVER
        self._move_tokens(now, slot, right, moves, alive, origin, other)
        like[d:] = new
        self._pass_age[d:] += 1
        if self._pass_age[best + d] == LEARN_AFTER:
            turned_to = self._pass_start[best + d]
            self._visits[turned_to] += 1
            self._learnt[turned_to] = np.log1p(ft.LEARNT * self._visits[turned_to])
            self._turns += 1
            self._jump_to.clear()

    def _leap(self, turn, origin, log_bins):
        """Return the log likelihood of having jumped to each group from one place, but for the note itself."""
        return self._targets(origin) + np.float32(turn[origin] + self._jump_in[log_bins[origin]])

    def _faintness(self, velocity: int) -> float:
        """Return how much rather a note so soft is an extra one: log odds."""
        usual = self._mean_velocity or float(velocity)
        self._mean_velocity = usual + (velocity - usual) / min(self._fed + 1, 16)
        odds = ft.FAINT_SLOPE * (ft.FAINT_AT - velocity / max(usual, 1.0))
        return min(max(odds, ft.FAINT_LEAST), ft.FAINT_MOST)

    def _within_chord(self, new, moves, slots, log_bins, pitch, string) -> None:
        here = self._like[ft.BAND :]
        at = np.flatnonzero((here > BEAM) & (self._open > 0))
        if not len(at):
            return
        fits = self._terms.of_slots(self._terms.of_group[at], pitch, string)
        used = (self._used[at][:, None] >> np.arange(fits.shape[1])) & 1
        fits[used > 0] = ft.NEVER
        best = fits.argmax(axis=1)
        score = here[at] + fits[np.arange(len(at)), best]
        score += self._stay_in[log_bins[at]] + np.float32(ft.STAY)
        better = score > new[at]
        at, best = at[better], best[better]
        new[at] = score[better]
        moves[at] = STAY
        slots[at] = best

    def _late(self, new, moves, slots, log_bins, pitch, string) -> None:
        here = self._like[ft.BAND :]
        at = np.flatnonzero((here > BEAM) & (self._left >= 0))
        if not len(at):
            return
        left = self._left[at]
        fits = self._terms.of_slots(self._terms.of_group[left], pitch, string)
        used = (self._left_used[at][:, None] >> np.arange(fits.shape[1])) & 1
        fits[used > 0] = ft.NEVER
        best = fits.argmax(axis=1)
        score = here[at] + fits[np.arange(len(at)), best]
        score += self._late_in[log_bins[at]] + np.float32(ft.LATE)
        better = score > new[at]
        at, best, left = at[better], best[better], left[better]
        new[at] = score[better]
        moves[at] = LATE
        slots[at] = self.groups.starts[left] + best - self.groups.starts[at]

    def _move_tokens(self, now, slot, right, moves, alive, origin, other) -> None:
        d = ft.BAND
        # Within a chord.
        at = np.flatnonzero(alive & (moves == STAY))
        if len(at):
            self._used[at] |= np.left_shift(1, self._slots[self._fed % len(self._moves)][at].astype(np.int64))
            self._open[at] -= 1
            self._set_leave(at, np.maximum(self._open[at] - (self._size[at] - self._needed[at]), 0))
        at = np.flatnonzero(alive & (moves == LATE))
        if len(at):
            left = self._left[at]
            place = (
                self._slots[self._fed % len(self._moves)][at]
                + self.groups.starts[at]
                - self.groups.starts[left]
            )
            self._left_used[at] |= np.left_shift(1, place.astype(np.int64))
            full = np.left_shift(1, self._size[left].astype(np.int64)) - 1
            self._left[at[self._left_used[at] == full]] = -1
        jumped = np.flatnonzero(alive & (moves >= JUMP))
        come_from = np.where(moves[jumped] == JUMP, origin, other)
        at = np.flatnonzero(alive & (moves == 1))
        if len(at):
            steps = self._scores[:, at].argmax(axis=0) + 1
            moves[at] = steps
            source = at + d - steps
            error = self._ratio[source] - self._expected[steps - 1, at]
            sure = self._sure[source]
            fixed = self._fixed_row[source - d]
            gain = ft.GAINS[np.where(fixed >= 0, fixed, sure)]
            gain = np.where(error > 1.2, gain / 3, gain)
            gain *= np.minimum(1, (np.exp(self._log_gap[source]) / 150e3))
            learns = right[at] & ~self.groups.grace[at]
            gain = np.where(learns, gain, 0)
            start_there, age_there = self._pass_start[source], self._pass_age[source]
            tempo = self._tempo[source] + gain * np.clip(
                error, -0.35 - 1.0 * (sure < 3), 0.35 + 1.0 * (sure < 3)
            )
            sure = np.minimum(sure + learns, ft.SURE_AFTER)
            # What is missing of the group left.
            back = source - d
            skipped_grace = (steps > 1) & self.groups.grace[at - 1]
            left = np.where(skipped_grace, at - 1, back)
            left_used = np.where(skipped_grace, 0, self._used[back])
            some = skipped_grace | (self._open[back] > 0)
        # A jump leaves with the origin's tempo.
        tempo_there, sure_there = self._tempo[come_from + d], self._sure[come_from + d]
        if len(at):
            self._pass_start[at + d], self._pass_age[at + d] = start_there, age_there
            self._tempo[at + d] = tempo
            self._sure[at + d] = sure
            self._left[at] = np.where(some, left, -1)
            self._left_used[at] = left_used
            self._enter(at, now, slot)
            self._set_row(at)
        if len(jumped):
            self._pass_start[jumped + d], self._pass_age[jumped + d] = jumped, 0
            self._tempo[jumped + d] = tempo_there
            self._sure[jumped + d] = np.minimum(sure_there, ft.ROW_AFTER_JUMP)
            self._left[jumped] = -1
            self._enter(jumped, now, slot)
            self._set_row(jumped)

    def _set_row(self, at) -> None:
        fixed = self._fixed_row[at]
        row = np.where(fixed >= 0, fixed, self._sure[at + ft.BAND])
        self._row[at + ft.BAND] = row * ft.RATIO_BINS + int(ft.RATIO_MAX * ft.BINS_PER_UNIT)

    def _note_gain(self, gained: float) -> None:
        self._gains.append(max(gained, LOST_CLIP))
        if len(self._gains) > LOST_WINDOW:
            del self._gains[0]
        self._lost = len(self._gains) == LOST_WINDOW and sum(self._gains) / LOST_WINDOW < LOST_UNDER
