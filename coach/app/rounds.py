"""Round after round: whether a player has come to the end of a step, begins it again, or plays no more."""

from __future__ import annotations

from coach.app.sitting import Sitting
from coach.core.session import Session

# Nothing plucked for so long after the next note was due: nobody plays; where a pass was only broken off,
# after the longer time.  From a step's last note to its first nobody is quicker than the last.  Our figures.
QUIET_US, GONE_US, QUICKEST_US = 700_000, 3_000_000, 100_000


def plucked(data: bytes) -> int | None:
    """Return the pitch of a message that begins a note, else None."""
    return data[1] if data and data[0] & 0xF0 == 0x90 and data[2:3] > b"\0" else None


def last_pluck_us(session: Session) -> int:
    """Return when a string was plucked last, in the session's time; 0 before."""
    played = session.ringing.played
    return played[-1].heard_us if played else 0


def begin_pitches(session: Session) -> frozenset[int]:
    """Return the pitches that a step begins with: of its first notes, and of what leads to them."""
    groups, notes = session.groups, session.score.notes
    rows: list[int] = []
    for group in range(groups.count):
        rows += groups.rows(group)
        if groups.required(group):
            break
    return frozenset(notes["pitch"][rows].tolist())


def at_end(sitting: Sitting) -> bool:
    """Whether the last pass has come to the step's last note."""
    return bool(sitting.session.matching.passes) and not _to_come(sitting)


def gone_through(sitting: Sitting) -> bool:
    """Whether the last pass has come to the end of the step; the note it lands on may be left out."""
    session = sitting.session
    if not session.matching.passes:
        return False
    rest = _to_come(sitting)
    rung = sitting.step.rung
    return all(rung is not None and session.groups.bar_of(group) > rung.last for group in rest)


def begins_again(sitting: Sitting, pitch: int, at_us: int) -> bool:
    """Whether a pluck that is not taken in yet begins the step again.

    The pass has come to its end, the pitch is one the step begins with, and none that comes next.
    """
    session = sitting.session
    if not gone_through(sitting) or at_us - last_pluck_us(session) < QUICKEST_US:
        return False
    return pitch in begin_pitches(session) and pitch not in awaited(sitting)


def awaited(sitting: Sitting) -> frozenset[int]:
    """Return the pitches that come next in the last pass: what is left of the last notes, and those after."""
    session = sitting.session
    if not session.matching.passes:
        return begin_pitches(session)
    last = session.matching.passes[-1]
    rows = [row for row in session.groups.required(last.front) if last.claim(row) is None]
    for group in _to_come(sitting)[:1]:
        rows += session.groups.required(group)
    return frozenset(session.score.notes["pitch"][rows].tolist())


def nobody_plays(sitting: Sitting, now_us: int, *, over: bool, wait_us: int) -> bool:
    """Whether nothing was plucked for ``wait_us`` after it was due; ``over``: the last pass is.

    What is due is the next note, or after the pass the end of its last one while that sounds.
    """
    session = sitting.session
    if not session.matching.passes:
        return True
    last = session.matching.passes[-1]
    anchor = next(last.backwards(), None)
    tick = session.groups.next_onset(last.front)
    if over:
        ends = session.score.notes[["onset", "duration"]][session.groups.rows(last.front)].tolist()
        tick = max(map(sum, ends)) if session.ringing.sounding() else None
    due_us = 0.0
    if tick is not None and anchor is not None:
        nominal_us = session.score.nominal_us(tick) - session.score.nominal_us(anchor.tick)
        due_us = anchor.us + nominal_us / (sitting.asked_speed or 1.0)
    return now_us - max(due_us, last_pluck_us(session)) >= wait_us


def _to_come(sitting: Sitting) -> list[int]:
    """Return the groups after the last one reached in which a note has to be played."""
    groups, last = sitting.session.groups, sitting.session.matching.passes[-1]
    return [group for group in range(last.front + 1, groups.count) if groups.required(group)]
