"""Raw MIDI messages become events.

Sources: MIDI 1.0 Detailed Specification 4.2.1: note-on with velocity 0 is a note-off (p. 10); running
status and real-time bytes inside a message (pp. 4-5); pitch bend is 14 bit, LSB first, centre 8192
(p. 19); controllers 120 and 123 to 127 silence a channel (p. 20); RPN 0 is the bend range (p. 18).
"""

from __future__ import annotations

from collections import Counter

from coach.core.channels import Channels
from coach.core.events import AllOff, Bend, Event, NoteOff, NoteOn
from coach.core.profile import Profile

ChannelMessage = tuple[int, int, tuple[int, ...]]  # kind (0x80, 0x90 … 0xE0), channel (1-16), data bytes
SILENCING = frozenset((120, 123, 124, 125, 126, 127))  # the controllers that silence a channel

_DATA_BYTES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
_SYSTEM_DATA = {0xF1: 1, 0xF2: 2, 0xF3: 1}


class Decoder:
    """Bytes of one port in, events out; keeps running status, and counts all it does not use.

    ``ignored`` maps a plain word (``sysex``, ``real-time``, ``other channel``, ``malformed`` …) to a count.
    """

    def __init__(self, profile: Profile, channels: Channels | None = None) -> None:
        """``channels``: a session's, which notices strings on other channels than the profile's."""
        self.profile, self._channels = profile, channels
        self.ignored: Counter[str] = Counter()
        self._status = 0
        self._data: list[int] = []
        self._sysex = False
        self._bend_range: dict[int, float] = {}
        self._rpn: dict[int, tuple[int, int]] = {}

    def decode(self, time_us: int, data: bytes) -> list[Event]:
        """Return the events that ``data`` (any number of bytes) completes, stamped ``time_us``."""
        events: list[Event] = []
        for message in self.channel_messages(data):
            self._message(time_us, message, events)
        return events

    def channel_messages(self, data: bytes) -> list[ChannelMessage]:
        """Return the channel messages that ``data`` completes, whether or not their channel carries a string.

        What ``decode`` begins with, for those who want messages and not events.  Either takes the bytes in:
        one stream goes through one of them.
        """
        found: list[ChannelMessage] = []
        for byte in data:
            if byte >= 0xF8:
                self.ignored["real-time"] += 1
            elif byte >= 0x80:
                self._begin(byte)
            elif self._sysex:
                continue
            elif not self._status:
                self.ignored["malformed"] += 1
            else:
                self._data.append(byte)
                if len(self._data) == self._needed():
                    message, self._data = tuple(self._data), []
                    if self._status >= 0xF0:
                        self.ignored["system"] += 1
                        self._status = 0
                    else:
                        found.append((self._status & 0xF0, (self._status & 0x0F) + 1, message))
        return found

    def _needed(self) -> int:
        return _SYSTEM_DATA.get(self._status, 0) if self._status >= 0xF0 else _DATA_BYTES[self._status & 0xF0]

    def _begin(self, status: int) -> None:
        if self._data:  # a message broke off half-way
            self.ignored["malformed"] += 1
            self._data = []
        self._sysex = status == 0xF0
        if status in (0xF0, 0xF4, 0xF5, 0xF6, 0xF7):
            if status != 0xF7:
                self.ignored["sysex" if status == 0xF0 else "system"] += 1
            self._status = 0
        else:
            self._status = status

    def _message(self, time_us: int, message: ChannelMessage, events: list[Event]) -> None:
        kind, channel, data = message
        channels = self._channels
        if channels is not None and kind == 0x90 and data[1]:
            channels.note_on(channel, *data)
        string = self.profile.string_of(channel) if channels is None else channels.string_of(channel)
        if not (self._carries(channel) if channels is None else channels.carries(channel)):
            self.ignored["other channel"] += 1
        elif kind == 0x90 and data[1]:
            events.append(NoteOn(time_us, data[0], data[1], string))
        elif kind in (0x80, 0x90):
            events.append(NoteOff(time_us, data[0], string))
        elif kind == 0xE0:
            semitones = self._bend_range.get(channel, self.profile.bend_range)
            wheel = data[0] | data[1] << 7
            events.append(Bend(time_us, 100 * semitones * (wheel - 8192) / 8192, string))
        elif kind == 0xB0:
            self._controller(time_us, channel, string, data, events)
        else:
            self.ignored["pressure or program"] += 1

    def _carries(self, channel: int) -> bool:
        if self.profile.single_channel:
            return channel == self.profile.base_channel
        return self.profile.string_of(channel) is not None

    def _controller(
        self, time_us: int, channel: int, string: int | None, data: tuple[int, ...], events: list[Event]
    ) -> None:
        number, value = data
        if number in SILENCING:
            events.append(AllOff(time_us, string))
            return
        msb, lsb = self._rpn.get(channel, (127, 127))
        if number == 101:
            self._rpn[channel] = (value, lsb)
        elif number == 100:
            self._rpn[channel] = (msb, value)
        elif number == 6 and (msb, lsb) == (0, 0) and value:
            self._bend_range[channel] = float(value)
        self.ignored["controller"] += 1
