"""The ``attributes`` of a part: divisions, meter, key, clefs, transposition, staves and tuning."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from math import gcd
from xml.etree.ElementTree import Element

from coach.core.pitch import STEP_SEMITONES
from coach.core.score import TICKS_PER_QUARTER
from coach.files.limits import MAX_BAR_QUARTERS, MAX_DIVISIONS
from coach.files.written import Notices, Part, Ticks, WrittenBar
from coach.files.xml_tree import decimal, text_of, whole

MAX_BEATS = 1024
MOST_FIFTHS = 7  # by which a transposition may move the spelling: an augmented unison
MAX_FIFTHS = 14  # twice round to double sharps; beyond is damage
WHOLE_TICKS = 4 * TICKS_PER_QUARTER


@dataclass(slots=True)
class Attributes:
    """What holds at the reader's place in one part."""

    part: Part
    notices: Notices
    factor: Ticks = TICKS_PER_QUARTER  # ticks in one division
    divisions_given: bool = False
    full: int = 0
    beats: int = 4
    beat_unit: int = 4
    fifths: int = 0
    transpose: dict[int, int] = field(default_factory=dict)  # staff (0 = all) -> semitones
    respelt: dict[int, int | None] = field(default_factory=dict)  # the same -> fifths, None where not told
    clefs: set[str] = field(default_factory=set)

    def begin(self, bar: WrittenBar) -> None:
        """Give a new bar the meter and key that hold."""
        bar.full, bar.beats, bar.beat_unit, bar.fifths = self.full, self.beats, self.beat_unit, self.fifths

    def ticks(self, divisions: int) -> Ticks:
        """Return a number of divisions in ticks."""
        return divisions * self.factor

    def semitones(self, staff: int) -> int:
        """Return what to add to a written pitch on ``staff`` for the sounding one."""
        return self.transpose.get(staff, self.transpose.get(0, 0)) if self.transpose else 0

    def fifths_moved(self, staff: int) -> int | None:
        """Return what to add to a written place on the line of fifths for the sounding one; None: unknown."""
        return self.respelt.get(staff, self.respelt.get(0, 0))

    def read(self, element: Element, bar: WrittenBar, tick: int) -> None:
        """Take up one ``attributes`` element at ``tick`` of ``bar``."""
        for child in element:
            if child.tag == "divisions":
                self._divisions(child, bar)
            elif child.tag == "time":
                if child.get("number", "1") == "1":
                    self._time(child, bar)
            elif child.tag == "key":
                if child.get("number", "1") == "1":
                    self._key(child)
            elif child.tag == "clef":
                self._clef(child)
            elif child.tag == "transpose":
                self._transpose(child)
            elif child.tag == "staves":
                self.part.staves = min(max(whole(child.text) or 1, 1), 8)
            elif child.tag == "staff-details":
                self._staff_details(child)
        if tick == 0:  # a change within a bar holds from the next
            self.begin(bar)

    def _divisions(self, element: Element, bar: WrittenBar) -> None:
        value = decimal(element.text)
        if value is None or value <= 0:
            what = f"“{text_of(element)[:20]}” divisions in a quarter note"
            raise self.notices.fault(bar.token, what, "export it again with a positive whole number")
        if value > MAX_DIVISIONS:
            what = f"{int(value):,} divisions in a quarter note"
            raise self.notices.fault(bar.token, what, f"export it again with at most {MAX_DIVISIONS:,}")
        factor = Fraction(TICKS_PER_QUARTER) / value
        self.factor = int(factor) if factor.denominator == 1 else factor
        self.divisions_given = True

    def _time(self, element: Element, bar: WrittenBar) -> None:
        """Read a meter; figures such as 3+2 over 8, or 3/8 and 2/4 together, are added up."""
        if element.find("senza-misura") is not None:
            self.full = 0
            return
        uppers = [text_of(child) for child in element if child.tag == "beats"]
        lowers = [whole(child.text) for child in element if child.tag == "beat-type"]
        total, unit = Fraction(0), 1
        for upper, lower in zip(uppers, lowers, strict=False):
            counts = [whole(count) for count in upper.split("+")]
            beats = sum(count or 0 for count in counts)
            if not lower or lower < 1 or WHOLE_TICKS % lower or not 0 < beats <= MAX_BEATS or None in counts:
                break
            total += Fraction(beats, lower)
            unit = unit * lower // gcd(unit, lower)
        else:
            if total and len(uppers) == len(lowers) and total * 4 <= MAX_BAR_QUARTERS:
                self.beats, self.beat_unit = int(total * unit), unit
                self.full = int(total * WHOLE_TICKS)
                return
        meter = " ".join(f"{upper}/{text_of(element, 'beat-type')}" for upper in uppers)[:30] or "none"
        raise self.notices.fault(
            bar.token, f"a time signature of {meter}", "give it as beats over 2, 4, 8 or 16"
        )

    def _key(self, element: Element) -> None:
        fifths = whole(text_of(element, "fifths") or "0")
        self.fifths = fifths if fifths is not None and abs(fifths) <= MAX_FIFTHS else 0
        if not self.part.bars[1:] and not self.part.mode:
            self.part.mode = text_of(element, "mode")[:20].lower()

    def _clef(self, element: Element) -> None:
        sign = text_of(element, "sign").upper()
        staff = whole(element.get("number", "1")) or 1
        if sign == "TAB":
            self.part.tab_staves.add(staff)
            return
        octaves = whole(text_of(element, "clef-octave-change")) or 0
        if octaves:
            self.part.octave_said = True
        if sign in ("F", "C", "PERCUSSION"):
            self.part.plain_treble = False

    def _transpose(self, element: Element) -> None:
        chromatic = decimal(text_of(element, "chromatic") or "0") or Fraction(0)
        octaves = whole(text_of(element, "octave-change") or "0") or 0
        doubled = element.find("double")
        if doubled is not None:
            octaves += 1 if doubled.get("above") == "yes" else -1
        semitones = round(chromatic) + 12 * octaves
        staff = whole(element.get("number", "0")) or 0
        self.transpose[staff] = semitones if abs(semitones) <= 48 else 0
        self.respelt[staff] = fifths_of(self.transpose[staff], whole(text_of(element, "diatonic")))
        self.part.octave_said = True
        self.part.transposed = semitones

    def _staff_details(self, element: Element) -> None:
        """Read strings and capo; line 1 is the lowest, which is the highest-numbered string."""
        lines = whole(text_of(element, "staff-lines")) or 0
        tunings = element.findall("staff-tuning")
        staff = whole(element.get("number", "1")) or 1
        capo = whole(text_of(element, "capo"))
        if capo is not None and 0 <= capo <= 12:
            self.part.capo = capo
        if not tunings:
            if staff in self.part.tab_staves and 4 <= lines <= 12:
                self.part.lines = lines
            return
        pitches = {whole(tuning.get("line")) or 0: tuning_pitch(tuning) for tuning in tunings}
        strings = max(lines, *pitches)
        if not 1 <= strings <= 12 or min(pitches) < 1 or None in pitches.values():
            self.notices.add("A staff tuning that cannot be read is passed over")
            return
        self.part.lines = strings
        self.part.tuning_lines = {strings + 1 - line: p for line, p in pitches.items() if p is not None}


def fifths_of(semitones: int, steps: int | None) -> int | None:
    """Return how far a transposition moves notes on the line of fifths; None where that is not told.

    Each fifth up is seven semitones and four steps: ``fifths = 7 · semitones − 12 · steps``, octaves apart.
    """
    if semitones % 12 == 0:
        return 0
    if steps is None:
        return None
    fifths = 7 * (semitones % 12) - 12 * (steps % 7)
    return fifths if abs(fifths) <= MOST_FIFTHS else None


def tuning_pitch(element: Element) -> int | None:
    """Return the MIDI pitch of a ``staff-tuning`` or ``accord``, or None."""
    step = text_of(element, "tuning-step").upper()
    octave = whole(text_of(element, "tuning-octave"))
    alter = decimal(text_of(element, "tuning-alter") or "0")
    if step not in STEP_SEMITONES or octave is None or alter is None or not 0 <= octave <= 8:
        return None
    return STEP_SEMITONES[step] + round(alter) + 12 * (octave + 1)
