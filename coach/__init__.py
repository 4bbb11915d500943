"""A muting and timing coach for classical guitar."""

__version__ = "0.1.0"
