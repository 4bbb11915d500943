"""Ports, each in a child process of its own."""
