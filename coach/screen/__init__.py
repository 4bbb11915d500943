"""The window and the page."""
