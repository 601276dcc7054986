"""The check sheet's one table: every published check, in the order of the page."""

from accuracy import analysis_rows, level_rows, loudness_rows, true_peak_rows, weighting_rows
from accuracy.check import Check

ROWS: list[Check] = [
    *loudness_rows.rows(),
    *true_peak_rows.rows(),
    *weighting_rows.rows(),
    *level_rows.rows(),
    *analysis_rows.rows(),
]
