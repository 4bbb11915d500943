"""The page a guitarist reads: engraving, drawing, the window."""

import os

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")  # pygame prints a banner when it is imported
# pygame gives its own name to the window's class unless there is one when it is imported.
os.environ.setdefault("SDL_VIDEO_X11_WMCLASS", "coach")
