"""A test programme for recorders, and the data sheet of one from its recordings."""

from takewell.bench.figures import Curve, DataSheet, Figure
from takewell.bench.measure import Conditions, measure_recorder
from takewell.bench.programme import ProgrammeSettings, parts, read_settings
from takewell.bench.write import WrittenSignals, write_signals

__all__ = [
    "Conditions",
    "Curve",
    "DataSheet",
    "Figure",
    "ProgrammeSettings",
    "WrittenSignals",
    "measure_recorder",
    "parts",
    "read_settings",
    "write_signals",
]
