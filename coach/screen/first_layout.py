"""Where everything on the first page stands, in pixels, from the page's sizes; nothing is drawn here.

What must be read from the chair (titles, string numbers, how the guitar stands, what to practise) is as tall
as an essential sign; days and keys are remarks; the caution and the keys at the foot are facts that are
looked up.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from coach.core.words import HAND_CARE
from coach.screen import first_words as said
from coach.screen.first_model import Column, Entry, FirstModel, Key, Spot
from coach.screen.first_shapes import FirstLayout, Line, Number, Place, Stroke, Tone
from coach.screen.theme import ESSENTIAL, ORDINARY, QUIET, Sizes

Measure = Callable[[str, float, bool], float]  # text, height of capitals, pencilled -> width in pixels

# Minutes of arc.
EDGE = 24.0
HEAD_LINE = 27.0  # middle of the string numbers, from the top
NUMBER, NUMBER_STEP = 29.0, 46.0
RULE = 54.0
COLUMN_HEAD = 71.0
FIRST_ROW = 103.0
ROW = 37.0
BELOW = 29.0  # from a title to what stands under it
PAIR = 64.0  # from a title with something under it to the next
GAP = 44.0  # between the columns
HEAD_SPACING = 1.5  # as below, of how the guitar stands
LINE = 1.62  # of a paragraph, in heights of its capitals
FOOT_LINE = 17.0
KEY_GAP, KEYS_GAP = 0.6, 1.7  # after a key, after its word; in heights of its capitals
FOOT_KEYS = (Key.ENTER, Key.TAB, Key.HELP, Key.ESCAPE)
REMARKS_MOST = 4  # lines of what to practise, before it is written smaller


def lay_out(model: FirstModel, sizes: Sizes, measure: Measure) -> FirstLayout:
    """Return the page for what a model shows now."""
    hand = _Hand(sizes, measure)
    if model.helping:
        _help(hand)
        return hand.page
    _head(hand, model)
    bottom = _foot(hand, model)
    middle = sizes.width / 2
    for column in Column:
        left = hand.edge if column is Column.SCORES else middle + hand.px(GAP) / 2
        right = middle - hand.px(GAP) / 2 if column is Column.SCORES else sizes.width - hand.edge
        _column(hand, model, column, left, right, bottom)
    return hand.page


class _Hand:
    """Writes onto a layout."""

    def __init__(self, sizes: Sizes, measure: Measure) -> None:
        self.sizes, self._measure = sizes, measure
        self.page = FirstLayout()
        self.px = sizes.px
        self.edge = self.px(EDGE)

    def width(self, text: str, height: float, hand: bool = False) -> float:
        return self._measure(text, height, hand)

    def write(
        self, text: str, x: float, y: float, height: float, tone: Tone = "ink", *, hand: bool = False
    ) -> Line:
        line = Line(text, x, y, height, tone, hand, self.width(text, height, hand))
        self.page.lines.append(line)
        return line

    def cut(self, text: str, height: float, room: float, hand: bool = False) -> str:
        """Return as much of a text as fits, an ellipsis at its end where it is not all."""
        if self.width(text, height, hand) <= room:
            return text
        while text and self.width(text + "…", height, hand) > room:
            text = text[:-1]
        return text.rstrip() + "…"

    def wrapped(self, text: str, height: float, room: float, hand: bool = False) -> list[str]:
        """Return a text's lines, none wider than ``room``."""
        lines: list[str] = []
        line = ""
        for word in text.split():
            longer = f"{line} {word}" if line else word
            if line and self.width(longer, height, hand) > room:
                lines.append(line)
                line = word
            else:
                line = longer
        return [self.cut(one, height, room, hand) for one in (*lines, line) if one]

    def place(self, box: tuple[float, float, float, float], spot: Spot) -> None:
        self.page.places.append(Place(box, spot))

    def keys_width(self, pairs: Sequence[tuple[tuple[str, str], Key]], height: float) -> float:
        """Return how wide ``keys`` will write."""
        written = sum(self.width(text, height) for pair, _ in pairs for text in pair)
        return written + len(pairs) * height * KEY_GAP + (len(pairs) - 1) * height * KEYS_GAP

    def keys(
        self,
        pairs: Sequence[tuple[tuple[str, str], Key]],
        x: float,
        y: float,
        height: float,
    ) -> None:
        """Write keys, each with its word, in one line; each can be clicked."""
        for (key, word), meant in pairs:
            left = x
            x += self.write(key, x, y, height).width + height * KEY_GAP
            x += self.write(word, x, y, height, "pencil").width
            self.place((left, y - height * 1.1, x - left, height * 2.2), Spot(key=meant))
            x += height * KEYS_GAP


def _head(hand: _Hand, model: FirstModel) -> None:
    """The guitar: how it stands, and the six numbers that answer."""
    px, sizes = hand.px, hand.sizes
    y = px(HEAD_LINE)
    right = sizes.width - hand.edge - px(NUMBER) / 2
    for string in range(1, model.strings + 1):
        x = right - (string - 1) * px(NUMBER_STEP)
        hand.page.numbers.append(
            Number(string, x, y, px(NUMBER), string in model.sounding, string in model.answered)
        )
    left_of_numbers = right - (model.strings - 1) * px(NUMBER_STEP) - px(NUMBER)
    room = left_of_numbers - hand.edge
    height = px(ESSENTIAL)
    lines = hand.wrapped(model.port_words, height, room)
    if len(lines) > 1:
        height = px(ORDINARY)
        lines = hand.wrapped(model.port_words, height, room)
        lines = [*lines[:1], hand.cut(" ".join(lines[1:]), height, room)]
    top = y - (len(lines) - 1) * (height * HEAD_SPACING / 2 + px(1.0))  # what hangs below stays off the rule
    for i, text in enumerate(lines):
        hand.write(text, hand.edge, top + i * height * HEAD_SPACING, height)
    rule = px(RULE)
    hand.page.strokes.append(Stroke((hand.edge, rule), (sizes.width - hand.edge, rule), px(1.0), "rule"))


def _foot(hand: _Hand, model: FirstModel) -> float:
    """What to practise (or what there is to say), the caution and the keys; return where they begin."""
    px, sizes = hand.px, hand.sizes
    room = sizes.width - 2 * hand.edge
    quiet = px(QUIET)
    y = sizes.height - px(FOOT_LINE)
    keys = [*zip(said.FOOT, FOOT_KEYS, strict=True)]
    if not (model.answered or model.one_channel):  # where the guitar answers, nobody looks for another port
        keys.append((said.OTHER_PORT, Key.OTHER_PORT))
    else:
        keys.append((said.CALIBRATE, Key.CALIBRATE))
    while len(keys) > 2 and hand.keys_width(keys, quiet) > room:
        del keys[1]  # it stands on the sheet of keys too
    hand.keys(keys, hand.edge, y, quiet)
    care = hand.wrapped(HAND_CARE, quiet, room)
    y -= quiet * 2.1 + (len(care) - 1) * quiet * LINE
    for i, text in enumerate(care):
        hand.write(text, hand.edge, y + i * quiet * LINE, quiet, "pencil")
    text, pencilled = (model.message, False) if model.message else (model.today, True)
    height = px(ESSENTIAL)
    lines = hand.wrapped(text, height, room, pencilled)
    if len(lines) > REMARKS_MOST:
        height = px(ORDINARY)
        lines = hand.wrapped(text, height, room, pencilled)[: REMARKS_MOST + 1]
    y -= quiet * 1.1 + height * 0.9 + (max(len(lines), 1) - 1) * height * LINE
    for i, line in enumerate(lines):
        hand.write(line, hand.edge, y + i * height * LINE, height, hand=pencilled)
    small = px(ORDINARY)
    if not model.message:
        y -= height * 0.5 + small * 1.35
        head = said.TODAY_FROM.format(title=model.today_title) if model.today_title else said.TODAY
        hand.write(hand.cut(head, small, room), hand.edge, y, small, "pencil")
    y -= small * 1.4
    hand.page.strokes.append(Stroke((hand.edge, y), (sizes.width - hand.edge, y), px(1.0), "rule"))
    return y


def _column(hand: _Hand, model: FirstModel, column: Column, left: float, right: float, bottom: float) -> None:
    px = hand.px
    entries, chosen = model.entries(column), model.row(column)
    takes = column is Column.TAKES
    small, tall = px(ORDINARY), px(ESSENTIAL)
    hand.write(said.TAKES if takes else said.SCORES, left, px(COLUMN_HEAD), small, "pencil")
    if not entries:
        words = said.NO_TAKES if takes else said.NO_SCORES
        for i, text in enumerate(hand.wrapped(words, small, right - left)):
            hand.write(text, left, px(FIRST_ROW) + i * small * LINE, small)
        return
    step = px(PAIR) if takes else px(ROW)
    room = bottom - px(FIRST_ROW - ROW / 2) - px(0 if takes else PAIR - ROW)
    fit = max(int(room / step), 1)
    first = max(min(chosen - fit // 2, len(entries) - fit), 0)
    if fit < len(entries):
        place = said.PLACE.format(row=chosen + 1, all=len(entries))
        hand.write(place, right - hand.width(place, small), px(COLUMN_HEAD), small, "pencil")
    y = px(FIRST_ROW)
    for row in range(first, min(first + fit, len(entries))):
        entry = entries[row]
        focused = column is model.column and row == chosen
        line = hand.write(hand.cut(entry.title, tall, right - left), left, y, tall)
        below = takes or focused
        hand.place((left, y - px(ROW) / 2, right - left, step), Spot(column, row))
        if focused:
            under = y + tall * 0.84
            hand.page.strokes.append(Stroke((left, under), (left + line.width, under), px(4.0), "focus"))
        if below:
            _below(hand, entry, takes, focused, left, right, y + px(BELOW))
        y += px(PAIR) if below else px(ROW)


def _below(
    hand: _Hand, entry: Entry, takes: bool, focused: bool, left: float, right: float, y: float
) -> None:
    """What stands under a title: of a take its day, of the row in focus what can be done."""
    x, small = left, hand.px(ORDINARY)
    if takes and entry.note:
        x += hand.write(entry.note, x, y, small, "pencil").width + small * 1.4
    if not focused:
        return
    actions = [(said.LOOK_BACK, Key.LOOK_BACK)] if takes else [
        (said.PLAY, Key.PLAY), (said.DRILL, Key.DRILL),
        (said.PREPARE, Key.PREPARE), (said.STUDIO, Key.STUDIO),
    ]  # fmt: skip
    while len(actions) > 1 and hand.keys_width(actions, small) > right - x:  # as on a screen of 5 to 4
        del actions[-1]  # it stands on the sheet of keys too
    hand.keys(actions, x, y, small)


def _help(hand: _Hand) -> None:
    """The sheet of keys."""
    sizes = hand.sizes
    step = (sizes.height - 2 * hand.edge) / (len(said.HELP_LINES) + 2)
    height = min(hand.px(ESSENTIAL), step * 0.5)
    wide = max(hand.width(key, height) for key, _ in said.HELP_LINES)
    most = max(hand.width(word, height) for _, word in said.HELP_LINES)
    height *= min(1.0, (sizes.width - 2.6 * hand.edge) / (wide + most + height * 2))
    wide = max(hand.width(key, height) for key, _ in said.HELP_LINES)
    y = hand.edge + step * 0.5
    hand.write(said.HELP_TITLE, hand.edge, y, height * 1.2)
    for i, (key, word) in enumerate(said.HELP_LINES):
        at = y + (i + 1.6) * step
        hand.write(key, hand.edge, at, height)
        hand.write(word, hand.edge + wide + height * 1.6, at, height, "pencil")
