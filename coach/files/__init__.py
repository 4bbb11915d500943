"""Scores and takes on disk."""
