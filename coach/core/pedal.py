"""A foot switch: which messages it sends, and which of them are presses.

Any controller, note or program change can be learnt.  Nothing is taken away from anyone: the session hears
every message too, and what it lives on (strings' notes, "all notes off", the bend range) cannot be learnt.

Sources: MIDI 1.0 Detailed Specification 4.2.1: a switch's controller is off at 0 to 63 and on at 64 to 127
(table 3, from memory); controllers 120 to 127 are channel mode messages (p. 20); 6, 38, 100 and 101 set
registered parameters (p. 18).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

from coach.core.profile import Profile
from coach.core.wire import Decoder

FORWARD, BACK = "forward", "back"
APART_US = 120_000  # two presses of one switch are never closer (own figure)
REST_US = 30_000  # let go for less, a switch has only bounced (own figure; contacts settle in 5 to 20 ms)
QUIET_US = 1_000_000  # a switch silent for so long has been let go (own figure)
ON_ABOVE = 63
STRINGS_NOTES = 3  # a pedal with two switches that send strings' notes sends two (own figure)

Kind = Literal["controller", "note", "program"]
KINDS: tuple[Kind, ...] = get_args(Kind)
Address = tuple[Kind, int, int]  # kind, channel, number

ITS_OWN_NOTE = (
    "That is a note on channel {channel}, which is string {string}'s own, so it cannot be a switch; set the "
    "pedal to a channel of its own, or to send a controller."
)
STRINGS_OWN_NOTE = (
    "That is a note on channel {channel}, which carries the strings, so it cannot be a switch; set the pedal "
    "to a channel of its own, or to send a controller."
)
MODE = (
    "Controller {number} tells the strings to be silent or how to sound, so it cannot be a switch; set the "
    "pedal to another controller, below 120."
)
PARAMETER = (
    "Controller {number} sets how far a string bends, so it cannot be a switch; set the pedal to another "
    "controller, such as 64 or 80."
)
NO_SWITCH = (
    "Bends and pressure are the strings' own, so they cannot be a switch; set the pedal to send a controller."
)
TAKEN = "That switch has been learnt already; press another one."
EACH_MESSAGE = "each message is a press"
PRESSED_ABOVE = "pressed above {value}"
PRESSED_BELOW = "pressed at {value} and below"


@dataclass(frozen=True, slots=True)
class Press:
    """A switch was pressed."""

    time_us: int
    switch: str  # FORWARD or BACK


@dataclass(frozen=True, slots=True)
class Switch:
    """What one switch sends, and when it counts as pressed."""

    controller: int  # 0-127: the controller's number, or the note's, or the program's: see ``kind``
    channel: int  # 1-16
    on_above: int = ON_ABOVE  # pressed and let go lie on either side of this value
    kind: Kind = "controller"
    rest: int = 0  # the value it has when let go; above ``on_above``: pressed is the low side
    every: bool = False  # one message a press, whatever its value: latching switches, programs

    @property
    def address(self) -> Address:
        """What tells its messages from all others."""
        return self.kind, self.channel, self.controller

    def pressed(self, value: int) -> bool:
        """Return whether a value is on the pressed side."""
        return value > self.on_above if self.rest <= self.on_above else value <= self.on_above

    def rested(self, value: int) -> bool:
        """Return whether a value is at least half-way from the border back to the rest value."""
        if self.rest <= self.on_above:
            return value <= (self.on_above + self.rest) // 2
        return value >= (self.on_above + 2 + self.rest) // 2

    def to_plain(self) -> dict[str, Any]:
        """Return the switch as TOML-ready values; the key of its number is its kind."""
        plain = {self.kind: self.controller, "channel": self.channel}
        if self.every:
            return {**plain, "every": True}
        return {**plain, "on_above": self.on_above, "rest": self.rest}

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Switch:
        """Return the switch that ``to_plain`` described; unknown keys are passed over.

        ValueError where a value is missing or out of range, or the number could not have been learnt.
        """
        given = [kind for kind in KINDS if kind in plain]
        if len(given) != 1:
            raise ValueError(f"one of {', '.join(KINDS)} is needed")
        kind = given[0]

        def whole(key: str, low: int, high: int, default: int | None = None) -> int:
            value = plain.get(key, default)
            if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
                raise ValueError(f"{key} is not between {low} and {high}")
            return value

        every = plain.get("every", False)
        if not isinstance(every, bool):
            raise ValueError("every is neither true nor false")
        switch = cls(
            whole(kind, 0, 127),
            whole("channel", 1, 16),
            whole("on_above", 0, 126, ON_ABOVE),
            kind,
            whole("rest", 0, 127, 0),
            every or kind == "program",
        )
        if kind == "controller" and (reason := _controller_needed(switch.controller)):
            raise ValueError(reason)
        return switch

    def __str__(self) -> str:
        where = f"{self.kind} {self.controller} on channel {self.channel}"
        if self.kind == "program":
            return where
        if self.every:
            return f"{where}, {EACH_MESSAGE}"
        side = PRESSED_ABOVE if self.rest <= self.on_above else PRESSED_BELOW
        return f"{where}, {side.format(value=self.on_above)}"


class Pedal:
    """The mutable owner of what the switches did: messages in, presses out."""

    def __init__(self, forward: Switch | None, back: Switch | None = None) -> None:
        """Either switch may be missing."""
        self.switches = {name: s for name, s in ((FORWARD, forward), (BACK, back)) if s is not None}
        self._names = {switch.address: name for name, switch in self.switches.items()}
        self._cut = _Cutter()
        self._pressed_us: dict[str, int] = {}  # when it last counted
        self._down: set[str] = set()
        self._rested_us: dict[str, int] = {}  # when it was last let go

    def hear(self, time_us: int, data: bytes) -> list[Press]:
        """Return the presses in ``data`` (any number of bytes of one port), heard at ``time_us``."""
        found = []
        for address, value in self._cut.messages(data):
            name = self._names.get(address) if address is not None else None
            if name is not None and self._is_press(name, value, time_us):
                self._pressed_us[name] = time_us
                found.append(Press(time_us, name))
        return found

    def owns(self, data: bytes) -> bool:
        """Return whether whole messages are nothing but the switches' own, pressed or let go."""
        found = [address for address, _ in _Cutter().messages(data)]
        return bool(found) and all(address in self._names for address in found)

    def _is_press(self, name: str, value: int, time_us: int) -> bool:
        switch = self.switches[name]
        if switch.every:
            return not _within(time_us, self._pressed_us.get(name), APART_US)
        if switch.rested(value):
            if name in self._down:
                self._down.discard(name)
                self._rested_us[name] = time_us
            return False
        if name in self._down or not switch.pressed(value):
            return False
        self._down.add(name)
        return not (
            _within(time_us, self._pressed_us.get(name), APART_US)
            or _within(time_us, self._rested_us.get(name), REST_US)
        )


class Learner:
    """Finds out from one press what a switch sends: press it, let it go, and leave it."""

    def __init__(self, profile: Profile | None = None, taken: Sequence[Switch] = ()) -> None:
        """``profile`` tells the strings' channels; ``taken`` are switches learnt before."""
        self._profile = profile or Profile()
        self._taken = {switch.address: switch for switch in taken}
        self._cut = _Cutter()
        self._values: dict[Address, list[int]] = {}
        self._last_us: dict[Address, int] = {}
        self.refused = ""  # one sentence on why what came last cannot be learnt
        self.guitar = False  # whether a guitar is heard by this port: a bend came, or several strings' notes
        self._strings: set[Address] = set()

    def hear(self, time_us: int, data: bytes) -> None:
        """Take in any number of bytes of one port."""
        for address, value in self._cut.messages(data):
            if address is None:
                self.refused = NO_SWITCH
                self.guitar = True
                continue
            before = self._taken.get(address)
            reason = cannot_be_learnt(address, self._profile)
            if reason is not None:
                if value or address[0] != "note":  # the end of an older note is no attempt
                    self.refused = reason
                    self._strings |= {address} if address[0] == "note" else set()
                    self.guitar |= len(self._strings) >= STRINGS_NOTES
            elif before is not None:
                if before.every or before.pressed(value):  # nor is a foot that lets go at last
                    self.refused = TAKEN
            elif value or address[0] != "note" or address in self._values:
                self._values.setdefault(address, []).append(value)
                self._last_us[address] = time_us

    @property
    def pending(self) -> bool:
        """Whether something was heard that may be a switch."""
        return bool(self._values)

    def learnt(self, now_us: int) -> Switch | None:
        """Return the switch once it has been quiet for ``QUIET_US``, None before.

        Of several messages a press, banks (controllers 0 and 32) come last, since every switch sends them.
        """
        quiet = [a for a in self._values if now_us - self._last_us[a] >= QUIET_US]
        if not quiet:
            return None
        best = min(quiet, key=lambda a: a[0] == "controller" and a[2] in (0, 32))
        return _switch(best, self._values[best])


def cannot_be_learnt(address: Address, profile: Profile) -> str | None:
    """Return one sentence on why a message can be no switch, or None where it can."""
    kind, channel, number = address
    if kind == "controller":
        return _controller_needed(number)
    if kind == "note":
        if (string := profile.string_of(channel)) is not None:
            return ITS_OWN_NOTE.format(channel=channel, string=string)
        if profile.single_channel and channel == profile.base_channel:
            return STRINGS_OWN_NOTE.format(channel=channel)
    return None


def _controller_needed(number: int) -> str | None:
    if number >= 120:
        return MODE.format(number=number)
    return PARAMETER.format(number=number) if number in (6, 38, 100, 101) else None


def _switch(address: Address, values: Sequence[int]) -> Switch:
    """Return what one press, heard as these values, tells of its switch."""
    kind, channel, number = address
    distinct = len(set(values))
    if kind == "program" or distinct == 1:
        return Switch(number, channel, kind=kind, every=True)
    rest = values[-1]
    # A treadle stays where it was pushed: its values only rise, or only fall, and it rests where it began.
    if distinct >= 3 and list(values) in (sorted(values), sorted(values, reverse=True)):
        rest = values[0]
    far = max(values, key=lambda value: abs(value - rest))
    low, high = sorted((rest, far))
    if kind == "note":
        return Switch(number, channel, 0, kind, 0)
    border = ON_ABOVE if low <= ON_ABOVE < high else (low + high) // 2
    return Switch(number, channel, border, kind, rest)


def _within(time_us: int, since_us: int | None, span_us: int) -> bool:
    # A time before ``since_us`` is another port's, or another day's: it holds nothing back.
    return since_us is not None and 0 <= time_us - since_us < span_us


class _Cutter:
    """Cuts bytes into channel messages by the session's own rules (running status, real-time bytes)."""

    def __init__(self) -> None:
        self._decoder = Decoder(Profile())

    def messages(self, data: bytes) -> list[tuple[Address | None, int]]:
        """Return (address, value) of every channel message; the address is None for bends and pressure."""
        return [_addressed(*message) for message in self._decoder.channel_messages(data)]


def _addressed(kind: int, channel: int, data: tuple[int, ...]) -> tuple[Address | None, int]:
    match kind:
        case 0x90:
            return ("note", channel, data[0]), data[1]
        case 0x80:
            return ("note", channel, data[0]), 0
        case 0xB0:
            return ("controller", channel, data[0]), data[1]
        case 0xC0:
            return ("program", channel, data[0]), 127
        case _:
            return None, 127
