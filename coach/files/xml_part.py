"""One part of a MusicXML file, bar by bar: notes, rests and where they stand.

The place within a bar is kept exactly (as a fraction where the file's divisions ask for it) and rounded to
whole ticks only when a note is stored, so that odd divisions never add up to a drift.
"""

from __future__ import annotations

from fractions import Fraction
from xml.etree.ElementTree import Element

from coach.core.pitch import STEP_SEMITONES
from coach.core.score import TICKS_PER_QUARTER
from coach.core.spelling import LINE
from coach.files.limits import MAX_BAR_QUARTERS, MAX_VOICE, MAX_WRITTEN_BARS
from coach.files.written import Notices, Part, Ticks, WrittenBar, WrittenNote
from coach.files.xml_attributes import Attributes
from coach.files.xml_marks import BEAT_UNITS, MarkReader
from coach.files.xml_tree import decimal, text_of, whole

MAX_BAR_TICKS = MAX_BAR_QUARTERS * TICKS_PER_QUARTER
STEMS = {"up": 1, "down": -1}
PLUCKS = {"p": 1, "i": 2, "m": 3, "a": 4}
MAX_FRET = 36  # a fret beyond any fingerboard is damage
UNUSED = frozenset(  # measure contents that say nothing about what is played when
    ("harmony", "figured-bass", "print", "grouping", "link", "bookmark", "listening")
)


def read_part(element: Element, notices: Notices) -> Part:
    """Return one ``part`` element, read.

    Raises ScoreError, naming the bar, for lengths that cannot be.
    """
    return _PartReader(notices).read(element)


class _PartReader:
    def __init__(self, notices: Notices) -> None:
        self._notices = notices
        self._part = Part()
        self._attributes = Attributes(self._part, notices)
        self._marks = MarkReader(self._part, notices)
        self._voices: dict[str, int] = {}
        self._bar = WrittenBar(Element("measure"), "", False)
        self._at: Ticks = 0
        self._chord_at: Ticks = 0  # onset of the last note: where a chord member stands
        self._last: WrittenNote | None = None
        self._short_reach = False  # a voice stopped short of the bar's end

    def read(self, element: Element) -> Part:
        for number, measure in enumerate(element.findall("measure")):
            if number >= MAX_WRITTEN_BARS:
                what = f"more than {MAX_WRITTEN_BARS:,} written bars"
                raise self._notices.fault("", what, "give one piece a file")
            self._measure(measure)
        for bar, signs in zip(self._part.bars, self._marks.finish(), strict=True):
            bar.signs = signs
        return self._part

    def _measure(self, element: Element) -> None:
        token = (element.get("number") or "").strip()
        bar = WrittenBar(element, token or str(len(self._part.bars) + 1), element.get("implicit") == "yes")
        self._bar, self._at, self._chord_at, self._last, self._short_reach = bar, 0, 0, None, False
        self._part.bars.append(bar)
        self._attributes.begin(bar)
        self._marks.begin()
        for child in element:
            tag = child.tag
            if tag == "note":
                self._note(child)
            elif tag == "backup":
                self._check_reach()
                self._move(-self._length(child))
            elif tag == "forward":
                self._move(self._length(child))
            elif tag == "direction":
                offset = self._offset(child)
                bar.content.append((max(round(self._at) + offset, 0), child))
                self._marks.direction(child, bar, round(self._at), offset)
            elif tag == "attributes":
                bar.content.append((round(self._at), child))
                self._attributes.read(child, bar, round(self._at))
            elif tag == "barline":
                bar.content.append((round(self._at), child))
                self._marks.barline(child, bar)
            elif tag == "sound":
                self._marks.sound(child, bar, round(self._at) + self._offset(child))
            elif tag not in UNUSED:
                self._notices.add(f"The unknown element <{tag[:30]}> is passed over", bar.token)
        self._check_reach()
        self._marks.end(bar)
        if self._short_reach and bar.extent >= bar.full:
            self._notices.add("A voice does not fill its bar: the rest of it is read as silence", bar.token)

    def _check_reach(self) -> None:
        if self._last is not None and round(self._at) < self._bar.full:
            self._short_reach = True

    def _offset(self, element: Element) -> int:
        offset = decimal(text_of(element, "offset") or "0")
        ticks = round(self._attributes.factor * offset) if offset is not None else 0
        return max(-MAX_BAR_TICKS, min(ticks, MAX_BAR_TICKS))

    def _length(self, element: Element) -> Ticks:
        """Return the ``duration`` of an element, in ticks."""
        text = text_of(element, "duration")
        if text.isdecimal() and len(text) < 9:
            return int(text) * self._attributes.factor
        length = decimal(text)
        if length is None:
            raise self._fault(f"a <{element.tag}> with the duration “{text[:20]}”", "give it a number")
        if length < 0:
            raise self._fault(f"a <{element.tag}> of negative length", "give it a positive duration")
        ticks = length * self._attributes.factor
        return int(ticks) if ticks.denominator == 1 else ticks

    def _move(self, ticks: Ticks) -> None:
        self._at += ticks
        if self._at < 0:
            self._notices.add("A backup goes beyond the beginning of its bar: it ends there", self._bar.token)
            self._at = 0
        if self._at > MAX_BAR_TICKS:
            what = f"more than {MAX_BAR_QUARTERS} quarter notes in one bar"
            raise self._fault(what, "check its durations, or divide it")
        if ticks > 0:
            self._bar.extent = max(self._bar.extent, round(self._at))

    def _fault(self, what: str, remedy: str) -> Exception:
        return self._notices.fault(self._bar.token, what, remedy)

    def _note(self, element: Element) -> None:
        note = WrittenNote(element, len(self._part.bars) - 1, 0, 0)
        voice = ""
        timed = False
        steps: Element | None = None
        for child in element:
            tag = child.tag
            if tag == "pitch":
                steps = child
            elif tag == "duration":
                timed = True
            elif tag == "voice":
                voice = (child.text or "").strip()
            elif tag == "stem":
                note.stem = STEMS.get((child.text or "").strip(), 0)
            elif tag == "chord":
                note.chord = True
            elif tag == "rest":
                note.rest = True
            elif tag == "staff":
                note.staff = min(max(whole(child.text) or 1, 1), 8)
            elif tag == "tie":
                self._tie(note, child.get("type"))
            elif tag == "notations":
                self._notations(note, child)
            elif tag == "grace":
                note.grace = True
            elif tag == "cue" or tag == "unpitched" or (tag == "notehead" and text_of(child) == "slash"):
                note.silent = True
        last = self._last
        if note.chord and (last is None or last.rest):
            self._notices.add("A chord note without a note before it is read by itself", self._bar.token)
            note.chord = False
        if note.chord and last is not None:
            note.stem = note.stem or last.stem
            note.voice = last.voice
        if voice or not note.chord:
            note.voice = self._voice(voice)
        self._place(note, timed)
        if steps is not None and not note.rest:
            note.pitch, note.place = self._pitch(steps, note.staff)
        elif not note.rest:
            note.silent = True
        if element.get("print-object") == "no" and not note.rest and not note.tie_stop:
            note.silent = True
            self._notices.add("Hidden notes are not asked of the player", self._bar.token)
        self._bar.notes.append(note)
        self._bar.content.append((note.onset, element))
        self._last = note
        self._marks.note_passed()

    def _place(self, note: WrittenNote, timed: bool) -> None:
        """Give a note its onset and duration, and move on past it."""
        if note.grace:
            note.onset = round(self._at)
            if not note.chord:
                self._chord_at = self._at
            return
        if timed:
            ticks = self._length(note.element)
        else:
            ticks = self._length_of_type(note.element)
        if ticks <= 0:
            raise self._fault("a note or rest of no length that is no grace note", "give it a duration")
        if not self._attributes.divisions_given:
            self._attributes.divisions_given = True
            self._notices.add("The file gives no divisions: a duration of 1 is read as a quarter note")
        start = self._chord_at if note.chord else self._at
        if note.rest and note.element.find("rest[@measure='yes']") is not None and self._bar.full:
            ticks = min(ticks, max(self._bar.full - start, 1))
        note.onset = round(start)
        note.duration = max(round(start + ticks) - note.onset, 1)
        if note.chord:
            self._bar.extent = max(self._bar.extent, min(note.onset + note.duration, MAX_BAR_TICKS))
        else:
            self._chord_at = self._at
            self._move(ticks)

    def _length_of_type(self, element: Element) -> Ticks:
        """Return the length its printed shape gives a note that has no ``duration``."""
        unit = BEAT_UNITS.get(text_of(element, "type"))
        if unit is None:
            if element.find("rest") is not None and self._bar.full:
                return self._bar.full
            raise self._fault("a note without a duration", "give it one")
        dots = min(len(element.findall("dot")), 4)
        actual = whole(text_of(element, "time-modification/actual-notes")) or 1
        normal = whole(text_of(element, "time-modification/normal-notes")) or 1
        self._notices.add("Notes without a duration get the one their shape says", self._bar.token)
        length = unit * (2 - Fraction(1, 2**dots)) * max(normal, 1) / max(actual, 1) * TICKS_PER_QUARTER
        return int(length) if length.denominator == 1 else length

    def _pitch(self, element: Element, staff: int) -> tuple[int, int | None]:
        """Return the sounding pitch and its spelling: the written ones plus the part's transposition."""
        step, octave_text, alter_text = "", "", ""
        for child in element:
            if child.tag == "step":
                step = (child.text or "").strip()
            elif child.tag == "octave":
                octave_text = child.text or ""
            elif child.tag == "alter":
                alter_text = child.text or ""
        octave = whole(octave_text)
        alter = whole(alter_text) if alter_text else 0
        if alter is None:
            exact = decimal(alter_text)
            if exact is not None and exact.denominator != 1:
                self._notices.add("Quarter tones are read as the nearest semitone", self._bar.token)
            alter = round(exact) if exact is not None else None
        if step not in STEP_SEMITONES or octave is None or alter is None or abs(alter) > 4:
            what = f"a pitch of “{step[:8]}” with octave “{octave_text.strip()[:8]}”"
            raise self._fault(what, "give a step from A to G and an octave from 0 to 9")
        pitch = STEP_SEMITONES[step] + alter + 12 * (octave + 1) + self._attributes.semitones(staff)
        if not 0 <= pitch <= 127:
            raise self._fault(f"the pitch {step}{octave} lies outside the MIDI range", "check its octave")
        moved = self._attributes.fifths_moved(staff)
        return pitch, None if moved is None else LINE.index(step) - 1 + 7 * alter + moved

    def _voice(self, name: str) -> int:
        """Return the number of a voice; names that are no small number get the next free ones."""
        if name not in self._voices:
            number = whole(name or "1")
            if number is None or not 1 <= number <= MAX_VOICE:
                taken = set(self._voices.values())
                number = next((n for n in range(1, MAX_VOICE) if n not in taken), MAX_VOICE)
            self._voices[name] = number
        return self._voices[name]

    @staticmethod
    def _tie(note: WrittenNote, kind: str | None) -> None:
        note.tie_start |= kind in ("start", "continue")
        note.tie_stop |= kind in ("stop", "continue")
        note.let_ring |= kind == "let-ring"

    def _notations(self, note: WrittenNote, element: Element) -> None:
        for child in element:
            if child.tag == "tied":
                self._tie(note, child.get("type"))
            elif child.tag == "fermata":
                note.fermata = True
            elif child.tag == "technical":
                for mark in child:
                    self._technical(note, mark.tag, mark)

    @staticmethod
    def _technical(note: WrittenNote, tag: str, mark: Element) -> None:
        text = (mark.text or "").strip()
        number = whole(text)
        if tag == "string":
            note.string = number if number is not None and 1 <= number <= 12 else 0
        elif tag == "fret":
            note.fret = number if number is not None and 0 <= number <= MAX_FRET else -1
        elif tag == "open-string":
            note.fret = 0
        elif tag == "fingering" and text.lower() in PLUCKS:
            note.pluck = PLUCKS[text.lower()]
        elif tag == "fingering" and mark.get("substitution") != "yes" and mark.get("alternate") != "yes":
            note.finger = number if number is not None and 1 <= number <= 4 else note.finger
        elif tag == "pluck":
            note.pluck = PLUCKS.get(text[:1].lower(), 0)
