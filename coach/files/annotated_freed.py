"""Damping marks of a file that taste has overruled: found, and taken out again.

Only a mark that names the freed bass's string alone is taken out; a ``damp-all``, or a ``damp`` without a
string, speaks to others too and stays.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from coach.core.damping import Reason, Stop
from coach.core.score import Score
from coach.core.words import WAY_SHORT, beat_name
from coach.files.written import Part
from coach.files.xml_marks import named_string
from coach.files.xml_splice import Splicer
from coach.files.xml_tree import text_of

STILL_STOPPED = "The bass of {bass} does not ring on in the written score: the damping mark at {mark} stays."
NO_MARK = "<direction-type><words/></direction-type>"  # holds a direction whose sound is to be kept

Performed = tuple[int, int]  # tick, string


@dataclass(frozen=True, slots=True)
class NamedDamp:
    """A written ``damp`` with the ``words`` that name its string."""

    bar: int  # index of the written bar
    tick: int  # in the bar
    string: int
    holder: tuple[Element, Element]  # the damp's direction, and its direction-type (or it, beside others)
    words: tuple[Element, Element, Element]  # the direction, direction-type and words with the string


def named_damps(part: Part) -> Iterator[NamedDamp]:
    """Yield the damping marks of a part that name one string, as the reader understands them."""
    for index, bar in enumerate(part.bars):
        waiting: tuple[int, Element, Element] | None = None
        for tick, element in bar.content:
            if element.tag == "note":
                waiting = None
            for kinds in element.findall("direction-type") if element.tag == "direction" else ():
                for kind in kinds:
                    if kind.tag == "damp":
                        waiting = tick, element, kinds if len(kinds) == 1 else kind
                        continue
                    string = named_string(text_of(kind)) if waiting and kind.tag == "words" else 0
                    if waiting and string:
                        yield NamedDamp(index, waiting[0], string, waiting[1:], (element, kinds, kind))
                    waiting = None


def overruled(part: Part, score: Score, stops: tuple[Stop, ...]) -> tuple[list[NamedDamp], set[Performed]]:
    """Return the marks that would stop a freed bass, and every (tick, string) they are played at.

    ``score`` is the part performed, ``stops`` its plan.  A mark stays where another bass ends by it in some
    round.
    """
    rounds: dict[int, list[int]] = defaultdict(list)
    for bar in score.bars:
        rounds[bar.written].append(bar.onset)
    ends = {(stop.due, stop.string) for stop in stops if stop.reason is Reason.MARKED}
    reaches: dict[int, list[tuple[int, int, int]]] = defaultdict(list)  # string -> after, before, not at
    for stop, after, before in _reaches(score, stops):
        over = stop.due if score.notes["let_ring"][stop.note] else -1  # the score's own tie and mark agree
        reaches[stop.string].append((after, before, over))
    found: list[NamedDamp] = []
    gone: set[Performed] = set()
    for damp in named_damps(part):
        ticks = [onset + damp.tick for onset in rounds[damp.bar]]
        places = {(tick, damp.string) for tick in ticks}
        meets = any(
            after < tick < before and tick != over
            for after, before, over in reaches[damp.string]
            for tick in ticks
        )
        if meets and not places & ends:
            found.append(damp)
            gone |= places
    return found, gone


def still_stopped(score: Score, stops: tuple[Stop, ...]) -> tuple[str, ...]:
    """Return a sentence about each freed bass that a mark of ``score`` stops all the same."""
    lines: list[str] = []
    for stop, after, before in _reaches(score, stops):
        speaking = [
            mark.onset
            for mark in score.damps
            if after < mark.onset < before
            and mark.onset != stop.due
            and (mark.everything or mark.string in (None, stop.string))
        ]
        if speaking:
            lines.append(STILL_STOPPED.format(bass=_place(score, after), mark=_place(score, speaking[0])))
    return tuple(dict.fromkeys(lines))


def erase(splicer: Splicer, damps: list[NamedDamp]) -> None:
    """Take marks out of the text: their directions, or what is theirs where those hold more."""
    directions: dict[Element, list[Element]] = {}  # direction -> what goes of its direction-types and words
    for damp in damps:
        directions.setdefault(damp.holder[0], []).append(damp.holder[1])
        direction, kinds, words = damp.words
        inside = list(kinds)
        ours = [words]
        following = inside[inside.index(words) + 1 :]
        if following and text_of(following[0]) in WAY_SHORT.values():
            ours.append(following[0])
        whole = len(ours) == len(inside)
        directions.setdefault(direction, []).extend([kinds] if whole else ours)
    for direction, going in directions.items():
        left = [kinds for kinds in direction.findall("direction-type") if kinds not in going]
        if not left and direction.find("sound") is None:
            splicer.remove(direction)
            continue
        if not left:
            splicer.after(going[-1], NO_MARK)
        for element in going:
            splicer.remove(element)


def _reaches(score: Score, stops: tuple[Stop, ...]) -> Iterator[tuple[Stop, int, int]]:
    """Yield each freed bass with the ticks after and before which a mark would stop it."""
    onsets: dict[int, list[int]] = defaultdict(list)
    for note in score.notes[~score.notes["grace"]]:
        onsets[int(note["string"])].append(int(note["onset"]))
    for stop in stops:
        if stop.reason is Reason.FREE:
            onset = int(score.notes["onset"][stop.note])
            same = onsets[stop.string] if stop.string else []
            again = bisect_right(same, onset)
            yield stop, onset, same[again] if again < len(same) else score.end + 1


def _place(score: Score, tick: int) -> str:
    bar = score.bar_index(tick)
    return f"bar {score.bars[bar].number} beat {beat_name(score.beat(tick, bar))}"
