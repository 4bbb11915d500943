"""What the page announces: the next stop, and where it falls; ready to translate."""

from __future__ import annotations

AT_REST = "at the rest"
AT_NOTE = "at the {tone}"
AT_END = "at the end"
NEXT_STOP = "next: stop {string} {where}"
NEXT_STOP_BY = "next: stop {string} {where}, {way}"
STOP = "stop {string} {where}"  # where there is little room
NO_STOP = "No stop to come."
UNSURE = "listening for the place …"
