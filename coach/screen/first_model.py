"""What the first page lists, where the focus is, and what a key or click asks for.  No pygame here.

Two columns, scores and takes, each with a row that is remembered while the other has the focus.  A column
without rows can not be entered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from coach.screen import first_words as said


class Column(Enum):
    """The two lists."""

    SCORES = "scores"
    TAKES = "takes"


class Act(Enum):
    """What the page cannot do by itself."""

    PLAY = "play"
    DRILL = "drill"
    PREPARE = "prepare"
    STUDIO = "studio"
    LOOK_BACK = "look back"
    OTHER_PORT = "other port"
    CALIBRATE = "calibrate"
    LEAVE_CALIBRATION = "leave calibration"
    LEAVE = "leave"


class Key(Enum):
    """What a key, a pedal or the mouse says, whatever the keyboard."""

    UP = "up"
    DOWN = "down"
    LEFT = "left"
    RIGHT = "right"
    TAB = "tab"
    HOME = "home"
    END = "end"
    ENTER = "enter"
    NEXT = "next"  # a pedal's page forward: on through both columns
    OPEN = "open"  # a pedal's page back: open what has the focus
    PLAY = "p"
    DRILL = "d"
    PREPARE = "m"
    STUDIO = "s"
    LOOK_BACK = "b"
    OTHER_PORT = "g"
    CALIBRATE = "c"
    HELP = "help"
    ESCAPE = "escape"


@dataclass(frozen=True, slots=True)
class Entry:
    """One row: a score or a take."""

    path: Path
    title: str
    note: str = ""  # of a take: when it was played
    digest: str = ""  # of a take: SHA-256 of its score's file, "" where not known


@dataclass(frozen=True, slots=True)
class Spot:
    """What a place on the page stands for when it is clicked."""

    column: Column | None = None
    row: int = 0
    key: Key | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """Something for the program to do; ``entry`` is what it is done to."""

    act: Act
    entry: Entry | None = None


DOES = {
    Key.PLAY: (Column.SCORES, Act.PLAY),
    Key.DRILL: (Column.SCORES, Act.DRILL),
    Key.PREPARE: (Column.SCORES, Act.PREPARE),
    Key.STUDIO: (Column.SCORES, Act.STUDIO),
    Key.LOOK_BACK: (Column.TAKES, Act.LOOK_BACK),
}
OPENS = {Column.SCORES: Act.PLAY, Column.TAKES: Act.LOOK_BACK}


class FirstModel:
    """The one owner of what the first page shows."""

    def __init__(
        self, scores: Sequence[Entry] = (), takes: Sequence[Entry] = (), *, strings: int = 6
    ) -> None:
        self.strings = strings
        self.column = Column.SCORES
        self.helping = False
        self.calibrating = False  # its sentences are the message, and Escape leaves it
        self.message = ""  # a fault or an answer, until the next key
        self.today, self.today_title = "", ""  # what to practise, and the piece it was heard in
        self.port_state, self.port_text = "", ""
        self.one_channel: int | None = None  # the MIDI channel that carries all strings, where one does
        self._sounding: frozenset[int] = frozenset()
        self._answered: frozenset[int] = frozenset()
        self._lists: dict[Column, tuple[Entry, ...]] = dict.fromkeys(Column, ())
        self._rows: dict[Column, int] = dict.fromkeys(Column, 0)
        self.refill(scores, takes)

    # --- what is listed -------------------------------------------------------------------------

    def refill(self, scores: Sequence[Entry], takes: Sequence[Entry]) -> None:
        """List other rows; the focus stays on what it was on where that is still listed."""
        for column, entries in ((Column.SCORES, scores), (Column.TAKES, takes)):
            before = self.chosen(column)
            self._lists[column] = tuple(entries)
            paths = [entry.path for entry in entries]
            row = paths.index(before.path) if before is not None and before.path in paths else 0
            self._rows[column] = row
        self._settle()

    def entries(self, column: Column) -> tuple[Entry, ...]:
        """The rows of a column."""
        return self._lists[column]

    def row(self, column: Column) -> int:
        """The row of a column that has, or last had, the focus; 0 in an empty column."""
        return self._rows[column]

    def chosen(self, column: Column) -> Entry | None:
        """The entry in that row."""
        entries = self._lists[column]
        return entries[self._rows[column]] if entries else None

    @property
    def focus(self) -> Entry | None:
        """What a key acts on; None on a page without any row."""
        return self.chosen(self.column)

    def focus_on(self, column: Column, path: Path) -> None:
        """Move the focus to a file, if it is listed."""
        for row, entry in enumerate(self._lists[column]):
            if entry.path == path:
                self.column, self._rows[column] = column, row

    @property
    def state(self) -> tuple[object, ...]:
        """Everything the page shows, to be compared: an equal state needs no drawing."""
        return (
            *self._lists.values(), *self._rows.values(), self.column, self.helping, self.message, self.today,
            self.today_title, self.port_state, self.port_text, self.sounding, self.answered, self.one_channel,
        )  # fmt: skip

    # --- what is heard --------------------------------------------------------------------------

    def hear(self, string: int, on: bool) -> None:
        """Take in that a string began or ceased to sound."""
        if not 1 <= string <= self.strings:
            return
        if on:
            self._sounding |= {string}
            self._answered |= {string}
        else:
            self._sounding -= {string}

    def hear_port(self, state: str, text: str) -> None:
        """Take in how the port stands; nothing sounds at a port that is not open."""
        self.port_state, self.port_text = state, text
        if state != "open":
            self._sounding = self._answered = frozenset()
            self.one_channel = None

    @property
    def sounding(self) -> frozenset[int]:
        """The strings that sound now; none where one channel carries all, for nobody knows which."""
        return frozenset() if self.one_channel else self._sounding

    @property
    def answered(self) -> frozenset[int]:
        """The strings that have been heard since the port was opened; none as above."""
        return frozenset() if self.one_channel else self._answered

    @property
    def port_words(self) -> str:
        """How the guitar stands, in plain words."""
        return said.port_words(self.port_state, self.port_text, bool(self.answered), self.one_channel)

    # --- what is asked --------------------------------------------------------------------------

    def press(self, key: Key) -> Choice | None:
        """Take a key; return what the program must do, if anything."""
        if self.helping:  # any key puts the sheet away
            self.helping = False
            return None
        if self.calibrating:  # hands are on the guitar: nothing but leaving it is meant
            return Choice(Act.LEAVE_CALIBRATION) if key is Key.ESCAPE else None
        if key is Key.ESCAPE and self.message:
            self.message = ""
            return None
        self.message = ""
        if key is Key.HELP:
            self.helping = True
        elif key is Key.ESCAPE:
            return Choice(Act.LEAVE)
        elif key is Key.OTHER_PORT:
            return Choice(Act.OTHER_PORT)
        elif key is Key.CALIBRATE:
            return Choice(Act.CALIBRATE)
        elif key in (Key.ENTER, Key.OPEN):
            return self._asked(OPENS[self.column])
        elif key in DOES:
            column, act = DOES[key]
            if self._lists[column]:
                self.column = column
                return self._asked(act)
        else:
            self._move(key)
        return None

    def click(self, spot: Spot) -> Choice | None:
        """Take a click: a row gets the focus, the row that has it is opened, a word does what it says."""
        if self.helping:
            self.helping = False
            return None
        if spot.key is not None:
            return self.press(spot.key)
        if self.calibrating:
            return None
        if spot.column is None or not 0 <= spot.row < len(self._lists[spot.column]):
            return None
        if (spot.column, spot.row) == (self.column, self._rows[self.column]):
            return self.press(Key.ENTER)
        self.message = ""
        self.column, self._rows[spot.column] = spot.column, spot.row
        return None

    def _asked(self, act: Act) -> Choice | None:
        entry = self.focus
        return None if entry is None else Choice(act, entry)

    def _move(self, key: Key) -> None:
        last = len(self._lists[self.column]) - 1
        row = self._rows[self.column]
        other = Column.TAKES if self.column is Column.SCORES else Column.SCORES
        match key:
            case Key.UP:
                self._rows[self.column] = max(row - 1, 0)
            case Key.DOWN:
                self._rows[self.column] = max(min(row + 1, last), 0)
            case Key.HOME:
                self._rows[self.column] = 0
            case Key.END:
                self._rows[self.column] = max(last, 0)
            case Key.TAB:
                self.column = other
            case Key.LEFT:
                self.column = Column.SCORES
            case Key.RIGHT:
                self.column = Column.TAKES
            case Key.NEXT if row < last:
                self._rows[self.column] = row + 1
            case Key.NEXT:
                if self._lists[other]:
                    self.column = other
                self._rows[self.column] = 0
        self._settle()

    def _settle(self) -> None:
        """Leave a column that has no rows, where the other has some."""
        if not self._lists[self.column]:
            self.column = next((column for column in Column if self._lists[column]), self.column)
