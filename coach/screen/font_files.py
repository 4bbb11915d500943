"""The fonts that come with the program (each beside its licence)."""

from __future__ import annotations

from pathlib import Path

FONTS = Path(__file__).with_name("fonts")
MUSIC = FONTS / "Bravura.otf"
PRINT = FONTS / "LinLibertine_R.otf"
HAND = FONTS / "Kalam-Regular.ttf"
PRINT_FAMILY = "Linux Libertine O"
