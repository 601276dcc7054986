"""Drawings: plain values in, SVG text out. One drawing serves page, PDF and README."""

from takewell.draw.columns import Columns, columns
from takewell.draw.palette import PAGE, PAPER, Palette
from takewell.draw.track import Bracket, Mark, thumbnail, track_drawing

__all__ = ["PAGE", "PAPER", "Bracket", "Columns", "Mark", "Palette", "columns", "thumbnail", "track_drawing"]
