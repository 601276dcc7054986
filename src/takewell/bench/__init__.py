"""A test programme for recorders, and the data sheet of one from its recordings."""

from takewell.bench.comparison import LABELS, ComparedFigure, compare, comparison_drawings
from takewell.bench.document import read_sheet, sheet_document, write_sheet
from takewell.bench.figures import Curve, DataSheet, Figure
from takewell.bench.location import CALIBRATOR_UNCERTAINTY_DB, Location, measure_location, spl_at_full_scale
from takewell.bench.measure import Conditions, measure_recorder
from takewell.bench.profile import write_profiles
from takewell.bench.programme import ProgrammeSettings, parts, read_settings
from takewell.bench.write import WrittenSignals, write_signals

__all__ = [
    "CALIBRATOR_UNCERTAINTY_DB",
    "LABELS",
    "ComparedFigure",
    "Conditions",
    "Curve",
    "DataSheet",
    "Figure",
    "Location",
    "ProgrammeSettings",
    "WrittenSignals",
    "compare",
    "comparison_drawings",
    "measure_location",
    "measure_recorder",
    "parts",
    "read_settings",
    "read_sheet",
    "sheet_document",
    "spl_at_full_scale",
    "write_profiles",
    "write_sheet",
    "write_signals",
]
