"""How long each written bar is played, what a musician calls it, and names for everything engraved.

A bar shorter than its meter is played short where engraving allows it: marked implicit, at the beginning
or end of the piece, or beside a repeat sign or double bar, where two short bars make one.  Anywhere else
its rest has been left out and is played as silence.
"""

from __future__ import annotations

import re

from coach.core.score import TICKS_PER_QUARTER
from coach.files.written import Notices, Part, WrittenBar

ROUNDING = 60  # ticks, a third of a 128th note: what odd divisions may lose or gain in a bar
_NUMBER = re.compile(r"\d{1,6}", re.ASCII)
_XML_ID = re.compile(r"[A-Za-z][A-Za-z0-9_.-]{0,63}")


def settle_bars(part: Part, notices: Notices) -> None:
    """Fill in ``length``, ``lead`` and ``number`` of each bar of ``part``."""
    for i, bar in enumerate(part.bars):
        if bar.full == 0:
            _unmeasured(part.bars, i, notices)
        elif bar.extent == 0 or abs(bar.extent - bar.full) <= ROUNDING:
            bar.length = bar.full
        elif bar.extent > bar.full:
            _overfull(bar, notices)
        elif _may_be_short(part.bars, i):
            bar.length = bar.extent
        else:
            bar.length = bar.full
            notices.add("A bar does not fill its meter: the rest of it is read as silence", bar.token)
    for i, bar in enumerate(part.bars):
        bar.lead = _lead(part.bars, i)
    _count(part.bars, notices)


def _unmeasured(bars: list[WrittenBar], i: int, notices: Notices) -> None:
    """Give a bar without a meter the length, and a meter, of what it holds."""
    bar = bars[i]
    bar.length = bar.extent or (bars[i - 1].length if i else 4 * TICKS_PER_QUARTER)
    for unit in (4, 8, 16, 32, 64, 128):
        ticks = 4 * TICKS_PER_QUARTER // unit
        bar.beats, bar.beat_unit = max(round(bar.length / ticks), 1), unit
        if bar.length % ticks == 0:
            break
    notices.add("Bars without a time signature are as long as their notes", bar.token)


def _overfull(bar: WrittenBar, notices: Notices) -> None:
    """Let a note sound past the barline if the rest of the bar is full; else play the bar longer."""
    heads = [note for note in bar.notes if not note.grace]
    full_voice = any(abs(note.onset + note.duration - bar.full) <= ROUNDING for note in heads)
    if full_voice and all(note.onset < bar.full - ROUNDING for note in heads):
        bar.length = bar.full
        notices.add("A note is written longer than its bar: it sounds past the barline", bar.token)
    else:
        bar.length = bar.extent
        notices.add("A bar holds more than its meter: it is played longer", bar.token)


def _may_be_short(bars: list[WrittenBar], i: int) -> bool:
    bar = bars[i]
    if i == 0 or i == len(bars) - 1 or bar.implicit or bar.section_start or bar.section_end:
        return True
    before, after = bars[i - 1], bars[i + 1]
    if before.section_end or after.section_start or after.implicit:
        return True
    divided = before.length < before.full and before.length + bar.extent == bar.full and i > 1
    return divided or bar.extent + after.extent == bar.full


def _lead(bars: list[WrittenBar], i: int) -> int:
    """Return the ticks of the meter's bar that went before this short one."""
    bar = bars[i]
    missing = bar.full - bar.length
    if missing <= 0:
        return 0
    if i == 0:
        return missing if len(bars) > 1 else 0
    if bar.signs.ending:
        return 0
    before = bars[i - 1]
    if before.length < before.full and before.lead == 0 and before.length + bar.length <= bar.full:
        return missing
    if i < len(bars) - 1 and (bar.implicit or bar.section_start or before.section_end):
        return missing
    return 0


def _count(bars: list[WrittenBar], notices: Notices) -> None:
    """Number the bars as written; a pickup is bar 0, the second half of a divided bar keeps its number."""
    last = 0
    for i, bar in enumerate(bars):
        figure = _NUMBER.match(bar.token)
        if figure:
            bar.number = min(int(figure.group()), 99_999)
        elif i == 0:
            bar.number = 0 if bar.lead else 1
        else:
            bar.number = last if bar.implicit or bar.lead else last + 1
        last = bar.number
    if bars and bars[0].lead and bars[0].number == 1:
        if len(bars) > 1 and bars[1].number == 1:
            bars[0].number = 0
            return
        for bar in bars:
            bar.number = max(bar.number - 1, 0)
        notices.add("The pickup is counted as bar 0, so the first full bar is bar 1")


def name_all(part: Part) -> None:
    """Give every bar, note and rest a unique XML id, keeping those that are there and can be."""
    wanted = [bar.element.get("id", "") for bar in part.bars]
    wanted += [note.element.get("id", "") for bar in part.bars for note in bar.notes]
    taken = set(wanted)
    given: set[str] = set()
    count = 0

    def name(old: str, letter: str) -> str:
        nonlocal count
        if old not in given and _XML_ID.fullmatch(old):
            given.add(old)
            return old
        while True:
            count += 1
            fresh = f"{letter}{count}"
            if fresh not in taken:
                return fresh

    for bar in part.bars:
        bar.id = name(bar.element.get("id", ""), "bar")
    for bar in part.bars:
        for note in bar.notes:
            note.id = name(note.element.get("id", ""), "rest" if note.rest else "note")
