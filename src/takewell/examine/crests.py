"""What do the highest crests of a track look like: how high, how sharp, and do they crowd under a ceiling?

Conventions: only the loudest 100 ms steps of a section are read, ten seconds in all; a crest is a local maximum of the
wave on one side of zero; its sharpness is the second difference over its height, so a gain does not change it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.examine.evidence import TrackEvidence
from takewell.examine.rails import LEAST_FLAT_SAMPLES
from takewell.examine.spans import runs
from takewell.units import decibels

F64 = NDArray[np.float64]

MOST_STEPS = 100
"""Steps read of a section: ten seconds."""

TOP_CRESTS = 8
"""The ceiling is the median height of so many highest crests: one click above it does not move it."""


@dataclass(frozen=True)
class Crests:
    """Crests on one side of zero: heights in dB under the ceiling (0 at it) and sharpness."""

    ceiling_dbfs: float
    below_db: F64
    sharpness: F64

    def count(self, nearest_db: float, farthest_db: float) -> int:
        """Return how many crests lie between two distances under the ceiling; those above it count to the nearest."""
        nearest_db = -np.inf if nearest_db <= 0 else nearest_db
        return int(np.count_nonzero((self.below_db >= nearest_db) & (self.below_db < farthest_db)))

    def sharpness_between(self, nearest_db: float, farthest_db: float) -> float:
        """Return the median sharpness of the crests between two distances under the ceiling, NaN for fewer than ten."""
        inside = (self.below_db >= (-np.inf if nearest_db <= 0 else nearest_db)) & (
            self.below_db < farthest_db
        )
        return float(np.median(self.sharpness[inside])) if np.count_nonzero(inside) >= 10 else float("nan")


def loud_crests(heard: TrackEvidence, start_s: float, end_s: float) -> tuple[Crests, Crests] | None:
    """Return the crests above and below zero of the loudest steps of a stretch, None where it holds too few."""
    trace = heard.trace
    part = trace.steps(start_s, end_s)
    peaks = trace.peak[part]
    peaks = np.where(
        trace.flat_run[part] >= LEAST_FLAT_SAMPLES, 0.0, peaks
    )  # cut flat: `clipped` tells those
    chosen = np.zeros(len(peaks), bool)
    chosen[np.argsort(peaks, kind="stable")[-MOST_STEPS:]] = True
    chosen &= peaks > 0
    heights: tuple[list[F64], list[F64]] = ([], [])
    sharpness: tuple[list[F64], list[F64]] = ([], [])
    for first, last in runs(chosen).tolist():
        samples = heard.samples(int(trace.edges[part.start + first]), int(trace.edges[part.start + last]))
        for side, sign in enumerate((1.0, -1.0)):
            wave = sign * samples
            at = np.flatnonzero((wave[1:-1] >= wave[:-2]) & (wave[1:-1] > wave[2:]) & (wave[1:-1] > 0)) + 1
            heights[side].append(wave[at])
            sharpness[side].append((2 * wave[at] - wave[at - 1] - wave[at + 1]) / wave[at])
    found = [
        _crests(np.concatenate(h), np.concatenate(s)) for h, s in zip(heights, sharpness, strict=True) if h
    ]
    return (
        (found[0], found[1])
        if len(found) == 2 and all(len(c.below_db) > 10 * TOP_CRESTS for c in found)
        else None
    )


def _crests(heights: F64, sharpness: F64) -> Crests:
    ceiling = float(decibels(np.median(np.sort(heights)[-TOP_CRESTS:]))) if len(heights) else -np.inf
    return Crests(ceiling, ceiling - decibels(heights), sharpness)
