"""Every verdict that stands, by what it is about, and what changed since the last look."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from coach.core.verdicts import (
    Change,
    Damping,
    DampingVerdict,
    StrayVerdict,
    Stroke,
    StrokeVerdict,
    Verdict,
    Withdrawn,
)

Key = tuple[str, int, int]


class Ledger:
    """Provisional verdicts may be replaced or withdrawn; settled ones only learn when a string stopped."""

    def __init__(self, twins: Sequence[int] | NDArray[np.int32] = ()) -> None:
        """``twins``: of each score row the first that is the same note of an exactly equal bar."""
        self.standing: dict[Key, Verdict] = {}
        self.withdrawn = 0  # provisional verdicts that did not hold
        self.moved = 0  # so many of them held, but in another of some equal bars, or another pass
        self._twins = twins
        self._by_pass: dict[int, dict[Key, Verdict]] = {}  # of each pass what is pencilled in
        self._changes: list[Change] = []

    def put(self, verdict: Verdict) -> None:
        """Keep a verdict, and note the change unless it says nothing new."""
        old = self.standing.get(verdict.key)
        if old is not None:
            if old.settled:
                verdict = _with_release(old, verdict)
            elif _said(old) == _said(verdict):
                verdict = replace(verdict, time_us=old.time_us)
            else:
                self.withdrawn += 1
                self.moved += self._equal(old, verdict)
            if verdict == old:
                return
            self._by_pass.get(old.pass_number, {}).pop(old.key, None)
        self.standing[verdict.key] = verdict
        if _pencilled(verdict):
            self._by_pass.setdefault(verdict.pass_number, {})[verdict.key] = verdict
        self._changes.append(verdict)

    def released(self, key: Key, release_us: int) -> None:
        """Fill in when a string stopped that still rang when its verdict was settled."""
        old = self.standing[key]
        if isinstance(old, DampingVerdict | StrayVerdict):
            self.put(replace(old, release_us=release_us))

    def withdraw(self, key: Key, now_us: int) -> None:
        """Take back what was said about ``key``, unless it is settled or nothing was."""
        old = self.standing.get(key)
        if old is not None and not old.settled:
            del self.standing[key]
            self._by_pass.get(old.pass_number, {}).pop(key, None)
            self.withdrawn += 1
            self._changes.append(Withdrawn(now_us, key))

    def pencilled(self, number: int) -> Collection[Verdict]:
        """Return what a teacher would pencil in for one pass: strokes not right, and basses missed."""
        return self._by_pass.get(number, {}).values()

    def _equal(self, old: Verdict, new: Verdict) -> bool:
        """Whether two verdicts differ in nothing but the pass, or which of some equal bars it is."""
        (one, note, _), (two, other, _) = _said(old), _said(new)
        twins = note >= 0 and other >= 0 and len(self._twins) and self._twins[note] == self._twins[other]
        return one == two and (note == other or bool(twins))

    def take_changes(self) -> list[Change]:
        """Return what changed since this was last called, in order."""
        changes, self._changes = self._changes, []
        return changes


def _pencilled(verdict: Verdict) -> bool:
    if isinstance(verdict, StrokeVerdict):
        return verdict.kind is not Stroke.RIGHT
    return isinstance(verdict, DampingVerdict) and verdict.kind is Damping.MISSED


def _said(verdict: Verdict) -> tuple[object, int, int]:
    """Return the substance of a verdict: a change of it means the earlier one was wrong."""
    kind = None if isinstance(verdict, StrayVerdict) else verdict.kind
    note = -1 if isinstance(verdict, StrayVerdict) else verdict.note
    return kind, note, verdict.pass_number


def _with_release(old: Verdict, new: Verdict) -> Verdict:
    if isinstance(old, DampingVerdict | StrayVerdict) and isinstance(new, DampingVerdict | StrayVerdict):
        return replace(old, release_us=new.release_us)
    return old
