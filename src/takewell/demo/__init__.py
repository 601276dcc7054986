"""An invented shoot day, computed: cards, and realistic labelled sound for tests."""

from takewell.demo.card import write_day
from takewell.demo.truth import Planted, Truth, TruthFile, TruthLine, TruthTake, TruthTrack

__all__ = [
    "Planted",
    "Truth",
    "TruthFile",
    "TruthLine",
    "TruthTake",
    "TruthTrack",
    "write_day",
]
