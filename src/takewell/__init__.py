"""Takewell carries a shoot day's sound from plan to hand-over."""

__version__ = "0.1.0"
