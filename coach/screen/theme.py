"""The look in numbers: two pages (day, night), and sizes from the distance the page is read from.

Paper, ink and pencil.  The two working colours are those of a teacher's two-ended pencil: blue for "as
written", vermilion for "rang on"; both are Okabe and Ito's (2008), darkened or lightened until they carry
text on their page.  No state is told by colour alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

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
LEAST_PAGE = 360.0  # minutes of arc: one system with its strip, title and foot
NUMBER_ROOM = 31.0  # minutes of arc: a digit of 20, its ring, and air
SIGNS_OF_A_BAR = 250.0  # minutes of arc: two stops with their ways


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours of one page, RGB."""

    paper: Colour
    ink: Colour
    pencil: Colour  # graphite: provisional marks, a teacher's remarks
    faint: Colour  # hairlines of written lengths
    written: Colour  # "as written"
    rang: Colour  # "rang on"


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


@dataclass(frozen=True, slots=True)
class Sizes:
    """Every measure of the page in pixels, from the window's size and the reading distance."""

    width: int
    height: int
    minute: float  # pixels to one minute of arc
    space: float  # between two staff lines
    growth: float = 1.0  # how much larger the music is than it must be: a short chunk with room
    most_bars: int = MOST_BARS  # on a line

    @classmethod
    def of(
        cls,
        width: int,
        height: int,
        reading: Reading = USUAL_READING,
        *,
        staff_spaces: float = 14.0,
        rows: int = 3,
    ) -> Sizes:
        """Return the measures for a window that fills the height of its screen.

        ``staff_spaces`` is how far the music reaches from its highest to its lowest sign, ``rows`` how many
        strings have a row under it; where two systems would only just not fit, the staff becomes a little
        smaller (never under ``LEAST_STAFF_SPACE``).  A window too narrow for its height is measured by its
        width.
        """
        tall = min(height, width * 0.72)
        minute = height_mm(reading.text, reading.distance_m) * tall / reading.screen_mm
        minute = min(minute, tall / LEAST_PAGE)  # beyond this a larger screen is the only remedy
        trial = cls(width, height, minute, STAFF_SPACE * minute)
        two = ((trial.body_height - 3 * trial.least_gap) / 2 - trial.strip_height(rows)) / staff_spaces
        space = min(max(two, LEAST_STAFF_SPACE * minute), STAFF_SPACE * minute)
        return cls(width, height, minute, max(round(space * 4) / 4, 3.0))

    def scaled(self, factor: float) -> Sizes:
        """Return the measures for everything larger, in the same window."""
        space = round(self.space * factor * 4) / 4
        return replace(self, minute=self.minute * factor, space=space, growth=self.growth * factor)

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
        return max(min(3, int(self.music_width / self.px(SIGNS_OF_A_BAR))), 1)

    @property
    def music_width(self) -> int:
        """Width of a system."""
        return self.width - 2 * self.margin - self.label_room

    @property
    def row(self) -> int:
        """Height of one string's row: its number, and a little air."""
        return round(self.px(21.5))

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
        return round(self.px(18))

    @property
    def number_room(self) -> float:
        """What a bar's number and its ring need above the staff."""
        return self.px(NUMBER_ROOM)

    @property
    def head(self) -> int:
        """Height of the title's line."""
        return round(self.px(23) / self.growth)

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
