"""Is a run of like samples a rail, and of what kind?"""

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.units import decibels

F64 = NDArray[np.float64]
ClipShape = Literal["full_scale", "rail", "soft", "undecided"]

START, END, HIGH, LOW, RUNS, FLAT, SQUARES, LONGEST = range(8)


class JudgedClip(NamedTuple):
    """A stretch at a rail: positions in samples, level in dBFS."""

    start_samples: int
    end_samples: int
    level_dbfs: float
    shape: ClipShape


def judged_clips(rows: F64, full_scale_slack: float) -> list[JudgedClip]:
    """Return what the runs amount to."""
    found = []
    for row in rows[np.argsort(rows[:, START])]:
        level = max(row[HIGH], -row[LOW])
        if row[FLAT] - 2 * row[RUNS] < 3:
            continue
        shape: ClipShape = "full_scale" if abs(level - 1) <= full_scale_slack else "rail"
        found.append(JudgedClip(int(row[START]), int(row[END]), float(decibels(level)), shape))
    return found
