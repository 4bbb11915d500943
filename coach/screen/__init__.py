"""The page a guitarist reads: engraving, drawing, the window."""

import os

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")  # pygame prints a banner when it is imported
