"""Wires scores, ports, the core and the window into what a person starts."""
