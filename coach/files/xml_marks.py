"""Directions, sounds and barlines: tempo, damping marks, repeats and jumps.

What a ``sound`` element says about jumps holds; printed words and signs are read only for the kinds of
jump that no ``sound`` element of the part mentions.  ``damp`` names no string, so our own convention is
that ``words`` directly after it holding a string's number (5, ⑤) name it.
"""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from xml.etree.ElementTree import Element

from coach.core.pitch import STEP_SEMITONES
from coach.core.repeats import BarSigns
from coach.core.score import DampMark
from coach.files.limits import MAX_TEXT, MAX_TIMES
from coach.files.written import Notices, Part, WrittenBar
from coach.files.xml_attributes import tuning_pitch
from coach.files.xml_tree import decimal, text_of, whole

CIRCLED = "①②③④⑤⑥⑦⑧⑨⑩"
BEAT_UNITS = {  # in quarter notes
    "breve": Fraction(8), "whole": Fraction(4), "half": Fraction(2), "quarter": Fraction(1),
    "eighth": Fraction(1, 2), "16th": Fraction(1, 4), "32nd": Fraction(1, 8), "64th": Fraction(1, 16),
}  # fmt: skip
NAMED_JUMPS = (("segno", "segno"), ("coda", "coda"), ("tocoda", "to_coda"), ("dalsegno", "dal_segno"))
SLOWEST, FASTEST = 5, 1000  # quarter notes a minute; outside, a tempo is damage

_STRING = re.compile(rf"\(?\s*(\d{{1,2}}|[{CIRCLED}])\s*\)?\.?")
_DA_CAPO = re.compile(r"\bd\.?\s?c\b|\bda\s+capo\b", re.IGNORECASE)
_DAL_SEGNO = re.compile(r"\bd\.?\s?s\b|\bdal\s+segno\b|\bdal\s*\U0001d10b", re.IGNORECASE)
_TO_CODA = re.compile(r"\b(to|al|alla)\s+coda\b", re.IGNORECASE)
_FINE = re.compile(r"\W*fine\W*", re.IGNORECASE)
_CODA = re.compile(r"\W*coda\W*", re.IGNORECASE)
_DROP_D = re.compile(r"\bdrop(ped)?[\s-]+d\b", re.IGNORECASE)
_RETUNED = re.compile(
    rf"(?:([{CIRCLED}])\s*(?:=|:|→|->|to|in|en)|\b(\d)(?:\.|th|ª|ᵃ)?\s*(?:=|→|->))"
    r"\s*([A-G])([#♯b♭]?)(?![a-z])"
)


class MarkReader:
    """Reads the marks of one part, bar by bar; ``finish`` settles the order of playing."""

    def __init__(self, part: Part, notices: Notices) -> None:
        self._part, self._notices = part, notices
        self._said: list[dict[str, str]] = []  # per bar: what sound elements and barlines say
        self._printed: list[dict[str, str]] = []  # per bar: what words and signs say
        self._repeats: list[BarSigns] = []  # per bar: what its barlines say
        self._tempos: dict[int, tuple[bool, float]] = {}  # tick -> from a sound element?, tempo
        self._open_damp = False  # the last thing read was a damp that names no string
        self._last_ending = 0

    def begin(self) -> None:
        """Start a bar."""
        self._said.append({})
        self._printed.append({})
        self._repeats.append(BarSigns())
        self._tempos = {}
        self._open_damp = False

    def end(self, bar: WrittenBar) -> None:
        """Close a bar."""
        bar.tempos = sorted((tick, qpm) for tick, (_, qpm) in self._tempos.items())

    def note_passed(self) -> None:
        """Tell that a note came: words after it no longer belong to a damp before it."""
        self._open_damp = False

    def direction(self, element: Element, bar: WrittenBar, tick: int, offset: int) -> None:
        """Read a ``direction`` whose place is ``tick``, drawn ``offset`` ticks away."""
        moved = element.find("offset")
        heard = tick + (offset if moved is not None and moved.get("sound") == "yes" else 0)
        for kind in element.iterfind("direction-type/*"):
            if kind.tag in ("damp", "damp-all"):
                bar.damps.append(DampMark(max(tick + offset, 0), everything=kind.tag == "damp-all"))
                self._open_damp = kind.tag == "damp"
                continue
            if kind.tag == "words":
                self._words(text_of(kind)[:MAX_TEXT], bar)
            elif kind.tag in ("segno", "coda"):
                self._printed[-1].setdefault(kind.tag, "sign")
            elif kind.tag == "metronome":
                self._metronome(kind, bar, heard)
            elif kind.tag == "scordatura":
                for accord in kind.iterfind("accord"):
                    string, pitch = whole(accord.get("string")), tuning_pitch(accord)
                    if string is not None and 1 <= string <= 12 and pitch is not None:
                        self._part.accords[string] = pitch
            self._open_damp = False
        for sound in element.iterfind("sound"):
            self.sound(sound, bar, heard)

    def sound(self, element: Element, bar: WrittenBar, tick: int) -> None:
        """Read a ``sound`` element, within a direction or by itself."""
        said = self._said[-1]
        for name, key in NAMED_JUMPS:
            if value := (element.get(name) or "").strip()[:40]:
                said[key] = value
        for name, key in (("dacapo", "da_capo"), ("fine", "fine")):
            if element.get(name, "no").strip().lower() not in ("no", ""):
                said[key] = "yes"
        if element.get("forward-repeat") == "yes":
            self._repeats[-1] = replace(self._repeats[-1], forward=True)
        if element.get("tempo") is not None:
            self._tempo(decimal(element.get("tempo")), bar, tick, from_sound=True)

    def barline(self, element: Element, bar: WrittenBar) -> None:
        """Read a ``barline``: repeat signs, brackets, and where sections begin and end."""
        location = element.get("location", "right")
        style = text_of(element, "bar-style")
        if style in ("light-light", "light-heavy", "heavy-light", "heavy-heavy", "heavy"):
            bar.section_start |= location == "left"
            bar.section_end |= location == "right"
        for child in element:
            if child.tag == "repeat":
                self._repeat(child, bar, location)
            elif child.tag == "ending":
                if child.get("type") == "start":
                    self._repeats[-1] = replace(self._repeats[-1], ending=self._rounds(child))
                elif child.get("type") in ("stop", "discontinue"):
                    self._repeats[-1] = replace(self._repeats[-1], ending_stop=True)
            elif child.tag in ("segno", "coda"):
                self._printed[-1].setdefault(child.tag, "sign")
        for name in ("segno", "coda"):
            if element.get(name):
                self._said[-1][name] = str(element.get(name))[:40]

    def _repeat(self, element: Element, bar: WrittenBar, location: str) -> None:
        if location == "middle":
            self._notices.add("A repeat sign inside a bar is read at the bar's edge", bar.token)
        if element.get("direction") == "forward":
            self._repeats[-1] = replace(self._repeats[-1], forward=True)
            bar.section_start = True
            self._last_ending = 0
        elif element.get("direction") == "backward":
            times = whole(element.get("times", "2"))
            if times is not None and times > MAX_TIMES:
                what = f"a repeat to be played {times:,} times"
                raise self._notices.fault(bar.token, what, f"write at most {MAX_TIMES:,}")
            self._repeats[-1] = replace(
                self._repeats[-1],
                backward=times if times and times > 0 else 2,
                backward_after_jump=element.get("after-jump") == "yes",
            )
            bar.section_end = True

    def _rounds(self, element: Element) -> tuple[int, ...]:
        """Return the rounds of a bracket from “1”, “1, 2” or “1-3”; an unnumbered one is the next."""
        rounds: list[int] = []
        for low, high in re.findall(r"(\d{1,3})(?:\s*[-–]\s*(\d{1,3}))?", element.get("number", "")[:40]):
            rounds += range(int(low), int(high or low) + 1)
        found = tuple(sorted({number for number in rounds if number > 0})) or (self._last_ending + 1,)
        self._last_ending = found[-1]
        return found

    def _tempo(self, qpm: Fraction | None, bar: WrittenBar, tick: int, from_sound: bool) -> None:
        if qpm is None or not SLOWEST <= qpm <= FASTEST:
            self._notices.add("A tempo that cannot be right is passed over", bar.token)
        elif from_sound or not self._tempos.get(tick, (False, 0.0))[0]:
            self._tempos[tick] = (from_sound, float(qpm))

    def _metronome(self, element: Element, bar: WrittenBar, tick: int) -> None:
        """Read a metronome mark; one that equates two note values gives no tempo and is passed over."""
        figure = re.search(r"\d{1,4}(\.\d{1,3})?", text_of(element, "per-minute")[:40], re.ASCII)
        unit = BEAT_UNITS.get(text_of(element, "beat-unit"))
        if figure and unit:
            dots = min(len(element.findall("beat-unit-dot")), 3)
            quarters = unit * (2 - Fraction(1, 2**dots))
            self._tempo(Fraction(figure.group()) * quarters, bar, tick, from_sound=False)

    def _words(self, text: str, bar: WrittenBar) -> None:
        string = named_string(text)
        if self._open_damp and string and bar.damps:
            bar.damps[-1] = DampMark(bar.damps[-1].onset, string)
            return
        printed = self._printed[-1]
        if _DA_CAPO.search(text):
            printed["da_capo"] = "yes"
        elif _DAL_SEGNO.search(text):
            printed["dal_segno"] = "sign"
        elif _TO_CODA.search(text):
            printed["to_coda"] = "sign"
        elif _FINE.fullmatch(text):
            printed["fine"] = "yes"
        elif _CODA.fullmatch(text):
            printed["coda"] = "sign"
        if _DROP_D.search(text):
            self._part.worded[6] = STEP_SEMITONES["D"]
        for circled, digit, step, sign in _RETUNED.findall(text):
            alter = {"": 0, "#": 1, "♯": 1}.get(sign, -1)
            self._part.worded[string_number(circled or digit)] = (STEP_SEMITONES[step] + alter) % 12

    def finish(self) -> list[BarSigns]:
        """Return the signs of each bar."""
        kinds = (("da_capo", "dal_segno"), ("fine",), ("to_coda",), ("coda",), ("segno",))
        chosen: list[dict[str, str]] = [{} for _ in self._said]
        for kind in kinds:
            said = any(key in bar for bar in self._said for key in kind)
            for bar, source in zip(chosen, self._said if said else self._printed, strict=True):
                bar.update((key, source[key]) for key in kind if key in source)
        _sort_coda_signs(chosen)
        return [
            replace(
                repeats,
                segno=bar.get("segno", ""),
                coda=bar.get("coda", ""),
                to_coda=bar.get("to_coda", ""),
                dal_segno=bar.get("dal_segno", ""),
                da_capo="da_capo" in bar,
                fine="fine" in bar,
            )
            for bar, repeats in zip(chosen, self._repeats, strict=True)
        ]


def _sort_coda_signs(bars: list[dict[str, str]]) -> None:
    """Tell printed coda signs that lead away from the one that is led to."""
    if any(bar.get("coda", "sign") != "sign" for bar in bars):
        return
    signs = [bar for bar in bars if "coda" in bar]
    for bar in signs:
        if "to_coda" in bar:  # “To Coda” with its sign
            del bar["coda"]
    signs = [bar for bar in signs if "coda" in bar]
    if len(signs) > 1 and not any("to_coda" in bar for bar in bars):
        signs[0]["to_coda"] = signs[0].pop("coda")


def named_string(text: str) -> int:
    """Return the number of the string that the words after a ``damp`` name, 0 if they name none."""
    named = _STRING.fullmatch(text)
    string = string_number(named.group(1)) if named else 0
    return string if 1 <= string <= 12 else 0


def string_number(text: str) -> int:
    """Return the number a digit or a circled digit stands for."""
    return CIRCLED.index(text) + 1 if text in CIRCLED else int(text)
