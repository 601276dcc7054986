"""Is a row of runs of like samples a rail that the wave was cut at, and of what kind?

The loops (:mod:`takewell.measure.step_loop`) find runs of three samples or more that are alike, are an extreme of their
100 ms and have a corner at each end, and join what is less than 10 ms apart. A single short run can be chance: the
crests of speech meet three samples within one part in 10,000 about once in some thousand crests. So the runs of a clip must
reach beyond two samples by `EVIDENCE` in all, or by one sample at full scale, a height that chance has no reason to choose.

A square or trapezoid tone has rails too and was never cut: runs that all have the same length, and fill most of
the time (at full scale: nearly all of it), are left undecided. A cut voice stays at its rail for times of all lengths.

Conventions: positions in samples, levels linear, 1.0 = full scale, unless the name says otherwise.
"""

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.units import decibels

F64 = NDArray[np.float64]
ClipShape = Literal["full_scale", "rail", "soft", "undecided"]

START, END, HIGH, LOW, RUNS, FLAT, SQUARES, LONGEST = range(8)
"""Columns of a clip as the loops leave it: first sample, one past the last, highest and lowest rail, number of runs, samples in
them, sum of their squared lengths, longest."""

CERTAIN = 2
"""Samples of a run that prove nothing."""

EVIDENCE, EVIDENCE_FULL_SCALE = 3.0, 1.0

FULL_SCALE_DB = 0.01
"""A rail this close to 0 dBFS is full scale's."""

EVEN_RUNS = 4
EVEN_SPREAD = 0.1
"""From so many runs on whose lengths spread by less than this part of their mean, they are a tone's."""

EVEN_SHARE, EVEN_SHARE_FULL_SCALE = 0.3, 0.9


class JudgedClip(NamedTuple):
    """A stretch at a rail."""

    start_samples: int
    end_samples: int
    level_dbfs: float
    shape: ClipShape


def judged_clips(rows: F64) -> list[JudgedClip]:
    """Return which rows are clips, and of what kind, in order.

    Parameters
    ----------
    rows : (n, 8) float64 array
        As the loops leave them.
    """
    found = []
    for row in rows[np.argsort(rows[:, START], kind="stable")]:
        level_dbfs = float(decibels(max(row[HIGH], -row[LOW])))
        full_scale = abs(level_dbfs) <= FULL_SCALE_DB
        if row[FLAT] - CERTAIN * row[RUNS] < (EVIDENCE_FULL_SCALE if full_scale else EVIDENCE):
            continue
        found.append(JudgedClip(int(row[START]), int(row[END]), level_dbfs, _shape(row, full_scale)))
    return found


def _shape(row: F64, full_scale: bool) -> ClipShape:
    mean = row[FLAT] / row[RUNS]
    spread = np.sqrt(max(row[SQUARES] / row[RUNS] - mean**2, 0.0)) / mean
    share = row[FLAT] / (row[END] - row[START])
    if (
        row[RUNS] >= EVEN_RUNS
        and spread < EVEN_SPREAD
        and share > (EVEN_SHARE_FULL_SCALE if full_scale else EVEN_SHARE)
    ):
        return "undecided"
    return "full_scale" if full_scale else "rail"
