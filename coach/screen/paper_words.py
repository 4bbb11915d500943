"""Every word of the printed page's legend, in one place, ready to translate.

The signs it explains, and their names, stand in core/words.py: they are the same in the windows.
"""

from __future__ import annotations

from coach.core.clash import Clash

STOP_HERE = "stop the circled string here"
# The grades stand where the field does, each written as it is on the page.
RINGING_ON = "ringing on would {grades}"
GRADES = {Clash.HIGH: "clash", Clash.MIDDLE: "muddy", Clash.LOW: "blend"}
MAY_RING = "arc after a note: may ring on"
ON_CHANGE = "fingers, letters and ways are written where they change"
PAGE_OF = "{page} / {pages}"
KEY_WORDS = "Key: {key}"
