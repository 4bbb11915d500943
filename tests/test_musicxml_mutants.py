"""Damaged scores, by chance: whatever happens to a file, it is read or refused in one line, and soon."""

import re
import time

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coach.core.errors import ScoreError
from coach.files.musicxml import parse_musicxml
from tests.xml_scores import (
    BACKWARD,
    FORWARD,
    FULL,
    META,
    ahead,
    attributes,
    back,
    checked,
    chord,
    container,
    document,
    ending,
    note,
    packed,
    sound,
    technical,
    tie,
)

SOUND = document(attributes() + FULL)
RICH = document(
    attributes(3, 4)
    + sound('tempo="60"')
    + FORWARD
    + chord("C4", "E4", length=2)
    + note("F#4", 1, inside="<type>quarter</type>" + technical("<string>1</string><fret>2</fret>"))
    + back(3)
    + note("A2", 3, 2, inside=tie("start") + "<stem>down</stem>"),
    ending("1", "start", "left")
    + ahead(1)
    + note("G4", 2)
    + back(3)
    + note("A2", 3, 2, inside=tie("stop"))
    + ending("1", "stop", "right", '<repeat direction="backward"/>'),
    ending("2", "start", "left") + note("A2", 3, 2, inside=tie("stop")) + ending("2", "stop", "right"),
    note("C4", 3) + sound('dacapo="yes"'),
    note("C4", 1, before="<grace/>") + note("C4", 3) + BACKWARD,
).decode()
PIECES = re.findall(r"<[^>]*>|[^<]+", RICH)
TEXTS = [i for i, piece in enumerate(PIECES) if not piece.startswith("<")]
WEIRD = [
    "",
    "-1",
    "0",
    "0.5",
    "1e9",
    "nan",
    "999999999",
    "9" * 30,
    "x",
    " 4 ",
    "²",
    "١",
    "\u202e",
    "]]>",
    "start",
    "stop",
]

a_change = st.one_of(
    st.tuples(st.just("text"), st.sampled_from(TEXTS), st.sampled_from(WEIRD)),
    st.tuples(st.just("value"), st.integers(0, len(PIECES) - 1), st.sampled_from(WEIRD)),
    st.tuples(st.just("drop"), st.integers(0, len(PIECES) - 1), st.integers(1, 12)),
    st.tuples(st.just("repeat"), st.integers(0, len(PIECES) - 1), st.integers(1, 40)),
    st.tuples(st.just("swap"), st.integers(0, len(PIECES) - 1), st.integers(0, len(PIECES) - 1)),
)


def changed(changes) -> bytes:
    pieces = list(PIECES)
    for kind, at, what in changes:
        at = min(at, len(pieces) - 1)
        if kind == "text":
            pieces[at] = what
        elif kind == "value":
            pieces[at] = re.sub(r"(['\"])[^'\"]*\1", lambda _, w=what: f'"{w}"', pieces[at], count=1)
        elif kind == "drop":
            del pieces[at : at + what]
        elif kind == "repeat":
            pieces[at:at] = pieces[at : at + what]
        else:
            other = min(what, len(pieces) - 1)
            pieces[at], pieces[other] = pieces[other], pieces[at]
        if not pieces:
            break
    return "".join(pieces).encode()


def survives(data: bytes) -> None:
    began = time.perf_counter()
    try:
        found = parse_musicxml(data, "mutant")
    except ScoreError as fault:
        checked(str(fault), "mutant")
    else:
        score = found.score
        assert len(score.notes)
        assert (score.notes["duration"] >= 0).all()
        assert (score.notes["onset"] >= 0).all()
        assert len(set(score.anchor_ids) | set(score.bar_ids)) == len(score.anchor_ids) + len(score.bar_ids)
        again = parse_musicxml(found.xml.encode(), "again")  # what the engraver gets can always be read
        assert len(again.score.bar_ids) == len(score.bar_ids)
    assert time.perf_counter() - began < 5


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(a_change, min_size=1, max_size=4))
def test_mutated_scores_are_read_or_refused(changes):
    survives(changed(changes))


@settings(max_examples=100, deadline=None)
@given(st.integers(0, len(SOUND) - 1), st.binary(min_size=0, max_size=4))
def test_overwritten_bytes(at, new):
    survives(SOUND[:at] + new + SOUND[at + len(new) :])


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 400), st.binary(min_size=1, max_size=3))
def test_overwritten_archives(at, new):
    data = packed({META: container("s.xml"), "s.xml": SOUND})
    at %= len(data)
    survives(data[:at] + new + data[at + len(new) :])
