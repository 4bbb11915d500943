"""The look in numbers: two pages (day, night), and sizes from the distance the page is read from.

Paper, ink and pencil.  The two working colours are those of a teacher's two-ended pencil: blue for "as
written", vermilion for "rang on"; both are Okabe and Ito's (2008), darkened or lightened until they carry
text on their page.  No state is told by colour alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import IntEnum

from coach.screen.lines import MOST_BARS

Colour = tuple[int, int, int]

READING_DISTANCE_M = 2.0  # hands on the guitar, the screen behind the music stand
SCREEN_HEIGHT_MM = 300.0  # a 24-inch 16:9 screen; the system does not tell reliably
ESSENTIAL = 20.0  # minutes of arc; ISO 9241-3 prefers 20 to 22, its minimum is 16
ORDINARY = 16.0
QUIET = 16.0  # facts that are looked up, not read while playing; nothing is smaller than ISO's minimum
# One staff space.  A staff of four is then 34 minutes: a printed guitar score on a stand (7 mm staff at
# 0.7 m) fills as much of the eye.
STAFF_SPACE = 8.6
LEAST_STAFF_SPACE = 6.5
LEAST_PAGE = 360.0  # minutes of arc: one system with its strip, title and foot, and nothing left out
# Where the window has less than that, the page becomes lean.  So much it needs at its leanest: one system of
# ``LEAN_SPACES`` with its strip of three rows, and one sentence.  Below that the text shrinks.
LEAST_LEAN = 255.0
LEAN_SPACES = 14.0  # staff spaces from the music's highest to its lowest sign
LEAN_STAFF_SPACE = 5.5  # minutes of arc: the smallest staff of a lean page, if its music reaches far
SHARED_LINE = 560.0  # minutes of arc: the width at which the foot has room for a sentence and the facts
NARROWEST = 0.72  # height of a whole page to its width, at most
LEAN_NARROWEST = 0.8  # … of a lean page: a screen of 5:4
LABEL_ROW = 15.0  # minutes of arc kept for labels of stops that stand above their signs
NUMBER_ROOM = 31.0  # minutes of arc: a digit of 20, its ring, and air
ROW = 21.5  # minutes of arc: a string's number, and a little air
DRIFT_LANE, LEAN_DRIFT_LANE = 18.0, 9.0  # minutes of arc: slopes with their words, slopes alone
HEAD, LEAN_HEAD = 23.0, 3.0  # minutes of arc: the title's line, blank alone
SIGNS_OF_A_BAR = 250.0  # minutes of arc: two stops with their ways
LEAN_BAR = 150.0  # … with their letters


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours of one page, RGB."""

    paper: Colour
    ink: Colour
    pencil: Colour  # graphite: provisional marks, a teacher's remarks
    faint: Colour  # hairlines of written lengths
    written: Colour  # "as written"
    rang: Colour  # "rang on"


# What stands on the page at home.
DAY = Palette(
    paper=(0xFB, 0xF8, 0xF1),
    ink=(0x1B, 0x1B, 0x1B),
    pencil=(0x5F, 0x5B, 0x55),
    faint=(0x8A, 0x85, 0x7C),
    written=(0x00, 0x68, 0xA6),
    rang=(0xB8, 0x45, 0x00),
)
NIGHT = Palette(
    paper=(0x19, 0x18, 0x17),
    ink=(0xED, 0xE8, 0xDC),
    pencil=(0xB0, 0xAA, 0x9E),
    faint=(0x7A, 0x75, 0x6C),
    written=(0x56, 0xB4, 0xE9),
    rang=(0xF5, 0x8A, 0x45),
)
# What stands before a class, on a projector or a large screen: text 7 to 1, marks 4.5 to 1 (WCAG 2.x, AAA).
BOARD_DAY = Palette(
    paper=(0xFF, 0xFF, 0xFF),
    ink=(0x00, 0x00, 0x00),
    pencil=(0x48, 0x48, 0x48),
    faint=(0x6E, 0x6E, 0x6E),
    written=(0x00, 0x4F, 0x8A),
    rang=(0x94, 0x30, 0x00),
)
BOARD_NIGHT = Palette(
    paper=(0x00, 0x00, 0x00),
    ink=(0xFF, 0xFF, 0xFF),
    pencil=(0xB8, 0xB2, 0xA6),
    faint=(0x8A, 0x85, 0x7B),
    written=(0x5C, 0xB8, 0xF0),
    rang=(0xFF, 0x9A, 0x55),
)


def luminance(colour: Colour) -> float:
    """Return the relative luminance of WCAG 2.x: 0 for black, 1 for white."""

    def linear(value: int) -> float:
        share = value / 255
        return share / 12.92 if share <= 0.04045 else float(((share + 0.055) / 1.055) ** 2.4)

    red, green, blue = (linear(value) for value in colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: Colour, other: Colour) -> float:
    """Return the contrast ratio of WCAG 2.x, 1 to 21: (L1 + 0.05) / (L2 + 0.05), the lighter first."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def height_mm(arc_minutes: float, distance_m: float) -> float:
    """Return how tall a sign must be to fill ``arc_minutes`` of the eye at a distance.

    NUREG-0700: H = 6.283 D MA / 21600, H and D in one unit.
    """
    return 2 * math.pi * distance_m * 1000 * arc_minutes / 21600


def arc_minutes(size_mm: float, distance_m: float) -> float:
    """Return how many minutes of arc a sign fills at a distance; the converse of ``height_mm``."""
    return size_mm * 21600 / (2 * math.pi * distance_m * 1000)


@dataclass(frozen=True, slots=True)
class Reading:
    """Where the page is read from, and how large a person wants it."""

    distance_m: float = READING_DISTANCE_M
    screen_mm: float = SCREEN_HEIGHT_MM  # height of the screen's picture
    text: float = 1.0  # how many times larger than must be


USUAL_READING = Reading()


class Lean(IntEnum):
    """What a page leaves out to keep its text large, in this order: each also means all before it."""

    WHOLE = 0  # nothing
    TITLE = 1
    FACTS = 2  # chunk, tempo and port in the foot; the count stays
    DRIFT = 3  # its words; the slopes stay
    BARS = 4  # of a line, down to one
    STAFF = 5  # its size, down to its least


def furthest_m(width: int, height: int, screen_mm: float, text: float = 1.0) -> float:
    """Return from how far, in metres, a page is read on a screen: at its leanest, 20 minutes of arc × text.

    ``width`` and ``height`` are the window's pixels, ``screen_mm`` the height of the screen it fills.  It is
    reckoned for the usual music (``LEAST_LEAN``); from further away a larger screen is the only remedy.
    """
    tall_mm = screen_mm * min(height, width * LEAN_NARROWEST) / height
    return arc_minutes(tall_mm, 1.0) / (LEAST_LEAN * text)


@dataclass(frozen=True, slots=True)
class Sizes:
    """Every measure of the page in pixels, from the window's size and the reading distance."""

    width: int
    height: int
    minute: float  # pixels to one minute of arc
    space: float  # between two staff lines
    growth: float = 1.0  # how much larger the music is than it must be: a short chunk with room
    most_bars: int = MOST_BARS  # on a line
    lean: Lean = Lean.WHOLE
    holds: float = ESSENTIAL  # minutes of arc an essential sign really has: 20 × text when all is well

    @classmethod
    def of(
        cls,
        width: int,
        height: int,
        reading: Reading = USUAL_READING,
        *,
        staff_spaces: float = 14.0,
        rows: int = 3,
        by_width: bool = True,
    ) -> Sizes:
        """Return the measures for a window that fills the height of its screen.

        ``staff_spaces`` is how far the music reaches from its highest to its lowest sign, ``rows`` how many
        strings have a row under it; where two systems would only just not fit, the staff becomes a little
        smaller (never under ``LEAST_STAFF_SPACE``).  A window that is too small for a whole page has a lean
        one (``Lean``); its text shrinks only where even that is too large.  In a window too narrow for its
        height all of it is smaller where ``by_width`` asks for it: what is no page of music has no other way.
        """
        wanted = height_mm(reading.text, reading.distance_m) * height / reading.screen_mm
        tall = min(height, width * NARROWEST)
        minute = wanted * (tall / height) if by_width else wanted
        holds = ESSENTIAL * reading.text * (minute / wanted)
        if minute > tall / LEAST_PAGE:
            return cls._lean(width, height, minute, holds, staff_spaces, rows)
        trial = cls(width, height, minute, STAFF_SPACE * minute)
        two = ((trial.body_height - 3 * trial.least_gap) / 2 - trial.strip_height(rows)) / staff_spaces
        space = min(max(two, LEAST_STAFF_SPACE * minute), STAFF_SPACE * minute)
        return cls(width, height, minute, _quarter(space), holds=holds)

    @classmethod
    def _lean(
        cls, width: int, height: int, wanted: float, holds: float, staff_spaces: float, rows: int
    ) -> Sizes:
        """Return the measures of a lean page: what must go goes in the order of ``Lean``, text comes last."""
        tall = min(height, width * LEAN_NARROWEST)
        leanest = LEAST_LEAN + (rows - 3) * ROW
        minute = min(wanted, tall / leanest)
        staff = tall / minute - leanest + LEAN_SPACES * LEAST_STAFF_SPACE  # what is left for it
        full = staff_spaces * STAFF_SPACE
        shared = width >= SHARED_LINE * minute
        lean, space = Lean.STAFF, STAFF_SPACE
        if full + DRIFT_LANE - LEAN_DRIFT_LANE + LABEL_ROW <= staff:
            lean = Lean.TITLE if shared else Lean.FACTS
        elif full + LABEL_ROW <= staff:
            lean = Lean.DRIFT
        elif full <= staff:
            lean = Lean.BARS
        else:
            space = max(staff / staff_spaces, LEAST_STAFF_SPACE)
        holds *= minute / wanted
        return cls(width, height, minute, _quarter(space * minute), lean=lean, holds=holds)

    def scaled(self, factor: float) -> Sizes:
        """Return the measures for everything larger, in the same window."""
        space = _quarter(self.space * factor)
        return replace(self, minute=self.minute * factor, space=space, growth=self.growth * factor)

    def shrunk(self, factor: float) -> Sizes:
        """Return the measures for everything smaller, foot and all: the last resort."""
        space, holds = _quarter(self.space * factor), self.holds * factor
        return replace(self, minute=self.minute * factor, space=space, holds=holds)

    @property
    def plain(self) -> Sizes:
        """The measures without any growth, for title and foot."""
        return replace(self, minute=self.minute / self.growth, space=self.space / self.growth, growth=1.0)

    def px(self, minutes: float) -> float:
        """Return the pixels of so many minutes of arc."""
        return minutes * self.minute

    @property
    def sign(self) -> float:
        """Height of an essential sign: string numbers, damp signs, digits of an overhang."""
        return self.px(ESSENTIAL)

    @property
    def words(self) -> float:
        """Height of capitals and digits in remarks."""
        return self.px(ORDINARY)

    @property
    def quiet(self) -> float:
        """Height of capitals in facts that are looked up."""
        return self.px(QUIET)

    @property
    def margin(self) -> int:
        """Blank paper at the left and right."""
        return round(self.px(22))

    @property
    def label_room(self) -> int:
        """More blank at the right: a stop at the last barline has its label there."""
        return round(self.px(26))

    @property
    def fewest_bars(self) -> int:
        """How few bars a line may be brought down to, to give the signs under them room."""
        if self.lean >= Lean.BARS:  # to read ahead in two bars is worth a few ways cut to their letter
            return max(min(2, int(self.music_width / self.px(LEAN_BAR))), 1)
        return max(min(3, int(self.music_width / self.px(SIGNS_OF_A_BAR))), 1)

    @property
    def music_width(self) -> int:
        """Width of a system."""
        return self.width - 2 * self.margin - self.label_room

    @property
    def row(self) -> int:
        """Height of one string's row: its number, and a little air."""
        return round(self.px(ROW))

    @property
    def signs_lane(self) -> int:
        """Height of the lane of damp signs above the rows."""
        return round(self.px(21))

    @property
    def rows_gap(self) -> int:
        """Blank between the lane of damp signs and the uppermost row."""
        return round(self.px(2.5))

    @property
    def drift_lane(self) -> int:
        """Height of the lane of drift slopes and their words below the rows."""
        return round(self.px(DRIFT_LANE if self.lean < Lean.DRIFT else LEAN_DRIFT_LANE))

    @property
    def number_room(self) -> float:
        """What a bar's number and its ring need above the staff."""
        return self.px(NUMBER_ROOM)

    @property
    def head(self) -> int:
        """Height of the title's line."""
        return round(self.px(HEAD if self.lean < Lean.TITLE else LEAN_HEAD) / self.growth)

    @property
    def foot(self) -> int:
        """Height of the foot's line."""
        return round(self.px(30) / self.growth)

    @property
    def least_gap(self) -> int:
        """Least blank between two systems."""
        return round(self.px(5))

    @property
    def body_height(self) -> int:
        """What remains for the systems."""
        return self.height - self.head - self.foot

    def strip_height(self, rows: int) -> int:
        """Return the height of what stands under a staff: damp signs, rows, drift."""
        return rows * self.row + self.signs_lane + self.rows_gap + self.drift_lane


def _quarter(space: float) -> float:
    """Return a staff space in quarters of a pixel, so that no two pages differ by less."""
    return max(round(space * 4) / 4, 3.0)
