"""Is a row of runs of like samples a rail that the wave was cut at, and of what kind?

The loops (:mod:`takewell.measure.step_loop`) find runs of three samples or more that are alike, are an extreme of their
100 ms and have a corner at each end, and join what is less than 10 ms apart. A single short run can be chance: the
crests of speech meet three samples within one part in 10,000 about once in some thousand crests. So the runs of a clip must
reach beyond two samples by `EVIDENCE` in all; or by one at full scale, a height that chance has no reason to choose;
or the track must meet the same height three times.

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

START, END, HIGH, LOW, LONGEST = range(5)
SIDES = (slice(5, 8), slice(8, 11))
"""Columns of a clip as the loops leave it: first sample, one past the last, highest and lowest rail, longest run; then for
the runs above and below zero their number, their samples, the sum of their squared lengths."""

CERTAIN = 2
"""Samples of a run that prove nothing."""

EVIDENCE, EVIDENCE_FULL_SCALE = 3.0, 1.0

ALIKE = 2e-3
"""Rails within this part of each other (0.017 dB) are one rail, and what proves one proves the others."""

LEAST_TOGETHER = 3

FULL_SCALE_DB = 0.01
"""A rail this close to 0 dBFS is full scale's."""

EVEN_RUNS = 4
EVEN_SPREAD = 0.1
"""From so many runs on whose lengths, on either side of zero, spread by less than this part of their mean, they are a
tone's."""

EVEN_SHARE, EVEN_SHARE_FULL_SCALE = 0.3, 0.9

MOST = 10_000
"""Clips of a track that are listed; where there are more, those near each other are joined, further and further."""


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
    rows : (n, 11) float64 array
        As the loops leave them.
    """
    rows = rows[np.argsort(rows[:, START], kind="stable")]
    level = np.maximum(rows[:, HIGH], -rows[:, LOW])
    runs, flat, squares = (rows[:, [side.start + k for side in SIDES]] for k in range(3))
    evidence = (flat - CERTAIN * runs).sum(axis=1)
    ranked = np.sort(level)
    together = np.searchsorted(ranked, level * (1 + ALIKE), "right") - np.searchsorted(
        ranked, level * (1 - ALIKE)
    )
    level_dbfs = decibels(level)
    full_scale = np.abs(level_dbfs) <= FULL_SCALE_DB
    proven = (evidence >= np.where(full_scale, EVIDENCE_FULL_SCALE, EVIDENCE)) | (together >= LEAST_TOGETHER)
    mean = flat / np.maximum(runs, 1)
    spread = np.sqrt(np.maximum(squares / np.maximum(runs, 1) - mean**2, 0)) / np.maximum(mean, 1)
    share = flat.sum(axis=1) / (rows[:, END] - rows[:, START])
    even = (runs.sum(axis=1) >= EVEN_RUNS) & (spread.max(axis=1, initial=0) < EVEN_SPREAD)
    tone = even & (share > np.where(full_scale, EVEN_SHARE_FULL_SCALE, EVEN_SHARE))
    return [
        JudgedClip(
            int(rows[k, START]),
            int(rows[k, END]),
            float(level_dbfs[k]),
            "undecided" if tone[k] else "full_scale" if full_scale[k] else "rail",
        )
        for k in np.flatnonzero(proven)
    ]


def joined_clips(rows: F64, gap_samples: float) -> F64:
    """Return rows of which those not more than `gap_samples` apart have become one.

    Parameters
    ----------
    rows : (n, 11) float64 array
        As the loops leave them, in order of time.
    gap_samples : float
        How far apart clips may be to be joined.
    """
    if not len(rows):
        return rows
    first = np.flatnonzero(np.append(True, rows[1:, START] - rows[:-1, END] > gap_samples))
    joined = np.add.reduceat(rows, first, axis=0)
    joined[:, START] = rows[first, START]
    for column, extreme in ((END, np.maximum), (HIGH, np.maximum), (LOW, np.minimum), (LONGEST, np.maximum)):
        joined[:, column] = extreme.reduceat(rows[:, column], first)
    return joined
